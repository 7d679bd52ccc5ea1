"""From formula to bench and back, against weighings, laws, standards and worked examples."""

from __future__ import annotations

from functools import partial

import pandas as pd
from scipy import constants

from doughkit import formulas
from tests.outside import Check

TRADE = "usage of bakers everywhere"
RUMFORD = "B. Thompson, Count Rumford, Essays: rye bread baked at Munich, 4 November 1794, batch 1"
ACCUM = "F. Accum, A Treatise on the Art of Making Good and Wholesome Bread, 1821, quartern loaf"
OIML = "OIML R 76-1 (2006), digital indication: a rounding error of half a scale interval at most"
TSG = "Commission Regulation (EU) No 97/2010, annex: pizza napoletana, 1 l water, 50-55 g salt"
USDA = "USDA National Nutrient Database, SR28, NDB "

BREAD = [("bread flour", 100, "g"), ("water", 60, "g"), ("salt", 2, "g")]
PIZZA = [("bread flour", "1.7-1.8", "kg"), ("water", 1, "l"), ("salt", "50-55", "g")]


def table(rows):
    full = [("F", "", *row) for row in rows]
    return pd.DataFrame(full, columns=["formula", "part", "ingredient", "amount", "unit"])


def mixed(rows, **levels):
    return formulas.vary(table(rows), pd.DataFrame([{"dough": "D", "formula": "F", **levels}]))


def percent_of(frame, ingredient):
    return frame.loc[frame["ingredient"] == ingredient, "percent"].sum()


def varied(ingredient, rows=BREAD, **levels):
    return percent_of(mixed(rows, **levels), ingredient)


def varied_figure(name, rows=BREAD, **levels):
    return formulas.overview(formulas.as_formulas(mixed(rows, **levels)))[name].iloc[0]


def scaled(rows=BREAD, of="all", **size):
    sheet = formulas.scale(table(rows), **size)
    chosen = sheet if of == "all" else sheet[sheet["ingredient"] == of]
    return chosen["grams"].sum()


def pounds(whole, parts, each):
    return 1000 * constants.pound * (whole + parts / each)


def sheet(**options):
    return formulas.weigh_out(mixed(BREAD), **({"piece_g": 333.3, "pieces": 7} | options))


def furthest(step):
    """The largest rounding of any line, in scale intervals."""
    off = sheet(scale_step_g=step, small_step_g=None)
    return (off["planned_g"] - off["exact_g"]).abs().max() / step


def with_starter():
    """900 g of flour, 200 g of a starter that is half flour, 500 g of water."""
    rows = [("bread flour", 900, "g"), ("sourdough starter", 200, "g"), ("water", 500, "g")]
    return mixed(rows)


def share_weighed(**weighed):
    planned = {"bread flour": 1000.0, "water": 600.0, "salt": 20.0}
    rows = [("D", name, grams, weighed.get(name)) for name, grams in planned.items()]
    columns = ["dough", "ingredient", "planned_g", "weighed_g"]
    return formulas.as_mixed(pd.DataFrame(rows, columns=columns))


def bought(ingredient, doughs=1, **options):
    one = formulas.weigh_out(mixed(PIZZA), piece_g=250, pieces=10)
    all_sheets = pd.concat([one.assign(dough=f"D{number}") for number in range(doughs)])
    told = formulas.shopping_list(all_sheets, **options).set_index("ingredient")
    return told.loc[ingredient, "grams"]


def loaves():
    """Rumford's bakehouse: 1102 loaves in six batches, shopped for at once."""
    doughs = pd.DataFrame({"dough": list("ABCDEF"), "formula": "F"})
    sheets = formulas.weigh_out(
        formulas.vary(table(BREAD), doughs), piece_g=pounds(2.5, 0, 1), pieces=1102 / 6
    )
    return formulas.shopping_list(sheets)["grams"].sum()


MIXING = [
    Check(
        "formulas.vary",
        "from 60 to 65 % on 1 kg of flour is 50 g more water",
        TRADE,
        "common practice, no source",
        5.0,
        lambda: varied("water", hydration_pct=65) - 60,
        1e-9,
    ),
    Check(
        "formulas.vary",
        "a fifth of whole wheat flour leaves 80 of 100 parts white",
        TRADE,
        "common practice, no source",
        80.0,
        partial(varied, "bread flour", whole_grain_pct=20),
        1e-9,
    ),
    Check(
        "formulas.vary",
        "20 parts whole wheat are not added to 100 of white flour",
        TRADE,
        "common practice, no source",
        100.0,
        partial(varied, "bread flour", whole_grain_pct=20),
        1.0,
        wrong=True,
    ),
    Check(
        "formulas.vary",
        "8 % of pure fat asks for 9.86 % of butter with 81.11 g of fat in 100 g",
        USDA + "01145",
        "open data",
        9.86,
        partial(varied, "butter", rows=[*BREAD, ("butter", 5, "g")], fat_pct=8),
        0.005,
    ),
    Check(
        "formulas.as_formulas",
        "a dough asked for at 65 % hydration reads as 65 %",
        TRADE,
        "common practice, no source",
        65.0,
        partial(varied_figure, "hydration_pct", hydration_pct=65),
        1e-9,
    ),
    Check(
        "formulas.as_formulas",
        "100 g of butter to 100 g of flour read as 81.11 % fat",
        USDA + "01145",
        "open data",
        81.11,
        partial(varied_figure, "fat_pct", rows=[*BREAD, ("butter", 100, "g")]),
        0.005,
    ),
    Check(
        "formulas.as_formulas",
        "percent of flour is not percent of dough",
        TRADE,
        "common practice, no source",
        100 * 60 / 162,
        partial(varied_figure, "hydration_pct"),
        1.0,
        wrong=True,
    ),
]

