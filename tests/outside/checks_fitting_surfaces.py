"""Printed surfaces: treads, a chemical process, a coating, throws; and one certified line."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd

from doughkit.fitting import fit_linear
from tests.outside import DATA, Check

TREAD = "G. Derringer and R. Suich 1980, Journal of Quality Technology 12, 214 (tyre tread)"
TREAD_NIST = "NIST/SEMATECH e-Handbook of Statistical Methods, section 5.5.3.2.2 (same treads)"
DAE = "D. C. Montgomery, Design and Analysis of Experiments, example 11.2 (viscosity)"
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, section "
NORRIS = "NIST Statistical Reference Datasets, Linear Regression, certified values, dataset Norris"
MEMORY, BOOK = "from memory", "handbook"


def quadratic(x, names, pairs):
    """Columns of a quadratic: named as their factors, squares and products by both names."""
    products = {a + b: x[a] * x[b] for a, b in pairs}
    return x[list(names)].assign(**{2 * name: x[name] ** 2 for name in names}, **products)


@cache
def tread(value):
    frame = pd.read_csv(DATA / "tread.csv")
    x = frame[["silica", "silane", "sulphur"]].set_axis(list("abc"), axis=1)
    return fit_linear(quadratic(x, "abc", ("ab", "ac", "bc")), frame[value])


TREADS = {
    # printed as constant, silica, silane, sulphur, their squares, their products
    "abrasion": (5.6, (139.12, 16.49, 17.88, 10.91, -4.01, -3.45, -1.57, 5.13, 7.13, 7.88)),
    "modulus": (328.7, (1261.11, 268.15, 246.50, 139.48, -83.55, -124.79, 199.17, 69.38, 94.13,
                        104.38)),
    "elongation": (20.6, (400.38, -99.67, -31.40, -73.92, 7.93, 17.31, 0.43, 8.75, 6.25, 1.25)),
    "hardness": (1.27, (68.91, -1.41, 4.32, 1.63, 1.56, 0.06, -0.32, -1.63, 0.13, -0.25)),
}  # fmt: skip
TERMS = ("constant", "a", "b", "c", "aa", "bb", "cc", "ab", "ac", "bc")
ROUNDED = {"modulus": 0.03}
"""Of the modulus, a thousand and more, the printed figures carry rounding in the last place."""


@cache
def viscosity():
    frame = pd.read_csv(DATA / "chemical_yield.csv")
    x = frame[["x1", "x2"]].replace({1.414: 2**0.5, -1.414: -(2**0.5)}).set_axis(["a", "b"], axis=1)
    return fit_linear(quadratic(x, "ab", ("ab",)), frame["y2"])


@cache
def stress():
    """The reduced surface of the coating: both factors and the bend of pressure."""
    frame = pd.read_csv(DATA / "nist_cvd.csv")
    p, r = ((frame["Pressure"] - 42) / 38).round(2), ((frame["Ratio"] - 6) / 4).round(2)
    return fit_linear(pd.DataFrame({"p": p, "r": r, "pp": p**2}), frame["Stress"])


@cache
def throws(log=False):
    """A half fraction of five factors: all pairs of distance, or the factors alone of its log."""
    frame = pd.read_csv(DATA / "nist_catapult.csv")
    x = frame[list("hsble")]
    if log:
        return fit_linear(x, np.log(frame["distance"]))
    pairs = ("hs", "hb", "hl", "he", "sb", "sl", "se", "bl", "be", "le")
    return fit_linear(x.assign(**{a + b: x[a] * x[b] for a, b in pairs}), frame["distance"])


@cache
def norris():
    frame = pd.read_csv(DATA / "strd_norris.csv")
    return fit_linear(frame[["x"]], frame["y"])


def coef(fit, term, column="estimate", *given):
    return fit(*given).coefficients.set_index("term").loc[term, column]


def source(fit, name, column):
    return fit().sources.set_index("source").loc[name, column]


def figure(fit, name, *given):
    return fit(*given).figures.loc[0, name]


def check(says, where, kind, printed, within, how, *given, wrong=False):
    return Check("fitting.fit_linear", says, where, kind, printed, partial(how, *given), within,
                 wrong)  # fmt: skip


_log = partial(throws, log=True)

CHECKS = [
    *[
        check(f"tyre tread: {value}, coefficient of {term}", TREAD, MEMORY, printed,
              ROUNDED.get(value, 0.006), coef, tread, term, "estimate", value)
        for value, (_, row) in TREADS.items()
        for term, printed in zip(TERMS, row, strict=True)
    ],
    *[
        check(f"tyre tread: {value}, residual sd", TREAD, MEMORY, printed, within, figure, tread,
              "s", value)
        for (value, (printed, _)), within in zip(TREADS.items(), (0.06, 0.06, 0.06, 0.006),
                                                 strict=True)
    ],
    check("tyre tread: not the sulphur of runs read in another order", TREAD_NIST, BOOK, 2.21, 1.0,
          coef, tread, "c", "estimate", "abrasion", wrong=True),
    *[
        check(f"viscosity: {words}", DAE, MEMORY, printed, within, coef, viscosity, term)
        for words, term, printed, within in (
            ("constant", "constant", 70.00, 0.006), ("time", "a", -0.155, 6e-4),
            ("heat", "b", -0.948, 6e-4), ("time squared", "aa", -0.6875, 6e-5),
            ("heat squared", "bb", -6.6875, 6e-5), ("time × heat", "ab", -1.25, 0.006),
        )
    ],
    *[
        check(f"coating stress, reduced: {words}", HANDBOOK + "5.4.7.3", BOOK, printed, within,
              how, stress, *given)
        for words, printed, within, how, given in (
            ("constant", 7.73410, 6e-6, coef, ("constant",)),
            ("error of the constant", 0.03715, 6e-6, coef, ("constant", "se")),
            ("pressure", 0.73593, 6e-6, coef, ("p",)),
            ("ratio", 0.49686, 6e-6, coef, ("r",)),
            ("pressure squared", -0.49426, 6e-6, coef, ("pp",)),
            ("error of pressure squared", 0.07094, 6e-6, coef, ("pp", "se")),
            ("residual sd", 0.0883, 6e-5, figure, ("s",)),
            ("R squared", 0.9848, 6e-5, figure, ("r2",)),
            ("lack of fit, sum of squares", 0.032405, 6e-7, source, ("lack of fit", "sum_square")),
            ("pure error, sum of squares", 0.022200, 6e-7, source, ("pure error", "sum_square")),
            ("lack of fit, F", 0.58, 6e-3, source, ("lack of fit", "f")),
            ("lack of fit, p", 0.73, 6e-3, source, ("lack of fit", "p")),
        )
    ],
    check("coating stress: lack of fit has not the mean square printed by a slip",
          HANDBOOK + "5.4.7.3", BOOK, 0.00065, 1e-4, source, stress, "lack of fit", "mean_square",
          wrong=True),
    *[
        check(f"catapult, all pairs: {words}", HANDBOOK + "5.4.7.2", BOOK, printed, within, how,
              throws, *given)
        for words, printed, within, how, given in (
            ("error of the constant", 2.9691, 6e-5, coef, ("constant", "se")),
            ("bands", 19.4125, 6e-5, coef, ("b",)),
            ("length", 20.1406, 6e-5, coef, ("l",)),
            ("height × bands", 4.6406, 6e-5, coef, ("hb",)),
            ("bands × length", 7.6094, 6e-5, coef, ("bl",)),
            ("start × stop", 2.6719, 6e-5, coef, ("se",)),
            ("residual sd", 13.28, 6e-3, figure, ("s",)),
            ("R squared", 0.9709, 6e-5, figure, ("r2",)),
            ("adjusted", 0.8619, 6e-5, figure, ("r2_adjusted",)),
            ("F", 8.905, 6e-4, source, ("model", "f")),
            ("p", 0.02375, 6e-6, source, ("model", "p")),
        )
    ],
    *[
        check(f"log distance: {words}", HANDBOOK + "5.4.7.2", BOOK, printed, 6e-6, coef, _log,
              *given)
        for words, printed, given in (
            ("constant", 3.85702, ("constant",)), ("error of the constant", 0.04702,
                                                   ("constant", "se")),
            ("height", 0.25735, ("h",)), ("start", -0.24174, ("s",)), ("bands", 0.34880, ("b",)),
            ("length", 0.39437, ("l",)), ("stop", 0.26273, ("e",)),
        )
    ],
    *[
        check(f"Norris: {words}", NORRIS, "standard", printed, within, how, norris, *given)
        for words, printed, within, how, given in (
            ("constant", -0.262323073774029, 1e-11, coef, ("constant",)),
            ("slope", 1.00211681802045, 1e-13, coef, ("x",)),
            ("standard error of the slope", 0.429796848199937e-3, 1e-14, coef, ("x", "se")),
            ("residual sd", 0.884796396144373, 1e-11, figure, ("s",)),
            ("R squared", 0.999993745883712, 1e-13, figure, ("r2",)),
        )
    ],
]  # fmt: skip
