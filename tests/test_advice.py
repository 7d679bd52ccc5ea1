"""Advice: what is recommended keeps every bound, says how sure it is, and plans what is lacking."""

from functools import cache
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import advice
from doughkit.tables.problems import StudyProblems
from doughkit.trials.limits import within_limits
from tests.studies import long_ratings, make_demo

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "bake_min"],
        "low": [54.0, 1.6, 5.0],
        "high": [70.0, 2.6, 8.0],
        "step": [1.0, 0.1, 0.5],
        "changed_per": ["dough", "dough", "piece"],
    }
)


def firmness(levels):
    h, s = (levels["hydration_pct"] - 60) / 8, (levels["salt_pct"] - 2.2) / 0.5
    t = (levels["bake_min"] - 7) / 1.5
    return 10 - 2 * h**2 - s**2 - t**2 + 0.5 * h * t


def measured_study(seed=None, times=(5.0, 6.5, 8.0), faces=True, error=0.15, **target):
    """A study with one measured property and no panel."""
    points = [*product((-1, 1), repeat=2), (0, 0), (0, 0)]
    points += [(-1, 0), (1, 0), (0, -1), (0, 1)] if faces else []
    doughs = pd.DataFrame(
        {
            "dough": [f"D1{number:02d}" for number in range(len(points))],
            "kind": "test",
            "round": 1.0,
            "formula": "plain",
            "status": "baked",
            "hydration_pct": [62 + 8.0 * h for h, _ in points],
            "salt_pct": [2.1 + 0.5 * s for _, s in points],
        }
    )
    pieces = doughs[["dough"]].merge(pd.DataFrame({"bake_min": times}), how="cross")
    pieces.insert(0, "piece", [f"P{number}" for number in range(len(pieces))])
    value = firmness(pieces.merge(doughs, on="dough"))
    if seed is not None:
        rng = np.random.default_rng(seed)
        number = pd.factorize(pieces["dough"])[0]
        value = value + error * rng.normal(size=number.max() + 1)[number]
        value = value + error * rng.normal(size=len(pieces))
    targets = pd.DataFrame([{"attribute": "firmness_g", **(target or {"aim": 10.0})}])
    return {
        "factors": FACTORS,
        "doughs": doughs,
        "pieces": pieces.assign(firmness_g=value),
        "targets": targets,
    }


@cache
def _demo():
    tables, _ = make_demo.make_study(3)
    return tables | {"ratings": long_ratings(tables)}


def demo_study():
    return dict(_demo())


@cache
def demo_advice():
    return advice.recommend(demo_study(), seed=1)


def levels(found):
    return found.levels.set_index("factor")["recommended"]


# --- what is recommended -----------------------------------------------------------------------


def test_without_error_the_best_level_that_can_be_set_is_found():
    found = advice.recommend(measured_study(seed=1, error=1e-4), seed=1)
    assert levels(found).to_dict() == {"hydration_pct": 60, "salt_pct": 2.2, "bake_min": 7.0}
    assert found.expected.loc[0, "mean"] == pytest.approx(10, abs=0.01)


@given(st.integers(0, 1000))
@settings(max_examples=3, deadline=None)
def test_levels_keep_bounds_steps_and_limits_and_stay_off_failed_doughs(seed):
    tables = measured_study(seed, error=0.5)
    limits = pd.DataFrame(
        {
            "limit": ["workable"] * 2,
            "factor": ["hydration_pct", "salt_pct"],
            "weight": [1.0, -10.0],
            "low": [np.nan] * 2,
            "high": [36.0, np.nan],
        }
    )
    failed = tables["doughs"]["dough"].eq("D106")
    tables["doughs"] = tables["doughs"].assign(
        status=np.where(failed, "failed", "baked"), hydration_pct=lambda t: t["hydration_pct"]
    )
    tables["pieces"] = tables["pieces"][tables["pieces"]["dough"] != "D106"]
    found = advice.recommend(tables | {"limits": limits}, seed=seed)
    at = found.levels.set_index("factor")
    for factor in FACTORS.itertuples():
        level = at.loc[factor.factor, "recommended"]
        assert factor.low <= level <= factor.high
        assert (level - factor.low) / factor.step == pytest.approx(
            round((level - factor.low) / factor.step), abs=1e-6
        )
        assert at.loc[factor.factor, "ci_low"] <= at.loc[factor.factor, "ci_high"]
    assert within_limits(levels(found).to_frame().T.astype(float), limits).all()
    away = [
        abs(levels(found)["hydration_pct"] - 54) / 8,
        abs(levels(found)["salt_pct"] - 2.1) / 0.5,
    ]
    assert max(away) >= 0.5 - 1e-9


