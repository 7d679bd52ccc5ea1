"""The hydration that leaves the same water: bookkeeping that closes, and its uncertainty."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import baking
from doughkit.tables import StudyProblems

FLOUR, PIECE = "flour per area", "dough mass per piece"
SHARE, GRAMS = "loss as a share", "loss in grams"


def own(hydration=60.0, flour_moisture=13.5, salt=3.0, loss=14.0, error=0.3):
    """One own bake: 100 flour, `salt` dry matter beside it."""
    return pd.DataFrame(
        {
            "hydration_pct": [hydration],
            "dry_pct": 100 - flour_moisture + salt,
            "water_pct": hydration + flour_moisture,
            "loss_pct": loss,
            "loss_error_pct": error,
        }
    )


def dried(moisture=30.0, error=0.5):
    return pd.DataFrame(
        {"finished_moisture_pct": [moisture], "finished_moisture_error_pct": [error]}
    )


def hydration(match, rule):
    return match.bracket.set_index("rule")["hydration_pct"][rule]


cases = st.tuples(
    st.floats(45, 90), st.floats(8, 15), st.floats(0, 12), st.floats(1, 28), st.floats(4, 40)
)


@given(cases)
@settings(max_examples=30)
def test_baking_at_the_hydration_found_leaves_the_water_asked_for(case):
    now, flour_moisture, salt, loss, moisture = case
    bake = own(now, flour_moisture, salt, loss)
    match = baking.match_weighed(bake, dried(moisture), hold=FLOUR)
    dry = bake["dry_pct"].iloc[0]
    for rule in (SHARE, GRAMS):
        water = hydration(match, rule) + flour_moisture
        lost = loss / 100 * (dry + (water if rule == SHARE else now + flour_moisture))
        left = water - lost
        assert 100 * left / (dry + left) == pytest.approx(moisture, abs=1e-9)


@given(cases)
@settings(max_examples=30)
def test_two_equal_ends_ask_for_no_change(case):
    now, flour_moisture, salt, loss, _ = case
    bake = own(now, flour_moisture, salt, loss)
    match = baking.match_weighed(bake, bake, hold=FLOUR)
    assert match.bracket["change_pct"].abs().max() < 1e-9


@given(cases)
@settings(max_examples=30)
def test_a_reference_known_by_its_loss_is_the_same_as_by_its_moisture(case):
    now, flour_moisture, salt, loss, _ = case
    reference = own(now + 3, flour_moisture, salt, loss)
    baked = baking.match_weighed(own(now), reference, hold=FLOUR)
    moisture = dried(baked.finished_moisture_pct, baked.finished_moisture_error_pct)
    again = baking.match_weighed(own(now), moisture, hold=FLOUR)
    pd.testing.assert_frame_equal(baked.bracket, again.bracket)


@given(cases)
@settings(max_examples=30)
def test_a_larger_own_loss_asks_for_more_water_and_the_rules_bracket(case):
    now, flour_moisture, salt, loss, moisture = case
    little, much = (
        baking.match_weighed(own(now, flour_moisture, salt, one), dried(moisture), hold=FLOUR)
        for one in (loss, loss + 1)
    )
    assert (much.bracket["hydration_pct"] > little.bracket["hydration_pct"]).all()
    # a wetter dough loses more grams by the share rule, a drier one fewer: it goes further
    share, grams = little.bracket["change_pct"]
    assert abs(share) >= abs(grams) - 1e-9 and share * grams >= -1e-12


def test_the_two_rules_of_the_worked_example_and_not_the_plain_difference_of_losses():
    match = baking.match_weighed(own(loss=14), own(loss=8), hold=FLOUR)
    assert hydration(match, SHARE) == pytest.approx(71.37, abs=0.005)
    assert hydration(match, GRAMS) == pytest.approx(69.78, abs=0.005)
    assert match.finished_moisture_pct == pytest.approx(40.32, abs=0.005)
    naive = baking.bake_loss(
        pd.DataFrame(
            {"piece": ["a"], "dough": ["A"], "mass_before_g": [100.0], "mass_after_g": [86.0]}
        ),
        pd.DataFrame({"dough": ["A"], "dry_pct": [89.5], "water_pct": [66 + 13.5]}),
        scale_step_g=0.1,
    )
    assert naive["water_left_pct"].iloc[0] == pytest.approx(55.84, abs=0.005)


def test_holding_the_dough_mass_per_piece_makes_the_rules_one():
    match = baking.match_weighed(own(), dried(), hold=PIECE)
    share = baking.match_weighed(own(), dried(), hold=FLOUR)
    assert hydration(match, GRAMS) == hydration(match, SHARE) == hydration(share, SHARE)
    assert set(match.bracket["hold"]) == {PIECE}


@pytest.mark.parametrize("rule", [SHARE, GRAMS])
def test_the_error_is_carried_to_first_order(rule):
    bake, reference = own(error=0.4), dried(error=0.6)
    match = baking.match_weighed(bake, reference, hold=FLOUR)
    draw = np.random.default_rng(2)
    losses = pd.concat([own(loss=loss) for loss in draw.normal(14, 0.4, 150)], ignore_index=True)
    asked = np.concatenate(
        [
            baking.match_weighed(losses, dried(moisture), hold=FLOUR)
            .bracket.set_index("rule")
            .loc[rule, "hydration_pct"]
            for moisture in draw.normal(30, 0.6, 150)
        ]
    )
    stated = match.bracket.set_index("rule").loc[rule]
    assert np.std(asked) == pytest.approx(stated["hydration_error_pct"], rel=0.1)
    inside = (stated["ci_low"] <= asked) & (asked <= stated["ci_high"])
    assert inside.mean() == pytest.approx(0.90, abs=0.04)


def test_the_share_of_the_reference_in_the_uncertainty_adds_up():
    bake, reference = own(error=0.4), dried(error=0.6)
    whole = baking.match_weighed(bake, reference, hold=FLOUR).bracket
    alone = baking.match_weighed(bake.assign(loss_error_pct=0.0), reference, hold=FLOUR).bracket
    share = (alone["hydration_error_pct"] / whole["hydration_error_pct"]) ** 2
    assert whole["share_from_reference_pct"].tolist() == pytest.approx(list(100 * share))
    sure = baking.match_weighed(
        bake.assign(loss_error_pct=0.0), dried(error=0.0), hold=FLOUR
    ).bracket
    assert sure["share_from_reference_pct"].isna().all()
    assert (sure["ci_low"] == sure["ci_high"]).all()


def test_several_own_bakes_give_a_curve_named_by_their_columns():
    bakes = pd.concat([own(loss=12), own(loss=15)], ignore_index=True)
    bakes = bakes.assign(bake_min=[5.0, 8.0], dough="A", spread_pct=1.0)
    match = baking.match_weighed(bakes, dried(), hold=FLOUR)
    assert list(match.bracket)[:4] == ["dough", "bake_min", "hold", "rule"]
    assert match.bracket["bake_min"].tolist() == [5, 5, 8, 8]
    said = match.summary()
    assert "with dough A, bake 5 min" in said and "1 more bakes" in said
    assert "tasting picks the bake" in said


def test_the_pooled_weighings_of_a_study_feed_the_match():
    pieces = pd.DataFrame(
        {
            "piece": list("abcd"),
            "dough": "A",
            "bake_min": [5.0, 5.0, 8.0, 8.0],
            "mass_before_g": 200.0,
            "mass_after_g": [160.0, 161.0, 150.0, 152.0],
        }
    )
    overview = own().drop(columns=["loss_pct", "loss_error_pct"]).assign(dough="A")
    loss = baking.bake_loss(pieces, overview, scale_step_g=1)
    pooled = baking.pooled_loss(loss, pieces).merge(overview, on="dough")
    samples = pd.DataFrame({"sample": ["s"], "of": ["REF"], "wet_g": [50.0], "dry_g": [36.0]})
    reference = baking.pooled_moisture(baking.finished_moisture(samples))
    match = baking.match_weighed(pooled, reference, hold=PIECE)
    assert match.bracket["bake_min"].tolist() == [5, 5, 8, 8]
    assert match.bracket["hydration_pct"].is_monotonic_increasing


@pytest.mark.parametrize(
    ("bake", "reference", "hold", "words"),
    [
        (own(), dried(), "", "found hold ''.*expected 'flour per area' or 'dough mass per piece'"),
        (own(), pd.concat([dried()] * 2), FLOUR, "found 2 rows.*pool its samples first"),
        (own(), dried().join(own()), FLOUR, "give the dried sample, or its formula and loss"),
        (own(), dried()[["finished_moisture_pct"]], FLOUR, "either finished_moisture_pct"),
        (own(loss=np.nan), dried(), FLOUR, "column 'loss_pct': found nan"),
        (own(error=-1), dried(), FLOUR, "column 'loss_error_pct': found -1"),
        (own(loss=50), dried(), FLOUR, "found 50 % lost; expected at most the dough's water"),
        (own(), dried(100), FLOUR, "found 100; expected a number from 0 to below 100"),
        (own().drop(columns="dry_pct"), dried(), FLOUR, "expected a column 'dry_pct'"),
        (own(), own(loss=50), FLOUR, "reference, row 0, column 'loss_pct': found 50 % lost"),
    ],
)
def test_what_cannot_be_matched_is_refused(bake, reference, hold, words):
    with pytest.raises(StudyProblems, match=words):
        baking.match_weighed(bake, reference, hold=hold)


def test_the_convention_must_be_given():
    with pytest.raises(TypeError, match="hold"):
        baking.match_weighed(own(), dried())
