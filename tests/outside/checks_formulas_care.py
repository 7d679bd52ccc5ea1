"""Water temperature, firmness, allergens, salt and the card, against rules, laws and standards."""

from __future__ import annotations

from functools import partial

import pandas as pd

from doughkit import formulas
from tests.outside import Check

TRADE = "usage of bakers everywhere"
TEOS = "TEOS-10, Gibbs SeaWater toolbox gsw 3.6.23: enthalpy of fresh water and of ice at 0 °C"
CHAPATI = (
    "two-layer Arabic bread of white flour, water 56-60 % (Quail 2016, Morris 2016); chapati of "
    "whole wheat flour, 65-75 %, in a handbook of bakers' questions"
)
GISSLEN = "W. Gisslen, Professional Baking, 4th ed. 2005, ch. 3, water temperature and ice"
FARINOGRAPH = "farinograph ranges of milling textbooks, on flour of 14 % moisture"
EU = "Regulation (EU) No 1169/2011, annex II: fourteen groups"
US = "US Federal Food, Drug, and Cosmetic Act, section 201(qq), as amended 2021: nine"
WHO = "WHO, Guideline: Sodium intake for adults and children, 2012"
PORTUGAL = "Portugal, Lei n.º 75/2009: bread, 1.4 g of salt in 100 g at most"
SOUTH_AFRICA = "South Africa, Regulation R.214 of 2013: bread, 400 mg of sodium in 100 g"
LABEL = "Regulation (EU) No 1169/2011, annex I: salt is sodium × 2.5"
USDA_SALT = "USDA National Nutrient Database, SR28, 02047 (table salt: 38758 mg sodium in 100 g)"

BREAD = [("bread flour", 100, "g"), ("water", 60, "g"), ("salt", 2, "g")]
EVERY_WORD = (
    "gluten|crustaceans|egg|fish|peanut|soya|milk|nuts|celery|mustard|sesame|sulphites|lupin"
    "|molluscs|wheat"
)

CEREALS = ("bread flour", "whole spelt flour", "dark rye flour", "barley flour", "oat bran")


def table(rows):
    full = [("F", "", *row) for row in rows]
    return pd.DataFrame(full, columns=["formula", "part", "ingredient", "amount", "unit"])


def celsius(fahrenheit):
    return (fahrenheit - 32) / 1.8


def water_f(dough, flour, room, friction):
    """The rule in degrees Fahrenheit, friction being a difference."""
    told = formulas.water_temperature(
        dough_c=celsius(dough),
        flour_c=celsius(flour),
        room_c=celsius(room),
        friction_c=friction / 1.8,
    )
    return 1.8 * told["water_c"].iloc[0] + 32


def water(column="water_c", **inputs):
    base = {"dough_c": 24, "flour_c": 21, "room_c": 22, "friction_c": 10}
    return formulas.water_temperature(**(base | inputs))[column].iloc[0]


def ice_f(tap, wanted, water_g):
    """Ice for all water from tap to the temperature wanted, degrees Fahrenheit."""
    dough = (celsius(wanted) + 50) / 3
    told = formulas.water_temperature(
        dough_c=dough, flour_c=20, room_c=20, friction_c=10, tap_c=celsius(tap), water_g=water_g
    )
    return told["ice_g"].iloc[0]


def asks(column, share, hydration=60.0, moisture=14.0):
    wet = pd.DataFrame({"ingredient": ["bread flour", "whole wheat flour"]}).assign(
        moisture_pct=moisture
    )
    rows = table([("bread flour", 100, "g"), ("water", hydration, "g")])
    told = formulas.equal_consistency(rows, wet, whole_grain_pct=share)
    return told[column].iloc[0]


def listed(place, word=None, rows=None):
    own = pd.DataFrame({"ingredient": ["everything"], "role": ["other"], "allergens": [EVERY_WORD]})
    told = formulas.allergens(table(rows or [*BREAD, ("everything", 1, "g")]), own)
    here = told.loc[told["jurisdiction"] == place, "allergen"]
    return len(here) if word is None else ("listed" if (here == word).any() else "not listed")


def salty(column, salt=2.0, loss=12.0, row=0, rows=None):
    rows = rows or [("bread flour", 100, "g"), ("water", 60, "g"), ("salt", salt, "g")]
    return formulas.salt_per_100g(table(rows), bake_loss_pct=loss)[column].iloc[row]


