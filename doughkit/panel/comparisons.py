"""Difference tests as functions of counts: exact, with limits, and how many answers it takes."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from doughkit.tables.problems import nearest, problem_error

CHANCE = {"triangle": 1 / 3, "duo-trio": 1 / 2, "paired": 1 / 2, "paired either way": 1 / 2}
"""Chance of a right answer from somebody who tastes no difference."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(80)
_X, _X_WEIGHT = 4.5 * (1 + _NODES), 4.5 * _WEIGHTS
"""Gauss-Legendre over 0-9 normal deviates, for the triangle's integral."""


def difference_test(
    correct: int,
    answers: int,
    *,
    kind: str = "triangle",
    risk: float = 0.05,
    level: float = 0.90,
) -> pd.DataFrame:
    """Read a triangle, duo-trio or paired test from its count of right answers, exactly.

    Question: did people notice a difference, and how many could have?

    Parameters
    ----------
    correct : int
        Right answers; for `paired`, answers in the direction stated beforehand; for `paired
        either way`, answers for one of the two doughs.
    answers : int
        All answers, one per person.
    kind : str
        triangle (odd one of three), duo-trio (which of two is like the first), paired (which has
        more, direction stated beforehand), paired either way.
    risk : float
        Risk of seeing a difference where there is none, for `correct_needed` and
        `share_findable`.
    level : float
        Level of the two-sided interval, 0.90 unless said.

    Returns
    -------
    DataFrame, one row: kind, correct, answers, chance, p, correct_needed (empty if no count of
        this many answers would do), share_telling_apart (of people, 0-1), ci_low, ci_high,
        ci_level, d_prime, d_prime_low, d_prime_high, share_findable (the smallest share that this
        many answers find in 4 tests of 5; empty if none), scope.

    Raises
    ------
    StudyProblems: counts that can't be, or an unknown kind.

    Range: one answer per person; several answers of a person are not so many people. Not noticed
        is not the same: only `ci_high` below a share chosen beforehand speaks for "alike".

    Source: exact binomial as in ISO 4120, ISO 10399 and ISO 5495 (from memory); interval: Clopper
        and Pearson, Biometrika 26, 1934, 404-413; d′: Ennis, Journal of Sensory Studies 8, 1993,
        353-370 (from memory).

    >>> found = difference_test(5, 6)
    >>> found[["p", "correct_needed", "share_telling_apart"]].round(3).values.tolist()
    [[0.018, 5.0, 0.75]]
    """
    _checked_counts(correct, answers, kind)
    p0 = CHANCE[kind]
    two_sided = kind == "paired either way"
    tail = stats.binom.sf(correct - 1, answers, p0)
    if two_sided:
        tail = min(1.0, 2 * min(tail, stats.binom.cdf(correct, answers, p0)))
    floor = -1.0 if two_sided else 0.0
    edges = np.array([_exact_limit(correct, answers, side, level) for side in (-1, 1)])
    share = np.array([correct / answers, *edges])
    telling = np.maximum((share - p0) / (1 - p0), floor)
    apart = [_d_prime(one, kind) for one in share]
    needed = _correct_needed(answers, kind, risk)
    return pd.DataFrame(
        {
            "kind": [kind],
            "correct": float(correct),
            "answers": float(answers),
            "chance": p0,
            "p": float(tail),
            "correct_needed": np.nan if needed is None else float(needed),
            "share_telling_apart": telling[0],
            "ci_low": telling[1],
            "ci_high": telling[2],
            "ci_level": level,
            "d_prime": apart[0],
            "d_prime_low": apart[1],
            "d_prime_high": apart[2],
            "share_findable": _share_findable(answers, needed, p0),
            "scope": "people_like_these",
        }
    )


