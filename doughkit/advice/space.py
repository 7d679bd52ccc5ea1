"""The levels that can be set: where advice looks for the best, near what was baked and everywhere.

Places are whole numbers, one per factor: which of its settable levels. So nothing that is looked at
has to be rounded afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy.stats import qmc

from doughkit.tables.problems import problem_error
from doughkit.texture.ground import Ground
from doughkit.trials.avoid import NEAR, failed_places
from doughkit.trials.coding import as_levels, code
from doughkit.trials.factors import Factor, read_factors
from doughkit.trials.limits import NEAR as OF_LIMIT
from doughkit.trials.limits import check_limits, settable

FINEST = 40
"""Levels looked at of a factor without a step: fortieths of its range."""
OFTEN_AT_ENDS = 0.12
"""Chance that a looked-at level is moved to the nearer end: the best is often there."""
PIECE_LEVELS = 5
MOST_PIECES = 25


@dataclass(frozen=True, eq=False)
class Space:
    """Settable levels of each factor, what limits them, and their columns in a regression."""

    factors: list[Factor]
    levels: list[list]
    limits: tuple[np.ndarray, np.ndarray, np.ndarray]
    """weights (limit × factor) of natural levels, low, high"""
    failed: np.ndarray
    ground: Ground
    coded: list[np.ndarray]
    """Per factor: its settable levels × its coded columns."""

    @property
    def sizes(self) -> np.ndarray:
        return np.array([len(each) for each in self.levels])

    @property
    def names(self) -> list[str]:
        return [factor.name for factor in self.factors]

    @property
    def of_piece(self) -> np.ndarray:
        return np.array([factor.changed_per == "piece" for factor in self.factors])

    def frame(self, places: np.ndarray) -> pd.DataFrame:
        """The levels themselves, one column per factor."""
        columns = {
            name: np.array(each, dtype=object if isinstance(each[0], str) else float)[at]
            for name, each, at in zip(self.names, self.levels, places.T, strict=True)
        }
        return pd.DataFrame(columns).infer_objects()

    def places(self, frame: pd.DataFrame) -> np.ndarray:
        """The nearest settable places of rows of levels."""
        found = []
        for factor, each in zip(self.factors, self.levels, strict=True):
            if factor.levels:
                at = as_levels(frame[factor.name]).map({name: at for at, name in enumerate(each)})
                found.append(at.fillna(0).to_numpy(int))
            else:
                value = frame[factor.name].to_numpy(float)
                found.append(np.abs(value[:, None] - np.array(each)[None]).argmin(axis=1))
        return np.column_stack(found)

    def rows(self, places: np.ndarray) -> np.ndarray:
        """Columns of the regression at these places."""
        own = [table[at] for table, at in zip(self.coded, places.T, strict=True)]
        parts = [np.ones((len(places), 1)), *own]
        for one, left in enumerate(own):
            parts += [
                (left[:, :, None] * right[:, None, :]).reshape(len(places), -1)
                for right in own[one + 1 :]
            ]
        parts += [one**2 for one, f in zip(own, self.factors, strict=True) if not f.levels]
        return self.ground.of_model(np.hstack(parts))

    def allowed(self, places: np.ndarray) -> np.ndarray:
        """True where all limits are kept and no failed dough is near."""
        good = np.ones(len(places), dtype=bool)
        weights, low, high = self.limits
        if len(weights):
            natural = np.column_stack(
                [
                    np.zeros(len(places)) if factor.levels else np.array(each, dtype=float)[at]
                    for factor, each, at in zip(self.factors, self.levels, places.T, strict=True)
                ]
            )
            total = natural @ weights.T
            good &= ~((total < low - OF_LIMIT) | (total > high + OF_LIMIT)).any(axis=1)
        if len(self.failed):
            coded = self.scale(places)[:, ~self.of_piece]
            far = np.abs(coded[:, None, :] - self.failed[None]).max(axis=2) >= NEAR - 1e-9
            good &= far.all(axis=1)
        return good

    def scale(self, places: np.ndarray) -> np.ndarray:
        """Numbers on −1 … +1; a category by the place of its level, two apart."""
        columns = []
        for factor, each, at in zip(self.factors, self.levels, places.T, strict=True):
            if factor.levels:
                columns.append(2.0 * at)
            else:
                columns.append((np.array(each, dtype=float)[at] - factor.middle) / factor.half)
        return np.column_stack(columns)

    def spread_out(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Places all over, evenly, often at the ends; those that are allowed."""
        sobol = qmc.Sobol(len(self.factors), scramble=True, rng=rng)
        share = sobol.random(1 << max(count - 1, 1).bit_length())[:count]
        ends = rng.random(share.shape) < OFTEN_AT_ENDS
        share = np.where(ends, np.rint(share), share)
        return self._kept(np.floor(share * self.sizes))

    def around(self, places: np.ndarray, reach: float, count: int, rng) -> np.ndarray:
        """Places near each of `places`, `reach` a standard deviation on −1 … +1."""
        many = np.repeat(places, count, axis=0).astype(float)
        moved = many + rng.normal(size=many.shape) * reach * np.maximum(self.sizes - 1, 0) / 2
        other = rng.random(many.shape) < reach
        anywhere = np.floor(rng.random(many.shape) * self.sizes)
        category = np.array([bool(factor.levels) for factor in self.factors])
        moved = np.where(category, np.where(other, anywhere, many), np.rint(moved))
        ends = (rng.random(many.shape) < OFTEN_AT_ENDS) & ~category
        moved = np.where(ends, np.where(moved > (self.sizes - 1) / 2, self.sizes - 1, 0), moved)
        return self._kept(moved)

    def _kept(self, places: np.ndarray) -> np.ndarray:
        places = np.clip(places, 0, self.sizes - 1).astype(int)
        places = np.unique(places, axis=0)
        return places[self.allowed(places)]

    def bakes(self) -> np.ndarray:
        """Some levels of the piece factors in all combinations, the ends among them."""
        each = [
            np.unique(np.rint(np.linspace(0, size - 1, PIECE_LEVELS)).astype(int))
            for size, piece in zip(self.sizes, self.of_piece, strict=True)
            if piece
        ]
        while np.prod([len(one) for one in each]) > MOST_PIECES:
            widest = max(range(len(each)), key=lambda at: len(each[at]))
            each[widest] = each[widest][[0, -1]] if len(each[widest]) < 4 else each[widest][::2]
        return np.array(list(product(*each)), dtype=int).reshape(-1, int(self.of_piece.sum()))

    def baked_each_way(self, places: np.ndarray) -> np.ndarray:
        """Every formula among `places` with every one of `bakes`, as far as allowed."""
        piece = self.of_piece
        if not piece.any():
            return places
        formulas = np.unique(places[:, ~piece], axis=0)
        bakes = self.bakes()
        out = np.zeros((len(formulas), len(bakes), len(piece)), dtype=int)
        out[:, :, ~piece] = formulas[:, None]
        out[:, :, piece] = bakes[None]
        out = out.reshape(-1, len(piece))
        return out[self.allowed(out)]

    def beside(self, place: np.ndarray) -> np.ndarray:
        """The place and all that lie one level away in one or two factors."""
        moves = [place]
        for one in range(len(place)):
            for other in range(one, len(place)):
                for signs in product((-1, 0, 1), repeat=2):
                    moved = place.copy()
                    moved[one] += signs[0]
                    if other != one:
                        moved[other] += signs[1]
                    moves.append(moved)
        moves = np.unique(np.array(moves), axis=0)
        inside = ((moves >= 0) & (moves < self.sizes)).all(axis=1)
        return moves[inside][self.allowed(moves[inside])]


