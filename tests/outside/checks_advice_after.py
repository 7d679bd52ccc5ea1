"""Looking back and confirming, held to open data and to a library's t."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
from scipy import stats

from doughkit import advice
from tests.outside import DATA, Check

CAKES = "chocolate cakes, Cochran and Cox 1957 p. 300, 15 replicates of 18 cakes"
T = "scipy.stats.ttest_ind, equal variances"
SLEEP = "Student 1908, Biometrika 6, 1 (two drugs, as in R's sleep), read as two groups"


@cache
def cakes_share() -> float:
    """Each replicate predicted from those before it: share of breaking angles inside 90 %."""
    frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype={"replicate": str})
    mix = frame["recipe"] + frame["replicate"]
    rounds = np.ceil(frame["replicate"].astype(float) / 5)
    doughs = pd.DataFrame({"dough": mix, "kind": "test", "round": rounds,
                           "recipe": frame["recipe"]}).drop_duplicates("dough")  # fmt: skip
    pieces = pd.DataFrame({"piece": [f"P{at}" for at in range(len(frame))], "dough": mix,
                           "bake_day": frame["replicate"], "oven_c": frame["temp"].astype(float),
                           "angle": frame["angle"].astype(float)})  # fmt: skip
    factors = pd.DataFrame(
        [
            {"factor": "recipe", "changed_per": "dough", "levels": "A|B|C"},
            {"factor": "oven_c", "changed_per": "piece", "low": 175.0, "high": 225.0},
        ]
    )
    targets = pd.DataFrame({"attribute": ["angle"], "aim": [35.0]})
    tables = {"factors": factors, "doughs": doughs, "pieces": pieces, "targets": targets}
    return float(advice.look_back(tables).pieces["held"].mean())


DRUGS = ([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
         [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])  # fmt: skip


@cache
def sleep(pieces: int):
    """Two groups as a confirming round, each dough baked as so many equal pieces."""
    names = [f"D{at}" for at in range(20)]
    doughs = pd.DataFrame({"dough": names, "kind": "test", "round": 2.0,
                           "role": ["recommended"] * 10 + ["best so far"] * 10,
                           "salt_pct": 2.0})  # fmt: skip
    rows = pd.DataFrame({"dough": np.repeat(names, pieces)})
    rows["piece"] = [f"P{at}" for at in range(len(rows))]
    rows["more_h"] = np.repeat([*DRUGS[0], *DRUGS[1]], pieces)
    factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0],
                            "changed_per": ["dough"]})  # fmt: skip
    targets = pd.DataFrame({"attribute": ["more_h"], "aim": [2.0]})
    tables = {"factors": factors, "doughs": doughs, "pieces": rows, "targets": targets}
    return advice.confirm(tables, round=2).against_best.set_index("attribute").loc["more_h"]


def told(column, pieces=1):
    return float(sleep(pieces)[column])


def check(about, says, where, kind, printed, within, get, wrong=False):
    return Check(about, says, where, kind, printed, get, within, wrong)


CHECKS = [
    check("advice.look_back", "cakes: share of angles inside their 90 % interval", CAKES,
          "open data", 0.9, 0.08, cakes_share),
    check("advice.look_back", "cakes: not the share that the spread of cakes of one mix would hold",
          CAKES, "open data", 0.64, 0.1, cakes_share, wrong=True),
    check("advice.confirm", "sleep: difference of the groups", SLEEP, "open data", -1.58, 1e-9,
          partial(told, "difference")),
    check("advice.confirm", "sleep: p of Student's t", T, "reference library",
          float(stats.ttest_ind(*DRUGS).pvalue), 1e-12, partial(told, "p")),
    check("advice.confirm", "sleep: p is not lowered by baking each dough twice", T,
          "reference library", float(stats.ttest_ind(*DRUGS).pvalue), 1e-12,
          partial(told, "p", 2)),
    check("advice.confirm", "sleep: pieces are no doughs", T, "reference library",
          float(stats.ttest_ind(*(np.repeat(one, 2) for one in DRUGS)).pvalue), 0.005,
          partial(told, "p", 2), wrong=True),
]  # fmt: skip