def figure_of(body_word, column="figure_salt_g"):
    told = formulas.salt_per_100g(table(BREAD), bake_loss_pct=12)
    rows = told["source"].str.contains(body_word, regex=False)
    return told.loc[rows, column].iloc[0]


def card(rows=BREAD):
    return formulas.hand_on(
        table(rows),
        formula="F",
        pieces=10,
        piece_g=162,
        process={},
        window={},
        bake_loss_pct=12,
    )


def card_says(words, rows=BREAD):
    return "yes" if card(rows).cautions["caution"].str.contains(words, regex=False).any() else "no"


TEMPERATURES = [
    Check(
        "formulas.water_temperature",
        "dough 80 °F, flour 68, room 72, friction 20: water of 80 °F",
        GISSLEN,
        "from memory",
        80.0,
        partial(water_f, 80, 68, 72, 20),
        0.05,
    ),
    Check(
        "formulas.water_temperature",
        "dough 24 °C, flour 21, room 22, friction 10: water of 19 °C",
        TRADE,
        "common practice, no source",
        19.0,
        water,
        0.05,
    ),
    Check(
        "formulas.water_temperature",
        "with a pre-ferment of 18 °C the factor is four: 25 °C",
        TRADE,
        "common practice, no source",
        25.0,
        partial(water, preferment_c=18),
        0.05,
    ),
    Check(
        "formulas.water_temperature",
        "ice is water × (tap − wanted) / (tap + 112) in °F: 10 lb from 60 to 40 °F take 1.163 lb",
        GISSLEN,
        "from memory",
        1.163,
        partial(ice_f, 60, 40, 10.0),
        0.006,  # the book rounds 111.5 up to 112
    ),
    Check(
        "formulas.water_temperature",
        "1000 g from 20 to 8 °C take 120.47 g of ice by enthalpies",
        TEOS,
        "reference library",
        120.47,
        partial(ice_f, 68, 46.4, 1000.0),
        0.5,  # ours reckons with one specific heat
    ),
    Check(
        "formulas.water_temperature",
        "ice does not only cool by its own warming: its melting counts",
        GISSLEN,
        "from memory",
        10 * 20 / 60,
        partial(ice_f, 60, 40, 10.0),
        0.5,
        wrong=True,
    ),
    Check(
        "formulas.mixing_friction",
        "dough 26 °C of flour 21, room 22, water 20: friction 15 °C",
        TRADE,
        "common practice, no source",
        15.0,
        lambda: formulas.mixing_friction(dough_c=26, flour_c=21, room_c=22, water_c=20),
        0.05,
    ),
    Check(
        "formulas.mixing_friction",
        "the friction that gives water of 80 °F for dough of 80 °F, flour 68, room 72 is 20 °F",
        GISSLEN,
        "from memory",
        20.0,
        lambda: (
            1.8
            * formulas.mixing_friction(
                dough_c=celsius(80), flour_c=celsius(68), room_c=celsius(72), water_c=celsius(80)
            )
        ),
        0.05,
    ),
    Check(
        "formulas.mixing_friction",
        "friction is not what the dough gained over the water alone",
        TRADE,
        "common practice, no source",
        6.0,
        lambda: formulas.mixing_friction(dough_c=26, flour_c=21, room_c=22, water_c=20),
        0.5,
        wrong=True,
    ),
]

FIRMNESS = [
    Check(
        "formulas.equal_consistency",
        "a point of hydration for 15 % whole wheat",
        TRADE,
        "common practice, no source",
        1.0,
        partial(asks, "extra_pct", 15),
        0.1,
    ),
    Check(
        "formulas.equal_consistency",
        "flour of 58-64 % absorption against whole wheat of 64-72 %: 7 points, middle to middle",
        FARINOGRAPH,
        "from memory",
        7.0,
        partial(asks, "extra_pct", 100),
        0.05,
    ),
    Check(
        "formulas.equal_consistency",
        "from flat bread of white flour, 56-60 % water, to one of whole wheat flour, 65-75 %",
        CHAPATI,
        "handbook",
        70.0,
        lambda: formulas.equal_consistency(
            table([("bread flour", 100, "g"), ("water", 58, "g")]), whole_grain_pct=100
        )["hydration_to_pct"].iloc[0],
        5.0,
    ),
    Check(
        "formulas.equal_consistency",
        "whole wheat for milling to specification takes 70 % and above, within what is expected",
        "milling specification of whole wheat flour: absorption 70 % and above",
        "from memory",
        "within",
        lambda: "within" if asks("hydration_to_high", 100, hydration=61) >= 70 else "beyond",
    ),
    Check(
        "formulas.equal_consistency",
        "no change of flour asks for no water",
        TRADE,
        "common practice, no source",
        0.0,
        partial(asks, "extra_pct", 0),
        1e-9,
    ),
    Check(
        "formulas.equal_consistency",
        "whole wheat and white flour do not take the same water",
        FARINOGRAPH,
        "from memory",
        0.0,
        partial(asks, "extra_pct", 100),
        1.0,
        wrong=True,
    ),
]

