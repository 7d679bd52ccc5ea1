"""The shrinkage fit held to printed least squares and mixed models, its limits when known flat."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
import statsmodels.api as sm

from doughkit.fitting import fit_shrinkage, starting_assumptions
from tests.outside import DATA, Check

DAE = "D. C. Montgomery, Design and Analysis of Experiments, example 11.2 (process yield)"
CAKES = "chocolate cakes, Cochran and Cox 1957 p. 300; mixed model as fitted by lme4 1.1-31"
PROCESS = (
    "scikit-learn 1.9.1, GaussianProcessRegressor with a DotProduct kernel; the program is "
    "tests/outside/data/likelihood_in_gp.py"
)
GLS = "statsmodels, regression.linear_model.GLS, priors as further observations"


def known(**shares):
    """Assumptions taken as known, some of them replaced."""
    frame = starting_assumptions().assign(log_sd=0.0)
    return frame.assign(share=[shares.get(a, s) for a, s in frame[["assumption", "share"]].values])


@cache
def fitted_yields(flat: bool):
    """The 13 batches of a process, quadratic in time and temperature."""
    frame = pd.read_csv(DATA / "chemical_yield.csv")
    x = frame[["x1", "x2"]].replace({1.414: 2**0.5, -1.414: -(2**0.5)})
    design = x.assign(x11=x["x1"] ** 2, x22=x["x2"] ** 2, x12=x["x1"] * x["x2"])
    kinds = {"x1": "linear", "x2": "linear", "x11": "bend", "x22": "bend", "x12": "interaction"}
    wide = known(constant=1e4, linear=1e4, interaction=1.0, bend=1.0, piece=0.1)
    return fit_shrinkage(design, frame[["y1"]], kinds=kinds, scales={"y1": (70, 90)},
                         assumptions=wide if flat else known(bend=0.3))  # fmt: skip


@cache
def fitted_cakes(of_dough=True, constant=50.0, linear=10.0):
    """Breaking angle by recipe and temperature; spreads known from the published fit."""
    frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype={"replicate": str})
    design = pd.DataFrame(
        {
            "B": frame["recipe"].eq("B").astype(float),
            "C": frame["recipe"].eq("C").astype(float),
            "temp": (frame["temp"].astype(float) - 200) / 25,
        }
    )
    groups = pd.DataFrame({"day": frame["replicate"]})
    if of_dough:
        groups["dough"] = frame["recipe"] + frame["replicate"]
    length = 100.0
    spreads = {"day": 38.115123, "dough": 3.682494, "piece": 20.707418}
    shares = {name: float(np.sqrt(value)) / length for name, value in spreads.items()}
    return fit_shrinkage(design, frame[["angle"]], groups, kinds=dict.fromkeys(design, "linear"),
                         scales={"angle": (0, length)},
                         assumptions=known(constant=constant, linear=linear, **shares))  # fmt: skip


def coefficient(flat, term):
    return float(fitted_yields(flat).coefficients.set_index("term").loc[term, "estimate"])


def cake(term, column, **options):
    per = 25 if term == "temp" else 1
    found = fitted_cakes(**options).coefficients.set_index("term")
    return float(found.loc[term, column]) / per


def likelihood(fitted, *given, **options):
    return float(fitted(*given, **options).figures.loc[0, "log_likelihood"])


@cache
def by_gls():
    """The same posterior by a library: each prior enters as an observation of its coefficient."""
    rng = np.random.default_rng(1)
    dough = np.repeat(np.arange(5), 2)
    design = pd.DataFrame({"salt": rng.normal(size=5)[dough], "time": rng.normal(size=10)})
    value = 5 + design["salt"] + rng.normal(size=10)
    found = fit_shrinkage(design, value.to_frame("crispness"),
                          pd.DataFrame({"dough": dough.astype(str)}),
                          kinds={"salt": "linear", "time": "linear"},
                          scales={"crispness": (1, 9)},
                          assumptions=known(linear=0.1))  # fmt: skip
    ours = found.coefficients.set_index("term")
    x = np.vstack([np.column_stack([np.ones(10), design]), np.eye(3)])
    error = np.zeros((13, 13))
    error[:10, :10] = 0.35**2 * (dough[:, None] == dough[None, :]) + 0.25**2 * np.eye(10)
    error[10:, 10:] = np.diag([1.5**2, 0.8**2, 0.8**2])
    theirs = sm.GLS(np.r_[value, 5, 0, 0], x, sigma=error).fit()
    sd = np.sqrt(np.diag(theirs.normalized_cov_params))
    return ours, theirs.params, sd


def apart_from_gls(column):
    ours, params, sd = by_gls()
    theirs = params if column == "estimate" else sd
    return float(np.abs(ours[column].to_numpy() - theirs).max())


def check(says, where, kind, printed, within, get, wrong=False):
    return Check("fitting.fit_shrinkage", says, where, kind, printed, get, within, wrong)


CHECKS = [
    *[
        check(f"yield, assumptions flat: {words}", DAE, "handbook", value, 0.0006,
              partial(coefficient, True, term))
        for term, words, value in (
            ("constant", "constant", 79.94),
            ("x1", "time", 0.995),
            ("x2", "temperature", 0.515),
            ("x11", "bend of time", -1.376),
            ("x22", "bend of temperature", -1.001),
            ("x12", "time × temperature", 0.250),
        )
    ],
    check("yield: not least squares where the bend is assumed small", DAE, "handbook", -1.376,
          0.02, partial(coefficient, False, "x11"), wrong=True),
    check("cakes: recipe B less A", CAKES, "open data", -1.477778, 5e-6,
          partial(cake, "B", "estimate")),
    check("cakes: its standard error", CAKES, "reference library", 0.9752764, 5e-6,
          partial(cake, "B", "sd")),
    check("cakes: angle per degree", CAKES, "reference library", 0.158031746, 5e-8,
          partial(cake, "temp", "estimate")),
    check("cakes: standard error of the angle per degree", CAKES, "reference library",
          0.0162157744, 5e-9, partial(cake, "temp", "sd")),
    check("cakes: not the error of a recipe where the mix is forgotten", CAKES,
          "reference library", 0.9752764, 0.01, partial(cake, "B", "sd", of_dough=False),
          wrong=True),
    check("cakes, spreads known: log marginal likelihood", PROCESS, "reference library",
          -839.41694520232, 1e-8,
          partial(likelihood, fitted_cakes, constant=0.5, linear=0.1)),
    check("yield, effects known: log marginal likelihood", PROCESS, "reference library",
          -20.745136699809, 1e-8, partial(likelihood, fitted_yields, False)),
    check("cakes: another likelihood where the mix is forgotten", PROCESS, "reference library",
          -839.41694520232, 1.0,
          partial(likelihood, fitted_cakes, False, constant=0.5, linear=0.1), wrong=True),
    *[
        check(f"known spreads: {words} apart from the library's", GLS, "reference library", 0,
              1e-8, partial(apart_from_gls, column))
        for column, words in (("estimate", "coefficients"), ("sd", "standard deviations"))
    ],
]  # fmt: skip
