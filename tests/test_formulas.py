"""Formulas by hand-made examples, and what is refused in which words."""

import numpy as np
import pandas as pd
import pytest

from doughkit import formulas
from doughkit.formulas.units import parse_amount
from doughkit.tables import OutsideRange, StudyProblems
from tests.outside import DATA

COLUMNS = ["formula", "part", "ingredient", "amount", "unit"]


def table(*rows):
    """Rows of (ingredient, amount, unit), or of all five columns."""
    full = [row if len(row) == 5 else ("F", "", *row) for row in rows]
    return pd.DataFrame(full, columns=COLUMNS)


PLAIN = table(("bread flour", "500", "g"), ("water", "300", "g"), ("salt", "10", "g"))


def figure(frame, name, **more):
    return formulas.overview(frame, **more)[name].iloc[0]


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("500", 500, 500),
        ("1 1/2", 1.5, 1.5),
        ("½", 0.5, 0.5),
        ("1½", 1.5, 1.5),
        ("7/8", 0.875, 0.875),
        ("300-320", 300, 320),
        ("300 – 320", 300, 320),
        ("1 to 1 1/2", 1, 1.5),
        ("1⁄3", 1 / 3, 1 / 3),
        ("1e-05", 1e-05, 1e-05),
        (".5", 0.5, 0.5),
    ],
)
def test_amounts_are_read_as_bakers_write_them(text, low, high):
    assert parse_amount(text) == pytest.approx((low, high))


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("1,5", "write 1.5 or 15"),
        ("500 g", "write 500 alone, and the unit in its own column"),
        ("-5", "correct the sign"),
        ("", "weigh it if none was written down"),
        ("320-300", "write the smaller amount first"),
        ("2-1/2", "write 2 1/2 with a space"),
        ("1/0", "correct what stands under the stroke"),
        ("1e12", "correct the amount or its unit"),
        ("a pinch", "write the amount in figures"),
    ],
)
def test_an_unreadable_amount_says_how_to_write_it(text, mend):
    assert mend in parse_amount(text).mend
    with pytest.raises(StudyProblems, match="formula F, ingredient salt, column 'amount'"):
        formulas.bakers_percent(table(("bread flour", "500", "g"), ("salt", text, "g")))


def test_all_faults_of_all_lines_are_told_at_once():
    faulty = table(
        ("bred flour", "500", "g"),
        ("water", "300", "gramm"),
        ("salt", "x", "g"),
        ("boiled potato", "1", "cup"),
        ("fresh yeast", "1", "piece"),
        ("", "", "water", "1", "g"),
    )
    with pytest.raises(StudyProblems) as told:
        formulas.overview(faulty)
    text = str(told.value)
    assert len(told.value.problems) == 6
    assert "did you mean 'bread flour'" in text
    assert "add a row to the table ingredients" in text
    assert "known units: g, kg" in text
    assert "give density_g_ml in the table ingredients" in text
    assert "weigh one and write g" in text
    assert "name the formula this line belongs to" in text


def test_a_cup_of_flour_is_not_one_mass():
    lines = formulas.bakers_percent(table(("bread flour", "2", "cup"), ("water", "160", "g")))
    flour, water = lines.iloc[0], lines.iloc[1]
    assert flour["grams"] == pytest.approx(2 * 236.5882365 * 0.579)
    assert flour["grams_low"] == pytest.approx(0.85 * flour["grams"])
    assert flour["grams_high"] == pytest.approx(1.15 * flour["grams"])
    # All flour is 100 whatever it weighs; it is the water that may be more or less of it.
    assert flour["percent_low"] == flour["percent_high"] == pytest.approx(100)
    assert water["percent_low"] == pytest.approx(water["percent"] / 1.15)
    assert water["percent_high"] == pytest.approx(water["percent"] / 0.85)


def test_percent_of_flour_goes_with_flour_in_grams():
    mixed = table(
        ("bread flour", "400", "g"), ("whole wheat flour", "20", "%"), ("water", "60", "%")
    )
    lines = formulas.bakers_percent(mixed).set_index("ingredient")
    assert lines.loc["whole wheat flour", "grams"] == pytest.approx(100)
    assert lines.loc["water", "grams"] == pytest.approx(300)
    assert lines["percent"].tolist() == pytest.approx([80, 20, 60])


