"""The likelihood of ordered answers, its slope, and the search for its highest point."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from doughkit.fitting.mixed_layout import Level
from doughkit.fitting.ordered_integral import integrate, integrate_twice, log_chance, slopes

POINTS = 20
"""Points of each integral; 10 already give seven digits for a small panel."""

WIDE, FINER = 2.0, (80, 40)
"""Where people's spread is beyond WIDE logistic units, integrands are far from normal: the fit is
ended with more points (with one level of error, with two)."""

FLAT = 1e-8
"""A curvature (each parameter's own taken as 1) below this in some direction is no peak."""


@dataclass(frozen=True, eq=False)
class Found:
    """The best point: thresholds, effects, spread of each level; covariance in that order (levels
    whose spread is zero left out; endless where the likelihood has no single peak); the log
    likelihood."""

    cut: np.ndarray
    beta: np.ndarray
    spread: np.ndarray
    covariance: np.ndarray
    log_likelihood: float


@dataclass(frozen=True, eq=False)
class Model:
    """Columns without a constant, each row's category from 0, and the levels of error.

    A point is: the first threshold, logs of the further steps, effects, spreads.
    """

    columns: np.ndarray
    category: np.ndarray
    levels: list[Level]
    points: int = POINTS

    @property
    def cuts(self) -> int:
        return int(self.category.max())

    @property
    def fixed(self) -> int:
        return self.cuts + self.columns.shape[1]

    def fit(self) -> Found:
        """The highest likelihood; a level's spread is zero where that is no worse."""
        plain = self._best(self._start(), [])
        choices = [([], plain)]
        choices += [([one], self._best(np.append(plain, 1.0), [one])) for one in self.levels]
        if len(self.levels) == 2:
            single = max(choices[1:], key=lambda one: self.log_likelihood(one[1], one[0])[0])[1]
            start = np.append(single, 0.5 * max(abs(single[-1]), 0.5))
            choices.append((self.levels, self._best(start, self.levels)))
        best = choices[0]
        for one in choices[1:]:
            gain = self.log_likelihood(one[1], one[0])[0] - self.log_likelihood(best[1], best[0])[0]
            best = one if gain > 1e-8 else best
        at, levels = best[1], best[0]
        if np.abs(at[self.fixed :]).max(initial=0) <= WIDE:
            return self._found(at, levels)
        finer = replace(self, points=FINER[len(levels) - 1])
        return finer._found(finer._best(at, levels), levels)

    def _start(self) -> np.ndarray:
        share = np.cumsum(np.bincount(self.category))[:-1] / self.category.size
        return np.concatenate(
            [_steps(np.log(share / (1 - share))), np.zeros(self.fixed - self.cuts)]
        )

    def _best(self, at: np.ndarray, levels: list[Level]) -> np.ndarray:
        def away(at):
            value, slope = self.log_likelihood(at, levels)
            return -value, -slope

        at = optimize.minimize(away, at, jac=True, method="BFGS", options={"gtol": 1e-6}).x
        for _ in range(3):
            try:
                half = np.linalg.cholesky(_curve(lambda x: away(x)[1], at))
            except np.linalg.LinAlgError:
                return at
            value, slope = away(at)
            after = at - np.linalg.solve(half.T, np.linalg.solve(half, slope))
            if not away(after)[0] <= value:
                return at
            at = after
        return at

    def _found(self, at: np.ndarray, levels: list[Level]) -> Found:
        cuts = self.cuts

        def slope(plain):
            """With thresholds themselves in place of their steps."""
            own = np.concatenate([_steps(plain[:cuts]), plain[cuts:]])
            found = -self.log_likelihood(own, levels)[1]
            return np.concatenate(
                [np.linalg.solve(_turn(own[:cuts]).T, found[:cuts]), found[cuts:]]
            )

        cut = _cuts(at[:cuts])
        curve = _curve(slope, np.concatenate([cut, at[cuts:]]))
        spread = dict(zip([one.name for one in levels], np.abs(at[self.fixed :]), strict=True))
        return Found(
            cut,
            at[cuts : self.fixed],
            np.array([float(spread.get(one.name, 0.0)) for one in self.levels]),
            _covariance(curve),
            self.log_likelihood(at, levels)[0],
        )

    def log_likelihood(self, at: np.ndarray, levels: list[Level]) -> tuple[float, np.ndarray]:
        """Value and slope with spreads of the given levels."""
        cuts = self.cuts
        shift = self.columns @ at[cuts : self.fixed]
        edges = np.concatenate([[-np.inf], _cuts(at[:cuts]), [np.inf]])
        low, high = edges[self.category] - shift, edges[self.category + 1] - shift
        spread, codes = at[self.fixed :], [one.code for one in levels]
        if not levels:
            value, (up, down), moved = log_chance(low, high).sum(), slopes(low, high), []
        elif len(levels) == 1:
            found = integrate(low[:, None], high[:, None], codes[0], spread[0], self.points)
            value, up, down = found.log.sum(), found.up[:, 0], found.down[:, 0]
            moved = [-found.moved.sum()]
        else:
            value, up, down, moved = integrate_twice(low, high, codes, spread, self.points)
        of_cut = np.bincount(self.category, weights=up, minlength=cuts + 1)[:-1]
        of_cut += np.bincount(self.category, weights=down, minlength=cuts + 1)[1:]
        slope = [of_cut @ _turn(at[:cuts]), -(up + down) @ self.columns, moved]
        return float(value), np.concatenate(slope)


def _covariance(curve: np.ndarray) -> np.ndarray:
    """The curvature turned over; endless where it is not that of a peak."""
    size = np.sqrt(np.abs(np.diag(curve)))
    if not (np.isfinite(curve).all() and (size > 0).all()):
        return np.full(curve.shape, np.inf)
    least = np.linalg.eigvalsh(curve / np.outer(size, size)).min()
    return np.linalg.inv(curve) if least > FLAT else np.full(curve.shape, np.inf)


def _cuts(steps: np.ndarray) -> np.ndarray:
    return np.cumsum(np.concatenate([steps[:1], np.exp(np.clip(steps[1:], -30, 30))]))


def _steps(cut: np.ndarray) -> np.ndarray:
    return np.concatenate([cut[:1], np.log(np.maximum(np.diff(cut), 1e-12))])


def _turn(steps: np.ndarray) -> np.ndarray:
    """How each threshold moves with the first one and the logs of the further steps."""
    turn = np.tril(np.ones((steps.size, steps.size)))
    turn[:, 1:] *= np.exp(np.clip(steps[1:], -30, 30))
    return turn


def _curve(slope: Callable[[np.ndarray], np.ndarray], at: np.ndarray) -> np.ndarray:
    step = 1e-5
    rows = [
        (slope(at + step * unit) - slope(at - step * unit)) / (2 * step) for unit in np.eye(at.size)
    ]
    return (np.array(rows) + np.array(rows).T) / 2