def open_space(factors, limits, doughs, ground: Ground, baked: pd.DataFrame | None) -> Space:
    """All settable levels; a factor that never moved among `baked` keeps its level."""
    known = read_factors(factors)
    levels = [_levels(one, None if baked is None else baked[one.name]) for one in known]
    coded = []
    for factor, each in zip(known, levels, strict=True):
        own = factors[factors["factor"].eq(factor.name)]
        column = pd.Series(each, dtype="str" if factor.levels else float, name=factor.name)
        coded.append(code(column.to_frame(), own).to_numpy(float))
    of_dough = [one for one in known if one.changed_per != "piece"]
    names = [one.name for one in of_dough]
    there = doughs is not None and set(names) <= set(doughs.columns)
    failed = failed_places(doughs, of_dough) if there else np.zeros((0, len(names)))
    space = Space(known, levels, _limits(limits, known), failed, ground, coded)
    if not len(space.spread_out(512, np.random.default_rng(0))):
        raise problem_error(
            "limits",
            found="no combination of levels that keeps all limits and lies away from failed doughs",
            expected="at least one",
            mend="widen a limit, or bake between the failed doughs and the others",
        )
    return space


def _levels(factor: Factor, baked: pd.Series | None) -> list:
    if factor.levels:
        there = set(factor.levels if baked is None else as_levels(baked))
        return [one for one in factor.levels if one in there]
    if baked is not None and (baked == baked.iloc[0]).all():
        return [float(baked.iloc[0])]
    if factor.step:
        return settable(factor)
    return np.linspace(factor.low, factor.high, FINEST + 1).tolist()


def _limits(limits: pd.DataFrame | None, known: list[Factor]):
    """Limits as one row of weights each; their own room checks them."""
    count = len(known)
    if limits is None or limits.empty:
        return np.zeros((0, count)), np.zeros(0), np.zeros(0)
    middle = {one.name: [one.levels[0] if one.levels else one.middle] for one in known}
    held = check_limits(pd.DataFrame(middle), limits)
    names = [one.name for one in known]
    weights = np.zeros((len(held), count))
    for row, name in enumerate(held["limit"]):
        for term in limits[limits["limit"].eq(name)].itertuples():
            weights[row, names.index(term.factor)] += term.weight
    low = held["low"].fillna(-np.inf).to_numpy(float)
    return weights, low, held["high"].fillna(np.inf).to_numpy(float)
