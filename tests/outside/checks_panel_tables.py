"""Whole tables of critical values, counts of yes and no, and open panels with printed answers."""

from __future__ import annotations

from functools import cache, partial
from itertools import permutations

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel
from statsmodels.stats.contingency_tables import cochrans_q, mcnemar

from doughkit.fitting import fit_linear, fit_mixed, fit_ordered
from doughkit.panel import (
    comparisons_needed,
    difference_test,
    rank_test,
    reliability,
    serving_plan,
)
from doughkit.panel.exact_ranks import friedman_p, trend_p
from doughkit.panel.power import panel_power
from tests.outside import DATA, Check, panels

LIBRARY, BOOK, MEMORY = "reference library", "handbook", "from memory"
FRIEDMAN = "every ordering counted; Hollander and Wolfe 1973 and ISO 8587, where printed"
PAGE = "every ordering counted; Page, J. Am. Stat. Assoc. 58, 1963, 216-230, but for four cells"
CONOVER = "Conover, Practical Nonparametric Statistics, 3rd ed. 1999, three sportsmen, 12 games"
SIEGEL = "Siegel, Nonparametric Statistics, 1956, interview styles"
APPROVAL = "Agresti, Categorical Data Analysis, 1990, approval survey 794, 150, 86, 570"
DUO_TRIO = "ISO 10399; Roessler and others, Journal of Food Science 43, 1978, 940"
DUNNETT = "Dunnett, Biometrics 20, 1964, 482-491, two-sided 5 % points"
SOUP = "soup (Christensen, Cleaver and Brockhoff 2011, Food Quality and Preference 22), "
SAKE = "Siotani and others 1985, Sake in R's heplots, R 4.2.2 lm"
SHROUT = "Shrout and Fleiss 1979, table 2: Cronbach's alpha by R package psych 2.2.9"
MISSING = "ISO 4120 and ASTM E1885; every cell by the exact binomial of scipy 1.17"
SUREST = {"Ref": (132, 161, 65, 41, 121, 219), "Test": (96, 99, 50, 57, 156, 650)}
"""How sure 1847 answers were that a soup was the other, 1 to 6."""


@cache
def friedman_cells(column):
    """Cells whose chance we give, and whose next lower statistic among 20,000 is not enough."""
    table = pd.read_csv(DATA / "friedman_table.csv")
    names = ["k_products", "n_assessors", f"crit_{column}", f"exactP_at_{column}"]
    draw = np.random.default_rng(1)
    differ = 0
    cells = table[names].dropna()
    for products, people, printed, chance in cells.itertuples(index=False):
        count = int(products)
        agree = draw.uniform(0, 3, 20_000)[:, None, None] * np.arange(count)
        liked = draw.gumbel(size=(20_000, int(people), count)) + agree
        ranks = 1.0 + np.argsort(np.argsort(liked, axis=2), axis=2)
        squares = ((ranks.sum(1) - people * (count + 1) / 2) ** 2).sum(1)
        statistic = 12 * squares / (people * count * (count + 1))
        reached = np.abs(statistic - printed).argmin()
        below = np.where(statistic < printed - 1e-3, statistic, 0).argmax()
        same = abs(statistic[reached] - printed) < 6e-5
        same &= abs(friedman_p(ranks[reached]) - chance) < 5.1e-6
        differ += not (same and friedman_p(ranks[below]) > float(column))
    return f"{len(cells)} cells, {differ} differ"


@cache
def one_ranking(products):
    """For each attainable sum of place × rank, one ranking that has it."""
    orders = np.array(list(permutations(range(1, products + 1))), dtype=float)
    sums, first = np.unique(orders @ np.arange(1, products + 1), return_index=True)
    return dict(zip(sums.tolist(), orders[first], strict=True))


def rankings_with(products, people, l_sum):
    """Any rankings of the given sum of place × rank."""
    single = one_ranking(products)
    least, most = min(single), max(single)

    def rows(left, short):
        if not left:
            return [] if short == 0 else None
        for one in sorted(single, reverse=True):
            if least * (left - 1) <= short - one <= most * (left - 1):
                found = rows(left - 1, short - one)
                if found is not None:
                    return [single[one], *found]
        return None

    return np.array(rows(people, l_sum))


