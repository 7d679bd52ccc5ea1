"""Exact null distributions for rankings by few people: every ordering counted."""

from __future__ import annotations

from collections import Counter
from functools import lru_cache
from itertools import permutations

import numpy as np

WORK = 3_000_000
"""Orderings that one step may add up; beyond it an approximation serves well and is named."""

Rows = tuple[tuple[int, ...], ...]
"""Doubled ranks of each person, sorted, so that shared ranks stay whole numbers."""


def as_rows(ranks: np.ndarray) -> Rows:
    """Each person's ranks doubled and sorted, and the people sorted: all that the null needs."""
    doubled = np.rint(2 * np.sort(ranks, axis=1)).astype(int)
    return tuple(sorted(map(tuple, doubled.tolist())))


def friedman_p(ranks: np.ndarray) -> float | None:
    """Exact chance of rank sums at least as far apart; None where counting is too long."""
    null = _rank_sums(as_rows(ranks))
    if null is None:
        return None
    square, chance = null
    sums = np.rint(2 * ranks.sum(0)).astype(int)
    return float(min(1.0, chance[square >= (sums**2).sum()].sum()))


@lru_cache(maxsize=64)
def _rank_sums(rows: Rows) -> tuple[np.ndarray, np.ndarray] | None:
    """Sum of squared rank sums with its chance.

    The doughs are exchangeable, so only the sorted rank sums are kept from person to person, and
    the first person's order can be fixed.
    """
    states = np.array([rows[0]], dtype=np.int64)
    chance = np.ones(1)
    base = int(sum(max(row) for row in rows)) + 1
    if len(rows[0]) > 8 or base ** len(rows[0]) > 2**62:
        return None
    powers = base ** np.arange(len(rows[0]), dtype=np.int64)
    for row in rows[1:]:
        orders, weight = _orders(row)
        if states.shape[0] * orders.shape[0] > WORK:
            return None
        sums = (states[:, None, :] + orders[None]).reshape(-1, len(row))
        sums.sort(axis=1)
        code, group = np.unique(sums @ powers, return_inverse=True)
        added = (chance[:, None] * weight[None]).ravel()
        chance = np.bincount(group.ravel(), weights=added, minlength=code.size)
        states = code[:, None] // powers % base
    return (states**2).sum(1), chance


def trend_p(ranks: np.ndarray) -> float | None:
    """Exact chance of a sum of place × rank at least as high; None beyond eight columns."""
    if ranks.shape[1] > 8:
        return None
    place = np.arange(1, ranks.shape[1] + 1)
    null = np.ones(1)
    for row in as_rows(ranks):
        null = np.convolve(null, _trend_of(row))
    # Each row's distribution starts at its own lowest sum, so the joint one starts at their sum.
    low = sum(_trend_low(row) for row in as_rows(ranks))
    observed = int(np.rint(2 * (ranks.sum(0) @ place)))
    return float(min(1.0, null[observed - low :].sum()))


@lru_cache(maxsize=64)
def _trend_of(row: tuple[int, ...]) -> np.ndarray:
    orders, weight = _orders(row)
    sums = orders @ np.arange(1, len(row) + 1)
    return np.bincount(sums - _trend_low(row), weights=weight)


def _trend_low(row: tuple[int, ...]) -> int:
    return sum(place * rank for place, rank in enumerate(sorted(row, reverse=True), start=1))


@lru_cache(maxsize=64)
def _orders(row: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """The different orders of one person's ranks and the chance of each."""
    count = Counter(permutations(row))
    orders = np.array(list(count), dtype=np.int64)
    weight = np.array(list(count.values()), dtype=float)
    return orders, weight / weight.sum()