def test_a_range_is_as_good_anywhere_inside_it():
    tables = measured_study(seed=2, error=0.02, low=5.0, high=6.0)
    found = advice.recommend(tables, seed=1)
    assert 5 <= found.expected.loc[0, "mean"] <= 6
    assert found.goal.loc[0, "recommended"] == pytest.approx(0, abs=0.02)


def test_the_scale_of_the_weights_says_nothing():
    tables = demo_study()
    heavier = tables["targets"].assign(weight=tables["targets"]["weight"] * 7)
    one = demo_advice()
    two = advice.recommend(tables | {"targets": heavier}, seed=1)
    pd.testing.assert_frame_equal(one.levels, two.levels)
    assert one.goal.loc[0, "recommended"] == pytest.approx(two.goal.loc[0, "recommended"])


def test_advice_repeats_with_its_seed_and_changes_no_table():
    tables = demo_study()
    before = {name: frame.copy() for name, frame in tables.items()}
    one, two = demo_advice(), advice.recommend(tables, seed=1)
    pd.testing.assert_frame_equal(one.levels, two.levels)
    pd.testing.assert_frame_equal(one.next_round.doughs, two.next_round.doughs)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(frame, tables[name])


def test_expected_names_the_wanted_and_stays_on_the_scale():
    tables = demo_study()
    expected = demo_advice().expected.set_index("attribute")
    targets = tables["targets"].set_index("attribute")
    rated = expected.drop(index="droop_mm")
    ends = rated[["ci_low", "ci_high", "next_low", "next_high"]]
    assert ends.min().min() >= 1
    assert ends.max().max() <= 9
    assert (rated["next_high"] - rated["next_low"] > rated["ci_high"] - rated["ci_low"]).all()
    assert expected.loc["flavour", "low"] == targets.loc["flavour", "low"]
    crisp = expected.loc["crispness"]
    assert crisp["low"] == pytest.approx(crisp["reference"] - 0.5)
    assert crisp["difference"] == pytest.approx(crisp["mean"] - crisp["reference"])
    assert crisp["difference_high"] - crisp["difference_low"] > crisp["ci_high"] - crisp["ci_low"]
    assert (expected["scope"] == "this_panel").all()


# --- the reference -----------------------------------------------------------------------------


def test_a_panel_that_scores_all_a_point_higher_gets_the_same_levels():
    tables = demo_study()
    like = tables["targets"][tables["targets"]["like"].eq("reference")]
    scale = tables["attributes"]
    wide = scale.assign(low=scale["low"] - 100, high=scale["high"] + 100)
    tables |= {"targets": like, "attributes": wide}
    higher = tables["ratings"].assign(score=tables["ratings"]["score"] + 1)
    one = advice.recommend(tables, seed=1)
    two = advice.recommend(tables | {"ratings": higher}, seed=1)
    pd.testing.assert_frame_equal(one.levels, two.levels)
    np.testing.assert_allclose(one.expected["difference"], two.expected["difference"], atol=1e-9)


def test_the_reference_takes_its_share_of_what_is_unsure_and_none_where_it_is_not_wanted():
    tables = demo_study()
    assert 0.05 < demo_advice().goal.loc[0, "reference_share"] < 0.95
    absolute = tables["targets"].assign(like=np.nan, low=5.0, aim=6.0, high=7.0)
    found = advice.recommend(tables | {"targets": absolute}, seed=1)
    assert found.goal.loc[0, "reference_share"] == 0
    assert found.expected["reference"].isna().all()


def test_a_measured_property_may_be_wanted_like_the_reference():
    tables = demo_study()
    only = pd.DataFrame({"attribute": ["droop_mm"], "like": ["reference"]})
    expected = advice.recommend(tables | {"targets": only}, seed=1).expected.iloc[0]
    pieces = tables["pieces"]
    own = pieces.loc[pieces["dough"].eq("REF"), "droop_mm"]
    assert expected["reference"] == pytest.approx(own.mean())
    assert expected["reference_se"] == pytest.approx(own.std() / np.sqrt(len(own)))
    assert expected["aim"] == pytest.approx(own.mean())


def test_a_tasting_without_the_reference_is_named():
    tables = demo_study()
    gone = tables["servings"]["piece"].eq("REF-2")
    served = tables["servings"][~gone]
    rated = tables["ratings"][tables["ratings"]["serving"].isin(served["serving"])]
    found = advice.recommend(tables | {"servings": served, "ratings": rated}, seed=1)
    assert "The reference was not tasted in T2." in found.summary()


# --- what it says ------------------------------------------------------------------------------