@cache
def page_cells():
    table = pd.read_csv(DATA / "page_table.csv").melt(
        ["k_products", "m_assessors"], var_name="risk", value_name="printed"
    )
    differ = 0
    for one in table.dropna().itertuples(index=False):
        risk = float(one.risk.split("_")[1])
        at, below = (
            trend_p(rankings_with(one.k_products, one.m_assessors, one.printed - less))
            for less in (0, 1)
        )
        differ += not at <= risk < below
    return f"{table['printed'].notna().sum()} cells, {differ} differ"


def yes_or_no(rows):
    """Cochran's Q: rankings of nothing but yes and no, shared ranks and all."""
    table = np.array([[int(one) for one in row] for row in rows.split()], dtype=float)
    return table, rank_test(
        pd.DataFrame(stats.rankdata(table, axis=1), columns=list("ABC"))
    ).test.iloc[0]


SPORTSMEN = "111 111 010 110 000 111 111 110 001 010 111 111"
STYLES = " ".join(["110"] * 9 + ["111"] * 2 + ["101", "011"] + ["100", "010"] + ["000"] * 3)
"""Three styles of interview whose columns add up to 13, 13 and 3."""


@cache
def dunnett(others, people):
    """Half width over standard error, against one of a complete table."""
    frame = pd.DataFrame(
        [(f"A{a}", f"D{d}") for a in range(people) for d in range(others + 1)],
        columns=["assessor", "dough"],
    )
    draw = np.random.default_rng(others * 100 + people)
    own = dict(zip(frame["assessor"].unique(), 3 * draw.normal(size=people), strict=True))
    frame["score"] = frame["assessor"].map(own) + draw.normal(size=len(frame))
    fit = fit_mixed(frame, "score", ["dough"], ["assessor"])
    first = fit.differences("dough", against="D0", level=0.95).iloc[0]
    return (first["ci_high"] - first["difference"]) / first["se"]


def one_sidedly(others, df):
    """The two-sided point by scipy's multivariate t, which integrates at random."""
    shared = np.full((others, others), 0.5) + 0.5 * np.eye(others)

    def chance(t):
        ends = np.full(others, t)
        law = stats.multivariate_t(shape=shared, df=df, seed=1)
        return law.cdf(ends, lower_limit=-ends, maxpts=200_000, random_state=1)

    low, high = 1.5, 4.0
    for _ in range(14):
        middle = (low + high) / 2
        low, high = (middle, high) if chance(middle) < 0.95 else (low, middle)
    return (low + high) / 2


@cache
def soup():
    rows = [
        (product, float(at + 1), 1.0 * (product == "Test"))
        for product, counts in SUREST.items()
        for at, count in enumerate(counts)
        for _ in range(count)
    ]
    return pd.DataFrame(rows, columns=["product", "sure", "test"])


@cache
def soup_fit():
    return fit_ordered(soup(), "sure", ["product"])


@cache
def soup_in_statsmodels(law):
    frame = soup()
    return OrderedModel(frame["sure"], frame[["test"]], distr=law).fit(method="bfgs", disp=False)


@cache
def sake(response):
    frame = pd.read_csv(DATA / "sake.csv")
    return frame, fit_linear(frame.drop(columns=["taste", "smell"]), frame[response])


def of_sake(response, table, column, term=None):
    found = getattr(sake(response)[1], table)
    found = found if term is None else found[found["term"] == term]
    return found[column].iloc[0]


@cache
def alpha():
    found = reliability(*panels.study(panels.grid(panels.JUDGES))).intraclass
    return found.loc[found["kind"] == "ICC(3,k)", "estimate"].iloc[0]


def by_variances():
    """Cronbach's alpha from the variances of the judges and of their sums."""
    table = np.array(panels.JUDGES, dtype=float)
    judges = table.shape[1]
    share = table.var(0, ddof=1).sum() / table.sum(1).var(ddof=1)
    return judges / (judges - 1) * (1 - share)


