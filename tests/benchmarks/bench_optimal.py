"""How good and how fast the search for a round is: against 1,000 starts, and against a plain loop.

    python -m tests.benchmarks.bench_optimal [--write]

Four factors, all terms of a quadratic. With one piece a dough all four belong to the dough, with
two one of them belongs to the piece. A plan is judged from its tables, by plain generalised least
squares, and held against the best of 1,000 random starts, each bettered at all levels until nothing
gains. Times are of the processor. `--write` leaves the figures in tests/results/optimal.txt.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from doughkit import trials
from doughkit.trials.choices import open_choices
from doughkit.trials.exchange import Task, exchange, moves_of
from doughkit.trials.models import model_columns
from doughkit.trials.rounds import Round
from doughkit.trials.spreads import Spreads
from tests import results

CASES = ((20, 1), (10, 2), (16, 2))
LEVELS = (3, 21)
SEEDS = range(1, 11)
"""Seeds that judge; the search was tuned on others."""

STARTS, TOGETHER = 1000, 100
GOOD = 0.995
SPREADS = Spreads()


def four_factors(levels: int, pieces: int) -> pd.DataFrame:
    last = "piece" if pieces > 1 else "dough"
    return pd.DataFrame(
        {
            "factor": ["water_pct", "salt_pct", "fat_pct", "bake_min"],
            "low": -1.0,
            "high": 1.0,
            "step": 2 / (levels - 1),
            "changed_per": ["dough", "dough", "dough", last],
        }
    )


def task_for(factors: pd.DataFrame, doughs: int, pieces: int, criterion: str) -> Task:
    choices = open_choices(factors, None, None, "quadratic")
    error = SPREADS.of_piece * np.eye(pieces) + SPREADS.dough**2
    moments = choices.moments() if criterion == "I" else None
    whiten = np.linalg.inv(np.linalg.cholesky(error))
    return Task(choices, doughs, whiten, 1e-6 * np.eye(len(choices.left)), moments)


def judged(plan: Round, factors: pd.DataFrame, moments: np.ndarray | None) -> float:
    """Badness of a round by plain generalised least squares on its tables."""
    rows = plan.pieces.merge(plan.doughs, on="dough")
    columns = np.column_stack([np.ones(len(rows)), model_columns(rows, factors)])
    same = rows["dough"].to_numpy()[:, None] == rows["dough"].to_numpy()
    error = SPREADS.dough**2 * same + SPREADS.of_piece * np.eye(len(rows))
    return badness(columns.T @ np.linalg.solve(error, columns), moments)


def badness(information: np.ndarray, moments: np.ndarray | None) -> float:
    if moments is None:
        return -np.linalg.slogdet(information)[1]
    return float((np.linalg.inv(information) * moments).sum())


def efficiency(bad: float, best: float, moments: np.ndarray | None, size: int) -> float:
    return float(np.exp((best - bad) / size)) if moments is None else best / bad


def best_of_many(task: Task) -> float:
    """The best of 1,000 random starts, bettered at all levels until nothing gains."""
    rng, found = np.random.default_rng(0), []
    for _ in range(STARTS // TOGETHER):
        found.append(exchange(task, task.draw(rng, TOGETHER), moves_of(task))[1].min())
    return min(found)


def plain_loop(task: Task, start: np.ndarray) -> tuple[np.ndarray, float]:
    """One start bettered level by level, with the determinant or inverse of the whole each time."""
    plan, now = start.copy(), task.badness(start[None])[0]
    while True:
        before = now
        for move in moves_of(task):
            kept = plan[move.dough, move.pieces, move.columns].copy()
            for codes in move.codes:
                plan[move.dough, move.pieces, move.columns] = codes
                white = task.whiten @ task.choices.rows(plan)
                flat = white.reshape(-1, white.shape[-1])
                bad = badness(task.known + flat.T @ flat, task.moments)
                if bad < now - 1e-9:
                    kept, now = plan[move.dough, move.pieces, move.columns].copy(), bad
            plan[move.dough, move.pieces, move.columns] = kept
        if before - now < 1e-7:
            return plan, now


def seconds(what, *args) -> tuple[float, object]:
    begun = time.process_time()
    found = what(*args)
    return time.process_time() - begun, found


def measure(levels: int, doughs: int, pieces: int, criterion: str, loops: int = 4) -> str:
    """One line of figures."""
    factors = four_factors(levels, pieces)
    task = task_for(factors, doughs, pieces, criterion)
    best, size = best_of_many(task), len(task.choices.left)
    took, efficiencies = [], []
    for seed in SEEDS:
        once, plan = seconds(
            lambda seed: trials.plan_optimal(
                factors,
                doughs_to_add=doughs,
                pieces_per_dough=pieces,
                criterion=criterion,
                seed=seed,
            ),
            seed,
        )
        took.append(once)
        bad = judged(plan, factors, task.moments)
        efficiencies.append(efficiency(bad, best, task.moments, size))
    starts = task.draw(np.random.default_rng(99), 64)
    ours = seconds(exchange, task, starts, moves_of(task))[0] / len(starts)
    plain = sum(seconds(plain_loop, task, one)[0] for one in starts[:loops]) / loops
    good = sum(one >= GOOD for one in efficiencies)
    return (
        f"{doughs:3d} x {pieces}  {criterion}  {levels:2d} levels: {good:2d} of {len(SEEDS)} seeds "
        f"at {GOOD} or more (least {min(efficiencies):.4f}, median {np.median(efficiencies):.4f}); "
        f"a search {np.median(took):.2f} s, at most {max(took):.2f} s; one start "
        f"{1e3 * ours:.1f} ms, plain loop {1e3 * plain:.0f} ms, ratio {plain / ours:.0f}"
    )


def main() -> None:
    lines = []
    for levels in LEVELS:
        for doughs, pieces in CASES:
            for criterion in "DI":
                lines.append(measure(levels, doughs, pieces, criterion))
                print(lines[-1], flush=True)
    if "--write" in sys.argv:
        head = [
            "python3 -m tests.benchmarks.bench_optimal --write: four factors, quadratic;",
            "doughs x pieces; efficiency against the best of 1,000 random starts; seconds of the",
            "processor for a whole call of trials.plan_optimal; one start bettered at all levels,",
            "64 together, against a plain loop that takes the whole determinant or inverse per "
            "trial.",
            "",
        ]
        results.write("optimal", "Rounds found by search: how good, how fast", [*head, *lines])


if __name__ == "__main__":
    main()
