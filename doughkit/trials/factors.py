"""Factors: the rows of the table `factors`, checked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, nearest, require_columns
from doughkit.tables.register import UNIT_OF_SUFFIX, unit_of

ENDINGS = sorted(UNIT_OF_SUFFIX, key=len, reverse=True)
PER = ("dough", "piece", "day")


@dataclass(frozen=True)
class Factor:
    """One row of the table `factors`, checked. A category has `levels` and no low, high, step."""

    name: str
    changed_per: str
    low: float = np.nan
    high: float = np.nan
    step: float = 0.0
    levels: tuple[str, ...] = ()

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2

    @property
    def half(self) -> float:
        return (self.high - self.low) / 2

    @property
    def coded_columns(self) -> list[str]:
        """Names of its coded columns: its own, or one per level but the last of a category."""
        return [f"{self.name}: {level}" for level in self.levels[:-1]] or [self.name]


SPOKEN = {"mixed_on": "day of mixing"}
WORD_OF_UNIT = {"min": " time", "s": " time", "h": " time", "°C": " temperature"}


def in_words(name: str) -> str:
    """A factor's name as it is spoken: no unit, no underscores.

    >>> in_words("whole_grain_pct"), in_words("bake_min")
    ('whole grain', 'bake time')
    """
    if name in SPOKEN:
        return SPOKEN[name]
    unit = unit_of(name)
    if unit:
        name = name.removesuffix(next(end for end in ENDINGS if name.endswith(end)))
    return name.replace("_", " ") + WORD_OF_UNIT.get(unit, "")


def read_factors(factors: pd.DataFrame, *, per: str | None = None) -> list[Factor]:
    """The rows of `factors` as checked `Factor`s, in their order; `per` keeps one kind of them."""
    require_columns(factors, "factor", "changed_per", table="factors")
    found, problems = [], []
    for row in factors.to_dict("records"):
        factor, faults = _read_row(row)
        found.append(factor)
        problems += faults
    twice = factors["factor"][factors["factor"].duplicated()].unique()
    problems += [
        _problem(name, "more than one row", "one row per factor", "delete the double")
        for name in twice
    ]
    if not found:
        problems.append(_problem("", "no rows", "a row per factor", "name what may change"))
    if problems:
        raise StudyProblems(problems)
    return [factor for factor in found if per is None or factor.changed_per == per]


def _problem(name, found, expected, mend, column="") -> Problem:
    key = f"factor {name}" if name else ""
    return Problem("factors", found=found, expected=expected, mend=mend, column=column, key=key)


def _read_row(row: dict) -> tuple[Factor, list[Problem]]:
    name, per = row["factor"], row["changed_per"]
    problems = []
    if per not in PER:
        mend = nearest(per, PER) or "write dough, piece or day"
        problems.append(_problem(name, repr(per), " or ".join(PER), mend, "changed_per"))
    levels = _levels(row.get("levels"))
    if levels:
        if len(set(levels)) != len(levels) or len(levels) < 2:
            found = " | ".join(levels)
            mend = "give each level its own name"
            problems.append(_problem(name, found, "two or more levels", mend, "levels"))
        return Factor(name, per, levels=levels), problems
    low, high, step = (_number(row.get(column)) for column in ("low", "high", "step"))
    step = 0.0 if np.isnan(step) else step
    if np.isnan(low) or np.isnan(high) or low >= high:
        found = f"low {low:g}, high {high:g}"
        mend = "fill both, or give the levels of a category"
        problems.append(_problem(name, found, "low below high", mend, "low"))
    elif step < 0 or (step and abs((high - low) / step - np.rint((high - low) / step)) > 1e-6):
        problems.append(_uneven(name, low, high, step))
    return Factor(name, per, low, high, step), problems


def _uneven(name: str, low: float, high: float, step: float) -> Problem:
    if step < 0:
        return _problem(name, f"step {step:g}", "a step above 0", "write the size only", "step")
    below = low + np.floor((high - low) / step) * step
    return _problem(
        name,
        f"low {low:g}, high {high:g}, step {step:g}",
        "a whole number of steps from low to high",
        f"take high {below:g} or {below + step:g}",
        "step",
    )


def _levels(cell) -> tuple[str, ...]:
    if cell is None or (isinstance(cell, float) and np.isnan(cell)) or cell is pd.NA:
        return ()
    return tuple(part.strip() for part in str(cell).split("|") if part.strip())


def _number(cell) -> float:
    return np.nan if cell is None or cell is pd.NA else float(cell)


def factors_per(factors: pd.DataFrame, *per: str) -> pd.DataFrame:
    """Keep the factors changed per dough, per piece or per day.

    Question: which factors belong to a whole dough, which to a piece?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`.
    per : str
        One or more of "dough", "piece", "day".

    Returns
    -------
    DataFrame: the rows of `factors` that are changed per one of these, in their order.

    Raises
    ------
    StudyProblems if a row of `factors` cannot be used.

    Source: by definition of this library.

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.6, 5.0],
    ...     "high": [2.6, 8.0], "step": [0.1, 0.5], "changed_per": ["dough", "piece"]})
    >>> factors_per(factors, "piece")["factor"].tolist()
    ['bake_min']
    """
    names = [factor.name for factor in read_factors(factors) if factor.changed_per in per]
    return factors.loc[factors["factor"].isin(names)].reset_index(drop=True)
