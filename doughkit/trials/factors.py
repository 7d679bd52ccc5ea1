"""Factors: what a round may change, its levels and steps, and its −1 … +1 coding.

Every room that needs coded factors takes them from here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, nearest, require_columns
from doughkit.tables.register import UNIT_OF_SUFFIX, unit_of

PER = ("dough", "piece", "day")
MOST_COMBINATIONS = 200_000
"""Beyond this a grid of all settable levels is no longer a table one can use."""


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


def in_words(name: str) -> str:
    """A factor's name as it is spoken: no unit, no underscores.

    >>> in_words("whole_grain_pct")
    'whole grain'
    """
    unit = unit_of(name)
    ends = [end for end, its_unit in UNIT_OF_SUFFIX.items() if unit and its_unit == unit]
    for end in ends:
        name = name.removesuffix(end)
    return name.replace("_", " ")


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


def code(frame: pd.DataFrame, factors: pd.DataFrame) -> pd.DataFrame:
    """Code levels to −1 … +1: low is −1, high is +1, the middle 0.

    Question: on which common footing can hydration, salt and bake time be compared?

    Parameters
    ----------
    frame : DataFrame
        One column per factor, levels as baked; an empty level stays empty.
    factors : DataFrame
        Table `factors`; every factor must have its column in `frame` (see `factors_per`).

    Returns
    -------
    DataFrame: same index. A number gives one column of the factor's name. A category of k levels
    gives k − 1 columns "flour: rye" which are 1 at that level, −1 at the last level, 0 elsewhere
    (they sum to nothing over the levels).

    Raises
    ------
    StudyProblems naming the factor without a column, the level that is not a number, or the
    level that the category does not have.

    Range: levels outside low … high are coded too, beyond ±1.
    Source: the usual coding of designed trials; for categories, coding by sums.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.6], "high": [2.6],
    ...     "changed_per": ["dough"]})
    >>> code(pd.DataFrame({"salt_pct": [1.6, 2.1, 2.6]}), factors)["salt_pct"].tolist()
    [-1.0, 0.0, 1.0]
    """
    known = read_factors(factors)
    require_columns(frame, *(factor.name for factor in known), table="levels")
    coded, problems = {}, []
    for factor in known:
        if factor.levels:
            coded |= _code_category(frame[factor.name], factor, frame, problems)
        else:
            values = numbers(frame, factor.name, problems)
            coded[factor.name] = (values - factor.middle) / factor.half
    if problems:
        raise StudyProblems(problems)
    return pd.DataFrame(coded, index=frame.index)


def numbers(frame: pd.DataFrame, column: str, problems: list[Problem]) -> np.ndarray:
    """A column as floats; adds a problem for every cell that is no finite number and not empty."""
    values = pd.to_numeric(frame[column], errors="coerce").astype(float)
    bad = (values.isna() & frame[column].notna()) | np.isinf(values)
    problems += [
        Problem(
            "levels",
            found=repr(frame[column].iloc[place]),
            expected="a number",
            mend="write the level as a number",
            column=column,
            key=row_key(frame, place),
        )
        for place in np.flatnonzero(bad)
    ]
    return values.to_numpy()


def row_key(frame: pd.DataFrame, place: int) -> str:
    """Name the row at `place` by its piece or dough, else by its index."""
    for name in ("piece", "dough"):
        if name in frame.columns:
            return f"{name} {frame[name].iloc[place]}"
    return f"row {frame.index[place]}"


def _code_category(column: pd.Series, factor: Factor, frame, problems) -> dict[str, np.ndarray]:
    text = as_levels(column)
    unknown = text.notna() & ~text.isin(factor.levels)
    problems += [
        Problem(
            "levels",
            found=repr(text.iloc[place]),
            expected=" or ".join(factor.levels),
            mend=nearest(text.iloc[place], factor.levels) or "add it to the factor's levels",
            column=factor.name,
            key=row_key(frame, place),
        )
        for place in np.flatnonzero(unknown)
    ]
    last = (text == factor.levels[-1]).to_numpy(float)
    return {
        name: np.where(text.isna(), np.nan, (text == level).to_numpy(float) - last)
        for name, level in zip(factor.coded_columns, factor.levels, strict=False)
    }


def as_levels(column: pd.Series) -> pd.Series:
    """A category's column as text; a number 175.0 becomes "175"."""
    if pd.api.types.is_numeric_dtype(column):
        column = column.map(lambda value: f"{value:g}", na_action="ignore")
    return column.astype("str")


