"""Limits on plain sums of factors, and the grid of levels that can be set within them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
import pandas as pd

from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    problem_error,
    require_columns,
)
from doughkit.trials.coding import numbers, tidy
from doughkit.trials.factors import Factor, read_factors

MOST_COMBINATIONS = 200_000
"""Beyond this a grid of all settable levels is no longer a table one can use."""

NEAR = 1e-9
"""A sum this near its limit still keeps it; levels are decimal numbers, sums are not."""


def check_limits(levels: pd.DataFrame, limits: pd.DataFrame | None) -> pd.DataFrame:
    """Hold levels against limits on plain sums of factors.

    Question: can this dough be handled at all, by what we know?

    Parameters
    ----------
    levels : DataFrame
        One column per factor named in `limits`, levels as baked.
    limits : DataFrame or None
        Table `limits`: limit, factor, weight, low, high. A limit is one sum of weight · level; its
        low and high stand on one of its rows, or alike on several. None: nothing is limited.

    Returns
    -------
    DataFrame: one row per row of `levels` and limit: row (the index of `levels`), limit, sum, low,
    high, met (empty levels give an empty sum, which keeps no limit and breaks none: met is True).

    Raises
    ------
    StudyProblems naming the limit with no bound, two bounds, or a factor that has no column.

    Source: by definition.

    >>> limits = pd.DataFrame({"limit": ["can be rolled"] * 2,
    ...     "factor": ["hydration_pct", "whole_grain_pct"], "weight": [1.0, -0.07],
    ...     "low": [58.0, None], "high": [None, None]})
    >>> levels = pd.DataFrame({"hydration_pct": [60, 60], "whole_grain_pct": [0, 40]})
    >>> check_limits(levels, limits)[["sum", "met"]].values.tolist()
    [[60.0, True], [57.2, False]]
    """
    columns = ["row", "limit", "sum", "low", "high", "met"]
    if limits is None or limits.empty:
        return pd.DataFrame(columns=columns).astype({"met": bool})
    require_columns(limits, "limit", "factor", "weight", "low", "high", table="limits")
    require_columns(levels, *limits["factor"].unique(), table="levels")
    problems: list[Problem] = []
    parts = []
    for name, terms in limits.groupby("limit", sort=False):
        low, high = _bound(terms, "low", problems), _bound(terms, "high", problems)
        if np.isnan(low) and np.isnan(high):
            problems.append(_problem(name, "no low and no high", "a bound", "fill low or high"))
        total = sum(
            weight * numbers(levels, factor, problems)
            for factor, weight in zip(terms["factor"], terms["weight"], strict=True)
        )
        met = ~((total < low - NEAR) | (total > high + NEAR))
        parts.append(
            pd.DataFrame(
                {
                    "row": levels.index,
                    "limit": name,
                    "sum": tidy(total),
                    "low": low,
                    "high": high,
                    "met": met,
                }
            )
        )
    if problems:
        raise StudyProblems(problems)
    return pd.concat(parts, ignore_index=True)


def _bound(terms: pd.DataFrame, side: str, problems: list[Problem]) -> float:
    given = terms[side].dropna().astype(float).unique()
    if len(given) > 1:
        found = f"{side} {' and '.join(f'{value:g}' for value in given)}"
        name = terms["limit"].iloc[0]
        problems.append(_problem(name, found, f"one {side} per limit", "write it on one row only"))
    return float(given[0]) if len(given) else np.nan


def _problem(name: str, found: str, expected: str, mend: str) -> Problem:
    return Problem("limits", found=found, expected=expected, mend=mend, key=f"limit {name}")


def within_limits(levels: pd.DataFrame, limits: pd.DataFrame | None) -> pd.Series:
    """Say for every row of `levels` whether it keeps all limits (index of `levels`, True/False)."""
    held = check_limits(levels, limits)
    broken = held.loc[~held["met"].astype(bool), "row"]
    return pd.Series(~levels.index.isin(broken), index=levels.index, name="within_limits")


def level_grid(
    factors: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    over: Sequence[str] | None = None,
    levels_each: int | None = None,
) -> pd.DataFrame:
    """List every combination of levels that can be set and that keeps the limits.

    Question: which doughs could be mixed at all?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`.
    limits : DataFrame, optional
        Table `limits`.
    over : names, optional
        Combine the levels of these only; every other number stays in the middle, every other
        category at its first level. Left out: all are combined.
    levels_each : int, optional
        At most this many levels of each number, spread from low to high on its steps. Needed for
        a factor without a step, and where all combinations would be too many.

    Returns
    -------
    DataFrame: one column per factor, one row per combination; the last factor runs fastest.

    Raises
    ------
    StudyProblems if the combinations would pass 200,000, a factor to combine has no step and
    `levels_each` is not given, or `over` names what is no factor.

    Source: by definition.

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.6, 5.0],
    ...     "high": [2.6, 8.0], "step": [0.5, 1.5], "changed_per": ["dough", "piece"]})
    >>> level_grid(factors).values.tolist()[:4]
    [[1.6, 5.0], [1.6, 6.5], [1.6, 8.0], [2.1, 5.0]]
    >>> level_grid(factors, over=["bake_min"]).values.tolist()
    [[2.1, 5.0], [2.1, 6.5], [2.1, 8.0]]
    """
    known = read_factors(factors)
    names = [factor.name for factor in known]
    for name in over or ():
        if name not in names:
            raise problem_error(
                "factors",
                found=f"no factor {name!r}",
                expected="one of " + ", ".join(names),
                mend=nearest(name, names) or "name a factor in over",
            )
    each = [
        settable(factor, levels_each) if over is None or factor.name in over else [_still(factor)]
        for factor in known
    ]
    count = int(np.prod([len(levels) for levels in each]))
    if count > MOST_COMBINATIONS:
        raise problem_error(
            "factors",
            found=f"{count} combinations of levels",
            expected=f"at most {MOST_COMBINATIONS}",
            mend="give levels_each, say levels_each=5",
        )
    grid = pd.DataFrame(list(product(*each)), columns=names)
    return grid.loc[within_limits(grid, limits)].reset_index(drop=True)


def _still(factor: Factor):
    return factor.levels[0] if factor.levels else (factor.low + factor.high) / 2


def settable(factor: Factor, at_most: int | None = None) -> list:
    """The levels of one factor that can be set, from low to high; `at_most` spreads fewer."""
    if factor.levels:
        return list(factor.levels)
    if not factor.step:
        if at_most is None:
            raise problem_error(
                "factors",
                key=f"factor {factor.name}",
                column="step",
                found="no step",
                expected="a step, or levels_each",
                mend="give the step that scale or clock can keep",
            )
        return tidy(np.linspace(factor.low, factor.high, at_most)).tolist()
    steps = round((factor.high - factor.low) / factor.step)
    chosen = np.arange(steps + 1)
    if at_most is not None and at_most <= steps:
        chosen = np.unique(np.floor(np.linspace(0, steps, at_most) + 0.5)).astype(int)
    return tidy(factor.low + chosen * factor.step).tolist()