def _tables():
    about = "panel.rank_test"
    for column, cells in (("0.05", 35), ("0.01", 33)):
        get = partial(friedman_cells, column)
        says = f"Friedman's exact table at {column}, chances of the smallest statistics"
        yield Check(about, says, FRIEDMAN, MEMORY, f"{cells} cells, 0 differ", get)
    says = "Page's exact table, 3-7 products, 2-12 people, three risks"
    yield Check(about, says, PAGE, MEMORY, "161 cells, 0 differ", page_cells)
    says = "Page, 6 products, 8 people: L 655 taken to be enough at 0.1 %"
    get = partial(lambda: float(trend_p(rankings_with(6, 8, 655)) <= 0.001))
    yield Check(about, says, PAGE, MEMORY, 1.0, get, wrong=True)
    says = "Friedman, 4 products, 4 people: 11.34 of chi-square needed at 1 %"
    agreed = np.array([[1.0, 2, 3, 4]] * 3 + [[2.0, 1, 3, 4]])
    get = partial(lambda: float(friedman_p(agreed) > 0.01))
    yield Check(about, says, FRIEDMAN, MEMORY, 1.0, get, wrong=True)


def _yes_or_no():
    about = "panel.rank_test"
    table, found = yes_or_no(SPORTSMEN)
    get = partial(lambda one, column: one[column], found, "chi_square")
    yield Check(about, "sportsmen, Cochran's Q", CONOVER, MEMORY, 2.8, get, 1e-9)
    where = "statsmodels 0.15, cochrans_q, on the same"
    printed = float(cochrans_q(table).statistic)
    yield Check(about, "sportsmen, Cochran's Q by library", where, LIBRARY, printed, get, 1e-9)
    says = "sportsmen, Q as if shared ranks were none"
    plain = 12 / (12 * 3 * 4) * (stats.rankdata(table, axis=1).sum(0) ** 2).sum() - 3 * 12 * 4
    yield Check(about, says, CONOVER, MEMORY, float(plain), get, 0.1, wrong=True)
    about = "panel.difference_test"
    get = partial(lambda: difference_test(150, 236, kind="paired either way")["p"].iloc[0])
    yield Check(about, "approval, exact McNemar p", APPROVAL, MEMORY, 3.716e-5, get, 5e-9)
    printed = float(mcnemar([[794, 150], [86, 570]], exact=True).pvalue)
    where = "statsmodels 0.15, mcnemar, exact"
    yield Check(about, "approval, exact McNemar p by library", where, LIBRARY, printed, get, 1e-12)
    says = "approval, p of McNemar's chi-square"
    printed = float(stats.chi2.sf(64**2 / 236, 1))
    yield Check(about, says, APPROVAL, MEMORY, printed, get, 1e-6, wrong=True)
    for kind, where, printed in (
        (
            "duo-trio",
            DUO_TRIO,
            "5:5 6:6 7:7 8:7 9:8 10:9 11:9 12:10 13:10 14:11 15:12 16:12 17:13 "
            "18:13 19:14 20:15 24:17 30:20 32:22 36:24 40:26",
        ),
        (
            "paired either way",
            "ISO 5495",
            "6:6 7:7 8:8 9:8 10:9 11:10 12:10 13:11 14:12 15:12 16:13 20:15 24:18 30:21",
        ),
    ):
        get = partial(as_printed, kind, printed)
        says = f"{kind}, right answers needed at 5 %, the whole table recalled"
        yield Check(about, says, where, MEMORY, printed, get)
    says = "paired either way, 5 of 5 taken to be enough"
    get = partial(as_printed, "paired either way", "5:5")
    yield Check(about, says, "ISO 5495", MEMORY, "5:5", get, wrong=True)


def as_printed(kind, cells):
    answers = [int(one.split(":")[0]) for one in cells.split()]
    needed = [difference_test(0, n, kind=kind)["correct_needed"].iloc[0] for n in answers]
    pairs = zip(answers, needed, strict=True)
    return " ".join(f"{n}:{'-' if pd.isna(x) else int(x)}" for n, x in pairs)


def safe_by_library(share, miss):
    """From which number on every triangle test does, by scipy's binomial distribution."""
    n = np.arange(10, 400)
    enough = stats.binom.isf(0.05, n, 1 / 3) + 1
    missed = stats.binom.cdf(enough - 1, n, 1 / 3 + share * 2 / 3)
    return float(n[missed > miss].max() + 1)


