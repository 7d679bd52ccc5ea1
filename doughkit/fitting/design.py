"""Checks of what a fit is given: numbers in every cell, terms that can be separated."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.fitting.solving import dependencies
from doughkit.tables.problems import Problem, StudyProblems, problem_error


def checked_level(level: float) -> float:
    if not 0 < level < 1:
        raise problem_error(
            "options",
            column="level",
            found=str(level),
            expected="a share between 0 and 1",
            mend="write 0.90 for 90 %",
        )
    return float(level)


def design_matrix(design: pd.DataFrame, constant: bool) -> pd.DataFrame:
    frame = pd.DataFrame(design).rename(columns=str)
    names = ["constant", *frame.columns] if constant else list(frame.columns)
    problems = [
        Problem(
            "design",
            column=name,
            found="two columns of that name",
            expected="one column per term",
            mend="rename one of them, or fit with constant=False where the constant is yours",
        )
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    if problems:
        raise StudyProblems(problems)
    if constant:
        frame = frame.assign(constant=1.0)[names]
    for name in frame.columns:
        if not pd.api.types.is_numeric_dtype(frame[name]):
            problems.append(
                Problem(
                    "design",
                    column=name,
                    found=f"{frame[name].iloc[0]!r}" if len(frame) else "no numbers",
                    expected="numbers",
                    mend="code a category as columns of numbers first",
                )
            )
            continue
        problems += _not_finite("design", name, frame.index, frame[name].to_numpy(float))
    if problems:
        raise StudyProblems(problems)
    return frame.astype(float)


def response_vector(response, count: int) -> np.ndarray:
    series = pd.Series(response)
    if len(series) != count:
        raise problem_error(
            "response",
            found=f"{len(series)} values",
            expected=f"one for each of the {count} rows of the design",
            mend="give both in the same order and of the same length",
        )
    y = series.to_numpy(float)
    problems = _not_finite("response", "", series.index, y)
    if problems:
        raise StudyProblems(problems)
    return y


def _not_finite(table: str, column: str, index, values: np.ndarray) -> list[Problem]:
    return [
        Problem(
            table,
            column=column,
            key=f"row {index[row]}",
            found="an empty cell" if np.isnan(values[row]) else str(values[row]),
            expected="a finite number",
            mend="fill it in, or leave the whole row out on purpose",
        )
        for row in np.flatnonzero(~np.isfinite(values))
    ]


def require_separable(x: pd.DataFrame) -> None:
    found = dependencies(x.to_numpy())
    if not found:
        return
    names = list(x.columns)
    problems = []
    for column, others in found.items():
        made_of = " and ".join(f"'{names[one]}'" for one in others)
        problems.append(
            Problem(
                "design",
                column=names[column],
                found=f"a column that moves only together with {made_of}"
                if others
                else "a column of zeros",
                expected=f"{len(names)} terms that can be separated by {len(x)} rows",
                mend=f"leave '{names[column]}' out, or add rows where it moves on its own",
            )
        )
    raise StudyProblems(problems)
