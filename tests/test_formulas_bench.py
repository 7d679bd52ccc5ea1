"""From a formula to the bench: varying, weighing out, what was really weighed, the card."""

import numpy as np
import pandas as pd
import pytest

from doughkit import formulas
from doughkit.tables import StudyProblems

COLUMNS = ["formula", "part", "ingredient", "amount", "unit"]
BASE = pd.DataFrame(
    [
        ("base", "sponge", "bread flour", "150", "g"),
        ("base", "sponge", "water", "150", "g"),
        ("base", "sponge", "instant yeast", "0.5", "g"),
        ("base", "", "bread flour", "300", "g"),
        ("base", "", "whole wheat flour", "50", "g"),
        ("base", "", "water", "160", "g"),
        ("base", "", "salt", "10", "g"),
        ("base", "", "olive oil", "10", "g"),
    ],
    columns=COLUMNS,
)


def varied(base=BASE, **levels):
    return formulas.vary(base, pd.DataFrame([{"dough": "D1", "formula": "base", **levels}]))


def percent(frame, ingredient, part=""):
    rows = (frame["ingredient"] == ingredient) & (frame["part"] == part)
    return frame.loc[rows, "percent"].sum()


def test_the_final_dough_gives_way_and_the_pre_ferment_stays():
    mixed = varied(hydration_pct=70, whole_grain_pct=30)
    assert percent(mixed, "water", "sponge") == pytest.approx(30)
    assert percent(mixed, "water") == pytest.approx(40)
    assert percent(mixed, "bread flour", "sponge") == pytest.approx(30)
    assert percent(mixed, "bread flour") == pytest.approx(40)
    assert percent(mixed, "whole wheat flour") == pytest.approx(30)
    rises = mixed.set_index(["part", "ingredient"])["gives_way"]
    assert rises["", "whole wheat flour"] == "bread flour"
    assert rises["", "bread flour"] == ""


def test_less_whole_grain_makes_whole_grain_give_way():
    mixed = varied(whole_grain_pct=0)
    rises = mixed.set_index(["part", "ingredient"])["gives_way"]
    assert rises["", "bread flour"] == "whole wheat flour"
    assert percent(mixed, "whole wheat flour") == 0


def test_an_empty_level_is_as_in_the_base_formula():
    mixed = varied(hydration_pct=None, salt_pct=np.nan)
    np.testing.assert_array_equal(mixed["percent"], mixed["base_percent"])


def test_a_yeast_that_stands_only_in_the_sponge_is_changed_there():
    mixed = varied(instant_yeast_pct=0.2)
    assert percent(mixed, "instant yeast", "sponge") == pytest.approx(0.2)
    assert percent(mixed, "instant yeast") == 0


def test_a_blend_of_flours_lets_the_others_give_way():
    mixed = varied(light_rye_flour_pct=10, whole_wheat_flour_pct=20)
    assert percent(mixed, "light rye flour") == pytest.approx(10)
    assert percent(mixed, "whole wheat flour") == pytest.approx(20)
    assert percent(mixed, "bread flour") == pytest.approx(40)


def test_salt_in_butter_is_counted_towards_the_salt_asked_for():
    buttered = pd.concat(
        [BASE, pd.DataFrame([("base", "", "salted butter", "50", "g")], columns=COLUMNS)]
    )
    mixed = varied(buttered, salt_pct=2.0)
    assert percent(mixed, "salt") == pytest.approx(2 - 10 * 0.01633)


def test_water_comes_in_where_the_base_has_none():
    dry = BASE[(BASE["part"] == "") & (BASE["ingredient"] != "water")]
    assert percent(varied(dry, hydration_pct=60), "water") == pytest.approx(60)


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({"hydration_pct": 20}, "column 'hydration_pct'.*of which 30 % stands fast"),
        ({"whole_grain_pct": 90}, "column 'whole_grain_pct'"),
        ({"salt_pct": -1}, "a level from 0 to 100 %"),
        ({"hydration_pct": "wet"}, "found 'wet'"),
        ({"oliv_oil_pct": 2}, "did you mean 'olive_oil_pct'"),
        ({"formula": "basis"}, "did you mean 'base'"),
        ({"bread_flour_pct": 20}, "pre-ferments hold 30 %"),
        ({"water_pct": 60, "hydration_pct": 65}, "no water is there to change"),
    ],
)
def test_a_level_that_cannot_be_mixed_is_refused(levels, words):
    with pytest.raises(StudyProblems, match=words):
        varied(**levels)


