"""Small Bayesian regression: terms held near nothing as far as the data let them be."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doughkit.fitting.assumptions import Assumed, Sample, read_assumptions
from doughkit.fitting.design import checked_level, design_matrix
from doughkit.fitting.posterior import Posterior, solve_posterior
from doughkit.fitting.shrunk import Part, ShrinkageFit
from doughkit.tables.problems import Problem, StudyProblems

PASSES = 6
ENOUGH = 12.0
WIDER = 1.3
LEAST = 0.05
"""Passes in search of the likely spreads, sets that must carry weight, how much wider each pass
looks than the last found, and the least it looks around, in standard deviations."""


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
    assumed = Assumed(named, names)
    misfit = float(named.loc["misfit", "share"])
    spreads = [*groups.columns, "piece"]
    numbers = [pd.factorize(groups[name])[0] for name in groups.columns]
    parts = {}
    for name in responses.columns:
        there = responses[name].notna().to_numpy()
        low, high = (float(end) for end in scales[name])
        length, middle = high - low, (low + high) / 2
        known = np.zeros((len(rows), len(rows))) if name not in (noise or {}) else noise[name]
        known = np.asarray(known, dtype=float)[np.ix_(there, there)] / length**2
        given = (
            rows.to_numpy()[there],
            (responses[name].to_numpy(float)[there] - middle) / length,
            [number[there] for number in numbers],
            known,
        )

        def solve(sample, given=given):
            prior, spread = (sample.sizes[kind].to_numpy() ** 2 for kind in (term_kinds, spreads))
            columns, response, labels, noise = given
            return solve_posterior(
                columns, response, prior, labels, spread, noise, sample.log_chance
            )

        sample, posterior = weigh_spreads(assumed, solve)
        prior, spread = (sample.sizes[kind].to_numpy() ** 2 for kind in (term_kinds, spreads))
        following = spread.sum(axis=1) + float(np.mean(np.diag(known)))
        parts[name] = Part(
            posterior, sample, middle, length, following, misfit, prior, int(there.sum())
        )
    return ShrinkageFit(level, tuple(rows.columns), parts)


def weigh_spreads(assumed: Assumed, solve) -> tuple[Sample, Posterior]:
    """An even sample of the spreads; where the data leave only few sets of it, a denser one there.

    Each pass looks around what the last found, first cautiously, until enough sets carry weight.
    """
    sample = assumed.even()
    posterior = solve(sample)
    for _ in range(PASSES):
        weight = posterior.weight
        if len(weight) == 1 or carrying(weight) >= ENOUGH:
            break
        weight = tempered(weight)
        middle = weight @ sample.places
        off = sample.places - middle
        spread = (weight[:, None] * off).T @ off + LEAST**2 * np.eye(len(middle))
        sample = assumed.around(middle, WIDER * np.linalg.cholesky(spread))
        posterior = solve(sample)
    return sample, posterior


def carrying(weight: np.ndarray) -> float:
    """How many equal weights would be worth as much."""
    return float(1 / (weight**2).sum())


def tempered(weight: np.ndarray) -> np.ndarray:
    """The weights evened out until enough sets carry some."""
    low, high = 0.0, 1.0
    logs = np.log(np.maximum(weight, 1e-300))
    for _ in range(30):
        power = (low + high) / 2
        even = np.exp(power * (logs - logs.max()))
        even = even / even.sum()
        low, high = (power, high) if carrying(even) > ENOUGH / 2 else (low, power)
    return even


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
