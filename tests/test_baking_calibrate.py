"""Calibration and match: what weighings may claim, in kitchens whose truth is known."""

import numpy as np
import pandas as pd
import pytest

from doughkit.baking import (
    calibrate,
    estimate_loss,
    match_hydration,
    match_weighed,
    oven_bakes,
    published_bakes,
    simulate,
)
from doughkit.baking.closed_form import BIAS_PCT
from doughkit.baking.ensemble import draw_members, independent
from doughkit.baking.inputs import read_bakes
from doughkit.baking.learning import Evidence, width_after
from doughkit.baking.match import TRIED, solve_added
from doughkit.baking.misfit import PER_DOUBLING, PUFFED_PER_DOUBLING, Misfit
from doughkit.baking.scatter import learnt_scatter
from doughkit.tables.problems import OutsideRange, StudyProblems
from tests import results
from tests.bake_kitchens import LONGER, WORLDS, Kitchens
from tests.bakes import SUPPORTS, bakes

OVENS = pd.DataFrame(
    {"oven": ["home"], "air_c": [250.0], "support": ["steel"], "support_c": [270.0]}
)
DOUGH = pd.DataFrame(
    {"dough": ["A"], "water_pct": [76.0], "dry_pct": [88.0], "hydration_pct": [62.0]}
)
DRIED = pd.DataFrame({"finished_moisture_pct": [36.0], "finished_moisture_error_pct": [0.5]})
HEARTH = bakes(
    oven="hearth", support="brick", support_mm=60.0, air_c=450.0, support_c=430.0, bake_min=1.4
)


def weighed(*losses: float, minutes=6.0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "piece": [f"p{place}" for place in range(len(losses))],
            "dough": "A",
            "oven": "home",
            "bake_min": minutes,
            "mass_before_g": 250.0,
            "mass_after_g": [250 * (1 - loss / 100) for loss in losses],
            "diameter_mm": 290.0,
            "thickness_mm": 8.0,
            "scale_step_g": 0.1,
        }
    )


@pytest.fixture(scope="module")
def home():
    return calibrate(weighed(18.0, 18.8, 18.4), OVENS, DOUGH, seed=1, members=200)


@pytest.fixture(scope="module")
def own():
    return oven_bakes(weighed(18.0), OVENS, DOUGH)


@pytest.fixture(scope="module")
def by_drying(home, own):
    return match_hydration(own, DRIED, home, hold="flour per area", seed=1)


@pytest.fixture(scope="module")
def by_simulation(home, own):
    return match_hydration(own, HEARTH, home, hold="flour per area", seed=1)


# --- the mathematics of bending ------------------------------------------------------------------


def test_a_plain_sum_of_unknowns_is_bent_as_theory_has_it():
    rng = np.random.default_rng(1)
    scores = independent(rng, 4000, 2)
    seen = scores @ np.array([[2.0], [1.0]])
    noise = independent(rng, 4000, 1, beside=scores)
    bent = Evidence(seen, np.array([3.0]), np.array([[0.5]]), np.zeros(4000, int), noise).bend(
        scores
    )
    gain = np.array([2.0, 1.0]) / (5 + 0.25)
    np.testing.assert_allclose(bent.mean(axis=0), 3 * gain, atol=1e-9)
    left = np.eye(2) - np.outer(gain, [2.0, 1.0])
    np.testing.assert_allclose(np.cov(bent.T), left, atol=1e-9)


def test_a_step_that_says_it_shrinks_the_doubt_shrinks_it_as_much():
    rng = np.random.default_rng(2)
    draws = independent(rng, 3000, 2)
    target, candidate = draws[:, 0] + draws[:, 1], draws[:, 0]
    assert width_after(target, candidate, 0.0) == pytest.approx(np.sqrt(0.5))
    assert width_after(target, candidate, 1e6) == pytest.approx(1)


def test_members_have_no_chance_correlations():
    matrix = draw_members(["a", "b"], 200, np.random.default_rng(3)).matrix()
    np.testing.assert_allclose(np.corrcoef(matrix.T), np.eye(matrix.shape[1]), atol=1e-9)


