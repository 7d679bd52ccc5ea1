"""Levels of error as blocks: one large grouping, what is nested in it, and small crossed levels.

The rows of one level of the large grouping (one assessor, one batch) form a block. Within a block
stand the levels of every grouping nested in it. Groupings that cut across blocks (a tasting met
by all) are few columns beside the model's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from doughkit.tables.problems import problem_error

MOST_CROSSED = 400
"""Levels that may cut across blocks: the work grows with their cube."""

MOST_IN_BLOCK = 700
"""Levels that one block may hold, for the same reason."""

ROWS_AT_ONCE = 60_000

MANY = 4
"""Blocks of one pattern are pooled when there are this many times as many as numbers in one."""


@dataclass(frozen=True)
class Level:
    """One level of error: its name, and each row's place in its list of groups."""

    name: str
    code: np.ndarray
    groups: int


@dataclass(frozen=True, eq=False)
class Layout:
    """Where each level of error stands: `inner` in blocks, `crossed` as columns.

    block, place: each row's block, and per inner level its position in the block (rows × inner).
    spans: the positions of each inner level; a block with fewer groups leaves some empty.
    column: per crossed level the column of each row's group (rows × crossed).
    """

    inner: list[int]
    crossed: list[int]
    block: np.ndarray
    blocks: int
    place: np.ndarray
    spans: list[slice]
    column: np.ndarray
    columns: list[slice]

    @property
    def size(self) -> int:
        return self.spans[-1].stop

    @property
    def crossed_size(self) -> int:
        return self.columns[-1].stop if self.columns else 0


@dataclass(frozen=True, eq=False)
class Compressed:
    """All that the likelihood needs of the rows, whatever their number.

    gram: each different block's cross-products of its own levels; count: blocks that have it.
    sums: blocks × positions × columns, the columns' sums over each group, in the order of grams;
    ends: how many blocks the grams up to each have.
    Where very many blocks have one gram, fewer stand for them with the same sums of products.
    cross: cross-products of the columns: crossed groups, model, responses.
    """

    layout: Layout
    rows: int
    gram: np.ndarray
    count: np.ndarray
    ends: np.ndarray
    sums: np.ndarray
    cross: np.ndarray
    terms: int

    def of_response(self, at: int) -> Compressed:
        """The same with one response only."""
        keep = self.layout.crossed_size + self.terms
        chosen = np.append(np.arange(keep), keep + at)
        if chosen.size == len(self.cross):
            return self
        return Compressed(
            self.layout,
            self.rows,
            self.gram,
            self.count,
            self.ends,
            np.ascontiguousarray(self.sums[:, :, chosen]),
            self.cross[np.ix_(chosen, chosen)],
            self.terms,
        )


def lay_out(levels: list[Level], terms: int) -> Layout:
    """Choose the large grouping that makes the work least, or say that there is none."""
    within = nesting(levels)
    choices = [_cost(levels, within, outer, terms) for outer in range(len(levels))]
    outer = int(np.argmin([cost for cost, *_ in choices]))
    _, in_block, crossed = choices[outer]
    if in_block > MOST_IN_BLOCK or crossed > MOST_CROSSED:
        large = [one.name for one in sorted(levels, key=lambda one: -one.groups)][:2]
        raise problem_error(
            "levels of error",
            found=f"{' and '.join(large)}, which cut across each other with {crossed} groups, or "
            f"{in_block} groups in one block",
            expected=f"one large grouping; at most {MOST_CROSSED} groups that cut across it and "
            f"{MOST_IN_BLOCK} groups within one of its own",
            mend="leave one of them out, or fit parts of the data apart",
        )
    return _placed(levels, within, outer)


def nesting(levels: list[Level]) -> np.ndarray:
    """nested[b, a]: every group of level b lies within one group of level a."""
    count = len(levels)
    nested = np.eye(count, dtype=bool)
    for b, inner in enumerate(levels):
        for a, outer in enumerate(levels):
            if a != b and inner.groups >= outer.groups:
                first = np.zeros(inner.groups, dtype=np.int64)
                first[inner.code] = outer.code
                nested[b, a] = bool((first[inner.code] == outer.code).all())
    return nested


def _cost(levels, nested, outer: int, terms: int) -> tuple[float, int, int]:
    blocks = levels[outer].groups
    in_block = sum(
        int(np.bincount(_block_of(levels[one], levels[outer])).max())
        for one in np.flatnonzero(nested[:, outer])
    )
    crossed = sum(levels[one].groups for one in np.flatnonzero(~nested[:, outer]))
    wide = crossed + terms + 1
    work = blocks * in_block**2 * (in_block + wide) + blocks * in_block * wide**2 + 4 * wide**3
    return float(work), in_block, crossed


def _block_of(level: Level, outer: Level) -> np.ndarray:
    block = np.zeros(level.groups, dtype=np.int64)
    block[level.code] = outer.code
    return block


