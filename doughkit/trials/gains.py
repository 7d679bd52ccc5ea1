"""What a changed level gains, from small matrices and without a determinant of the whole.

A changed level adds new rows to a plan and takes old ones away.
"""

from __future__ import annotations

import numpy as np

SINGULAR = 1e-6


def forms_of(weights: np.ndarray) -> np.ndarray:
    """From products of rows, two by two, to old · old, then old · new and new · new of each level.

    weights: levels × nodes; the rows are the old one and the nodes.
    """
    old = np.eye(1 + weights.shape[1])[:1]
    new = np.hstack([np.zeros((len(weights), 1)), weights])
    pairs = [
        (one[:, :, None] * other[:, None, :]).reshape(len(other), -1)
        for one, other in ((old, old), (old, new), (new, new))
    ]
    return np.vstack(pairs).T


def gains(old, new, matrices, forms) -> np.ndarray:
    """What each level gains (plan × level): in log determinant, or in mean error variance.

    old: plan × row × term, new: plan × node × row × term; matrices: the inverse information, and
    for the variance that, the moments and that again multiplied. First the new rows are added,
    which is always safe, then the old ones are taken away; -inf where that leaves a term unknown.
    """
    (oo, on, nn), *beside = _products(old, new, matrices, forms)
    rows = len(oo)
    one = np.eye(rows)[:, :, None, None]
    added = _inverse(nn + one)
    carried = _times(on, added)
    left = one - oo + _times(carried, _turned(on))
    size = _determinant(left)
    safe = size > SINGULAR
    if not beside:
        gain = np.log(_determinant(nn + one)) + np.log(np.where(safe, size, 1.0))
        return np.where(safe, gain, -np.inf)
    left = np.where(safe, left, one)
    oo, on, nn = beside[0]
    across = _times(carried, _turned(on))
    lost = oo - across - _turned(across) + _times(_times(carried, nn), _turned(carried))
    gain = (added * nn).sum(axis=(0, 1)) - (_inverse(left) * lost).sum(axis=(0, 1))
    return np.where(safe, gain, -np.inf)


def _products(old, new, matrices, forms):
    """old · matrix · old, old · matrix · new, new · matrix · new for each matrix.

    Each row × row × plan × level, so that sums over few rows run over long arrays.
    """
    plans, nodes, rows, terms = new.shape
    both = np.concatenate([old[:, None], new], axis=1).reshape(plans, -1, terms)
    products = both @ matrices @ both.mT
    products = products.reshape(-1, plans, 1 + nodes, rows, 1 + nodes, rows)
    pairs = products.transpose(0, 3, 5, 1, 2, 4).reshape(-1, rows, rows, plans, (1 + nodes) ** 2)
    levels = forms.shape[1] // 2
    return [
        (one[..., :1], one[..., 1 : 1 + levels], one[..., 1 + levels :]) for one in pairs @ forms
    ]


def _turned(matrix):
    return matrix.swapaxes(0, 1)


def _times(one, other):
    """Products of matrices that stand in the first two axes."""
    if len(one) == 1:
        return one * other
    return (one[:, :, None] * other[None]).sum(axis=1)


def _determinant(matrix):
    if len(matrix) == 1:
        return matrix[0, 0]
    if len(matrix) == 2:
        return matrix[0, 0] * matrix[1, 1] - matrix[0, 1] * matrix[1, 0]
    return np.linalg.det(np.moveaxis(matrix, (0, 1), (-2, -1)))


def _inverse(matrix):
    if len(matrix) == 1:
        return 1 / matrix
    if len(matrix) == 2:
        turned = matrix[::-1, ::-1] * np.array([[1.0, -1.0], [-1.0, 1.0]])[:, :, None, None]
        return _turned(turned) / _determinant(matrix)
    return np.moveaxis(np.linalg.inv(np.moveaxis(matrix, (0, 1), (-2, -1))), (-2, -1), (0, 1))
