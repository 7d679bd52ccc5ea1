"""Power by simulation against the textbook's and a library's exact power of the t test."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
from statsmodels.stats.power import TTestIndPower

from doughkit import trials
from doughkit.trials.spreads import Spreads
from tests.outside import Check

COHEN = "J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988, t tests"
LIBRARY = "statsmodels TTestIndPower"


@cache
def found(each: int, change: float, by_scores: bool = False) -> float:
    """Share of rounds of `each` single-piece doughs a recipe in which `change` (in sd) is found."""
    doughs = pd.DataFrame(
        {"dough": np.arange(2 * each).astype(str), "kind": "test", "recipe": ["A", "B"] * each}
    )
    pieces = pd.DataFrame({"piece": doughs["dough"], "dough": doughs["dough"]})
    recipe = pd.DataFrame({"factor": ["recipe"], "changed_per": "dough", "levels": "A|B"})
    spreads = Spreads(dough=0.8**0.5, piece=0.0, tasting=0.2**0.5 * 2, tasters=4)
    rows = trials.power(
        doughs, pieces, recipe, changes=(change,), spreads=spreads, simulations=20_000, seed=7
    )
    return float(rows["scores_pct" if by_scores else "found_pct"].iloc[0]) / 100


def exact(each: int, change: float) -> float:
    return float(TTestIndPower().power(change, each, 0.05))


CHECKS = [
    Check(
        "trials.power",
        f"two groups of {each} doughs {change:g} standard deviations apart",
        source,
        kind,
        printed,
        partial(found, each, change),
        0.011,
    )
    for each, change, source, kind, printed in (
        (64, 0.5, COHEN, "handbook", 0.80),
        (26, 0.8, COHEN, "handbook", 0.80),
        (20, 1.0, COHEN, "from memory", 0.87),
        (5, 0.0, LIBRARY, "reference library", 0.05),
        (4, 1.0, LIBRARY, "reference library", exact(4, 1.0)),
        (6, 2.0, LIBRARY, "reference library", exact(6, 2.0)),
    )
] + [
    Check(
        "trials.power",
        "scores counted as doughs do not keep to 5 in 100",
        LIBRARY,
        "reference library",
        0.05,
        partial(found, 5, 0.0, True),
        0.10,
        wrong=True,
    )
]
