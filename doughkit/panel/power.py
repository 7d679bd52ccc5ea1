"""What a panel of a given size can find."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from doughkit.tables.problems import Problem, StudyProblems

RISK, SURE = 0.05, 0.80
"""A difference counts as findable when it is found in 4 tastings of 5 at a risk of 1 in 20."""


def panel_power(
    doughs: int,
    assessors: int,
    portions: int = 1,
    *,
    difference: float,
    own_view_sd: float,
    portion_sd: float,
    risk: float = RISK,
) -> pd.DataFrame:
    """Give the chance that a panel finds a difference between doughs, before anybody tastes.

    Question: is this panel large enough for the difference that matters?

    Parameters
    ----------
    doughs : int
        Doughs (batches) that everybody tastes.
    assessors : int
        People.
    portions : int
        Portions of each dough for each person.
    difference : float
        Points between the two doughs furthest apart, the others midway.
    own_view_sd : float
        Points by which people differ in how they see a dough (dough × assessor).
    portion_sd : float
        Points by which one person's scores of the same dough differ.
    risk : float
        Risk of seeing a difference where there is none.

    Returns
    -------
    DataFrame, one row: doughs, assessors, portions, df, df_error, power (0-1), findable (points
        found in 4 tastings of 5), scope.

    Raises
    ------
    StudyProblems: fewer than two doughs or assessors, or a spread below zero.

    Range: every person tastes every dough, scores about normal. It speaks of batches: what a
        formula's doughs differ by among themselves comes on top.

    Source: noncentral F of the mixed two-way analysis: Scheffé, The Analysis of Variance, Wiley
        1959, chapter 8 (from memory).

    >>> found = panel_power(4, 8, 2, difference=1.5, own_view_sd=0.8, portion_sd=1.0)
    >>> found[["power", "findable"]].round(2).values.tolist()
    [[0.56, 1.94]]
    """
    problems = [
        Problem("options", column=name, found=f"{value}", expected=expected, mend="correct it")
        for name, value, low, expected in (
            ("doughs", doughs, 2, "two or more"),
            ("assessors", assessors, 2, "two or more"),
            ("portions", portions, 1, "one or more"),
            ("own_view_sd", own_view_sd, 0, "a number of points, not below zero"),
            ("portion_sd", portion_sd, 0, "a number of points, not below zero"),
        )
        if not value >= low
    ]
    if problems:
        raise StudyProblems(problems)
    se = np.sqrt(2 * (own_view_sd**2 + portion_sd**2 / portions) / assessors)
    df, df_error = doughs - 1, (doughs - 1) * (assessors - 1)
    power = _power((difference / se) ** 2, df, df_error, risk) if se else float(difference > 0)
    return pd.DataFrame(
        {
            "doughs": [doughs],
            "assessors": assessors,
            "portions": portions,
            "df": df,
            "df_error": df_error,
            "power": power,
            "findable": findable(se, df, df_error, risk=risk),
            "scope": "people_like_these",
        }
    )


def findable(se: float, df: float, df_error: float, *, risk: float = RISK) -> float:
    """The difference found in 4 of 5, from the standard error of a difference of two means.

    The two are that far apart and any others midway, so the noncentrality is (difference / se)².
    """
    if not (np.isfinite(se) and df_error > 0):
        return np.nan

    def short(ratio):
        return _power(ratio**2, df, df_error, risk) - SURE

    high = 4.0
    while short(high) < 0:
        high *= 2
    return float(se * optimize.brentq(short, 0, high, xtol=1e-12))


def _power(away: float, df: float, df_error: float, risk: float) -> float:
    """Chance that F exceeds its limit when its noncentrality is `away`: a Poisson mixture."""
    limit = stats.f.isf(risk, df, df_error)
    half = away / 2
    steps = np.arange(int(half + 12 * np.sqrt(half) + 40))
    weight = np.exp(special.xlogy(steps, half) - half - special.gammaln(steps + 1))
    share = df * limit / (df * limit + df_error)
    return float(1 - weight @ special.betainc(df / 2 + steps, df_error / 2, share))
