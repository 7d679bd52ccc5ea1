"""Bake loss with its error, water left, pooled repeats and dried samples."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import baking
from doughkit.tables import OutsideRange, StudyProblems

grams = st.floats(20, 2000)
share = st.floats(0.66, 1.0)


def piece(before, after, **more):
    cells = {"piece": "a", "dough": "A", "mass_before_g": before, "mass_after_g": after, **more}
    return pd.DataFrame({name: [value] for name, value in cells.items()})


OVERVIEW = pd.DataFrame({"dough": ["A", "B"], "dry_pct": [90.0, 92.0], "water_pct": [74.0, 70.0]})


@given(grams, share, st.floats(0.01, 100))
@settings(max_examples=40)
def test_grams_balance_and_the_loss_does_not_depend_on_the_size_of_the_piece(before, kept, scale):
    loss = baking.bake_loss(piece(before, before * kept), scale_step_g=1.0).iloc[0]
    assert loss["loss_g"] + loss["mass_after_g"] == pytest.approx(before)
    assert loss["loss_pct"] == pytest.approx(100 * (1 - kept), abs=1e-9)
    scaled = baking.bake_loss(piece(scale * before, scale * before * kept), scale_step_g=scale)
    for column in ("loss_pct", "loss_error_pct", "ci_low"):
        assert scaled[column].iloc[0] == pytest.approx(loss[column], abs=1e-9)


@given(share)
@settings(max_examples=30)
def test_dry_matter_is_conserved(kept):
    left = baking.bake_loss(piece(200, 200 * kept), OVERVIEW, scale_step_g=1).iloc[0]
    water, moisture = left["water_left_pct"], left["finished_moisture_pct"] / 100
    assert water / moisture - water == pytest.approx(90.0)
    assert (90 + 74) * kept == pytest.approx(90 + water)


def test_the_step_of_the_scale_errs_as_rounding_does():
    draw = np.random.default_rng(1)
    before, after = draw.uniform(195, 205, 40_000), draw.uniform(150, 160, 40_000)
    true = 100 * (1 - after / before)
    pieces = pd.DataFrame(
        {
            "piece": np.arange(40_000).astype(str),
            "dough": "A",
            "mass_before_g": np.round(before),
            "mass_after_g": np.round(after),
        }
    )
    loss = baking.bake_loss(pieces, scale_step_g=1)
    off = loss["loss_pct"] - true
    assert off.std() == pytest.approx(loss["loss_error_pct"].mean(), rel=0.01)
    covered = ((loss["ci_low"] <= true) & (true <= loss["ci_high"])).mean()
    assert covered == pytest.approx(0.90, abs=0.01)


def test_step_and_weighing_error_are_two_things():
    step = baking.bake_loss(piece(250, 215), scale_step_g=1)["loss_error_pct"].iloc[0]
    hand = baking.bake_loss(piece(250, 215), scale_step_g=0.001, weighing_error_g=1.0)
    assert hand["loss_error_pct"].iloc[0] / step == pytest.approx(np.sqrt(12), rel=1e-6)
    both = baking.bake_loss(piece(250, 215), scale_step_g=1, weighing_error_g=1.0)
    assert both["loss_error_pct"].iloc[0] == pytest.approx(
        np.hypot(step, hand["loss_error_pct"].iloc[0]), rel=1e-6
    )


def test_a_piece_with_its_own_step_keeps_it():
    own = baking.bake_loss(piece(250, 215, scale_step_g=0.1), scale_step_g=1)
    assert own["loss_error_pct"].iloc[0] == pytest.approx(0.01526, abs=1e-4)
    unknown = baking.bake_loss(piece(250, 215)).iloc[0]
    assert np.isnan(unknown["loss_error_pct"]) and unknown["loss_pct"] == pytest.approx(14)
    assert unknown["remark"] == "give scale_step_g for an error"


def test_a_reference_without_weights_keeps_its_row():
    pieces = pd.concat([piece(200, 160), piece(np.nan, np.nan).assign(piece="r", dough="REF")])
    loss = baking.bake_loss(pieces, OVERVIEW, scale_step_g=1)
    assert loss["loss_pct"].notna().tolist() == [True, False]
    assert loss["remark"].iloc[1] == "not weighed before; not weighed after"
    assert loss["piece"].tolist() == ["a", "r"]


def test_a_late_weighing_is_remarked():
    late = baking.bake_loss(piece(200, 160, weighed_after_s=240), scale_step_g=1)
    assert late["remark"].iloc[0] == "weighed 240 s after the oven, not at 60 s"
    right = baking.bake_loss(piece(200, 160, weighed_after_s=70), scale_step_g=1)
    assert right["remark"].iloc[0] == ""


def test_a_topped_piece_is_left_out_unless_the_topping_is_known_at_both_ends():
    out = baking.bake_loss(piece(300, 250, topping_g=100.0), scale_step_g=1).iloc[0]
    assert np.isnan(out["loss_pct"]) and out["remark"].startswith("topped, left out")
    known = baking.bake_loss(piece(300, 250, topping_g=100.0, topping_after_g=90.0), scale_step_g=1)
    plain = baking.bake_loss(piece(200, 160), scale_step_g=1)
    assert known["loss_pct"].iloc[0] == plain["loss_pct"].iloc[0] == pytest.approx(20)
    assert known["loss_error_pct"].iloc[0] == pytest.approx(
        np.sqrt(2) * plain["loss_error_pct"].iloc[0]
    )


@pytest.mark.parametrize(
    ("pieces", "words"),
    [
        (piece(200, 210), "piece a, column 'mass_after_g': found 210 g after 200 g before"),
        (piece(0, 0), "column 'mass_before_g': found 0 g; expected a weight above 0"),
        (piece(200, -1), "column 'mass_after_g': found -1 g; expected a weight above 0"),
        (piece(90, 80, topping_g=95.0, topping_after_g=70.0), "a topping as heavy as its piece"),
        (piece(200, 105), "47.5 % lost of a dough with 45.1 % water"),
    ],
)
def test_impossible_weights_are_placed(pieces, words):
    with pytest.raises(StudyProblems, match=words):
        baking.bake_loss(pieces, OVERVIEW, scale_step_g=1)


def test_all_impossible_weights_come_in_one_report():
    pieces = pd.concat([piece(200, 210), piece(200, 220), piece(200, 0)])
    with pytest.raises(StudyProblems) as raised:
        baking.bake_loss(pieces.assign(piece=list("abc")), scale_step_g=1)
    assert len(raised.value.problems) == 3


def test_other_refusals_name_what_is_missing():
    with pytest.raises(StudyProblems, match="piece a: found more than one row"):
        baking.bake_loss(pd.concat([piece(200, 160)] * 2), scale_step_g=1)
    with pytest.raises(StudyProblems, match="dough X: found no row"):
        baking.bake_loss(piece(200, 160).assign(dough="X"), OVERVIEW, scale_step_g=1)
    with pytest.raises(StudyProblems, match="an error of 0 g or more"):
        baking.bake_loss(piece(200, 160), scale_step_g=1, weighing_error_g=-1)


def test_a_loss_beyond_all_published_ones_warns():
    with pytest.warns(OutsideRange, match=r"above 35 %.*1 of 1 pieces \(a\)"):
        baking.bake_loss(piece(200, 120), scale_step_g=1)


def test_an_overview_by_formula_serves_as_one_by_dough_and_nothing_given_is_changed():
    pieces = piece(200, 160)
    kept = pieces.copy(deep=True), OVERVIEW.copy(deep=True)
    one = baking.bake_loss(pieces, OVERVIEW.rename(columns={"dough": "formula"}), scale_step_g=1)
    two = baking.bake_loss(pieces, OVERVIEW, scale_step_g=1)
    pd.testing.assert_frame_equal(one, two)
    pd.testing.assert_frame_equal(pieces, kept[0])
    pd.testing.assert_frame_equal(OVERVIEW, kept[1])
    assert list(baking.bake_loss(pieces)) == list(one)


def bakes(losses, doughs, times=6.0):
    pieces = pd.DataFrame(
        {
            "piece": [f"p{place}" for place in range(len(losses))],
            "dough": doughs,
            "bake_min": times,
            "mass_before_g": 200.0,
            "mass_after_g": 200 - 2 * np.array(losses, float),
        }
    )
    return baking.bake_loss(pieces, scale_step_g=1), pieces


def test_pooled_repeats_have_one_spread_over_all_groups():
    loss, pieces = bakes([20, 21, 22, 15, 17], ["A", "A", "A", "B", "B"])
    pooled = baking.pooled_loss(loss, pieces)
    spread = np.sqrt((2 + 2) / 3)
    assert pooled["loss_pct"].tolist() == pytest.approx([21, 16])
    assert pooled["spread_pct"].tolist() == pytest.approx([spread, spread])
    assert pooled["loss_error_pct"].tolist() == pytest.approx(spread / np.sqrt([3, 2]))
    assert set(pooled["df"]) == {3} and set(pooled["scope"]) == {"pieces of this dough"}
    half = 2.353363 * spread / np.sqrt(3)  # Student's t, 3 df, 90 % two-sided
    assert pooled["ci_high"].iloc[0] - 21 == pytest.approx(half, rel=1e-5)


def test_without_the_dough_in_the_group_doughs_are_the_repeats():
    loss, pieces = bakes([20, 22, 23, 25, 10], ["A", "A", "B", "B", "C"], [6, 6, 6, 6, 8])
    pooled = baking.pooled_loss(loss, pieces, by=("bake_min",)).set_index("bake_min")
    assert pooled.loc[6, "repeats"] == 2 and pooled.loc[6, "pieces"] == 4
    assert pooled.loc[6, "loss_error_pct"] == pytest.approx(np.std([21, 24], ddof=1) / np.sqrt(2))
    assert pooled.loc[8, "scope"] == "doughs like these" and pooled.loc[8, "df"] == 1


def test_without_repeats_only_the_scale_is_known_and_that_is_said():
    loss, pieces = bakes([20, 22], ["A", "B"])
    pooled = baking.pooled_loss(loss, pieces)
    assert set(pooled["scope"]) == {"these pieces as weighed"}
    assert pooled["loss_error_pct"].tolist() == pytest.approx(loss["loss_error_pct"].tolist())
    assert pooled["spread_pct"].isna().all()


@given(st.lists(st.floats(5, 30), min_size=2, max_size=6))
@settings(max_examples=20)
def test_pooling_pieces_of_one_dough_is_plain_statistics(losses):
    loss, pieces = bakes(losses, "A")
    pooled = baking.pooled_loss(loss, pieces).iloc[0]
    values = loss["loss_pct"]
    assert pooled["loss_pct"] == pytest.approx(values.mean())
    assert pooled["loss_error_pct"] == pytest.approx(values.sem(), abs=1e-12)


def test_pieces_without_a_loss_make_no_group_and_none_at_all_is_refused():
    loss, pieces = bakes([20, np.nan], ["A", "B"])
    assert baking.pooled_loss(loss, pieces)["dough"].tolist() == ["A"]
    with pytest.raises(StudyProblems, match="no piece with a loss"):
        baking.pooled_loss(loss.iloc[1:], pieces)


SAMPLES = pd.DataFrame(
    {
        "sample": ["s1", "s2", "s3"],
        "of": ["REF", "REF", "L1"],
        "wet_g": [50.0, 50.0, 20.0],
        "dry_g": [40.0, 39.0, 17.4],
    }
)


def test_dried_samples_give_their_water_with_both_errors():
    dried = baking.finished_moisture(SAMPLES, scale_step_g=0.1, drying_error_pct=0.5)
    assert dried["finished_moisture_pct"].tolist() == pytest.approx([20, 22, 13])
    scale = 100 * 0.1 / np.sqrt(12) / 50 * np.sqrt(1 + 0.8**2)
    assert dried["finished_moisture_error_pct"].iloc[0] == pytest.approx(np.hypot(scale, 0.5))
    sure = baking.finished_moisture(SAMPLES, scale_step_g=0, drying_error_pct=0)
    assert (sure["ci_low"] == sure["finished_moisture_pct"]).all()


def test_samples_of_one_thing_are_pooled_by_the_larger_of_two_errors():
    dried = baking.finished_moisture(SAMPLES, drying_error_pct=0.5)
    pooled = baking.pooled_moisture(dried).set_index("of")
    assert pooled.loc["REF", "finished_moisture_pct"] == pytest.approx(21)
    assert pooled.loc["REF", "finished_moisture_error_pct"] == pytest.approx(
        np.sqrt(2) / np.sqrt(2)
    )
    one = dried.iloc[2]
    assert pooled.loc["L1", "finished_moisture_error_pct"] == one["finished_moisture_error_pct"]
    alike = baking.finished_moisture(SAMPLES.assign(dry_g=[40.0, 40.0, 17.4]))
    error = baking.pooled_moisture(alike)["finished_moisture_error_pct"].iloc[0]
    assert error == pytest.approx(alike["finished_moisture_error_pct"].iloc[0] / np.sqrt(2))


@pytest.mark.parametrize(("wet", "dry"), [(50, 51), (50, 0), (0, 0), (50, np.nan)])
def test_impossible_samples_are_placed(wet, dry):
    with pytest.raises(StudyProblems, match="sample s1, column 'dry_g': found wet"):
        baking.finished_moisture(SAMPLES.assign(wet_g=[wet, 50, 20], dry_g=[dry, 39, 17]))
