"""The water that a change of whole-grain share asks for, if the dough is to feel the same."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from doughkit.formulas.account import Account, account
from doughkit.formulas.checks import at_least
from doughkit.formulas.known import FLOUR_MOISTURE_PCT
from doughkit.formulas.summed import figures_of, what_lines_bring
from doughkit.tables.problems import OutsideRange, problem_error

ABSORPTION = {"white": (58.0, 64.0), "whole": (64.0, 72.0)}
"""Water taken up at equal consistency by white bread flour and whole wheat flour, percent of flour
at 14 % moisture; ranges from memory, no table of both side by side was seen."""
ABSORPTION_SOURCE = (
    "farinograph absorption at 14 % flour moisture: white bread flour 58-64 %, whole wheat "
    "64-72 %; from memory"
)
POINTS_PER_RULE, RULE_WHOLE_PCT = 1.0, 15.0
"""The trade's rule, common practice without source: a point of hydration for 15 % whole wheat."""


def equal_consistency(
    formulas, ingredients=None, moistures=None, *, whole_grain_pct
) -> pd.DataFrame:
    """Say how much more water another whole-grain share asks for at the same consistency.

    Question: if I raise the whole grain, how much water keeps the dough as firm as it was?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes them. They are not changed: use `vary` if you want the water.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    moistures : DataFrame, optional
        Dried samples, see `composition`.
    whole_grain_pct : float
        The share wanted [% of flour].

    Returns
    -------
    DataFrame, one row per formula: formula, whole_grain_from_pct, whole_grain_to_pct,
    hydration_pct (now), hydration_to_pct, hydration_to_low, hydration_to_high, extra_pct (points
    of hydration), from_bran_pct and from_flour_moisture_pct (its two parts), rule_of_trade_pct
    (one point for 15 % whole wheat), source.

    Raises
    ------
    StudyProblems for a share outside 0 to 100, and as `bakers_percent`.

    Range: wheat; warns where other flours are in the formula. Firmness by hand and water kept in
    the bake are two things: equal feel is not equal water left.

    Source: farinograph absorption at 14 % flour moisture, white 58-64 %, whole wheat 64-72 %, from
    memory; the spread joins both ranges. Absorption at another moisture by equal dry matter.

    >>> import pandas as pd
    >>> plain = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water"],
    ...      "amount": ["500", "300"], "unit": "g"})
    >>> asked = equal_consistency(plain, whole_grain_pct=15)
    >>> asked[["extra_pct", "from_bran_pct", "rule_of_trade_pct"]].round(2).values.tolist()
    [[1.79, 1.06, 1.0]]
    """
    at_least("equal_consistency", 0.0, whole_grain_pct=whole_grain_pct)
    if whole_grain_pct > 100:
        raise problem_error(
            "equal_consistency",
            column="whole_grain_pct",
            found=f"{whole_grain_pct:g}",
            expected="a share from 0 to 100 % of the flour",
            mend="correct it",
        )
    one = account(formulas, ingredients, moistures)
    _warn_if_not_wheat(one)
    figures = figures_of(one, what_lines_bring(one), one.percent[1])
    hydration, whole = figures["hydration_pct"], figures["whole_grain_pct"]
    change = (whole_grain_pct - whole) / 100
    white_wet, whole_wet = _moistures(one)
    before = white_wet + (whole_wet - white_wet) * whole / 100
    after = white_wet + (whole_wet - white_wet) * whole_grain_pct / 100
    only_moisture = _at_moisture(_at_trade_moisture(hydration, before), after)
    bran, low, high = (
        change * points * (100 - after) / (100 - FLOUR_MOISTURE_PCT) for points in _difference()
    )
    return pd.DataFrame(
        {
            "formula": pd.array(one.formulas, dtype="str"),
            "whole_grain_from_pct": whole,
            "whole_grain_to_pct": np.full(len(whole), float(whole_grain_pct)),
            "hydration_pct": hydration,
            "hydration_to_pct": only_moisture + bran,
            "hydration_to_low": only_moisture + np.minimum(low, high),
            "hydration_to_high": only_moisture + np.maximum(low, high),
            "extra_pct": only_moisture + bran - hydration,
            "from_bran_pct": bran,
            "from_flour_moisture_pct": only_moisture - hydration,
            "rule_of_trade_pct": 100 * change * POINTS_PER_RULE / RULE_WHOLE_PCT,
            "source": ABSORPTION_SOURCE,
        }
    ).astype({"source": "str"})


def _difference() -> tuple[float, float, float]:
    """Points of absorption between whole wheat and white flour: middle, low, high."""
    (white_low, white_high), (whole_low, whole_high) = ABSORPTION["white"], ABSORPTION["whole"]
    middle = (whole_low + whole_high - white_low - white_high) / 2
    # Both ranges are independent, so their halves add like errors do.
    half = np.hypot((white_high - white_low) / 2, (whole_high - whole_low) / 2)
    return middle, middle - half, middle + half


def _at_trade_moisture(hydration, moisture):
    """Absorption of the same dough, on flour at 14 % moisture."""
    return (100 + hydration) * (100 - FLOUR_MOISTURE_PCT) / (100 - moisture) - 100


def _at_moisture(absorption, moisture):
    """The same the other way round."""
    return (100 + absorption) * (100 - moisture) / (100 - FLOUR_MOISTURE_PCT) - 100


def _moistures(one: Account) -> tuple[np.ndarray, np.ndarray]:
    """Moisture of each formula's white and whole flour; of a usual one where it has none."""
    known = one.known
    flour = known.role[one.place] == "flour"
    whole = known.figures["whole_grain_pct"][one.place] / 100
    means = []
    for share, usual in ((1 - whole, "bread flour"), (whole, "whole wheat flour")):
        grams = one.per_formula(np.where(flour, one.grams[1] * share, 0.0))
        water = one.per_formula(np.where(flour, one.grams[1] * share * one.moisture, 0.0))
        mean = water / np.where(grams > 0, grams, 1.0)
        means.append(np.where(grams > 0, mean, known.moisture[known.place(usual)]))
    return means[0], means[1]


def _warn_if_not_wheat(one: Account) -> None:
    known = one.known
    wheat = known.table["allergens"].fillna("").str.contains("wheat").to_numpy(bool)
    strange = (known.role == "flour")[one.place] & ~wheat[one.place] & (one.grams[1] > 0)
    if strange.any():
        names = ", ".join(dict.fromkeys(one.ingredient[strange]))
        warnings.warn(
            f"absorption figures are of wheat; take what is said of formulas with {names} as a "
            "guess",
            OutsideRange,
            stacklevel=3,
        )
