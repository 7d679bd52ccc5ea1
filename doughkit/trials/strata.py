"""What a model's columns can tell: ranks, what travels together, errors by dough and by piece."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.stats import ncf, t

NEAR_NOTHING = 1e-7
"""Relative size below which a direction of the model counts as never baked."""

CHANCE_TO_FIND = 0.8


@dataclass(frozen=True)
class Layout:
    """Pieces × columns (intercept first) with the dough of each piece, and the two variances."""

    columns: np.ndarray
    dough: np.ndarray
    """Number of the dough of each piece, from 0 without gaps."""
    dough_variance: float
    piece_variance: float
    day: np.ndarray | None = None
    """Number of the bake day of each piece; None: one day, or days are no matter."""
    day_variance: float = 0.0

    @property
    def doughs(self) -> np.ndarray:
        return np.eye(self.dough.max() + 1)[self.dough]

    def within(self) -> np.ndarray:
        """Columns with every dough's mean taken off."""
        return self.columns - dough_means(self.columns, self.dough)

    def within_days(self) -> np.ndarray:
        """The doughs' means with every day's mean taken off."""
        means = dough_means(self.columns, self.dough)
        return means - dough_means(means, self.day)

    def degrees(self) -> dict[str, int]:
        """Differences left over between doughs and between pieces, once the model has its share."""
        both = rank(np.hstack([self.doughs, self.columns]))
        return {"dough": both - rank(self.columns), "piece": len(self.columns) - both}

    def degrees_by_day(self) -> dict[str, int]:
        """The same where a factor is set once a day: first between days, then doughs of a day."""
        days = np.eye(self.day.max() + 1)[self.day]
        by_day = rank(np.hstack([days, self.columns]))
        by_dough = rank(np.hstack([days, self.doughs, self.columns]))
        return {
            "day": by_day - rank(self.columns),
            "dough": by_dough - by_day,
            "piece": len(self.columns) - by_dough,
        }

    def white(self) -> np.ndarray:
        """The columns in units of their error: days, doughs and pieces each with their own."""
        white = self._white_doughs(self.columns)
        if self.day is None or not self.day_variance or self.day.max() == 0:
            return white
        days = self._white_doughs(np.eye(self.day.max() + 1)[self.day])
        shared, sizes, _ = np.linalg.svd(days, full_matrices=False)
        kept = 1 - 1 / np.sqrt(1 + self.day_variance * sizes**2)
        return white - shared @ (kept[:, None] * (shared.T @ white))

    def _white_doughs(self, columns: np.ndarray) -> np.ndarray:
        counts = np.bincount(self.dough)[self.dough]
        whole = self.piece_variance + counts * self.dough_variance
        kept = 1 - np.sqrt(self.piece_variance / whole)
        means = dough_means(columns, self.dough)
        return (columns - kept[:, None] * means) / np.sqrt(self.piece_variance)

    def covariance(self) -> np.ndarray:
        """Of the coefficients by generalised least squares, given the two variances."""
        triangle = np.linalg.qr(self.white(), mode="r")
        _, sizes, directions = np.linalg.svd(triangle, full_matrices=False)
        known = sizes > NEAR_NOTHING * sizes[0]
        told = directions[known] / sizes[known, None]
        return told.T @ told


def dough_means(columns: np.ndarray, dough: np.ndarray) -> np.ndarray:
    """The mean of each column over the dough of each piece, one row per piece."""
    sums = np.zeros((dough.max() + 1, columns.shape[1]))
    np.add.at(sums, dough, columns)
    return (sums / np.bincount(dough)[:, None])[dough]


def rank(matrix: np.ndarray) -> int:
    """Number of directions in a matrix, relative to its largest."""
    if not matrix.size:
        return 0
    sizes = np.linalg.svd(np.linalg.qr(matrix, mode="r"), compute_uv=False)
    return int((sizes > NEAR_NOTHING * max(sizes[0], 1.0)).sum())


def never_baked(columns: np.ndarray) -> np.ndarray:
    """Projector onto the directions of the model that no piece tells anything about."""
    triangle = np.linalg.qr(columns, mode="r")
    _, sizes, directions = np.linalg.svd(triangle, full_matrices=True)
    known = int((sizes > NEAR_NOTHING * max(sizes[0], 1.0)).sum()) if sizes.size else 0
    unknown = directions[known:]
    return unknown.T @ unknown


def can_be_told(contrast: np.ndarray, unknown: np.ndarray) -> bool:
    """Whether a contrast lies wholly in what was baked."""
    return bool(np.abs(unknown @ contrast).max(initial=0.0) < 1e-6 * np.abs(contrast).max())


def groups_together(unknown: np.ndarray) -> list[tuple[list[int], int]]:
    """Sets of columns that travel together, each with the number that can be told among them."""
    links = np.abs(unknown) > 1e-6
    left = set(np.flatnonzero(np.diag(links)))
    groups = []
    while left:
        group, edge = set(), {min(left)}
        while edge:
            group |= edge
            edge = {int(i) for one in edge for i in np.flatnonzero(links[one])} - group
        left -= group
        members = sorted(int(one) for one in group)
        lost = round(float(np.trace(unknown[np.ix_(members, members)])))
        groups.append((members, len(members) - lost))
    return groups


def smallest_found(error: float, degrees: float, level: float) -> float:
    """The true difference that would be found 8 times in 10, its interval at `level` off zero.

    No leftover differences (degrees 0): no answer, NaN.
    """
    if not degrees > 0 or not np.isfinite(error):
        return np.nan
    return error * _errors_needed(degrees, level)


@lru_cache(maxsize=256)
def _errors_needed(degrees: float, level: float) -> float:
    """That difference in standard errors; the two-sided t test as an F test on one difference."""
    limit = t.ppf((1 + level) / 2, degrees) ** 2

    def short_of(shift: float) -> float:
        return ncf.sf(limit, 1, degrees, shift**2) - CHANCE_TO_FIND

    far = 2.0
    while short_of(far) < 0:
        far *= 2
    return float(brentq(short_of, 1e-6, far))
