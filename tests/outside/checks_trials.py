"""Designs, aliases, axial distances and what doughs tell, against handbooks and libraries."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd
from patsy.contrasts import Sum
from scipy.linalg import hadamard
from statsmodels.stats.outliers_influence import variance_inflation_factor
from statsmodels.stats.power import TTestIndPower

from doughkit import trials
from doughkit.trials.catalogue import fold_over
from doughkit.trials.coding import code, decode
from doughkit.trials.fractional import aliases, fractions
from doughkit.trials.spreads import Spreads
from doughkit.trials.surface import axial_distance
from tests.outside import DATA, Check

BHH = "G. E. P. Box, J. S. Hunter, W. G. Hunter, Statistics for Experimenters, table of fractions"
CHEN = "J. Chen, D. X. Sun, C. F. J. Wu, International Statistical Review 61, 1993, 131-145"
BOX_HUNTER = "G. E. P. Box, J. S. Hunter, Annals of Mathematical Statistics 28, 1957, 195-241"
NIST_ALPHA = "NIST/SEMATECH e-Handbook of Statistical Methods, table 5.3.3.6.1"
CATAPULT = "NIST/SEMATECH e-Handbook of Statistical Methods, 5.4.7.2"
CVD = "NIST/SEMATECH e-Handbook of Statistical Methods, 5.4.7.3"
TREAD = "G. Derringer, R. Suich, Journal of Quality Technology 12, 1980, 214-219"
CAKE_MIX = "cakes data of R's alr4; G. W. Oehlert, A First Course in Design, 2000, example 19.3"
COOK = "chocolate cakes in R's lme4 1.1-31, with emmeans 1.8.4 and lmerTest 3.1-3"
PLACKETT = "R. L. Plackett, J. P. Burman, Biometrika 33, 1946, 305-325"
BLOCKED = "D. C. Montgomery, Design and Analysis of Experiments, blocking and confounding"
MONTGOMERY = "D. C. Montgomery, Design and Analysis of Experiments, fractional designs"
COHEN = "J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988, t tests"

SINGLE = {"centre_doughs": 0, "pieces_per_dough": 1, "seed": 1}


def many(count):
    names = [f"f{number}_pct" for number in range(1, count + 1)]
    return pd.DataFrame({"factor": names, "low": -1.0, "high": 1.0, "changed_per": "dough"})


def rows_in_common(ours, theirs):
    """How many rows of the one occur in the other, each counted once."""
    ours, theirs = ({tuple(np.round(row, 9)) for row in one} for one in (ours, theirs))
    return len(ours & theirs)


def saturated():
    return trials.plan_two_level(many(7), fraction=1 / 16, **SINGLE).doughs


def like_hadamard():
    """Seven factors in eight doughs are the columns of Sylvester's matrix, in his order of them."""
    levels = saturated()[list(many(7)["factor"])].to_numpy()
    return rows_in_common(levels, hadamard(8)[:, [1, 2, 4, 3, 5, 6, 7]])


def with_all_low(factors, blocks):
    """The round that holds the dough with every factor low, each dough named by what is high."""
    table = many(factors)
    doughs = trials.plan_two_level(table, blocks=blocks, **SINGLE).doughs
    high = doughs[list(table["factor"])].to_numpy() > 0
    named = ["".join(np.array(list("abcde"))[:factors][row]) or "(1)" for row in high]
    own = doughs["round"][named.index("(1)")]
    return " ".join(
        sorted(name for name, at in zip(named, doughs["round"], strict=True) if at == own)
    )


def folded_hadamard():
    first = saturated()
    more = fold_over(first, many(7), round=2, **SINGLE).doughs
    levels = pd.concat([first, more])[list(many(7)["factor"])].to_numpy()
    return rows_in_common(levels, hadamard(16)[:, [9, 10, 12, 11, 13, 14, 15]])


def folded_words(on=None):
    """Defining words of three factors left after a fold-over, counted in the doughs."""
    first = saturated()
    more = fold_over(first, many(7), on=on, round=2, **SINGLE).doughs
    signs = pd.concat([first, more])[list(many(7)["factor"])].to_numpy()
    threes = [signs[:, [a, b, c]] for a in range(7) for b in range(a) for c in range(b)]
    return sum(abs(three.prod(axis=1).sum()) == len(signs) for three in threes)


@cache
def screened(count=11):
    return trials.plan_two_level(many(count), screening=True, **SINGLE)


