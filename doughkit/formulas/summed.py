"""Each formula in one row, and each of its parts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.account import LEAST_FLOUR_G, Account, account
from doughkit.formulas.known import FLOUR_MOISTURE_PCT

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
    known, place, grams = one.known, one.place, one.grams[1]
    role, share = known.role[place], one.share
    added = (role != "flour") & (role != "yeast") & (role != "leaven")
    water = grams * one.moisture / 100
    added_water = added_water_share(one)
    flour = grams * share
    flour_g = np.where(one.flour_g < LEAST_FLOUR_G, np.nan, one.flour_g)
    dry_flour = one.per_formula(np.where(share > 0, grams - water, 0))

    def per_flour(each):
        return 100 * one.per_formula(each) / flour_g

    def hydration(percent):
        # Lines without flour under them (a seed mix) have no percent at all.
        sums = one.per_formula(np.nan_to_num(percent * added_water))
        return np.where(np.isnan(flour_g), np.nan, sums)

    def inside(column, counts=True):
        return per_flour(np.where(counts, grams, 0) * known.counted(column)[place] / 100)

    basis = dry_flour / (1 - FLOUR_MOISTURE_PCT / 100)
    all_water = one.per_formula(water)
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = 100 * (all_water - FLOUR_MOISTURE_PCT / 100 * basis) / basis
    return pd.DataFrame(
        {
            "formula": pd.array(one.formulas, dtype="str"),
            "flour_g": flour_g,
            "dough_g": one.per_formula(grams),
            "hydration_pct": per_flour(grams * added_water),
            "hydration_low": hydration(one.percent[0]),
            "hydration_high": hydration(one.percent[2]),
            "effective_hydration_pct": np.where(np.isnan(flour_g), np.nan, effective),
            "salt_pct": inside("salt_pct"),
            "fat_pct": inside("fat_pct", added),
            "sugar_pct": inside("sugar_pct", added),
            "whole_grain_pct": per_flour(flour * known.counted("whole_grain_pct")[place] / 100),
            "yeast_pct": per_flour(grams * instant_share(one)),
            "prefermented_pct": per_flour(flour * fermented_before(one)),
            "dry_pct": per_flour(grams - water),
            "water_pct": per_flour(water),
            "allergens": pd.array(_allergens(one), dtype="str"),
            "unknown": pd.array(_unknown(one), dtype="str"),
        }
    )


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
