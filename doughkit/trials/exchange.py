"""Coordinate exchange for doughs and pieces: many starts bettered together, one level at a time.

The rows of a dough's pieces are whitened by the error they share. Where something is set once a
day, the pieces of all doughs of a day are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.trials.choices import Choices, Slot
from doughkit.trials.gains import forms_of, gains

STARTS = 48
"""Plans drawn at random."""

ROUNDS, KEPT, PIECES_AGAIN = 8, 16, 480
"""How often the best are stirred and bettered again; how many those are; and so many pieces are
stirred in each round, over all copies of the best, that no search takes long."""

WIDE_ROUNDS, WIDE_KEPT, WIDE_PIECES = 6, 48, 960
"""The same where every term is to be told by the doughs alone: there are more blind ends then, and
which plan is best at all levels shows late. Of larger plans fewer are kept."""

PASSES, PASSES_AT_ONCE = 30, 3
"""At the end a plan is bettered until nothing gains; before, a few passes show what it is worth."""

LEVELS_FIRST, LEVELS_NEXT = 3, 5
NODES = 3
LEAST_GAIN = 1e-7


@dataclass(frozen=True, eq=False)
class Task:
    """What a search is to better.

    Plans are arrays start × dough × piece × coded column. Where something is set once a day, a
    day with the pieces of all its doughs stands in the place of a dough.
    """

    choices: Choices
    doughs: int
    whiten: np.ndarray
    """piece × piece: the inverse root of the errors of one dough's pieces; of unlike days one for
    each (day × piece × piece), nought where a day has fewer."""
    known: np.ndarray
    """Information there already: doughs baked, starting assumptions, a trace of a ridge."""
    moments: np.ndarray | None
    """Of the levels over which errors are averaged (I); None: the determinant counts (D)."""
    of_dough: int = 0
    """Pieces of each dough of a day; 0: there are no days."""

    @property
    def pieces(self) -> int:
        return self.whiten.shape[-1]

    @property
    def there(self) -> np.ndarray:
        """dough (or day) × piece: False where a day has fewer."""
        there = np.diagonal(self.whiten, axis1=-2, axis2=-1) > 0
        return np.broadcast_to(there, (self.doughs, self.pieces))

    def white(self, dough: int, rows: np.ndarray) -> np.ndarray:
        """Rows of one dough (or day) in units of their errors."""
        return (self.whiten if self.whiten.ndim == 2 else self.whiten[dough]) @ rows

    def apart(self, dough: int, pieces: slice) -> np.ndarray:
        """What makes of a dough's rows those that tell of some pieces once the others are known.

        A change of these pieces adds and takes away so many rows only, not all of the dough.
        """
        whiten = self.whiten if self.whiten.ndim == 2 else self.whiten[dough]
        if pieces.stop - pieces.start == self.pieces:
            return whiten
        surety = (whiten.T @ whiten)[pieces]
        return np.linalg.inv(np.linalg.cholesky(surety[:, pieces])) @ surety

    def draw(self, rng: np.random.Generator, plans: int) -> np.ndarray:
        return self.choices.draw(rng, (plans, self.doughs, self.pieces), self.of_dough)

    def information(self, white: np.ndarray) -> np.ndarray:
        flat = white.reshape(len(white), -1, white.shape[-1])
        return self.known + flat.mT @ flat

    def badness(self, plans: np.ndarray) -> np.ndarray:
        """Minus the log determinant (D), or the mean error variance (I)."""
        information = self.information(self.whiten @ self.choices.rows(plans))
        if self.moments is None:
            return -np.linalg.slogdet(information)[1]
        return (np.linalg.inv(information) * self.moments).sum(axis=(1, 2))


@dataclass(frozen=True, eq=False)
class Move:
    """One level of one dough that may change: which pieces share it, what it may be.

    The rows of the model are at most squares in one number: products at all its levels are weighed
    together from those at three of them, the nodes. Fewer levels stand for themselves.
    """

    dough: int
    pieces: slice
    columns: slice
    codes: np.ndarray
    nodes: np.ndarray
    forms: np.ndarray
    """As `forms_of` has it."""
    whiten: np.ndarray
    """As `Task.apart` has it, for these pieces."""


def _move(dough: int, pieces: slice, slot: Slot, most_levels: int, whiten: np.ndarray) -> Move:
    codes = slot.some(most_levels)
    if slot.factor.levels or len(codes) <= NODES:
        nodes, weights = codes, np.eye(len(codes))
    else:
        nodes = slot.some(NODES)
        weights = codes ** np.arange(NODES) @ np.linalg.inv(nodes ** np.arange(NODES))
    return Move(dough, pieces, slot.columns, codes, nodes, forms_of(weights), whiten)


def search(task: Task, *, seed, wide: bool = False) -> np.ndarray:
    """The best plan found (dough × piece × coded column); `wide`: keep more plans on the way."""
    rng = np.random.default_rng(seed)
    size, rounds, kept = task.doughs * task.pieces, ROUNDS, KEPT
    if wide:
        rounds, kept = WIDE_ROUNDS, min(max(WIDE_PIECES // size, KEPT), WIDE_KEPT)
    next_moves = moves_of(task, LEVELS_NEXT)
    # Where combinations are forbidden, few levels would leave too few ways out.
    moves = moves_of(task, LEVELS_FIRST) if task.choices.free else next_moves
    plans, badness = exchange(task, task.draw(rng, STARTS), moves, PASSES_AT_ONCE)
    for _ in range(rounds):
        plans, badness = _distinct_best(plans, badness, kept)
        copies = -(-PIECES_AGAIN // (size * len(plans)))
        copies = max(min(copies, STARTS // len(plans)), 1)
        stirred = _stir(task, np.repeat(plans, copies, axis=0), rng)
        new, how_bad = exchange(task, stirred, next_moves, PASSES_AT_ONCE)
        plans, badness = np.concatenate([plans, new]), np.concatenate([badness, how_bad])
    plans, badness = exchange(task, _distinct_best(plans, badness, kept)[0], moves_of(task))
    return plans[badness.argmin()]


def moves_of(task: Task, most_levels: int | None = None) -> list[Move]:
    """Every level that may change, in the order in which a pass goes through them."""
    whole = slice(0, task.pieces)
    spans = {
        "piece": [slice(one, one + 1) for one in range(task.pieces)],
        "dough": [whole],
        "day": [whole],
    }
    if task.of_dough:
        begins = range(0, task.pieces, task.of_dough)
        spans["dough"] = [slice(one, one + task.of_dough) for one in begins]
    there = task.there
    return [
        _move(dough, pieces, slot, most_levels or len(slot.codes), task.apart(dough, pieces))
        for dough in range(task.doughs)
        for slot in task.choices.slots
        for pieces in spans[slot.factor.changed_per]
        if there[dough, pieces.start]
    ]


def exchange(task: Task, plans: np.ndarray, moves: list[Move], passes: int = PASSES):
    """Better all plans level by level until none gains; gives them with their badness."""
    plans = plans.copy()
    live = np.arange(len(plans))
    for _ in range(passes):
        state = _State(task, plans[live])
        moved = np.zeros(len(live), dtype=bool)
        for move in moves:
            moved[state.take_best(move)] = True
        plans[live] = state.plans
        live = live[moved]
        if not len(live):
            break
    return plans, task.badness(plans)


class _State:
    """The plans of one pass with what the gains are reckoned from."""

    def __init__(self, task: Task, plans: np.ndarray):
        self.task, self.plans = task, plans
        self.rows = task.choices.rows(plans)
        self.white = task.whiten @ self.rows
        self.matrices = self._matrices(self.white)
        self.least = np.full(len(plans), LEAST_GAIN)
        if task.moments is not None:
            self.least = LEAST_GAIN * (self.matrices[0] * task.moments).sum(axis=(1, 2))

    def _matrices(self, white: np.ndarray) -> np.ndarray:
        """The inverse of the information, and for I what errors over all levels make of it."""
        inverse = np.linalg.inv(self.task.information(white))
        if self.task.moments is None:
            return inverse[None]
        return np.stack([inverse, inverse @ self.task.moments @ inverse])

    def take_best(self, move: Move) -> np.ndarray:
        """Set the level that gains most where it gains at all; gives the plans that changed."""
        task, dough, pieces = self.task, move.dough, move.pieces
        now = self.plans[:, dough, pieces]
        old, new = self._rows_of(move, task.choices.rows(_tried(now, move, move.nodes)))
        gain = gains(old, new, self.matrices, move.forms)
        if not task.choices.free:
            kept = task.choices.allowed(_tried(now, move, move.codes)).all(axis=2)
            gain = np.where(kept, gain, -np.inf)
        best = gain.argmax(axis=1)
        go = (gain[np.arange(len(gain)), best] > self.least).nonzero()[0]
        if len(go):
            changed = now[go]
            changed[:, :, move.columns] = move.codes[best[go], None]
            self.plans[go, dough, pieces] = changed
            self.rows[go, dough, pieces] = task.choices.rows(changed)
            self.white[go, dough] = task.white(dough, self.rows[go, dough])
            self.matrices[:, go] = self._matrices(self.white[go])
        return go

    def _rows_of(self, move: Move, tried: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Rows as they are and as they would be at each level tried, in units of their errors."""
        if len(move.whiten) == self.task.pieces:
            return self.white[:, move.dough], move.whiten @ tried
        now = self.rows[:, move.dough]
        own = move.whiten[:, move.pieces]
        old = move.whiten @ now
        others = old - own @ now[:, move.pieces]
        return old, others[:, None] + own @ tried