def like_the_published_twelve(turned=1):
    ours = screened().doughs[list(many(11)["factor"])].to_numpy()
    published = pd.read_csv(DATA / "screening_twelve.csv").to_numpy()
    return rows_in_common(turned * ours, published)


def passing_pairs(share):
    """Pairs that pass for the first factor by so much of their size."""
    signs = screened().doughs[list(many(11)["factor"])].to_numpy()
    pairs = [signs[:, a] * signs[:, b] for a in range(1, 11) for b in range(1, a)]
    return sum(abs(signs[:, 0] @ pair / 12 - share) < 1e-9 for pair in pairs)


def largest_share_told():
    said = trials.what_it_tells(*screened(), many(11), terms="linear").sentences
    told = next(one for one in said if one.startswith("Pairs are taken to do nothing"))
    return float(told.split("up to ")[1].split(" of it")[0])


CATAPULT_FACTORS = pd.DataFrame(
    {
        "factor": ["height", "start", "bands", "length", "stop"],
        "low": [3.25, 0.0, 1.0, 0.0, 45.0],
        "high": [4.75, 20.0, 2.0, 4.0, 80.0],
        "changed_per": "dough",
    }
)


@cache
def catapult():
    frame = pd.read_csv(DATA / "nist_catapult.csv").rename_axis("dough").reset_index()
    # The printed analysis codes the centre throws' stop of 62 as 0, half-way being 62.5.
    frame["stop"] = frame["stop"].replace(62, 62.5)
    return frame.astype({"dough": "str"}).assign(kind="test", piece=frame["dough"].astype("str"))


def catapult_corners():
    ours = trials.plan_two_level(CATAPULT_FACTORS, fraction=1 / 2, **SINGLE).doughs
    names = list(CATAPULT_FACTORS["factor"])
    corners = catapult()[catapult()["height"] != 4]
    return rows_in_common(ours[names].to_numpy(), corners[names].to_numpy())


def catapult_coding(column, level):
    frame = pd.DataFrame([[4.0, 10.0, 1.5, 2.0, 62.5]], columns=list(CATAPULT_FACTORS["factor"]))
    return code(frame.assign(**{column: level}), CATAPULT_FACTORS)[column].iloc[0]


def catapult_level(column, coded):
    frame = pd.DataFrame(0.0, index=[0], columns=list(CATAPULT_FACTORS["factor"]))
    return decode(frame.assign(**{column: coded}), CATAPULT_FACTORS)[column].iloc[0]


@cache
def catapult_told():
    spreads = Spreads(dough=0.0, piece=13.28, tasting=0.0)
    frame = catapult()
    pieces = frame[["piece", "dough"]]
    return trials.what_it_tells(
        frame.drop(columns="piece"),
        pieces,
        CATAPULT_FACTORS,
        terms="interactions",
        spreads=spreads,
    )


def catapult_error(term):
    """Standard error of the half effect, as a regression on −1 … +1 prints it."""
    return catapult_told().effects.set_index("term")["se"][term] / 2


def catapult_left():
    return catapult_told().strata["df"].iloc[0]


def sum_codes(row, column):
    flour = pd.DataFrame({"factor": ["flour"], "levels": ["a|b|c|d"], "changed_per": "dough"})
    coded = code(pd.DataFrame({"flour": list("abcd")}), flour)
    return coded.iloc[row, column]


def words(factors, doughs):
    row = fractions(factors).set_index("doughs").loc[doughs]
    return " ".join(str(row[f"words_{length}"]) for length in range(3, factors + 1))


def resolution(factors, doughs):
    return fractions(factors).set_index("doughs")["resolution"][doughs]


def clear_pairs(factors, doughs):
    return fractions(factors).set_index("doughs")["clear_pairs"][doughs]


def alias_of(factors, fraction, effect):
    said = aliases(many(factors), fraction=fraction).set_index("effect")["travels_with"]
    return said.get(effect, "nothing")


def number_of_aliases(factors, fraction):
    return len(aliases(many(factors), fraction=fraction))


def surface_size(factors, centre_doughs):
    plan = trials.plan_surface(
        many(factors),
        kind="rotatable",
        centre_doughs=centre_doughs,
        pieces_per_dough=1,
        round=1,
        seed=1,
    )
    return len(plan.doughs)