CAUTIONS = [
    Check(
        "formulas.allergens", "the EU lists fourteen", EU, "from memory", 14, lambda: listed("EU")
    ),
    Check(
        "formulas.allergens",
        "wheat, spelt, rye, barley and oats are one group of them, cereals",
        EU,
        "from memory",
        1,
        lambda: listed("EU", rows=[(name, 1, "g") for name in CEREALS]),
    ),
    Check("formulas.allergens", "the US lists nine", US, "from memory", 9, lambda: listed("US")),
    Check(
        "formulas.allergens",
        "wheat is on the list of the US",
        US,
        "from memory",
        "listed",
        lambda: listed("US", "wheat", BREAD),
    ),
    Check(
        "formulas.allergens",
        "rye alone is on that of the EU only",
        US,
        "from memory",
        "listed",
        lambda: listed("US", "wheat", [("light rye flour", 100, "g")]),
        wrong=True,
    ),
    Check(
        "formulas.salt_per_100g",
        "sodium is 39.34 % of common salt",
        "IUPAC standard atomic weights: sodium 22.990, chlorine 35.45",
        "from memory",
        393.4,
        lambda: salty("sodium_mg") / salty("salt_g"),
        0.1,
    ),
    Check(
        "formulas.salt_per_100g",
        "the salt that a label gives, sodium × 2.5, is our salt within 2 %",
        LABEL,
        "from memory",
        1.0,
        lambda: 2.5 * salty("sodium_mg") / 1000 / salty("salt_g"),
        0.02,
    ),
    Check(
        "formulas.salt_per_100g",
        "common salt holds the sodium of table salt, 38758 mg in 100 g, within 2 %",
        USDA_SALT,
        "open data",
        387.58,
        lambda: salty("sodium_mg") / salty("salt_g"),
        7.8,
    ),
    Check(
        "formulas.salt_per_100g",
        "less than 5 g of salt a day for adults",
        WHO,
        "standard",
        5.0,
        lambda: figure_of("WHO"),
    ),
    Check(
        "formulas.salt_per_100g",
        "1.4 g of salt in 100 g of bread at most",
        PORTUGAL,
        "standard",
        1.4,
        lambda: figure_of("Lei"),
    ),
    Check(
        "formulas.salt_per_100g",
        "400 mg of sodium in 100 g of bread at most, as salt",
        SOUTH_AFRICA,
        "standard",
        1.016,
        lambda: figure_of("R.214"),
        0.005,
    ),
    Check(
        "formulas.salt_per_100g",
        "salt on flour is not salt in 100 g of bread",
        TRADE,
        "common practice, no source",
        2.0,
        partial(salty, "salt_g"),
        0.1,
        wrong=True,
    ),
    Check(
        "formulas.hand_on",
        "a card for wheat dough names wheat as the US list does",
        US,
        "from memory",
        "yes",
        partial(card_says, "(US list): wheat"),
    ),
    Check(
        "formulas.hand_on",
        "and cereals containing gluten as the EU list does",
        EU,
        "from memory",
        "yes",
        partial(card_says, "(EU list): cereals containing gluten"),
    ),
    Check(
        "formulas.hand_on",
        "a card for rye dough names no wheat of the US list",
        US,
        "from memory",
        "yes",
        partial(card_says, "(US list): wheat", [("light rye flour", 100, "g")]),
        wrong=True,
    ),
    Check(
        "formulas.hand_on",
        "the card sets salt beside 5 g a day",
        WHO,
        "standard",
        "yes",
        partial(card_says, "of the 5 g a day"),
    ),
    Check(
        "formulas.hand_on",
        "ten pieces of 162 g at 60 % take 600 g of water",
        TRADE,
        "common practice, no source",
        600.0,
        lambda: card().lines["planned_g"].iloc[1],
        1e-9,
    ),
]

CHECKS = [*TEMPERATURES, *FIRMNESS, *CAUTIONS]
