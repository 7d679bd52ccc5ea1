"""What a search may set: each factor's levels as coded columns, limits, failed neighbourhoods."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.stats import qmc

from doughkit.tables.problems import problem_error
from doughkit.trials.avoid import NEAR, failed_doughs
from doughkit.trials.coding import code
from doughkit.trials.factors import Factor, read_factors
from doughkit.trials.limits import NEAR as OF_LIMIT
from doughkit.trials.limits import check_limits, settable
from doughkit.trials.models import TIMES, model_terms

FINEST = 41
"""At most so many levels of a number are tried in the end."""

ORDER = ("day", "dough", "piece")
MOST_COMBINATIONS = 20_000
EVERYWHERE = 2**13
"""Points over which a mean within limits is taken."""


@dataclass(frozen=True, eq=False)
class Slot:
    """One factor's place among the coded columns, of which the first is the constant 1."""

    factor: Factor
    columns: slice
    levels: list
    codes: np.ndarray
    """levels × its coded columns"""

    def some(self, most: int) -> np.ndarray:
        """Codes of at most so many levels, the ends and the middle first; of a category, all."""
        if self.factor.levels or len(self.codes) <= most:
            return self.codes
        return self.codes[np.unique(np.rint(np.linspace(0, len(self.codes) - 1, most)).astype(int))]

    @property
    def nodes(self) -> tuple[np.ndarray, np.ndarray]:
        """Codes and weights whose sum is the exact mean over the range (up to fourth powers)."""
        if self.factor.levels:
            return self.codes, np.full(len(self.codes), 1 / len(self.codes))
        places, weights = np.polynomial.legendre.leggauss(3)
        return places[:, None], weights / 2


