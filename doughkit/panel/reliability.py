"""How far one taster, or the panel's mean, can be relied on: intraclass correlations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.answers import Answers, gather
from doughkit.panel.doughs import ratio
from doughkit.panel.rankings import rank_test
from doughkit.panel.two_way import fit_two_way
from doughkit.tables.problems import Problem, StudyProblems

KINDS = (
    ("ICC(1,1)", "one score, each piece tasted by people of its own"),
    ("ICC(2,1)", "one person's score, people a sample"),
    ("ICC(3,1)", "one person's score, these people only, levels left aside"),
    ("ICC(1,k)", "the mean, each piece tasted by people of its own"),
    ("ICC(2,k)", "the panel's mean, people a sample"),
    ("ICC(3,k)", "the panel's mean, these people only, levels left aside"),
)
FIT = ("ICC(2,1)", "ICC(2,k)")
"""The two that fit a panel in which everybody tastes every piece and others could sit there."""


@dataclass(frozen=True)
class Reliability:
    """How far the scores of one taster, or their mean, tell pieces from one another.

    intraclass: attribute, kind, about, estimate, ci_low, ci_high, ci_level, f, df, df_error, p,
        pieces, assessors, fits, scope.
    agreement: attribute, w, chi_square, df, p, method, pieces, assessors (Kendall's W).
    left_out: attribute, piece, why.
    """

    intraclass: pd.DataFrame
    agreement: pd.DataFrame
    left_out: pd.DataFrame

    def summary(self) -> str:
        """One sentence per attribute with the two coefficients that fit."""
        fits = self.intraclass[self.intraclass["fits"]]
        said = []
        for attribute, rows in fits.groupby("attribute", sort=False):
            one, mean = (f"{one:.2f}" if one > 0 else "none" for one in rows["estimate"])
            said.append(f"{attribute}: one taster {one}, the panel's mean {mean}")
        left = self.left_out["piece"].nunique()
        gaps = f" {left} pieces that somebody missed are left out." if left else ""
        return f"Reliability (intraclass correlation, 1 is full): {'; '.join(said)}.{gaps}"


def reliability(
    ratings: pd.DataFrame, servings: pd.DataFrame, pieces: pd.DataFrame, *, level: float = 0.90
) -> Reliability:
    """Give the intraclass correlations and Kendall's W of the panel, per attribute.

    Question: how much of what the scores show lies in the pieces and not in who tasted?

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat; several portions become one mean a person.
    pieces : DataFrame
        piece, dough.
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    Reliability: intraclass (attribute, kind, about, estimate, ci_low, ci_high, ci_level, f, df,
        df_error, p, pieces, assessors, fits, scope), all six kinds with `fits` marking the two
        that suit a panel; agreement (attribute, w, chi_square, df, p, method, pieces, assessors);
        left_out (attribute, piece, why), the pieces that somebody did not score; summary().

    Raises
    ------
    StudyProblems: tables that don't fit, or fewer than two assessors or two pieces that all of
        them scored.

    Range: only pieces scored by everybody count. Much alike pieces make every panel look
        unreliable: the coefficient is about these pieces too. A negative estimate means none.

    Source: Shrout and Fleiss, Psychological Bulletin 86, 1979, 420-428; Kendall's W with shared
        ranks: Kendall and Babington Smith, Annals of Mathematical Statistics 10, 1939, 275-287.

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": list("ABC"), "dough": list("ABC")})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", "T1", who, piece) for who in ("Ann", "Bo") for piece in "ABC"],
    ...     columns=["serving", "tasting", "assessor", "piece"])
    >>> ratings = servings[["serving"]].assign(attribute="chew", score=[2.0, 4, 6, 3, 6, 9])
    >>> found = reliability(ratings, servings, pieces)
    >>> found.intraclass.loc[found.intraclass["fits"], "estimate"].round(3).tolist()
    [0.72, 0.837]
    """
    found = gather(ratings, servings, pieces)
    tables = [_complete(found, at) for at in range(len(found.attributes))]
    problems = [
        Problem(
            "ratings",
            key=f"attribute {name}",
            found=f"{table.shape[0]} pieces scored by all {table.shape[1]} assessors",
            expected="at least two pieces scored by everybody, and two assessors",
            mend=f"leave out who missed most: {_missed_most(found, at)}",
        )
        for at, (name, (table, _)) in enumerate(zip(found.attributes, tables, strict=True))
        if min(table.shape) < 2
    ]
    if problems:
        raise StudyProblems(problems)
    left_out = [
        (name, piece, "not scored by everybody")
        for name, (_, left) in zip(found.attributes, tables, strict=True)
        for piece in left
    ]
    return Reliability(
        intraclass=pd.concat(
            [
                _six(table, level).assign(attribute=name)[["attribute", *SIX]]
                for name, (table, _) in zip(found.attributes, tables, strict=True)
            ],
            ignore_index=True,
        ),
        agreement=pd.DataFrame(
            [
                {"attribute": name, **_agreement(table)}
                for name, (table, _) in zip(found.attributes, tables, strict=True)
            ]
        ),
        left_out=pd.DataFrame(left_out, columns=["attribute", "piece", "why"], dtype="str"),
    )


SIX = [
    *("kind", "about", "estimate", "ci_low", "ci_high", "ci_level", "f", "df", "df_error", "p"),
    *("pieces", "assessors", "fits", "scope"),
]


def _complete(found: Answers, at: int) -> tuple[np.ndarray, list[str]]:
    values, count = found.cells(at)
    people = count.any(0)
    whole = (count[:, people] > 0).all(1)
    left = [found.pieces[row] for row in np.flatnonzero(count.any(1) & ~whole)]
    return values[np.ix_(whole, people)], left


def _missed_most(found: Answers, at: int) -> str:
    _, count = found.cells(at)
    people = np.flatnonzero(count.any(0))
    return str(found.assessors[people[np.argmin((count[:, people] > 0).sum(0))]])


def _six(table: np.ndarray, level: float) -> pd.DataFrame:
    n, k = table.shape
    fit = fit_two_way(table, np.ones(table.shape, dtype=bool))
    between, error = fit.row_ss / (n - 1), fit.rest_ms
    people = fit.column_ss / (k - 1)
    within = (fit.column_ss + fit.rest_ss) / (n * (k - 1))
    f = np.array([ratio(between, within), ratio(between, error), ratio(between, error)])
    df_error = np.array([n * (k - 1), (n - 1) * (k - 1), (n - 1) * (k - 1)])
    one = np.array(
        [
            ratio(between - within, between + (k - 1) * within),
            ratio(between - error, between + (k - 1) * error + k * (people - error) / n),
            ratio(between - error, between + (k - 1) * error),
        ]
    )
    edges = np.array([_edges(f[at], n - 1, df_error[at], k, level) for at in (0, 1, 2)])
    edges[1] = _edges_of_sample(n, k, (between, people, error), one[1], level)
    estimate = np.concatenate([one, _mean_of(one, k)])
    limits = np.vstack([edges, _mean_of(edges, k)])
    return pd.DataFrame(
        {
            "kind": [kind for kind, _ in KINDS],
            "about": [about for _, about in KINDS],
            "estimate": estimate,
            "ci_low": limits[:, 0],
            "ci_high": limits[:, 1],
            "ci_level": level,
            "f": np.tile(f, 2),
            "df": n - 1,
            "df_error": np.tile(df_error, 2),
            "p": stats.f.sf(np.tile(f, 2), n - 1, np.tile(df_error, 2)),
            "pieces": n,
            "assessors": k,
            "fits": [kind in FIT for kind, _ in KINDS],
            "scope": ["people_like_these", "people_like_these", "this_panel"] * 2,
        }
    )


def _mean_of(one: np.ndarray, k: int) -> np.ndarray:
    """Reliability of the mean of k scores from that of one (Spearman-Brown).

    At and below -1/(k - 1) the formula turns over into large positive numbers that mean nothing.
    """
    below = 1 + (k - 1) * one
    return np.where(below <= 0, -np.inf, ratio(k * one, below))


def _edges(f: float, df: int, df_error: int, k: int, level: float) -> np.ndarray:
    tails = stats.f.ppf([(1 + level) / 2, (1 - level) / 2], df, df_error)
    around = f / tails
    with np.errstate(invalid="ignore"):  # an error of nothing gives endless over endless
        return (around - 1) / (around + k - 1)


def _edges_of_sample(n, k, squares, rho: float, level: float) -> np.ndarray:
    """Limits of ICC(2,1) with Satterthwaite's degrees of freedom, as in the 1979 paper."""
    between, people, error = squares
    if error == 0:
        return np.array([np.nan, np.nan])
    f_people = people / error
    part = n * (1 + (k - 1) * rho) - k * rho
    top = (k - 1) * (n - 1) * (k * rho * f_people + part) ** 2
    df = top / ((n - 1) * k**2 * rho**2 * f_people**2 + part**2)
    above = stats.f.ppf((1 + level) / 2, n - 1, df)
    below = stats.f.ppf((1 + level) / 2, df, n - 1)
    rest = k * people + (k * n - k - n) * error
    low = n * (between - above * error) / (above * rest + n * between)
    high = n * (below * between - error) / (rest + n * below * between)
    return np.array([low, high])


def _agreement(table: np.ndarray) -> dict:
    n, k = table.shape
    ranks = pd.DataFrame(stats.rankdata(table, axis=0).T)
    if (np.ptp(table, axis=0) == 0).all():
        empty = dict.fromkeys(("w", "chi_square"), np.nan)
        return {**empty, "df": n - 1, "p": np.nan, "method": "", "pieces": n, "assessors": k}
    test = rank_test(ranks).test.iloc[0]
    return {
        **test[["w", "chi_square", "df", "p", "method"]].to_dict(),
        "pieces": n,
        "assessors": k,
    }
