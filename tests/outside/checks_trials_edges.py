"""Box-Behnken plans: published counts, and the properties their authors gave them."""

from __future__ import annotations

from functools import partial

import pandas as pd

from doughkit import trials
from tests.outside import Check

BOX_BEHNKEN = "G. E. P. Box, D. W. Behnken, Technometrics 2, 1960, 455-475, table 4"
NIST = "NIST/SEMATECH e-Handbook of Statistical Methods, 5.3.3.6.2, Box-Behnken designs"


def plan(factors: int, centre: int):
    names = [f"f{number}_pct" for number in range(1, factors + 1)]
    table = pd.DataFrame({"factor": names, "low": -1.0, "high": 1.0, "changed_per": "dough"})
    doughs = trials.plan_surface(
        table, kind="box-behnken", centre_doughs=centre, pieces_per_dough=1, round=1, seed=1
    ).doughs
    return doughs[names].to_numpy(float)


def count(factors: int, centre: int) -> int:
    return len(plan(factors, centre))


def roundness(factors: int) -> float:
    """Sum of fourth powers over the sum of products of squares: 3 where only distance counts."""
    levels = plan(factors, 0) ** 2
    return float((levels[:, 0] ** 2).sum() / (levels[:, 0] * levels[:, 1]).sum())


def pairs_alike(factors: int) -> int:
    """Different numbers of doughs in which two factors move together, over all pairs."""
    moved = plan(factors, 0) != 0
    return len({int((moved[:, a] & moved[:, b]).sum()) for a in range(factors) for b in range(a)})


CHECKS = [
    *[
        Check(
            "trials.plan_surface",
            f"Box-Behnken, {factors} factors: doughs",
            source,
            kind,
            printed,
            partial(count, factors, centre),
        )
        for factors, centre, printed, source, kind in (
            (3, 3, 15, NIST, "from memory"),
            (4, 3, 27, NIST, "from memory"),
            (5, 6, 46, NIST, "from memory"),
            (6, 6, 54, BOX_BEHNKEN, "from memory"),
            (7, 6, 62, BOX_BEHNKEN, "from memory"),
        )
    ],
    *[
        Check(
            "trials.plan_surface",
            f"Box-Behnken, {factors} factors: {word}",
            BOX_BEHNKEN,
            "from memory",
            printed,
            partial(roundness, factors),
            1e-9,
            wrong=wrong,
        )
        for factors, word, printed, wrong in (
            (4, "rotatable", 3.0, False),
            (7, "rotatable", 3.0, False),
            (3, "not rotatable", 3.0, True),
        )
    ],
    Check(
        "trials.plan_surface",
        "Box-Behnken, 7 factors: every pair moves together equally often",
        BOX_BEHNKEN,
        "from memory",
        1,
        partial(pairs_alike, 7),
    ),
    Check(
        "trials.plan_surface",
        "Box-Behnken, 6 factors: not all pairs of factors, as one library's 66 runs",
        BOX_BEHNKEN,
        "from memory",
        66,
        partial(count, 6, 6),
        wrong=True,
    ),
]
