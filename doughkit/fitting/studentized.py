"""The studentised range, many values at once: what all pairs of doughs are judged by."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.polynomial import Chebyshev
from scipy import optimize, special, stats

_Z, _Z_WEIGHT = np.polynomial.legendre.leggauss(96)
_FINE = np.polynomial.legendre.leggauss(256)
"""For more than thirty groups, whose lowest mean lies in a narrow place."""
_S, _S_WEIGHT = np.polynomial.legendre.leggauss(64)
_REACH = 8.5
"""Normal deviates beyond this carry less than 1e-16."""
REACHED = 24.0
"""A range that nothing but chance does not reach, unless the error is hardly known."""

LEAST_DF = 1.0
"""With less than this to know the error by, every difference is judged by itself (Bonferroni)."""


MANY, NODES = 2000, 256
"""Of more values than this the chance is read off a polynomial through so many of them."""


def range_sf(q: np.ndarray, groups: int, df: float) -> np.ndarray:
    """Chance that the range of `groups` means over their standard error exceeds `q`.

    Two Gauss-Legendre sums: over the normal deviate of the lowest mean and over the error's own
    spread. Within 1e-9 of scipy's own integration for 2-200 groups on groups − 1 to 500 df, and
    fast for many pairs, which scipy's is not; at fewer df within 1e-4.
    """
    q = np.atleast_1d(np.asarray(q, dtype=float))
    if df < LEAST_DF:
        return _each_alone(q / np.sqrt(2), groups * (groups - 1) // 2, df)
    if q.size <= MANY or _summed(np.array([REACHED]), groups, df)[0] > 1e-9:
        return _summed(q, groups, df)
    curve = Chebyshev.interpolate(lambda at: _summed(at, groups, df), NODES, domain=[0, REACHED])
    return np.where(q < REACHED, np.clip(curve(np.minimum(q, REACHED)), 0, 1), 0.0)


def _summed(q: np.ndarray, groups: int, df: float) -> np.ndarray:
    s, s_weight = _error_nodes(df)
    at, weight = (_Z, _Z_WEIGHT) if groups <= 30 else _FINE
    z = _REACH * at
    density = _REACH * weight * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    width = q[:, None, None] * s[None, :, None]
    inside = special.ndtr(z) - special.ndtr(z - width)
    chance = groups * (inside ** (groups - 1) @ density)
    return np.clip(1 - chance @ s_weight, 0, 1)


def _each_alone(t: np.ndarray, count: int, df: float) -> np.ndarray:
    """Bonferroni's bound for `count` differences, where the sums lose their digits."""
    return np.minimum(1, 2 * count * stats.t.sf(t, df))


def _error_nodes(df: float) -> tuple[np.ndarray, np.ndarray]:
    if np.isinf(df):
        return np.ones(1), np.ones(1)
    low, high = np.sqrt(stats.chi2.ppf([1e-15, 1 - 1e-15], df) / df)
    half = (high - low) / 2
    s = low + half * (1 + _S)
    log = (df - 1) * np.log(s) - df * s * s / 2
    log += df / 2 * np.log(df) - special.gammaln(df / 2) - (df / 2 - 1) * np.log(2)
    return s, half * _S_WEIGHT * np.exp(log)


@lru_cache(maxsize=256)
def range_point(level: float, groups: int, df: float) -> float:
    """The value that the studentised range stays below with chance `level`."""

    if df < LEAST_DF:
        pairs = groups * (groups - 1) // 2
        return float(np.sqrt(2) * stats.t.isf((1 - level) / (2 * pairs), df))

    def above(q):
        return range_sf(q, groups, df)[0] - (1 - level)

    high = 8.0
    while above(high) > 0:
        high *= 2
    return float(optimize.brentq(above, 0, high, xtol=1e-10))


def control_sf(t: np.ndarray, others: int, df: float, shared: float) -> np.ndarray:
    """Chance that the largest of `others` |t| against one control exceeds `t` (Dunnett).

    `shared`: the correlation of any two of the differences, ½ where all means are known alike.
    """
    t = np.atleast_1d(np.asarray(t, dtype=float))
    if df < LEAST_DF:
        return _each_alone(t, others, df)
    s, s_weight = _error_nodes(df)
    z = _REACH * _Z
    density = _REACH * _Z_WEIGHT * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    shared = min(max(shared, 0.0), 1 - 1e-9)
    width = t[:, None, None] * s[None, :, None] / np.sqrt(1 - shared)
    middle = z * np.sqrt(shared / (1 - shared))
    inside = special.ndtr(middle + width) - special.ndtr(middle - width)
    chance = inside**others @ density
    return np.clip(1 - chance @ s_weight, 0, 1)


@lru_cache(maxsize=256)
def control_point(level: float, others: int, df: float, shared: float) -> float:
    """The value that the largest |t| against one control stays below with chance `level`."""

    if df < LEAST_DF:
        return float(stats.t.isf((1 - level) / (2 * others), df))

    def above(t):
        return control_sf(t, others, df, shared)[0] - (1 - level)

    high = 6.0
    while above(high) > 0:
        high *= 2
    return float(optimize.brentq(above, 0, high, xtol=1e-10))
