"""Formulas, linked tastings, declared attributes and their kin, against books and libraries."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.anova import AnovaRM
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestPower

from doughkit.panel import (
    compare_formulas,
    dough_spread,
    key_answers,
    link_tastings,
    with_and_without,
)
from doughkit.panel.just_right import just_about_right
from doughkit.panel.power import panel_power
from tests.outside import DATA, Check, panels

OPEN, LIBRARY, BOOK, MEMORY = "open data", "reference library", "handbook", "from memory"
COX = "R lme4 1.1-31 and pbkrtest on the cakes of Cochran and Cox, Experimental Designs, 1957"
NLME = "Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS, 2000, Machines"
APPLES = "appletaste (R's DAAG), within panelists, by R aov and emmeans 1.8.4"
BOX = "mean squares of Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed., chapter 9"


@cache
def cakes(*, blocked=True):
    """Batches of batter as doughs, recipes as formulas, one instrument as the only assessor."""
    frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype={"replicate": "str"})
    dough = frame["recipe"] + frame["replicate"]
    heat = frame["temperature"].astype(str) + " F"
    frame = frame.assign(dough=dough, piece=dough + heat, assessor="gauge", score=frame["angle"])
    frame = frame.assign(tasting=frame["replicate"] if blocked else "T1")
    ratings, servings, pieces = panels.study(frame)
    pieces = pieces.assign(heat=heat.to_numpy())
    doughs = frame[["dough", "recipe"]].drop_duplicates(ignore_index=True)
    return ratings, servings, pieces, doughs.rename(columns={"recipe": "formula"})


@cache
def recipes(*, blocked=True, carried=None):
    ratings, servings, pieces, doughs = cakes(blocked=blocked)
    spread = None
    if carried:
        # Temperatures as assessors: doughs stand for themselves here, and people must be several.
        ratings, servings, pieces = temperatures()
        spread = pd.DataFrame({"attribute": ["score"], "sd": np.sqrt(carried), "df": 42.0})
    return compare_formulas(
        *(ratings, servings, pieces, doughs.assign(kind="test")),
        dough_spread=spread,
        adjust_for=["heat"] if spread is None else [],
    )


def temperatures():
    frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype={"replicate": "str"})
    frame = frame.assign(dough=frame["recipe"] + frame["replicate"], score=frame["angle"])
    return panels.study(frame.assign(assessor=frame["temperature"].astype(str)))


@cache
def furnace():
    """Temperatures as formulas, heats of the furnace as doughs, coatings as assessors."""
    frame = pd.read_csv(DATA / "corrosion.csv", dtype={"heat": "str", "temp": "str"})
    names = {"heat": "dough", "coating": "assessor", "y": "score"}
    frame = frame.rename(columns=names)
    doughs = frame[["dough", "temp"]].drop_duplicates(ignore_index=True)
    doughs = doughs.rename(columns={"temp": "formula"}).assign(kind="test")
    return compare_formulas(*panels.study(frame), doughs)


@cache
def workers():
    """Workers as doughs of one formula, machines as assessors."""
    frame = pd.read_csv(DATA / "machines.csv", dtype={"Worker": "str"})
    frame = frame.rename(columns={"Worker": "dough", "Machine": "assessor"})
    frame["repeat"] = frame.groupby(["dough", "assessor"]).cumcount() + 1.0
    doughs = frame[["dough"]].drop_duplicates(ignore_index=True)
    return dough_spread(*panels.study(frame), doughs.assign(kind="test", formula="one"))


@cache
def apples():
    """Products as doughs, each panelist's three as a tasting; product 298 is the reference.

    Each score is put into two mouths, one as much above it as the other below.
    """
    frame = pd.read_csv(DATA / "apple_taste.csv", dtype={"product": "str", "panelist": "str"})
    names = {"product": "dough", "panelist": "tasting", "aftertaste": "score"}
    frame = frame.rename(columns=names)
    frame["piece"] = frame["dough"] + " " + frame["tasting"]
    by = np.random.default_rng(1).normal(0, 1, len(frame))
    frame = pd.concat(
        frame.assign(assessor=name, score=frame["score"] + sign * by)
        for name, sign in (("one", 1), ("other", -1))
    )
    doughs = frame[["dough"]].drop_duplicates(ignore_index=True)
    kind = np.where(doughs["dough"] == "298", "reference", "test")
    return link_tastings(*panels.study(frame), doughs.assign(kind=kind))


def of(frame, column, **where):
    for name, value in where.items():
        frame = frame[frame[name] == value]
    assert len(frame) == 1, f"{where}: {len(frame)} rows"
    return frame[column].iloc[0]


def cell(found, table, column, **where):
    return of(getattr(found(), table), column, **where)


def check(about, says, source, kind, printed, get, within=0.0, *, wrong=False):
    return Check(f"panel.{about}", says, source, kind, printed, get, within, wrong)


def _formulas():
    about = "compare_formulas"
    for column, printed, within in (("f", 1.57805, 6e-6), ("df_error", 28, 1e-3)):
        get = partial(cell, recipes, "tests", column)
        yield check(about, f"cakes, recipe {column}", COX, LIBRARY, printed, get, within)
    get = partial(cell, recipes, "tests", "p")
    yield check(about, "cakes, recipe p", COX, LIBRARY, 0.22419, get, 1e-5)
    get = partial(cell, recipes, "differences", "se", formula="A", other_formula="B")
    yield check(about, "cakes, SE of A - B", COX, LIBRARY, 0.975276, get, 1e-5)
    get = partial(cell, recipes, "differences", "p", formula="A", other_formula="B")
    yield check(about, "cakes, Tukey's p of A - B", COX, LIBRARY, 0.2993, get, 6e-5)
    get = partial(cell, recipes, "tests", "f")
    says = "cakes, recipe F when single cakes pass for batches of batter"
    yield check(about, says, COX, LIBRARY, 67.544 / 20.4709, get, 0.1, wrong=True)
    alone = partial(recipes, blocked=False)
    get = partial(cell, alone, "tests", "f")
    says = "cakes without blocks, recipe F"
    yield check(about, says, COX, LIBRARY, 0.24879, get, 6e-6)
    carried = partial(recipes, blocked=False, carried=41.837037)
    get = partial(cell, carried, "tests", "f")
    says = "cakes, recipe F with the batches' variance of 41.837037 brought along"
    yield check(about, says, COX, LIBRARY, 0.24879, get, 2e-5)
    carried = partial(recipes, blocked=False, carried=1e-3)
    get = partial(cell, carried, "tests", "f")
    says = "cakes, the same F with hardly any variance of batches brought along"
    yield check(about, says, COX, LIBRARY, 0.24879, get, 1.0, wrong=True)
    printed = 13259.625 / (4813.208 + 544.958 - 124.5417)
    get = partial(cell, furnace, "tests", "f")
    says = "furnace, F over heats and over how coatings differ in what heat does to them"
    yield check(about, says, BOX, MEMORY, printed, get, 1e-4)
    says = "furnace, F over the bars of a heat"
    yield check(about, says, BOX, MEMORY, 13259.625 / 124.5417, get, 1.0, wrong=True)


def _spread():
    get = partial(lambda column: workers()[column].iloc[0], "sd")
    yield check("dough_spread", "machines, sd of workers", NLME, MEMORY, 4.781, get, 5.1e-4)
    where = "R 4.2.2, lme4 1.1-31 on Machines"
    yield check("dough_spread", "machines, sd of workers in R", where, LIBRARY, 4.78105, get, 5e-6)
    says = "machines, sd of workers' means with all that lies beneath in it"
    printed = float(np.sqrt(248.38 / 9))
    yield check("dough_spread", says, where, LIBRARY, printed, get, 0.1, wrong=True)


def _linked():
    about = "link_tastings"
    adjusted = {"298": 71.45, "493": 92.025, "649": 58.075, "937": 22.65}
    for product in ("493", "649", "937"):
        printed = adjusted[product] - adjusted["298"]
        get = partial(cell, apples, "differences", "difference", dough=product)
        yield check(about, f"aftertaste {product} - 298", APPLES, LIBRARY, printed, get, 1e-4)
    for column, printed, within in (("se", 10.441416, 1e-4), ("df", 37, 1e-2)):
        get = partial(cell, apples, "differences", column, dough="937")
        yield check(about, f"aftertaste, {column}", APPLES, LIBRARY, printed, get, within)
    get = partial(cell, apples, "differences", "difference", dough="493")
    says = "aftertaste 493 - 298, from the raw means"
    yield check(about, says, APPLES, LIBRARY, 94.067 - 68.333, get, 1.0, wrong=True)


def _declared():
    p = [0.01, 0.04, 0.03]
    names = ["a", "b", "c"]
    attributes = pd.DataFrame({"attribute": names, "key": "yes"})
    tests = pd.DataFrame({"attribute": names, "p": p})
    raised = multipletests(p, method="holm")[1]
    where = "statsmodels 0.15, multipletests, method holm"
    for at, printed in enumerate(raised):
        get = partial(lambda at: key_answers(tests, attributes)["p_holm"].iloc[at], at)
        yield check("key_answers", f"Holm, p {p[at]}", where, LIBRARY, float(printed), get, 1e-12)
    says = "Holm, p 0.03 by Bonferroni"
    yield check("key_answers", says, where, LIBRARY, 0.09, get, 1e-3, wrong=True)


def _without():
    about = "with_and_without"
    frame = pd.read_csv(DATA / "stools.csv", dtype={"Subject": "str"})
    fit = AnovaRM(frame[frame["Subject"] != "2"], "effort", "Subject", within=["Type"]).fit()
    printed = float(fit.anova_table["F Value"].iloc[0])
    found = cache(lambda: with_and_without(*panels.stools(), left_out={"2": "came late"}))
    get = partial(cell, found, "tests", "f", panel="without 2")
    where = "statsmodels 0.15, AnovaRM on ergoStool without subject 2"
    yield check(about, "stools without subject 2, F", where, LIBRARY, printed, get, 1e-8)
    get = partial(cell, found, "tests", "f", panel="everyone")
    where = "R 4.2.2, aov on ergoStool"
    yield check(about, "stools, F of everyone", where, LIBRARY, 22.3556, get, 5e-5)
    says = "stools, F of everyone, is not that of eight"
    yield check(about, says, where, LIBRARY, printed, get, 1e-3, wrong=True)


GROUPS = {
    2.0: [4, 5, 5, 6],
    3.0: [7, 8, 7, 6, 8, 7, 9, 6, 7, 7],
    4.0: [6, 5, 6, 7, 5, 6],
}
"""Liking of those who say too little, right, too much (made up, to be reckoned by hand)."""


@cache
def drops():
    rows = [(answer, float(value)) for answer, values in GROUPS.items() for value in values]
    servings = pd.DataFrame({"assessor": [f"A{at}" for at in range(len(rows))], "tasting": "T1"})
    servings["serving"] = servings["piece"] = servings["assessor"]
    ratings = pd.concat(
        servings[["serving"]].assign(attribute=name, score=[row[place] for row in rows])
        for place, name in enumerate(("salt", "liked"))
    )
    attributes = pd.DataFrame({"attribute": ["salt", "liked"], "low": 1.0, "high": [5.0, 9.0]})
    attributes["kind"] = ["just about right", "liking"]
    pieces = servings[["piece"]].assign(dough="D1")
    return just_about_right(ratings, servings, pieces, attributes, level=0.95)


def _just_right():
    about = "just_about_right"
    where = "scipy 1.17, ttest_ind with unequal variances, on made-up answers"
    for answer, key in (("too little", 2.0), ("too much", 4.0)):
        test = stats.ttest_ind(GROUPS[3.0], GROUPS[key], equal_var=False)
        low, high = test.confidence_interval(0.95)
        for column, printed in (("ci_low", low), ("ci_high", high), ("df", test.df)):
            get = partial(lambda a, c: of(drops(), c, answer=a), answer, column)
            says = f"{answer}, {column} of the drop"
            yield check(about, says, where, LIBRARY, float(printed), get, 1e-9)
    where = "mean drop of ASTM MNL63's penalty analysis, reckoned by hand"
    get = partial(lambda: of(drops(), "drop", answer="too little"))
    yield check(about, "too little, drop 7.2 - 5.0", where, MEMORY, 2.2, get, 1e-12)
    says = "too little, drop from the mean of all instead of those who say right"
    yield check(about, says, where, MEMORY, 6.35 - 5.0, get, 0.1, wrong=True)


def power_of_pairs(people):
    """Two doughs half a standard deviation of a person's difference apart."""
    sd = 1 / np.sqrt(2)
    given = {"difference": 0.5, "own_view_sd": 0.0, "portion_sd": sd}
    return panel_power(2, people, **given)["power"].iloc[0]


