"""The simulated bake as a baker calls it: frames in, frames out, refusals and warnings in words."""

import numpy as np
import pandas as pd
import pytest

from doughkit.baking.contact import contact_temperature, half_browned_s, radiation_kw_m2
from doughkit.baking.inputs import oven_bakes, read_bakes, starting_guesses
from doughkit.baking.simulate import profile, simulate
from doughkit.baking.steam import boiling_c, saturation_c, saturation_pa, steam
from doughkit.baking.turns import bake_in_turn
from doughkit.tables.problems import OutsideRange, StudyProblems
from tests.bakes import SUPPORTS, bakes


def on_every_support():
    return bakes(6, support=list(SUPPORTS), support_mm=np.nan).assign(piece=list("abcdef"))


def test_rows_come_back_in_order_with_their_names_and_untouched():
    frame = on_every_support().set_axis([5, 3, 9, 1, 0, 7])
    kept = frame.copy(deep=True)
    out = simulate(frame)
    pd.testing.assert_frame_equal(frame, kept)
    assert out.index.equals(frame.index)
    assert out["piece"].tolist() == list("abcdef")
    turned = simulate(frame.iloc[:3][::-1])
    np.testing.assert_allclose(turned["loss_pct"].to_numpy()[::-1], out["loss_pct"].iloc[:3])


def test_water_left_and_moisture_follow_from_the_loss():
    out = simulate(on_every_support())
    left = 76 - out["loss_pct"] / 100 * 164
    np.testing.assert_allclose(out["water_left_pct"], left)
    np.testing.assert_allclose(out["finished_moisture_pct"], 100 * left / (left + 88))


def test_colour_is_an_order_and_nothing_more():
    out = simulate(bakes(3, bake_min=[8.0, 4.0, 6.0]))
    assert out["colour_bottom_rank"].tolist() == [3, 1, 2]
    assert not [name for name in out.columns if "brown" in name]


def test_a_round_piece_and_a_sheet_of_the_same_area_are_the_same_bake():
    side = np.sqrt(np.pi) / 2 * 290
    sheet = bakes().drop(columns="diameter_mm").assign(length_mm=side, width_mm=side)
    np.testing.assert_allclose(simulate(sheet)["loss_pct"], simulate(bakes())["loss_pct"])


def test_what_a_support_gave_is_missing_from_it_afterwards():
    out = simulate(on_every_support()).set_index("piece")["support_left_c"]
    assert out.drop("f").lt(270).all()
    assert np.isnan(out["f"])


def test_a_profile_ends_where_the_simulation_ends():
    through = profile(bakes(), times=4)
    end = through[through["minutes"] == 6]
    out = simulate(bakes())
    assert end["temperature_c"].min() == pytest.approx(out["core_c"].iloc[0])
    assert through["water_share_pct"].between(0, 100.001).all()
    assert end["height_mm"].is_monotonic_increasing
    assert end["height_mm"].iloc[-1] < 8
    assert through.groupby("minutes")["water_pct"].mean().is_monotonic_decreasing


def test_a_support_left_alone_long_enough_is_as_at_first():
    turns = bake_in_turn(bakes(gap_min=600.0), pieces=2)
    assert turns["support_c"].iloc[1] == pytest.approx(270, abs=0.5)
    assert turns["loss_pct"].iloc[1] == pytest.approx(turns["loss_pct"].iloc[0], abs=0.05)


def test_a_short_gap_costs_the_next_piece_heat():
    turns = bake_in_turn(bakes(gap_min=2.0), pieces=4)
    assert turns["loss_pct"].is_monotonic_decreasing
    assert turns["support_c"].iloc[3] < 240


