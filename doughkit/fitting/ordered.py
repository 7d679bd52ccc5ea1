"""Answers in ordered categories, without pretending that the steps between them are equal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.design import checked_level, require_separable
from doughkit.fitting.mixed_design import Design, read_factors
from doughkit.fitting.mixed_fit import read_levels, read_responses
from doughkit.fitting.mixed_layout import Level, nesting
from doughkit.fitting.ordered_model import Found, Model
from doughkit.tables.problems import problem_error

FAR = 12.0
"""Logistic units. An effect over its factor's whole range, a spread, or a standard error of an
effect or threshold beyond this means answers parted completely: odds of 160,000 to 1."""


@dataclass(frozen=True, eq=False)
class OrderedFit:
    """Ordered answers fitted to factors.

    coefficients: term, estimate, se, df, p, ci_low, ci_high, ci_level, odds_ratio; positive means
        higher answers.
    thresholds: between, estimate, se.
    tests: term, chi_square, df, p (likelihood ratio).
    categories: score, answers, merged_into (empty: kept).
    sources: source, groups, variance, sd, at_zero (logistic units).
    figures: one row: log_likelihood, rows, left_out, categories.
    """

    coefficients: pd.DataFrame
    thresholds: pd.DataFrame
    tests: pd.DataFrame
    categories: pd.DataFrame
    sources: pd.DataFrame
    figures: pd.DataFrame

    def summary(self) -> str:
        """Which factors move the answers, and how far people differ in level."""
        said = [f"{row.term} ({_p_words(row.p)})" for row in self.tests.itertuples()]
        one = self.figures.iloc[0]
        spread = [
            f"{row.source} none found" if row.at_zero else f"{row.source} {row.sd:.2g}"
            for row in self.sources.itertuples()
        ]
        told = f"; spread in logistic units: {', '.join(spread)}" if spread else ""
        return (
            f"{one['rows']:.0f} answers in {one['categories']:.0f} ordered categories: "
            f"{', '.join(said) or 'no factor'}{told}."
        )


def _p_words(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p {p:.3f}"


def fit_ordered(
    frame: pd.DataFrame,
    response: str,
    factors: Sequence[str],
    levels_of_error: Sequence[str | Sequence[str]] = (),
    *,
    terms: str = "linear",
    level: float = 0.90,
) -> OrderedFit:
    """Fit factors to answers in ordered categories, with people's own levels integrated out.

    Question: do the factors move the answers up or down, if only their order counts?

    Parameters
    ----------
    frame : DataFrame, a row per answer.
    response : column of numbers whose order counts and nothing else; an empty cell was not
        answered and is left out.
    factors : columns; numbers enter as slopes about their mean, anything else as categories.
    levels_of_error : none; one column whose groups share a level (the assessors); or that and one
        finer level within it, as in ["assessor", ("assessor", "dough")].
    terms : "linear" or "interactions".
    level : share of intervals that should hold.

    Returns
    -------
    OrderedFit: frames coefficients (term, estimate, se, df, p, ci_low, ci_high, ci_level,
    odds_ratio), thresholds (between, estimate, se), tests (term, chi_square, df, p), categories
    (score, answers, merged_into), sources (source, groups, variance, sd, at_zero), figures
    (log_likelihood, rows, left_out, categories); `summary`. Estimates are for one person;
    odds_ratio is the factor by which the odds of a higher answer change. A term is tested with
    the products that hold it left aside.

    Raises
    ------
    StudyProblems: as `fit_mixed`; answers all alike; a factor or people that part the answers
    completely, or too few answers, so that an effect over its factor's range, a spread, or a
    standard error of an effect or threshold would exceed 12 logistic units.

    Range: the same effect at every threshold (proportional odds). Scores inside the scale that
        nobody gave are merged with the next lower one and reported. Intervals and tests are those
        of large samples (df is endless): with few people they are too narrow.

    Source: McCullagh, Journal of the Royal Statistical Society B 42, 1980, 109-142; adaptive
        quadrature: Pinheiro and Bates, Journal of Computational and Graphical Statistics 4, 1995.

    >>> import pandas as pd
    >>> answers = pd.DataFrame({
    ...     "assessor": list("abcdef") * 4, "dough": ["A"] * 12 + ["B"] * 12,
    ...     "salty": [2.0, 1, 2, 3, 2, 1, 2, 2, 1, 3, 2, 2, 3, 2, 3, 3, 2, 2, 3, 3, 2, 3, 3, 2]})
    >>> fit = fit_ordered(answers, "salty", ["dough"], ["assessor"])
    >>> fit.coefficients[["term", "estimate"]].round(2).values.tolist()
    [['dough B', 3.7]]
    """
    level = checked_level(level)
    values = read_responses(frame, [response])[:, 0]
    answered = np.isfinite(values)
    chosen = frame.loc[answered]
    category, categories = _categories(values, answered, response)
    design = read_factors(chosen, factors, terms)
    rows = design.rows(np.arange(len(chosen)))
    require_separable(pd.DataFrame(rows, columns=design.columns).drop_duplicates())
    levels = _levels(chosen, levels_of_error)
    model = Model(rows[:, 1:], category, levels)
    found = model.fit()
    kept = categories.loc[categories["merged_into"].isna(), "score"].tolist()
    between = [f"{a:g} | {b:g}" for a, b in pairwise(kept)]
    _refuse_parted(found, design, model, between)
    figures = pd.DataFrame(
        {
            "log_likelihood": [found.log_likelihood],
            "rows": len(chosen),
            "left_out": int((~answered).sum()),
            "categories": len(kept),
        }
    )
    return OrderedFit(
        coefficients=_coefficients(design, found, model.cuts, level),
        thresholds=_thresholds(between, found, model.cuts),
        tests=_tests(design, rows, model),
        categories=categories,
        sources=_sources(levels, found),
        figures=figures,
    )


def _categories(values, answered, name: str) -> tuple[np.ndarray, pd.DataFrame]:
    """Each answer's category from 0, and what became of each step of the scale."""
    given, category, count = np.unique(values[answered], return_inverse=True, return_counts=True)
    if given.size < 2:
        raise problem_error(
            "frame",
            column=name,
            found="answers all alike" if given.size else "no answer",
            expected="answers in at least two categories",
            mend="nothing can be said of what nobody told apart",
        )
    whole = np.all(given == np.round(given))
    scale = np.arange(given[0], given[-1] + 1) if whole and np.ptp(given) < 100 else given
    at = np.searchsorted(given, scale, side="right") - 1
    unused = ~np.isin(scale, given)
    table = pd.DataFrame(
        {
            "score": scale,
            "answers": np.where(unused, 0, count[at]),
            "merged_into": np.where(unused, given[at], np.nan),
        }
    )
    return category, table