@dataclass(frozen=True, eq=False)
class Choices:
    """Every level that can be set, and which combinations are allowed."""

    slots: list[Slot]
    names: list[str]
    """The coded columns; the first is the constant."""
    left: np.ndarray
    right: np.ndarray
    """Each term of the model is the product of two coded columns."""
    weights: np.ndarray
    low: np.ndarray
    high: np.ndarray
    """Limits: low ≤ coded row · weights ≤ high, a column of weights per limit."""
    of_day: np.ndarray
    of_dough: np.ndarray
    """Which coded columns belong to whole days, to whole doughs."""
    failed: np.ndarray
    """Failed doughs × the columns of doughs."""

    @property
    def free(self) -> bool:
        return not self.weights.shape[1] and not len(self.failed)

    def rows(self, coded: np.ndarray) -> np.ndarray:
        """The model's columns at coded rows (last axis)."""
        return coded.take(self.left, axis=-1) * coded.take(self.right, axis=-1)

    def allowed(self, coded: np.ndarray) -> np.ndarray:
        """True where all limits are kept and no failed dough is near (last axis: coded row)."""
        total = coded @ self.weights
        good = ((total >= self.low - OF_LIMIT) & (total <= self.high + OF_LIMIT)).all(axis=-1)
        for one in self.failed:
            far = np.abs(coded[..., self.of_dough] - one).max(axis=-1)
            good &= far >= NEAR - 1e-9
        return good

    def frame(self, coded: np.ndarray) -> pd.DataFrame:
        """Rows of levels, each the nearest that can be set."""
        levels = {}
        for slot in self.slots:
            apart = np.abs(coded[:, None, slot.columns] - slot.codes[None]).max(axis=2)
            kind = object if slot.factor.levels else float
            levels[slot.factor.name] = np.array(slot.levels, dtype=kind)[apart.argmin(axis=1)]
        return pd.DataFrame(levels).infer_objects()

    def moments(self) -> np.ndarray:
        """Mean over all allowed levels of the products of the model's columns, two by two."""
        if self.free and self._count(3) <= MOST_COMBINATIONS:
            codes, weights = zip(*(slot.nodes for slot in self.slots), strict=True)
            rows = self.rows(_crossed(codes))
            share = np.prod(_crossed([one[:, None] for one in weights]), axis=1)
            return rows.T @ (share[:, None] * rows)
        places = qmc.Sobol(len(self.slots), scramble=False).random(EVERYWHERE)
        points = [np.ones((EVERYWHERE, 1))]
        for slot, at in zip(self.slots, places.T, strict=True):
            of_level = slot.codes[np.floor(at * len(slot.codes)).astype(int)]
            points.append(of_level if slot.factor.levels else 2 * at[:, None] - 1)
        points = np.hstack(points)
        points = points[self.allowed(points)]
        if len(points) < EVERYWHERE // 64:
            points = self.combinations
        rows = self.rows(points)
        return rows.T @ rows / len(rows)

    @cached_property
    def combinations(self) -> np.ndarray:
        """Coded rows of the allowed combinations, those of one dough together.

        If they are too many, of fewer levels of each number.
        """
        most = FINEST
        while self._count(most) > MOST_COMBINATIONS and most > 2:
            most -= 1
        each = [slot.some(most) for slot in self.slots]
        rows = _crossed(each)
        rows = rows[self.allowed(rows)]
        if not len(rows):
            raise problem_error(
                "limits",
                found="no combination of levels that keeps all limits and lies away from failed "
                "doughs",
                expected="at least one",
                mend="widen a limit, or bake between the failed doughs and the others",
            )
        return rows

    def _count(self, most: int) -> float:
        return float(np.prod([float(len(slot.some(most))) for slot in self.slots]))

    def draw(
        self, rng: np.random.Generator, shape: tuple[int, int, int], of_dough: int = 0
    ) -> np.ndarray:
        """Plans (of `shape` plan × dough × piece) drawn evenly: doughs, then bakes they allow.

        of_dough: pieces of each dough, where a day's doughs stand in the place of one.
        """
        rows = self.combinations
        edges = _edges(rows[:, [*self.of_day, *self.of_dough]])
        if of_dough:
            days = _edges(rows[edges[:-1]][:, self.of_day])
            day = rng.integers(len(days) - 1, size=(*shape[:2], 1))
            place = rng.random((*shape[:2], shape[2] // of_dough))
            dough = days[day] + np.floor(place * (days[day + 1] - days[day])).astype(int)
            dough = dough.repeat(of_dough, axis=2)
        else:
            dough = rng.integers(len(edges) - 1, size=(*shape[:2], 1))
        low, high = edges[dough], edges[dough + 1]
        return rows[low + np.floor(rng.random(shape) * (high - low)).astype(int)]


def _edges(rows: np.ndarray) -> np.ndarray:
    """Where runs of equal rows begin, and the end."""
    begins = np.flatnonzero((np.diff(rows, axis=0) != 0).any(axis=1)) + 1
    return np.concatenate([[0], begins, [len(rows)]])


def _crossed(each: list[np.ndarray]) -> np.ndarray:
    """Every combination of the rows of several arrays, side by side behind a 1."""
    places = np.indices([len(one) for one in each]).reshape(len(each), -1)
    own = [one[at] for one, at in zip(each, places, strict=True)]
    return np.hstack([np.ones((places.shape[1], 1)), *own])


def open_choices(factors, limits, doughs, terms: str | pd.DataFrame) -> Choices:
    """Choices for a table of factors; `doughs` tells which doughs failed."""
    known = sorted(read_factors(factors), key=lambda one: ORDER.index(one.changed_per))
    slots, place = [], 1
    for factor in known:
        own = factors[factors["factor"].eq(factor.name)]
        levels = settable(factor, FINEST)
        column = pd.Series(levels, dtype="str" if factor.levels else float, name=factor.name)
        codes = code(column.to_frame(), own).to_numpy(float)
        slots.append(Slot(factor, slice(place, place + codes.shape[1]), levels, codes))
        place += codes.shape[1]
    names = ["", *(name for factor in known for name in factor.coded_columns)]
    left, right = _products(factors, terms, names)
    of_dough = [factor for factor in known if factor.changed_per == "dough"]
    columns = [name for one in of_dough for name in one.coded_columns]
    failed = np.zeros((0, len(columns)))
    if doughs is not None:
        there = failed_doughs(doughs, of_dough)
        own = factors[factors["factor"].isin([one.name for one in of_dough])]
        failed = code(there, own)[columns].to_numpy(float)
    at = {
        per: np.array([names.index(name) for one in known if one.changed_per == per
                       for name in one.coded_columns], dtype=int)
        for per in ("day", "dough")
    }  # fmt: skip
    bounds = _limits(limits, slots, place)
    return Choices(slots, names, left, right, *bounds, at["day"], at["dough"], failed)


def _products(factors, terms, names: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """For the constant and every term, the two coded columns whose product it is."""
    pairs = [(0, 0)]
    listed = model_terms(factors, terms) if isinstance(terms, str) else terms
    for term in listed["term"]:
        if term.endswith("²"):
            pairs.append((names.index(term[:-1]),) * 2)
        else:
            one, _, other = term.partition(TIMES)
            pairs.append((names.index(one), names.index(other)))
    left, right = np.array(pairs).T
    return left, right


def _limits(limits, slots: list[Slot], size: int):
    """Limits as columns of weights on coded rows; their own room checks them."""
    if limits is None or limits.empty:
        return np.zeros((size, 0)), np.zeros(0), np.zeros(0)
    middle = {
        slot.factor.name: [slot.levels[0] if slot.factor.levels else slot.factor.middle]
        for slot in slots
    }
    held = check_limits(pd.DataFrame(middle), limits)
    by_name = {slot.factor.name: slot for slot in slots}
    weights = np.zeros((size, len(held)))
    for column, name in enumerate(held["limit"]):
        for term in limits[limits["limit"].eq(name)].itertuples():
            slot = by_name[term.factor]
            weights[0, column] += term.weight * slot.factor.middle
            weights[slot.columns.start, column] += term.weight * slot.factor.half
    low = held["low"].fillna(-np.inf).to_numpy(float)
    return weights, low, held["high"].fillna(np.inf).to_numpy(float)