def _power():
    where = "statsmodels 0.15, TTestPower"
    for people in (10, 34):
        printed = float(TTestPower().power(0.5, people, 0.05))
        get = partial(power_of_pairs, people)
        says = f"power of {people} pairs, half a standard deviation apart"
        yield check("panel_power", says, where, LIBRARY, printed, get, 1e-8)
    where = "Cohen, Statistical Power Analysis, 1988: 34 pairs for 0.80 at half an sd"
    get = partial(lambda: float(power_of_pairs(34) >= 0.8 > power_of_pairs(33)))
    yield check("panel_power", "34 pairs are enough and 33 not", where, MEMORY, 1.0, get)
    where = "noncentral F of scipy 1.17: 8 people, 2 portions, 4 doughs, 1.5 points"
    given = {"difference": 1.5, "own_view_sd": 0.8, "portion_sd": 1.0}
    get = partial(lambda: panel_power(4, 8, 2, **given)["power"].iloc[0])
    away = 1.5**2 / 2 / ((0.8**2 + 1 / 2) / 8)
    printed = float(stats.ncf.sf(stats.f.isf(0.05, 3, 21), 3, 21, away))
    yield check("panel_power", "power of 8 people", where, LIBRARY, printed, get, 1e-8)
    says = "power of 8 people when portions pass for people"
    printed = float(stats.ncf.sf(stats.f.isf(0.05, 3, 60), 3, 60, 2 * away))
    yield check("panel_power", says, where, LIBRARY, printed, get, 0.05, wrong=True)


CHECKS = [
    *_formulas(),
    *_spread(),
    *_linked(),
    *_declared(),
    *_without(),
    *_just_right(),
    *_power(),
]
