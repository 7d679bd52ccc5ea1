"""Two-level trials in print: ceramics, a reactor and its half, filtration by Lenth's method."""

from __future__ import annotations

from functools import cache, partial
from itertools import combinations

import pandas as pd

from doughkit import texture
from doughkit.fitting import fit_linear, stand_out
from tests.outside import DATA, Check

NIST = "NIST/SEMATECH e-Handbook of Statistical Methods, section 5.4.7.1"
REACTOR = "G. E. P. Box, J. S. Hunter, W. G. Hunter, Statistics for Experimenters, reactor example"
LENTH = (
    "D. C. Montgomery, Design and Analysis of Experiments, example 6.2, by the method of R. V. "
    "Lenth 1989, Technometrics 31, 469"
)
MEMORY, BOOK = "from memory", "handbook"


def products(frame, names, most):
    """All products of up to `most` columns, named by their letters."""
    chosen = [part for size in range(1, most + 1) for part in combinations(names, size)]
    return pd.DataFrame({"".join(part): frame[list(part)].prod(axis=1) for part in chosen})


@cache
def ceramic(terms=None):
    frame = pd.read_csv(DATA / "nist_ceramic.csv").rename(columns=lambda name: name.strip("X"))
    design = products(frame, list("12345"), 3)
    return fit_linear(design if terms is None else design[list(terms)], frame["Y"])


CHOSEN = ("1", "2", "3", "4", "5", "12", "13", "14", "24", "34", "45", "124")


def ceramic_f(terms, term):
    return ceramic(terms).coefficients.set_index("term").loc[term, "t"] ** 2


def ceramic_figure(terms, name):
    return ceramic(terms).figures.loc[0, name]


@cache
def reactor(half):
    """Each run of the trial as a dough of one piece, all pairs of factors in the model."""
    frame = pd.read_csv(DATA / "reactor.csv").astype(float)
    names = list("ABCDE")
    frame = frame[frame[names].prod(axis=1) > 0] if half else frame
    frame = frame.reset_index(drop=True).rename_axis("dough").reset_index().astype({"dough": str})
    table = pd.DataFrame({"factor": names, "low": -1.0, "high": 1.0, "changed_per": "dough"})
    values = pd.DataFrame({"attribute": "reacted", "piece": frame["dough"], "mean": frame["y"]})
    pieces = frame[["dough"]].assign(piece=frame["dough"])
    doughs = frame.drop(columns="y")
    return texture.fit(values, doughs, pieces, table, terms="interactions", level=0.95)


def effect(half, term):
    return reactor(half).effects.set_index("term").loc[term, "low_to_high"]


def stands_out(term):
    return reactor(True).effects.set_index("term").loc[term, "by_size"]


@cache
def lenth(file, value, chosen=None):
    frame = pd.read_csv(DATA / file)
    names = [name for name in frame if name != value]
    if chosen:
        frame = frame[frame[names].prod(axis=1) == chosen]
    design = products(frame, names, 2 if chosen else len(names)).reset_index(drop=True)
    y = frame[value].astype(float).reset_index(drop=True)
    effects = pd.Series({name: 2 * (one @ y) / len(y) for name, one in design.items()})
    return stand_out(effects, level=0.95)


def margin(column, *given):
    return lenth(*given)[column].iloc[0]


FILTRATION = ("filtration.csv", "y")


def check(about, says, where, kind, printed, within, how, *given, wrong=False):
    return Check(about, says, where, kind, printed, partial(how, *given), within, wrong)


fitted = partial(check, "fitting.fit_linear")
surface = partial(check, "texture.fit")
judged = partial(check, "fitting.stand_out")

CHECKS = [
    *[
        fitted(f"ceramics, 25 terms: F of {term}", NIST, BOOK, printed, 6e-5, ceramic_f, None, term)
        for term, printed in (
            ("1", 2.8175), ("2", 11.0175), ("3", 39.8964), ("4", 992.7901), ("5", 106.0229),
            ("12", 15.3505), ("24", 6.2148), ("34", 9.9500), ("124", 18.5735), ("145", 1.7156),
        )
    ],
    fitted("ceramics, 25 terms: R squared", NIST, BOOK, 0.995127, 6e-7, ceramic_figure, None, "r2"),
    fitted("ceramics, 25 terms: adjusted", NIST, BOOK, 0.974821, 6e-7, ceramic_figure, None,
           "r2_adjusted"),
    fitted("ceramics, 25 terms: residual sd", NIST, BOOK, 17.81632, 6e-6, ceramic_figure, None,
           "s"),
    *[
        fitted(f"ceramics, 12 terms: F of {term}", NIST, BOOK, printed, 6e-5, ceramic_f, CHOSEN,
               term)
        for term, printed in (
            ("1", 3.9942), ("2", 15.6191), ("3", 56.5595), ("5", 150.3044), ("12", 21.7618),
            ("45", 5.9348), ("124", 26.3309),
        )
    ],
    fitted("ceramics, 12 terms: F of 4, to its last printed place but one", NIST, BOOK, 1407.4390,
           3e-4, ceramic_f, CHOSEN, "4"),
    fitted("ceramics, 12 terms: residual sd", NIST, BOOK, 14.96346, 6e-6, ceramic_figure, CHOSEN,
           "s"),
    fitted("ceramics: 12 terms are not judged by the error of 25", NIST, BOOK, 150.3044, 1.0,
           ceramic_f, None, "5", wrong=True),
    *[
        surface(f"reactor, all 32 runs: effect {term}", REACTOR, MEMORY, printed, 1e-9, effect,
                False, term)
        for term, printed in (
            ("B", 19.5), ("D", 10.75), ("E", -6.25), ("B × D", 13.25), ("D × E", -11.0),
        )
    ],
    *[
        surface(f"reactor, half of 16 runs: effect {term}", REACTOR, MEMORY, printed, 1e-9, effect,
                True, term)
        for term, printed in (
            ("A", -2.0), ("B", 20.5), ("C", 0.0), ("D", 12.25), ("E", -6.25), ("A × C", 0.5),
            ("B × D", 10.75), ("D × E", -9.5),
        )
    ],
    *[
        surface(f"reactor, half, nothing left over: {term} by size", REACTOR, MEMORY, printed, 0,
                stands_out, term)
        for term, printed in (
            ("B", "yes"), ("D", "yes"), ("B × D", "yes"), ("D × E", "perhaps"), ("E", "perhaps"),
            ("A", "no"), ("C", "no"), ("C × E", "no"),
        )
    ],
    surface("reactor: the half also holds what it can't tell from B", REACTOR, MEMORY, 19.5, 0.5,
            effect, True, "B", wrong=True),
    *[
        judged(f"filtration, fifteen effects: {words}", LENTH, MEMORY, printed, within, margin,
               column, *FILTRATION)
        for words, column, printed, within in (
            ("pseudo standard error", "se", 2.625, 1e-9),
            ("margin of one effect", "margin", 6.748, 6e-4),
            ("margin of them all", "margin_of_all", 13.699, 6e-4),
            ("degrees of freedom", "df", 5, 1e-12),
        )
    ],
    judged("filtration: the spread is not that of all effects alike", LENTH, MEMORY, 3.9375, 0.5,
           margin, "se", *FILTRATION, wrong=True),
]  # fmt: skip
