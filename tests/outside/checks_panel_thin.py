"""Sequential lines and incomplete rankings, as printed."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.incomplete import durbin_test
from doughkit.panel.sequential import sequential_lines
from tests.outside import DATA, Check

OPEN, LIBRARY, MEMORY = "open data", "reference library", "from memory"
CONOVER = "Conover, Practical Nonparametric Statistics, 3rd ed. 1999, p. 391"
APPLES = "appletaste (R's DAAG), by first principles"
MEILGAARD = "Meilgaard, Civille and Carr, Sensory Evaluation Techniques, sequential triangle tests"

CREAMS = "124:231 235:312 346:213 457:123 156:312 267:312 137:312"
"""Judge's ice creams : their ranks."""


@cache
def creams():
    table = pd.DataFrame(index=range(7), columns=list("1234567"), dtype=float)
    for judge, text in enumerate(CREAMS.split()):
        for name, rank in zip(*text.split(":"), strict=True):
            table.loc[judge, name] = float(rank)
    return durbin_test(table).iloc[0]


@cache
def apples():
    frame = pd.read_csv(DATA / "apple_taste.csv")
    frame["rank"] = frame.groupby("panelist")["aftertaste"].rank()
    return durbin_test(frame.pivot(index="panelist", columns="product", values="rank")).iloc[0]


@cache
def line(name, at, share):
    return sequential_lines(share_telling_apart=share)[name].iloc[at]


def needed(answers):
    """The fewest right answers on or above the upper line."""
    return float(np.ceil(line("different_line", answers - 1, 0.5)))


def by_ratio(answers):
    right = np.arange(answers + 1)
    ratio = stats.binom.logpmf(right, answers, 2 / 3) - stats.binom.logpmf(right, answers, 1 / 3)
    return float(right[ratio >= np.log(0.90 / 0.05)][0])


def _checks():
    about = "panel.durbin_test"
    for found, source, kind, figures in (
        (
            creams,
            CONOVER,
            MEMORY,
            {"chi_square": (12.0, 5e-3), "p_chi_square": (0.06197, 5e-6), "df_error": (8, 0)},
        ),
        (creams, CONOVER, MEMORY, {"f": (8.0, 5e-3), "p_f": (0.0049044, 5e-8)}),
        (
            apples,
            APPLES,
            OPEN,
            {"chi_square": (23.55, 1e-9), "p_chi_square": (3.10104e-5, 5e-10)},
        ),
        (apples, APPLES, OPEN, {"f": (17.656535, 5e-7), "p_f": (2.80672e-7, 5e-12)}),
    ):
        for column, (printed, within) in figures.items():
            says = f"{found.__wrapped__.__name__}, {column}"
            get = partial(lambda found, column: found()[column], found, column)
            yield Check(about, says, source, kind, printed, get, within)
    says = "creams, exact p is not that of chi-square, which F contradicts"
    get = partial(lambda: creams()["p"])
    yield Check(about, says, CONOVER, MEMORY, 0.06197, get, 0.01, True)
    about = "panel.sequential_lines"
    for name, at, printed in (
        ("alike_line", 9, -1.624 + 5),
        ("different_line", 9, 2.085 + 5),
        ("different_line", 0, 2.585),
    ):
        get = partial(line, name, at, 0.5)
        says = f"triangle, 2/3 right, {name} at {at + 1} answers"
        yield Check(about, says, MEILGAARD, MEMORY, printed, get, 5.1e-4)
    where = "likelihood ratios by scipy 1.17, stats.binom"
    for answers in (6, 10, 15):
        get = partial(needed, answers)
        says = f"triangle, right answers of {answers} that say different"
        yield Check(about, says, where, LIBRARY, by_ratio(answers), get)
    says = "triangle, first answers that can reject: 5 of 5"
    get = partial(lambda: sequential_lines([True] * 6)["verdict"].tolist().index("different") + 1.0)
    yield Check(about, says, MEILGAARD, MEMORY, 5.0, get)
    says = "triangle, the upper line with the two risks exchanged"
    get = partial(line, "different_line", 9, 0.5)
    yield Check(about, says, MEILGAARD, MEMORY, 1.624 + 5, get, 0.1, True)


CHECKS = list(_checks())
