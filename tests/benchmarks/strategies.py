"""Ways to go on from bake to bake, each judged by the hidden truth at what it would hand on."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.stats import qmc

from doughkit import advice
from doughkit.advice.rounds import round_of
from doughkit.advice.weighing import weigh
from doughkit.trials.coding import code
from doughkit.trials.optimal import plan_optimal
from doughkit.trials.spreads import Spreads
from tests.benchmarks.kitchens import Bench, Kitchen, coded, factor_table

SESSION = 4


def start_of(kitchen: Kitchen) -> np.ndarray:
    """A formula in the middle 60 % of each range."""
    return np.random.default_rng([11, id_of(kitchen)]).uniform(
        -0.6, 0.6, len(kitchen.setting.factors)
    )


def id_of(kitchen: Kitchen) -> int:
    return int(abs(kitchen.profile[0]) * 1e9) % (1 << 31)


# --- the library -------------------------------------------------------------------------------


def with_advice(kitchen: Kitchen, goal: str, stops, *, first: int = 6, every: int = SESSION):
    """First round, then rounds of four; yields (doughs, weighed, bench) at each stop."""
    bench = Bench(kitchen, goal, np.random.default_rng([21, id_of(kitchen)]))
    factors = kitchen.setting.factors
    seed = id_of(kitchen)
    doughs, pieces = advice.first_round(factor_table(factors), doughs=first, seed=seed % 7)
    count = 0
    while True:
        levels = pieces.merge(doughs, on="dough", how="left")
        x = coded(levels, factors)
        formulas = [x[levels["dough"].eq(name).to_numpy()] for name in doughs["dough"]]
        bench.bake(formulas, [f"D{count + at}" for at in range(len(doughs))])
        count += len(doughs)
        weighed = weigh(bench.tables(), goal=goal, seed=seed)
        if count in stops:
            yield count, weighed, bench
        if count >= max(stops):
            return
        planned = round_of(weighed, doughs_to_add=every, pieces_per_dough=2)
        doughs, pieces = planned.doughs.drop(columns="round"), planned.pieces


def place_of(weighed) -> np.ndarray:
    """The recommended levels, coded."""
    return coded(weighed.best.to_frame().T, weighed.space.names)[0]


# --- one change at a time, and hunches ----------------------------------------------------------


class Notebook:
    """Scores noted by formula; the best by mean score of all its bakes."""

    def __init__(self, bench: Bench):
        self.bench, self.seen = bench, {}

    def note(self) -> None:
        self.seen = {}
        for x, mean in zip(self.bench.coded, self.bench.means, strict=True):
            self.seen.setdefault(tuple(np.round(x, 6)), []).append(mean)

    def best(self) -> np.ndarray:
        kitchen, goal = self.bench.kitchen, self.bench.goal
        found = {
            place: float(kitchen.goal(np.mean(each, axis=0), goal))
            for place, each in self.seen.items()
        }
        return np.array(min(found, key=found.get))


def one_at_a_time(kitchen: Kitchen, goal: str, stops, *, several=False):
    """Careful: each day the best so far is baked again beside three changes of it.

    One factor is changed at a time, each in turn, up and down; a turn of all without a gain halves
    the change. With `several` a good hunch changes two or three at once, mostly the right way.
    """
    bench = Bench(kitchen, goal, np.random.default_rng([31, id_of(kitchen), several]))
    rng = np.random.default_rng([32, id_of(kitchen), several])
    count_factors = len(kitchen.setting.factors)
    bake = list(kitchen.setting.factors).index("bake_min")
    current, step = start_of(kitchen), np.full(count_factors, 0.6)
    turn, idle, count = 0, 0, 0
    notes = Notebook(bench)
    moves = [(at, sign) for at in range(count_factors) if at != bake for sign in (1, -1)]
    while count < max(stops):
        formulas = [current]
        while len(formulas) < SESSION:
            if several:
                formulas.append(_hunch(kitchen, goal, current, step, rng))
                continue
            at, sign = moves[turn % len(moves)]
            turn += 1
            moved = current.copy()
            moved[at] = np.clip(moved[at] + sign * step[at], -1, 1)
            formulas.append(moved)
        formulas = [_two_bakes(x, bake, step[bake], rng) for x in formulas]
        bench.bake(formulas, [f"D{count + at}" for at in range(SESSION)])
        notes.note()
        before, current = current, notes.best()
        count += SESSION
        idle = idle + 1 if np.allclose(before, current) else 0
        if idle >= 2:
            step, idle = step * 0.7, 0
        for stop in stops:
            if count - SESSION < stop <= count:
                yield stop, current, bench


def _two_bakes(x: np.ndarray, bake: int, step: float, rng) -> np.ndarray:
    other = x.copy()
    sign = rng.choice([-1, 1])
    if abs(x[bake] + sign * step) > 1:
        sign = -sign
    other[bake] = np.clip(x[bake] + sign * step, -1, 1)
    return np.array([x, other])


def _hunch(kitchen: Kitchen, goal: str, current, step, rng) -> np.ndarray:
    """Change two or three factors; each the right way seven times in ten."""
    moved = current.copy()
    for at in rng.permutation(len(current))[: rng.integers(2, 4)]:
        ways = np.repeat(current[None], 2, axis=0)
        ways[:, at] = np.clip(ways[:, at] + np.array([1, -1]) * 0.3, -1, 1)
        goals = kitchen.goal(kitchen.truth(ways), goal)
        right = 1 if goals[0] < goals[1] else -1
        sign = right if rng.random() < 0.7 else -right
        moved[at] = np.clip(moved[at] + sign * step[at] * rng.uniform(0.3, 1.0), -1, 1)
    return moved


# --- one-shot designs read by least squares -----------------------------------------------------


def composite(factors) -> np.ndarray:
    """Face-centred composite of the dough factors, doughs × 2 × factors; bakes low and high, and at
    the middle on faces and centres."""
    bake = list(factors).index("bake_min")
    rest = [at for at in range(len(factors)) if at != bake]
    count = len(rest)
    corners = np.array(np.meshgrid(*[[-1, 1]] * count)).reshape(count, -1).T
    faces = np.vstack([sign * np.eye(count)[at] for at in range(count) for sign in (-1, 1)])
    points = np.vstack([corners, faces, np.zeros((2, count))])
    plan = np.zeros((len(points), 2, len(factors)))
    plan[:, :, rest] = points[:, None]
    for at in range(len(points)):
        on_corner = at < len(corners)
        plan[at, :, bake] = (-1, 1) if on_corner else ((0, 1), (-1, 0))[at % 2]
    return plan


@cache
def optimal(factors, doughs: int, seed: int) -> np.ndarray:
    """I-optimal for least squares: nearly nothing assumed of the coefficients."""
    table = factor_table(factors)
    spreads = Spreads(dough=0.35, piece=0.5, tasting=0.0)
    plan = plan_optimal(table, doughs_to_add=doughs, spreads=spreads, seed=seed)
    levels = code(plan.pieces.merge(plan.doughs, on="dough"), table)
    return levels.to_numpy(float).reshape(doughs, 2, -1)


def columns(x: np.ndarray) -> np.ndarray:
    """The quadratic of least squares."""
    count = x.shape[1]
    cross = [x[:, i] * x[:, j] for i in range(count) for j in range(i + 1, count)]
    return np.column_stack([np.ones(len(x)), x, *cross, x**2])


def least_squares(kitchen: Kitchen, goal: str, plan: np.ndarray, name: str):
    """Bake a plan at one go in days of four, fit a quadratic each, go where its goal is best."""
    bench = Bench(kitchen, goal, np.random.default_rng([41, id_of(kitchen), len(name)]))
    rng = np.random.default_rng([42, id_of(kitchen)])
    order = rng.permutation(len(plan))
    for at in range(0, len(plan), SESSION):
        some = order[at : at + SESSION]
        bench.bake([plan[one] for one in some], [f"D{one}" for one in some])
    x = np.array(bench.coded)
    beta = np.linalg.lstsq(columns(x), bench.means, rcond=None)[0]
    count = x.shape[1]
    looked = 2 * qmc.Sobol(count, rng=np.random.default_rng(6)).random(2048) - 1
    looked = np.where(rng.random(looked.shape) < 0.12, np.sign(looked), looked)
    for reach in (0.2, 0.1, 0.05, 0.02):
        goals = kitchen.goal(columns(looked) @ beta, goal)
        top = looked[goals.argsort()[:8]]
        more = np.clip(np.repeat(top, 20, axis=0) + reach * rng.normal(size=(160, count)), -1, 1)
        looked = np.concatenate([top, more])
    goals = kitchen.goal(columns(looked) @ beta, goal)
    return looked[goals.argmin()], float(goals.min())