def test_which_fat_comes_in_is_not_guessed():
    lean = BASE[BASE["ingredient"] != "olive oil"]
    with pytest.raises(StudyProblems, match="add a line of fat to the base formula"):
        varied(lean, fat_pct=5)
    assert percent(varied(lean, olive_oil_pct=5), "olive oil") == 5


def test_measured_properties_are_no_levels_and_a_reference_is_left_out():
    doughs = pd.DataFrame(
        {
            "dough": ["D1", "REF"],
            "kind": ["test", "reference"],
            "formula": ["base", None],
            "finished_moisture_pct": [12.0, 14.0],
        }
    )
    mixed = formulas.vary(BASE, doughs)
    assert mixed["dough"].unique().tolist() == ["D1"]
    np.testing.assert_array_equal(mixed["percent"], mixed["base_percent"])


def test_all_doughs_that_cannot_be_mixed_are_told_at_once():
    doughs = pd.DataFrame(
        {"dough": ["D1", "D2"], "formula": "base", "hydration_pct": [10, 20], "salt_pct": [2, 2]}
    )
    with pytest.raises(StudyProblems) as told:
        formulas.vary(BASE, doughs)
    assert [one.key for one in told.value.problems] == ["dough D1", "dough D2"]


def test_the_small_scale_takes_what_is_light_and_rounding_is_warned_of():
    sheet = formulas.weigh_out(varied(), piece_g=100, pieces=1)
    by_name = sheet.set_index(["part", "ingredient"])
    assert by_name.loc[("", "bread flour"), "step_g"] == 0.1
    assert by_name.loc[("sponge", "instant yeast"), "planned_g"] == pytest.approx(0.1)
    assert "rounding moves yeast by" in by_name.loc[("sponge", "instant yeast"), "warning"]
    large = formulas.weigh_out(varied(), piece_g=100, pieces=100)
    assert (large["warning"] == "").all()
    assert large.set_index(["part", "ingredient"]).loc[("", "bread flour"), "step_g"] == 1
    coarse = formulas.weigh_out(varied(), piece_g=100, pieces=10, small_step_g=None)
    assert (coarse["planned_g"] % 1 == 0).all()


def test_piece_mass_may_differ_from_dough_to_dough():
    doughs = pd.DataFrame({"dough": ["D1", "D2"], "formula": "base"})
    mixed = formulas.vary(BASE, doughs)
    sheet = formulas.weigh_out(mixed, piece_g={"D1": 100, "D2": 200}, pieces=4, extra_pct=10)
    total = sheet.groupby("dough")["exact_g"].sum()
    assert total.tolist() == pytest.approx([440, 880])
    with pytest.raises(StudyProblems, match="dough D2, column 'piece_g'"):
        formulas.weigh_out(mixed, piece_g={"D1": 100}, pieces=4)
    with pytest.raises(StudyProblems, match="column 'scale_step_g'"):
        formulas.weigh_out(mixed, piece_g=100, pieces=4, scale_step_g=0)


def test_the_sheet_is_empty_where_the_bench_fills_it():
    sheet = formulas.weigh_out(varied(), piece_g=100, pieces=2)
    assert sheet["weighed_g"].isna().all()
    assert sheet["weighed_g"].dtype == "float64"