SIZES = [
    Check(
        "formulas.scale",
        "55 lb 15 loth of bread after 11.25 % bake loss came of 62.5 lb of dough",
        RUMFORD,
        "handbook",
        pounds(62, 1, 2),
        partial(scaled, pieces=1, finished_g=pounds(55, 15, 32), bake_loss_pct=11.25),
        pounds(0, 1, 100),
    ),
    Check(
        "formulas.scale",
        "4 lb 5.5 oz of bread after 13.1 % bake loss came of 5 lb of dough",
        ACCUM,
        "handbook",
        pounds(5, 0, 1),
        partial(scaled, pieces=1, finished_g=pounds(4, 5.5, 16), bake_loss_pct=13.1),
        pounds(0, 1, 200),
    ),
    Check(
        "formulas.scale",
        "the loss of 14.4 % in the text does not fit the weights beside it",
        ACCUM,
        "handbook",
        pounds(5, 0, 1),
        partial(scaled, pieces=1, finished_g=pounds(4, 5.5, 16), bake_loss_pct=14.4),
        pounds(0, 1, 200),
        wrong=True,
    ),
    Check(
        "formulas.scale",
        "1 kg of flour at 60 % takes 600 g of water",
        TRADE,
        "common practice, no source",
        600.0,
        partial(scaled, of="water", flour_g=1000),
        1e-9,
    ),
]

WEIGHING = [
    Check(
        "formulas.weigh_out",
        f"a scale of step {step} g is out by half a step at most",
        OIML,
        "from memory",
        0.25,
        partial(furthest, step),
        0.2501,
    )
    for step in (0.1, 1.0, 5.0)
] + [
    Check(
        "formulas.weigh_out",
        "60 % of water on 1 kg of flour is 600 g on the sheet",
        TRADE,
        "common practice, no source",
        600.0,
        lambda: sheet(piece_g=1620, pieces=1)["planned_g"].iloc[1],
        1e-9,
    ),
    Check(
        "formulas.weigh_out",
        "a step of 5 g does not give the exact weight",
        OIML,
        "from memory",
        0.0,
        partial(furthest, 5.0),
        0.01,
        wrong=True,
    ),
    Check(
        "formulas.as_mixed",
        "12 g of water too much on 1 kg of flour is 1.2 points",
        TRADE,
        "common practice, no source",
        61.2,
        lambda: percent_of(share_weighed(water=612.0), "water"),
        1e-9,
    ),
    Check(
        "formulas.as_mixed",
        "a weight not written down is taken as planned",
        TRADE,
        "common practice, no source",
        60.0,
        lambda: percent_of(share_weighed(salt=21.0), "water"),
        1e-9,
    ),
    Check(
        "formulas.weigh_out",
        "flour in a starter with 56.68 % water counts: 500 g of water on 1 kg is 50 %",
        USDA + "20083 (flour moisture 13.36 %)",
        "open data",
        50.0,
        lambda: formulas.weigh_out(with_starter(), piece_g=1600, pieces=1)[
            "percent_as_rounded"
        ].iloc[2],
        0.01,
    ),
    Check(
        "formulas.as_mixed",
        "flour in a starter with 56.68 % water counts: 500 g of water on 1 kg is 50 %",
        USDA + "20083 (flour moisture 13.36 %)",
        "open data",
        50.0,
        lambda: percent_of(
            formulas.as_mixed(formulas.weigh_out(with_starter(), piece_g=1600, pieces=1)), "water"
        ),
        0.01,
    ),
    Check(
        "formulas.as_mixed",
        "12 g of water too much are not 2 points, their share of the water",
        TRADE,
        "common practice, no source",
        62.0,
        lambda: percent_of(share_weighed(water=612.0), "water"),
        0.5,
        wrong=True,
    ),
    Check(
        "formulas.shopping_list",
        "ten balls of 250 g take 875 to 925 g of water by the pizza rule",
        TSG,
        "from memory",
        900.0,
        partial(bought, "water"),
        25.0,
    ),
    Check(
        "formulas.shopping_list",
        "ten balls of 250 g are not made of 2.5 kg of flour",
        TSG,
        "from memory",
        2500.0,
        partial(bought, "bread flour"),
        500.0,
        wrong=True,
    ),
    Check(
        "formulas.shopping_list",
        "six batches, 1102 loaves of 2.5 lb of dough, take 2755 lb of ingredients",
        RUMFORD.removesuffix(", batch 1") + " and 5, totals",
        "handbook",
        pounds(2755, 0, 1),
        loaves,
        9.0,  # eighteen lines, each rounded to 1 g
    ),
    Check(
        "formulas.shopping_list",
        "two doughs take twice as much as one",
        TRADE,
        "common practice, no source",
        0.0,
        lambda: bought("water", 2) - 2 * bought("water"),
        1e-9,
    ),
]

CHECKS = [*MIXING, *SIZES, *WEIGHING]
