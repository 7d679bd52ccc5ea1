"""The likelihood's pieces at given variance ratios: values, first and second derivatives at once.

With V = I + Σ g Z Z' (g: a level's variance over that of one row), everything that REML, its exact
derivatives and small-sample degrees of freedom need is made of Z'V⁻¹Z and Z'V⁻¹[X, y]. They are
built block by block (levels nested in the large grouping), then corrected for the few levels that
cut across. g = 0 is an ordinary value. The algebra is that of Searle, Casella and McCulloch,
Variance Components, Wiley 1992, chapters 6 and 8.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.fitting.mixed_layout import Compressed, portions

NUMBERS_AT_ONCE = 2_000_000


@dataclass(frozen=True, eq=False)
class Pieces:
    """Over columns D (crossed groups, model, response) and levels k, l:

    log_det: log |V|; whole: D'V⁻¹D;
    first[k]: D'V⁻¹Z Z'V⁻¹D; second[k, l]: D'V⁻¹Z Z'V⁻¹Z Z'V⁻¹D;
    trace[k]: tr Z'V⁻¹Z; size[k, l]: sum of squares of Z'V⁻¹Z between the two levels.
    """

    log_det: float
    whole: np.ndarray
    first: np.ndarray
    second: np.ndarray
    trace: np.ndarray
    size: np.ndarray


def pieces(data: Compressed, ratio: np.ndarray) -> Pieces:
    """All pieces at `ratio`, a value ≥ 0 for each level of error in the order it was given."""
    layout = data.layout
    inner = _blocks(data, ratio[layout.inner])
    if not layout.crossed:
        return inner
    found = _crossed(inner, layout.columns, ratio[layout.crossed])
    back = np.argsort(layout.inner + layout.crossed)
    return Pieces(
        found.log_det,
        found.whole,
        found.first[back],
        found.second[np.ix_(back, back)],
        found.trace[back],
        found.size[np.ix_(back, back)],
    )


def _blocks(data: Compressed, ratio: np.ndarray) -> Pieces:
    layout, wide = data.layout, data.sums.shape[2]
    spans, size = layout.spans, layout.size
    gamma = np.repeat(ratio, [span.stop - span.start for span in spans])
    whole = data.cross.copy()
    first = np.zeros((len(spans), wide, wide))
    second = np.zeros((len(spans), len(spans), wide, wide))
    square, diagonal, log_det = np.zeros((size, size)), np.zeros(size), 0.0
    for start, stop in portions(data.ends, NUMBERS_AT_ONCE // (size * (size + wide))):
        gram, count = data.gram[start:stop], data.count[start:stop].astype(float)
        inside = gram * gamma
        inside[:, np.arange(size), np.arange(size)] += 1.0
        inverse = np.linalg.inv(inside)
        between = inverse @ gram
        log_det += float(count @ np.linalg.slogdet(inside)[1])
        square += np.tensordot(count, between**2, 1)
        diagonal += count @ np.diagonal(between, axis1=1, axis2=2)
        sums = data.sums[data.ends[start] : data.ends[stop]]
        if stop - start > 1:
            each = np.repeat(np.arange(stop - start), np.diff(data.ends[start : stop + 1]))
            inverse, between = inverse[each], between[each]
        _add_blocks(sums, inverse, between, spans, gamma, whole, first, second)
    starts = [span.start for span in spans]
    return Pieces(
        log_det,
        whole,
        first,
        second,
        np.add.reduceat(diagonal, starts),
        np.add.reduceat(np.add.reduceat(square, starts, 0), starts, 1),
    )


def _add_blocks(sums, inverse, between, spans, gamma, whole, first, second) -> None:
    """Add some blocks' share of D'V⁻¹D and its derivatives, in place."""
    wide = sums.shape[2]
    found = inverse @ sums
    whole -= sums.reshape(-1, wide).T @ (gamma[:, None] * found).reshape(-1, wide)
    own = [found[:, span].reshape(-1, wide) for span in spans]
    for k, one in enumerate(spans):
        first[k] += own[k].T @ own[k]
        for other, two in enumerate(spans[: k + 1]):
            reached = between[:, one, two] @ found[:, two]
            second[k, other] += own[k].T @ reached.reshape(-1, wide)
            if other < k:
                second[other, k] = second[k, other].T


def _crossed(inner: Pieces, columns: list[slice], ratio: np.ndarray) -> Pieces:
    """Take the levels that cut across blocks out of the columns, and count them as levels."""
    c, count, more = columns[-1].stop, len(inner.trace), len(columns)
    gram = inner.whole[:c, :c]
    gamma = np.repeat(ratio, [span.stop - span.start for span in columns])
    inside = np.eye(c) + gram * gamma
    inverse = np.linalg.inv(inside)
    found = inverse @ inner.whole[:c, c:]
    turn = np.vstack([-gamma[:, None] * found, np.eye(found.shape[1])])
    wide = found.shape[1]
    made = Pieces(
        inner.log_det + float(np.linalg.slogdet(inside)[1]),
        inner.whole[c:, c:] - inner.whole[:c, c:].T @ (gamma[:, None] * found),
        np.empty((count + more, wide, wide)),
        np.empty((count + more, count + more, wide, wide)),
        np.empty(count + more),
        np.empty((count + more, count + more)),
    )
    reach = inner.first[:, :c] @ turn
    _correct(inner, made, turn, reach, gamma[:, None] * inverse)
    between = inverse @ gram
    for s, one in enumerate(columns, start=count):
        mine = found[one]
        made.first[s] = mine.T @ mine
        made.trace[s] = np.trace(between[one, one])
        across = inverse[one] @ inner.first[:, :c, :c] @ inverse[one].T
        made.size[s, :count] = made.size[:count, s] = np.trace(across, axis1=1, axis2=2)
        made.second[:count, s] = reach.transpose(0, 2, 1) @ inverse[one].T @ mine
        made.second[s, :count] = made.second[:count, s].transpose(0, 2, 1)
        for t, two in enumerate(columns, start=count):
            made.second[s, t] = mine.T @ between[one, two] @ found[two]
            made.size[s, t] = (between[one, two] ** 2).sum()
    return made


def _correct(inner: Pieces, made: Pieces, turn, reach, weight: np.ndarray) -> None:
    """Write the pieces of the levels in blocks as the crossed levels leave them."""
    count, c = len(inner.trace), len(weight)
    felt = weight @ inner.first[:, :c, :c]
    made.first[:count] = turn.T @ inner.first @ turn
    made.second[:count, :count] = turn.T @ inner.second @ turn - (
        reach.transpose(0, 2, 1)[:, None] @ (weight @ reach)[None]
    )
    made.trace[:count] = inner.trace - np.trace(felt, axis1=1, axis2=2)
    made.size[:count, :count] = (
        inner.size
        - 2 * np.einsum("ij,klji->kl", weight, inner.second[:, :, :c, :c])
        + np.einsum("kij,lji->kl", felt, felt)
    )
