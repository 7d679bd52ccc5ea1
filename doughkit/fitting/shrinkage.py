"""Small Bayesian regression: terms held near nothing as far as the data let them be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from doughkit.fitting.assumptions import read_assumptions, sample_assumptions
from doughkit.fitting.design import checked_level, design_matrix
from doughkit.fitting.posterior import Posterior, mixture_quantile, same_group, solve_posterior
from doughkit.tables.problems import Problem, StudyProblems, problem_error

OUTER = 1.6449
"""Beyond this many standard deviations lies an outer tenth of what was thought likely."""
CONFLICT = 0.5


@dataclass(frozen=True, eq=False)
class ShrinkageFit:
    """A fit with starting assumptions.

    coefficients : response, term, estimate, sd, ci_low, ci_high, ci_level, assumed_sd,
        share_from_assumptions (what is left of the variance assumed: 1, the data said nothing)
    spreads : response, assumption, assumed, assumed_low, assumed_high, found, found_low,
        found_high, in units of the response
    samples : response, sample, one column per assumption (in units of the response),
        log_likelihood, weight
    figures : response, observations, log_likelihood, conflict (the largest weight that the data
        put on an outer tenth of an assumption; above one half they contradict it)
    """

    coefficients: pd.DataFrame
    spreads: pd.DataFrame
    samples: pd.DataFrame
    figures: pd.DataFrame
    level: float
    terms: tuple[str, ...]
    parts: dict[str, _Part] = field(repr=False)

    def predict(self, design: pd.DataFrame, *, level: float | None = None) -> pd.DataFrame:
        """Predict each response at rows of the design.

        Parameters
        ----------
        design : DataFrame with the columns that the fit was given, in any order.
        level : share of intervals that should hold; as in the fit, unless said.

        Returns
        -------
        DataFrame, a row per response and row of the design: response, mean, sd, ci_low, ci_high (of
        the mean, the assumed misfit included), next_low, next_high (of one new observation of new
        groups), ci_level, share_from_assumptions.
        """
        level = self.level if level is None else checked_level(level)
        rows = self.rows(design)
        found = []
        for name, part in self.parts.items():
            frame = part.predict(rows, level)
            frame.insert(0, "response", name)
            found.append(frame)
        return pd.concat(found, ignore_index=True)

    def rows(self, design: pd.DataFrame) -> np.ndarray:
        """The design as an array, a column of ones first; refuses other columns than the fit's."""
        if set(design.columns) != set(self.terms[1:]):
            raise problem_error(
                "design",
                found=f"columns {', '.join(map(str, design.columns))}",
                expected=f"the columns of the fit: {', '.join(self.terms[1:])}",
                mend="give the same terms as in the fit",
            )
        return design_matrix(design[list(self.terms[1:])], True).to_numpy()

    def summary(self) -> str:
        """Say what was fitted and whether the data contradict an assumption."""
        count = self.figures["observations"]
        said = (
            f"{len(self.terms)} terms, {len(self.parts)} responses, "
            f"{int(count.min())} to {int(count.max())} observations each."
        )
        against = self.figures.loc[self.figures["conflict"] > CONFLICT, "response"]
        if len(against):
            said += f" The data contradict the starting assumptions: {', '.join(against)}."
        return said


