"""Advice: what is recommended keeps every bound, says how sure it is, and plans what is lacking."""

from functools import cache
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import advice
from doughkit.advice.desire import desirability
from doughkit.tables.problems import StudyProblems
from doughkit.trials.limits import within_limits
from tests.studies import FACTORS, long_ratings, make_demo


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
            "mixed_on": [f"day {number // 2}" for number in range(len(points))],
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


def test_almost_without_error_levels_as_good_as_the_best_are_found():
    found = advice.recommend(measured_study(seed=1, error=0.02), seed=1)
    assert firmness(levels(found)) > 9.8
    assert found.expected.loc[0, "mean"] == pytest.approx(10, abs=0.2)
    assert found.expected.loc[0, "data_mean"] == pytest.approx(10, abs=0.1)


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
    assert found.goal.loc[0, "recommended"] < 0.1


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
    tables |= {"targets": like}
    higher = {
        "ratings": tables["ratings"].assign(score=tables["ratings"]["score"] + 1),
        "attributes": scale.assign(low=scale["low"] + 1, high=scale["high"] + 1),
    }
    one = advice.recommend(tables, seed=1)
    two = advice.recommend(tables | higher, seed=1)
    assert one.levels["recommended"].tolist() == two.levels["recommended"].tolist()
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
    assert expected["reference"] == pytest.approx(own.mean(), abs=2 * expected["reference_se"])
    assert expected["aim"] == expected["reference"]
    assert expected["difference_low"] < expected["difference"] < expected["difference_high"]


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
    assert "Nine surfaces in ten have their best within" in said


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
    assert "Salt was never moved." in found.summary()


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


def test_the_recommendation_is_mixed_afresh_beside_promising_doughs_under_new_names():
    tables = measured_study(seed=1)
    found = advice.recommend(tables, seed=1)
    doughs, pieces = found.next_round
    assert sorted(doughs["role"]) == ["promising"] * 3 + ["recommended"]
    assert doughs["round"].eq(2).all()
    assert not set(doughs["dough"]) & set(tables["doughs"]["dough"])
    assert doughs["formula"].eq("plain").all()
    assert pieces.groupby("dough").size().eq(2).all()
    assert pieces["piece"].is_unique
    fresh = doughs[doughs["role"].eq("recommended")].merge(pieces, on="dough").iloc[0]
    for factor, level in levels(found).items():
        assert fresh[factor] == level


def test_a_round_has_as_many_doughs_and_pieces_as_asked_no_way_of_baking_twice():
    tables = demo_study()
    planned = advice.next_round(tables, doughs_to_add=6, pieces_per_dough=3, seed=2)
    assert (len(planned.doughs), len(planned.pieces)) == (6, 18)
    assert not planned.pieces.duplicated(["dough", "bake_min"]).any()
    one = advice.next_round(tables, doughs_to_add=1, pieces_per_dough=1, seed=2)
    assert one.doughs["role"].tolist() == ["recommended"]


def test_without_a_piece_factor_further_pieces_repeat_the_first():
    tables = measured_study(seed=1)
    tables["factors"] = FACTORS.iloc[:2]
    planned = advice.next_round(tables, doughs_to_add=2, pieces_per_dough=3, seed=1)
    assert planned.pieces.columns.tolist() == ["piece", "dough"]
    assert planned.pieces.groupby("dough").size().tolist() == [3, 3]


@pytest.mark.parametrize("seed", [1, 2])
def test_rounds_keep_bounds_steps_limits_and_stay_off_failed_doughs(seed):
    tables = measured_study(seed, error=0.5)
    limits = pd.DataFrame(
        {
            "limit": ["workable"] * 2,
            "factor": ["hydration_pct", "salt_pct"],
            "weight": [1.0, -10.0],
            "low": [np.nan] * 2,
            "high": [42.0, np.nan],
        }
    )
    first = advice.first_round(FACTORS, limits, doughs=5, seed=seed)
    tables["doughs"].loc[9, "status"] = "failed"
    tables["pieces"] = tables["pieces"][tables["pieces"]["dough"] != "D109"]
    tables["limits"] = limits
    planned = advice.next_round(tables, doughs_to_add=5, seed=seed)
    for one in (first, planned):
        assert within_limits(one.doughs, limits).all()
        rows = one.pieces.merge(one.doughs, on="dough")
        for factor in FACTORS.itertuples():
            steps = (rows[factor.factor] - factor.low) / factor.step
            assert np.abs(steps - steps.round()).max() < 1e-6
            assert rows[factor.factor].between(factor.low, factor.high).all()
    failed = tables["doughs"].loc[9]
    away = np.maximum(
        (planned.doughs["hydration_pct"] - failed["hydration_pct"]).abs() / 8,
        (planned.doughs["salt_pct"] - failed["salt_pct"]).abs() / 0.5,
    )
    assert away.min() >= 0.5 - 1e-9


