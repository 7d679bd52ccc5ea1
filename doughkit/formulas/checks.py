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
            expected="a number above zero" if least > 0 else "a number from zero up",
            mend="correct it",
        )
        for name, value in named.items()
        if not (isinstance(value, int | float | np.number) and least <= value < LARGEST)
    ]
    if problems:
        raise StudyProblems(problems)


def each_dough(option: str, value, doughs: list[str], table: str) -> np.ndarray:
    """An option given once for all doughs, or by dough."""
    by_dough = value if isinstance(value, Mapping | pd.Series) else dict.fromkeys(doughs, value)
    found = {dough: by_dough.get(dough, np.nan) for dough in doughs}
    bad = [dough for dough, one in found.items() if not 0 < one < LARGEST]
    if bad:
        raise StudyProblems(
            Problem(
                table,
                key=f"dough {dough}",
                column=option,
                found=f"{found[dough]}",
                expected="a number above zero",
                mend=f"give {option} for every dough",
            )
            for dough in bad
        )
    return np.array(list(found.values()), dtype=float)


def numbers(frame: pd.DataFrame, name: str, table: str) -> np.ndarray:
    """A column as numbers, nan where there is none; never the frame's own memory."""
    cells = pd.to_numeric(one_column(frame, name, table), errors="coerce")
    return cells.to_numpy(float, na_value=np.nan, copy=True)
