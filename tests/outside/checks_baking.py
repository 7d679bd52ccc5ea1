"""Bake loss, moisture and the match against published weighings, compositions and libraries."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
from scipy import stats

from doughkit import baking
from doughkit.tables import StudyProblems
from tests.outside import DATA, Check

USDA = "USDA National Nutrient Database, SR28, 18945 and 18947 (deep-dish pie crust, raw and baked)"
FLOUR = "USDA National Nutrient Database, SR28, 20083 (bread flour)"
RUMFORD = "B. Thompson, Count Rumford, Essays: rye bread baked at Munich, 4 and 5 November 1794"
ACCUM = "F. Accum, A Treatise on the Art of Making Good and Wholesome Bread, 1821, quartern loaf"
BALLAND = "Balland, in L. Boutroux, Le pain et la panification, 1897: round army loaf"
KHATER = "E. Khater and A. Bahnasawy, J. Bioprocess. Biotech. 4:190, 2014, abstract"
GUM = "JCGM 100:2008, Guide to the expression of uncertainty in measurement, F.2.2.1"
STRD = "NIST Statistical Reference Datasets, analysis of variance, SiRstv"


def weighed(before, after, **options):
    """One piece through `bake_loss`; `overview` gives its dough's dry matter and water."""
    overview = options.pop("overview", None)
    pieces = pd.DataFrame(
        {"piece": ["a"], "dough": ["A"], "mass_before_g": [before], "mass_after_g": [after]}
    )
    if overview is not None:
        overview = pd.DataFrame({"dough": ["A"], "dry_pct": overview[0], "water_pct": overview[1]})
    return baking.bake_loss(pieces, overview, scale_step_g=1.0, **options).iloc[0]


def lost(before, after, column="loss_pct", overview=None):
    return weighed(before, after, overview=overview)[column]


def pounds(whole, ounces, each=16):
    return whole + ounces / each


def error_of_one_mass():
    """The standard deviation of one weighing on a scale of step 1 g, from a piece of 100 g."""
    return weighed(100.0, 100.0)["loss_error_pct"] / np.sqrt(2)


def refused(before, after, overview):
    try:
        weighed(before, after, overview=overview)
    except StudyProblems:
        return "refused"
    return "taken"


def resistivity(column):
    """Certified data as losses: five instruments, five readings each."""
    frame = pd.read_csv(DATA / "strd_sirstv.csv").rename_axis("piece").reset_index()
    frame = frame.astype({"piece": "str"}).assign(dough=frame["group"].astype("str"))
    losses = frame.assign(
        loss_pct=frame["y"],
        loss_error_pct=0.1,
        water_left_pct=np.nan,
        finished_moisture_pct=np.nan,
    )
    pieces = frame[["piece", "dough"]]
    return baking.pooled_loss(losses, pieces, by=("dough",))[column].iloc[0]


def flour_moisture():
    """Bread flour weighed before, and its protein, fat, ash and carbohydrate after."""
    solids = 11.98 + 1.66 + 0.47 + 72.53
    sample = pd.DataFrame({"sample": ["s"], "of": ["flour"], "wet_g": [100.0], "dry_g": [solids]})
    return baking.finished_moisture(sample)["finished_moisture_pct"].iloc[0]


def pooled(values):
    samples = pd.DataFrame(
        {
            "of": "REF",
            "finished_moisture_pct": values,
            "finished_moisture_error_pct": 0.0,
        }
    )
    return baking.pooled_moisture(samples)["finished_moisture_error_pct"].iloc[0]


def crust_change(rule):
    """A dough already baked to the moisture asked for needs no other water."""
    own = pd.DataFrame(
        {
            "hydration_pct": [17.78],
            "dry_pct": 100 - 17.78,
            "water_pct": 17.78,
            "loss_pct": 100 * (225 - 202) / 225,
            "loss_error_pct": 0.1,
        }
    )
    reference = pd.DataFrame({"finished_moisture_pct": [8.26], "finished_moisture_error_pct": 0.1})
    match = baking.match_weighed(own, reference, hold="flour per area")
    return match.bracket.set_index("rule")["change_pct"][rule]


def bakers_match(rule="loss as a share"):
    """Losses of 8 and 14 % at a hydration of 60: flour of 13.5 % moisture, 3 dry beside it."""
    own = pd.DataFrame(
        {
            "hydration_pct": [60.0],
            "dry_pct": 89.5,
            "water_pct": 73.5,
            "loss_pct": 14.0,
            "loss_error_pct": 0.3,
        }
    )
    match = baking.match_weighed(own, own.assign(loss_pct=8.0), hold="flour per area")
    return match.bracket.set_index("rule")["hydration_pct"][rule]


