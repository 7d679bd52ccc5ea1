"""Forecasting, looking back and confirming, held to open data and to libraries."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import optimize, stats

from doughkit import advice
from doughkit.advice.needed import NOISES
from doughkit.fitting import starting_assumptions
from doughkit.texture.assuming import TASTE
from tests.outside import DATA, Check
from tests.outside.checks_advice import cake_mix

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


CAKE_MIX = "cake mix, G. W. Oehlert, A First Course, example 19.3"
OPTIMUM = "statsmodels OLS and scipy.optimize on the cake mix"
GLS = "statsmodels GLS, priors as further observations, on truths drawn by scipy.stats"


@cache
def sure_of_cakes():
    """The doughs of the recommendation for the cake mix."""
    return advice.confirming_round(cake_mix(), seed=1).doughs.query("role == 'recommended'")


@cache
def best_of_cakes():
    """Minutes and degrees of the highest score by a library's quadratic."""
    frame = pd.read_csv(DATA / "cake_mix.csv")
    x, y = (frame["X1"] - 35) / 2, (frame["X2"] - 350) / 10
    fit = sm.OLS(frame["Y"], np.column_stack([np.ones(14), x, y, x**2, y**2, x * y])).fit()
    a, b, c, d, e, f = fit.params

    def lacking(at):
        x, y = at
        return -(a + b * x + c * y + d * x**2 + e * y**2 + f * x * y)

    best = optimize.minimize(lacking, [0.0, 0.0]).x
    return 35 + 2 * best[0], 350 + 10 * best[1]


@cache
def forecast() -> float:
    """Two ways of making it, a dough of each: share of kitchens in which the right one is told."""
    factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0], "step": [2.0],
                            "changed_per": ["dough"]})  # fmt: skip
    found = advice.doughs_needed(factors, attributes=1, pieces_per_dough=1, most=2, within=0.35,
                                 kitchens=300, seed=1)  # fmt: skip
    return float(found.curve["within_share"].mean())


@cache
def forecast_by_library(blind=False) -> float:
    """The same with the spreads known: posterior by GLS, truths by scipy's normals."""
    named = starting_assumptions().set_index("assumption")
    share, loose = named["share"], named["log_sd"]
    rows = np.array([[1.0, -1, 2 / 3], [1.0, 1, 2 / 3]])
    prior = np.array([share["constant"], share["linear"], share["linear"] * share["bend"]])
    chance, told = stats.norm(), []
    for noise in NOISES:
        error = np.zeros((5, 5))
        taste = noise**2 * TASTE**2 / 6
        error[:2, :2] = share["day"] ** 2
        error[:2, :2] += np.eye(2) * (share["dough"] ** 2 + share["piece"] ** 2 + taste)
        error[2:, 2:] = np.diag(prior**2)
        model = sm.GLS(np.zeros(5), np.vstack([rows, np.eye(3)]), sigma=error)
        sd = np.sqrt(np.diag(rows @ model.fit().normalized_cov_params @ rows.T))
        turn = [sm.GLS(y, model.data.orig_exog, sigma=error).fit().params for y in np.eye(5)[:2]]
        normal = chance.rvs((4000, 9), random_state=int(10 * noise))
        linear = share["linear"] * np.exp(loose["linear"] * normal[:, 0])
        bend = linear * share["bend"] * np.exp(loose["bend"] * normal[:, 1])
        beta = normal[:, 2:5] * np.column_stack([np.full(4000, prior[0]), linear, bend])
        true = beta @ rows.T
        off = np.hypot(noise * share["piece"], np.sqrt(taste))
        off = np.hypot(off, noise * share["dough"])
        seen = true + off * normal[:, 5:7] + noise * share["day"] * normal[:, [7]]
        aim = np.where(normal[:, 8] > 0, true[:, 0], true[:, 1])
        away = seen @ np.array(turn) @ rows.T - aim[:, None]
        expected = stats.foldnorm.mean(np.abs(away) / sd, scale=sd)
        chosen = normal[:, 0] > 0 if blind else expected.argmin(axis=1)
        gap = np.abs(true[np.arange(4000), np.asarray(chosen, dtype=int)] - aim) * 8
        told.append((gap <= 0.35).mean())
    return float(np.mean(told))


def check(about, says, where, kind, printed, within, get, wrong=False):
    return Check(about, says, where, kind, printed, get, within, wrong)


CHECKS = [
    check("advice.confirming_round", "cake mix: minutes to confirm, to the step", OPTIMUM,
          "reference library", best_of_cakes()[0], 0.25,
          lambda: float(sure_of_cakes()["bake_min"].iloc[0])),
    check("advice.confirming_round", "cake mix: degrees to confirm, to the step", OPTIMUM,
          "reference library", best_of_cakes()[1], 1,
          lambda: float(sure_of_cakes()["oven_f"].iloc[0])),
    check("advice.confirming_round", "cake mix: not the minutes of the single best cake", CAKE_MIX,
          "open data", 35, 0.4, lambda: float(sure_of_cakes()["bake_min"].iloc[0]), wrong=True),
    check("advice.doughs_needed", "two doughs: share of kitchens that tell the right one", GLS,
          "reference library", forecast_by_library(), 0.05, forecast),
    check("advice.doughs_needed", "two doughs: more than picking blindly", GLS,
          "reference library", forecast_by_library(blind=True), 0.1, forecast, wrong=True),
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