@dataclass(frozen=True, eq=False)
class _Part:
    """One response: its posterior in shares of the scale, and the way back to its units."""

    posterior: Posterior
    middle: float
    length: float
    next_variance: np.ndarray
    misfit: float
    prior: np.ndarray

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Coefficients in units of the response, count × terms."""
        drawn = self.posterior.draw(count, rng)[0] * self.length
        drawn[:, 0] += self.middle
        return drawn

    def interval(self, rows: np.ndarray, level: float, *, following: bool) -> tuple:
        """Ends of the interval of the long-run mean, or of one more observation."""
        mean, variance = self.posterior.at(rows)
        more = self.misfit**2 + (self.next_variance[:, None] if following else 0.0)
        # What the data fix exactly has no misfit: a row of nothing but zeros can't stray.
        sd = np.sqrt(np.maximum(variance, 0) + more)
        ends = (
            mixture_quantile(share, mean, sd, self.posterior.weight)
            for share in ((1 - level) / 2, (1 + level) / 2)
        )
        return tuple(self.middle + self.length * one for one in ends)

    def predict(self, rows: np.ndarray, level: float) -> pd.DataFrame:
        mean, sd = self.posterior.moments(rows)
        ci = self.interval(rows, level, following=False)
        following = self.interval(rows, level, following=True)
        weight = self.posterior.weight
        left = weight @ self.posterior.at(rows)[1]
        before = weight @ (self.prior @ (rows**2).T)
        return pd.DataFrame(
            {
                "mean": self.middle + self.length * mean,
                "sd": self.length * sd,
                "ci_low": ci[0],
                "ci_high": ci[1],
                "next_low": following[0],
                "next_high": following[1],
                "ci_level": level,
                "share_from_assumptions": left / before,
            }
        )


def fit_shrinkage(
    design: pd.DataFrame,
    responses: pd.DataFrame,
    groups: pd.DataFrame | None = None,
    *,
    kinds: Mapping[str, str],
    scales: Mapping[str, tuple[float, float]],
    assumptions: pd.DataFrame | None = None,
    noise: Mapping[str, np.ndarray] | None = None,
    level: float = 0.90,
) -> ShrinkageFit:
    """Fit a sum of terms whose sizes are assumed beforehand, and corrected by the data.

    Question: what do a few observations say, beside what could be guessed before them?

    Each response has normal priors around the middle of its scale: a spread per kind of term, one
    per group (day, dough) and one of the single observation. The spreads are not known either: an
    even sample of what is thought likely is weighed by how well each set explains the data.

    Parameters
    ----------
    design : DataFrame of numbers
        One column per term as it enters the sum, one row per observation; a constant is added.
    responses : DataFrame of numbers
        One column per response, same rows; an empty cell was not observed.
    groups : DataFrame, optional
        One column per level of error, named as its assumption (`day`, `dough`); rows of one label
        share one deviation, an empty label shares none.
    kinds : mapping term → assumption
        The assumption that each column of the design falls under ("linear", "interaction", "bend").
    scales : mapping response → (low, high)
        Ends of the scale of which the assumptions are shares.
    assumptions : DataFrame, optional
        As `starting_assumptions` gives; log_sd 0 takes a spread as known.
    noise : mapping response → array, optional
        Known covariance of the observations (rows × rows, squared units of the response), as a
        panel's own repeats give it; it comes on top of the spread of pieces.
    level : float
        Share of intervals that should hold.

    Returns
    -------
    ShrinkageFit: coefficients, spreads, samples, figures; `predict`, `summary`. Intervals hold the
    doubt about the spreads too; degrees of freedom have no meaning here.

    Raises
    ------
    StudyProblems if a cell is no finite number, a term has no kind, a kind or group no assumption,
    a response no scale or no observation, or the noise does not fit the rows.

    Range: any number of observations, even none fewer than terms; with few, most of the answer is
    the assumption (`share_from_assumptions`).

    Source: A. E. Hoerl and R. W. Kennard 1970, Technometrics 12, 55 (shrinkage); D. V. Lindley and
    A. F. M. Smith 1972, J. R. Stat. Soc. B 34, 1 (normal priors, levels of error).

    >>> found = fit_shrinkage(pd.DataFrame({"minutes": [-1.0, -1, 0, 1, 1]}),
    ...     pd.DataFrame({"crispness": [3.0, 3.2, 4.1, 5.1, 4.9]}), kinds={"minutes": "linear"},
    ...     scales={"crispness": (1, 9)})
    >>> found.coefficients[["term", "estimate"]].round(1).values.tolist()
    [['constant', 4.1], ['minutes', 0.9]]
    """
    level = checked_level(level)
    rows = design_matrix(design, True)
    groups = pd.DataFrame(index=design.index) if groups is None else groups
    _refuse(rows, responses, groups, kinds, scales, noise or {})
    term_kinds = ["constant", *(kinds[name] for name in design.columns)]
    named = read_assumptions(assumptions, {*term_kinds, *groups.columns})
    names = [one for one in named.index if one in {*term_kinds, *groups.columns, "piece", "linear"}]
    sizes, z = sample_assumptions(named, names)
    misfit = float(named.loc["misfit", "share"])
    prior = sizes[term_kinds].to_numpy() ** 2
    spread = sizes[[*groups.columns, "piece"]].to_numpy() ** 2
    numbers = [pd.factorize(groups[name])[0] for name in groups.columns]
    parts, frames = {}, {"coefficients": [], "spreads": [], "samples": [], "figures": []}
    for name in responses.columns:
        there = responses[name].notna().to_numpy()
        low, high = (float(end) for end in scales[name])
        length, middle = high - low, (low + high) / 2
        known = np.zeros((len(rows), len(rows))) if name not in (noise or {}) else noise[name]
        known = np.asarray(known, dtype=float)[np.ix_(there, there)] / length**2
        posterior = solve_posterior(
            rows.to_numpy()[there],
            (responses[name].to_numpy(float)[there] - middle) / length,
            prior,
            [same_group(number[there]) for number in numbers],
            spread,
            known,
        )
        typical = float(np.mean(np.diag(known)))
        parts[name] = part = _Part(
            posterior, middle, length, spread.sum(axis=1) + typical, misfit, prior
        )
        found = {
            "coefficients": _coefficients(list(rows.columns), part, level),
            "spreads": _spreads(named.loc[names], sizes, part),
            "samples": _samples(sizes, part, int(there.sum())),
            "figures": _figures(z, part, int(there.sum())),
        }
        for key, frame in found.items():
            frame.insert(0, "response", name)
            frames[key].append(frame)
    joined = {key: pd.concat(each, ignore_index=True) for key, each in frames.items()}
    return ShrinkageFit(**joined, level=level, terms=tuple(rows.columns), parts=parts)


def _coefficients(terms: list[str], part: _Part, level: float) -> pd.DataFrame:
    unit = np.eye(len(terms))
    mean, sd = part.posterior.moments(unit)
    weight = part.posterior.weight
    centre, variance = part.posterior.at(unit)
    ends = (
        mixture_quantile(share, centre, np.sqrt(np.maximum(variance, 0)), weight)
        for share in ((1 - level) / 2, (1 + level) / 2)
    )
    low, high = (part.length * one for one in ends)
    shift = np.where(np.arange(len(terms)) == 0, part.middle, 0.0)
    before = weight @ part.prior
    return pd.DataFrame(
        {
            "term": terms,
            "estimate": part.length * mean + shift,
            "sd": part.length * sd,
            "ci_low": low + shift,
            "ci_high": high + shift,
            "ci_level": level,
            "assumed_sd": part.length * np.sqrt(before),
            "share_from_assumptions": (weight @ variance) / before,
        }
    )


def _spreads(named: pd.DataFrame, sizes: pd.DataFrame, part: _Part) -> pd.DataFrame:
    even = np.full(len(sizes), 1 / len(sizes))
    rows = []
    for name in named.index:
        values = part.length * sizes[name].to_numpy()
        order = np.argsort(values)
        row = {"assumption": name}
        for word, weight in (("assumed", even), ("found", part.posterior.weight)):
            sums = np.cumsum(weight[order])
            ends = [values[order][np.searchsorted(sums, at - 1e-12)] for at in (0.05, 0.95)]
            row |= {word: float(weight @ values), f"{word}_low": ends[0], f"{word}_high": ends[1]}
        rows.append(row)
    return pd.DataFrame(rows)


def _samples(sizes: pd.DataFrame, part: _Part, count: int) -> pd.DataFrame:
    # The likelihood of the values as they are, not as shares of the scale.
    likelihood = part.posterior.log_likelihood - count * np.log(part.length)
    frame = (part.length * sizes).assign(log_likelihood=likelihood, weight=part.posterior.weight)
    frame.insert(0, "sample", np.arange(len(sizes)))
    return frame


def _figures(z: pd.DataFrame, part: _Part, count: int) -> pd.DataFrame:
    outer = part.posterior.weight @ (np.abs(z.to_numpy()) > OUTER)
    likelihood = part.posterior.log_likelihood
    whole = logsumexp(likelihood) - np.log(len(z)) - count * np.log(part.length)
    return pd.DataFrame(
        {
            "observations": [float(count)],
            "log_likelihood": [float(whole)],
            "conflict": [float(outer.max(initial=0.0))],
        }
    )


def _refuse(rows, responses, groups, kinds, scales, noise) -> None:
    """Every fault of what was given, at once."""
    problems = [
        Problem("design", column=str(name), found="no kind", expected="an entry in kinds",
                mend="say under which assumption it falls")
        for name in rows.columns[1:]
        if name not in kinds
    ]  # fmt: skip
    for name, frame in (("responses", responses), ("groups", groups)):
        if len(frame) != len(rows):
            problems.append(
                Problem(name, found=f"{len(frame)} rows", expected=f"{len(rows)}, as the design",
                        mend="give one row per observation")
            )  # fmt: skip
    for name in responses.columns:
        values = responses[name].to_numpy(float)
        if not np.isfinite(values).any() or np.isinf(values).any():
            problems.append(
                Problem("responses", column=str(name), found="no finite value or an infinite one",
                        expected="at least one observation", mend="leave the response out")
            )  # fmt: skip
        low, high = scales.get(name, (np.nan, np.nan))
        if not low < high:
            problems.append(
                Problem("scales", key=f"response {name}", found=f"{low} to {high}",
                        expected="low below high", mend="give the ends of its scale")
            )  # fmt: skip
        if name in noise and np.shape(noise[name]) != (len(rows), len(rows)):
            problems.append(
                Problem("noise", key=f"response {name}", found=f"shape {np.shape(noise[name])}",
                        expected=f"{len(rows)} by {len(rows)}", mend="one row per observation")
            )  # fmt: skip
    if problems:
        raise StudyProblems(problems)