def test_a_spread_from_bake_to_bake_is_learnt_from_repeats_and_else_held_in_doubt():
    rng = np.random.default_rng(4)
    weighing = np.array([0.1, 0.1, 0.1])
    unknown = learnt_scatter((0.0, 0), weighing, 0.5, 200, rng)
    assert unknown.typical == pytest.approx(0.5, rel=0.05)
    assert unknown.levels[-1] > 3 * unknown.typical > 9 * unknown.levels[0]
    told = learnt_scatter((30 * 1.2**2, 30), weighing, 0.5, 200, rng)
    assert told.typical == pytest.approx(1.2, rel=0.1)
    assert told.levels[-1] < 1.6 * told.levels[0]
    assert np.bincount(told.level).tolist() == [20] * 10


def test_what_no_slab_knows_grows_with_the_distance_from_what_was_weighed():
    weighed, asked = (read_bakes(bakes(4, bake_min=minutes)) for minutes in (6.0, [6, 9, 12, 3.0]))
    misfit = Misfit(weighed, ["home"] * 4, np.array([-1.0, 1.0]))
    share = misfit.share(asked, ["home"] * 4)
    np.testing.assert_allclose(share, PER_DOUBLING * np.array([0, np.log2(1.5), 1, 1]))
    assert (misfit.share(asked, ["elsewhere"] * 4) == 0).all()
    lost = misfit.astray(np.full((2, 4), 20.0), asked, ["home"] * 4)
    np.testing.assert_allclose(lost[:, 2], 20 * (1 + PER_DOUBLING * misfit.chance))
    puffed = read_bakes(bakes(1, bake_min=12.0, puffed="yes"), warn=False)
    assert misfit.share(puffed, ["home"])[0] == pytest.approx(PUFFED_PER_DOUBLING)


# --- calibration ----------------------------------------------------------------------------------


def test_weighings_pull_the_forecast_to_themselves(home, own):
    forecast = home.predict(own)
    assert forecast["loss_pct"].iloc[0] == pytest.approx(18.4, abs=0.35)
    assert 0.4 < (forecast["ci_high"] - forecast["ci_low"]).iloc[0] < 2
    assert forecast["next_high"].iloc[0] > forecast["ci_high"].iloc[0]
    assert forecast["scope"].iloc[0] == "bakes like these"
    assert "3 weighings" in home.summary()


def test_the_doubt_grows_away_from_what_was_weighed(home, own):
    rows = pd.concat([own, own.assign(bake_min=9.0), own.assign(support="rack", oven="other")])
    width = home.predict(rows).eval("ci_high - ci_low").to_numpy()
    assert width[0] < width[1] < width[2]


def test_the_same_seed_gives_the_same_kitchen(home):
    again = calibrate(weighed(18.0, 18.8, 18.4), OVENS, DOUGH, seed=1, members=200)
    pd.testing.assert_frame_equal(home.parameters, again.parameters)


def test_nothing_weighed_leaves_the_starting_guess(own):
    guess = calibrate(weighed().astype({"mass_after_g": float}), OVENS, DOUGH, seed=1, members=200)
    assert "rests on our starting guess" in guess.summary()
    forecast = guess.predict(own)
    assert forecast.eval("ci_high - ci_low").iloc[0] > 8


def test_an_unweighed_piece_keeps_its_row_and_says_so():
    pieces = weighed(18.0, 18.5, 17.9)
    pieces.loc[1, "mass_after_g"] = np.nan
    told = calibrate(pieces, OVENS, DOUGH, seed=1, members=150).weighings
    assert told["piece"].tolist() == ["p0", "p1", "p2"]
    assert told["loss_pct"].isna().tolist() == [False, True, False]
    assert "not weighed after" in told["remark"].iloc[1]


def test_scattered_repeats_widen_the_forecast(own):
    calm, wild = (
        calibrate(weighed(*losses), OVENS, DOUGH, seed=1, members=120)
        for losses in ((18.3, 18.4, 18.5), (16.0, 18.4, 20.8))
    )
    width = [one.predict(own).eval("ci_high - ci_low").iloc[0] for one in (calm, wild)]
    assert width[1] > 1.5 * width[0]


def test_weighings_no_guess_foresaw_are_called_strange():
    strange = calibrate(weighed(4.0, 4.2, 3.9), OVENS, DOUGH, seed=1, members=200)
    assert strange.learnt.wider > 1
    assert "trust forecasts near the bakes weighed" in strange.summary()


