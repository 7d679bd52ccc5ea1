"""Days as a level of a search: the doughs that share a day share its error and its settings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, so_many
from doughkit.trials.exchange import Task
from doughkit.trials.factors import Factor, in_words
from doughkit.trials.spreads import Spreads


def whitening(errors: np.ndarray) -> np.ndarray:
    return np.linalg.inv(np.linalg.cholesky(errors))


def of_dough(pieces: int, spreads: Spreads) -> np.ndarray:
    """Covariance of one dough's pieces."""
    return spreads.of_piece * np.eye(pieces) + spreads.dough**2


def by_day(task: Task, doughs_per_day: int, spreads: Spreads) -> Task:
    """The same search with days of so many doughs, as even as can be."""
    days = -(-task.doughs // doughs_per_day)
    most = -(-task.doughs // days)
    whiten = np.zeros((days, most * task.pieces, most * task.pieces))
    for day, part in enumerate(np.array_split(range(task.doughs), days)):
        own = np.kron(np.eye(len(part)), of_dough(task.pieces, spreads)) + spreads.day**2
        whiten[day, : len(own), : len(own)] = whitening(own)
    return replace(task, doughs=days, whiten=whiten, of_dough=task.pieces)


def doughs_of(task: Task, plan: np.ndarray) -> tuple[np.ndarray, np.ndarray | None]:
    """A plan found as dough × piece × coded column, and the number of each dough's day."""
    if not task.of_dough:
        return plan, None
    there = task.there[:, :: task.of_dough]
    each = plan.reshape(-1, task.of_dough, plan.shape[-1])
    return each[there.ravel()], np.nonzero(there)[0]


def require_doughs_per_day(daily: list[Factor], doughs_per_day: int | None) -> None:
    if daily and (doughs_per_day is None or doughs_per_day < 1):
        raise problem_error(
            "plan",
            column="doughs_per_day",
            found=f"{doughs_per_day or 'nothing'}, and {daily[0].name} changed per day",
            expected="how many doughs you bake on one day",
            mend="give doughs_per_day=, as `capacity` finds it, or plan a round at one setting of "
            f"{in_words(daily[0].name)}",
        )


def said_of_days(daily: list[Factor], days: int, terms: pd.DataFrame) -> list[str]:
    """What so many bake days leave to judge by."""
    if not daily:
        return []
    left = days - 1 - int(terms["stratum"].eq("day").sum())
    words = " and ".join(in_words(one.name) for one in daily)
    verb = "is" if len(daily) == 1 else "are"
    said = f"{words} {verb} set once a day: {days} bake days leave "
    if left < 1:
        return [f"{said}nothing to judge by; bake {1 - left} more, or ask for fewer terms."]
    return [f"{said}{so_many(left, 'difference')} between days to judge by."]