def cake_mix(kind="orthogonal in blocks"):
    """Rows (block, minutes, degrees) that our plan shares with the published bakes, doubles too."""
    published = pd.read_csv(DATA / "cake_mix.csv")
    reach = 2 * np.sqrt(2)
    factors = pd.DataFrame(
        {
            "factor": ["X1", "X2"],
            "low": [35 - reach, 350 - 5 * reach],
            "high": [35 + reach, 350 + 5 * reach],
            "changed_per": "dough",
        }
    )
    plan = trials.plan_surface(
        factors, kind=kind, centre_doughs=3, pieces_per_dough=1, round=1, seed=1
    )
    ours = plan.doughs.assign(block=plan.doughs["round"] - 1)[["block", "X1", "X2"]]
    counts = [one.round(6).value_counts() for one in (ours, published[["block", "X1", "X2"]])]
    return int(pd.concat(counts, axis=1).fillna(0).min(axis=1).sum())


@cache
def chocolate(number=False, naive=False):
    frame = pd.read_csv(DATA / "chocolate_cakes.csv")
    frame["dough"] = frame["recipe"] + frame["replicate"].astype(str)
    frame["piece"] = frame["dough"] + "-" + frame["temp"].astype(str)
    doughs = frame.drop_duplicates("dough")[["dough", "recipe", "replicate"]].assign(kind="test")
    recipe = {"factor": "recipe", "changed_per": "dough", "levels": "A|B|C"}
    heat = {"factor": "temp", "changed_per": "piece"}
    heat |= {"low": 175, "high": 225} if number else {"levels": "175|185|195|205|215|225"}
    # Variance components of the two published models, the first as fractions.
    dough, piece = (3.682494, 20.707418) if number else (12059 / 3240, 3869 / 189)
    spreads = Spreads(dough=0 if naive else dough**0.5, piece=piece**0.5, tasting=0.0)
    return trials.what_it_tells(
        doughs,
        frame[["piece", "dough", "temp"]],
        pd.DataFrame([recipe, heat]),
        terms="linear" if number else "interactions",
        block="replicate",
        spreads=spreads,
    ).effects.set_index("effect")


def cakes(effect, column="se", times=1.0, **model):
    return chocolate(**model).loc[effect, column] * times


LONGLEY = [f"x{number}" for number in range(1, 7)]


@cache
def longley():
    frame = pd.read_csv(DATA / "strd_longley.csv").rename_axis("dough").reset_index()
    frame = frame.astype({"dough": "str"})
    factors = pd.DataFrame(
        {
            "factor": LONGLEY,
            "low": frame[LONGLEY].min().to_numpy(float),
            "high": frame[LONGLEY].max().to_numpy(float),
            "changed_per": "dough",
        }
    )
    pieces = pd.DataFrame({"piece": frame["dough"], "dough": frame["dough"]})
    return frame, trials.what_it_tells(frame.assign(kind="test"), pieces, factors, terms="linear")


def widened(name):
    return longley()[1].effects.set_index("term")["widened_by"][name] ** 2


def inflation(name):
    """Statsmodels' variance inflation, on columns brought to one size."""
    frame = longley()[0][LONGLEY].astype(float)
    scaled = ((frame - frame.mean()) / frame.std()).assign(mean=1.0)
    return float(variance_inflation_factor(scaled.to_numpy(), LONGLEY.index(name)))


def alike(one, other):
    pairs = longley()[1].travels_together.set_index(["one", "other"])["correlation"]
    return pairs[one, other]


def smallest(each, level):
    """Smallest difference between two groups of single doughs, in standard deviations."""
    doughs = pd.DataFrame(
        {
            "dough": [f"D{place}" for place in range(2 * each)],
            "kind": "test",
            "f1_pct": np.repeat([-1.0, 1.0], each),
        }
    )
    pieces = pd.DataFrame({"piece": doughs["dough"], "dough": doughs["dough"]})
    spreads = Spreads(dough=0.0, piece=1.0, tasting=0.0)
    told = trials.what_it_tells(
        doughs, pieces, many(1), terms="linear", spreads=spreads, level=level
    )
    return told.effects["smallest"].iloc[0]


def power_library(each, alpha):
    return float(TTestIndPower().solve_power(nobs1=each, alpha=alpha, power=0.8))


def _checks(about, rows):
    return [
        Check(about, says, where, kind, printed, partial(how, *args), within, wrong)
        for says, where, kind, printed, within, how, args, wrong in (
            row if len(row) == 8 else (*row, False) for row in rows
        )
    ]


MEMORY, BOOK, LIBRARY, OPEN = "from memory", "handbook", "reference library", "open data"
SUM = Sum().code_without_intercept(list("abcd")).matrix

