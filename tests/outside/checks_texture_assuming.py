"""Texture with assumptions known flat, held to a printed surface and a printed mixed model."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd

from doughkit import fitting, texture
from tests.outside import DATA, Check

DAE = "D. C. Montgomery, Design and Analysis of Experiments, example 11.2 (process yield)"


@cache
def both(flat: bool):
    """Effects of a process alone and with assumptions, from low to high: twice the coefficient."""
    frame = pd.read_csv(DATA / "chemical_yield.csv")
    x = frame[["x1", "x2"]].replace({1.414: 2**0.5, -1.414: -(2**0.5)})
    runs = [f"R{number}" for number in range(len(frame))]
    doughs = pd.DataFrame({"dough": runs, "kind": "test", "time_min": x["x1"], "heat_c": x["x2"]})
    pieces = pd.DataFrame({"piece": runs, "dough": runs})
    factors = pd.DataFrame({"factor": ["time_min", "heat_c"], "low": -1.0, "high": 1.0,
                            "changed_per": "dough"})  # fmt: skip
    values = pd.DataFrame({"attribute": "yield", "piece": runs, "mean": frame["y1"]})
    assumptions = fitting.starting_assumptions(times=2e3 if flat else 1).assign(log_sd=0.0)
    assumed = texture.fit_assuming(values, doughs, pieces, factors, scales={"yield": (70, 90)},
                                   assumptions=assumptions)  # fmt: skip
    alone = texture.fit(values, doughs, pieces, factors)
    return texture.side_by_side(alone, assumed).set_index("term")


def half_effect(term, column, *, flat=True):
    return float(both(flat).loc[term, column]) / 2


def check(about, says, printed, within, get, wrong=False):
    return Check(about, says, DAE, "handbook", printed, get, within, wrong)


CHECKS = [
    *[
        check(about, f"yield{words}: {factor} (twice the coefficient, halved)", printed, 0.001,
              partial(half_effect, term, column))
        for about, words, column in (
            ("texture.fit_assuming", ", assumptions flat", "low_to_high"),
            ("texture.side_by_side", ", the data alone", "data_low_to_high"),
        )
        for factor, term, printed in (("time", "time_min", 0.995), ("heat", "heat_c", 0.515))
    ],
    check("texture.fit_assuming", "yield: not least squares where assumptions weigh", 0.995, 0.001,
          partial(half_effect, "time_min", "low_to_high", flat=False), wrong=True),
    check("texture.side_by_side", "yield: the data alone don't move with the assumptions", 0.995,
          0.001, partial(half_effect, "time_min", "data_low_to_high", flat=False)),
    check("texture.side_by_side", "yield: what rests on assumptions is not what the data say",
          0.515, 0.001, partial(half_effect, "heat_c", "low_to_high", flat=False), wrong=True),
]  # fmt: skip
