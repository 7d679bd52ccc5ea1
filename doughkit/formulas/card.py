"""The card handed on with a finished formula: batch, process, what a good piece is, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.formulas.cautions import allergens, salt_per_100g
from doughkit.formulas.percent import bakers_percent
from doughkit.formulas.weigh import weigh_out
from doughkit.tables.paper import heading, note, page, shown
from doughkit.tables.problems import Problem, StudyProblems, nearest, problem_error
from doughkit.tables.register import TABLES, Column, label, unit_of

PROCESS = (
    *("dough_c", "ferment_h", "ferment_c", "piece_mass_g", "diameter_mm"),
    *("preheat_min", "air_c", "support_c", "bake_min"),
)
"""What the next baker has to be told; a four-sided piece has length_mm and width_mm instead."""
WINDOW = ("mass_after_g", "droop_mm")
"""What the next baker can check a piece by."""

CAUTIONS = (
    ("law", "Local food law comes first, before anything on this card."),
    ("raw flour", "Flour and dough are not ready to eat: no tasting before the bake, clean hands."),
    ("burns", "Plate, floor and steam burn; open the oven from the side, use dry gloves."),
    ("dark crust", "A darker, drier bake forms more acrylamide: stop at golden, not at brown."),
)


@dataclass(frozen=True, eq=False)
class HandOn:
    """A formula handed on: `lines`, `process`, `window`, `cautions`; `page()` for paper."""

    formula: str
    lines: pd.DataFrame
    process: pd.DataFrame
    window: pd.DataFrame
    cautions: pd.DataFrame

    def summary(self) -> str:
        both = pd.concat([self.process["what"], self.window["what"]])
        known = pd.concat([self.process["value"], self.window[["low", "high"]].max(axis=1)])
        missing = both[known.isna().to_numpy()].tolist()
        said = f"not stated: {', '.join(missing)}" if missing else "process and window are complete"
        grams = self.lines["planned_g"].sum()
        return f"{self.formula}: {grams:.0f} g of dough; {said}."

    def page(self) -> str:
        """The card as one A4 page (HTML that asks the network for nothing)."""
        weights = ["part", "ingredient", "planned_g", "percent_as_rounded"]
        warned = self.lines.loc[self.lines["warning"] != "", "warning"].tolist()
        return page(
            self.formula,
            [
                self.summary(),
                shown(self.lines[weights], "What goes into this batch", digits=1),
                *(note(text) for text in dict.fromkeys(warned)),
                shown(self.process[["meaning", "value", "unit"]], "How it is made", digits=1),
                shown(self.window[["meaning", "low", "high", "unit"]], "A good piece", digits=1),
                heading("Cautions"),
                self.cautions["caution"].tolist(),
            ],
        )


def hand_on(
    formulas,
    ingredients=None,
    *,
    formula,
    pieces,
    piece_g,
    process,
    window,
    bake_loss_pct=None,
    extra_pct=0.0,
    scale_step_g=1.0,
    small_step_g=0.1,
) -> HandOn:
    """Put together the card that goes with a finished formula.

    Question: what does the next baker need, to bake the same piece and to know that it is?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes them.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    formula : str
        Which formula.
    pieces, piece_g : float
        How many pieces, and the dough mass of one [g].
    process : mapping of column to number
        dough_c, ferment_h, ferment_c, diameter_mm (or length_mm and width_mm), preheat_min, air_c,
        support_c, bake_min, and any column of doughs, pieces or ovens, or one of your own that
        ends in a unit. What is not given, or empty, stands on the card as not stated.
    window : mapping of column to (low, high)
        mass_after_g and droop_mm, and what else a good piece is known by; None leaves a side open.
    bake_loss_pct : float, optional
        Share of the dough's mass that the bake drives off; with it the card gives salt in 100 g.
    extra_pct : float
        Dough mixed beyond the pieces [%].
    scale_step_g, small_step_g : float
        Steps of the scales, as `weigh_out` takes them.

    Returns
    -------
    HandOn: `lines` (part, ingredient, percent, planned_g, percent_as_rounded, warning), `process`
    (what, meaning, value, unit), `window` (what, meaning, low, high, unit), `cautions` (about,
    caution); `summary()`; `page()` gives one A4 page.

    Raises
    ------
    StudyProblems for an unknown formula, a name that is no column, a window upside down.

    Range: another batch size changes friction, dough temperature and ferment; bake one piece and
    check the window before baking the rest.

    Source: by definition of this library; allergens and salt as in `allergens`, `salt_per_100g`.

    >>> import pandas as pd
    >>> plain = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water", "salt"],
    ...      "amount": ["100", "60", "2"], "unit": "%"})
    >>> card = hand_on(plain, formula="Flat", pieces=6, piece_g=200, process={"bake_min": 6.5},
    ...                window={"mass_after_g": (168, 176)})
    >>> card.window[["what", "low", "high"]].values.tolist()
    [['mass_after_g', 168.0, 176.0], ['droop_mm', nan, nan]]
    """
    lines = bakers_percent(formulas, ingredients)
    mine = lines.loc[lines["formula"] == formula].rename(columns={"formula": "dough"})
    if mine.empty:
        names = lines["formula"].drop_duplicates().tolist()
        raise problem_error(
            "formulas",
            column="formula",
            found=f"no formula '{formula}'",
            expected="the name of a formula in the table",
            mend=nearest(formula, names) or f"write one of: {', '.join(names[:8])}",
        )
    options = {"extra_pct": extra_pct, "scale_step_g": scale_step_g, "small_step_g": small_step_g}
    sheet = weigh_out(mine, piece_g=piece_g, pieces=pieces, **options)
    columns = ["part", "ingredient", "percent", "planned_g", "percent_as_rounded", "warning"]
    return HandOn(
        formula=str(formula),
        lines=sheet[columns],
        process=_process({"piece_mass_g": piece_g, **process}),
        window=_window(window),
        cautions=_cautions(formulas, ingredients, formula, bake_loss_pct),
    )


def _registered() -> dict[str, Column]:
    tables = ("doughs", "pieces", "ovens")
    return {
        column.name: column
        for table in tables
        for column in TABLES[table].columns
        if column.kind in ("number", "whole")
    }


def _described(given: Mapping, needed: tuple[str, ...], table: str) -> dict[str, str]:
    """Every name asked for or given, with its meaning; refuses what has no unit."""
    known = _registered()
    strange = [name for name in given if name not in known and not unit_of(str(name))]
    if strange:
        raise StudyProblems(
            Problem(
                table,
                column=str(name),
                found=f"'{name}'",
                expected="a column of doughs, pieces or ovens, or a name that ends in a unit",
                mend=nearest(name, known) or "end it in _g, _mm, _min, _c, _h or _pct",
            )
            for name in strange
        )
    four_sided = "length_mm" in given or "width_mm" in given
    sides = {"diameter_mm": ["length_mm", "width_mm"] if four_sided else ["diameter_mm"]}
    names = [one for name in needed for one in sides.get(name, [name])]
    return {name: _meaning(str(name), known) for name in dict.fromkeys([*names, *given])}


def _meaning(name: str, known: dict[str, Column]) -> str:
    words = label(name).removesuffix(f" [{unit_of(name)}]")
    return f"{words}: {known[name].meaning}" if name in known else words


def _number(value, table: str, column: str) -> float:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return np.nan
    if not isinstance(value, int | float | np.number) or not np.isfinite(value):
        raise problem_error(
            table,
            column=str(column),
            found=f"'{value}'",
            expected="a number, or None where it is open",
            mend="correct it",
        )
    return float(value)


def _process(process: Mapping) -> pd.DataFrame:
    rows = [
        (name, meaning, _number(process.get(name), "process", name), unit_of(name))
        for name, meaning in _described(process, PROCESS, "process").items()
    ]
    return _typed(rows, ["what", "meaning", "value", "unit"])


def _window(window: Mapping) -> pd.DataFrame:
    rows = []
    for name, meaning in _described(window, WINDOW, "window").items():
        sides = window.get(name, (None, None))
        if not isinstance(sides, tuple | list) or len(sides) != 2:
            sides = (sides, sides)
        low, high = (_number(side, "window", name) for side in sides)
        if low > high:
            raise problem_error(
                "window",
                column=name,
                found=f"{low:g} to {high:g}",
                expected="low before high",
                mend="look whether the two were swapped",
            )
        rows.append((name, meaning, low, high, unit_of(name)))
    return _typed(rows, ["what", "meaning", "low", "high", "unit"])


def _typed(rows: list[tuple], columns: list[str]) -> pd.DataFrame:
    numbers = {"value", "low", "high"}
    kinds = {name: "float64" if name in numbers else "str" for name in columns}
    return pd.DataFrame(rows, columns=columns).astype(kinds)


def _cautions(formulas, ingredients, formula, bake_loss_pct) -> pd.DataFrame:
    rows = list(CAUTIONS)
    held = allergens(formulas, ingredients)
    for place, group in held.loc[held["formula"] == formula].groupby("jurisdiction"):
        names = ", ".join(group["allergen"])
        lists = f"{place} list" if place != "none" else "on no list of the EU or US"
        rows.append(("allergens", f"Holds ({lists}): {names}. Read the labels for traces."))
    if bake_loss_pct is not None:
        salt = salt_per_100g(formulas, ingredients, bake_loss_pct=bake_loss_pct)
        day = salt.loc[(salt["formula"] == formula) & (salt["per"] == "day")].iloc[0]
        grams, share, most = day["salt_g"], day["share_pct"], day["figure_salt_g"]
        rows.append(
            (
                "salt",
                f"{grams:.2f} g salt in 100 g of the finished piece: {share:.0f} % of the "
                f"{most:g} g a day that adults should stay below ({day['body']}).",
            )
        )
    return _typed(rows, ["about", "caution"])
