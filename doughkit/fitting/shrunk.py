"""What a fit with starting assumptions gives: read off the posterior when it is asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from doughkit.fitting.assumptions import Sample
from doughkit.fitting.design import checked_level, design_matrix
from doughkit.fitting.posterior import Posterior, mixture_quantile
from doughkit.tables.problems import problem_error

OUTER = 1.2816
"""Beyond this many standard deviations lies the top tenth of what was thought likely."""
CONFLICT = 0.5


@dataclass(frozen=True, eq=False)
class ShrinkageFit:
    """A fit with starting assumptions.

    coefficients : response, term, estimate, sd, ci_low, ci_high, ci_level, assumed_sd,
        share_from_assumptions (what is left of the variance assumed: 1, the data said nothing)
    spreads : response, assumption, assumed, assumed_low, assumed_high, found, found_low,
        found_high, in units of the response
    samples : response, sample, one column per assumption (in units of the response),
        log_likelihood, log_chance (what a set counts beforehand), weight
    figures : response, observations, log_likelihood, conflict (the largest weight that the data
        put on the top tenth of what was assumed of a spread; above one half they contradict it)
    """

    level: float
    terms: tuple[str, ...]
    parts: dict[str, Part] = field(repr=False)

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        return self._each(lambda part: _coefficients(list(self.terms), part, self.level))

    @cached_property
    def spreads(self) -> pd.DataFrame:
        return self._each(_spreads)

    @cached_property
    def samples(self) -> pd.DataFrame:
        return self._each(_samples)

    @cached_property
    def figures(self) -> pd.DataFrame:
        return self._each(_figures)

    def _each(self, frame_of) -> pd.DataFrame:
        """One frame from that of every response, its name in front."""
        frames = []
        for name, part in self.parts.items():
            frame = frame_of(part)
            frame.insert(0, "response", name)
            frames.append(frame)
        return pd.concat(frames, ignore_index=True)

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
        return self._each(lambda part: part.predict(rows, level))

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
class Part:
    """One response: its posterior in shares of the scale, and the way back to its units."""

    posterior: Posterior
    sample: Sample
    middle: float
    length: float
    next_variance: np.ndarray
    misfit: float
    prior: np.ndarray
    count: int

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Coefficients in units of the response, count × terms."""
        drawn = self.posterior.draw(count, rng)[0] * self.length
        drawn[:, 0] += self.middle
        return drawn

    def interval(self, rows: np.ndarray, level: float, *, following: bool) -> tuple:
        """Ends of the interval of the long-run mean, or of one more observation."""
        mean, variance = self.posterior.at(rows)
        more = self.misfit**2 + (self.next_variance[:, None] if following else 0.0)
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


def _coefficients(terms: list[str], part: Part, level: float) -> pd.DataFrame:
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


def _spreads(part: Part) -> pd.DataFrame:
    chance = np.exp(part.sample.log_chance - logsumexp(part.sample.log_chance))
    rows = []
    for name in part.sample.sizes.columns:
        values = part.length * part.sample.sizes[name].to_numpy()
        order = np.argsort(values)
        row = {"assumption": name}
        for word, weight in (("assumed", chance), ("found", part.posterior.weight)):
            sums = np.cumsum(weight[order])
            ends = [values[order][np.searchsorted(sums, at - 1e-9)] for at in (0.05, 0.95)]
            row |= {word: float(weight @ values), f"{word}_low": ends[0], f"{word}_high": ends[1]}
        rows.append(row)
    return pd.DataFrame(rows)


def _samples(part: Part) -> pd.DataFrame:
    # The likelihood of the values as they are, not as shares of the scale.
    likelihood = part.posterior.log_likelihood - part.count * np.log(part.length)
    frame = (part.length * part.sample.sizes).assign(
        log_likelihood=likelihood,
        log_chance=part.sample.log_chance,
        weight=part.posterior.weight,
    )
    frame.insert(0, "sample", np.arange(len(frame)))
    return frame


def _figures(part: Part) -> pd.DataFrame:
    outer = part.posterior.weight @ (part.sample.places > OUTER)
    counted = part.posterior.log_likelihood + part.sample.log_chance
    whole = logsumexp(counted) - np.log(len(counted)) - part.count * np.log(part.length)
    return pd.DataFrame(
        {
            "observations": [float(part.count)],
            "log_likelihood": [float(whole)],
            "conflict": [float(outer.max(initial=0.0))],
        }
    )
