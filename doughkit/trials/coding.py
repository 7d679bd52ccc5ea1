"""The −1 … +1 coding of factors, its undoing, and steps; all rooms that code take it from here."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, nearest, require_columns
from doughkit.trials.factors import Factor, read_factors


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
            found=_as_found(frame[column].iloc[place]),
            expected="a number",
            mend="write the level as a number",
            column=column,
            key=row_key(frame, place),
        )
        for place in np.flatnonzero(bad)
    ]
    return values.to_numpy()


def _as_found(value) -> str:
    return repr(value) if isinstance(value, str) else f"{value}"


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