def test_flours_in_percent_must_add_to_a_hundred():
    odd = table(("bread flour", "100", "%"), ("whole wheat flour", "20", "%"), ("water", "60", "%"))
    with pytest.raises(
        StudyProblems, match=r"found flours that add to 120 %.*expected flours that"
    ):
        formulas.overview(odd)


def test_a_formula_without_flour_is_refused_unless_another_takes_from_it():
    mix = [("mix", "", "sesame seeds", "50", "g"), ("mix", "", "flaxseed", "50", "g")]
    with pytest.raises(StudyProblems, match=r"formula mix.*no flour"):
        formulas.overview(table(*mix))
    both = table(("bread flour", "500", "g"), ("mix", "30", "g"), *mix)
    rows = formulas.overview(both).set_index("formula")
    assert rows.loc["F", "dough_g"] == 530
    assert np.isnan(rows.loc["mix", "hydration_pct"])
    assert rows.loc["mix", "dough_g"] == 100


def test_names_lead_to_ingredients_and_the_assumption_is_shown():
    lines = formulas.bakers_percent(
        table(("Strong White Flour", "500", "g"), ("milk", "100", "ml"), ("caster sugar", "5", "g"))
    )
    assert lines["known_as"].tolist() == ["bread flour", "whole milk", "sugar"]
    assert lines["ingredient"].tolist()[0] == "Strong White Flour"


def test_a_part_that_is_taken_from_goes_in_as_far_as_it_is_taken():
    levain = [
        ("F", "levain", "sourdough starter", "20", "g"),
        ("F", "levain", "bread flour", "50", "g"),
        ("F", "levain", "water", "50", "g"),
    ]
    dough = table(
        *levain, ("bread flour", "400", "g"), ("levain", "100", "g"), ("water", "200", "g")
    )
    lines = formulas.bakers_percent(dough)
    assert lines.loc[lines["part"] == "levain", "grams"].sum() == pytest.approx(100)
    rows = formulas.overview(dough).iloc[0]
    # 100 g of a levain at 100 % hydration holds 50 g of flour and 50 g of water.
    assert rows["flour_g"] == pytest.approx(450)
    assert rows["hydration_pct"] == pytest.approx(100 * 250 / 450)
    assert rows["prefermented_pct"] == pytest.approx(100 * 50 / 450)
    of_part = formulas.parts(dough).set_index("part")
    assert of_part.loc["levain", "hydration_pct"] == pytest.approx(100)


def test_more_of_a_part_than_it_makes_is_refused():
    dough = table(
        ("F", "soaker", "water", "50", "g"), ("bread flour", "9", "g"), ("soaker", "60", "g")
    )
    with pytest.raises(StudyProblems, match="60 g of it taken; expected no more than the 50 g"):
        formulas.overview(dough)


def test_formulas_that_take_from_each_other_in_a_circle_are_refused():
    circle = table(
        ("A", "", "bread flour", "9", "g"),
        ("A", "", "B", "9", "g"),
        ("B", "", "bread flour", "9", "g"),
        ("B", "", "A", "9", "g"),
    )
    with pytest.raises(StudyProblems, match=r"formula A.*in a circle"):
        formulas.overview(circle)


def test_formulas_within_formulas_without_end_are_refused():
    rows = [("F0", "", "bread flour", "1", "g")]
    for one in range(1, 30):
        rows += [(f"F{one}", "", f"F{one - 1}", "1", "g")] * 2
    with pytest.raises(StudyProblems, match="write the innermost formulas out"):
        formulas.overview(table(*rows))


def test_percentages_inside_a_part_that_is_taken_from_are_of_its_own_flour():
    textbook = table(
        ("F", "poolish", "bread flour", "100", "%"),
        ("F", "poolish", "water", "100", "%"),
        ("F", "", "bread flour", "300", "g"),
        ("F", "", "poolish", "200", "g"),
        ("F", "", "salt", "2", "%"),
    )
    lines = formulas.bakers_percent(textbook)
    assert lines["grams"].tolist() == pytest.approx([100, 100, 300, 8])
    assert lines["percent_in_part"].iloc[:2].tolist() == pytest.approx([100, 100])