def test_pieces_find_their_oven_and_their_dough():
    pieces = pd.DataFrame({"piece": ["a", "b"], "dough": ["B", "A"], "oven": "home"})
    ovens = pd.DataFrame({"oven": ["home", "other"], "air_c": [250.0, 300.0], "support": "steel"})
    overview = pd.DataFrame({"formula": ["A", "B"], "water_pct": [70.0, 80.0], "dry_pct": 88.0})
    out = oven_bakes(pieces, ovens, overview)
    assert out["water_pct"].tolist() == [80, 70]
    with pytest.raises(StudyProblems, match=r"piece a, column .oven.[^$]*did you mean .home."):
        oven_bakes(pieces.assign(oven=["hme", "home"]), ovens, overview)


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("bake_min", 0.0, "bake_min.*above 0"),
        ("support", "wood", "support.*one of steel"),
        ("support_c", np.nan, "the support's temperature"),
        ("diameter_mm", np.nan, "a diameter, or a length and a width"),
        ("air_c", np.nan, "temperature of air and walls"),
        ("water_pct", -3.0, "water_pct.*above 0"),
    ],
)
def test_a_bake_that_cannot_be_is_refused_with_its_place(column, value, words):
    with pytest.raises(StudyProblems, match=words) as problem:
        simulate(bakes(2, piece=["a", "b"]).assign(**{column: [bakes()[column].iloc[0], value]}))
    assert "piece b" in str(problem.value)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"thickness_mm": 60.0, "mass_before_g": 1000.0}, "thickness_mm 60.*3 to 30"),
        ({"thickness_mm": 25.0}, "density_kg_m3.*a puffed piece has a pocket"),
        ({"topping_g": 80.0}, "a topping.*shields the top"),
        ({"puffed": "yes"}, "a pocket.*two thin layers bake otherwise"),
        ({"air_c": 600.0}, "air_c 600"),
        ({"bake_min": 60.0}, "bake_min 60"),
    ],
)
def test_beyond_its_range_the_model_warns_and_says_why(columns, words):
    with pytest.warns(OutsideRange, match=words):
        read_bakes(bakes(**columns))


def test_every_starting_guess_says_where_it_is_from():
    guesses = starting_guesses()
    assert guesses["source"].str.len().gt(5).all()
    assert (guesses["typical"].isna() == (guesses["unknown"] == "contact_w_m2k")).all()


def test_boiling_point_and_pressure_undo_each_other():
    at = np.array([5.0, 60.0, 99.0, 130.0])
    np.testing.assert_allclose(saturation_c(saturation_pa(at)), at, atol=1e-6)
    assert steam([20, 100])["saturation_kpa"].is_monotonic_increasing
    assert boiling_c(2000) < boiling_c(0) < 100


def test_small_laws_have_the_signs_of_an_oven():
    brick, metal = (0.86, 2500, 880), (18, 7900, 496)
    dough = (0.5, 600, 2500)
    assert contact_temperature(20, 330, dough=dough, floor=metal) > contact_temperature(
        20, 330, dough=dough, floor=brick
    )
    assert radiation_kw_m2(100, 100) == 0
    assert half_browned_s(250) < half_browned_s(150)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"air_c": "hot"}, "column 'air_c': found 'hot'; expected a number"),
        ({"support": "Steel"}, "did you mean 'steel'"),
        ({"support": "oven shelf"}, "write the one it is most like"),
        ({"altitude_m": 9e4}, "altitude .m., -450 to 6000"),
        ({"piece_c": -18.0}, "unfrozen dough .°C., 0 to 60"),
        ({"fan": "maybe"}, "found maybe; expected yes or no"),
        ({"oven_factor": -1.0}, "how strongly the oven heats.*our guess 0.2 to 2"),
    ],
)
def test_what_no_bake_can_be_is_refused_in_words(columns, words):
    with pytest.raises(StudyProblems, match=words):
        simulate(bakes(**columns))


def test_no_bakes_at_all_are_refused():
    with pytest.raises(StudyProblems, match="found no rows; expected one bake or more"):
        simulate(bakes(0))


def test_a_contact_given_for_plates_may_stay_empty_for_a_rack():
    given = bakes(2, support=["steel", "rack"], support_mm=np.nan, contact_w_m2k=[60.0, np.nan])
    assert simulate(given)["loss_pct"].notna().all()
