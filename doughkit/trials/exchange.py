"""Coordinate exchange for doughs and pieces: many starts bettered together, one level at a time.

The rows of a dough's pieces are whitened by the error they share. A changed level then adds new
rows and takes old ones away, and what the criterion gains follows from small matrices, one per
trial, without a determinant of the whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.trials.choices import Choices

STARTS, ROUNDS, KEPT = 48, 8, 16
"""Plans drawn at random; how often the best are stirred and bettered again; how many those are."""

PIECES_AGAIN = 480
"""Pieces stirred in each round, over all copies of the best plans, so that no search takes long."""

PASSES, PASSES_AT_ONCE = 30, 3
"""At the end a plan is bettered until nothing gains; before, a few passes show what it is worth."""

LEVELS_FIRST, LEVELS_NEXT = 3, 5
LEAST_GAIN = 1e-7
SINGULAR = 1e-6


@dataclass(frozen=True, eq=False)
class Task:
    """What a search is to better.

    Plans are arrays start × dough × piece × coded column.
    """

    choices: Choices
    doughs: int
    whiten: np.ndarray
    """piece × piece: the inverse root of the errors of one dough's pieces."""
    known: np.ndarray
    """Information there already: doughs baked, starting assumptions, a trace of a ridge."""
    moments: np.ndarray | None
    """Of the levels over which errors are averaged (I); None: the determinant counts (D)."""

    @property
    def pieces(self) -> int:
        return len(self.whiten)

    def draw(self, rng: np.random.Generator, plans: int) -> np.ndarray:
        return self.choices.draw(rng, (plans, self.doughs, self.pieces))

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
    """One level of one dough that may change: which pieces share it, what it may be."""

    dough: int
    pieces: slice
    columns: slice
    codes: np.ndarray


def search(task: Task, *, seed) -> np.ndarray:
    """The best plan found (dough × piece × coded column)."""
    rng = np.random.default_rng(seed)
    next_moves = moves_of(task, LEVELS_NEXT)
    # Where combinations are forbidden, few levels would leave too few ways out.
    moves = moves_of(task, LEVELS_FIRST) if task.choices.free else next_moves
    plans, badness = exchange(task, task.draw(rng, STARTS), moves, PASSES_AT_ONCE)
    for _ in range(ROUNDS):
        plans, badness = _distinct_best(plans, badness)
        copies = -(-PIECES_AGAIN // (task.doughs * task.pieces * len(plans)))
        stirred = _stir(task, np.repeat(plans, min(copies, STARTS // len(plans)), axis=0), rng)
        new, how_bad = exchange(task, stirred, next_moves, PASSES_AT_ONCE)
        plans, badness = np.concatenate([plans, new]), np.concatenate([badness, how_bad])
    plans, badness = exchange(task, _distinct_best(plans, badness)[0], moves_of(task))
    return plans[badness.argmin()]


def moves_of(task: Task, most_levels: int | None = None) -> list[Move]:
    """Every level that may change, in the order in which a pass goes through them."""
    each = [
        (slot, [slice(one, one + 1) for one in range(task.pieces)])
        if slot.factor.changed_per == "piece"
        else (slot, [slice(0, task.pieces)])
        for slot in task.choices.slots
    ]
    return [
        Move(dough, pieces, slot.columns, slot.some(most_levels or len(slot.codes)))
        for dough in range(task.doughs)
        for slot, spans in each
        for pieces in spans
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
        self.white = task.whiten @ task.choices.rows(plans)
        self.inverse = np.linalg.inv(task.information(self.white))
        self.spread = None
        self.least = np.full(len(plans), LEAST_GAIN)
        if task.moments is not None:
            self.spread = self.inverse @ task.moments @ self.inverse
            self.least = LEAST_GAIN * (self.inverse * task.moments).sum(axis=(1, 2))

    def take_best(self, move: Move) -> np.ndarray:
        """Set the level that gains most where it gains at all; gives the plans that changed."""
        task, dough = self.task, move.dough
        trial = np.repeat(self.plans[:, dough][:, None], len(move.codes), axis=1)
        trial[:, :, move.pieces, move.columns] = move.codes[None, :, None]
        new = task.whiten @ task.choices.rows(trial)
        gain = _gains(self.white[:, dough], new, self.inverse, self.spread)
        if not task.choices.free:
            gain = np.where(task.choices.allowed(trial).all(axis=2), gain, -np.inf)
        best = gain.argmax(axis=1)
        go = np.flatnonzero(gain[np.arange(len(gain)), best] > self.least)
        if len(go):
            self.plans[go, dough], self.white[go, dough] = trial[go, best[go]], new[go, best[go]]
            self.inverse[go] = np.linalg.inv(task.information(self.white[go]))
            if self.spread is not None:
                self.spread[go] = self.inverse[go] @ task.moments @ self.inverse[go]
        return go


def _gains(old, new, inverse, spread) -> np.ndarray:
    """What each trial gains: in log determinant, or in mean error variance (with `spread`).

    old: plan × row × term, new: plan × trial × row × term. First the new rows are added, which is
    always safe, then the old ones are taken away; -inf where that leaves a term unknown.
    """
    one = np.eye(new.shape[2])
    oo, on, nn = _forms(old, new, inverse)
    added = _inverse(nn + one)
    carried = on @ added
    left = one - oo + carried @ on.mT
    size = _determinant(left)
    safe = size > SINGULAR
    left = np.where(safe[..., None, None], left, one)
    if spread is None:
        gain = np.log(_determinant(nn + one)) + np.log(np.where(safe, size, 1.0))
        return np.where(safe, gain, -np.inf)
    oo, on, nn = _forms(old, new, spread)
    across = carried @ on.mT
    lost = oo - across - across.mT + carried @ nn @ carried.mT
    gain = (added * nn).sum(axis=(-1, -2)) - (_inverse(left) * lost).sum(axis=(-1, -2))
    return np.where(safe, gain, -np.inf)


def _forms(old, new, matrix):
    """old · matrix · old, old · matrix · new, new · matrix · new."""
    plans, trials, rows, terms = new.shape
    halfway = old @ matrix
    flat = new.reshape(plans, trials * rows, terms)
    crossed = (flat @ halfway.mT).reshape(plans, trials, rows, rows)
    inner = (flat @ matrix).reshape(new.shape) @ new.mT
    return (halfway @ old.mT)[:, None], crossed.mT, inner


def _determinant(matrix):
    if matrix.shape[-1] == 1:
        return matrix[..., 0, 0]
    if matrix.shape[-1] == 2:
        return matrix[..., 0, 0] * matrix[..., 1, 1] - matrix[..., 0, 1] * matrix[..., 1, 0]
    return np.linalg.det(matrix)


def _inverse(matrix):
    if matrix.shape[-1] == 1:
        return 1 / matrix
    if matrix.shape[-1] == 2:
        turned = matrix[..., ::-1, ::-1] * np.array([[1.0, -1.0], [-1.0, 1.0]])
        return turned.mT / _determinant(matrix)[..., None, None]
    return np.linalg.inv(matrix)


def _distinct_best(plans: np.ndarray, badness: np.ndarray):
    """The best few plans and their badness, those of one badness counted once."""
    order = np.argsort(badness, kind="stable")
    values = badness[order]
    apart = np.diff(values, prepend=-np.inf) > 1e-6 * np.maximum(np.abs(values), 1e-3)
    place = order[apart][:KEPT]
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
