"""How long simulated bakes take, beside scipy's stiff solver on the same equations.

    python -m tests.benchmarks.bench_bake

Both sides march the same cells of the same bakes with the same laws; scipy's BDF takes them as
ordinary differential equations in the enthalpy and the dried water of each cell, one bake at a
time, with the structure of its Jacobian given. It gives up wherever a cell begins or ceases to dry,
and is helped over. Times are of the processor, one core; they also go to
tests/results/bake_speed.txt.
"""

from __future__ import annotations

import os
import time

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # before numpy: threads would count twice as processor time

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from scipy.integrate import solve_ivp  # noqa: E402

from doughkit.baking import calibrate, match_hydration  # noqa: E402
from doughkit.baking.inputs import read_bakes  # noqa: E402
from doughkit.baking.run import grid_of, run, slab_of  # noqa: E402
from doughkit.baking.slab import Stack  # noqa: E402
from doughkit.baking.slab_step import Flows, Melt  # noqa: E402
from tests import results  # noqa: E402

MINUTES = 8.0
LONGEST_STEP_S, NUDGE_S = 4.0, 0.01
"""Longest step of BDF, and the explicit one that helps it over."""
NEARLY_DRY, LEAST_RESISTANCE = 0.999, 0.05
"""Kindness to BDF: without it, a cell's last water couples its neighbours without bound."""
RTOL = 1e-4
"""Of BDF; with 1e-3 it ends 13 points of loss off."""
ASKED_S, ASKED_POINTS = 2.0, 0.1


def thin_bakes(count: int, seed: int = 1) -> pd.DataFrame:
    """Bakes of 8-12 mm for 8 minutes, half on steel, half on a rack."""
    draw = np.random.default_rng(seed)
    mm, air_c = draw.uniform(8, 12, count), draw.uniform(200, 280, count)
    return pd.DataFrame(
        {
            "support": np.where(np.arange(count) % 2, "rack", "steel"),
            "air_c": air_c,
            "support_c": air_c + 20,
            "support_mm": 8.0,
            "bake_min": MINUTES,
            "thickness_mm": mm,
            "mass_before_g": draw.uniform(420, 620, count) * mm * np.pi / 4 * 0.29**2,
            "diameter_mm": 290.0,
            "water_pct": draw.uniform(64, 94, count),
            "dry_pct": 88.0,
            "oven_factor": np.exp(draw.normal(np.log(0.75), 0.3, count)),
            "contact_w_m2k": np.exp(draw.normal(np.log(100), 0.5, count)),
            "crust_w_mk": np.exp(draw.normal(np.log(0.08), 0.3, count)),
        }
    )


def seconds_of(job, times: int = 3) -> float:
    """Least processor time of some runs."""
    spent = []
    for _ in range(times):
        start = time.process_time()
        job()
        spent.append(time.process_time() - start)
    return min(spent)


def loss_pct(table: dict, **options) -> np.ndarray:
    return 100 * run(table, **options)["lost_kg_m2"][-1] / table["mass_kg_m2"]


class Continuous:
    """One bake as ordinary differential equations, from the library's own laws.

    State: heat of each cell as if no vapour had left (so that the melt gives temperature and water
    boiled off), then the water each dough cell has lost below boiling.
    """

    def __init__(self, table: dict, place: int):
        dough, air, support = slab_of(table, np.array([place]))
        self.seconds = 60 * table["bake_min"][place]
        grid = grid_of(table["support"][place], dough.thickness_m[0], self.seconds, "quick")
        self.stack = Stack(dough, air, support, grid)
        self.melt, self.low = Melt(self.stack), self.stack.low
        self.water = self.stack.water.copy()
        self.start_c = self.stack.top.surface_c.copy()
        self.start_under_c = self.stack.under.surface_c.copy()
        self.mass = table["mass_kg_m2"][place]
        self.start = np.concatenate([self.stack.enthalpy[:, 0], np.zeros(grid.cells)])

    def split(self, state):
        """Temperatures and waters of the cells."""
        rows = len(self.stack.size)
        enthalpy, dried = state[:rows, None].copy(), state[rows:, None]
        self.melt.set_water(self.water - dried)
        cell_c, _ = self.melt.temperature(enthalpy)
        return cell_c, self.water - dried - self.melt.boiled(enthalpy)

    def slope(self, _, state):
        stack = self.stack
        stack.cell_c, stack.water = self.split(state)
        dried = stack.dried()
        upper = stack.hot_side_up(dried)
        dried = np.where(dried > NEARLY_DRY, 1.0, dried)
        least = LEAST_RESISTANCE * stack.size[self.low :] / stack.dough.crumb_k
        lower, above = (np.maximum(one, least) for one in stack.resistances(dried, upper))
        conductance = stack.conductances(lower, above)
        fronts = [stack.front(dried, from_top=True)]
        if not stack.support:
            fronts.append(stack.front(dried, from_top=False))
        flows = Flows(stack, conductance, fronts, 1 / stack.size)
        stack.top.surface_c, stack.under.surface_c = self.start_c, self.start_under_c
        for _ in range(8):  # the surfaces find their balance anew, one Newton step a call
            flows.at(stack.cell_c)
        heat, lost = flows.change()[:, 0], np.zeros(len(self.water))
        for front in fronts:
            vapour = front.gone * (4190.0 * front.front_c + front.heat)
            heat[front.row] -= vapour
            lost[front.row - self.low] += front.gone
        return np.concatenate([heat, lost])

    def sparsity(self) -> np.ndarray:
        rows, cells = len(self.stack.size), len(self.water)
        heat = np.eye(rows, k=0) + np.eye(rows, k=1) + np.eye(rows, k=-1)
        cross = np.zeros((rows, cells))
        cross[self.low :] = np.eye(cells) + np.eye(cells, k=1) + np.eye(cells, k=-1)
        return np.block([[heat, cross], [cross.T, np.eye(cells)]]) != 0

    def loss_pct(self, rtol: float) -> float:
        state, now = self.start, 0.0
        while now < self.seconds:
            done = solve_ivp(
                self.slope,
                (now, self.seconds),
                state,
                method="BDF",
                rtol=rtol,
                atol=np.repeat([1e3, 1e-3], [len(self.stack.size), len(self.water)]),
                jac_sparsity=self.sparsity(),
                first_step=NUDGE_S,
                max_step=LONGEST_STEP_S,
            )
            state, now = done.y[:, -1], done.t[-1]
            if now < self.seconds:
                # BDF gives up where a cell begins or ceases to dry: helped over by a small step
                state, now = state + NUDGE_S * self.slope(now, state), now + NUDGE_S
        _, left = self.split(state)
        lost = ((self.water - left) * self.stack.size[self.low :]).sum()
        return 100 * lost / self.mass


