"""A difference test that stops as soon as it knows: Wald's two lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doughkit.panel.comparisons import CHANCE
from doughkit.tables.problems import Problem, StudyProblems, nearest

GO_ON, ALIKE, DIFFERENT = "go on", "alike", "different"


def sequential_lines(
    answers: Sequence[bool] = (),
    *,
    kind: str = "triangle",
    share_telling_apart: float = 0.5,
    risk: float = 0.05,
    miss: float = 0.10,
    most: int = 20,
) -> pd.DataFrame:
    """Give the two lines of a sequential difference test, and where the answers so far stand.

    Question: may one stop asking, or does the next answer still matter?

    Parameters
    ----------
    answers : list of bool
        Right or wrong, in the order given; empty for a sheet to fill in.
    kind : str
        triangle, duo-trio or paired.
    share_telling_apart : float
        Share of people (or of one taster's trials) who notice, 0-1, that must not be missed;
        stated before the first answer.
    risk : float
        Risk of calling alike doughs different.
    miss : float
        Risk of calling doughs alike that this share tells apart.
    most : int
        Answers after which one stops without a verdict.

    Returns
    -------
    DataFrame, a row per answer up to `most`: answer (its number), alike_line, different_line
        (right answers at or below the first: alike; at or above the second: different), right (so
        far; empty beyond the answers), verdict ("go on", "alike", "different"; it stays once
        reached).

    Raises
    ------
    StudyProblems: an unknown kind, a share or risk not between 0 and 1, or more answers than
        `most`.

    Range: independent answers. Best for screening tasters; looking in on a test of fixed size
        with these lines is another test.

    Source: Wald, Sequential Analysis, 1947; as in ISO 16820 (from memory).

    >>> sequential_lines([True] * 5, most=6)[["answer", "right", "verdict"]].values.tolist()[3:]
    [[4, 4.0, 'go on'], [5, 5.0, 'different'], [6, nan, 'different']]
    """
    _refuse(answers, kind, most, share=share_telling_apart, risk=risk, miss=miss)
    p0 = CHANCE[kind]
    p1 = p0 + (1 - p0) * share_telling_apart
    odds = np.log(p1 * (1 - p0) / (p0 * (1 - p1)))
    slope = np.log((1 - p0) / (1 - p1)) / odds
    number = np.arange(1, most + 1)
    alike = np.log(miss / (1 - risk)) / odds + slope * number
    different = np.log((1 - miss) / risk) / odds + slope * number
    right = np.full(most, np.nan)
    right[: len(answers)] = np.cumsum(np.asarray(answers, dtype=float))
    verdict = np.where(right >= different, DIFFERENT, np.where(right <= alike, ALIKE, GO_ON))
    done = np.flatnonzero(verdict != GO_ON)
    if done.size:
        verdict[done[0] :] = verdict[done[0]]
    return pd.DataFrame(
        {
            "answer": number,
            "alike_line": alike,
            "different_line": different,
            "right": right,
            "verdict": pd.Series(verdict, dtype="str"),
        }
    )


def _refuse(answers: Sequence[bool], kind: str, most: int, **shares: float) -> None:
    kinds = [name for name in CHANCE if name != "paired either way"]
    problems = [
        Problem(
            "counts",
            column=name,
            found=f"{value}",
            expected="a number between 0 and 1",
            mend="give a share, not a percentage",
        )
        for name, value in shares.items()
        if not 0 < value < 1
    ]
    if kind not in kinds:
        problems.append(
            Problem(
                "counts",
                column="kind",
                found=f"'{kind}'",
                expected=", ".join(kinds),
                mend=nearest(kind, kinds) or "choose one of them",
            )
        )
    if len(answers) > most:
        problems.append(
            Problem(
                "counts",
                column="answers",
                found=f"{len(answers)} answers",
                expected=f"at most {most}",
                mend="a larger `most` has to be set before the first answer",
            )
        )
    if problems:
        raise StudyProblems(problems)