def _placed(levels: list[Level], nested: np.ndarray, outer: int) -> Layout:
    inner = [outer, *(one for one in np.flatnonzero(nested[:, outer]) if one != outer)]
    crossed = [int(one) for one in np.flatnonzero(~nested[:, outer])]
    place, spans, start = [], [], 0
    for one in inner:
        block = _block_of(levels[one], levels[outer])
        order = np.argsort(block, kind="stable")
        count = np.bincount(block, minlength=levels[outer].groups)
        local = np.empty(block.size, dtype=np.int64)
        local[order] = np.arange(block.size) - np.repeat(np.cumsum(count) - count, count)
        place.append((start + local)[levels[one].code].astype(np.int32))
        spans.append(slice(start, start + int(count.max())))
        start = spans[-1].stop
    column, columns, start = [], [], 0
    for one in crossed:
        column.append((start + levels[one].code).astype(np.int32))
        columns.append(slice(start, start + levels[one].groups))
        start = columns[-1].stop
    rows = levels[outer].code.size
    return Layout(
        inner=[int(one) for one in inner],
        crossed=crossed,
        block=levels[outer].code,
        blocks=levels[outer].groups,
        place=np.stack(place, axis=1),
        spans=spans,
        column=np.stack(column, axis=1) if column else np.zeros((rows, 0), dtype=np.int32),
        columns=columns,
    )


def compress(layout: Layout, values: Callable[[np.ndarray], np.ndarray], terms: int) -> Compressed:
    """Sum rows within groups, a part of the rows at a time.

    `values` gives the model's columns and the responses (rows × terms + responses) of given rows.
    """
    order = np.argsort(layout.block, kind="stable")
    ends = np.concatenate([[0], np.cumsum(np.bincount(layout.block, minlength=layout.blocks))])
    size, total = layout.size, order.size
    gram = np.zeros((layout.blocks, size, size))
    sums, cross = None, 0.0
    for first, last in portions(ends, ROWS_AT_ONCE):
        rows = order[ends[first] : ends[last]]
        table = _with_crossed(layout, rows, values(rows))
        if sums is None:
            sums = np.empty((layout.blocks, size, table.shape[1]))
        cross = cross + table.T @ table
        local = (layout.block[rows] - first)[:, None] * size + layout.place[rows]
        sums[first:last] = _group_sums(local, table, (last - first) * size).reshape(
            last - first, size, -1
        )
        gram[first:last] = _gram(local, size, last - first)
    patterns, pattern = _patterns(gram)
    count = np.bincount(pattern, minlength=len(patterns))
    ends, sums = _fewer(pattern, sums, count)
    return Compressed(layout, total, patterns, count, ends, sums, cross, terms)


def portions(ends: np.ndarray, most: int) -> Iterator[tuple[int, int]]:
    """Cut a row of groups, where group k ends at ends[k + 1], into runs of about `most` items."""
    first = 0
    while first < len(ends) - 1:
        reach = int(np.searchsorted(ends, ends[first] + most, side="right")) - 1
        last = max(first + 1, reach)
        yield first, last
        first = last


def _with_crossed(layout: Layout, rows: np.ndarray, values: np.ndarray) -> np.ndarray:
    if not layout.crossed:
        return values
    table = np.zeros((rows.size, layout.crossed_size + values.shape[1]))
    table[np.arange(rows.size)[:, None], layout.column[rows]] = 1.0
    table[:, layout.crossed_size :] = values
    return table


def _group_sums(local: np.ndarray, table: np.ndarray, groups: int) -> np.ndarray:
    rows, inner = local.shape
    starts = np.arange(0, rows * inner + 1, inner)
    member = sparse.csc_array((np.ones(local.size), local.ravel(), starts), shape=(groups, rows))
    return member @ table


def _gram(local: np.ndarray, size: int, blocks: int) -> np.ndarray:
    gram = np.zeros(blocks * size * size)
    for one in local.T:
        for other in local.T:
            gram += np.bincount(one * size + other % size, minlength=gram.size)
    return gram.reshape(blocks, size, size)


def _patterns(gram: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The different blocks, and which one each block is."""
    flat = gram.reshape(len(gram), -1)
    mark = flat @ np.random.default_rng(0).random(flat.shape[1])
    _, first, pattern = np.unique(mark, return_index=True, return_inverse=True)
    if len(first) < len(gram) and np.array_equal(gram[first][pattern], gram):
        return gram[first], pattern
    return gram, np.arange(len(gram))


def _fewer(
    pattern: np.ndarray, sums: np.ndarray, count: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Blocks in the order of patterns; few stand for many, as only sums of products ever count."""
    wide = sums[0].size
    order = np.argsort(pattern, kind="stable")
    if (count <= MANY * wide).all():
        ordered = sums if (order[:-1] < order[1:]).all() else sums[order]
        return np.concatenate([[0], np.cumsum(count)]), ordered
    parts, first = [], 0
    for many in count:
        chosen = order[first : first + many]
        first += many
        half = np.zeros((0, wide))
        if many <= MANY * wide:
            half = sums[chosen].reshape(-1, wide)
        else:
            for start in range(0, many, 8 * wide):
                part = sums[chosen[start : start + 8 * wide]].reshape(-1, wide)
                half = np.linalg.qr(np.vstack([half, part]), mode="r")
        parts.append(half.reshape(-1, *sums.shape[1:]))
    ends = np.concatenate([[0], np.cumsum([len(part) for part in parts])])
    return ends, np.concatenate(parts)