def test_what_was_weighed_gives_the_dough_as_mixed():
    sheet = formulas.weigh_out(varied(hydration_pct=60), piece_g=400, pieces=2)
    filled = sheet.assign(weighed_g=sheet["planned_g"])
    water = (filled["ingredient"] == "water") & (filled["part"] == "")
    filled.loc[water, "weighed_g"] += 12
    mixed = formulas.as_mixed(filled)
    assert (mixed["taken_from"] == "weighed").all()
    flour = filled.loc[filled["role"] == "flour", "planned_g"].sum()
    row = formulas.overview(formulas.as_formulas(mixed)).iloc[0]
    planned = formulas.overview(formulas.as_formulas(formulas.as_mixed(sheet))).iloc[0]
    gained = row["hydration_pct"] - planned["hydration_pct"]
    assert gained == pytest.approx(100 * 12 / flour)
    assert (formulas.as_mixed(sheet)["taken_from"] == "planned").all()


def test_a_line_with_neither_weight_is_refused_by_dough():
    sheet = pd.DataFrame(
        {"dough": "D1", "ingredient": ["bread flour", "water"], "planned_g": [100, None]}
    ).assign(weighed_g=np.nan)
    with pytest.raises(
        StudyProblems, match="weighed, dough D1, ingredient water, column 'weighed_g'"
    ):
        formulas.as_mixed(sheet)


def test_shopping_adds_all_sheets_up():
    sheet = formulas.weigh_out(varied(), piece_g=400, pieces=2)
    both = pd.concat([sheet, sheet.assign(dough="D2")])
    told = formulas.shopping_list(both, spare_pct=10).set_index("ingredient")
    flour = sheet.loc[sheet["ingredient"] == "bread flour", "planned_g"].sum()
    assert told.loc["bread flour", "grams"] == pytest.approx(2.2 * flour)
    assert told.loc["bread flour", "doughs"] == 2


@pytest.mark.parametrize(
    ("size", "words"),
    [
        ({}, "found no size"),
        ({"pieces": 3}, "found pieces; expected pieces and piece_g"),
        ({"pieces": 3, "piece_g": 0}, "column 'piece_g': found 0"),
        ({"pieces": 3, "finished_g": 200, "bake_loss_pct": 100}, "less than 100 %"),
        ({"flour_g": 1000, "pieces": 3}, "give one of these sets, whole"),
    ],
)
def test_a_size_that_says_nothing_is_refused(size, words):
    with pytest.raises(StudyProblems, match=words):
        formulas.scale(BASE, **size)


def card(**more):
    options = {
        "formula": "base",
        "pieces": 6,
        "piece_g": 200,
        "process": {"dough_c": 24, "ferment_h": 20, "length_mm": 300, "own_step_min": 4},
        "window": {"mass_after_g": (168, 176), "droop_mm": (None, 14)},
    }
    return formulas.hand_on(BASE, **(options | more))


def test_the_card_holds_batch_process_window_and_cautions():
    handed = card(bake_loss_pct=14)
    assert handed.lines["planned_g"].sum() == pytest.approx(1200, abs=5)
    process = handed.process.set_index("what")
    assert process.loc["dough_c", "value"] == 24
    assert process.loc["own_step_min", "unit"] == "min"
    assert "diameter_mm" not in process.index
    assert "not stated: ferment_c, width_mm, preheat_min" in handed.summary()
    unknown = card(process={"dough_c": np.nan}).process.set_index("what")
    assert np.isnan(unknown.loc["dough_c", "value"])
    about = handed.cautions["about"].tolist()
    assert about[0] == "law"
    assert {"raw flour", "burns", "allergens", "salt"} <= set(about)
    assert np.isnan(handed.window.set_index("what").loc["droop_mm", "low"])


def test_the_card_is_one_page_that_shows_what_it_holds():
    page = card().page()
    assert page.startswith("<!DOCTYPE html>")
    for words in ("base", "whole wheat flour", "A good piece", "Cautions", "EU list"):
        assert words in page


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"formula": "bass"}, "did you mean 'base'"),
        ({"process": {"dough_temp": 24}}, "or a name that ends in a unit"),
        ({"process": {"dough_c": "warm"}}, "found 'warm'"),
        ({"window": {"mass_after_g": (176, 168)}}, "expected low before high"),
    ],
)
def test_a_card_with_a_slip_is_refused(more, words):
    with pytest.raises(StudyProblems, match=words):
        card(**more)
