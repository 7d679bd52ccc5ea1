"""Solving by least squares, and finding the columns that can't be separated.

The solving is statsmodels' own, by QR. Covariances come from the triangle R itself and not from
R'R as there: that loses every digit on steep polynomials.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg
from statsmodels.regression.linear_model import OLS

SAME_DIRECTION = 1e-10
"""A column is dependent when this share of its length, or less, is left outside the others."""


@dataclass(frozen=True, eq=False)
class Solved:
    """One least-squares solution; `coef` has a column per response."""

    coef: np.ndarray
    spread: np.ndarray
    """A square root of the unscaled covariance: spread @ spread.T times s² is the covariance."""
    leverage: np.ndarray
    residual: np.ndarray


def least_squares(design: np.ndarray, responses: np.ndarray) -> Solved:
    """Solve for one response (a vector) or several at once (a column each); full rank is assumed.

    >>> float(least_squares(np.ones((3, 1)), np.array([1.0, 2.0, 6.0])).coef[0])
    3.0
    """
    # Powers of two change no digit and keep steep polynomials from looking rank deficient.
    scale = np.exp2(np.round(np.log2(np.abs(design).max(axis=0))))
    results = OLS(responses, design / scale).fit(method="qr")
    q, r = np.linalg.qr(design / scale)
    inverse = linalg.solve_triangular(r, np.eye(len(r)))
    coef = (results.params.T / scale).T
    return Solved(
        coef, inverse / scale[:, None], (q**2).sum(axis=1), responses - results.fittedvalues
    )


def dependencies(design: np.ndarray) -> dict[int, list[int]]:
    """Columns that are sums of columns before them: column → the columns it is made of.

    >>> dependencies(np.array([[1.0, 2, 3], [1, 4, 5], [1, 5, 6], [1, 0, 1]]))
    {2: [0, 1]}
    """
    length = np.linalg.norm(design, axis=0)
    unit = design / np.where(length > 0, length, 1.0)
    if len(unit) > unit.shape[1]:
        # Which columns make which is the same for any turned frame, and this one is far shorter.
        unit = np.linalg.qr(unit, mode="r")
    kept: list[int] = []
    found: dict[int, list[int]] = {}
    for column in range(design.shape[1]):
        if length[column] == 0:
            found[column] = []
            continue
        share = np.linalg.lstsq(unit[:, kept], unit[:, column], rcond=None)[0]
        left = unit[:, column] - unit[:, kept] @ share
        if kept and np.linalg.norm(left) <= SAME_DIRECTION:
            found[column] = [one for one, part in zip(kept, share, strict=True) if abs(part) > 1e-6]
        else:
            kept.append(column)
    return found


def pure_error(groups: np.ndarray, y: np.ndarray) -> tuple[int, float]:
    """Degrees of freedom and sum of squares between repeats of one label.

    >>> pure_error(np.array([0, 0, 1]), np.array([1.0, 3.0, 7.0]))
    (1, 2.0)
    """
    _, place = np.unique(groups, return_inverse=True)
    count = np.bincount(place)
    mean = np.bincount(place, weights=y) / count
    return len(y) - len(count), float(((y - mean[place]) ** 2).sum())