def test_a_round_is_chosen_where_the_surfaces_disagree_about_the_best():
    tables = measured_study(seed=5, error=0.3)
    planned = advice.next_round(tables, doughs_to_add=4, seed=1)
    far = (planned.doughs["hydration_pct"] - 60).abs() / 8
    assert far.mean() < 0.8
    assert len(planned.doughs.drop_duplicates(["hydration_pct", "salt_pct"])) == 4


def test_the_first_round_repeats_with_its_seed_and_shows_bends():
    one, two = (advice.first_round(FACTORS, seed=3) for _ in range(2))
    pd.testing.assert_frame_equal(one.doughs, two.doughs)
    assert one.doughs["hydration_pct"].nunique() >= 3
    assert one.pieces["bake_min"].nunique() >= 2
    assert one.doughs["status"].eq("planned").all()


def test_little_left_to_gain_is_said():
    sure = advice.recommend(measured_study(seed=1, error=0.02), seed=1)
    assert sure.goal.loc[0, "left_to_gain"] < 0.2
    assert "little is left" in sure.next_round.summary()


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


def test_three_doughs_get_advice_that_says_what_it_rests_on():
    tables = measured_study(seed=1, faces=False, times=(5.0, 8.0), error=0.3)
    few = tables["doughs"].iloc[:3]
    tables |= {
        "doughs": few,
        "pieces": tables["pieces"][tables["pieces"]["dough"].isin(few["dough"])],
    }
    found = advice.recommend(tables, seed=1)
    assert found.expected.loc[0, "share_from_assumptions"] > 0
    assert found.levels[["assuming_half", "assuming_double"]].notna().all().all()
    moved = (found.levels["assuming_double"] - found.levels["recommended"]).abs()
    moved = np.maximum(moved, (found.levels["assuming_half"] - found.levels["recommended"]).abs())
    goal = found.goal.iloc[0]
    worse = max(goal["worse_assuming_half"], goal["worse_assuming_double"])
    far = (moved > found.levels["step"] + 1e-9).any()
    first = found.summary()
    assert first.startswith("This rests on our starting guess") == (far and worse > 0.01)
    assert first.startswith("With our starting guess halved") == (far and worse <= 0.01)


def test_the_goal_may_be_desirability():
    tables = measured_study(seed=3, low=6.0, aim=9.0, high=11.0)
    near = advice.recommend(tables, goal="desirability", seed=1)
    assert near.goal.loc[0, "goal_is"] == "desirability"
    assert 0 <= near.goal.loc[0, "recommended"] < 0.3
    assert "short of all" in near.summary() or "best piece so far" in near.summary()
    with pytest.raises(StudyProblems, match="expected distance or desirability"):
        advice.recommend(tables, goal="joy", seed=1)
    with pytest.raises(StudyProblems, match="an aim with a low or a high"):
        advice.recommend(measured_study(seed=3), goal="desirability", seed=1)


@given(st.lists(st.floats(0, 10), min_size=2, max_size=2))
@settings(max_examples=20, deadline=None)
def test_desirability_is_one_at_the_aims_and_zero_where_one_is_missed(values):
    targets = pd.DataFrame(
        {"attribute": ["a", "b"], "low": [2.0, 1.0], "aim": [4.0, 6.0], "high": [7.0, np.nan]}
    )
    met = desirability(pd.DataFrame([dict(zip("ab", values, strict=True))]), targets)
    assert 0 <= met.loc[0, "overall"] <= 1
    assert (met.loc[0, "overall"] == 0) == (min(met.loc[0, "a"], met.loc[0, "b"]) == 0)
    best = desirability(pd.DataFrame({"a": [4.0], "b": [8.0]}), targets)
    assert best.loc[0, "overall"] == pytest.approx(1)


def test_limits_that_leave_nothing_are_refused():
    limits = pd.DataFrame({"limit": ["never"], "factor": ["hydration_pct"], "weight": [1.0],
                           "low": [90.0], "high": [np.nan]})  # fmt: skip
    with pytest.raises(StudyProblems, match="no combination of levels that keeps all limits"):
        advice.recommend(measured_study(seed=1) | {"limits": limits}, seed=1)
