"""Ordered answers against R's ordinal and statsmodels on the bitterness of white wine."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd
from statsmodels.miscmodels.ordinal_model import OrderedModel

from doughkit.fitting import fit_ordered
from tests.outside import DATA, Check

LIBRARY = "reference library"
CLM = "R package ordinal 2022.11-16, clm on wine (Randall 1989)"
CLMM = "R package ordinal 2022.11-16, clmm with 10-point adaptive quadrature on wine"
OWN = "60-point Gauss-Hermite quadrature in numpy on wine"


@cache
def wine():
    return pd.read_csv(DATA / "wine.csv", dtype={"judge": "str"})


@cache
def fit(levels, terms="linear"):
    return fit_ordered(wine(), "rating", ["temp", "contact"], list(levels), terms=terms)


def of(table, column, row, levels, terms="linear"):
    return getattr(fit(levels, terms), table)[column].iloc[row]


@cache
def in_statsmodels():
    frame = wine()
    x = pd.DataFrame(
        {"warm": (frame["temp"] == "warm") * 1.0, "contact": (frame["contact"] == "yes") * 1.0}
    )
    return OrderedModel(frame["rating"], x, distr="logit").fit(method="bfgs", disp=False)


def _check(
    says, source, printed, within, table, column, row, levels, *, wrong=False, terms="linear"
):
    get = partial(of, table, column, row, levels, terms)
    return Check("fitting.fit_ordered", says, source, LIBRARY, printed, get, within, wrong)


def _checks():
    judges = ("judge",)
    value = ("figures", "log_likelihood", 0)
    yield _check("wine, log likelihood with judges", CLMM, -81.532461, 1e-6, *value, judges)
    yield _check("wine, the same by brute force", OWN, -81.5324607, 1e-7, *value, judges)
    says = "wine, log likelihood by Laplace's approximation"
    yield _check(says, CLMM, -81.565409, 1e-3, *value, judges, wrong=True)
    says = "wine, log likelihood when the judges are forgotten"
    yield _check(says, CLMM, -86.49192337, 1e-3, *value, judges, wrong=True)
    yield _check("wine, log likelihood without judges", CLM, -86.49192337, 1e-8, *value, ())
    for row, name, printed, plain, se in (
        (0, "temp warm", 3.06190, 2.50310, 0.52868),
        (1, "contact yes", 1.83343, 1.52780, 0.47662),
    ):
        at = ("coefficients", "estimate", row)
        yield _check(f"wine with judges, {name}", CLMM, printed, 1e-5, *at, judges)
        yield _check(f"wine, {name}", CLM, plain, 6e-6, *at, ())
        at = ("coefficients", "se", row)
        yield _check(f"wine, standard error of {name}", CLM, se, 6e-6, *at, ())
    for row, (printed, plain, se) in enumerate(
        (
            (-1.62349, -1.34438, 0.51710),
            (1.51279, 1.25081, 0.43788),
            (4.22705, 3.46689, 0.59776),
            (6.08616, 5.00640, 0.73091),
        )
    ):
        at = ("thresholds", "estimate", row)
        yield _check(f"wine with judges, threshold {row + 1}", CLMM, printed, 1e-5, *at, judges)
        yield _check(f"wine, threshold {row + 1}", CLM, plain, 6e-6, *at, ())
        at = ("thresholds", "se", row)
        yield _check(f"wine, standard error of threshold {row + 1}", CLM, se, 6e-6, *at, ())
    at = ("sources", "variance", 0)
    yield _check("wine, variance between judges", CLMM, 1.28774, 1e-5, *at, judges)
    for row, name, printed in ((0, "temp", 26.928), (1, "contact", 11.043)):
        at = ("tests", "chi_square", row)
        yield _check(f"wine, likelihood ratio of {name}", CLM, printed, 5e-4, *at, ())
    for column, printed, within in (("chi_square", 0.15145, 5e-6), ("p", 0.69716, 5e-6)):
        at = ("tests", column, 2)
        says = f"wine, {column} of temp × contact"
        yield _check(says, CLM, printed, within, *at, (), terms="interactions")
    where = "statsmodels 0.15, OrderedModel on wine"
    for row, name in enumerate(("warm", "contact")):
        printed = float(in_statsmodels().params[name])
        at = ("coefficients", "estimate", row)
        yield _check(f"wine, {name} in statsmodels", where, printed, 2e-5, *at, ())


CHECKS = list(_checks())
