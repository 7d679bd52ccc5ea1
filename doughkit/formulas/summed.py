"""Each formula in one row, and each of its parts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.account import Account, account
from doughkit.formulas.basis import LEAST_FLOUR_G
from doughkit.formulas.known import FIGURES, FLOUR_MOISTURE_PCT

INSTANT_PER_GRAM = {
    "fresh yeast": 0.36,
    "active dry yeast": 0.80,
    "instant yeast": 1.0,
}
"""Instant dry yeast that one gram does the work of: middle of 0.33-0.40 for fresh and 0.75-0.83
for active dry yeast. Trade factors, from memory (fresh : active dry : instant = 1 : 0.4-0.5 :
0.33-0.4)."""
FRESH_YEAST_MOISTURE_PCT = 30.0
"""A study's own yeast with more water than this is reckoned as fresh yeast."""

FERMENTED = (
    *("poolish", "biga", "sponge", "levain", "leaven", "sourdough", "starter", "preferment"),
    *("pre-ferment", "old dough", "pâte fermentée"),
)
"""A part with yeast or starter in it, or one of these words in its name, is pre-fermented."""


def overview(formulas, ingredients=None, moistures=None) -> pd.DataFrame:
    """Sum each formula up in one row, all figures per 100 of its flour.

    Question: how do these formulas differ in what decides texture?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes it; percentages are welcome too (unit %).
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    moistures : DataFrame, optional
        Dried samples, see `composition`.

    Returns
    -------
    DataFrame, one row per formula: formula, flour_g, dough_g, hydration_pct, hydration_low,
    hydration_high, effective_hydration_pct, salt_pct, fat_pct, sugar_pct, whole_grain_pct,
    yeast_pct, prefermented_pct, dry_pct, water_pct, allergens (parted by |), unknown.

    - hydration: water added as such, and the water of a starter, on all flour, as the trade does.
    - effective hydration: all water, also inside milk, egg, butter, above what flour holds at
      14 % moisture, on flour at 14 % moisture.
    - salt: common salt wherever it is, also in butter and cheese.
    - fat and sugar: pure fat and sugars in everything but flour and yeast.
    - whole grain: its share of all flour. yeast: as instant dry yeast. prefermented: share of
      the flour that fermented before mixing.
    - dry and water: dry matter and all water, flour moisture included, per 100 of flour as weighed.
    - unknown: what composition leaves open, and how it was counted.

    A formula without flour that another formula takes from has no percentages.

    Raises
    ------
    StudyProblems as `bakers_percent`.

    Range: a topping or bench flour written as a line is counted as dough; leave it out.

    Source: flour basis of 14 %: usual basis of trade and of absorption figures (AACC 44-15, ICC
    110/1); yeast factors from memory, see `INSTANT_PER_GRAM`.

    >>> import pandas as pd
    >>> plain = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water", "salted butter"],
    ...      "amount": ["500", "300", "50"], "unit": "g"})
    >>> overview(plain)[["hydration_pct", "fat_pct", "salt_pct"]].round(2).values.tolist()
    [[60.0, 8.11, 0.16]]
    """
    return overview_frame(account(formulas, ingredients, moistures))


def overview_frame(one: Account) -> pd.DataFrame:
    """An account as the frame that `overview` gives."""
    brings = what_lines_bring(one)
    figures = figures_of(one, brings, one.percent[1])
    return pd.DataFrame(
        {
            "formula": pd.array(one.formulas, dtype="str"),
            "flour_g": np.where(one.flour_g < LEAST_FLOUR_G, np.nan, one.flour_g),
            "dough_g": one.per_formula(one.grams[1]),
            "hydration_pct": figures.pop("hydration_pct"),
            "hydration_low": _total(one, brings["hydration_pct"], one.percent[0]),
            "hydration_high": _total(one, brings["hydration_pct"], one.percent[2]),
            **figures,
            "allergens": pd.array(_allergens(one), dtype="str"),
            "unknown": pd.array(_unknown(one), dtype="str"),
        }
    )