def decode(coded: pd.DataFrame, factors: pd.DataFrame) -> pd.DataFrame:
    """Turn coded levels back into levels that can be weighed or timed (undoes `code`).

    Question: how much is "half-way from the middle to high" in points of hydration?

    Parameters
    ----------
    coded : DataFrame
        Columns as `code` gives them.
    factors : DataFrame
        Table `factors`.

    Returns
    -------
    DataFrame: same index, one column per factor, not rounded to steps (see `to_steps`).

    Raises
    ------
    StudyProblems if a coded column is missing or a category's columns fit no level.

    Source: by definition.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.6], "high": [2.6],
    ...     "changed_per": ["dough"]})
    >>> decode(pd.DataFrame({"salt_pct": [-1.0, 0.5]}), factors)["salt_pct"].tolist()
    [1.6, 2.35]
    """
    known = read_factors(factors)
    columns = [name for factor in known for name in factor.coded_columns]
    require_columns(coded, *columns, table="coded levels")
    levels = {}
    for factor in known:
        if factor.levels:
            levels[factor.name] = _decode_category(coded, factor)
        else:
            levels[factor.name] = tidy(factor.middle + coded[factor.name] * factor.half)
    return pd.DataFrame(levels, index=coded.index)


def _decode_category(coded: pd.DataFrame, factor: Factor) -> pd.Series:
    given = coded[factor.coded_columns].to_numpy(float)
    count = len(factor.levels)
    codes = np.vstack([np.eye(count - 1), -np.ones((1, count - 1))])
    fits = np.abs(given[:, None, :] - codes[None]).max(axis=2) < 1e-9
    empty = np.isnan(given).any(axis=1)
    lost = ~fits.any(axis=1) & ~empty
    if lost.any():
        raise StudyProblems(
            Problem(
                "coded levels",
                found=str(given[row].tolist()),
                expected=f"the code of one of {', '.join(factor.levels)}",
                mend="a category cannot lie between its levels",
                column=factor.name,
                key=f"row {coded.index[row]}",
            )
            for row in np.flatnonzero(lost)
        )
    names = np.array([*factor.levels], dtype=object)[fits.argmax(axis=1)]
    return pd.Series(names, index=coded.index, dtype="str").mask(empty)


def tidy(values):
    """Levels without the dust of binary fractions: 1.9, not 1.9000000000000001."""
    return np.round(values, 10) + 0.0


def to_steps(frame: pd.DataFrame, factors: pd.DataFrame) -> pd.DataFrame:
    """Round levels to the steps that the scale or the clock can keep, counted from low.

    Question: which level can really be set?

    Parameters
    ----------
    frame : DataFrame
        One column per factor, levels as wanted.
    factors : DataFrame
        Table `factors`; an empty step or 0 means that any level can be set.

    Returns
    -------
    DataFrame: same index, one column per factor; a level half-way goes up. Compare with `frame`
    to see what was moved.

    Raises
    ------
    StudyProblems as `code` does.

    Range: levels outside low … high are rounded on the same steps.
    Source: by definition.

    >>> factors = pd.DataFrame({"factor": ["bake_min"], "low": [5.0], "high": [8.0],
    ...     "step": [0.5], "changed_per": ["piece"]})
    >>> to_steps(pd.DataFrame({"bake_min": [6.2, 6.25]}), factors)["bake_min"].tolist()
    [6.0, 6.5]
    """
    known = read_factors(factors)
    require_columns(frame, *(factor.name for factor in known), table="levels")
    levels, problems = {}, []
    for factor in known:
        if factor.levels:
            levels[factor.name] = frame[factor.name]
            continue
        values = numbers(frame, factor.name, problems)
        if factor.step:
            steps = np.floor((values - factor.low) / factor.step + 0.5 + 1e-9)
            values = tidy(factor.low + steps * factor.step)
        levels[factor.name] = values
    if problems:
        raise StudyProblems(problems)
    return pd.DataFrame(levels, index=frame.index)