def test_soakers_are_not_pre_ferments_but_poolish_and_starter_are():
    dough = table(
        ("F", "soaker", "whole wheat flour", "100", "g"),
        ("F", "soaker", "water", "100", "g"),
        ("F", "poolish", "bread flour", "100", "g"),
        ("F", "poolish", "water", "100", "g"),
        ("F", "", "bread flour", "260", "g"),
        ("F", "", "sourdough starter", "80", "g"),
    )
    assert figure(dough, "prefermented_pct") == pytest.approx(100 * 140 / 500)
    assert formulas.parts(dough)["prefermented"].tolist() == ["no", "yes", "no"]


def test_salt_inside_butter_counts_and_flour_is_not_counted_as_fat():
    buttered = table(("bread flour", "500", "g"), ("salt", "8", "g"), ("salted butter", "50", "g"))
    assert figure(buttered, "salt_pct") == pytest.approx(1.6 + 10 * 0.01633)
    assert figure(buttered, "fat_pct") == pytest.approx(10 * 0.8111)
    assert figure(PLAIN, "fat_pct") == 0


def test_hydration_counts_water_and_effective_hydration_what_milk_and_egg_hold():
    milky = table(("bread flour", "500", "g"), ("whole milk", "300", "g"))
    assert figure(milky, "hydration_pct") == 0
    water_pct = 60 * 0.8813
    on_trade_flour = (100 * 0.8664 / 0.86, 13.36 + water_pct - 0.14 * 100 * 0.8664 / 0.86)
    effective = 100 * on_trade_flour[1] / on_trade_flour[0]
    assert figure(milky, "effective_hydration_pct") == pytest.approx(effective)


def test_a_dried_sample_comes_before_the_studys_figure_and_that_before_the_built_in_one():
    own = pd.DataFrame({"ingredient": ["bread flour"], "moisture_pct": [12.5], "source": ["bag"]})
    dried = pd.DataFrame(
        {"sample": ["M1", "M2"], "of": "bread flour", "wet_g": 20.0, "dry_g": [17, 18]}
    )
    for more, moisture, held in (
        ({}, 13.36, "built-in"),
        ({"ingredients": own}, 12.5, "study over built-in"),
        ({"ingredients": own, "moistures": dried}, 12.5, "dried (2 samples)"),
    ):
        line = formulas.bakers_percent(PLAIN, **more).iloc[0]
        assert line["moisture_pct"] == pytest.approx(moisture)
        assert line["held_from"] == held
    told = formulas.composition(own)
    assert told.overridden.values.tolist() == [["bread flour", "moisture_pct", "13.36", "12.5"]]
    assert "1 built-in figures replaced" in told.summary()
    # An empty cell of the study leaves the built-in figure.
    assert told.table.set_index("ingredient").loc["bread flour", "fat_pct"] == 1.66


def test_one_point_of_flour_moisture_is_worth_nearly_two_of_hydration():
    def at(moisture):
        own = pd.DataFrame({"ingredient": ["bread flour"], "moisture_pct": [moisture]})
        return figure(PLAIN, "effective_hydration_pct", ingredients=own)

    assert at(14.0) == pytest.approx(60)
    assert at(14.0) - at(13.0) == pytest.approx(1.86, abs=0.05)


def test_a_flour_lots_own_moisture_is_used_for_the_doughs_of_that_lot():
    doughs = pd.DataFrame({"dough": ["D1", "D2"], "formula": "F", "flour_lot": ["L1", None]})
    dried = pd.DataFrame({"sample": ["M"], "of": ["L1"], "wet_g": [20.0], "dry_g": [17.6]})
    mixed = formulas.as_formulas(formulas.vary(PLAIN, doughs))
    lines = formulas.bakers_percent(mixed, None, dried)
    flour = lines[lines["role"] == "flour"]
    assert flour["moisture_pct"].tolist() == pytest.approx([12.0, 13.36])
    assert flour["held_from"].tolist() == ["dried flour lot", "built-in"]
    wet = pd.DataFrame({"sample": ["M"], "of": ["L1"], "wet_g": [20.0], "dry_g": [5.0]})
    with pytest.raises(StudyProblems, match=r"flour lot L1.*75.0 % water"):
        formulas.overview(mixed, None, wet)


