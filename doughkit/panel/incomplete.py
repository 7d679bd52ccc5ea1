"""Rankings in which each person ranks only some of the doughs, evenly dealt."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.exact_ranks import WORK
from doughkit.tables.problems import Problem, StudyProblems, problem_error


def durbin_test(ranks: pd.DataFrame) -> pd.DataFrame:
    """Test whether doughs differ when each person ranked only some of them, evenly dealt.

    Question: do these people agree on an order, though nobody could taste all?

    Parameters
    ----------
    ranks : DataFrame
        A row per person (a column `assessor`, or the index), a column per dough; ranks 1 to the
        number that person tasted, empty where not tasted.

    Returns
    -------
    DataFrame, one row: chi_square, df, p_chi_square, f, df_error, p_f, p, method, doughs,
        assessors, ranked_each, scope. `p` is exact (every order counted) where the panel is small
        enough, else that of F; the two approximations stand beside it since they can disagree.

    Raises
    ------
    StudyProblems: ranks that are not 1 to the number tasted, or doughs not dealt evenly: each
        person as many, each dough as often, each pair together as often.

    Range: one ranking per person, no shared ranks.

    Source: Durbin, British Journal of Psychology 4, 1951, 85-90; Conover, Practical Nonparametric
        Statistics, 3rd ed. 1999, 388-391 (from memory).

    >>> import pandas as pd
    >>> ranks = pd.DataFrame({"A": [1, 1, None], "B": [2, None, 1], "C": [None, 2, 2]})
    >>> durbin_test(ranks)[["chi_square", "p", "method"]].round(2).values.tolist()
    [[2.67, 0.75, 'exact']]
    """
    table = _checked(ranks)
    people, doughs = table.shape
    each = int(np.isfinite(table[0]).sum())
    away = np.where(np.isfinite(table), table - (each + 1) / 2, 0)
    chi_square = (doughs - 1) * (away.sum(0) ** 2).sum() / (away**2).sum()
    df, df_error = doughs - 1, people * each - people - doughs + 1
    rest = people * (each - 1) - chi_square
    f = chi_square / df / (rest / df_error) if rest > 1e-9 else np.inf
    p_f = float(stats.f.sf(f, df, df_error))
    exact = _exact(table)
    return pd.DataFrame(
        {
            "chi_square": [chi_square],
            "df": df,
            "p_chi_square": stats.chi2.sf(chi_square, df),
            "f": f,
            "df_error": df_error,
            "p_f": p_f,
            "p": p_f if exact is None else exact,
            "method": "F" if exact is None else "exact",
            "doughs": doughs,
            "assessors": people,
            "ranked_each": each,
            "scope": "people_like_these",
        }
    )


def _exact(table: np.ndarray) -> float | None:
    """Chance of rank sums at least as far apart over every order; None where that is too long."""
    there = np.isfinite(table)
    each = int(there[0].sum())
    orders = np.array(list(permutations(2 * np.arange(1, each + 1) - each - 1)))
    states, chance = np.zeros((1, table.shape[1]), dtype=np.int64), np.ones(1)
    for person in there:
        if len(states) * len(orders) > WORK:
            return None
        step = np.zeros((len(orders), table.shape[1]), dtype=np.int64)
        step[:, person] = orders
        sums = (states[:, None] + step).reshape(-1, table.shape[1])
        states, group = np.unique(sums, axis=0, return_inverse=True)
        chance = np.bincount(group.ravel(), weights=np.repeat(chance, len(orders)) / len(orders))
    found = 2 * np.where(there, table - (each + 1) / 2, 0).sum(0)
    far = (states**2).sum(1) >= (found**2).sum() - 1e-9
    return float(min(1.0, chance[far].sum()))


def _checked(ranks: pd.DataFrame) -> np.ndarray:
    if "assessor" in ranks.columns:
        ranks = ranks.set_index("assessor")
    table = ranks.to_numpy(dtype=float, copy=True)
    there = np.isfinite(table)
    own = [row[np.isfinite(row)] for row in table]
    problems = [
        Problem(
            "ranks",
            key=f"assessor {name}",
            found=", ".join(f"{one:g}" for one in row) or "no rank",
            expected="the ranks 1 to the number of doughs tasted, none shared",
            mend="rank again, empty where a dough was not tasted",
        )
        for name, row in zip(ranks.index, own, strict=True)
        if row.size < 2 or not np.array_equal(np.sort(row), np.arange(1, row.size + 1))
    ]
    if problems:
        raise StudyProblems(problems)
    together = there.T.astype(int) @ there
    pairs = together[~np.eye(len(together), dtype=bool)]
    even = [np.ptp(there.sum(1)), np.ptp(there.sum(0)), np.ptp(pairs)]
    if any(even) or table.shape[1] < 3 or there.all():
        raise problem_error(
            "ranks",
            found=f"{there.sum(1).min()} to {there.sum(1).max()} doughs a person, "
            f"{there.sum(0).min()} to {there.sum(0).max()} people a dough, "
            f"{pairs.min()} to {pairs.max()} people a pair",
            expected="fewer doughs a person than there are, and each count the same throughout",
            mend="where everybody ranked all, use rank_test; else rate, and compare piece means",
        )
    return table
