"""A linear model with normal priors, for many sets of spreads at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp, ndtr

from doughkit.fitting.reduced import reduce_rows, solve_reduced

MOST_NUMBERS = 4_000_000
"""Covariances held in memory at a time."""
MANY_ROWS = 200
"""From here on rows are summed up by what they share: the same answer, sooner."""


@dataclass(frozen=True, eq=False)
class Posterior:
    """Coefficients given each set of spreads (h), and the weight of each set.

    mean : h × p, covariance : h × p × p, log_likelihood : h, weight : h, sums to 1
    """

    mean: np.ndarray
    covariance: np.ndarray
    log_likelihood: np.ndarray
    weight: np.ndarray

    def draw(self, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients as they may be, count × p, and the set of spreads behind each draw."""
        # Evenly spaced through the weights: as random, with less chance in it.
        at = (np.arange(count) + rng.random()) / count
        chosen = np.searchsorted(np.cumsum(self.weight), at).clip(max=len(self.weight) - 1)
        chosen = rng.permutation(chosen)
        used, place = np.unique(chosen, return_inverse=True)
        sizes, ways = np.linalg.eigh(self.covariance[used])
        # the symmetric root: the same on every machine, however it turns and signs the directions
        roots = (ways * np.sqrt(np.clip(sizes, 0, None))[:, None, :]) @ np.swapaxes(ways, 1, 2)
        normal = rng.normal(size=(count, self.mean.shape[1], 1))
        return self.mean[chosen] + (roots[place] @ normal)[:, :, 0], chosen

    def at(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and variance of sums of coefficients, each h × rows."""
        mean = self.mean @ rows.T
        return mean, np.einsum("rp,hpq,rq->hr", rows, self.covariance, rows, optimize=True)

    def moments(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation over all sets."""
        mean, variance = self.at(rows)
        whole = self.weight @ mean
        return whole, np.sqrt(self.weight @ (variance + (mean - whole) ** 2))


def same_group(labels: np.ndarray) -> np.ndarray:
    """Rows × rows: 1 where two rows share a label; a row numbered −1 shares with none."""
    return ((labels[:, None] == labels[None, :]) & (labels >= 0)[:, None]).astype(float)


def covariance_of(rows, prior, shared, spread) -> np.ndarray:
    """h × n × n covariance of the observations: priors of the terms and shared spreads.

    rows n × p; prior h × p and spread h × groups are variances; shared : one n × n per group
    """
    total = (rows[None] * prior[:, None, :]) @ rows.T
    for variance, same in zip(spread.T, shared, strict=True):
        total += variance[:, None, None] * same
    return total


def solve_posterior(
    rows, response, prior, groups, spread, noise, log_chance: np.ndarray | float = 0.0
) -> Posterior:
    """Posterior and marginal likelihood of one response.

    groups are labels of the rows (−1: shared with none); spread has one column per group and a
    last one for the single observation; noise is n × n, known; log_chance is what each set of
    spreads counts beforehand.
    """
    by = _row_by_row if len(rows) < MANY_ROWS else _by_what_is_shared
    mean, covariance, likelihood = by(rows, response, prior, groups, spread, noise)
    counted = likelihood + log_chance
    weight = np.exp(counted - logsumexp(counted))
    return Posterior(mean, covariance, likelihood, weight)


def _row_by_row(rows, response, prior, groups, spread, noise) -> tuple:
    count, size = rows.shape
    shared = [same_group(labels) for labels in groups]
    own = noise[None] + spread[:, -1, None, None] * np.eye(count)
    at_once = max(1, MOST_NUMBERS // max(count * count, 1))
    parts = []
    for start in range(0, len(prior), at_once):
        some = slice(start, start + at_once)
        total = covariance_of(rows, prior[some], shared, spread[some, :-1]) + own[some]
        root = _root(total)
        both = np.broadcast_to(np.column_stack([rows, response]), (len(root), count, size + 1))
        white = np.linalg.solve(root, both)
        square = np.swapaxes(white, 1, 2) @ white
        scale = prior[some]
        mean = scale * square[:, :size, size]
        taken = scale[:, :, None] * square[:, :size, :size] * scale[:, None, :]
        covariance = scale[:, :, None] * np.eye(size) - taken
        log_size = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        likelihood = -0.5 * square[:, size, size] - log_size - 0.5 * count * np.log(2 * np.pi)
        parts.append((mean, covariance, likelihood))
    return tuple(np.concatenate(part) for part in zip(*parts, strict=True))


def _root(total: np.ndarray) -> np.ndarray:
    """Cholesky's root; of observations all alike, whose chance spread fades, a hair is added."""
    try:
        return np.linalg.cholesky(total)
    except np.linalg.LinAlgError:
        size = total.shape[-1]
        hair = 1e-9 * np.trace(total, axis1=1, axis2=2)[:, None, None] / size
        return np.linalg.cholesky(total + hair * np.eye(size))


def _by_what_is_shared(rows, response, prior, groups, spread, noise) -> tuple:
    reduced = reduce_rows(rows, response, groups, noise)
    parts = [solve_reduced(reduced, *one) for one in zip(prior, spread, strict=True)]
    return tuple(np.array(part) for part in zip(*parts, strict=True))


def mixture_quantile(share: float, mean, sd, weight) -> np.ndarray:
    """Quantile of a weighted mixture of normals, by halving; mean and sd are h × rows."""
    reach = 10 * np.maximum(sd, 1e-300)
    low, high = (mean - reach).min(axis=0), (mean + reach).max(axis=0)
    safe = np.maximum(sd, 1e-300)
    for _ in range(60):
        middle = (low + high) / 2
        below = weight @ ndtr((middle - mean) / safe) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
