"""Least squares against certified regressions and printed examples."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd

from doughkit.fitting import fit_linear
from tests.outside import DATA, Check

NIST = "NIST Statistical Reference Datasets, Linear Regression, certified values, dataset "
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, section "
MPV = "D. C. Montgomery, E. A. Peck, G. G. Vining, Introduction to Linear Regression Analysis, "
DAE = "D. C. Montgomery, Design and Analysis of Experiments, "


def powers(x, degree):
    return pd.DataFrame({f"x{power}": x**power for power in range(1, degree + 1)})


@cache
def certified(dataset, degree=0):
    frame = pd.read_csv(DATA / f"strd_{dataset}.csv")
    design = powers(frame["x"], degree) if degree else frame.drop(columns="y")
    return fit_linear(design, frame["y"], level=0.95)


@cache
def catapult(log=False):
    frame = pd.read_csv(DATA / "nist_catapult.csv")
    design = frame[["h", "s", "b", "l", "e"]]
    if not log:
        design = design.assign(bl=design["b"] * design["l"])
    y = np.log(frame["distance"]) if log else frame["distance"]
    return fit_linear(design, y)


@cache
def deposition():
    frame = pd.read_csv(DATA / "nist_cvd.csv")
    p = ((frame["Pressure"] - 42) / 38).round(2)
    r = ((frame["Ratio"] - 6) / 4).round(2)
    design = pd.DataFrame({"p": p, "r": r, "pr": p * r, "pp": p**2, "rr": r**2})
    return fit_linear(design, frame["Uniformity"])


@cache
def filtration(terms):
    frame = pd.read_csv(DATA / "filtration.csv")
    design = pd.DataFrame({term: frame[list(term)].prod(axis=1) for term in terms})
    return fit_linear(design, frame["y"])


@cache
def delivery(terms=("x1", "x2")):
    frame = pd.read_csv(DATA / "delivery_time.csv")
    return fit_linear(frame[list(terms)], frame["y"], level=0.95)


@cache
def chemical():
    frame = pd.read_csv(DATA / "chemical_yield.csv")
    # The printed analysis was made with the axial points at the root of 2, printed as 1.414.
    x = frame[["x1", "x2"]].replace({1.414: 2**0.5, -1.414: -(2**0.5)})
    design = x.assign(x11=x["x1"] ** 2, x22=x["x2"] ** 2, x12=x["x1"] * x["x2"])
    return fit_linear(design, frame["y1"])


@cache
def cake_mix_as_measured():
    frame = pd.read_csv(DATA / "cake_mix.csv")
    x, z = frame["X1"], frame["X2"]
    return fit_linear(
        pd.DataFrame({"min": x, "f": z, "min2": x**2, "f2": z**2, "minf": x * z}), frame["Y"]
    )


def coef(fit, term, column="estimate"):
    return fit().coefficients.set_index("term").loc[term, column]


def source(fit, name, column):
    return fit().sources.set_index("source").loc[name, column]


def figure(fit, name):
    return fit().figures.loc[0, name]


def at_eight_cases(column):
    return delivery().predict(pd.DataFrame({"x1": [8.0], "x2": [275.0]}))[column].iloc[0]


def check(says, where, kind, printed, get, within, wrong=False):
    return Check("fitting.fit_linear", says, where, kind, printed, get, within, wrong)


def _nist():
    longley, pontius = partial(certified, "longley"), partial(certified, "pontius", 2)
    filip, wampler = partial(certified, "filip", 10), partial(certified, "wampler3", 5)
    rows = [
        ("Longley", "constant", coef, longley, "constant", -3482258.63459582, 1e-2),
        ("Longley", "sixth coefficient", coef, longley, "x6", 1829.15146461355, 1e-5),
        ("Longley", "residual sd", figure, longley, "s", 304.854073561965, 1e-7),
        ("Longley", "R squared", figure, longley, "r2", 0.995479004577296, 1e-12),
        ("Pontius", "linear coefficient", coef, pontius, "x1", 0.732059160401003e-6, 1e-17),
        ("Pontius", "quadratic coefficient", coef, pontius, "x2", -0.316081871345029e-14, 1e-25),
        ("Pontius", "residual sd", figure, pontius, "s", 0.205177424076185e-3, 1e-14),
        ("Filip", "constant of degree 10", coef, filip, "constant", -1467.48961422980, 1e-4),
        ("Filip", "tenth coefficient", coef, filip, "x10", -0.402962525080404e-4, 1e-11),
        ("Filip", "residual sd", figure, filip, "s", 0.334801051324544e-2, 1e-9),
        ("Wampler3", "fifth coefficient", coef, wampler, "x5", 1.0, 1e-7),
        ("Wampler3", "residual sd", figure, wampler, "s", 2360.14502379268, 1e-6),
    ]
    checks = [
        check(f"{data}: {what}", NIST + data, "standard", value, partial(how, fit, name), within)
        for data, what, how, fit, name, value, within in rows
    ]
    errors = [
        ("Longley", "sixth coefficient", longley, "x6", 455.478499142212, 1e-6),
        ("Filip", "constant", filip, "constant", 298.084530995537, 1e-4),
        ("Pontius", "quadratic coefficient", pontius, "x2", 0.486652849992036e-16, 1e-27),
    ]
    checks += [
        check(
            f"{data}: standard error of the {what}",
            NIST + data,
            "standard",
            value,
            partial(coef, fit, name, "se"),
            within,
        )
        for data, what, fit, name, value, within in errors
    ]
    checks.append(
        check(
            "Filip: not the constant that a pseudo-inverse gives, without one right digit",
            NIST + "Filip; 8.44 is the default least squares of a common library",
            "reference library",
            8.443,
            partial(coef, filip, "constant"),
            1.0,
            wrong=True,
        )
    )
    return checks


def _handbook():
    log = partial(catapult, log=True)
    load_cell = partial(certified, "pontius", 1)
    rows = [
        ("catapult: constant", "5.4.7.2", 57.5375, coef, (catapult, "constant"), 6e-5),
        ("catapult: height", "5.4.7.2", 13.4844, coef, (catapult, "h"), 6e-5),
        (
            "catapult: lack of fit, sum of squares",
            "5.4.7.2",
            1973.74,
            source,
            (catapult, "lack of fit", "sum_square"),
            6e-3,
        ),
        (
            "catapult: pure error, sum of squares",
            "5.4.7.2",
            133.25,
            source,
            (catapult, "pure error", "sum_square"),
            6e-3,
        ),
        ("catapult: lack of fit, F", "5.4.7.2", 2.69, source, (catapult, "lack of fit", "f"), 6e-3),
        (
            "catapult: lack of fit, p",
            "5.4.7.2",
            0.3018,
            source,
            (catapult, "lack of fit", "p"),
            6e-5,
        ),
        (
            "log distance: lack of fit, F",
            "5.4.7.2",
            3.371,
            source,
            (log, "lack of fit", "f"),
            6e-4,
        ),
        ("log distance: residual sd", "5.4.7.2", 0.2103, figure, (log, "s"), 6e-5),
        ("deposition: uniformity, pressure", "5.4.7.3", -1.90967, coef, (deposition, "p"), 6e-6),
        ("deposition: uniformity, product", "5.4.7.3", 1.68617, coef, (deposition, "pr"), 6e-6),
        ("deposition: standard error", "5.4.7.3", 0.71766, coef, (deposition, "pr", "se"), 6e-6),
        ("deposition: R squared", "5.4.7.3", 0.8716, figure, (deposition, "r2"), 6e-5),
        ("deposition: adjusted", "5.4.7.3", 0.7431, figure, (deposition, "r2_adjusted"), 6e-5),
        # Its sixth digit was rounded by its maker; exact rational arithmetic gives 214.746924.
        (
            "load cell, straight line: lack of fit, F",
            "4.6.1.5",
            214.7464,
            source,
            (load_cell, "lack of fit", "f"),
            1.1e-3,
        ),
        ("load cell, straight line: slope", "4.6.1", 0.722103e-6, coef, (load_cell, "x1"), 6e-13),
    ]
    return [
        check(says, HANDBOOK + where, "handbook", value, partial(how, *args), within)
        for says, where, value, how, args, within in rows
    ]


def _textbooks():
    chosen = partial(filtration, ("A", "C", "D", "AC", "AD"))
    cases = partial(delivery, ("x1",))
    book, memory = "handbook", "from memory"
    ex62, ex112 = DAE + "example 6.2 (filtration rate)", DAE + "example 11.2 (process yield)"
    t212, t211 = MPV + "table 2.12", MPV + "example 3.1"
    weisberg = "S. Weisberg, Applied Linear Regression, cake mix data"
    rows = [
        ("filtration: A is half of 21.625", ex62, book, 21.625 / 2, coef, (chosen, "A"), 1e-9),
        ("filtration: A × C", ex62, book, -18.125 / 2, coef, (chosen, "AC"), 1e-9),
        ("filtration: PRESS", ex62, memory, 499.52, figure, (chosen, "press"), 6e-3),
        (
            "filtration: R² of points left out",
            ex62,
            memory,
            0.9128,
            figure,
            (chosen, "r2_predicted"),
            6e-5,
        ),
        ("yield: F of the quadratic", ex112, book, 79.85, source, (chemical, "model", "f"), 6e-3),
        ("yield: lack of fit, F", ex112, book, 1.78, source, (chemical, "lack of fit", "f"), 6e-3),
        (
            "yield: lack of fit, p",
            ex112,
            book,
            0.2897,
            source,
            (chemical, "lack of fit", "p"),
            6e-5,
        ),
        ("delivery by cases: slope", t212, book, 2.1762, coef, (cases, "x1"), 6e-5),
        ("delivery by cases: residual sd", t212, book, 4.18140, figure, (cases, "s"), 6e-6),
        ("delivery by cases: F", t212, book, 307.85, source, (cases, "model", "f"), 6e-3),
        ("delivery: second slope", t211, memory, 0.01438, coef, (delivery, "x2"), 6e-6),
        (
            "delivery: lower limit of the first slope",
            t211,
            memory,
            1.26181,
            coef,
            (delivery, "x1", "ci_low"),
            3e-5,
        ),
        (
            "cake mix, natural units: constant",
            weisberg,
            memory,
            -2204.4850,
            coef,
            (cake_mix_as_measured, "constant"),
            6e-4,
        ),
        (
            "cake mix, natural units: minutes squared",
            weisberg,
            memory,
            -0.1569,
            coef,
            (cake_mix_as_measured, "min2"),
            6e-5,
        ),
    ]
    checks = [
        check(says, where, kind, value, partial(how, *args), within)
        for says, where, kind, value, how, args, within in rows
    ]
    points = [
        ("leverage of the ninth delivery", 0.49829, 8, "leverage", 6e-6),
        ("deleted residual of the ninth delivery", 4.3108, 8, "deleted_residual", 6e-5),
        ("Cook's distance of the ninth delivery", 3.41835, 8, "cook", 2e-3),
        ("leverage of the twenty-second delivery", 0.39158, 21, "leverage", 6e-6),
    ]
    checks += [
        check(
            says, t211, memory, value, lambda r=row, c=column: delivery().points.loc[r, c], within
        )
        for says, value, row, column, within in points
    ]
    intervals = [
        ("mean at 8 cases, low", 17.66, "ci_low"),
        ("mean at 8 cases, high", 20.78, "ci_high"),
        ("next delivery of 8 cases, low", 12.28, "next_low"),
        ("next delivery of 8 cases, high", 26.16, "next_high"),
    ]
    checks += [
        check(says, t211, memory, value, partial(at_eight_cases, column), 0.02)
        for says, value, column in intervals
    ]
    checks.append(
        check(
            "filtration: PRESS is not the residual sum of squares",
            ex62,
            "handbook",
            195.125,
            partial(figure, chosen, "press"),
            1.0,
            wrong=True,
        )
    )
    return checks


CHECKS = [*_nist(), *_handbook(), *_textbooks()]
