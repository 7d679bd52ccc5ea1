"""Rankings: do the people agree on an order, exactly where they are few."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.studentized import range_point, range_sf
from doughkit.panel.doughs import p_words
from doughkit.panel.exact_ranks import friedman_p, trend_p
from doughkit.tables.problems import Problem, StudyProblems, problem_error


@dataclass(frozen=True)
class RankTest:
    """What a ranking tells.

    test: chi_square, df, p, method (exact or chi-square), w, doughs, assessors, scope.
    sums: dough, rank_sum, mean_rank.
    pairs: dough, other_dough, difference, p (for all pairs at once), needed_alone, needed, risk.
    trend: order, l, p, method; a row only if an order was stated beforehand.
    """

    test: pd.DataFrame
    sums: pd.DataFrame
    pairs: pd.DataFrame
    trend: pd.DataFrame

    def summary(self) -> str:
        """Whether the ranking tells the doughs apart and how far the people agree."""
        row = self.test.iloc[0]
        apart = "differ" if row["p"] <= 0.05 else "can't be told apart"
        said = (
            f"Ranked by {row['assessors']} people, the {row['doughs']} doughs {apart} "
            f"({p_words(row['p'])}, {row['method']}); agreement of the people {row['w']:.2f} of 1 "
            "(Kendall's W)."
        )
        for one in self.trend.itertuples():
            said += f" Along {one.order}: {p_words(one.p)} ({one.method}, one-sided)."
        return said


def rank_test(
    ranks: pd.DataFrame, *, order: list[str] | None = None, risk: float = 0.05
) -> RankTest:
    """Test whether a panel's rankings tell the doughs apart, exactly where people are few.

    Question: do the people agree on an order of these doughs?

    Parameters
    ----------
    ranks : DataFrame
        A row per person (a column `assessor`, or the index), a column per dough; ranks 1 to the
        number of doughs, shared ranks as their mean (1.5, 1.5, 3).
    order : list of str, optional
        The doughs in the order expected, low rank first, if it was stated before tasting.
    risk : float
        Risk for the smallest rank-sum differences that count.

    Returns
    -------
    RankTest: test (chi_square, df, p, method, w, doughs, assessors, scope), sums (dough, rank_sum,
        mean_rank), pairs (dough, other_dough, difference, p, needed_alone, needed, risk), trend
        (order, l, p, method; no row without an order), summary(). `needed_alone` serves one pair
        chosen beforehand, `needed` and `p` all pairs.

    Raises
    ------
    StudyProblems: fewer than two people or doughs, an empty or false rank, an unknown dough.

    Range: one ranking per person. `method` says whether every ordering was counted (exact) or the
        chi-square or normal approximation served.

    Source: Friedman, Journal of the American Statistical Association 32, 1937, 675-701; Page, the
        same 58, 1963, 216-230; Kendall's W; rank-sum differences as in ISO 8587 (from memory).

    >>> import pandas as pd
    >>> ranks = pd.DataFrame({"A": [1, 1, 1, 2], "B": [2, 2, 3, 1], "C": [3, 3, 2, 3]},
    ...                      index=["Ann", "Bo", "Cy", "Di"])
    >>> rank_test(ranks).test[["chi_square", "p", "w"]].round(3).values.tolist()
    [[4.5, 0.125, 0.562]]
    """
    doughs, table = _checked_ranks(ranks)
    people, count = table.shape
    sums = table.sum(0)
    spread = ((table - (count + 1) / 2) ** 2).sum(1)
    chi_square = (count - 1) * ((sums - sums.mean()) ** 2).sum() / spread.sum()
    exact = friedman_p(table)
    test = pd.DataFrame(
        {
            "chi_square": [chi_square],
            "df": count - 1,
            "p": stats.chi2.sf(chi_square, count - 1) if exact is None else exact,
            "method": "chi-square" if exact is None else "exact",
            "w": chi_square / (people * (count - 1)),
            "doughs": count,
            "assessors": people,
            "scope": "people_like_these",
        }
    )
    return RankTest(
        test=test,
        sums=pd.DataFrame({"dough": doughs, "rank_sum": sums, "mean_rank": sums / people}),
        pairs=_rank_pairs(doughs, sums, np.sqrt(2 * spread.sum() / (count - 1)), risk),
        trend=_trend(doughs, table, order),
    )


def _rank_pairs(doughs: list[str], sums: np.ndarray, se: float, risk: float) -> pd.DataFrame:
    one, other = np.triu_indices(len(doughs), 1)
    difference = sums[one] - sums[other]
    return pd.DataFrame(
        {
            "dough": [doughs[at] for at in one],
            "other_dough": [doughs[at] for at in other],
            "difference": difference,
            "p": range_sf(np.sqrt(2) * np.abs(difference) / se, len(doughs), np.inf),
            "needed_alone": stats.norm.isf(risk / 2) * se,
            "needed": range_point(1 - risk, len(doughs), np.inf) * se / np.sqrt(2),
            "risk": risk,
        }
    )


def _trend(doughs: list[str], table: np.ndarray, order: list[str] | None) -> pd.DataFrame:
    columns = ["order", "l", "p", "method"]
    if order is None:
        return pd.DataFrame({"order": pd.Series(dtype="str")}).reindex(columns=columns)
    if sorted(order) != sorted(doughs):
        raise problem_error(
            "ranks",
            column="order",
            found=", ".join(map(str, order)),
            expected=f"each of {', '.join(doughs)} once",
            mend="name every dough that was ranked",
        )
    table = table[:, [doughs.index(dough) for dough in order]]
    people, count = table.shape
    place = np.arange(1, count + 1)
    statistic = float(table.sum(0) @ place)
    exact = trend_p(table)
    centre = people * count * (count + 1) ** 2 / 4
    variance = ((table - (count + 1) / 2) ** 2).sum() / (count - 1) * count * (count**2 - 1) / 12
    p = stats.norm.sf((statistic - centre) / np.sqrt(variance)) if exact is None else exact
    method = "normal" if exact is None else "exact"
    return pd.DataFrame([(" < ".join(order), statistic, float(p), method)], columns=columns)


def _checked_ranks(ranks: pd.DataFrame) -> tuple[list[str], np.ndarray]:
    if "assessor" in ranks.columns:
        ranks = ranks.set_index("assessor")
    if ranks.shape[0] < 2 or ranks.shape[1] < 2:
        raise problem_error(
            "ranks",
            found=f"{ranks.shape[0]} people × {ranks.shape[1]} doughs",
            expected="at least two of each",
            mend="give a row per person and a column per dough",
        )
    table = ranks.to_numpy(dtype=float, copy=True)
    problems = [
        Problem(
            "ranks",
            key=f"assessor {name}",
            found=", ".join(f"{one:g}" for one in row),
            expected=f"the ranks 1 to {row.size}, shared ones as their mean",
            mend="rank again; two doughs alike on places 1 and 2 are 1.5 and 1.5",
        )
        for name, row in zip(ranks.index, table, strict=True)
        if np.isnan(row).any() or not np.array_equal(stats.rankdata(row), row)
    ]
    if problems:
        raise StudyProblems(problems)
    if (table == table[0, 0]).all():
        raise problem_error(
            "ranks",
            found="every dough on one shared rank",
            expected="at least one person with an order",
            mend="ask for an order, or say that nobody found one",
        )
    return [str(name) for name in ranks.columns], table