def _tried(now: np.ndarray, move: Move, codes: np.ndarray) -> np.ndarray:
    """The pieces of each plan with each of some levels: plan × level × piece × coded column."""
    tried = now[:, None].repeat(len(codes), axis=1)
    tried[..., move.columns] = codes[:, None]
    return tried


def _distinct_best(plans: np.ndarray, badness: np.ndarray, kept: int):
    """The best few plans and their badness, those of one badness counted once."""
    order = np.argsort(badness, kind="stable")
    values = badness[order]
    apart = np.diff(values, prepend=-np.inf) > 1e-6 * np.maximum(np.abs(values), 1e-3)
    place = order[apart][:kept]
    return plans[place], badness[place]


def _stir(task: Task, plans: np.ndarray, rng) -> np.ndarray:
    """In each plan redraw a fifth of the doughs, or swap one factor's levels among half of them."""
    fresh, stirred = task.draw(rng, len(plans)), plans.copy()
    slots = task.choices.slots
    for plan, swap in enumerate(rng.integers(2, size=len(plans))):
        some = rng.permutation(task.doughs)[: max(2, task.doughs // (2 if swap else 5))]
        if swap:
            columns = slots[rng.integers(len(slots))].columns
            stirred[plan, some, :, columns] = plans[plan, rng.permutation(some), :, columns]
        else:
            stirred[plan, some] = fresh[plan, some]
    if task.choices.free:
        return stirred
    good = task.choices.allowed(stirred).all(axis=2)
    return np.where(good[..., None, None], stirred, fresh)