def test_too_few_members_are_refused():
    with pytest.raises(StudyProblems, match="100 or more"):
        calibrate(weighed(18.0), OVENS, DOUGH, seed=1, members=10)


@pytest.mark.parametrize(
    ("reference", "options", "words"),
    [
        (DRIED.assign(finished_moisture_pct=120.0), {}, "found 120.*from 0 to below 100"),
        (DRIED.assign(finished_moisture_error_pct=-1.0), {}, "found -1"),
        (HEARTH.assign(loss_pct=60.0, loss_error_pct=1.0), {}, "at most the dough's water"),
        (DRIED, {"bake_min": [-1, 0]}, "found -1, 0; expected bake times above 0"),
    ],
)
def test_what_cannot_be_matched_is_refused(home, own, reference, options, words):
    with pytest.raises(StudyProblems, match=words):
        match_hydration(own, reference, home, hold="flour per area", seed=1, **options)


def test_a_reference_far_wetter_than_anything_simulated_warns(home, own):
    wet = DRIED.assign(finished_moisture_pct=60.0)
    with pytest.warns(OutsideRange, match="follows a straight line"):
        match_hydration(own, wet, home, hold="flour per area", seed=1, bake_min=6.0)


def test_a_level_that_is_no_share_and_a_bake_nobody_published_are_refused(home, own):
    with pytest.raises(StudyProblems, match="level 90; expected 0 to 1"):
        home.predict(own, level=90)
    with pytest.raises(StudyProblems, match="leave `only` empty"):
        published_bakes(seed=1, only="xyz")


# --- match ----------------------------------------------------------------------------------------


def test_the_more_is_known_of_the_reference_the_narrower_the_answer(
    home, own, by_simulation, by_drying
):
    lost = HEARTH.assign(loss_pct=10.0, loss_error_pct=1.0)
    by_loss = match_hydration(own, lost, home, hold="flour per area", seed=1)
    found = [by_simulation, by_loss, by_drying]
    width = [one.hydration.eval("ci_high - ci_low").iloc[1] for one in found]
    assert width[0] > 2 * width[1]
    assert width[2] < 7
    helps = by_simulation.helps.iloc[0]
    assert helps["step"] == "dry 50 g of the reference"
    assert helps["width_after"] == pytest.approx(width[2], abs=2)
    assert "same water is not the same crispness" in by_simulation.summary()


def test_match_agrees_with_the_bookkeeping_when_both_ends_are_known(home, own, by_drying):
    weighed_own = own.assign(loss_pct=18.4, loss_error_pct=0.3)
    by_mass = match_hydration(own, DRIED, home, hold="dough mass per piece", seed=1)
    for match in (by_drying, by_mass):
        found = match.hydration.iloc[1]
        bracket = match_weighed(weighed_own, DRIED, hold=found["hold"]).bracket["hydration_pct"]
        assert bracket.min() - 1.5 < found["hydration_pct"] < bracket.max() + 1.5


def test_a_longer_bake_asks_for_a_wetter_dough(by_drying):
    curve = by_drying.curve
    assert curve["hydration_pct"].is_monotonic_increasing
    assert (curve["low"] < curve["half_low"]).all()
    assert (curve["half_high"] < curve["high"]).all()


def test_shares_of_the_doubt_add_up(by_simulation):
    shares = by_simulation.shares
    assert shares["share_pct"].sum() == pytest.approx(100)
    assert shares.set_index("doubt_from").loc["the reference", "share_pct"] > 70


def test_the_convention_is_asked_for_and_too_little_known_is_refused(home, own):
    with pytest.raises(StudyProblems, match="what is the same on your peel"):
        match_hydration(own, DRIED, home, hold="flour", seed=1)
    with pytest.raises(StudyProblems, match="dry 50 g of it"):
        match_hydration(own, HEARTH[["oven"]], home, hold="flour per area", seed=1)


def test_water_wanted_is_found_between_and_beyond_the_hydrations_tried():
    left = np.tile(50 + 0.9 * TRIED, (3, 1, 1))
    added = solve_added(left, np.array([50.0, 30.0, 95.0]))[:, 0]
    np.testing.assert_allclose(added, [0, -20 / 0.9, 50])


