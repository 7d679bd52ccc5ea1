"""Regression by strata against published bake trials, split plots and response surfaces."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd

from doughkit import texture
from doughkit.trials.coding import as_levels
from tests.outside import DATA, Check

LME4 = "chocolate cakes in the R package lme4 1.1-31, F tests of lmerTest 3.1-3 (Kenward-Roger)"
COOK = "F. E. Cook 1938, in W. G. Cochran and G. M. Cox, Experimental Designs, 2nd ed., p. 300"
DAE = "D. C. Montgomery, Design and Analysis of Experiments, "
BHH = "G. E. P. Box, J. S. Hunter, W. G. Hunter, Statistics for Experimenters, 2nd ed., ch. 9"
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, section 5.4.7.3"
OATS = "W. N. Venables and B. D. Ripley, Modern Applied Statistics with S, oats of Yates 1935"
CAKES = "S. Weisberg, Applied Linear Regression; G. W. Oehlert, A First Course, example 19.3"


def study(frame, dough, piece, value, *, factors):
    """A published trial as tables: doughs, pieces, factors and values."""
    named = frame.assign(dough=frame[dough].astype(str).agg("-".join, axis=1))
    named["piece"] = named["dough"] + "-" + frame[piece].astype(str).agg("-".join, axis=1)
    table = pd.DataFrame(factors)
    per_dough = [one for one in frame.columns if named.groupby("dough")[one].nunique().max() == 1]
    doughs = named.drop_duplicates("dough")[["dough", *per_dough]]
    rest = [one for one in frame.columns if one not in per_dough and one != value]
    pieces = named[["piece", "dough", *rest]]
    values = pd.DataFrame({"attribute": value, "piece": named["piece"], "mean": named[value]})
    return values.astype({"mean": float}), doughs, pieces, table


@cache
def chocolate(block="replicate", number=False):
    frame = pd.read_csv(DATA / "chocolate_cakes.csv").drop(columns="temp")
    recipe = {"factor": "recipe", "changed_per": "dough", "levels": "A|B|C"}
    oven = {"factor": "temperature", "changed_per": "piece"}
    oven |= {"low": 175, "high": 225} if number else {"levels": "175|185|195|205|215|225"}
    tables = study(frame, ["replicate", "recipe"], ["temperature"], "angle", factors=[recipe, oven])
    return texture.fit(*tables, terms="linear" if number else "interactions", block=block)


@cache
def single(file, value, factors, terms="quadratic", block=None):
    """A trial in which every dough gives one piece."""
    frame = pd.read_csv(DATA / file).rename_axis("run").reset_index()
    table = [
        {"factor": name, "low": low, "high": high, "changed_per": "dough"}
        for name, low, high in factors
    ]
    tables = study(frame, ["run"], ["run"], value, factors=table)
    return texture.fit(*tables, terms=terms, block=block, level=0.95)


cake_mix = partial(single, "cake_mix.csv", "Y", (("X1", 33.0, 37.0), ("X2", 340.0, 360.0)))
chemical = partial(single, "chemical_yield.csv", "y1", (("x1", -1.0, 1.0), ("x2", -1.0, 1.0)))
filtration = partial(
    single, "filtration.csv", "y", tuple((name, -1.0, 1.0) for name in "ABCD"), "interactions"
)


@cache
def deposition(value):
    frame = pd.read_csv(DATA / "nist_cvd.csv").rename_axis("run").reset_index()
    # The printed coefficients stand on levels rounded to two decimals of the coding.
    frame["Pressure"] = 42 + 38 * ((frame["Pressure"] - 42) / 38).round(2)
    frame["Ratio"] = 6 + 4 * ((frame["Ratio"] - 6) / 4).round(2)
    table = [
        {"factor": "Pressure", "low": 4.0, "high": 80.0, "changed_per": "dough"},
        {"factor": "Ratio", "low": 2.0, "high": 10.0, "changed_per": "dough"},
    ]
    return texture.fit(*study(frame, ["run"], ["run"], value, factors=table))


@cache
def split_plot(file, dough, whole, part, value, block=None):
    frame = pd.read_csv(DATA / file).rename(columns={whole: "whole", part: "part"})
    table = [
        {
            "factor": name,
            "changed_per": per,
            "levels": "|".join(sorted(set(as_levels(frame[name])))),
        }
        for name, per in (("whole", "dough"), ("part", "piece"))
    ]
    tables = study(frame, [*dough], ["part"], value, factors=table)
    return texture.fit(*tables, terms="interactions", block=block)


corrosion = partial(split_plot, "corrosion.csv", ("heat",), "temp", "coating", "y")
paper = partial(split_plot, "paper_strength.csv", ("rep", "whole"), "method", "temp", "y", "rep")
oats = partial(split_plot, "oats.csv", ("Block", "whole"), "Variety", "nitro", "yield", "Block")


def source(fit, name, column, stratum=None):
    rows = fit().sources
    rows = rows[rows["source"].eq(name) & rows["stratum"].eq(stratum or rows["stratum"])]
    return rows[column].item()


def effect(fit, term, column="low_to_high"):
    return fit().effects.set_index("term").loc[term, column]


def coefficient(fit, term, column="estimate"):
    return fit().coefficients.set_index("term").loc[term, column]


def figure(fit, name):
    return fit().checks.loc[0, name]


def level_point(fit, column):
    return texture.stationary(fit()).loc[0, column]


def per_level(fit, term, times, column="low_to_high"):
    return effect(fit, term, column) * times


def _checks(about, rows):
    return [
        Check(about, says, where, kind, printed, partial(how, *args), within, wrong)
        for says, where, kind, printed, within, how, args, wrong in (
            row if len(row) == 8 else (*row, False) for row in rows
        )
    ]


LIBRARY, MEMORY, BOOK = "reference library", "from memory", "handbook"
_number = partial(chocolate, number=True)
_loose = partial(chocolate, block=None)
_uniformity, _stress = partial(deposition, "Uniformity"), partial(deposition, "Stress")
_pair = "recipe × temperature"

CHECKS = [
    *_checks(
        "texture.fit",
        [
            ("cakes: recipe, F", LME4, LIBRARY, 1.57805, 6e-6, source, (chocolate, "recipe", "f")),
            ("cakes: recipe against 28 df", LME4, LIBRARY, 28, 0, source,
             (chocolate, "error", "df", "dough")),
            ("cakes: temperature, F", LME4, LIBRARY, 20.51986, 6e-6, source,
             (chocolate, "temperature", "f")),
            ("cakes: temperature against 210 df", LME4, LIBRARY, 210, 0, source,
             (chocolate, "error", "df", "piece")),
            ("cakes: recipe × temperature, F", LME4, LIBRARY, 1.00620, 6e-6, source,
             (chocolate, _pair, "f")),
            ("cakes: recipe × temperature, p", LME4, LIBRARY, 0.43927, 6e-6, source,
             (chocolate, _pair, "p")),
            ("cakes: recipe without replicates, F", LME4, LIBRARY, 0.24879, 6e-6, source,
             (_loose, "recipe", "f")),
            ("cakes: recipe without replicates against 42 df", LME4, LIBRARY, 42, 0, source,
             (_loose, "error", "df", "dough")),
            ("cakes: standard error between two recipes", LME4, LIBRARY, 0.975276, 6e-7, per_level,
             (chocolate, "recipe: A", 3**0.5, "se")),
            ("cakes: angle gained per degree", LME4, LIBRARY, 0.158031746, 6e-10, per_level,
             (_number, "temperature", 1 / 50)),
            ("cakes: its standard error", LME4, LIBRARY, 0.0162157744, 6e-10, per_level,
             (_number, "temperature", 1 / 50, "se")),
            ("cakes: recipe is not judged on 238 cakes as if each were a mix", COOK, "open data",
             2.924, 0.05, source, (chocolate, "recipe", "f"), True),
            ("cakes: recipe is not judged on single cakes' spread", COOK, "open data",
             3.2995, 0.05, source, (chocolate, "recipe", "f"), True),
            ("cake mix: residual sd", CAKES, MEMORY, 0.4288, 6e-5, figure, (cake_mix, "s_dough")),
            ("cake mix: R squared", CAKES, MEMORY, 0.9487, 6e-5, figure, (cake_mix, "r2")),
            ("cake mix: 8 df", CAKES, MEMORY, 8, 0, figure, (cake_mix, "df_dough")),
            # Printed per minute and degree: one half range is 2 minutes, 10 degrees.
            ("cake mix: minutes × degrees", CAKES, MEMORY, -0.0416 * 20, 1e-3, coefficient,
             (cake_mix, "X1 × X2")),
            ("cake mix: minutes squared", CAKES, MEMORY, -0.1569 * 4, 2e-4, coefficient,
             (cake_mix, "X1²")),
            ("cake mix: degrees squared", CAKES, MEMORY, -0.0120 * 100, 6e-3, coefficient,
             (cake_mix, "X2²")),
            ("cake mix: standard error of minutes squared", CAKES, MEMORY, 0.0394 * 4, 2e-4,
             coefficient, (cake_mix, "X1²", "se")),
            *[
                (f"filtration: effect {term}", DAE + "example 6.2", BOOK, printed, 1e-9, effect,
                 (filtration, term))
                for term, printed in (("A", 21.625), ("C", 9.875), ("D", 14.625),
                                      ("A × C", -18.125), ("A × D", 16.625), ("B × D", -0.375))
            ],
            ("filtration: an effect is low to high, not half of it", DAE + "example 6.2", BOOK,
             10.8125, 0.1, effect, (filtration, "A"), True),
            ("deposition: uniformity, constant", HANDBOOK, BOOK, 5.86613, 6e-6, coefficient,
             (_uniformity, "constant")),
            ("deposition: uniformity, product", HANDBOOK, BOOK, 1.68617, 6e-6, coefficient,
             (_uniformity, "Pressure × Ratio")),
            ("deposition: uniformity, error of the product", HANDBOOK, BOOK, 0.71766, 6e-6,
             coefficient, (_uniformity, "Pressure × Ratio", "se")),
            ("deposition: uniformity, residual sd", HANDBOOK, BOOK, 0.7235, 6e-5, figure,
             (_uniformity, "s_dough")),
            ("deposition: stress, pressure", HANDBOOK, BOOK, 0.735933, 6e-7, coefficient,
             (_stress, "Pressure")),
            ("deposition: the constant of two codings mixed", HANDBOOK, BOOK, 8.056791, 1e-3,
             coefficient, (_stress, "constant"), True),
            ("corrosion: temperature, F", BHH, MEMORY, 2.8, 0.06, source,
             (corrosion, "whole", "f")),
            ("corrosion: coating, F", BHH, MEMORY, 11.5, 0.06, source, (corrosion, "part", "f")),
            ("corrosion: temperature × coating, F", BHH, MEMORY, 4.4, 0.06, source,
             (corrosion, "whole × part", "f")),
            ("corrosion: heats within temperature, mean square", BHH, MEMORY, 4813, 0.6, source,
             (corrosion, "error", "mean_square", "dough")),
            ("corrosion: bars within heats, mean square", BHH, MEMORY, 124.5, 0.06, source,
             (corrosion, "error", "mean_square", "piece")),
            ("corrosion: temperature is not judged on bars", BHH, MEMORY, 10.2, 0.5, source,
             (corrosion, "whole", "f"), True),
            ("paper: pulp method, F", DAE + "split-plot example", MEMORY, 7.08, 6e-3, source,
             (paper, "whole", "f")),
            # Two treatments of the error are in print; ours leaves replicates × temperature in it.
            ("paper: temperature, F on 18 df", DAE + "split-plot example", MEMORY, 36.43, 6e-3,
             source, (paper, "part", "f")),
            ("paper: method × temperature, p on 18 df", DAE + "split-plot example", MEMORY, 0.0271,
             6e-5, source, (paper, "whole × part", "p")),
            ("paper: temperature, F on 12 df", DAE + "split-plot example", MEMORY, 42.01, 0.1,
             source, (paper, "part", "f"), True),
            ("oats: variety, F", OATS, MEMORY, 1.485, 6e-4, source, (oats, "whole", "f")),
            ("oats: nitrogen, F", OATS, MEMORY, 37.686, 6e-4, source, (oats, "part", "f")),
            ("oats: variety × nitrogen, F", OATS, MEMORY, 0.303, 6e-4, source,
             (oats, "whole × part", "f")),
        ],
    ),
    *_checks(
        "texture.stationary",
        [
            ("yield: highest value", DAE + "example 11.2", BOOK, 80.21, 6e-3, level_point,
             (chemical, "mean")),
            ("yield: nature", DAE + "example 11.2", BOOK, "highest", 0, level_point,
             (chemical, "nature")),
            ("yield: first factor there", DAE + "example 11.2", MEMORY, 0.389, 6e-4, level_point,
             (chemical, "x1")),
            ("yield: second factor there", DAE + "example 11.2", MEMORY, 0.306, 6e-4, level_point,
             (chemical, "x2")),
            ("yield: steeper bend", DAE + "example 11.2", MEMORY, -1.4141, 3e-4, level_point,
             (chemical, "bend_1")),
            ("yield: flatter bend", DAE + "example 11.2", MEMORY, -0.9634, 3e-4, level_point,
             (chemical, "bend_2")),
            ("yield: the best point is not where each factor alone is best", DAE + "example 11.2",
             BOOK, 0.3615, 5e-3, level_point, (chemical, "x1"), True),
        ],
    ),
]  # fmt: skip
