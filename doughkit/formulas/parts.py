"""Each part of a formula in one row: pre-ferments, soakers, levains, the final dough."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.account import Account, account
from doughkit.formulas.summed import added_water_share, fermented_before


def parts(formulas, ingredients=None, moistures=None) -> pd.DataFrame:
    """Sum each part of each formula up in one row.

    Question: how stiff is the pre-ferment, and how much of the flour is in it?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes them.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    moistures : DataFrame, optional
        Dried samples, see `composition`.

    Returns
    -------
    DataFrame, one row per formula and part: formula, part (empty: final dough), mass_g, flour_g,
    hydration_pct (water of the part on its own flour; nothing where it has no flour),
    flour_share_pct (of all flour of the formula), prefermented (yes or no).

    Raises
    ------
    StudyProblems as `bakers_percent`.

    Source: by definition of baker's percentage; hydration as in `overview`.

    >>> import pandas as pd
    >>> two = pd.DataFrame(
    ...     {"formula": "Flat", "part": ["sponge", "sponge", "sponge", "", ""],
    ...      "ingredient": ["bread flour", "water", "instant yeast", "bread flour", "water"],
    ...      "amount": ["150", "150", "0.2", "350", "160"], "unit": "g"})
    >>> parts(two)[["part", "hydration_pct", "flour_share_pct", "prefermented"]].values.tolist()
    [['sponge', 100.0, 30.0, 'yes'], ['', 45.71, 70.0, 'no']]
    """
    one = account(formulas, ingredients, moistures)
    group, first = part_groups(one)
    flour = np.bincount(group, one.grams[1] * one.share, minlength=len(first))
    water = np.bincount(group, one.grams[1] * added_water_share(one), minlength=len(first))
    own = np.where(flour > 0, flour, np.nan)
    formula = one.formula[first]
    of_formula = np.where(one.flour_g > 0, one.flour_g, np.nan)[formula]
    # A starter poured straight into the final dough does not make that dough a pre-ferment.
    before = fermented_before(one)[first] & ~one.final[first]
    return pd.DataFrame(
        {
            "formula": pd.array(one.formulas.astype(object)[formula], dtype="str"),
            "part": pd.array(one.part[first], dtype="str"),
            "mass_g": np.bincount(group, one.grams[1], minlength=len(first)),
            "flour_g": flour,
            "hydration_pct": 100 * water / own,
            "flour_share_pct": 100 * flour / of_formula,
            "prefermented": pd.array(np.where(before, "yes", "no").astype(object), dtype="str"),
        }
    )


def part_groups(one: Account) -> tuple[np.ndarray, np.ndarray]:
    """Number of the part each line belongs to, and the first line of each part."""
    codes, names = pd.factorize(one.part)
    key = one.formula * (len(names) + 1) + codes
    group, keys = pd.factorize(key)
    first = np.full(len(keys), len(key))
    np.minimum.at(first, group, np.arange(len(key)))
    return group, first