def test_the_envelope_stays_within_its_stated_bias():
    frame = bakes(6, support=list(SUPPORTS), support_mm=np.nan, bake_min=[4, 4, 8, 4, 2, 9.0])
    off = estimate_loss(frame)["loss_pct"] - simulate(frame)["loss_pct"]
    for support, one in zip(SUPPORTS, off, strict=True):
        bias, spread = BIAS_PCT[support]
        assert abs(one - bias) < 3 * spread + 1, support


# --- full counts ----------------------------------------------------------------------------------


def forecasts(kitchens: Kitchens, place: int) -> dict:
    """Truth and 90 % intervals of one kitchen after three weighings of its usual bake."""
    own = kitchens.own.iloc[[place]].assign(dough="A")
    dough = ["dough", "water_pct", "dry_pct", "hydration_pct"]
    oven = ["oven", "air_c", "support", "support_c"]
    pieces = kitchens.weighed(place, 3).drop(columns=[*oven[1:], *dough[1:]])
    home = calibrate(pieces, own[oven], own[dough], seed=place, members=200)
    both = pd.concat([own, own.assign(bake_min=own["bake_min"] * LONGER)], ignore_index=True)
    forecast = home.predict(both)
    moisture = 100 * kitchens.moisture[place] + 0.5 * kitchens.draw.standard_normal()
    match = match_hydration(
        own,
        DRIED.assign(finished_moisture_pct=moisture),
        home,
        hold="flour per area",
        seed=place,
        bake_min=own["bake_min"],
    ).hydration.iloc[1]
    out = {}
    truths = kitchens.loss[place], kitchens.longer_loss[place]
    for name, truth, row in zip(("loss", "longer"), truths, forecast.itertuples(), strict=True):
        out[name] = row.ci_low <= truth <= row.ci_high
        out[f"{name}_off"] = abs(row.loss_pct - truth)
    needed = kitchens.needed.iloc[place]
    out["hydration"] = match["ci_low"] <= needed <= match["ci_high"]
    out["hydration_off"] = abs(match["hydration_pct"] - needed)
    return out


KITCHENS, JUDGES = 300, 2711
"""How many kitchens of each world judge, and their seed: no choice was made on them."""


def write_coverage(world: str, found: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    inside = found[["loss", "longer", "hydration"]].mean()
    off = found[["loss_off", "longer_off", "hydration_off"]].median()
    results.write(
        f"bake_coverage_{world.replace(' ', '_')}",
        f"90 % intervals after three weighings in {len(found)} kitchens; world: {world}",
        [
            f"covered: loss {inside['loss']:.3f}, loss at 1.5 times the time "
            f"{inside['longer']:.3f}, matched hydration {inside['hydration']:.3f}",
            f"median error: loss {off['loss_off']:.2f} points, at 1.5 times the time "
            f"{off['longer_off']:.2f}, hydration {off['hydration_off']:.2f}",
        ],
    )
    return inside, off


@pytest.mark.long
@pytest.mark.filterwarnings("ignore::doughkit.tables.problems.OutsideRange")
@pytest.mark.parametrize("world", WORLDS)
def test_intervals_hold_what_they_claim(world):
    kitchens = Kitchens(KITCHENS, JUDGES, world)
    found = pd.DataFrame([forecasts(kitchens, place) for place in range(KITCHENS)])
    inside, off = write_coverage(world, found)
    if world == WORLDS[0]:
        assert inside[["loss", "hydration"]].between(0.85, 0.95).all(), inside
        assert off["loss_off"] <= 0.5
        assert off["longer_off"] <= 1.2
    else:
        assert (inside >= 0.80).all(), inside


@pytest.mark.long
def test_published_series_are_forecast_from_their_others():
    published = published_bakes(seed=1)
    series = published.bakes[published.bakes["inside_series"].notna()]
    share = series.groupby("series")["inside_series"].agg(lambda one: (one == "yes").mean())
    results.write(
        "bake_published",
        "Published bakes beside the untuned forecast, and series from their other members",
        [
            published.summary(),
            "",
            "Each bake forecast from the others of its series:",
            *(f"{name}: {one:.2f} inside" for name, one in share.items()),
            "The baladi breads puff into two layers, which a slab cannot: outside its range. They",
            "are marked `puffed`, and away from what was weighed a puffed bread's loss may stray",
            "by 25 % per doubling, not by 6. That width is judgement, a half of what is possible",
            "at all; it was chosen once, after this series had been missed in one of four.",
        ],
    )
    assert share.eq(1).all()