def test_what_is_not_known_is_counted_as_nothing_and_said():
    own = pd.DataFrame(
        {
            "ingredient": ["mill flour", "spice"],
            "role": ["flour", "other"],
            "moisture_pct": [None, 9],
        }
    )
    row = formulas.overview(table(("mill flour", "500", "g"), ("spice", "5", "g")), own).iloc[0]
    assert "moisture of mill flour (taken as 14 %)" in row["unknown"]
    assert "fat of spice (taken as 0)" in row["unknown"]
    assert formulas.overview(PLAIN)["unknown"].tolist() == [""]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"role": "flower"}, "did you mean 'flour'"),
        ({"role": ""}, "say what it does in the dough"),
        ({"role": "flour", "moisture_pct": 60}, "flour with 60 % water"),
        ({"role": "fat", "fat_pct": 90, "moisture_pct": 20}, "110 g of parts in 100 g"),
        ({"role": "leaven", "moisture_pct": 5}, "more water than flour itself holds"),
        ({"role": "other", "moisture_pct": 130}, "a number from 0 to 100"),
        ({"role": "other", "moisture_pct": "much"}, "found 'much'"),
    ],
)
def test_an_impossible_ingredient_is_refused(row, words):
    own = pd.DataFrame([{"ingredient": "odd", **row}])
    with pytest.raises(StudyProblems, match=words):
        formulas.composition(own)


def test_a_doubled_ingredient_of_the_study_is_refused():
    own = pd.DataFrame({"ingredient": ["Spice", "spice"], "role": "other"})
    with pytest.raises(StudyProblems, match="more than one row"):
        formulas.composition(own)


def test_the_built_in_table_is_large_named_plainly_and_sourced():
    known = formulas.composition().table
    assert len(known) >= 80
    assert known["source"].str.len().gt(10).all()
    assert known["ingredient"].str.fullmatch("[a-z0-9 .%-]+").all()
    assert known["ingredient"].is_unique
    parts = known[["moisture_pct", "fat_pct", "salt_pct", "sugar_pct"]].sum(axis=1)
    assert parts.le(100.5).all()
    assert known.loc[known["role"] == "flour", "moisture_pct"].between(8, 15).all()


def test_the_built_in_table_agrees_with_the_food_tables_it_names():
    usda = pd.read_csv(DATA / "usda_sr28.csv", dtype={"ndb": "str"}).set_index("ndb")
    known = formulas.composition().table
    known["ndb"] = known["source"].str.extract(r"^USDA SR28 NDB (\d{5}) \(", expand=False)
    # Water and salt are taken as pure, and say so.
    named = known[known["ndb"].notna() & ~known["role"].isin(["water", "salt"])]
    assert len(named) > 80
    theirs = usda.loc[named["ndb"]]
    for ours, column in (
        ("moisture_pct", "water_g"),
        ("fat_pct", "fat_g"),
        ("sugar_pct", "sugars_g"),
    ):
        np.testing.assert_allclose(named[ours], theirs[column], atol=1e-9)
    salt = named[named["salt_pct"] > 0]
    sodium = usda.loc[salt["ndb"], "sodium_mg"]
    np.testing.assert_allclose(salt["salt_pct"], 2.54 * sodium / 1000, atol=0.002)
    cups = (
        theirs["household_measure"]
        .str.extract(r"^1 cup.*= ([\d.]+) g$", expand=False)
        .astype(float)
    )
    has = (cups.notna() & named["density_g_ml"].notna().to_numpy()).to_numpy()
    assert has.sum() > 50
    np.testing.assert_allclose(236.588 * named["density_g_ml"][has], cups[has], rtol=0.002)