def _planning():
    about = "panel.comparisons_needed"
    for share, printed in ((0.5, (16, 22, 29)), (0.4, (25, 34, 42)), (0.3, (42, 57, 73))):
        for miss, answers in zip((0.2, 0.1, 0.05), printed, strict=True):
            assert safe_by_library(share, miss) == answers
            says = f"triangle, {share:.0%} notice, from here on never missed with more than {miss}"
            get = partial(
                lambda s, m: comparisons_needed(s, miss=m)["answers_safe"].iloc[0], share, miss
            )
            yield Check(about, says, MISSING, LIBRARY, answers, get)
    about = "panel.panel_power"
    where = "noncentral F of scipy 1.17: 4 doughs, 1.5 points, own views 0.8, portions 1.0"
    given = {"difference": 1.5, "own_view_sd": 0.8, "portion_sd": 1.0}
    for people, printed in {
        4: (0.1788, 0.2430, 0.2799),
        6: (0.2913, 0.4073, 0.4697),
        8: (0.4057, 0.5592, 0.6343),
        10: (0.5138, 0.6858, 0.7609),
        12: (0.6107, 0.7839, 0.8503),
    }.items():
        for portions, power in enumerate(printed, start=1):
            get = partial(
                lambda a, r: panel_power(4, a, r, **given)["power"].iloc[0], people, portions
            )
            says = f"power of {people} people with {portions} portions"
            yield Check(about, says, where, LIBRARY, power, get, 5.1e-5)


def _dunnett():
    about = "fitting.fit_mixed"
    for others, people, printed in (
        (1, 11, 2.23),
        (2, 6, 2.57),
        (2, 11, 2.38),
        (3, 5, 2.68),
        (4, 6, 2.65),
        (5, 3, 2.99),
        (5, 5, 2.73),
    ):
        get = partial(dunnett, others, people)
        says = f"Dunnett's point for {others} on {others * (people - 1)} df"
        yield Check(about, says, DUNNETT, MEMORY, printed, get, 6e-3)
    where = "scipy 1.17, stats.multivariate_t with correlations ½"
    get = partial(dunnett, 3, 5)
    says = "Dunnett's point for 3 on 12 df by library"
    yield Check(about, says, where, LIBRARY, one_sidedly(3, 12), get, 1e-3)
    says = "Dunnett's point for 5 on 20 df, that of one side"
    yield Check(about, says, DUNNETT, MEMORY, 2.39, partial(dunnett, 5, 5), 0.1, wrong=True)


def _soup():
    about = "fitting.fit_ordered"
    where = SOUP + "statsmodels 0.15, OrderedModel, logit"
    theirs = soup_in_statsmodels("logit")
    get = partial(lambda: soup_fit().coefficients["estimate"].iloc[0])
    yield Check(about, "soup, test", where, LIBRARY, float(theirs.params["test"]), get, 2e-5)
    get_se = partial(lambda: soup_fit().coefficients["se"].iloc[0])
    printed = float(theirs.bse["test"])
    yield Check(about, "soup, standard error of test", where, LIBRARY, printed, get_se, 2e-5)
    cuts = theirs.model.transform_threshold_params(theirs.params.to_numpy())[1:-1]
    for at, printed in enumerate(cuts):
        get_cut = partial(lambda at: soup_fit().thresholds["estimate"].iloc[at], at)
        says = f"soup, threshold {at + 1}"
        yield Check(about, says, where, LIBRARY, float(printed), get_cut, 5e-5)
    get_value = partial(lambda: soup_fit().figures["log_likelihood"].iloc[0])
    says = "soup, log likelihood"
    yield Check(about, says, where, LIBRARY, float(theirs.llf), get_value, 1e-6)
    probit = SOUP + "R package ordinal 2022.11-16, clm, probit"
    says = "soup, a normal curve's d′ taken for a logistic step"
    yield Check(about, says, probit, LIBRARY, 0.668547, get, 0.1, wrong=True)
    says = "soup, log likelihood of a normal curve"
    yield Check(about, says, probit, LIBRARY, -2695.0258, get_value, 0.01, wrong=True)


