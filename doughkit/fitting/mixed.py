"""Mixed models for small panels: exact at zero variances, honest about few degrees of freedom."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.design import checked_level
from doughkit.fitting.mixed_design import Design, read_factors
from doughkit.fitting.mixed_fit import REST, Fitted, fit_all, read_levels, read_responses
from doughkit.fitting.mixed_layout import Level
from doughkit.fitting.mixed_means import (
    combined_of,
    contrasts_of,
    covariance_of,
    differences_of,
    means_of,
)
from doughkit.fitting.mixed_small import METHODS, Small, small
from doughkit.tables.problems import nearest, problem_error


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A mixed model fitted to one or several responses.

    sources: response, source, groups, variance, sd, share_pct, df, at_zero; the last source of
        each response, "rest", is the error of one row; df says how well a variance is known (that
        of a mean square as sure as it).
    tests: response, term, f, df, df_error, p, method.
    coefficients: response, term, estimate, se, df, t, p, ci_low, ci_high, ci_level.
    figures: response, criterion, rows, left_out, terms, steps.
    """

    level: float
    method: str
    _design: Design = field(repr=False)
    _levels: list[Level] = field(repr=False)
    _fits: list[Fitted] = field(repr=False)

    @cached_property
    def _small(self) -> list[Small]:
        terms = len(self._design.columns)
        return [small(one.found, terms, self.method) for one in self._fits]

    @cached_property
    def sources(self) -> pd.DataFrame:
        parts = []
        for one, own in zip(self._fits, self._small, strict=True):
            ratio = np.append(one.found.ratio, 1.0)
            variance = one.found.variance * ratio
            parts.append(
                {
                    "response": [one.name] * variance.size,
                    "source": [*(level.name for level in self._levels), REST],
                    "groups": [*(level.groups for level in self._levels), one.rows],
                    "variance": variance,
                    "sd": np.sqrt(variance),
                    "share_pct": 100 * variance / variance.sum(),
                    "df": 2 * ratio**2 / np.roll(np.diag(own.expected), -1),
                    "at_zero": ratio == 0,
                }
            )
        return _stacked(parts)

    @cached_property
    def tests(self) -> pd.DataFrame:
        design = self._design
        rows = [
            (one.name, design.name(term), *own.test(design.test_of(term)), self.method)
            for one, own in zip(self._fits, self._small, strict=True)
            for term in design.terms
        ]
        return pd.DataFrame(
            rows, columns=["response", "term", "f", "df", "df_error", "p", "method"]
        ).astype({"df": float})

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        names = self._design.columns
        parts = []
        for one, own in zip(self._fits, self._small, strict=True):
            estimate, se, df = own.single(np.eye(len(names)))
            estimate = estimate + one.centre * (np.arange(len(names)) == 0)
            t, half = estimate / se, stats.t.ppf((1 + self.level) / 2, df) * se
            parts.append(
                {
                    "response": [one.name] * len(names),
                    "term": names,
                    "estimate": estimate,
                    "se": se,
                    "df": df,
                    "t": t,
                    "p": 2 * stats.t.sf(np.abs(t), df),
                    "ci_low": estimate - half,
                    "ci_high": estimate + half,
                    "ci_level": np.full(len(names), self.level),
                }
            )
        return _stacked(parts)

    @cached_property
    def figures(self) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "response": [one.name for one in self._fits],
                "criterion": [one.found.criterion for one in self._fits],
                "rows": [one.rows for one in self._fits],
                "left_out": [one.left_out for one in self._fits],
                "terms": len(self._design.columns),
                "steps": [one.found.steps for one in self._fits],
            }
        )

    def means(self, *factors: str, level: float | None = None) -> pd.DataFrame:
        """Adjusted means of a factor's levels, or of the combinations of several factors' levels.

        Parameters
        ----------
        factors : names of factors that are categories; the others are averaged over their levels,
            numbers taken at their mean.
        level : share of intervals that should hold, default as in the fit.

        Returns
        -------
        DataFrame: response, a column per factor, mean, se, df, ci_low, ci_high, ci_level.
        """
        level = self.level if level is None else checked_level(level)
        return means_of(self._design, self._fits, self._small, factors, level)

    def combined(self, factor: str, weights: pd.DataFrame) -> pd.DataFrame:
        """Sums of a factor's adjusted means, each with its own standard error.

        Parameters
        ----------
        factor : the factor.
        weights : a row per combination (named by the index), a column per level; levels without a
            column weigh nothing.

        Returns
        -------
        DataFrame: response, combination, estimate, se, df.
        """
        return combined_of(self._design, self._fits, self._small, factor, weights)

    def covariance(self, factor: str) -> dict[str, pd.DataFrame]:
        """The covariance of a factor's adjusted means, a frame level × level per response.

        Parameters
        ----------
        factor : the factor.

        Returns
        -------
        dict: response → DataFrame.
        """
        return covariance_of(self._design, self._fits, self._small, factor)

    def test(self, factor: str, weights: pd.DataFrame) -> pd.DataFrame:
        """Test that several sums of a factor's adjusted means are all zero.

        Parameters
        ----------
        factor : the factor.
        weights : as for `combined`; rows that don't follow from one another.

        Returns
        -------
        DataFrame: response, f, df, df_error, p.
        """
        rows = contrasts_of(self._design, factor, weights)
        found = [
            (one.name, *own.test(rows)) for one, own in zip(self._fits, self._small, strict=True)
        ]
        return pd.DataFrame(found, columns=["response", "f", "df", "df_error", "p"])

    def differences(
        self, factor: str, *, against: str | None = None, level: float | None = None
    ) -> pd.DataFrame:
        """Differences between a factor's adjusted means, for all of them at once.

        Parameters
        ----------
        factor : the factor.
        against : one level that the others are compared with; left out: all pairs.
        level : share of sets of intervals that should hold throughout, default as in the fit.

        Returns
        -------
        DataFrame: response, the factor (level), other_<factor>, difference, se, df, p, ci_low,
        ci_high, ci_level, pairs; p and interval hold for all pairs of a response at once (the
        studentised range; against one level, Dunnett's distribution).
        """
        level = self.level if level is None else checked_level(level)
        return differences_of(self._design, self._fits, self._small, factor, against, level)

    def summary(self) -> str:
        """What spreads in each response, and which levels were estimated as zero."""
        said = []
        for name, rows in self.sources.groupby("response", sort=False):
            parts = [
                f"{row.source} {row.sd:.2g}" if not row.at_zero else f"{row.source} none found"
                for row in rows.itertuples()
            ]
            said.append(f"{name}: standard deviations {', '.join(parts)}")
        return f"{'; '.join(said)}. Fitted by restricted likelihood; tests by {self.method}."


