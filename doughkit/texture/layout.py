"""Rows in groups (pieces of doughs, doughs of days): what is judged within groups, what between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.fitting.solving import dependencies


@dataclass(frozen=True, eq=False)
class Layout:
    """What one set of rows can be asked within groups and between them."""

    matrix: np.ndarray
    group: np.ndarray
    """Number of each row's group, from 0; of pieces, their doughs; of doughs, their days."""
    weights: np.ndarray
    count: np.ndarray
    """Weight of each group: the number of its rows, where all weigh 1."""
    means: np.ndarray
    within: np.ndarray
    inner: list[int]
    """Columns judged within groups; `outer`: the others, judged on the means of groups."""
    outer: list[int]
    mixed: np.ndarray
    """What each outer column shows within groups, as a sum of inner ones."""
    df: int

    @property
    def typical_count(self) -> float:
        return float(len(self.count) / (1 / self.count).sum())

    @property
    def design(self) -> np.ndarray:
        """The outer columns between groups, what the inner ones take along of them set aside."""
        return self.means[:, self.outer] - self.means[:, self.inner] @ self.mixed

    def averaged(self, columns: np.ndarray) -> np.ndarray:
        """The weighted mean of each group."""
        weighted = columns * self.weights.reshape(-1, *[1] * (columns.ndim - 1))
        sums = np.zeros((len(self.count), *columns.shape[1:]))
        np.add.at(sums, self.group, weighted)
        return sums / self.count.reshape(-1, *[1] * (columns.ndim - 1))


def lay_out(matrix: np.ndarray, group: np.ndarray, weights: np.ndarray | None = None) -> Layout:
    """Divide the columns between what is judged within groups and between them."""
    weights = np.ones(len(matrix)) if weights is None else weights
    count = np.bincount(group, weights=weights)
    means = np.array([np.bincount(group, weights=weights * one) for one in matrix.T]).T
    means = means.reshape(len(count), matrix.shape[1]) / count[:, None]
    within = matrix - means[group]
    within[np.abs(within) < 1e-12 * np.abs(matrix).max(axis=0)] = 0.0
    within = within * np.sqrt(weights)[:, None]
    outer = sorted(dependencies(within))
    inner = [column for column in range(matrix.shape[1]) if column not in outer]
    df = len(matrix) - len(count) - len(inner)
    if df < 1 and inner and not dependencies(means):
        # A few second rows can't judge anything by themselves; the means still can.
        inner, outer, df = [], list(range(matrix.shape[1])), 0
    mixed = np.linalg.lstsq(within[:, inner], within[:, outer], rcond=None)[0]
    return Layout(matrix, group, weights, count, means, within, inner, outer, mixed, max(df, 0))