def what_lines_bring(one: Account) -> dict[str, np.ndarray]:
    """What one per cent of each line adds to each figure of its formula."""
    known, place, share = one.known, one.place, one.share
    added = ~np.isin(known.role, ("flour", "yeast", "leaven"))
    inside = {name: known.figures[name] / 100 for name in FIGURES}
    water = one.moisture / 100
    return {
        "hydration_pct": added_water_share(one),
        "effective_hydration_pct": water,
        "salt_pct": inside["salt_pct"][place],
        "fat_pct": np.where(added, inside["fat_pct"], 0.0)[place],
        "sugar_pct": np.where(added, inside["sugar_pct"], 0.0)[place],
        "whole_grain_pct": share * inside["whole_grain_pct"][place],
        "yeast_pct": instant_share(one),
        "prefermented_pct": share * fermented_before(one),
        "dry_pct": 1 - water,
        "water_pct": water,
    }


def figures_of(one: Account, brings: dict, percent: np.ndarray) -> dict[str, np.ndarray]:
    """The figures of each formula, per 100 of its flour, at its lines' percentages."""
    figures = {name: _total(one, each, percent) for name, each in brings.items()}
    # Flour at the moisture of trade; always from the middle percentages, since flour is 100.
    holds = np.where(one.share > 0, brings["dry_pct"], 0.0)
    basis = _total(one, holds, one.percent[1]) / (1 - FLOUR_MOISTURE_PCT / 100)
    effective = 100 * figures["effective_hydration_pct"] / basis - FLOUR_MOISTURE_PCT
    return figures | {"effective_hydration_pct": effective}


def _total(one: Account, brings: np.ndarray, percent: np.ndarray) -> np.ndarray:
    """Sum over the lines of each formula; not a number where there is no flour."""
    none = one.flour_g < LEAST_FLOUR_G
    sums = one.per_formula(percent * brings if not none.any() else np.nan_to_num(percent * brings))
    return np.where(none, np.nan, sums)


def added_water_share(one: Account) -> np.ndarray:
    """Grams of water in one gram of a line that the trade calls water: water, and a starter's."""
    role = one.known.role[one.place]
    return np.where(role == "water", 1.0, np.where(role == "leaven", 1 - one.share, 0.0))


def instant_share(one: Account) -> np.ndarray:
    """Grams of instant dry yeast that one gram of a line stands for."""
    known = one.known
    own = np.where(known.moisture > FRESH_YEAST_MOISTURE_PCT, INSTANT_PER_GRAM["fresh yeast"], 1.0)
    factor = np.array(
        [INSTANT_PER_GRAM.get(name, of_own) for name, of_own in zip(known.names, own, strict=True)]
    )
    return np.where(known.role == "yeast", factor, 0.0)[one.place]


def fermented_before(one: Account) -> np.ndarray:
    """Lines that ferment before the dough is mixed: pre-ferments, and any starter."""
    role = one.known.role[one.place]
    # What comes with another formula stood together, whatever its own parts were.
    codes, parts = pd.factorize(np.where(one.inside != "", one.inside, one.part))
    named = np.array([any(word in part.casefold() for word in FERMENTED) for part in parts], bool)
    _, group = np.unique(one.formula * (len(parts) + 1) + codes, return_inverse=True)
    rises = np.bincount(group, (role == "yeast") | (role == "leaven"))[group] > 0
    return (~one.final & (rises | named[codes])) | (role == "leaven")


def _allergens(one: Account) -> np.ndarray:
    """Allergens of each formula, parted by |, in alphabetical order."""
    lists = [set(filter(None, map(str.strip, text.split("|")))) for text in _listed(one)]
    words = sorted(set().union(*lists))
    here = one.grams[1] > 0
    found = np.zeros((len(one.formulas), len(words)), dtype=bool)
    for column, word in enumerate(words):
        holds = np.array([word in each for each in lists])
        found[:, column] = one.per_formula(holds[one.place] & here) > 0
    kinds, which = np.unique(found, axis=0, return_inverse=True)
    texts = ["|".join(word for word, on in zip(words, kind, strict=True) if on) for kind in kinds]
    return np.array(texts, dtype=object)[which.ravel()]


def _listed(one: Account) -> list[str]:
    return one.known.table["allergens"].fillna("").tolist()


def _unknown(one: Account) -> np.ndarray:
    """What is not known of each formula's ingredients."""
    said = np.full(len(one.formulas), "", dtype=object)
    gaps = one.known.gaps[one.place]
    open_lines = np.flatnonzero((gaps != "") & (one.grams[1] > 0))
    pairs = dict.fromkeys(zip(one.formula[open_lines], gaps[open_lines], strict=True))
    for formula, gap in pairs:
        said[formula] += f"; {gap}" if said[formula] else gap
    return said