def test_the_summary_gives_levels_promise_and_doubt():
    said = advice.recommend(measured_study(seed=4, error=0.6), seed=1).summary()
    assert said.startswith("Choose hydration ")
    assert "Nine in ten have their best within" in said


def test_what_was_never_tried_near_it_is_said():
    tables = measured_study(seed=5, faces=False, times=(5.0, 6.5, 8.0))
    tables["doughs"] = tables["doughs"].assign(
        hydration_pct=[54.0, 54, 70, 70, 70, 70], salt_pct=[1.6, 2.6, 1.6, 2.6, 2.1, 2.1]
    )
    value = firmness(tables["pieces"].merge(tables["doughs"], on="dough"))
    tables["pieces"] = tables["pieces"].assign(firmness_g=value)
    tables["targets"] = pd.DataFrame({"attribute": ["firmness_g"], "aim": [8.0]})
    found = advice.recommend(tables, seed=1)
    if 58 < levels(found)["hydration_pct"] < 66:
        assert "No dough was ever baked near it" in found.summary()


def test_a_level_at_the_edge_and_a_surface_that_misses_are_said():
    tables = measured_study(seed=6, error=0.05)
    tables["pieces"]["firmness_g"] = tables["pieces"]["bake_min"] + np.linspace(0, 0.1, 30)
    tables["targets"] = pd.DataFrame({"attribute": ["firmness_g"], "low": [9.0]})
    assert (
        "Bake time stands at the edge of what was baked."
        in advice.recommend(tables, seed=1).summary()
    )
    tables = measured_study(seed=7, error=0.01)
    at = tables["pieces"].merge(tables["doughs"], on="dough")
    spiky = 5.0 * ((at["hydration_pct"] == 54) & (at["salt_pct"] == 2.1))
    tables["pieces"]["firmness_g"] += spiky
    assert "The surface misses firmness" in advice.recommend(tables, seed=1).summary()


def test_a_factor_that_never_moved_keeps_its_level():
    tables = measured_study(seed=8)
    tables["doughs"] = tables["doughs"].assign(salt_pct=2.1)
    found = advice.recommend(tables, seed=1)
    row = found.levels.set_index("factor").loc["salt_pct"]
    assert (row["recommended"], row["ci_low"], row["ci_high"]) == (2.1, 2.1, 2.1)
    assert "Not seen by these doughs: salt" in found.summary()


def test_a_category_gets_one_of_the_levels_that_were_baked():
    tables = measured_study(seed=9)
    flour = pd.DataFrame([{"factor": "flour", "changed_per": "dough", "levels": "rye|spelt|wheat"}])
    tables["factors"] = pd.concat([FACTORS, flour], ignore_index=True)
    tables["doughs"]["flour"] = ["rye", "wheat"] * 5
    at = tables["pieces"].merge(tables["doughs"], on="dough")
    tables["pieces"]["firmness_g"] += 1.5 * at["flour"].eq("wheat")
    tables["targets"] = pd.DataFrame({"attribute": ["firmness_g"], "aim": [12.0]})
    assert levels(advice.recommend(tables, seed=1))["flour"] == "wheat"


# --- the next round ----------------------------------------------------------------------------


def test_the_recommendation_is_mixed_twice_afresh_under_new_names():
    tables = measured_study(seed=1)
    doughs, pieces = advice.recommend(tables, seed=1).next_round
    assert doughs["role"].tolist() == ["recommended"] * 2
    assert doughs["round"].eq(2).all()
    assert not set(doughs["dough"]) & set(tables["doughs"]["dough"])
    assert (doughs["hydration_pct"].nunique(), doughs["formula"].unique().tolist()) == (
        1,
        ["plain"],
    )
    assert pieces.groupby("dough").size().eq(2).all()
    assert pieces["piece"].is_unique
    assert "nothing else is lacking" in advice.next_round(tables, seed=1).summary()


def test_missing_axial_doughs_are_added_before_anything_else():
    planned = advice.next_round(measured_study(seed=2, faces=False), seed=1)
    assert planned.doughs["role"].value_counts().to_dict() == {
        "axial": 4,
        "centre": 2,
        "recommended": 2,
    }
    assert "can't show the bend of hydration, salt" in planned.summary()
    short = advice.next_round(measured_study(seed=2, faces=False), doughs_to_add=5, seed=1)
    assert short.doughs["role"].value_counts().to_dict() == {"axial": 3, "recommended": 2}
    assert "3 doughs that are lacking found no room" in short.summary()


