"""Least squares for rows + columns with gaps: the one computation behind the panel's means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import connected_components


@dataclass(frozen=True)
class TwoWay:
    """Fit of value = row + column on the cells that are there.

    row: each row's mean on the scale of all columns' mean, as if every column had met it.
    information: covariance of `row` over the variance of one cell, the columns taken as they are.
    row_ss, column_ss: each adjusted for the other; rest_ss on rest_df: what neither explains.
    column_trace: how much one unit of variance between columns adds to column_ss.
    """

    row: np.ndarray
    column: np.ndarray
    information: np.ndarray
    residual: np.ndarray
    row_ss: float
    column_ss: float
    rest_ss: float
    rest_df: int
    column_trace: float

    @property
    def rest_ms(self) -> float:
        return self.rest_ss / self.rest_df if self.rest_df else float("nan")


def islands(mask: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Groups of rows and columns that no cell links, as (rows, columns) of each."""
    rows, columns = mask.shape
    graph = np.zeros((rows + columns, rows + columns), dtype=np.int8)
    graph[:rows, rows:] = mask
    count, group = connected_components(graph, directed=False)
    return [
        (np.flatnonzero(group[:rows] == one), np.flatnonzero(group[rows:] == one))
        for one in range(count)
    ]


def fit_two_way(values: np.ndarray, mask: np.ndarray) -> TwoWay:
    """Fit rows + columns; every row and column has a cell and all are linked."""
    columns = mask.shape[1]
    met, seen = mask.sum(1), mask.sum(0)
    centre = values[mask].mean()
    # Centring first keeps the sums of squares exact for scores far from zero.
    y = np.where(mask, values - centre, 0.0)
    share = mask / met[:, None]
    reduced = np.diag(seen.astype(float)) - mask.T @ share
    wanted = y.sum(0) - share.T @ y.sum(1)
    wanted_of_rows = y.sum(1) - mask @ (y.sum(0) / seen)
    # `reduced` can't see a constant over all columns; the added 1/columns pins that mean to zero.
    inverse = np.linalg.inv(reduced + 1.0 / columns) - 1.0 / columns
    column = inverse @ wanted
    row = (y.sum(1) - mask @ column) / met
    residual = np.where(mask, y - row[:, None] - column, 0.0)
    rest_ss = float((residual**2).sum())
    column_ss = float(wanted @ column)
    row_ss = float(wanted_of_rows @ row)
    noise = mask.sum() * (1e-13 * max(1e-300, np.abs(values[mask]).max())) ** 2
    return TwoWay(
        row=row + centre,
        column=column,
        information=np.diag(1.0 / met) + share @ inverse @ share.T,
        residual=residual,
        row_ss=_clean(row_ss, noise),
        column_ss=_clean(column_ss, noise),
        rest_ss=_clean(rest_ss, noise),
        rest_df=int(mask.sum()) - len(met) - columns + 1,
        column_trace=float(np.trace(reduced)),
    )


def _clean(sum_square: float, noise: float) -> float:
    """Zero where only rounding is left, so that scores which agree exactly have no error."""
    return 0.0 if sum_square <= noise else sum_square