def a_whole_match(members: int = 1000) -> float:
    """Processor time of a calibration and a match: two ovens, a curve, a thousand members."""
    bake = thin_bakes(1).iloc[[0]].assign(oven="home", bake_min=5.0, hydration_pct=62.0)
    bake = bake[[name for name in bake.columns if not name.endswith(("_factor", "k"))]]
    pieces = pd.concat([bake] * 3, ignore_index=True).assign(
        piece=list("abc"), dough="A", scale_step_g=1.0
    )
    pieces["mass_after_g"] = pieces["mass_before_g"] * [0.85, 0.845, 0.86]
    hearth = bake.assign(oven="hearth", support="brick", support_mm=60.0, bake_min=1.4)
    hearth = hearth.assign(air_c=450.0, support_c=430.0)

    def job():
        home = calibrate(
            pieces.drop(columns=["water_pct", "dry_pct", "hydration_pct"]),
            bake[["oven", "air_c", "support", "support_c", "support_mm"]],
            pieces[["dough", "water_pct", "dry_pct", "hydration_pct"]].iloc[[0]],
            seed=1,
            members=members,
        )
        match_hydration(bake, hearth, home, hold="flour per area", seed=1)

    return seconds_of(job, times=1)


def main() -> list[str]:
    lines = []

    def say(text: str) -> None:
        lines.append(text)
        print(text, flush=True)

    frame = thin_bakes(1000)
    table = read_bakes(frame)
    ours = seconds_of(lambda: run(table))
    some = np.arange(0, 1000, 20)
    few = {name: values[some] for name, values in table.items()}
    off = np.abs(loss_pct(few) - loss_pct(few, grid="fine"))
    say(
        f"1,000 bakes of 8-12 mm, 8 min, steel and rack: {ours:.2f} s (asked: {ASKED_S:g}); off "
        f"the fine grid by at most {off.max():.3f} points in {len(some)} (asked: {ASKED_POINTS:g})"
    )
    for count in (2000, 4000, 8000):
        part = read_bakes(thin_bakes(count))
        spent = seconds_of(lambda part=part: run(part), times=2)
        say(f"{count:,} bakes: {spent:.2f} s, {1e3 * spent / count:.2f} ms a bake")
    spent, apart = [], []
    for place in range(4):
        start = time.process_time()
        theirs = Continuous(table, place).loss_pct(RTOL)
        spent.append(time.process_time() - start)
        apart.append(abs(theirs - loss_pct({n: v[[place]] for n, v in table.items()})[0]))
    say(
        f"scipy's BDF, rtol {RTOL:g}, same cells: {np.mean(spent):.2f} s a bake; ours is "
        f"{1e3 * np.mean(spent) / ours:.0f} times as fast a bake, and ends within "
        f"{max(apart):.3f} points of it"
    )
    one = {name: values[:1] for name, values in table.items()}
    say(f"one bake alone: {seconds_of(lambda: run(one)):.2f} s")
    say(f"calibration and match, two ovens, a curve, 1,000 members: {a_whole_match():.1f} s")
    return lines


if __name__ == "__main__":
    results.write("bake_speed", "Simulated bakes: processor time on one core", main())
