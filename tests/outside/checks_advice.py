"""Advice on published response surfaces: the level it picks and what it promises of it."""

from __future__ import annotations

from functools import cache, partial
from itertools import product

import numpy as np
import pandas as pd

from doughkit import advice
from tests.outside import DATA, Check

DAE = "D. C. Montgomery, Design and Analysis of Experiments, example 11.2 (process yield)"
CAKES = "G. W. Oehlert, A First Course, example 19.3; S. Weisberg, Applied Linear Regression"
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, section 5.3.3.6.1"


@cache
def yields():
    """The process as a study: 13 batches, time and temperature to choose, yield to be high."""
    frame = pd.read_csv(DATA / "chemical_yield.csv")
    far = {1.414: 2**0.5, -1.414: -(2**0.5)}
    runs = [f"R{number}" for number in range(len(frame))]
    doughs = pd.DataFrame(
        {
            "dough": runs,
            "kind": "test",
            "time_min": 85 + 5 * frame["x1"].replace(far),
            "heat_f": 175 + 5 * frame["x2"].replace(far),
        }
    )
    factors = pd.DataFrame(
        {
            "factor": ["time_min", "heat_f"],
            "low": [80.0, 170.0],
            "high": [90.0, 180.0],
            "step": [1.0, 0.5],
            "changed_per": "dough",
        }
    )
    pieces = pd.DataFrame({"piece": runs, "dough": runs, "yield_pct": frame["y1"]})
    targets = pd.DataFrame({"attribute": ["yield_pct"], "low": [90.0]})
    tables = {"factors": factors, "doughs": doughs, "pieces": pieces, "targets": targets}
    return advice.recommend(tables, seed=1)


@cache
def cakes():
    """The cake mix as a study: minutes and degrees to choose, palatability as high as can be."""
    frame = pd.read_csv(DATA / "cake_mix.csv")
    runs = [f"R{number}" for number in range(len(frame))]
    doughs = pd.DataFrame({"dough": runs, "kind": "test", "bake_min": frame["X1"],
                           "oven_f": frame["X2"]})  # fmt: skip
    factors = pd.DataFrame({"factor": ["bake_min", "oven_f"], "low": [33.0, 340.0],
                            "high": [37.0, 360.0], "step": [0.5, 1.0],
                            "changed_per": "dough"})  # fmt: skip
    pieces = pd.DataFrame({"piece": runs, "dough": runs, "palatability": frame["Y"]})
    targets = pd.DataFrame({"attribute": ["palatability"], "low": [10.0]})
    tables = {"factors": factors, "doughs": doughs, "pieces": pieces, "targets": targets}
    return advice.recommend(tables, seed=1)


def level(found, factor):
    return float(found().levels.set_index("factor").loc[factor, "recommended"])


def expected(found):
    return found().expected.loc[0, "mean"]


def axial_doughs(count):
    """What is added to the corners of `count` factors, all of them baked."""
    names = [f"part{number}_pct" for number in range(count)]
    signs = np.array([*product((-1.0, 1.0), repeat=count), [0.0] * count, [0.0] * count])
    doughs = pd.DataFrame(10 + signs, columns=names)
    doughs = doughs.assign(dough=[f"D{at}" for at in range(len(signs))], kind="test", round=1)
    pieces = doughs[["dough"]].assign(piece=doughs["dough"])
    noise = np.random.default_rng(1).normal(size=len(doughs))
    pieces["height_mm"] = 5 + signs.sum(axis=1) + 0.2 * noise
    factors = pd.DataFrame({"factor": names, "low": 9.0, "high": 11.0, "step": 0.5,
                            "changed_per": "dough"})  # fmt: skip
    targets = pd.DataFrame({"attribute": ["height_mm"], "aim": [5.0]})
    tables = {"factors": factors, "doughs": doughs, "pieces": pieces, "targets": targets}
    planned = advice.next_round(tables, pieces_per_dough=1, seed=1)
    return int(planned.doughs["role"].eq("axial").sum())


def check(about, says, where, kind, printed, within, get, wrong=False):
    return Check(about, says, where, kind, printed, get, within, wrong)


CHECKS = [
    # The printed highest yield is at 86.95 min and 176.53 °F; ours stands on whole minutes.
    check("advice.recommend", "yield promised at the best settable levels", DAE, "handbook",
          80.21, 0.015, partial(expected, yields)),
    check("advice.recommend", "yield: minutes", DAE, "from memory", 87, 0,
          partial(level, yields, "time_min")),
    check("advice.recommend", "yield: degrees", DAE, "from memory", 176.5, 0.5,
          partial(level, yields, "heat_f")),
    check("advice.recommend", "yield: not the best single batch, 80.3 at 85 min, promised", DAE,
          "handbook", 80.3, 0.03, partial(expected, yields), wrong=True),
    check("advice.recommend", "yield: not the minutes of the best single batch", DAE, "handbook",
          85, 0.5, partial(level, yields, "time_min"), wrong=True),
    check("advice.recommend", "cake mix: not the levels of the best single cake, 35 min", CAKES,
          "open data", 35, 0.2, partial(level, cakes, "bake_min"), wrong=True),
    *[
        check("advice.next_round", f"{count} factors: axial doughs added to the corners", HANDBOOK,
              "from memory", 2 * count, 0, partial(axial_doughs, count))
        for count in (2, 3)
    ],
    check("advice.next_round", "3 factors: not a second set of corners", HANDBOOK, "from memory",
          8, 0, partial(axial_doughs, 3), wrong=True),
]  # fmt: skip
