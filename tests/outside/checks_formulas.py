"""Formulas read and summed up, against food composition tables, units, standards of the trade."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd
from scipy import constants

from doughkit import formulas
from tests.outside import DATA, Check

USDA = "USDA National Nutrient Database for Standard Reference, release 28 (2015), NDB "
SCIPY = "SciPy, scipy.constants (CODATA and NIST Special Publication 811 factors)"
SP811 = "NIST Special Publication 811 (2008), appendix B.8"
ICC = "ICC Standard 115/1 (farinograph): absorption on flour of 14 % moisture, by equal dry matter"
TSG = (
    "Commission Regulation (EU) No 97/2010, annex: pizza napoletana, 1 l water, 1.7 kg flour, 50 g"
)
TRADE = "usage of bakers everywhere"
CODEX_FLOUR = "Codex Standard 152-1985, wheat flour, 3.2.2: moisture at most 15.5 %"
CODEX_BUTTER = "Codex Standard 279-1971, butter, 3.3: milk fat at least 80 %"
EU_LABEL = "Regulation (EU) No 1169/2011, annex I: salt is sodium × 2.5"
COLUMNS = ["formula", "part", "ingredient", "amount", "unit"]

FOODS = {
    "bread flour": "20083",
    "all-purpose flour": "20081",
    "whole wheat flour": "20080",
    "dark rye flour": "20063",
    "semolina": "20466",
    "whole milk": "01077",
    "yoghurt": "01116",
    "egg": "01123",
    "butter": "01145",
    "salted butter": "01001",
    "olive oil": "04053",
    "honey": "19296",
    "fresh yeast": "18374",
    "wheat bran": "20077",
    "sesame seeds": "12023",
}
"""Ingredients and their numbers in the database."""


def table(*rows):
    full = [row if len(row) == 5 else ("F", "", *row) for row in rows]
    return pd.DataFrame(full, columns=COLUMNS)


@cache
def usda() -> pd.DataFrame:
    return pd.read_csv(DATA / "usda_sr28.csv", dtype={"ndb": "str"}).set_index("ndb")


@cache
def known() -> pd.DataFrame:
    return formulas.composition().table.set_index("ingredient")


def grams(ingredient, amount, unit):
    """What one amount of an ingredient weighs, beside flour."""
    lines = formulas.bakers_percent(table(("bread flour", 500, "g"), (ingredient, amount, unit)))
    return lines["grams"].iloc[1]


def line(rows, column, place, **more):
    return formulas.bakers_percent(table(*rows), **more)[column].iloc[place]


def figure(rows, column, **more):
    return formulas.overview(table(*rows), **more)[column].iloc[0]


def flour_at(moisture):
    return pd.DataFrame({"ingredient": ["bread flour"], "moisture_pct": [moisture]})


def effective(water, moisture):
    rows = [("bread flour", 100, "g"), ("water", water, "g")]
    return figure(rows, "effective_hydration_pct", ingredients=flour_at(moisture))


def absorption_at(moisture, at_trade=60.0):
    """Water that flour of this moisture takes where flour at 14 % takes 60 %."""
    low, high = 0.0, 200.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if effective(middle, moisture) < at_trade else (low, middle)
    return low


def all_below(role, column, most):
    part = known()[known()["role"] == role]
    wheat = part["allergens"].str.contains("wheat", na=False)
    return "yes" if (part.loc[wheat, column] <= most).all() else "no"


def pizza(column):
    rows = [("bread flour", "1.7", "kg"), ("water", "1", "l"), ("salt", "50", "g")]
    return figure([*rows, ("fresh yeast", "3", "g")], column)


def hydration_of_part(*rows):
    lines = [("F", "pre-ferment", *row) for row in rows]
    return formulas.parts(table(*lines))["hydration_pct"].iloc[0]


def flour_in_part(*rows):
    lines = [("F", "pre-ferment", *row) for row in rows]
    told = formulas.parts(table(*lines, ("bread flour", 345, "g")))
    return told["flour_g"].iloc[0]


def apart(measure, first, second, column="difference"):
    both = table(*[("A", "", *row) for row in first], *[("B", "", *row) for row in second])
    told = formulas.compare(both, against="A").set_index("measure")
    return told.loc[measure, column]


def bread(water, salt=2.0):
    return [("bread flour", 100, "g"), ("water", water, "g"), ("salt", salt, "g")]


COMPOSITION = [
    Check(
        "formulas.composition",
        f"100 g of {food} hold {usda().loc[ndb, 'water_g']} g of water",
        USDA + ndb,
        "open data",
        float(usda().loc[ndb, "water_g"]),
        lambda food=food: known().loc[food, "moisture_pct"],
        0.005,
    )
    for food, ndb in FOODS.items()
] + [
    Check(
        "formulas.composition",
        "no wheat flour holds more than 15.5 % water",
        CODEX_FLOUR,
        "from memory",
        "yes",
        lambda: all_below("flour", "moisture_pct", 15.5),
    ),
    Check(
        "formulas.composition",
        "butter holds at least 80 % fat",
        CODEX_BUTTER,
        "from memory",
        "yes",
        lambda: "yes" if known().loc["butter", "fat_pct"] >= 80 else "no",
    ),
    Check(
        "formulas.composition",
        "salted butter's salt is its sodium × 2.5, 643 mg in 100 g",
        EU_LABEL + "; sodium USDA SR28 01001",
        "open data",
        1.61,
        lambda: known().loc["salted butter", "salt_pct"],
        0.03,
    ),
    Check(
        "formulas.composition",
        "the 69.49 g that 27.36 g of sodium in baking soda would make are not common salt",
        USDA + "18372",
        "open data",
        69.49,
        lambda: known().loc["baking soda", "salt_pct"],
        0.5,
        wrong=True,
    ),
]

MEASURES = {
    "bread flour": ("cup", 137),
    "all-purpose flour": ("cup", 125),
    "whole wheat flour": ("cup", 120),
    "light rye flour": ("cup", 102),
    "semolina": ("cup", 167),
    "sugar": ("cup", 200),
    "brown sugar": ("cup", 220),
    "honey": ("cup", 339),
    "whole milk": ("cup", 244),
    "butter": ("cup", 227),
    "olive oil": ("cup", 216),
    "salt": ("cup", 292),
    "active dry yeast": ("tsp", 4),
    "baking soda": ("tsp", 4.6),
    "egg": ("piece", 50),
    "egg white": ("piece", 33),
    "egg yolk": ("piece", 17),
}

UNITS = [
    ("1 pound", "lb", 1000 * constants.pound),
    ("1 ounce", "oz", 1000 * constants.ounce),
    ("1 US fluid ounce of water, in millilitres", "fl oz", 1e6 * constants.fluid_ounce),
    ("1 US quart of water, in millilitres", "quart", 1e6 * constants.gallon / 4),
    ("1 imperial pint of water, in millilitres", "imperial pint", 1e6 * constants.gallon_imp / 8),
]

LINES = (
    [
        Check(
            "formulas.bakers_percent",
            f"1 {unit} of {food} weighs {mass} g",
            USDA.removesuffix(", NDB ") + ", household weights",
            "open data",
            mass,
            partial(grams, food, 1, unit),
            0.5 if mass > 10 else 0.05,
        )
        for food, (unit, mass) in MEASURES.items()
    ]
    + [
        Check(
            "formulas.bakers_percent",
            says,
            SCIPY,
            "reference library",
            mass,
            partial(grams, "water", 1, unit),
            1e-9 * mass,
        )
        for says, unit, mass in UNITS
    ]
    + [
        Check(
            "formulas.bakers_percent",
            f"1 US {word} is {printed} ml",
            SP811,
            "from memory",
            printed,
            partial(grams, "water", 1, unit),
            within,
        )
        for word, unit, printed, within in (
            ("cup", "cup", 236.5882, 5e-5),
            ("tablespoon", "tbsp", 14.78676, 5e-6),
            ("teaspoon", "tsp", 4.928922, 5e-7),
        )
    ]
    + [
        Check(
            "formulas.bakers_percent",
            "60 g of water to 100 g of flour is 60 %",
            TRADE,
            "common practice, no source",
            60.0,
            partial(line, bread(60), "percent", 1),
            1e-9,
        ),
        Check(
            "formulas.bakers_percent",
            "60 g of water is not 37 %, its share of the dough",
            TRADE,
            "common practice, no source",
            100 * 60 / 162,
            partial(line, bread(60), "percent", 1),
            1.0,
            wrong=True,
        ),
    ]
)

SUMS = [
    Check(
        "formulas.overview",
        "2 g of salt to 100 g of flour is 2 %",
        TRADE,
        "common practice, no source",
        2.0,
        partial(figure, bread(60), "salt_pct"),
        1e-9,
    ),
    Check(
        "formulas.overview",
        "64.00 % on flour at 11.5 % moisture is 59.37 % at 14 %",
        ICC,
        "from memory",
        59.37,
        partial(effective, 64.0, 11.5),
        0.005,
    ),
    *(
        Check(
            "formulas.overview",
            f"60 % at 14 % moisture is {water} % on flour at {moisture} %",
            ICC,
            "from memory",
            water,
            partial(absorption_at, moisture),
            0.005,
        )
        for moisture, water in ((11, 65.58), (12, 63.72), (13, 61.86), (15, 58.14))
    ),
    Check(
        "formulas.overview",
        "water is not the same on flour at 11.5 % and at 14 % moisture",
        ICC,
        "from memory",
        64.0,
        partial(effective, 64.0, 11.5),
        0.5,
        wrong=True,
    ),
    Check(
        "formulas.overview",
        "100 g of bread flour hold 86.64 g of dry matter",
        USDA + "20083",
        "open data",
        86.64,
        partial(figure, [("bread flour", 100, "g")], "dry_pct"),
        0.005,
    ),
    Check(
        "formulas.overview",
        "100 g of whole milk to 100 g of flour bring 3.25 g of fat",
        USDA + "01077",
        "open data",
        3.25,
        partial(figure, [("bread flour", 100, "g"), ("whole milk", 100, "g")], "fat_pct"),
        0.005,
    ),
    Check(
        "formulas.overview",
        "salted butter on as much flour brings 1.61 to 1.63 g of salt, not none",
        USDA + "01001 (643 mg sodium)",
        "open data",
        0.0,
        partial(figure, [("bread flour", 100, "g"), ("salted butter", 100, "g")], "salt_pct"),
        1.0,
        wrong=True,
    ),
    Check(
        "formulas.overview",
        "the softest dough of the pizza rule is 58.8 % (its absorption is given as 55-62 %)",
        TSG,
        "from memory",
        58.5,
        partial(pizza, "hydration_pct"),
        3.5,
    ),
    Check(
        "formulas.overview",
        "1 g of fresh yeast stands for a third to two fifths of a gram of instant yeast",
        TRADE,
        "common practice, no source",
        0.365,
        partial(figure, [("bread flour", 100, "g"), ("fresh yeast", 1, "g")], "yeast_pct"),
        0.035,
    ),
]

PARTS = [
    Check(
        "formulas.parts",
        "equal weights of flour and water are a pre-ferment of 100 % hydration",
        TRADE,
        "common practice, no source",
        100.0,
        partial(hydration_of_part, ("bread flour", 80, "g"), ("water", 80, "g")),
        1e-9,
    ),
    Check(
        "formulas.parts",
        "155 g of a stiff pre-ferment of 55 % hydration hold 100 g of flour",
        "J. Hamelman, Bread, 2nd ed. 2013: the arithmetic of pre-ferments",
        "from memory",
        100.0,
        partial(flour_in_part, ("bread flour", 100, "g"), ("water", 55, "g")),
        1e-9,
    ),
    Check(
        "formulas.parts",
        "hydration of a part is not water on all of its mass",
        TRADE,
        "common practice, no source",
        50.0,
        partial(hydration_of_part, ("bread flour", 80, "g"), ("water", 80, "g")),
        1.0,
        wrong=True,
    ),
    Check(
        "formulas.parts",
        "a starter with 56.68 % water is half flour, if its flour holds 13.36 %",
        USDA + "20083 (flour moisture)",
        "open data",
        50.0,
        partial(flour_in_part, ("sourdough starter", 100, "g")),
        0.01,
    ),
]

COMPARED = [
    Check(
        "formulas.compare",
        "from 60 to 66 g of water on 100 g of flour is 6 points",
        TRADE,
        "common practice, no source",
        6.0,
        partial(apart, "hydration_pct", bread(60), bread(66)),
        1e-9,
    ),
    Check(
        "formulas.compare",
        "6 points of water are not 10 %, their share of the water",
        TRADE,
        "common practice, no source",
        10.0,
        partial(apart, "hydration_pct", bread(60), bread(66)),
        1.0,
        wrong=True,
    ),
    Check(
        "formulas.compare",
        "butter in place of oil brings 81.11 points of fat for 100, so 18.89 fewer",
        USDA + "01145 and 04053",
        "open data",
        -18.89,
        partial(
            apart,
            "fat_pct",
            [("bread flour", 100, "g"), ("olive oil", 100, "g")],
            [("bread flour", 100, "g"), ("butter", 100, "g")],
        ),
        0.005,
    ),
]

CHECKS = [*COMPOSITION, *LINES, *SUMS, *PARTS, *COMPARED]
