"""What differed beside the factors: a slope set aside from five others, as certified."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd

from doughkit import trials
from tests.outside import DATA, Check

LONGLEY = "NIST Statistical Reference Datasets, linear regression, Longley"
NAMES = [f"x{number}" for number in range(1, 6)]


@cache
def of_year():
    """Employment: the five others as factors, the year as what differed beside them."""
    frame = pd.read_csv(DATA / "strd_longley.csv").rename_axis("dough").reset_index()
    frame = frame.astype({"dough": "str"}).assign(kind="test").rename(columns={"x6": "ferment_h"})
    factors = pd.DataFrame(
        {
            "factor": NAMES,
            "low": frame[NAMES].min().to_numpy(float),
            "high": frame[NAMES].max().to_numpy(float),
            "changed_per": "dough",
        }
    )
    pieces = pd.DataFrame({"piece": frame["dough"], "dough": frame["dough"]})
    means = pd.DataFrame({"attribute": "employed", "piece": frame["dough"], "mean": frame["y"]})
    return trials.beside_the_factors(means, frame, pieces, factors).iloc[0]


def year(column: str) -> float:
    return float(of_year()[column])


CHECKS = [
    Check(
        "trials.beside_the_factors",
        f"employment a year, the other five set aside: {column}",
        LONGLEY,
        "standard",
        printed,
        partial(year, column),
        within,
        wrong=wrong,
    )
    for column, printed, within, wrong in (
        ("slope", 1829.15146461355, 1e-4, False),
        ("se", 455.478499142212, 1e-4, False),
        ("df", 9.0, 0.0, False),
    )
] + [
    Check(
        "trials.beside_the_factors",
        "employment a year is not what it is with the other five overlooked",
        "least squares of employment on the year alone, same data",
        "reference library",
        716.5118,
        partial(year, "slope"),
        500.0,
        wrong=True,
    )
]