def test_compare_puts_what_differs_most_first_and_says_what_is_sure():
    two = pd.concat(
        [
            PLAIN,
            table(("G", "", "bread flour", "2", "cup"), ("G", "", "water", "180", "g")),
            table(("H", "", "bread flour", "500", "g"), ("H", "", "water", "330", "g")),
        ]
    )
    told = formulas.compare(two, against="F")
    assert told["formula"].drop_duplicates().tolist() == ["G", "H"]
    of_h = told[(told["formula"] == "H") & (told["kind"] == "figure")]
    assert of_h["difference"].abs().is_monotonic_decreasing
    assert of_h.set_index("measure").loc["hydration_pct", ["difference", "sure"]].tolist() == [
        6,
        "yes",
    ]
    of_g = told[told["formula"] == "G"].set_index("measure")
    assert of_g.loc["hydration_pct", "sure"] == "no"
    with pytest.raises(StudyProblems, match="no formula 'X'"):
        formulas.compare(two, against="X")


def test_equal_consistency_parts_bran_from_flour_moisture_and_names_the_rule():
    asked = formulas.equal_consistency(PLAIN, whole_grain_pct=30).iloc[0]
    assert asked["extra_pct"] == pytest.approx(
        asked["from_bran_pct"] + asked["from_flour_moisture_pct"]
    )
    assert asked["rule_of_trade_pct"] == pytest.approx(2)
    assert asked["hydration_to_low"] < asked["hydration_to_pct"] < asked["hydration_to_high"]
    same = formulas.equal_consistency(PLAIN, whole_grain_pct=0).iloc[0]
    assert same["extra_pct"] == pytest.approx(0)
    with pytest.warns(OutsideRange, match="light rye flour"):
        formulas.equal_consistency(table(("light rye flour", "9", "g")), whole_grain_pct=9)


def test_allergens_follow_both_lists_and_lose_no_word():
    own = pd.DataFrame({"ingredient": ["paste"], "role": ["other"], "allergens": ["Sesame|kiwi"]})
    told = formulas.allergens(table(("light rye flour", "9", "g"), ("paste", "1", "g")), own)
    pairs = set(zip(told["jurisdiction"], told["allergen"], strict=True))
    assert pairs == {
        ("EU", "cereals containing gluten"),
        ("EU", "sesame seeds"),
        ("US", "sesame"),
        ("none", "kiwi"),
    }
    assert told["in_force"].dtype.kind == "M"
    assert formulas.allergens(PLAIN.iloc[:0]).empty


def test_drying_concentrates_salt():
    moist = formulas.salt_per_100g(PLAIN, bake_loss_pct=10)
    dry = formulas.salt_per_100g(PLAIN, bake_loss_pct={"F": 30})
    assert moist["salt_g"].iloc[0] == pytest.approx(100 * 10 / 810 / 0.9)
    assert dry["salt_g"].iloc[0] > moist["salt_g"].iloc[0]
    day = dry[dry["per"] == "day"].iloc[0]
    assert day["share_pct"] == pytest.approx(100 * day["salt_g"] / 5)
    with pytest.raises(StudyProblems, match="formula F, column 'bake_loss_pct'"):
        formulas.salt_per_100g(PLAIN, bake_loss_pct={"G": 30})


def test_water_too_warm_for_yeast_warns_and_more_ice_than_water_is_refused():
    with pytest.warns(OutsideRange, match="harm yeast"):
        formulas.water_temperature(dough_c=30, flour_c=15, room_c=15, friction_c=5)
    with pytest.raises(StudyProblems, match="expected no more ice than water"):
        formulas.water_temperature(
            dough_c=0, flour_c=30, room_c=30, friction_c=20, tap_c=20, water_g=500
        )
    with pytest.raises(StudyProblems, match="Fahrenheit"):
        formulas.water_temperature(dough_c=75, flour_c=21, room_c=22, friction_c=10)
    cold = formulas.water_temperature(dough_c=15, flour_c=22, room_c=22, friction_c=10)
    assert "ice is needed" in cold["note"].iloc[0]
    assert np.isnan(cold["ice_g"].iloc[0])
