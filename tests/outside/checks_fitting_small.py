"""Small published sets: certified polynomials, lines without constant, a pilot plant, peas."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd

from doughkit.fitting import fit_linear
from tests.outside import DATA, Check
from tests.outside.checks_fitting import certified, coef, figure, source
from tests.outside.checks_fitting_factorials import products
from tests.outside.checks_fitting_surfaces import quadratic

NIST = "NIST Statistical Reference Datasets, Linear Regression, certified values, dataset "
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, section "
PILOT = "G. E. P. Box, J. S. Hunter, W. G. Hunter, Statistics for Experimenters, pilot plant"
PEAS = "W. N. Venables, B. D. Ripley, Modern Applied Statistics with S, 6.7; npk in R's datasets"
DAE = "D. C. Montgomery, Design and Analysis of Experiments, example 6.2 and its centre points"
MEMORY, BOOK, STANDARD = "from memory", "handbook", "standard"


@cache
def without_constant(dataset):
    frame = pd.read_csv(DATA / f"strd_{dataset}.csv")
    return fit_linear(frame[["x"]], frame["y"], constant=False)


@cache
def pilot_plant():
    """Both runs of each corner; the columns are half an effect each."""
    frame = pd.read_csv(DATA / "pilot_plant.csv")
    return fit_linear(products(frame, list("TCK"), 3) / 2, frame["y"])


@cache
def peas(block=True):
    """Plots of peas, three manures in pairs, in six blocks; coded so that a term is an effect."""
    frame = pd.read_csv(DATA / "peas.csv")
    signs = 2 * frame[list("NPK")] - 1
    design = products(signs, list("NPK"), 2) / 2
    if block:
        design = design.join(pd.get_dummies(frame["block"], prefix="b", drop_first=True) * 1.0)
    return fit_linear(design, frame["yield"])


@cache
def coating(as_coded):
    """Stress of the coating with all terms: the ratio squared as coded, or as measured."""
    frame = pd.read_csv(DATA / "nist_cvd.csv")
    p, r = ((frame["Pressure"] - 42) / 38).round(2), ((frame["Ratio"] - 6) / 4).round(2)
    design = quadratic(pd.DataFrame({"p": p, "r": r}), "pr", ("pr",))
    return fit_linear(design if as_coded else design.assign(rr=frame["Ratio"] ** 2),
                      frame["Stress"])  # fmt: skip


@cache
def half_filtration():
    frame = pd.read_csv(DATA / "filtration.csv")
    half = frame[frame[list("ABCD")].prod(axis=1) > 0].reset_index(drop=True)
    terms = ("A", "B", "C", "D", "AB", "AC", "AD")
    return fit_linear(pd.DataFrame({t: half[list(t)].prod(axis=1) / 2 for t in terms}), half["y"])


@cache
def filtration_with_centre():
    """All sixteen corners and four rates in the middle; what the middle lies off, as a term."""
    frame = pd.read_csv(DATA / "filtration.csv")
    middle = pd.DataFrame({"A": 0, "B": 0, "C": 0, "D": 0, "y": [73, 75, 66, 69]})
    frame = pd.concat([frame, middle], ignore_index=True)
    design = products(frame, list("ABCD"), 4).assign(bend=frame["A"] ** 2)
    return fit_linear(design, frame["y"])


def f_of(fit, term):
    return fit().coefficients.set_index("term").loc[term, "t"] ** 2


def p_of(fit, term):
    return coef(fit, term, "p")


def check(says, where, kind, printed, within, how, *given, wrong=False):
    return Check("fitting.fit_linear", says, where, kind, printed, partial(how, *given), within,
                 wrong)  # fmt: skip


def _certified():
    def wampler(number):
        return partial(certified, f"wampler{number}", 5)

    for number, sds in (
        (4, (215232.624678170, 236355.173469681, 11.2324854679312)),
        (5, (21523262.4678170, 23635517.3469681, 1123.24854679312)),
    ):
        for term, sd in zip(("constant", "x1", "x5"), sds, strict=True):
            yield check(f"Wampler{number}: standard error of {term}", f"{NIST}Wampler{number}",
                        STANDARD, sd, 1e-8 * sd, coef, wampler(number), term, "se")  # fmt: skip
    for number, s, r2 in (
        (4, 236014.502379268, 0.957478440825662),
        (5, 23601450.2379268, 0.224668921574940e-2),
    ):
        yield check(f"Wampler{number}: residual sd", f"{NIST}Wampler{number}", STANDARD, s,
                    1e-9 * s, figure, wampler(number), "s")  # fmt: skip
        yield check(f"Wampler{number}: R squared", f"{NIST}Wampler{number}", STANDARD, r2, 1e-10,
                    figure, wampler(number), "r2")  # fmt: skip
    for number, term, printed, within in (
        (1, "constant", 1.0, 1e-7), (1, "x5", 1.0, 1e-8), (2, "constant", 1.0, 1e-9),
        (2, "x1", 0.1, 1e-9), (2, "x5", 1e-5, 1e-14), (4, "x5", 1.0, 1e-5), (5, "x5", 1.0, 1e-3),
    ):  # fmt: skip
        yield check(f"Wampler{number}: coefficient {term}", f"{NIST}Wampler{number}", STANDARD,
                    printed, within, coef, wampler(number), term)  # fmt: skip
    for name, slope, se, s, r2 in (
        ("noint1", 2.07438016528926, 0.165289256198347e-1, 3.56753034006338, 0.999365492298663),
        ("noint2", 0.727272727272727, 0.420827318078432e-1, 0.369274472937998, 0.993348115299335),
    ):
        where, line = NIST + name.replace("noi", "NoI"), partial(without_constant, name)
        for what, how, given, printed in (
            ("slope", coef, ("x",), slope), ("standard error", coef, ("x", "se"), se),
            ("residual sd", figure, ("s",), s), ("R squared", figure, ("r2",), r2),
        ):  # fmt: skip
            yield check(f"{name}, no constant: {what}", where, STANDARD, printed, 1e-12 * printed,
                        how, line, *given)  # fmt: skip
    # about the mean of 130 to 140 it would be 1 - 10 × 3.5675² / 110
    yield check("noint1: R squared is not taken about the mean", NIST + "NoInt1", STANDARD, -0.157,
                0.01, figure, partial(without_constant, "noint1"), "r2", wrong=True)  # fmt: skip


CHECKS = [
    *_certified(),
    check("load cell, quadratic: lack of fit, F", HANDBOOK + "4.6.1", MEMORY, 0.8107, 6e-5, source,
          partial(certified, "pontius", 2), "lack of fit", "f"),
    *[
        check(f"pilot plant: effect {term}", PILOT, MEMORY, printed, 1e-9, coef, pilot_plant, term)
        for term, printed in (
            ("T", 23.0), ("C", -5.0), ("K", 1.5), ("TC", 1.5), ("TK", 10.0), ("CK", 0.0),
            ("TCK", 0.5),
        )
    ],
    check("pilot plant: average", PILOT, MEMORY, 64.25, 1e-9, coef, pilot_plant, "constant"),
    check("pilot plant: error of an effect", PILOT, MEMORY, 1.41, 6e-3, coef, pilot_plant, "TK",
          "se"),
    check("pilot plant: variance of a run", PILOT, MEMORY, 8.0, 1e-9, source, pilot_plant,
          "pure error", "mean_square"),
    check("pilot plant: an effect is not a coefficient", PILOT, MEMORY, 11.5, 1.0, coef,
          pilot_plant, "T", wrong=True),
    *[
        check(f"peas in six blocks: F of {term}", PEAS, MEMORY, printed, within, f_of, peas, term)
        for term, printed, within in (
            ("N", 12.259, 6e-4), ("P", 0.544, 6e-4), ("K", 6.166, 6e-4), ("NP", 1.378, 6e-4),
            ("NK", 2.146, 6e-4), ("PK", 0.031, 6e-4),
        )
    ],
    check("peas in six blocks: p of N", PEAS, MEMORY, 0.00437, 6e-6, p_of, peas, "N"),
    check("peas in six blocks: p of K", PEAS, MEMORY, 0.02880, 6e-6, p_of, peas, "K"),
    check("peas in six blocks: N is worth 5.617", PEAS, MEMORY, 5.617, 6e-4, coef, peas, "N"),
    check("peas in six blocks: residual, judged on 12", PEAS, MEMORY, 185.29, 6e-3, source, peas,
          "error", "sum_square"),
    check("peas: blocks left out, N is judged by another error", PEAS, MEMORY, 12.259, 0.5, f_of,
          partial(peas, False), "N", wrong=True),
    *[
        check(f"coating stress, all terms, ratio squared as measured: {term}",
              HANDBOOK + "5.4.7.3", BOOK, printed, 6e-6, coef, partial(coating, False), term)
        for term, printed in (
            ("constant", 8.056791), ("p", 0.735933), ("r", 0.852099), ("rr", -0.007414),
        )
    ],
    check("coating stress, all terms as coded: not the constant of mixed coding",
          HANDBOOK + "5.4.7.3", BOOK, 8.056791, 0.1, coef, partial(coating, True), "constant",
          wrong=True),
    *[
        check(f"filtration, half of the corners: {term} and what travels with it", DAE, MEMORY,
              printed, 1e-9, coef, half_filtration, term)
        for term, printed in (
            ("A", 19.0), ("B", 1.5), ("C", 14.0), ("D", 16.5), ("AB", -1.0), ("AC", -18.5),
            ("AD", 19.0),
        )
    ],
    check("filtration, four in the middle: F of what the middle lies off", DAE, MEMORY, 0.093,
          6e-4, f_of, filtration_with_centre, "bend"),
    check("filtration, four in the middle: variance of a run", DAE, MEMORY, 16.25, 1e-9, source,
          filtration_with_centre, "pure error", "mean_square"),
]  # fmt: skip
