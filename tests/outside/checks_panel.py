"""What the panel's scores tell, against printed examples and open panels."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel import (
    assessor_performance,
    compare_doughs,
    compare_to_reference,
    piece_means,
    reliability,
)
from tests.outside import DATA, Check, panels

OPEN, LIBRARY, BOOK, MEMORY = "open data", "reference library", "handbook", "from memory"
R_FIT = "R 4.2.2, aov, lmerTest 3.1-3 and emmeans 1.8.4 on "
NLME = "Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS, 2000, Machines"
SHROUT = "Shrout and Fleiss, Psychological Bulletin 86, 1979, 420-428, table 4"
PSYCH = "R package psych 2.2.9, ICC, on the data of Shrout and Fleiss 1979, table 2"
FRIES = "french_fries (R's reshape2), 12 assessors, figures by first principles"
COMPLETE = "french_fries (R's reshape2), the 7 complete assessors, R aov"
COCHRAN = "R lme4 1.1-31 on the cakes of Cochran and Cox, Experimental Designs, 1957, p. 300"
CATALYST = "Montgomery, Design and Analysis of Experiments, incomplete blocks, catalyst example"
APPLES = "appletaste (R's DAAG), adjusted means by R emmeans 1.8.4"
HARTER = "table of the studentised range, 5 % points (Pearson and Hartley, Biometrika Tables)"
STUDENT = "Student, Biometrika 6, 1908, additional hours of sleep, 10 patients"
ZAR = "Zar, Biostatistical Analysis, example 20.5; its twelve rank sums as printed"

means = cache(lambda name: piece_means(*getattr(panels, name)()))
machines = cache(lambda: compare_doughs(*panels.machines(), level=0.95))
stools = cache(lambda: compare_doughs(*panels.stools(), level=0.95))
cakes = cache(lambda: compare_doughs(*panels.cakes(), level=0.95))
fries = cache(lambda: compare_doughs(*panels.fries(), level=0.95))
fries_assessors = cache(lambda: assessor_performance(*panels.fries(), level=0.95))
fries_by_week = cache(lambda: assessor_performance(*panels.fries(), adjust_for=["week"]))


@cache
def fries_complete():
    four = ("potato", "grassy", "rancid", "painty")
    return compare_doughs(*panels.fries(four, panels.COMPLETE), level=0.95)


@cache
def judges():
    return reliability(*panels.study(panels.grid(panels.JUDGES)), level=0.95)


@cache
def birds():
    return reliability(*panels.study(panels.grid(np.array(panels.BIRDS).T)))


@cache
def sleep():
    table = pd.DataFrame(panels.SLEEP).T.to_numpy()
    kinds = pd.DataFrame({"dough": list(panels.SLEEP), "kind": ["reference", "test"]})
    frame = panels.grid(table, doughs=list(panels.SLEEP))
    return compare_to_reference(*panels.study(frame), kinds, level=0.95)


@cache
def made_panel(doughs, people):
    """Any table will do: the studentised range depends only on its size."""
    table = np.random.default_rng(doughs * 100 + people).normal(5, 1, (doughs, people))
    return compare_doughs(*panels.study(panels.grid(table)), level=0.95)


def row(frame, column, **where):
    for name, value in where.items():
        frame = frame[frame[name] == value]
    assert len(frame) == 1, f"{where}: {len(frame)} rows"
    return frame[column].iloc[0]


def cell(found, table, column, **where):
    """One cell of one table of a result."""
    return row(getattr(found(), table), column, **where)


def of_assessor(column, attribute, assessor, found=fries_assessors):
    return row(found(), column, attribute=attribute, assessor=assessor)


def se_between(name, one, other):
    cov = means(name).covariance["score"]
    return np.sqrt(cov.loc[one, one] + cov.loc[other, other] - 2 * cov.loc[one, other])


def half_width(attribute):
    pair = {"attribute": attribute, "dough": "oil 1", "other_dough": "oil 2"}
    edges = [row(fries_complete().differences, name, **pair) for name in ("ci_low", "ci_high")]
    return (edges[1] - edges[0]) / 2


def told_apart():
    tests = fries().tests
    return ", ".join(tests.loc[tests["p"] <= 0.05, "attribute"]) or "none"


def studentised(doughs, people):
    first = made_panel(doughs, people).differences.iloc[0]
    return (first["ci_high"] - first["difference"]) / first["se"] * np.sqrt(2)


def _checks(about):
    """A maker of checks of one function."""

    def make(says, source, kind, printed, get, within=0.0, *, wrong=False):
        return Check(f"panel.{about}", says, source, kind, printed, get, within, wrong)

    return make


def _piece_means():
    check = _checks("piece_means")
    catalyst = partial(partial, cell, lambda: means("catalyst"), "means", "mean")
    apples = partial(partial, cell, lambda: means("apples"), "means", "mean")
    for piece, printed in (("1", 71.375), ("2", 71.625), ("3", 72.0), ("4", 75.0)):
        yield check(f"catalyst {piece}", CATALYST, MEMORY, printed, catalyst(piece=piece), 5e-4)
    says = "catalyst 1, raw mean of the batches it happened to meet"
    yield check(says, CATALYST, MEMORY, 72.667, catalyst(piece="1"), 0.05, wrong=True)
    says = "catalyst, SE of a difference by √(2k·MSE/(λv)), MSE printed as 0.65"
    printed = np.sqrt(2 * 3 * 0.65 / (2 * 4))
    yield check(says, CATALYST, MEMORY, printed, partial(se_between, "catalyst", "1", "2"), 1e-3)
    for piece, printed in (("298", 71.45), ("493", 92.025), ("649", 58.075), ("937", 22.65)):
        yield check(f"aftertaste {piece}", APPLES, LIBRARY, printed, apples(piece=piece), 5e-4)
    get = partial(se_between, "apples", "298", "937")
    yield check("aftertaste, SE of a difference", APPLES, LIBRARY, 10.441416, get, 1e-5)
    says = "aftertaste 298, raw mean of those who met it"
    yield check(says, APPLES, LIBRARY, 68.333, apples(piece="298"), 0.5, wrong=True)


def _machines():
    check, where = _checks("compare_doughs"), R_FIT + "Machines"
    get = partial(cell, machines, "tests", "f")
    yield check("machines, F on 2 and 10", where, LIBRARY, 20.5761, get, 1e-4)
    yield check("machines, F in the book", NLME, MEMORY, 20.58, get, 5e-3)
    says = "machines, F over what three scores of a worker differ by"
    yield check(says, where, LIBRARY, 949.17, get, 0.01, wrong=True)
    for column, printed, within in (("df_error", 10, 0), ("p", 2.8555e-4, 1e-8)):
        get = partial(cell, machines, "tests", column)
        yield check(f"machines, {column}", where, LIBRARY, printed, get, within)
    for name, printed, within in (
        ("dough", 877.63, 5e-3),
        ("assessor", 248.38, 5e-3),
        ("dough × assessor", 42.653, 5e-4),
        ("portion", 0.92463, 5e-6),
    ):
        get = partial(cell, machines, "sources", "mean_square", source=name)
        yield check(f"machines, mean square {name}", where, LIBRARY, printed, get, within)
    for dough, printed in (("A", 52.35), ("B", 60.32), ("C", 66.27)):
        get = partial(cell, machines, "means", "mean", dough=dough)
        says = "a course page on the Machines data"
        yield check(f"mean of machine {dough}", says, OPEN, printed, get, 6e-3)
    for column, printed, within in (("se", 2.4858, 5e-5), ("df", 8.522, 5e-4)):
        get = partial(cell, machines, "means", column, dough="A")
        yield check(f"machines, {column} of a mean", where, LIBRARY, printed, get, within)
    pair = partial(partial, cell, machines, "differences")
    get = pair("se", dough="A", other_dough="B")
    yield check("machines, SE of a difference", where, LIBRARY, 2.1770, get, 5e-5)
    for one, other, printed in (("A", "B", 0.0111), ("A", "C", 0.0002), ("B", "C", 0.0507)):
        get = pair("p", dough=one, other_dough=other)
        yield check(f"machines, Tukey's p {one}-{other}", where, LIBRARY, printed, get, 5e-5)


def _stools_and_cakes():
    check, where = _checks("compare_doughs"), R_FIT + "ergoStool"
    for column, printed, within in (("f", 22.3556, 5e-5), ("p", 3.9346e-7, 1e-11)):
        get = partial(cell, stools, "tests", column)
        yield check(f"stools, {column}", where, LIBRARY, printed, get, within)
    pair = partial(partial, cell, stools, "differences")
    for column, printed in (("difference", -3.8889), ("ci_low", -5.3197), ("ci_high", -2.4580)):
        get = pair(column, dough="T1", other_dough="T2")
        yield check(f"stools T1-T2, {column}", where, LIBRARY, printed, get, 5e-5)
    for one, other, printed in (
        ("T1", "T3", 0.00137),
        ("T2", "T3", 0.01820),
        ("T3", "T4", 0.02958),
    ):
        get = pair("p", dough=one, other_dough=other)
        yield check(f"stools, Tukey's p {one}-{other}", where, LIBRARY, printed, get, 5e-6)
    for column, printed in (("f", 1.57805), ("p", 0.22419)):
        get = partial(cell, cakes, "tests", column)
        yield check(f"cakes, recipe {column}", COCHRAN, LIBRARY, printed, get, 5e-6)
    get = partial(cell, cakes, "tests", "f")
    says = "cakes, recipe F when the replicate is forgotten"
    yield check(says, COCHRAN, LIBRARY, 0.24879, get, 1e-3, wrong=True)
    says = "cakes, recipe F over what single cakes differ by"
    yield check(says, COCHRAN, LIBRARY, 67.544 / 20.4709, get, 1e-2, wrong=True)


def _fries():
    check = _checks("compare_doughs")
    for name, f, p, width in (
        ("potato", 0.391983, 0.684060, 0.613455),
        ("grassy", 0.089172, 0.915289, 0.408049),
        ("rancid", 1.387104, 0.287119, 0.925996),
        ("painty", 0.022800, 0.977500, 0.737243),
    ):
        for column, printed in (("f", f), ("p", p)):
            get = partial(cell, fries_complete, "tests", column, attribute=name)
            yield check(f"fries {name}, {column}", COMPLETE, OPEN, printed, get, 1e-6)
        get = partial(half_width, name)
        yield check(f"fries {name}, Tukey's width", COMPLETE, OPEN, width, get, 1e-5)
    says = "fries rancid, F over what single scores differ by"
    get = partial(cell, fries_complete, "tests", "f", attribute="rancid")
    yield check(says, COMPLETE, OPEN, 0.861855, get, 1e-3, wrong=True)
    says = "fries, gaps and all: attributes in which the oils differ"
    where = "french_fries (R's reshape2); lme4 and pbkrtest find no difference, p 0.21-0.97"
    yield check(says, where, OPEN, "none", told_apart)


def _studentised_range():
    check = _checks("compare_doughs")
    for doughs, people, printed in (
        (2, 11, 3.151),
        (3, 6, 3.877),
        (5, 6, 4.232),
        (6, 5, 4.445),
        (3, 7, 3.773),
        (3, 11, 3.578),
        (3, 31, 3.399),
    ):
        says = f"studentised range of {doughs} on {(doughs - 1) * (people - 1)} df"
        get = partial(studentised, doughs, people)
        yield check(says, HARTER, MEMORY, printed, get, 5.01e-4)
    where = "scipy 1.17, stats.studentized_range"
    printed = float(stats.studentized_range.ppf(0.95, 4, 15))
    get = partial(studentised, 4, 6)
    yield check("studentised range of 4 on 15 df", where, LIBRARY, printed, get, 1e-7)


def _reference():
    check = _checks("compare_to_reference")
    drugs = panels.SLEEP["laevo"], panels.SLEEP["dextro"]
    paired = stats.ttest_rel(*drugs)
    low, high = paired.confidence_interval(0.95)
    where = "scipy 1.17, stats.ttest_rel on Student's hours of sleep"
    for column, printed in (("p", paired.pvalue), ("ci_low", low), ("ci_high", high)):
        get = partial(cell, sleep, "doughs", column)
        yield check(f"sleep, {column}", where, LIBRARY, float(printed), get, 1e-9)
    for column, printed, within in (("difference", 1.58, 5e-3), ("p", 0.002833, 5e-7)):
        get = partial(cell, sleep, "doughs", column)
        yield check(f"sleep, {column} as printed", STUDENT, MEMORY, printed, get, within)
    unpaired = float(stats.ttest_ind(*drugs).pvalue)
    says = "sleep, p when who slept is forgotten"
    get = partial(cell, sleep, "doughs", "p")
    yield check(says, where, LIBRARY, unpaired, get, 0.01, wrong=True)


def _assessors():
    check = _checks("assessor_performance")
    columns = ("tells_apart_f", "tells_apart_p", "repeats_sd", "agrees_r", "scale_use")
    for assessor, values in {
        "3": (0.393099, 0.676990, 3.556762, 0.809079, 4.222035),
        "10": (0.020210, 0.980000, 1.071136, -0.327903, 0.881587),
        "52": (0.129771, 0.878556, 1.383353, 0.892677, 2.944135),
        "63": (2.116088, 0.129871, 1.982759, 0.408515, 2.322714),
        "86": (0.071503, 0.931087, 1.649467, 0.647389, 2.207105),
    }.items():
        for column, printed in zip(columns, values, strict=True):
            says = f"fries potato, assessor {assessor}, {column}"
            get = partial(of_assessor, column, "potato", assessor)
            yield check(says, FRIES, OPEN, printed, get, 1e-6)
    for assessor, f, df_error in (("3", 0.812957, 43), ("15", 1.593541, 47), ("63", 2.753869, 48)):
        for column, printed in (("tells_apart_f", f), ("tells_apart_df_error", df_error)):
            says = f"fries potato, assessor {assessor}, {column} adjusted for the week"
            get = partial(of_assessor, column, "potato", assessor, fries_by_week)
            yield check(says, FRIES, OPEN, printed, get, 1e-6)
    says = "fries potato, scores given by assessor 15 (one missing)"
    yield check(says, FRIES, OPEN, 59, partial(of_assessor, "n", "potato", "15"))
    says = "fries potato, assessor 10 correlated with a mean that holds his own scores"
    get = partial(of_assessor, "agrees_r", "potato", "10")
    yield check(says, FRIES, OPEN, -0.2654, get, 0.01, wrong=True)
    one = pd.read_csv(DATA / "french_fries.csv").query("subject == 15")
    groups = [group["rancid"].dropna() for _, group in one.groupby("treatment")]
    printed = float(stats.f_oneway(*groups).pvalue)
    get = partial(of_assessor, "tells_apart_p", "rancid", "15")
    where = "scipy 1.17, stats.f_oneway on french_fries"
    yield check("fries rancid, assessor 15, p", where, LIBRARY, printed, get, 1e-9)


def _reliability():
    check = _checks("reliability")
    for kind, printed, low, high in (
        ("ICC(1,1)", 0.17, -0.133, 0.72),
        ("ICC(2,1)", 0.29, 0.019, 0.76),
        ("ICC(3,1)", 0.71, 0.342, 0.95),
        ("ICC(1,k)", 0.44, -0.884, 0.91),
        ("ICC(2,k)", 0.62, 0.071, 0.93),
        ("ICC(3,k)", 0.91, 0.676, 0.99),
    ):
        get = partial(partial, cell, judges, "intraclass", kind=kind)
        yield check(kind, SHROUT, BOOK, printed, get(column="estimate"), 5e-3)
        yield check(f"{kind}, lower limit", PSYCH, LIBRARY, low, get(column="ci_low"), 5e-4)
        yield check(f"{kind}, upper limit", PSYCH, LIBRARY, high, get(column="ci_high"), 5e-3)
    get = partial(cell, judges, "intraclass", "estimate", kind="ICC(2,1)")
    says = "ICC(2,1) with targets and judges exchanged"
    yield check(says, SHROUT, BOOK, 0.594646, get, 5e-3, wrong=True)
    get = partial(cell, birds, "agreement", "w")
    yield check("Kendall's W of the birds", ZAR, MEMORY, 0.924135, get, 5e-7)
    says = "Kendall's W of the birds, shared ranks forgotten"
    yield check(says, ZAR, MEMORY, 0.913364, get, 1e-3, wrong=True)
    printed = float(stats.friedmanchisquare(*np.array(panels.JUDGES)).statistic)
    get = partial(cell, judges, "agreement", "chi_square")
    where = "scipy 1.17, stats.friedmanchisquare on the judges of Shrout and Fleiss"
    yield check("chi-square of the judges' ranks", where, LIBRARY, printed, get, 1e-9)


CHECKS = [
    *_piece_means(),
    *_machines(),
    *_stools_and_cakes(),
    *_fries(),
    *_studentised_range(),
    *_reference(),
    *_assessors(),
    *_reliability(),
]