PATTERNS = {
    (3, 4): "1",
    (4, 8): "0 1",
    (5, 16): "0 0 1",
    (5, 8): "2 1 0",
    (6, 32): "0 0 0 1",
    (6, 16): "0 3 0 0",
    (6, 8): "4 3 0 0",
    (7, 64): "0 0 0 0 1",
    (7, 32): "0 1 2 0 0",
    (7, 16): "0 7 0 0 0",
    (7, 8): "7 7 0 0 1",
    (8, 64): "0 0 2 1 0 0",
    (8, 32): "0 3 4 0 0 0",
    (8, 16): "0 14 0 0 0 1",
    (9, 64): "0 1 4 2 0 0 0",
    (9, 32): "0 6 8 0 0 1 0",
    (9, 16): "4 14 8 0 4 1 0",
    (10, 64): "0 2 8 4 0 1 0 0",
    (10, 32): "0 10 16 0 0 5 0 0",
    (10, 16): "8 18 16 8 8 5 0 0",
    (11, 64): "0 4 14 8 0 3 2 0 0",
    (11, 32): "0 25 0 27 0 10 0 1 0",
    (11, 16): "12 26 28 24 20 13 4 0 0",
}

CHECKS = [
    *_checks(
        "trials.code",
        [
            ("catapult: height 4.75 in, coded", CATAPULT, BOOK, 1.0, 1e-12, catapult_coding,
             ("height", 4.75)),
            ("catapult: one of the half-way bands, coded", CATAPULT, BOOK, -1.0, 1e-12,
             catapult_coding, ("bands", 1.0)),
            *[
                (f"codes of a category's level {'abcd'[row]}, column {column + 1}",
                 "patsy.contrasts.Sum", LIBRARY, float(SUM[row, column]), 1e-12, sum_codes,
                 (row, column))
                for row in range(4) for column in range(3)
            ],
            ("the last level of a category is not coded as nothing",
             "patsy.contrasts.Treatment", LIBRARY, 0.0, 0.5, sum_codes, (3, 0), True),
        ],
    ),
    *_checks(
        "trials.decode",
        [
            ("catapult: start at −1", CATAPULT, BOOK, 0.0, 1e-12, catapult_level, ("start", -1.0)),
            ("catapult: height half-way", CATAPULT, BOOK, 4.0, 1e-12, catapult_level,
             ("height", 0.0)),
            ("catapult: height half-way is not the 3.5 of the text", CATAPULT, BOOK, 3.5, 0.1,
             catapult_level, ("height", 0.0), True),
        ],
    ),
    *_checks(
        "trials.fractions",
        [
            *[
                (f"words of 3 and more: {factors} factors in {doughs} doughs", CHEN, MEMORY, text,
                 0, words, (factors, doughs))
                for (factors, doughs), text in PATTERNS.items()
            ],
            ("seven factors in 32 doughs: a rule with three short words is not the best", CHEN,
             MEMORY, "0 3 0 0 0", 0, words, (7, 32), True),
            ("nine factors in 16 doughs: no rule is free of words of three", CHEN, MEMORY,
             "0 14 8 0 4 1 0", 0, words, (9, 16), True),
            ("catapult: five factors in 16 throws, resolution", CATAPULT, BOOK, 5, 0, resolution,
             (5, 16)),
            ("catapult: all ten pairs are clear", CATAPULT, BOOK, 10, 0, clear_pairs, (5, 16)),
            ("seven factors in 32 doughs: clear pairs", BHH, MEMORY, 15, 0, clear_pairs, (7, 32)),
            *[
                (f"{factors} factors in {doughs} doughs: clear pairs", CHEN, MEMORY, printed, 0,
                 clear_pairs, (factors, doughs))
                for factors, doughs, printed in (
                    (8, 64, 28), (8, 32, 13), (8, 16, 0), (9, 64, 30), (9, 32, 8), (10, 64, 33),
                    (10, 32, 0), (11, 64, 34), (11, 32, 0),
                )
            ],
        ],
    ),
    *_checks(
        "trials.aliases",
        [
            ("catapult: a model of all factors and pairs was fitted, so none travels", CATAPULT,
             BOOK, 0, 0, number_of_aliases, (5, 1 / 2)),
            ("half of four factors: 1 × 2", MONTGOMERY, MEMORY, "f3 × f4", 0, alias_of,
             (4, 1 / 2, "f1 × f2")),
            ("half of four factors: a factor travels with no pair", MONTGOMERY, MEMORY, "nothing",
             0, alias_of, (4, 1 / 2, "f1")),
            ("quarter of five: the first factor", MONTGOMERY, MEMORY, "f2 × f4; f3 × f5", 0,
             alias_of, (5, 1 / 4, "f1")),
            ("quarter of six: 1 × 5", MONTGOMERY, MEMORY, "f2 × f3; f4 × f6", 0, alias_of,
             (6, 1 / 4, "f1 × f5")),
            ("sixteenth of seven: the seventh factor", MONTGOMERY, MEMORY,
             "f1 × f6; f2 × f5; f3 × f4", 0, alias_of, (7, 1 / 16, "f7")),
            ("half of four factors: 1 × 2 does not travel with 1 × 3", MONTGOMERY, MEMORY,
             "f1 × f3", 0, alias_of, (4, 1 / 2, "f1 × f2"), True),
        ],
    ),
    *_checks(
        "trials.plan_two_level",
        [
            ("catapult: the sixteen corner throws", CATAPULT, BOOK, 16, 0, catapult_corners, ()),
            ("seven factors in eight doughs", "scipy.linalg.hadamard(8)", LIBRARY, 8, 0,
             like_hadamard, ()),
            *[
                (f"{factors} factors in {blocks} rounds: the one with all low", BLOCKED, MEMORY,
                 named, 0, with_all_low, (factors, blocks))
                for factors, blocks, named in (
                    (3, 2, "(1) ab ac bc"),
                    (4, 2, "(1) ab abcd ac ad bc bd cd"),
                    (5, 4, "(1) abcd abe ace ad bc bde cde"),
                )
            ],
            ("3 factors in 2 rounds: not split by one factor alone", BLOCKED, MEMORY,
             "(1) b bc c", 0, with_all_low, (3, 2), True),
            ("twelve screening doughs for eleven factors", PLACKETT, MEMORY, 12, 0,
             like_the_published_twelve, ()),
            ("twelve screening doughs: not those with every sign turned", PLACKETT, MEMORY, 12, 0,
             like_the_published_twelve, (-1,), True),
            ("twelve screening doughs: pairs that pass for the first factor by minus a third",
             PLACKETT, MEMORY, 30, 0, passing_pairs, (-1 / 3,)),
            ("twelve screening doughs: and by a third", PLACKETT, MEMORY, 15, 0, passing_pairs,
             (1 / 3,)),
            ("twelve screening doughs: no pair is clear of a factor", PLACKETT, MEMORY, 36, 0,
             passing_pairs, (0.0,), True),
            ("catapult: not the half with a pair as rule, which shares eight throws", CATAPULT,
             BOOK, 8, 0, catapult_corners, (), True),
        ],
    ),
    *_checks(
        "trials.fold_over",
        [
            ("seven factors in eight doughs, folded", "scipy.linalg.hadamard(16)", LIBRARY, 16, 0,
             folded_hadamard, ()),
            ("all factors folded: no word of three is left", MONTGOMERY, MEMORY, 0, 0,
             folded_words, ()),
            ("one factor folded: four words of three are left", MONTGOMERY, MEMORY, 4, 0,
             folded_words, (["f1_pct"],)),
            ("folding all does not leave the seven words of three", MONTGOMERY, MEMORY, 7, 0,
             folded_words, (), True),
        ],
    ),
    *[
        Check(
            "trials.axial_distance",
            f"rotatable, {factors} factors{', half of the corners' if fraction < 1 else ''}",
            NIST_ALPHA,
            BOOK,
            printed,
            partial(axial_distance, factors, kind="rotatable", fraction=fraction),
            0.0006,
        )
        for factors, fraction, printed in (
            (2, 1, 1.414),
            (3, 1, 1.682),
            (4, 1, 2.000),
            (5, 1, 2.378),
            (6, 1, 2.828),
        )
    ],
    *[
        Check(
            "trials.axial_distance",
            f"orthogonal in blocks: {factors} factors, fraction {fraction}, {with_corners} and "
            f"{with_axial} centre doughs",
            BOX_HUNTER,
            MEMORY,
            printed,
            partial(
                axial_distance,
                factors,
                kind="orthogonal in blocks",
                fraction=fraction,
                centre_with_corners=with_corners,
                centre_with_axial=with_axial,
            ),
            6e-5,
        )
        for factors, fraction, with_corners, with_axial, printed in (
            (2, 1, 3, 3, 1.4142),
            (4, 1, 4, 2, 2.0),
            (5, 0.5, 6, 1, 2.0),
            (5, 1, 8, 4, 2.3664),
            (6, 0.5, 8, 2, 2.3664),
            (6, 1, 8, 6, 2.8284),
        )
    ],
    *[
        Check(
            "trials.axial_distance",
            says,
            where,
            kind,
            printed,
            partial(
                axial_distance,
                3,
                kind=rule,
                centre_with_corners=4,
                centre_with_axial=2,
            ),
            within,
            wrong=wrong,
        )
        for says, where, kind, printed, rule, within, wrong in (
            ("tyre tread: three factors in blocks", TREAD, BOOK, 1.633, "orthogonal in blocks",
             6e-4, False),
            ("the distance for blocks is not the rotatable one", TREAD, BOOK, 1.633, "rotatable",
             0.01, True),
            ("the distance for blocks is not the one for orthogonal squares", BOX_HUNTER, MEMORY,
             1.5246, "orthogonal in blocks", 0.01, True),
        )
    ],
    *_checks(
        "trials.plan_surface",
        [
            ("cake mix: all fourteen bakes, blocks and doubles", CAKE_MIX, OPEN, 14, 0, cake_mix,
             ()),
            ("three factors, six centre doughs: doughs", NIST_ALPHA, BOOK, 20, 0, surface_size,
             (3, 3)),
            ("four factors, six centre doughs: doughs", NIST_ALPHA, BOOK, 30, 0, surface_size,
             (4, 3)),
            ("cake mix: faces in place of the axial bakes share fewer", CAKE_MIX, OPEN, 14, 0,
             cake_mix, ("face-centred",), True),
        ],
    ),
    *_checks(
        "trials.what_it_tells",
        [
            ("twelve screening doughs: how much of a pair passes for a factor, as said", PLACKETT,
             MEMORY, 1 / 3, 0.005, largest_share_told, ()),
            ("cakes: standard error between two recipes", COOK, LIBRARY, 0.975276, 6e-7, cakes,
             ("recipe A to B",)),
            ("cakes: judged on 28 differences", COOK, LIBRARY, 28, 0, cakes,
             ("recipe A to B", "df")),
            ("cakes: between two temperatures, judged on 210", COOK, LIBRARY, 210, 0, cakes,
             ("temp 175 to 225", "df")),
            ("catapult: error of a half effect, full factors", CATAPULT, BOOK, 2.9691, 2e-3,
             catapult_error, ("bands",)),
            ("catapult: error of a half effect, factors with a middle", CATAPULT, BOOK, 3.3196,
             2e-3, catapult_error, ("height",)),
            ("catapult: 4 left over after factors and pairs", CATAPULT, BOOK, 4, 0, catapult_left,
             ()),
            ("two groups of 64: half a standard deviation is found 8 times in 10", COHEN, BOOK,
             0.5, 0.005, smallest, (64, 0.95)),
            ("two groups of 26: 0.8 standard deviations", COHEN, BOOK, 0.8, 0.01, smallest,
             (26, 0.95)),
            *[
                (f"two groups of {each} at level {level}", "statsmodels TTestIndPower", LIBRARY,
                 power_library(each, 1 - level), 1e-5, smallest, (each, level))
                for each, level in ((3, 0.90), (8, 0.90), (20, 0.99))
            ],
            *[
                (f"employment data: variance of {name} against standing alone",
                 "statsmodels variance_inflation_factor", LIBRARY, inflation(name),
                 1e-4 * inflation(name), widened, (name,))
                for name in LONGLEY
            ],
            ("employment data: product and year travel together", "numpy.corrcoef", LIBRARY,
             float(np.corrcoef(longley()[0]["x2"], longley()[0]["x6"])[0, 1]), 1e-12, alike,
             ("x2", "x6")),
            ("cakes: recipes are not compared as if every cake were its own mix", COOK, LIBRARY,
             (2 * 20.470899 / 90) ** 0.5, 0.05, cakes, ("recipe A to B",), True),
            ("catapult: an effect's error is not a half effect's", CATAPULT, BOOK, 2 * 3.3196, 0.5,
             catapult_error, ("height",), True),
        ],
    ),
    Check(
        "trials.what_it_tells",
        "cakes: standard error per degree, temperature as a number",
        COOK,
        LIBRARY,
        0.0162157744,
        partial(cakes, "temp", "se", 1 / 50, number=True),
        6e-9,
    ),
    Check(
        "trials.what_it_tells",
        "cakes: judged on 224 differences, temperature as a number",
        COOK,
        LIBRARY,
        224,
        partial(cakes, "temp", "df", number=True),
    ),
]  # fmt: skip
