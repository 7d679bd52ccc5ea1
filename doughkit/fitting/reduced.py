"""The posterior of many rows, exactly, by way of the groups they share instead of row by row.

The covariance of the rows is noise + own spread + the sum over groups and terms of W W'. In the
noise's own directions all but the last is diagonal, and where directions are equally noisy only
their sums of products are needed: what is solved for each set of spreads is as large as the number
of terms, days and doughs together, not as the number of rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular

ALIKE = 1e-12
"""Directions whose noise differs by less than this share of the largest count as equally noisy."""
MANY = 16
"""From so many equally noisy directions on, their sums of products are kept instead of them."""


@dataclass(frozen=True, eq=False)
class Reduced:
    """One response's columns (groups, then terms, then the response), in directions of the noise.

    noise, rows : of directions that are nearly alone with their noise
    shared_noise, counts, products : for each noise that many directions share
    owner : for every column but the response, its place among groups and terms
    """

    noise: np.ndarray
    rows: np.ndarray
    shared_noise: np.ndarray
    counts: np.ndarray
    products: np.ndarray
    owner: np.ndarray


def reduce_rows(rows, response, groups, noise) -> Reduced:
    """Sum up rows; groups are label arrays (−1: shared with none), noise n × n."""
    members = [_members(labels) for labels in groups]
    sizes = [*(one.shape[1] for one in members), *[1] * rows.shape[1]]
    columns = np.column_stack([*members, rows, response])
    level = np.diag(noise)
    if np.count_nonzero(noise - np.diag(level)):
        level, ways = np.linalg.eigh(noise)
        level, columns = np.maximum(level, 0.0), ways.T @ columns
    order = np.argsort(level, kind="stable")
    level, columns = level[order], columns[order]
    first = np.flatnonzero(np.diff(level, prepend=-np.inf) > ALIKE * max(level[-1], 1e-300))
    counts = np.diff(first, append=len(level))
    many = counts >= MANY
    alone = np.repeat(~many, counts)
    shared = [columns[at : at + size] for at, size in zip(first[many], counts[many], strict=True)]
    return Reduced(
        level[alone],
        columns[alone],
        (np.add.reduceat(level, first) / counts)[many],
        counts[many],
        np.array([one.T @ one for one in shared]).reshape(-1, *[columns.shape[1]] * 2),
        np.repeat(np.arange(len(sizes)), sizes),
    )


def _members(labels: np.ndarray) -> np.ndarray:
    """Rows × labels: 1 where a row bears the label."""
    return (labels[:, None] == np.unique(labels[labels >= 0])).astype(float)


def solve_reduced(reduced: Reduced, prior: np.ndarray, spread: np.ndarray) -> tuple:
    """Mean, covariance of the terms and log likelihood for one set of variances.

    prior has a variance per term, spread one per group and a last one for the single row.
    """
    terms = len(prior)
    own, shared = reduced.noise + spread[-1], reduced.shared_noise + spread[-1]
    products = np.tensordot(1 / shared, reduced.products, axes=1)
    products += (reduced.rows.T / own) @ reduced.rows
    size = np.sqrt(np.concatenate([spread[:-1], prior])[reduced.owner])
    inner = size[:, None] * products[:-1, :-1] * size
    inner[np.diag_indices_from(inner)] += 1.0
    root = cholesky(inner, lower=True, overwrite_a=True, check_finite=False)
    told = solve_triangular(root, size * products[:-1, -1], lower=True, check_finite=False)
    # The terms stand last, so the last corner of the root is the root of what is known of them.
    back = solve_triangular(root[-terms:, -terms:], np.eye(terms), lower=True, check_finite=False)
    back = back * size[-terms:]
    mean = back.T @ told[-terms:]
    square = products[-1, -1] - told @ told
    log_size = 2 * np.log(np.diag(root)).sum() + np.log(own).sum()
    log_size += reduced.counts @ np.log(shared)
    count = len(own) + reduced.counts.sum()
    return mean, back.T @ back, -0.5 * (square + log_size + count * np.log(2 * np.pi))