def _levels(frame: pd.DataFrame, names: Sequence) -> list[Level]:
    if not len(names):
        return []
    levels = sorted(read_levels(frame, names), key=lambda one: one.groups)
    outer, inner = levels[0], levels[-1]
    finer = len(levels) == 2 and nesting(levels)[1, 0] and inner.groups > outer.groups
    if outer.groups < 2 or not (len(levels) == 1 or finer):
        raise problem_error(
            "levels of error",
            found=", ".join(f"{one.name} ({one.groups} groups)" for one in levels),
            expected="one column with at least two groups, and at most one finer level within it",
            mend="keep the assessors, or the assessors and assessor × dough",
        )
    return levels


def _refuse_parted(found: Found, design: Design, model: Model, between: list[str]) -> None:
    """Refuse effects over their factor's range, spreads and standard errors beyond FAR."""
    cuts, fixed = model.cuts, model.fixed
    names = np.array([*between, *design.columns[1:], *(one.name for one in model.levels)])
    reach = np.concatenate([np.ones(cuts), np.ptp(model.columns, axis=0)])
    # A threshold may lie far out: it is counted from the first group's middle.
    far = np.concatenate([np.zeros(cuts), found.beta * reach[cuts:], found.spread])
    variance = np.diag(found.covariance)[:fixed]
    se = np.sqrt(np.where(variance > 0, variance, np.inf)) * reach
    unsure = np.append(~(se <= FAR), np.zeros(len(model.levels), dtype=bool))
    parting = ~(np.abs(far) <= FAR)
    if parting.any():
        raise problem_error(
            "frame",
            column=", ".join(names[parting]),
            found="answers that this part of the model separates completely",
            expected="answers of different levels that overlap on the scale",
            mend="leave that level out, join it with another, or give the counts instead",
        )
    if unsure.any():
        raise problem_error(
            "frame",
            column=", ".join(names[unsure]),
            found="too few answers to place this part of the model",
            expected=f"standard errors up to {FAR:g} logistic units",
            mend="join scores or levels, or leave a level of error out",
        )


def _coefficients(design: Design, found: Found, cuts: int, level: float) -> pd.DataFrame:
    estimate = found.beta
    se = np.sqrt(np.diag(found.covariance)[cuts : cuts + estimate.size])
    half = stats.norm.ppf((1 + level) / 2) * se
    return pd.DataFrame(
        {
            "term": design.columns[1:],
            "estimate": estimate,
            "se": se,
            "df": np.inf,
            "p": 2 * stats.norm.sf(np.abs(estimate) / se),
            "ci_low": estimate - half,
            "ci_high": estimate + half,
            "ci_level": level,
            "odds_ratio": np.exp(estimate),
        }
    )


def _thresholds(between: list[str], found: Found, cuts: int) -> pd.DataFrame:
    se = np.sqrt(np.diag(found.covariance)[:cuts])
    return pd.DataFrame({"between": between, "estimate": found.cut, "se": se})


def _tests(design: Design, rows: np.ndarray, model: Model) -> pd.DataFrame:
    """Likelihood-ratio test of each term, products that hold it left aside."""
    ends = np.cumsum([1] + [_wide(design, term) for term in design.terms])
    own = [np.arange(*ends[at : at + 2]) for at in range(len(design.terms))]

    @cache
    def value(kept: tuple[int, ...]) -> float:
        chosen = np.concatenate([np.zeros(0, dtype=int), *(own[at] for at in kept)])
        return replace(model, columns=rows[:, chosen]).fit().log_likelihood

    out = []
    for at, term in enumerate(design.terms):
        holds = {b for b, other in enumerate(design.terms) if set(term) < set(other)}
        full = tuple(b for b in range(len(own)) if b not in holds)
        ratio = max(0.0, 2 * (value(full) - value(tuple(b for b in full if b != at))))
        df = float(own[at].size)
        out.append((design.name(term), ratio, df, float(stats.chi2.sf(ratio, df))))
    return pd.DataFrame(out, columns=["term", "chi_square", "df", "p"])


def _wide(design: Design, term: tuple[int, ...]) -> int:
    return int(np.prod([len(design.factors[at].columns) for at in term]))


def _sources(levels: list[Level], found: Found) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source": pd.Series([one.name for one in levels], dtype="str"),
            "groups": [one.groups for one in levels],
            "variance": found.spread**2,
            "sd": found.spread,
            "at_zero": found.spread == 0,
        }
    )
