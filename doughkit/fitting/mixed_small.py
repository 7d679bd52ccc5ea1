"""Small samples: how far tests and intervals of a mixed fit can lean on its variances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from doughkit.fitting.mixed_reml import State

METHODS = ("kenward-roger", "satterthwaite")


@dataclass(frozen=True, eq=False)
class Small:
    """What a method needs beside the estimate; all but `covariance` in units of one row's variance.

    covariance: of the estimates, as the method reports it; plain: over one row's variance.
    moved[k]: how `plain` grows with each variance, one row's first; spread: covariance of the
    variances as the method takes it; expected: the same by their mean curvature.
    """

    method: str
    beta: np.ndarray
    covariance: np.ndarray
    plain: np.ndarray
    variance: float
    moved: np.ndarray
    spread: np.ndarray
    expected: np.ndarray

    def test(self, contrasts: np.ndarray) -> tuple[float, float, float, float]:
        """F, its two degrees of freedom and p of contrasts (rows) that are zero by hypothesis."""
        contrasts = np.atleast_2d(contrasts)
        found = contrasts @ self.beta
        q = len(contrasts)
        f = float(found @ np.linalg.solve(contrasts @ self.covariance @ contrasts.T, found)) / q
        if self.method == "kenward-roger":
            scale, df = self._kenward_roger(contrasts)
            f *= scale
        else:
            df = self._satterthwaite(contrasts)
        return f, q, df, float(stats.f.sf(f, q, df))

    def single(self, contrasts: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Estimate, standard error and degrees of freedom of each row by itself."""
        se = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, self.covariance, contrasts))
        if self.method == "kenward-roger":
            df = np.array([self._kenward_roger(row[None])[1] for row in contrasts])
        else:
            df = self._each_satterthwaite(contrasts)
        return contrasts @ self.beta, se, df

    def _kenward_roger(self, contrasts: np.ndarray) -> tuple[float, float]:
        q = len(contrasts)
        half = np.linalg.inv(contrasts @ self.plain @ contrasts.T)
        share = half @ (contrasts @ self.moved @ contrasts.T)
        traces = np.trace(share, axis1=1, axis2=2)
        a1 = traces @ self.spread @ traces
        a2 = float(np.einsum("kl,kij,lji->", self.spread, share, share))
        if a2 <= 0:
            return 1.0, np.inf
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        below = 3 * q + 2 * (1 - g)
        top = _clear(1 + g / below * b)
        first = _clear(1 - (q - g) / below * b)
        last = 1 - (q + 2 - g) / below * b
        mean = _clear(1 - a2 / q)
        ratio = 1.0 if mean == first == 0 else mean / first
        with np.errstate(divide="ignore"):  # endless is an answer here, and so is 4
            rho = ratio**2 * top / np.float64(last) / q
            df = 4 + (q + 2) / np.float64(q * rho - 1)
        if np.isinf(df):
            return 1 - a2 / q, np.inf
        scale = 1.0 if abs(df - 2) < 0.01 else df * (1 - a2 / q) / (df - 2)
        return float(scale), float(df)

    def _each_satterthwaite(self, contrasts: np.ndarray) -> np.ndarray:
        plain = np.einsum("ij,jk,ik->i", contrasts, self.plain, contrasts)
        moved = np.einsum("ij,kjl,il->ik", contrasts, self.moved, contrasts)
        return 2 * plain**2 / np.einsum("ik,kl,il->i", moved, self.spread, moved)

    def _satterthwaite(self, contrasts: np.ndarray) -> float:
        """One number for several contrasts, from those along the axes of their covariance."""
        if len(contrasts) == 1:
            return float(self._each_satterthwaite(contrasts)[0])
        axes = np.linalg.eigh(contrasts @ self.plain @ contrasts.T)[1]
        df = self._each_satterthwaite(axes.T @ contrasts)
        if np.ptp(df) < 1e-8:
            return float(df.mean())
        if (df <= 2).any():
            return 2.0
        gathered = (df / (df - 2)).sum()
        return float(2 * gathered / (gathered - len(df)))


def _clear(value: float) -> float:
    return 0.0 if abs(value) < 1e-10 else value


def small(found: State, terms: int, method: str) -> Small:
    """Prepare a method from the lowest point of REML."""
    x = slice(0, terms)
    ratio, plain = found.ratio, found.unscaled
    inside = found.pieces
    first = _with_rest(inside.whole[x, x], inside.first[:, x, x], ratio)
    moved = plain @ first @ plain
    coupled = _square_with_rest(found.df, found.projected, found.coupled, ratio)
    spread = expected = 2 * np.linalg.inv(coupled)
    if method == "kenward-roger":
        second = _second_with_rest(first, inside.second[:, :, x, x], ratio)
        more = np.tensordot(spread, second, 2) - np.einsum(
            "kl,kij,jm,lmn->in", spread, first, plain, first, optimize=True
        )
        covariance = found.variance * (plain + 2 * plain @ more @ plain)
    else:
        twice = _square_with_rest(found.rest, found.felt, found.felt_twice, ratio)
        kept = np.append(True, ratio > 0)
        curve = (2 * twice / found.variance - coupled)[np.ix_(kept, kept)]
        spread = np.zeros_like(coupled)
        spread[np.ix_(kept, kept)] = 2 * np.linalg.inv(curve)
        covariance = found.variance * plain
    return Small(method, found.beta, covariance, plain, found.variance, moved, spread, expected)


def _with_rest(whole: np.ndarray, first: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    """Put the single row's own variance before the levels: V = I + Σ g ZZ' gives it for nothing."""
    return np.concatenate([(whole - np.tensordot(ratio, first, 1))[None], first])


def _square_with_rest(total, single, double, ratio) -> np.ndarray:
    count = len(ratio)
    out = np.empty((count + 1, count + 1))
    out[1:, 1:] = double
    out[0, 1:] = out[1:, 0] = single - double @ ratio
    out[0, 0] = total - ratio @ single - out[0, 1:] @ ratio
    return out


def _second_with_rest(first: np.ndarray, second: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    count, terms = len(ratio), first.shape[1]
    out = np.empty((count + 1, count + 1, terms, terms))
    out[1:, 1:] = second
    out[0, 1:] = first[1:] - np.tensordot(ratio, second, 1)
    out[1:, 0] = out[0, 1:].transpose(0, 2, 1)
    out[0, 0] = first[0] - np.tensordot(ratio, out[1:, 0], 1)
    return out
