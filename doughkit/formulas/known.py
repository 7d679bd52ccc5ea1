"""Composition as arrays for reckoning, and the names that lead to each ingredient.

`salt_pct` is common salt. Traces under 0.05 %, and the natural sodium of flours and yeast (under
0.2 %), are left out; that of dairy, egg and cheese is counted as sodium × 2.54; that of leavenings
is not salt at all.
"""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from doughkit.tables.problems import nearest
from doughkit.tables.register import TABLES

HERE = Path(__file__).parent
COLUMNS = TABLES["ingredients"].names
FIGURES = ("moisture_pct", "fat_pct", "salt_pct", "sugar_pct", "whole_grain_pct", "density_g_ml")
FLOUR_MOISTURE_PCT = 14.0
"""Moisture basis on which flour is traded and absorption quoted; also taken where none is known."""
WETTEST_FLOUR_PCT = 40.0
"""A flour with more water than this is taken for something else, or for a slip."""
STARTER_MOISTURE_PCT = 56.68
WHITE_MOISTURE_PCT, WHOLE_MOISTURE_PCT = 13.36, 10.74
"""Flour inside a starter: bread flour and whole wheat flour, USDA SR28 NDB 20083 and 20080."""


@dataclass(frozen=True, eq=False)
class Known:
    """Composition as arrays, one place per ingredient, and the names that lead there."""

    table: pd.DataFrame
    overridden: pd.DataFrame
    places: dict[str, int]
    lots: dict[str, float]

    @functools.cached_property
    def role(self) -> np.ndarray:
        return self.table["role"].to_numpy(dtype=object)

    @functools.cached_property
    def names(self) -> np.ndarray:
        return self.table["ingredient"].to_numpy(dtype=object)

    @functools.cached_property
    def moisture(self) -> np.ndarray:
        moisture = self.table["moisture_pct"].to_numpy(copy=True)
        gap = np.isnan(moisture)
        moisture[gap & (self.role == "flour")] = FLOUR_MOISTURE_PCT
        moisture[gap & (self.role == "leaven")] = STARTER_MOISTURE_PCT
        moisture[gap & (self.role == "water")] = 100.0
        return np.nan_to_num(moisture)

    @functools.cached_property
    def figures(self) -> dict[str, np.ndarray]:
        """Every figure with nothing where it is not known (`gaps` says so)."""
        return {name: np.nan_to_num(self.table[name].to_numpy()) for name in FIGURES}

    @functools.cached_property
    def flour_share(self) -> np.ndarray:
        """Flour in one gram: 1 for flour; a starter's from its moisture and that of its flour."""
        return flour_share(self.role, self.moisture, self.figures["whole_grain_pct"])

    @functools.cached_property
    def density(self) -> np.ndarray:
        return self.table["density_g_ml"].to_numpy()

    @functools.cached_property
    def gaps(self) -> np.ndarray:
        """Per ingredient: what is not known of it and how it was counted, in words."""
        dry = ~np.isin(self.role, ("flour", "leaven"))
        floury = ~dry
        asked = {
            "moisture_pct": np.full(len(dry), True),
            "fat_pct": dry & (self.role != "yeast"),
            "salt_pct": np.full(len(dry), True),
            "sugar_pct": dry & (self.role != "yeast"),
            "whole_grain_pct": floury,
        }
        words = np.full(len(dry), "", dtype=object)
        for column, needed in asked.items():
            missing = needed & self.table[column].isna().to_numpy()
            for place in np.flatnonzero(missing):
                taken = f"{self.moisture[place]:g} %" if column == "moisture_pct" else "0"
                what = column.removesuffix("_pct").replace("_", " ")
                said = f"{what} of {self.names[place]} (taken as {taken})"
                words[place] += f"; {said}" if words[place] else said
        return words

    def place(self, name: str) -> int:
        """Where an ingredient stands, or −1."""
        return self.places.get(name.casefold(), -1)

    def mend(self, name: str) -> str:
        """What to do about an unknown name."""
        return (
            nearest(name.casefold(), self.places)
            + " or add a row to the table ingredients: ingredient, role, moisture_pct and what else"
            " is known, source"
        ).removeprefix(" or ")


def flour_share(role, moisture, whole_grain):
    """Grams of flour in one gram of an ingredient."""
    white, whole = WHITE_MOISTURE_PCT, WHOLE_MOISTURE_PCT
    inside = white + (whole - white) * whole_grain / 100
    leaven = (100 - moisture) / (100 - inside)
    return np.where(role == "flour", 1.0, np.where(role == "leaven", leaven, 0.0))


@functools.cache
def built_in() -> Known:
    """The shipped table and the other names that lead into it."""
    with (HERE / "ingredients.csv").open(encoding="utf8", newline="") as file:
        rows = list(csv.DictReader(file))
    table = pd.DataFrame(rows, columns=COLUMNS).astype("str")
    for column in FIGURES:
        table[column] = pd.to_numeric(table[column].replace("", np.nan))
    table["held_from"] = "built-in"
    places = {name: place for place, name in enumerate(table["ingredient"])}
    with (HERE / "names.csv").open(encoding="utf8", newline="") as file:
        others = {row["name"]: places[row["ingredient"]] for row in csv.DictReader(file)}
    nothing = pd.DataFrame(columns=["ingredient", "column", "built_in", "study"])
    return Known(table, nothing, {**others, **places}, {})