def comparisons_needed(
    share_telling_apart: float, *, kind: str = "triangle", risk: float = 0.05, miss: float = 0.20
) -> pd.DataFrame:
    """Find how many answers a difference test needs to find a given share of noticing people.

    Question: how many people must answer?

    Parameters
    ----------
    share_telling_apart : float
        Share of people who notice, 0-1, that must not be missed.
    kind : str
        triangle, duo-trio, paired or paired either way.
    risk : float
        Risk of seeing a difference where there is none.
    miss : float
        Risk of missing that share.

    Returns
    -------
    DataFrame, one row: kind, share_telling_apart, risk, miss, answers (fewest that do),
        correct_needed, answers_safe (from here on every larger number does too).

    Raises
    ------
    StudyProblems: a share or a risk not between 0 and 1, an unknown kind, or more than 3000
        answers.

    Range: the power of a count rises in saw teeth, so a few more answers than `answers` may do
        worse; `answers_safe` is past that.

    Source: exact binomial; the numbers of ISO 4120 and ASTM E1885 (from memory).

    >>> comparisons_needed(0.5)[["answers", "correct_needed"]].values.tolist()
    [[16, 9]]
    """
    _checked_kind(kind)
    for name, value in (("share", share_telling_apart), ("risk", risk), ("miss", miss)):
        if not 0 < value < 1:
            raise problem_error(
                "counts",
                column=name,
                found=f"{value}",
                expected="a number between 0 and 1",
                mend="give a share, not a percentage",
            )
    p0 = CHANCE[kind]
    pc = p0 + (1 - p0) * share_telling_apart
    n = np.arange(1, 3001)
    tail = risk / 2 if kind == "paired either way" else risk
    needed = stats.binom.isf(tail, n, p0) + 1
    enough = stats.binom.sf(needed - 1, n, pc) >= 1 - miss
    if not enough[-100:].all():
        raise problem_error(
            "counts",
            column="share",
            found=f"a share of {share_telling_apart} that needs more than 3000 answers",
            expected="a share that a panel can find",
            mend="ask for a larger share, or allow more risk",
        )
    first = int(np.argmax(enough))
    safe = int(np.flatnonzero(~enough)[-1]) + 1 if not enough.all() else 0
    return pd.DataFrame(
        {
            "kind": [kind],
            "share_telling_apart": share_telling_apart,
            "risk": risk,
            "miss": miss,
            "answers": int(n[first]),
            "correct_needed": int(needed[first]),
            "answers_safe": int(n[safe]),
        }
    )


def _checked_kind(kind: str) -> None:
    if kind not in CHANCE:
        raise problem_error(
            "counts",
            column="kind",
            found=f"'{kind}'",
            expected=", ".join(CHANCE),
            mend=nearest(kind, CHANCE) or "choose one of them",
        )


def _checked_counts(correct, answers, kind: str) -> None:
    _checked_kind(kind)
    whole = correct == int(correct) and answers == int(answers)
    if not whole or answers < 1 or not 0 <= correct <= answers:
        raise problem_error(
            "counts",
            column="correct",
            found=f"{correct} right of {answers}",
            expected="whole numbers, at least one answer, no more right ones than answers",
            mend="count the ballots again",
        )


def _correct_needed(answers: int, kind: str, risk: float) -> int | None:
    tail = risk / 2 if kind == "paired either way" else risk
    count = np.arange(answers + 1)
    enough = stats.binom.sf(count - 1, answers, CHANCE[kind]) <= tail
    return int(np.argmax(enough)) if enough.any() else None


def _exact_limit(correct: int, answers: int, side: int, level: float) -> float:
    tail = (1 - level) / 2
    if side < 0:
        return float(stats.beta.ppf(tail, correct, answers - correct + 1)) if correct else 0.0
    wrong = answers - correct
    return float(stats.beta.isf(tail, correct + 1, wrong)) if wrong else 1.0


def _share_findable(answers: int, needed: int | None, p0: float) -> float:
    if needed is None:
        return np.nan
    pc = optimize.brentq(lambda pc: stats.binom.sf(needed - 1, answers, pc) - 0.8, p0, 1)
    return float((pc - p0) / (1 - p0))


def _share_right(d: float, kind: str) -> float:
    """Chance of a right answer at distance d (in sd of one perception), equal spreads."""
    if kind.startswith("paired"):
        return float(special.ndtr(d / np.sqrt(2)))
    if kind == "duo-trio":
        a, b = special.ndtr(d / np.sqrt(2)), special.ndtr(d / np.sqrt(6))
        return float(1 - a - b + 2 * a * b)
    inside = special.ndtr(-_X * np.sqrt(3) + d * np.sqrt(2 / 3))
    inside += special.ndtr(-_X * np.sqrt(3) - d * np.sqrt(2 / 3))
    return float(2 * _X_WEIGHT @ (inside * np.exp(-_X * _X / 2) / np.sqrt(2 * np.pi)))


def _d_prime(share: float, kind: str) -> float:
    if share >= 1:
        return np.inf
    if kind.startswith("paired"):
        low = -np.inf if kind == "paired either way" else 0.0
        return float(max(low, np.sqrt(2) * special.ndtri(share)))
    if share <= CHANCE[kind]:
        return 0.0
    return float(optimize.brentq(lambda d: _share_right(d, kind) - share, 0, 30, xtol=1e-12))