def _stacked(parts: list[dict]) -> pd.DataFrame:
    return pd.DataFrame({key: np.concatenate([part[key] for part in parts]) for key in parts[0]})


def fit_mixed(
    frame: pd.DataFrame,
    responses: str | Sequence[str],
    factors: Sequence[str],
    levels_of_error: Sequence[str | Sequence[str]],
    *,
    terms: str = "linear",
    method: str = "kenward-roger",
    level: float = 0.90,
) -> MixedFit:
    """Fit factors and several levels of error to one or more responses, by restricted likelihood.

    Question: what do the factors do, when rows share errors (the same taster, the same batch)?

    Parameters
    ----------
    frame : DataFrame, a row per observation.
    responses : column or columns of numbers; an empty cell means not answered and its row is left
        out for that response (counted in `figures`).
    factors : columns whose effects are wanted; numbers enter as a slope about their mean, anything
        else as categories.
    levels_of_error : columns whose groups share an error; several names in brackets mean their
        combinations, as in ["assessor", ("assessor", "dough"), "tasting"].
    terms : "linear" (each factor by itself) or "interactions" (all products of two as well).
    method : "kenward-roger" (also widens standard errors for variances known from few groups) or
        "satterthwaite" (looser where a variance is estimated as zero).
    level : share of intervals that should hold.

    Returns
    -------
    MixedFit: frames sources, tests, coefficients, figures; `means`, `differences`, `combined`,
    `covariance`, `test`, `summary`. Each term is tested averaged over the other factors' levels,
    numbers at their mean.

    Raises
    ------
    StudyProblems: a missing column, an empty cell in a factor or level of error, terms or levels
        of error that these rows can't tell apart, rows that repeat one another exactly, or two
        large groupings that cut across each other.

    Range: one large grouping, whatever is nested in it (up to 700 groups in one of its own), and
        up to 400 groups that cut across it; time grows in proportion to the rows. A variance may
        be estimated as zero: `at_zero` says so, and the test stays as strict as before. No
        slopes that differ by group.

    Source: Patterson and Thompson, Biometrika 58, 1971, 545-554; Kenward and Roger, Biometrics 53,
        1997, 983-997; Satterthwaite, Biometrics Bulletin 2, 1946, 110-114.

    >>> import pandas as pd
    >>> scores = pd.DataFrame({
    ...     "assessor": ["Ann"] * 4 + ["Bo"] * 4 + ["Cy"] * 4, "dough": list("AABB") * 3,
    ...     "chew": [3.0, 4, 6, 6, 2, 2, 4, 5, 4, 5, 5, 7]})
    >>> fit = fit_mixed(scores, "chew", ["dough"], ["assessor", ("assessor", "dough")])
    >>> fit.tests[["f", "df", "df_error"]].round(2).values.tolist()
    [[27.04, 1.0, 2.0]]
    >>> fit.means("dough")[["dough", "mean"]].round(2).values.tolist()
    [['A', 3.33], ['B', 5.5]]
    """
    level = checked_level(level)
    if method not in METHODS:
        raise problem_error(
            "options",
            column="method",
            found=f"'{method}'",
            expected=" or ".join(METHODS),
            mend=nearest(method, METHODS) or "choose one of them",
        )
    names = [responses] if isinstance(responses, str) else list(responses)
    values = read_responses(frame, names)
    design = read_factors(frame, factors, terms)
    levels = read_levels(frame, levels_of_error)
    return MixedFit(level, method, design, levels, fit_all(design, levels, values, names))