def test_a_bake_time_whose_bend_was_not_seen_gets_a_middle_piece():
    planned = advice.next_round(measured_study(seed=3, times=(5.0, 8.0)), seed=1)
    times = planned.pieces.groupby("dough")["bake_min"].agg(list)
    assert all(6.5 in each for each in times)
    assert "a piece at the middle of bake time" in planned.summary()


def test_more_doughs_go_to_further_best_guesses():
    tables = demo_study()
    planned = advice.next_round(tables, doughs_to_add=6, pieces_per_dough=1, seed=2)
    assert len(planned.doughs) == 6
    assert len(planned.pieces) == 6
    names = ["hydration_pct", "salt_pct", "whole_grain_pct"]
    assert len(planned.doughs[names].drop_duplicates()) > 2
    assert "Further best guesses" in planned.summary()
    one = advice.next_round(tables, doughs_to_add=1, seed=2)
    assert one.doughs["role"].tolist() == ["recommended"]


def test_a_round_of_nothing_is_refused():
    with pytest.raises(StudyProblems, match="column 'doughs_to_add': found 0"):
        advice.next_round(measured_study(seed=1), doughs_to_add=0, seed=1)


# --- refusals ----------------------------------------------------------------------------------


def test_a_study_without_targets_factors_or_ratings_is_told_what_it_lacks():
    tables = demo_study()
    bare = {name: tables[name] for name in ("doughs", "pieces", "attributes")}
    with pytest.raises(StudyProblems, match="nothing can be recommended") as caught:
        advice.recommend(bare, seed=1)
    assert [problem.table for problem in caught.value.problems] == ["targets", "factors"]
    silent = {name: tables[name] for name in tables if name != "ratings"}
    with pytest.raises(StudyProblems, match=r"ratings: found no rows.*is rated"):
        advice.recommend(silent, seed=1)


def test_targets_that_say_nothing_or_contradict_themselves_are_refused_together():
    tables = measured_study(seed=1)
    tables["pieces"]["colour_c"] = 1.0
    targets = pd.DataFrame({"attribute": ["firmness_g", "colour_c"], "low": [3.0, np.nan],
                            "high": [2.0, np.nan]})  # fmt: skip
    with pytest.raises(StudyProblems) as caught:
        advice.recommend(tables | {"targets": targets}, seed=1)
    assert "low 3 above high 2" in str(caught.value)
    assert "neither low, aim nor high" in str(caught.value)
    nothing = pd.DataFrame({"attribute": ["firmness_g"], "aim": [3.0], "weight": [0.0]})
    with pytest.raises(StudyProblems, match="a weight above 0"):
        advice.recommend(tables | {"targets": nothing}, seed=1)


def test_a_target_that_nobody_rates_or_measures_is_named_with_the_nearest():
    tables = measured_study(seed=1)
    wrong = pd.DataFrame({"attribute": ["firmnes_g"], "aim": [3.0]})
    with pytest.raises(StudyProblems, match="did you mean 'firmness_g'"):
        advice.recommend(tables | {"targets": wrong}, seed=1)


def test_a_target_that_was_listed_but_never_rated_is_named():
    tables = demo_study()
    listed = tables["attributes"].iloc[[0]].assign(attribute="crumb")
    wrong = pd.DataFrame({"attribute": ["crispness", "crumb"], "aim": [6.0, 3.0]})
    tables |= {"attributes": pd.concat([tables["attributes"], listed]), "targets": wrong}
    with pytest.raises(StudyProblems, match="attribute crumb: found no value of any test dough"):
        advice.recommend(tables, seed=1)


def test_like_a_reference_that_is_not_there_is_refused():
    tables = measured_study(seed=1)
    like = pd.DataFrame({"attribute": ["firmness_g"], "like": ["reference"]})
    with pytest.raises(StudyProblems, match="no value of a reference piece"):
        advice.recommend(tables | {"targets": like}, seed=1)


def test_too_few_doughs_are_refused():
    tables = measured_study(seed=1, faces=False)
    few = tables["doughs"].iloc[:3]
    tables |= {
        "doughs": few,
        "pieces": tables["pieces"][tables["pieces"]["dough"].isin(few["dough"])],
    }
    with pytest.raises(StudyProblems, match="3 doughs with a level of every factor"):
        advice.recommend(tables, seed=1)


def test_limits_that_leave_nothing_are_refused():
    limits = pd.DataFrame({"limit": ["never"], "factor": ["hydration_pct"], "weight": [1.0],
                           "low": [90.0], "high": [np.nan]})  # fmt: skip
    with pytest.raises(StudyProblems, match="no combination of levels that keeps all limits"):
        advice.recommend(measured_study(seed=1) | {"limits": limits}, seed=1)
