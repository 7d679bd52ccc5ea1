"""Difference tests, rankings and orders of tasting against printed tables."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel import comparisons_needed, difference_test, rank_test, serving_plan
from doughkit.panel.orders import order_balance
from tests.outside import DATA, Check, panels

LIBRARY, BOOK, MEMORY = "reference library", "handbook", "from memory"
FAO = "FAO Fisheries Technical Paper 348 (Huss 1995), appendix A, as in ISO 4120 annex A"
DUO_TRIO = "ISO 10399; Roessler and others, Journal of Food Science 43, 1978, 940"
ENNIS = "Ennis, Journal of Sensory Studies 8, 1993, 353-370; ASTM E2262"
NUMBERS = "ISO 4120 and ASTM E1885, number of assessors at risk 0.05"
HOLLANDER = "Hollander and Wolfe 1973, p. 140, rounding first base; R's friedman.test help"
EXACT = "exact table of Friedman's statistic (Hollander and Wolfe 1973; ISO 8587)"
SAMPLES = "ISO 8587:1988, annex A, 8 assessors × 5 samples, rank sums 17 31 32 23 17"
PAGE = "scipy 1.17, stats.page_trend_test, documentation and test suite"
SQUARE = "a published square after Williams 1949"
WILLIAMS = "Williams, Australian Journal of Scientific Research A 2, 1949, 149-168"
NEIGHBOURS, PLACES = "a piece right after another", "a piece in a place"


@cache
def triangle_table():
    table = pd.read_csv(DATA / "triangle_table.csv")
    ours = [tested(0, one.answers, "correct_needed", risk=one.risk) for one in table.itertuples()]
    same = (table["correct_needed"] == ours) | (table["correct_needed"].isna() & pd.isna(ours))
    return f"{len(table)} cells, {(~same).sum()} differ"


def tested(correct, answers, column, **options):
    return difference_test(correct, answers, **options)[column].iloc[0]


def needed(column, share, miss):
    return comparisons_needed(share, miss=miss)[column].iloc[0]


@cache
def fewest_by_library(share, miss):
    """Fewest answers of a triangle test by scipy's binomial test, one number after the other."""
    pc = 1 / 3 + share * 2 / 3
    for n in range(10, 200):
        enough = next(
            x
            for x in range(n // 3, n + 1)
            if stats.binomtest(x, n, 1 / 3, alternative="greater").pvalue <= 0.05
        )
        if stats.binomtest(enough - 1, n, pc, alternative="less").pvalue <= miss:
            return n
    raise AssertionError


def ranked(text, *, order=False):
    """Scores written as a text, people parted by /, ranked for each person."""
    table = np.array([one.split() for one in text.split("/")], dtype=float)
    names = list("ABCDEFGH"[: table.shape[1]])
    ranks = pd.DataFrame(stats.rankdata(table, axis=1), columns=names)
    return rank_test(ranks, order=names if order else None)


@cache
def runners():
    return ranked(
        """5.40 5.50 5.55/5.85 5.70 5.75/5.20 5.60 5.50/5.55 5.50 5.40/5.90 5.85 5.70/
        5.45 5.55 5.60/5.40 5.40 5.35/5.45 5.50 5.35/5.25 5.15 5.00/5.85 5.80 5.70/
        5.25 5.20 5.10/5.65 5.55 5.45/5.60 5.35 5.45/5.05 5.00 4.95/5.50 5.50 5.40/
        5.45 5.55 5.50/5.55 5.55 5.35/5.45 5.50 5.55/5.50 5.45 5.25/5.65 5.60 5.40/
        5.70 5.65 5.55/6.30 6.30 6.25"""
    )


@cache
def samples():
    """Rankings made so that they have the rank sums of the standard's example."""
    return ranked("5 3 1 4 2/3 5 4 1 2/2 4 5 3 1/2 5 3 1 4/1 4 5 2 3/1 3 4 5 2/1 3 5 4 2/2 4 5 3 1")


@cache
def teaching():
    return ranked("3 4 3/2 2 4/3 3 5/1 3 2/2 3 2/2 4 5/1 2 4/3 4 4/2 4 5/1 3 4", order=True)


@cache
def three_by_six():
    return ranked("1.5 4 8.3 5 19 11/5 4 3.5 10 20 21/8.4 3.2 10 12 14 15", order=True)


@cache
def stools():
    ratings, servings, _ = panels.stools()
    table = ratings.merge(servings).pivot(index="assessor", columns="piece", values="score")
    return rank_test(table.rank(axis=1))


def cell(found, table, column):
    return getattr(found(), table)[column].iloc[0]


def exact_p(text):
    return ranked(text).test["p"].iloc[0]


def words(balance, what):
    one = balance[balance["what"] == what].iloc[0]
    return f"{one['fewest']} to {one['most']}"


def balance(rows, what=NEIGHBOURS):
    """How even orders are that are written as a word per person."""
    servings = pd.DataFrame(
        [
            ("T1", str(who), piece, place)
            for who, order in enumerate(rows.split())
            for place, piece in enumerate(order)
        ],
        columns=["tasting", "assessor", "piece", "position"],
    )
    return words(order_balance(servings), what)


def planned(count, people):
    pieces = pd.DataFrame({"piece": list("ABCDEFGH"[:count])}).assign(dough="D")
    names = pd.DataFrame({"assessor": [f"A{at}" for at in range(people)]})
    plan = serving_plan(pieces, names, tasting="T1", mode="rested", seed=count)
    return ", ".join(words(plan.balance, what) for what in (NEIGHBOURS, PLACES))


def _checks(about):
    """A maker of checks of one function."""

    def make(says, source, kind, printed, get, within=0.0, *, wrong=False):
        return Check(f"panel.{about}", says, source, kind, printed, get, within, wrong)

    return make


def _difference_tests():
    check = _checks("difference_test")
    says = "triangle, right answers needed, 3-96 answers at four risks"
    yield check(says, FAO, BOOK, "176 cells, 0 differ", triangle_table)
    says = "triangle, 4 of 5 taken to be enough at 1 %"
    get = partial(tested, 0, 5, "correct_needed", risk=0.01)
    yield check(says, FAO, BOOK, 4, get, wrong=True)
    for answers, printed in ((5, 5), (8, 7), (12, 10), (24, 17), (40, 26)):
        get = partial(tested, 0, answers, "correct_needed", kind="duo-trio")
        yield check(f"duo-trio, {answers} answers", DUO_TRIO, MEMORY, printed, get)
    for answers, printed in ((6, 6), (9, 8), (12, 10), (20, 15), (30, 21)):
        get = partial(tested, 0, answers, "correct_needed", kind="paired either way")
        yield check(f"paired either way, {answers} answers", "ISO 5495", MEMORY, printed, get)
    where = "ISO 4120:2004, annex B, share = 1.5 x/n − 0.5"
    get = partial(tested, 14, 30, "share_telling_apart")
    yield check("14 of 30 in a triangle, share", where, MEMORY, 0.2, get, 1e-12)
    exact = stats.binomtest(14, 30).proportion_ci(0.9, method="exact")
    where = "scipy 1.17, stats.binomtest, exact limits, less chance"
    for column, limit in (("ci_low", exact.low), ("ci_high", exact.high)):
        printed = max(0.0, 1.5 * limit - 0.5)
        get = partial(tested, 14, 30, column)
        yield check(f"14 of 30 in a triangle, {column}", where, LIBRARY, printed, get, 1e-9)
    for kind, correct in (("paired", 760), ("duo-trio", 582), ("triangle", 418)):
        get = partial(tested, correct, 1000, "d_prime", kind=kind)
        says = f"{correct} of 1000 in {kind}: a distance d′ of 1"
        yield check(says, ENNIS, MEMORY, 1.0, get, 5e-3)
    says = "418 of 1000 in a triangle read as a paired test's 0.418"
    get = partial(tested, 418, 1000, "d_prime")
    yield check(says, ENNIS, MEMORY, -0.293, get, 0.1, wrong=True)


def _needed():
    check = _checks("comparisons_needed")
    for share, printed in (
        (0.5, (16, 20, 23)),
        (0.4, (23, 30, 40)),
        (0.3, (40, 53, 66)),
        (0.2, (87, 117, 147)),
    ):
        for miss, answers in zip((0.2, 0.1, 0.05), printed, strict=True):
            says = f"triangle, {share:.0%} notice, missed with {miss}"
            yield check(says, NUMBERS, MEMORY, answers, partial(needed, "answers", share, miss))
    where = "scipy 1.17, stats.binomtest, number by number"
    get = partial(needed, "answers", 0.4, 0.1)
    printed = fewest_by_library(0.4, 0.1)
    yield check("triangle, fewest answers for 40 %", where, LIBRARY, printed, get)
    says = "triangle, 30 %, miss 0.05: 66 taken for safe, though 67 to 72 miss more"
    get = partial(needed, "answers_safe", 0.3, 0.05)
    yield check(says, where, LIBRARY, 66, get, wrong=True)


def _rankings():
    check = _checks("rank_test")
    get = partial(cell, runners, "test", "chi_square")
    yield check("22 runners, chi-square", HOLLANDER, MEMORY, 11.1429, get, 5e-5)
    get = partial(cell, stools, "test", "chi_square")
    where = "R 4.2.2, friedman.test on ergoStool"
    yield check("stools, chi-square", where, LIBRARY, 22.6941, get, 5e-5)
    get = partial(cell, samples, "test", "chi_square")
    yield check("five samples, Friedman's statistic", SAMPLES, MEMORY, 10.60, get, 1e-9)
    says = "five samples, rank-sum difference for one pair, 1.96 √(jp(p+1)/6)"
    get = partial(cell, samples, "pairs", "needed_alone")
    yield check(says, SAMPLES, MEMORY, 1.96 * np.sqrt(40), get, 1e-3)
    says = "five samples, rank-sum difference for all pairs, q √(jp(p+1)/12), q 3.858"
    get = partial(cell, samples, "pairs", "needed")
    yield check(says, SAMPLES, MEMORY, 3.858 * np.sqrt(20), get, 3e-3)
    for text, printed in (
        ("1 2 3/1 2 3/1 2 3", 0.028),
        ("1 2 3/1 2 3/1 2 3/2 1 3", 0.042),
        ("1 2 3 4/1 2 3 4", 0.042),
        ("1 2 3 4/2 1 4 3/1 2 3 4", 0.033),
    ):
        yield check(f"exact p of {text}", EXACT, MEMORY, printed, partial(exact_p, text), 5e-4)
    says = "three people agree on three doughs: chi-square's p"
    get = partial(exact_p, "1 2 3/1 2 3/1 2 3")
    yield check(says, EXACT, MEMORY, 0.0498, get, 1e-3, wrong=True)
    for says, found, printed in (("teaching", teaching, 133.5), ("3 × 6", three_by_six, 266.0)):
        get = partial(cell, found, "trend", "l")
        yield check(f"Page's L, {says}", PAGE, LIBRARY, printed, get)
    get = partial(cell, three_by_six, "trend", "p")
    yield check("exact p of Page's L, 3 × 6", PAGE, LIBRARY, 4.1216564e-05, get, 1e-12)
    says = "Page's L, teaching: p of the normal approximation without shared ranks"
    get = partial(cell, teaching, "trend", "p")
    yield check(says, PAGE, LIBRARY, 0.0012693434, get, 1e-4, wrong=True)


def _orders():
    check = _checks("order_balance")
    for says, rows, printed in (
        ("4 × 4", "ABCD BDAC CADB DCBA", "1 to 1"),
        ("six orders of three", "ABC ACB BAC BCA CAB CBA", "2 to 2"),
        ("6 × 6", "126354 231465 342516 453621 564132 615243", "1 to 1"),
    ):
        yield check(f"{says}, neighbours", SQUARE, BOOK, printed, partial(balance, rows))
    says = "cyclic 4 × 4, in which each piece follows the same one, taken for balanced"
    get = partial(balance, "ABCD BCDA CDAB DABC")
    yield check(says, SQUARE, BOOK, "1 to 1", get, wrong=True)
    for what in (NEIGHBOURS, PLACES):
        says = f"misprinted 4 × 4 taken for balanced, {what}"
        get = partial(balance, "ABCD BDAC CABD DCBA", what)
        yield check(says, SQUARE, BOOK, "1 to 1", get, wrong=True)
    check = _checks("serving_plan")
    for count in range(2, 9):
        times = 1 + count % 2
        printed = f"{times} to {times}, {times} to {times}"
        says = f"a whole set of orders of {count}, neighbours and places"
        yield check(says, WILLIAMS, BOOK, printed, partial(planned, count, count * times))
    says = "five orders of five taken for balanced: an odd number needs twice as many"
    yield check(says, WILLIAMS, BOOK, "1 to 1, 1 to 1", partial(planned, 5, 5), wrong=True)


CHECKS = [*_difference_tests(), *_needed(), *_rankings(), *_orders()]
