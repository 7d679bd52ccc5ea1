"""Texture with starting assumptions: works on three doughs, and says how much is assumed."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doughkit import fitting, panel, texture
from doughkit.fitting import posterior
from doughkit.study import open_study
from doughkit.tables.problems import OutsideRange, StudyProblems
from tests.studies import long_ratings, make_demo

FACTORS = pd.DataFrame(
    {
        "factor": ["salt_pct", "bake_min"],
        "low": [1.0, 5.0],
        "high": [3.0, 9.0],
        "step": [0.1, 0.5],
        "changed_per": ["dough", "piece"],
    }
)
SCALE = {"crispness": (1.0, 9.0)}


def kitchen(seed=0, doughs=6, noise=0.3):
    rng = np.random.default_rng(seed)
    mixed = pd.DataFrame(
        {
            "dough": [f"D{at}" for at in range(doughs)],
            "kind": "test",
            "round": np.arange(doughs) // 3 + 1.0,
            "salt_pct": np.linspace(1, 3, doughs),
        }
    )
    baked = mixed[["dough"]].merge(pd.DataFrame({"bake_min": [5.0, 9.0]}), how="cross")
    baked.insert(0, "piece", baked["dough"] + baked["bake_min"].astype(int).astype(str))
    salt = baked.merge(mixed, on="dough")["salt_pct"]
    value = 5 + 1.5 * (salt - 2) + 0.4 * (baked["bake_min"] - 7)
    value = value + noise * rng.normal(size=len(value))
    values = pd.DataFrame({"attribute": "crispness", "piece": baked["piece"], "mean": value})
    return values, mixed, baked


def flat():
    frame = fitting.starting_assumptions(times=100).assign(log_sd=0.0)
    return frame.assign(share=frame["share"].mask(frame["assumption"].isin(["day"]), 0.0))


def test_three_doughs_are_enough_and_most_of_a_bend_is_assumed():
    found = texture.fit_assuming(*kitchen(doughs=3), FACTORS, scales=SCALE)
    effects = found.effects.set_index("term")
    assert effects.loc["salt_pct", "low_to_high"] > 1
    assert effects.loc["bake_min", "share_from_assumptions"] < 0.3
    assert effects.loc["bake_min²", "share_from_assumptions"] > 0.6
    assert "6 pieces of 3 doughs" in found.summary()


def test_with_flat_assumptions_the_effects_are_those_of_the_data_alone():
    values, doughs, pieces = kitchen(noise=0.2)
    alone = texture.fit(values, doughs, pieces, FACTORS, terms="linear")
    assumptions = flat()
    small = assumptions["assumption"].isin(["interaction", "bend"])
    assumptions["share"] = assumptions["share"].mask(small, 1e-9)
    assumed = texture.fit_assuming(
        values, doughs, pieces, FACTORS, scales=SCALE, assumptions=assumptions
    )
    both = texture.side_by_side(alone, assumed).set_index("term")
    one = both.loc[["salt_pct", "bake_min"]]
    np.testing.assert_allclose(one["low_to_high"], one["data_low_to_high"], atol=1e-3)
    assert both.loc["salt_pct × bake_min", "data_low_to_high"] != one["low_to_high"].iloc[0]


def test_factors_that_travel_together_stay_as_unsure_as_assumed():
    values, doughs, pieces = kitchen()
    doughs["fat_pct"] = doughs["salt_pct"] * 2
    fat = pd.DataFrame([{"factor": "fat_pct", "low": 2.0, "high": 6.0, "changed_per": "dough"}])
    factors = pd.concat([FACTORS, fat], ignore_index=True)
    with pytest.raises(StudyProblems, match="travel together"):
        texture.fit(values, doughs, pieces, factors)
    found = texture.fit_assuming(values, doughs, pieces, factors, scales=SCALE)
    share = found.effects.set_index("term")["share_from_assumptions"]
    assert share["fat_pct"] > 0.3 > share["bake_min"]


def test_levels_of_a_category_are_treated_alike():
    values, doughs, pieces = kitchen()
    doughs["flour"] = ["rye", "spelt", "wheat"] * 2
    added = dict(zip(doughs["dough"], [2.0, 0, 0] * 2, strict=True))
    values["mean"] += pieces["dough"].map(added).to_numpy()
    kinds = ["rye|spelt|wheat", "wheat|rye|spelt"]
    found = []
    for levels in kinds:
        flour = pd.DataFrame([{"factor": "flour", "changed_per": "dough", "levels": levels}])
        factors = pd.concat([FACTORS, flour], ignore_index=True)
        fit = texture.fit_assuming(values, doughs, pieces, factors, scales=SCALE)
        found.append(fit.effects.set_index("term")["low_to_high"])
    for level in ("flour: rye", "flour: spelt", "flour: wheat"):
        assert found[0][level] == pytest.approx(found[1][level], abs=1e-9)
    assert found[0]["flour: rye"] > 0.5


def test_a_bread_without_levels_tells_the_days_apart():
    values, doughs, pieces = kitchen(doughs=6, noise=0.05)
    day = np.where(doughs["round"] == 1, 0.0, 1.0)
    pieces["bake_day"] = np.repeat(np.where(day > 0, "B", "A"), 2)
    values["mean"] += np.repeat(day, 2)
    alone = texture.fit_assuming(values, doughs, pieces, FACTORS, scales=SCALE)
    more = pd.DataFrame({"dough": ["REF"], "kind": ["reference"]})
    there = pd.DataFrame({"piece": ["R1", "R2"], "dough": "REF", "bake_day": ["A", "B"]})
    own = pd.DataFrame({"attribute": "crispness", "piece": ["R1", "R2"], "mean": [6.0, 7.0]})
    beside = texture.fit_assuming(
        pd.concat([values, own], ignore_index=True),
        pd.concat([doughs, more], ignore_index=True),
        pd.concat([pieces, there], ignore_index=True),
        FACTORS,
        scales=SCALE,
    )
    sd = [one.effects.set_index("term").loc["salt_pct", "sd"] for one in (alone, beside)]
    assert sd[1] < sd[0]
    assert beside.ground.own_levels == ["reference"]


def test_the_panels_own_disagreement_sets_the_error_of_tasting():
    tables, _ = make_demo.make_study(3)
    means = panel.piece_means(long_ratings(tables), tables["servings"], tables["pieces"])
    parts = tables["doughs"], tables["pieces"], tables["factors"]
    calm = texture.fit_assuming(means.means, *parts, scales={}, covariance=means.covariance)
    noisy = {name: 9 * frame for name, frame in means.covariance.items()}
    rough = texture.fit_assuming(means.means, *parts, scales={}, covariance=noisy)
    assert (rough.effects["sd"] > calm.effects["sd"]).mean() > 0.95


def test_prediction_keeps_its_order_and_warns_beyond_what_was_baked():
    found = texture.fit_assuming(*kitchen(), FACTORS, scales=SCALE)
    at = pd.DataFrame({"salt_pct": [2.0, 3.0], "bake_min": [7.0, 9.0]})
    one = found.predict(at)
    assert (one["next_low"] < one["ci_low"]).all() and (one["ci_low"] < one["mean"]).all()
    assert one["salt_pct"].tolist() == [2.0, 3.0]
    drawn = found.draw_values(at, n=4000, seed=1)["crispness"]
    np.testing.assert_allclose(drawn.mean(axis=0), one["mean"], atol=0.03)
    np.testing.assert_allclose(drawn.std(axis=0), one["sd"], rtol=0.1)
    with pytest.warns(OutsideRange, match="asked beyond what was baked: salt_pct"):
        found.predict(at.assign(salt_pct=3.5))


def test_two_fits_of_other_levels_are_not_set_side_by_side():
    values, doughs, pieces = kitchen()
    alone = texture.fit(values, doughs, pieces, FACTORS, terms="linear", level=0.95)
    assumed = texture.fit_assuming(values, doughs, pieces, FACTORS)
    with pytest.raises(StudyProblems, match="the same level"):
        texture.side_by_side(alone, assumed)


def test_what_is_held_possible_before_baking_follows_from_the_assumptions():
    known = fitting.starting_assumptions().assign(log_sd=0.0)
    found = texture.before_baking(FACTORS, scale=(1, 9), assumptions=known, seed=2)
    typical = 2 * 0.12 * 8
    assert np.allclose(found.effects["typical"], stats.norm.ppf(0.75) * typical, rtol=0.08)
    assert np.allclose(found.effects["most"], stats.norm.ppf(0.95) * typical, rtol=0.08)
    assert set(found.curves["factor"]) == set(FACTORS["factor"])
    twice = fitting.starting_assumptions(times=2.0).assign(log_sd=0.0)
    wider = texture.before_baking(FACTORS, scale=(1, 9), assumptions=twice, seed=2)
    assert np.allclose(wider.effects["most"], 2 * found.effects["most"])
    assert "9 times in 10 by less than" in found.summary()


def test_a_category_moves_ratings_too_and_an_upside_down_scale_is_refused():
    flour = pd.DataFrame({"factor": ["flour"], "changed_per": ["dough"], "levels": ["a|b|c"]})
    found = texture.before_baking(flour, scale=(1, 9), seed=2)
    assert found.effects["words"].tolist() == ["flour a to c"]
    assert found.curves.empty
    with pytest.raises(StudyProblems, match="a scale from 9 to 1"):
        texture.before_baking(FACTORS, scale=(9, 1), seed=2)


@pytest.mark.parametrize("many", [False, True])
def test_a_property_alike_in_every_piece_is_expected_so(many, monkeypatch, tmp_path):
    if many:
        monkeypatch.setattr(posterior, "MANY_ROWS", 1)
    # with this study's doughs the spreads fade to nothing
    make_demo.write_study(tmp_path, 2, make_demo.SECOND)
    study = open_study(tmp_path)
    pieces = study["pieces"].assign(droop_mm=6.0)
    found = texture.fit_assuming(
        texture.measured(pieces, "droop_mm"), study["doughs"], pieces, study["factors"]
    )
    middle = study["factors"].set_index("factor")[["low", "high"]].mean(axis=1).to_frame().T
    assert found.predict(middle)["mean"].item() == pytest.approx(6.0, abs=1e-6)