def _sake():
    about = "fitting.fit_linear"
    for response, column, printed in (
        ("taste", "r2", 0.3087605),
        ("taste", "r2_adjusted", 0.0454312),
        ("taste", "s", 0.3886827),
        ("smell", "r2", 0.2524645),
    ):
        get = partial(of_sake, response, "figures", column)
        yield Check(about, f"sake, {response}: {column}", SAKE, LIBRARY, printed, get, 6e-8)
    for term, printed in (
        ("pH", 1.102593),
        ("acidity1", 0.230737),
        ("acidity2", 1.171384),
        ("alcohol", -0.262579),
        ("nitrogen", -0.004317),
    ):
        get = partial(of_sake, "taste", "coefficients", "estimate", term)
        yield Check(about, f"sake, taste on {term}", SAKE, LIBRARY, printed, get, 6e-7)
    for column, printed, within in (("estimate", 1.772747, 6e-7), ("t", 2.1374, 6e-5)):
        get = partial(of_sake, "smell", "coefficients", column, "acidity2")
        yield Check(
            about, f"sake, smell on acidity2: {column}", SAKE, LIBRARY, printed, get, within
        )
    get = partial(of_sake, "taste", "figures", "r2")
    frame, _ = sake("taste")
    raw = sm.OLS(frame["taste"], frame.drop(columns=["taste", "smell"])).fit()
    says = "sake, R² about zero instead of the mean"
    where = "statsmodels 0.15, OLS without a constant"
    yield Check(about, says, where, LIBRARY, float(raw.rsquared), get, 0.1, wrong=True)


def _alpha():
    about = "panel.reliability"
    yield Check(about, "Cronbach's alpha of four judges", SHROUT, LIBRARY, 0.90931554, alpha, 5e-9)
    where = "alpha from the variances of items and sum"
    says = "Cronbach's alpha from the judges' variances"
    yield Check(about, says, where, MEMORY, float(by_variances()), alpha, 1e-12)
    says = "standardised alpha of four judges"
    yield Check(about, says, SHROUT, LIBRARY, 0.92694, alpha, 1e-3, wrong=True)


BLOCKS = "W. G. Cochran and G. M. Cox, Experimental Designs, 2nd ed. 1957, chapter 11, plans"


@cache
def meetings(pieces: int, each: int, people: int, seed: int = 1) -> tuple[int, int, int, int]:
    """How often a piece is served, and how often two pieces meet: fewest and most of each."""
    served = pd.DataFrame({"piece": [f"P{at}" for at in range(pieces)]})
    who = pd.DataFrame({"assessor": [f"A{at}" for at in range(people)]})
    plan = serving_plan(
        served.assign(dough=served["piece"]), who, tasting="T", mode="rested", each=each, seed=seed
    )
    found = plan.balance.set_index("what")
    rows = found.loc[["a piece served", "two pieces to one person"], ["fewest", "most"]]
    return tuple(int(one) for one in rows.to_numpy().ravel())


def _blocks():
    about = "panel.serving_plan"
    for pieces, each, times, people, together in (
        (4, 2, 3, 6, 1),
        (4, 3, 3, 4, 2),
        (5, 2, 4, 10, 1),
        (5, 3, 6, 10, 3),
        (5, 4, 4, 5, 3),
        (6, 2, 5, 15, 1),
        (6, 3, 5, 10, 2),
        (6, 4, 10, 15, 6),
        (6, 5, 5, 6, 4),
        (7, 3, 3, 7, 1),
        (7, 4, 4, 7, 2),
        (7, 6, 6, 7, 5),
        (8, 7, 7, 8, 6),
        (9, 3, 4, 12, 1),
        (9, 8, 8, 9, 7),
        (13, 4, 4, 13, 1),
    ):
        for place, (what, printed) in enumerate(
            (
                ("fewest served", times),
                ("most served", times),
                ("fewest", together),
                ("most", together),
            )
        ):
            says = f"{pieces} pieces, {each} each to {people} people: {what} meetings of two"
            if place < 2:
                says = f"{pieces} pieces, {each} each to {people} people: a piece is {what}"
            yield Check(
                about, says, BLOCKS, MEMORY, printed,
                lambda p=pieces, e=each, n=people, at=place: meetings(p, e, n)[at], 0,
            )  # fmt: skip
    says = "7 pieces, 3 each: that 6 people would do"
    yield Check(about, says, BLOCKS, MEMORY, 1, lambda: meetings(7, 3, 6)[2], 0, wrong=True)


CHECKS = [
    *_blocks(),
    *_tables(),
    *_yes_or_no(),
    *_planning(),
    *_dunnett(),
    *_soup(),
    *_sake(),
    *_alpha(),
]
