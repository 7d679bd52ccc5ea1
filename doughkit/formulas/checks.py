"""Checks of numbers given beside the tables, and of numbers in a column."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doughkit.formulas.words import one_column
from doughkit.tables.problems import Problem, StudyProblems

LARGEST = 1e9


def at_least(table: str, least: float, **named) -> None:
    problems = [
        Problem(
            table,
            column=name,
            found=f"{value}",
            expected=_expected(least),
            mend="correct it",
        )
        for name, value in named.items()
        if not _is_number(value, least)
    ]
    if problems:
        raise StudyProblems(problems)


def each_named(
    option: str, value, names: list[str], *, table: str, what="dough", least=1e-6
) -> np.ndarray:
    """An option given once for all, or by name."""
    by_name = value if isinstance(value, Mapping | pd.Series) else dict.fromkeys(names, value)
    found = {name: by_name.get(name, np.nan) for name in names}
    bad = [name for name, one in found.items() if not _is_number(one, least)]
    if bad:
        raise StudyProblems(
            Problem(
                table,
                key=f"{what} {name}",
                column=option,
                found=f"{found[name]}",
                expected=_expected(least),
                mend=f"give {option} for every {what}",
            )
            for name in bad
        )
    return np.array(list(found.values()), dtype=float)


def _expected(least: float) -> str:
    return "a number above zero" if least > 0 else "a number from zero up"


def _is_number(value, least: float) -> bool:
    return isinstance(value, int | float | np.number) and bool(least <= value < LARGEST)


def numbers(frame: pd.DataFrame, name: str, table: str) -> np.ndarray:
    """A column as numbers, nan where there is none; never the frame's own memory."""
    cells = pd.to_numeric(one_column(frame, name, table), errors="coerce")
    return cells.to_numpy(float, na_value=np.nan, copy=True)