CHECKS = [
    Check(
        "baking.bake_loss",
        "pie crust: 225 g of dough give 202 g; the moisture left is the one analysed",
        USDA,
        "open data",
        8.26,
        partial(lost, 225.0, 202.0, "finished_moisture_pct", (82.22, 17.78)),
        0.25,
    ),
    Check(
        "baking.bake_loss",
        "rye bread: 2755 lb of dough give 2393 lb 13 loth, stated as 13.1 %",
        RUMFORD,
        "handbook",
        13.1,
        partial(lost, 2755.0, pounds(2393, 13, 32)),
        0.05,
    ),
    Check(
        "baking.bake_loss",
        "army loaf: about 200 g from 1750 g of dough",
        BALLAND,
        "handbook",
        11.4,
        partial(lost, 1750.0, 1550.0),
        0.05,
    ),
    Check(
        "baking.bake_loss",
        "white loaf: 5 lb of dough, 4 lb 5½ oz of bread are not a loss of 11½ oz, as the text adds",
        ACCUM,
        "handbook",
        100 * 11.5 / 80,
        partial(lost, pounds(5, 0), pounds(4, 5.5)),
        0.5,
        wrong=True,
    ),
    Check(
        "baking.bake_loss",
        "the loss is not told per 100 g of bread",
        BALLAND,
        "handbook",
        100 * 200 / 1550,
        partial(lost, 1750.0, 1550.0),
        0.5,
        wrong=True,
    ),
    Check(
        "baking.bake_loss",
        "a loss of 48.69 % is more than the water of a dough of hydration 60",
        KHATER,
        "open data",
        "refused",
        partial(refused, 100.0, 100 - 48.69, (89.0, 73.5)),
    ),
    Check(
        "baking.bake_loss",
        "580 g of dough, 500 g of bread: a bake loss of 13.8 %",
        "bakers' arithmetic",
        "common practice, no source",
        13.8,
        partial(lost, 580.0, 500.0),
        0.05,
    ),
    Check(
        "baking.bake_loss",
        "a display that steps by 1 errs by 0.29",
        GUM,
        "from memory",
        0.29,
        error_of_one_mass,
        0.005,
    ),
    Check(
        "baking.bake_loss",
        "two weighings on one step differ by a triangular error",
        "scipy.stats.triang(0.5, loc=-1, scale=2).std()",
        "reference library",
        float(stats.triang(0.5, loc=-1, scale=2).std()),
        partial(lost, 100.0, 100.0, "loss_error_pct"),
        1e-9,
    ),
    Check(
        "baking.bake_loss",
        "a step of 1 g is not an error of 1 g",
        GUM,
        "from memory",
        1.0,
        error_of_one_mass,
        0.5,
        wrong=True,
    ),
    Check(
        "baking.pooled_loss",
        "spread within five instruments",
        STRD,
        "open data",
        1.08318280000000e-2**0.5,
        partial(resistivity, "spread_pct"),
        1e-12,
    ),
    Check(
        "baking.pooled_loss",
        "its degrees of freedom",
        STRD,
        "open data",
        20,
        partial(resistivity, "df"),
    ),
    Check(
        "baking.pooled_loss",
        "the spread is not that of all readings thrown together",
        STRD,
        "open data",
        ((0.0511462616 + 0.21663656) / 24) ** 0.5,
        partial(resistivity, "spread_pct"),
        1e-4,
        wrong=True,
    ),
    Check(
        "baking.finished_moisture",
        "bread flour: what protein, fat, ash and carbohydrate leave is water",
        FLOUR,
        "open data",
        13.36,
        flour_moisture,
        0.005,
    ),
    Check(
        "baking.finished_moisture",
        "moisture is not told per 100 g of dry matter",
        FLOUR,
        "open data",
        100 * 13.36 / 86.64,
        flour_moisture,
        0.5,
        wrong=True,
    ),
    Check(
        "baking.pooled_moisture",
        "error of a mean of three",
        "scipy.stats.sem([20.0, 21.5, 22.0])",
        "reference library",
        float(stats.sem([20.0, 21.5, 22.0])),
        partial(pooled, [20.0, 21.5, 22.0]),
        1e-12,
    ),
    Check(
        "baking.pooled_moisture",
        "the error of the mean is not the spread of the samples",
        "numpy.std([20.0, 21.5, 22.0], ddof=1)",
        "reference library",
        float(np.std([20.0, 21.5, 22.0], ddof=1)),
        partial(pooled, [20.0, 21.5, 22.0]),
        0.1,
        wrong=True,
    ),
    *[
        Check(
            "baking.match_weighed",
            f"pie crust: raw dough, weights and baked crust agree, no other water needed ({rule})",
            USDA,
            "open data",
            0.0,
            partial(crust_change, rule),
            0.3,
        )
        for rule in ("loss as a share", "loss in grams")
    ],
    Check(
        "baking.match_weighed",
        "six points more loss are not made up by six points more water",
        "bakers' rule of thumb",
        "common practice, no source",
        66.0,
        bakers_match,
        3.0,
        wrong=True,
    ),
]
