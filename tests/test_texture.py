"""Regression by strata: laws, uneven rounds, what can't be seen, refusals."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doughkit import texture
from doughkit.fitting import fit_linear
from doughkit.tables.problems import OutsideRange, StudyProblems
from tests.studies import FACTORS

seeds = st.integers(0, 10_000)


def planned(times=(5.0, 8.0), points=None):
    """Corners, faces and two centre doughs, each baked at `times`."""
    faces = [(-1, 0), (1, 0), (0, -1), (0, 1)]
    points = [*product((-1, 1), repeat=2), *faces, (0, 0), (0, 0)] if points is None else points
    names = [f"D{number:02d}" for number in range(len(points))]
    doughs = pd.DataFrame(
        {
            "dough": names,
            "kind": "test",
            "hydration_pct": [62 + 8.0 * h for h, _ in points],
            "salt_pct": [2.1 + 0.5 * s for _, s in points],
        }
    )
    rows = [(f"{name}{letter}", name, time) for name in names
            for letter, time in zip("abcd", times, strict=False)]  # fmt: skip
    return doughs, pd.DataFrame(rows, columns=["piece", "dough", "bake_min"])


def levels_of(doughs, pieces):
    return pieces.merge(doughs, on="dough")


def surface(levels):
    h, s = (levels["hydration_pct"] - 62) / 8, (levels["salt_pct"] - 2.1) / 0.5
    t = (levels["bake_min"] - 6.5) / 1.5
    return 5 - 1.2 * h + 0.4 * s + 0.9 * t + 0.5 * h * t - 0.3 * h * s + 0.6 * h**2 - 0.2 * t**2


def tasted(doughs, pieces, seed=None, dough_sd=0.3, piece_sd=0.3, attribute="crispness"):
    levels = levels_of(doughs, pieces)
    mean = surface(levels)
    if seed is not None:
        rng = np.random.default_rng(seed)
        number = pd.factorize(levels["dough"])[0]
        mean = mean + dough_sd * rng.normal(size=number.max() + 1)[number]
        mean = mean + piece_sd * rng.normal(size=len(levels))
    return pd.DataFrame({"attribute": attribute, "piece": levels["piece"], "mean": mean})


def effects(found):
    return found.effects.set_index("term")


# --- even rounds are exact ---------------------------------------------------------------------


@given(seeds)
@settings(max_examples=5, deadline=None)
def test_a_bake_time_alone_is_the_paired_comparison_within_doughs(seed):
    doughs, pieces = planned()
    values = tasted(doughs, pieces, seed)
    row = effects(texture.fit(values, doughs, pieces, FACTORS, terms="linear")).loc["bake_min"]
    y = values["mean"].to_numpy().reshape(-1, 2)
    pair = stats.ttest_rel(y[:, 1], y[:, 0])
    assert row["low_to_high"] == pytest.approx((y[:, 1] - y[:, 0]).mean())
    assert (row["df"], row["stratum"]) == (9, "piece")
    assert row["p"] == pytest.approx(pair.pvalue)


@given(seeds)
@settings(max_examples=5, deadline=None)
def test_dough_factors_are_judged_on_dough_means_alone(seed):
    doughs, pieces = planned()
    values = tasted(doughs, pieces, seed)
    found = texture.fit(values, doughs, pieces, FACTORS, terms="interactions")
    means = values["mean"].to_numpy().reshape(-1, 2).mean(axis=1)
    h, s = (doughs["hydration_pct"] - 62) / 8, (doughs["salt_pct"] - 2.1) / 0.5
    plain = fit_linear(pd.DataFrame({"h": h, "s": s, "hs": h * s}), means)
    mine = effects(found).loc[["hydration_pct", "salt_pct", "hydration_pct × salt_pct"]]
    theirs = plain.coefficients.iloc[1:]
    np.testing.assert_allclose(mine["low_to_high"], 2 * theirs["estimate"])
    np.testing.assert_allclose(mine["p"], theirs["p"])
    assert found.checks.loc[0, "s_dough"] == pytest.approx(plain.figures.loc[0, "s"])
    assert found.checks.loc[0, "press"] == pytest.approx(plain.figures.loc[0, "press"])
    lack = plain.sources.set_index("source").loc["lack of fit"]
    assert found.checks.loc[0, "lack_of_fit_f"] == pytest.approx(lack["f"])


@given(seeds, st.floats(-3, 3))
@settings(max_examples=5, deadline=None)
def test_a_whole_dough_off_its_line_leaves_the_bake_time_as_it_was(seed, off):
    doughs, pieces = planned()
    values = tasted(doughs, pieces, seed)
    moved = values.assign(mean=values["mean"] + off * pieces["dough"].eq("D03"))
    one = effects(texture.fit(values, doughs, pieces, FACTORS)).loc["bake_min"]
    two = effects(texture.fit(moved, doughs, pieces, FACTORS)).loc["bake_min"]
    pd.testing.assert_series_equal(one.drop("words"), two.drop("words"), check_exact=False)


def test_with_one_piece_a_dough_it_is_plain_regression():
    doughs, pieces = planned(times=(5.0,))
    rng = np.random.default_rng(1)
    doughs, pieces = pd.concat([doughs, doughs.assign(dough=doughs["dough"] + "x")]), pieces
    pieces = pd.DataFrame(
        {"piece": doughs["dough"] + "a", "dough": doughs["dough"],
         "bake_min": rng.choice([5.0, 6.5, 8.0], len(doughs))}
    )  # fmt: skip
    values = tasted(doughs, pieces, 3)
    found = texture.fit(values, doughs, pieces, FACTORS, terms="quadratic")
    from doughkit.trials.models import model_columns

    levels = levels_of(doughs, pieces)
    plain = fit_linear(model_columns(levels, FACTORS), values["mean"].to_numpy())
    np.testing.assert_allclose(
        found.coefficients[["estimate", "se", "df", "p", "ci_low", "ci_high"]],
        plain.coefficients[["estimate", "se", "df", "p", "ci_low", "ci_high"]],
    )
    new = levels.iloc[[2]]
    mine = found.predict(new[["hydration_pct", "salt_pct", "bake_min"]]).iloc[0]
    theirs = plain.predict(model_columns(new, FACTORS)).iloc[0]
    for name in ("mean", "ci_low", "ci_high", "next_low", "next_high"):
        assert mine[name] == pytest.approx(theirs[name])
    assert np.isnan(found.checks.loc[0, "s_piece"])


# --- any round without error gives back its surface --------------------------------------------


@given(seeds)
@settings(max_examples=12, deadline=None)
def test_a_surface_without_error_comes_back_whatever_the_round_was_like(seed):
    rng = np.random.default_rng(seed)
    points = [(h, s) for h, s in product((-1, 0, 1), repeat=2)] + [(0, 0), (0.5, -0.5)]
    doughs, _ = planned(points=points)
    rows = []
    for name in doughs["dough"]:
        times = rng.choice([5.0, 6.0, 6.5, 8.0], size=rng.integers(1, 4), replace=True)
        rows += [
            (f"{name}{letter}", name, time) for letter, time in zip("abc", times, strict=False)
        ]
    pieces = pd.DataFrame(rows, columns=["piece", "dough", "bake_min"])
    found = texture.fit(tasted(doughs, pieces), doughs, pieces, FACTORS)
    if len(found.not_seen):
        return
    grid = levels_of(*planned(times=(5.5, 7.5)))[["hydration_pct", "salt_pct", "bake_min"]]
    low, high = pieces["bake_min"].min(), pieces["bake_min"].max()
    grid["bake_min"] = grid["bake_min"].clip(low, high)
    np.testing.assert_allclose(found.predict(grid)["mean"], surface(grid), atol=1e-7)


def test_a_bend_seen_only_between_doughs_is_judged_there():
    doughs, pieces = planned()
    extra = pd.DataFrame({"dough": ["C1", "C2", "C3"], "kind": "control",
                          "hydration_pct": 62.0, "salt_pct": 2.1})  # fmt: skip
    more = pd.DataFrame({"piece": ["C1a", "C2a", "C3a"], "dough": ["C1", "C2", "C3"],
                         "bake_min": 6.5})  # fmt: skip
    doughs, pieces = pd.concat([doughs, extra]), pd.concat([pieces, more])
    found = texture.fit(tasted(doughs, pieces, 4), doughs, pieces, FACTORS)
    rows = effects(found)
    assert rows.loc["bake_min²", "stratum"] == "dough"
    assert rows.loc["bake_min", "stratum"] == "piece"
    exact = effects(texture.fit(tasted(doughs, pieces), doughs, pieces, FACTORS))
    assert exact.loc["bake_min²", "low_to_high"] == pytest.approx(-0.2)


def test_an_effect_is_the_change_predicted_on_average_over_the_test_doughs():
    doughs, pieces = planned(times=(5.0, 7.0))
    pieces = pieces.drop(index=[0, 7])
    found = texture.fit(tasted(doughs, pieces, 5), doughs, pieces, FACTORS, terms="interactions")
    points = found.design[["hydration_pct", "salt_pct", "bake_min"]]
    low, high = (found.predict(points.assign(hydration_pct=at))["mean"] for at in (54.0, 70.0))
    row = effects(found).loc["hydration_pct"]
    assert row["low_to_high"] == pytest.approx((high.to_numpy() - low.to_numpy()).mean())
    assert row["per_step"] == pytest.approx(row["low_to_high"] / 16)


@given(seeds)
@settings(max_examples=4, deadline=None)
def test_units_of_a_factor_and_the_order_of_rows_change_nothing(seed):
    doughs, pieces = planned(times=(5.0, 8.0))
    pieces = pieces.drop(index=[3])
    values = tasted(doughs, pieces, seed)
    one = texture.fit(values, doughs, pieces, FACTORS)
    seconds = FACTORS.assign(
        low=FACTORS["low"] * [1, 1, 60], high=FACTORS["high"] * [1, 1, 60], step=[1.0, 0.1, 30]
    )
    order = np.random.default_rng(seed).permutation(len(pieces))
    two = texture.fit(
        values.iloc[order[::-1]],
        doughs.iloc[::-1],
        pieces.assign(bake_min=pieces["bake_min"] * 60).iloc[order],
        seconds,
    )
    numbers = ["low_to_high", "se", "df", "p"]
    np.testing.assert_allclose(one.effects[numbers], two.effects[numbers], rtol=1e-7)


# --- intervals hold ----------------------------------------------------------------------------


def test_intervals_hold_in_an_uneven_round_with_lost_pieces_and_lone_controls():
    doughs, pieces = planned()
    extra = pd.DataFrame({"dough": [f"C{i}" for i in range(4)], "kind": "control",
                          "hydration_pct": 62.0, "salt_pct": 2.1})  # fmt: skip
    more = pd.DataFrame({"piece": [f"C{i}a" for i in range(4)], "dough": extra["dough"],
                         "bake_min": 6.5})  # fmt: skip
    doughs = pd.concat([doughs, extra], ignore_index=True)
    pieces = pd.concat([pieces.drop(index=[2, 9, 14]), more], ignore_index=True)
    levels = levels_of(doughs, pieces)
    number = pd.factorize(levels["dough"])[0]
    rng = np.random.default_rng(11)
    names = [f"a{i}" for i in range(60)]
    values = pd.concat(
        [
            pd.DataFrame(
                {
                    "attribute": name,
                    "piece": levels["piece"],
                    "mean": surface(levels)
                    + 0.4 * rng.normal(size=number.max() + 1)[number]
                    + 0.3 * rng.normal(size=len(levels)),
                }
            )
            for name in names
        ]
    )
    found = texture.fit(values, doughs, pieces, FACTORS, level=0.80)
    asked = pd.DataFrame({"hydration_pct": [58.0], "salt_pct": [2.3], "bake_min": [6.0]})
    truth = surface(asked).iloc[0]
    predicted = found.predict(asked)
    held = ((predicted["ci_low"] <= truth) & (truth <= predicted["ci_high"])).mean()
    new = truth + rng.normal(scale=0.5, size=len(predicted))
    next_held = ((predicted["next_low"] <= new) & (new <= predicted["next_high"])).mean()
    assert 0.65 < held < 0.93
    assert 0.65 < next_held < 0.93
    test = levels[levels["kind"].eq("test")]
    for name, low, high in (("hydration_pct", 54.0, 70.0), ("bake_min", 5.0, 8.0)):
        true = (surface(test.assign(**{name: high})) - surface(test.assign(**{name: low}))).mean()
        rows = found.effects[found.effects["term"].eq(name)]
        assert 0.65 < ((rows["ci_low"] <= true) & (true <= rows["ci_high"])).mean() < 0.93


def test_draws_spread_as_the_intervals_say_and_repeat_with_their_seed():
    doughs, pieces = planned()
    found = texture.fit(tasted(doughs, pieces, 6), doughs, pieces, FACTORS, terms="interactions")
    asked = pd.DataFrame(
        {"hydration_pct": [54.0, 62], "salt_pct": [2.1, 2.6], "bake_min": [5.0, 7]}
    )
    predicted = found.predict(asked)
    drawn = found.draws(asked, n=20_000, seed=1)
    middle = drawn.groupby("row")["value"].quantile([0.05, 0.95]).unstack().to_numpy()
    np.testing.assert_allclose(middle, predicted[["ci_low", "ci_high"]], atol=0.03)
    pd.testing.assert_frame_equal(found.draws(asked, n=5, seed=2), found.draws(asked, n=5, seed=2))


# --- what can't be seen is said ----------------------------------------------------------------


def test_two_bake_times_show_no_bend_and_it_is_said():
    doughs, pieces = planned()
    found = texture.fit(tasted(doughs, pieces, 7), doughs, pieces, FACTORS)
    row = found.not_seen.set_index("term").loc["bake_min²"]
    assert row["why"] == "only 5 and 8 were baked; a level between them would show it"
    assert "the bend of bake" in found.summary()


def test_bends_that_only_centre_doughs_show_together_are_all_left_out():
    points = [*product((-1, 1), repeat=2), (0, 0), (0, 0), (0, 0)]
    doughs, pieces = planned(points=points)
    found = texture.fit(tasted(doughs, pieces, 8), doughs, pieces, FACTORS)
    why = found.not_seen.set_index("term")["why"]
    assert why["hydration_pct²"] == "it travels together with salt_pct²"
    assert why["salt_pct²"] == "it travels together with hydration_pct²"
    assert found.checks.loc[0, "lack_of_fit_df"] == 1


def test_a_factor_that_never_moved_is_left_out_with_its_level():
    doughs, pieces = planned()
    found = texture.fit(
        tasted(doughs, pieces, 9), doughs.assign(salt_pct=2.1), pieces, FACTORS, terms="linear"
    )
    assert found.not_seen["why"].tolist() == ["it was 2.1 in every piece"]
    assert list(found.effects["term"]) == ["hydration_pct", "bake_min"]


def test_a_level_of_a_category_that_never_occurred_is_named():
    factors = pd.DataFrame(
        {"factor": ["flour"], "changed_per": ["dough"], "levels": ["rye|wheat|spelt"]}
    )
    doughs = pd.DataFrame({"dough": list("ABCD"), "flour": ["rye", "rye", "wheat", "wheat"]})
    pieces = pd.DataFrame({"piece": list("abcd"), "dough": list("ABCD")})
    values = pd.DataFrame({"attribute": "chew", "piece": list("abcd"), "mean": [1.0, 2, 4, 5]})
    found = texture.fit(values, doughs, pieces, factors)
    assert found.not_seen["term"].tolist() == ["flour: spelt"]
    assert effects(found)["low_to_high"].to_dict() == {
        "flour: rye": pytest.approx(-1.5),
        "flour: wheat": pytest.approx(1.5),
    }
    with pytest.raises(StudyProblems, match="'spelt'; expected rye or wheat"):
        found.predict(pd.DataFrame({"flour": ["spelt"]}))


def test_saturated_doughs_give_estimates_without_intervals():
    doughs, pieces = planned(points=list(product((-1, 1), repeat=2)))
    found = texture.fit(tasted(doughs, pieces, 1), doughs, pieces, FACTORS, terms="interactions")
    rows = effects(found)
    assert np.isnan(rows.loc["hydration_pct", "ci_low"])
    assert np.isfinite(rows.loc["bake_min", "ci_low"])
    assert "nothing is left to judge the dough factors by" in found.summary()


def test_a_block_takes_a_shift_of_the_whole_panel_with_it():
    doughs, pieces = planned()
    doughs["round"] = [1.0] * 4 + [2.0] * 4 + [1.0, 2.0]
    values = tasted(doughs, pieces, 10)
    late = pieces["dough"].map(doughs.set_index("dough")["round"]).eq(2)
    shifted = values.assign(mean=values["mean"] + 2.0 * late)
    one, two = (
        texture.fit(each, doughs, pieces, FACTORS, block="round") for each in (values, shifted)
    )
    numbers = ["low_to_high", "se", "df"]
    np.testing.assert_allclose(one.effects[numbers], two.effects[numbers])
    assert "block" in set(one.sources["source"])


def test_old_records_with_a_single_second_piece_are_judged_on_doughs():
    doughs, _ = planned()
    pieces = pd.DataFrame({"piece": [f"p{at}" for at in range(11)],
                           "dough": [*doughs["dough"], "D00"],
                           "bake_min": [5.0, 8, 6, 7, 5, 8, 6, 7, 5.5, 7.5, 8]})  # fmt: skip
    found = texture.fit(tasted(doughs, pieces, 1), doughs, pieces, FACTORS, terms="linear")
    assert (found.effects["stratum"] == "dough").all()
    assert np.isfinite(found.effects["p"]).all()
    assert found.checks.loc[0, ["df_dough", "df_piece"]].tolist() == [6, 0]


def test_draws_say_nothing_where_nothing_is_left_to_judge_by():
    doughs, pieces = planned(points=list(product((-1, 1), repeat=2)))
    found = texture.fit(tasted(doughs, pieces, 1), doughs, pieces, FACTORS, terms="interactions")
    asked = pd.DataFrame({"hydration_pct": [60.0], "salt_pct": [2.0], "bake_min": [6.0]})
    assert found.draws(asked, n=3, seed=1)["value"].isna().all()


def test_a_factor_that_never_moved_warns_when_it_is_asked_elsewhere():
    doughs, pieces = planned()
    doughs["salt_pct"] = 2.1
    found = texture.fit(tasted(doughs, pieces, 9), doughs, pieces, FACTORS, terms="linear")
    asked = pd.DataFrame({"hydration_pct": [60.0], "salt_pct": [2.5], "bake_min": [6.0]})
    with pytest.warns(OutsideRange, match=r"salt_pct 2\.5 to 2\.5"):
        found.predict(asked)


# --- nothing is dropped in silence -------------------------------------------------------------


def test_reference_failed_and_unmeasured_pieces_are_listed():
    doughs, pieces = planned()
    doughs = pd.concat([doughs, pd.DataFrame({"dough": ["REF"], "kind": ["reference"]})])
    doughs["status"] = ["failed"] + ["baked"] * 10
    pieces = pd.concat([pieces, pd.DataFrame({"piece": ["R1"], "dough": ["REF"]})])
    values = tasted(doughs, pieces[pieces["dough"] != "REF"], 2)
    values.loc[5, "mean"] = np.nan
    reference = pd.DataFrame({"attribute": ["crispness"], "piece": ["R1"], "mean": [7.0]})
    found = texture.fit(pd.concat([values, reference]), doughs, pieces, FACTORS)
    assert found.left_out.set_index("piece")["why"].to_dict() == {
        "D00a": "its dough failed",
        "D00b": "its dough failed",
        "D02b": "it has no value",
        "R1": "the reference has no levels",
    }
    assert len(found.points) == 17


def test_the_input_is_not_changed():
    doughs, pieces = planned()
    values = tasted(doughs, pieces, 2)
    before = [frame.copy() for frame in (values, doughs, pieces, FACTORS)]
    texture.fit(values, doughs, pieces, FACTORS)
    for one, other in zip(before, (values, doughs, pieces, FACTORS), strict=True):
        pd.testing.assert_frame_equal(one, other)


def test_a_consequence_of_the_bake_beside_its_causes_is_refused():
    doughs, pieces = planned()
    pieces["droop_mm"] = 5.0
    row = {"factor": "droop_mm", "low": 0.0, "high": 10.0, "step": 1.0, "changed_per": "piece"}
    factors = pd.concat([FACTORS, pd.DataFrame([row])])
    with pytest.raises(StudyProblems, match="droop_mm follows from what was mixed and baked"):
        texture.fit(tasted(doughs, pieces), doughs, pieces, factors)


def test_a_consequence_may_stand_alone_as_the_one_axis():
    doughs, pieces = planned()
    pieces["droop_mm"] = np.linspace(2, 12, len(pieces))
    row = {"factor": "droop_mm", "low": 0.0, "high": 12.0, "step": 1.0, "changed_per": "piece"}
    found = texture.fit(
        tasted(doughs, pieces, 1), doughs, pieces, pd.DataFrame([row]), terms="linear"
    )
    assert list(found.effects["term"]) == ["droop_mm"]


def test_factors_that_always_moved_together_are_refused_by_name():
    doughs, pieces = planned()
    doughs["salt_pct"] = 2.1 + (doughs["hydration_pct"] - 62) / 16
    with pytest.raises(StudyProblems, match="'hydration_pct': found levels that travel together"):
        texture.fit(tasted(doughs, pieces), doughs, pieces, FACTORS)


def test_missing_levels_doubled_values_and_strange_pieces_are_refused():
    doughs, pieces = planned()
    values = tasted(doughs, pieces)
    with pytest.raises(StudyProblems, match="piece D01a of dough D01, column 'salt_pct'"):
        texture.fit(values, doughs.assign(salt_pct=[1.6, np.nan, *[2.1] * 8]), pieces, FACTORS)
    with pytest.raises(StudyProblems, match="more than one row"):
        texture.fit(pd.concat([values, values]), doughs, pieces, FACTORS)
    with pytest.raises(StudyProblems, match=r"did you mean .*'D00a'"):
        texture.fit(values.replace("D00a", "D00A"), doughs, pieces, FACTORS)
    with pytest.raises(StudyProblems, match="linear or interactions or quadratic"):
        texture.fit(values, doughs, pieces, FACTORS, terms="cubic")


def test_asking_beyond_what_was_baked_warns_with_numbers():
    doughs, pieces = planned()
    found = texture.fit(tasted(doughs, pieces, 3), doughs, pieces, FACTORS, terms="linear")
    asked = pd.DataFrame({"hydration_pct": [75.0], "salt_pct": [2.0], "bake_min": [6.0]})
    with pytest.warns(OutsideRange, match="hydration_pct 75 to 75 .baked: 54 to 70"):
        found.predict(asked)
    with pytest.raises(StudyProblems, match="a column 'bake_min'"):
        found.predict(asked.drop(columns="bake_min"))


# --- level points ------------------------------------------------------------------------------


def test_the_level_point_of_a_known_hill_is_found_with_its_height():
    points = [(h, s) for h, s in product((-1, 0, 1), repeat=2)]
    doughs, pieces = planned(times=(5.0, 6.5, 8.0), points=points)
    levels = levels_of(doughs, pieces)
    h, s = (levels["hydration_pct"] - 64) / 8, (levels["salt_pct"] - 2.0) / 0.5
    t = (levels["bake_min"] - 6.2) / 1.5
    values = pd.DataFrame({"attribute": "liking", "piece": levels["piece"],
                           "mean": 7 - h**2 - 2 * s**2 - t**2 + 0.5 * h * t})  # fmt: skip
    row = texture.stationary(texture.fit(values, doughs, pieces, FACTORS)).iloc[0]
    assert row["nature"] == "highest"
    assert row["inside"]
    found = row[["mean", "hydration_pct", "salt_pct", "bake_min"]].astype(float)
    np.testing.assert_allclose(found, [7, 64, 2.0, 6.2])
    assert row["bend_1"] == pytest.approx(-2)


def test_a_ridge_has_no_single_point():
    points = [(h, s) for h, s in product((-1, 0, 1), repeat=2)]
    doughs, pieces = planned(times=(5.0, 6.5, 8.0), points=points)
    levels = levels_of(doughs, pieces)
    h, s = (levels["hydration_pct"] - 62) / 8, (levels["salt_pct"] - 2.1) / 0.5
    values = pd.DataFrame({"attribute": "liking", "piece": levels["piece"],
                           "mean": 7 - (h + s) ** 2 + 0.1 * levels["bake_min"]})  # fmt: skip
    row = texture.stationary(texture.fit(values, doughs, pieces, FACTORS)).iloc[0]
    assert row["nature"] == "ridge"
    assert np.isnan(row["hydration_pct"])


def test_a_plane_has_no_level_point():
    doughs, pieces = planned()
    found = texture.fit(tasted(doughs, pieces, 3), doughs, pieces, FACTORS, terms="linear")
    with pytest.raises(StudyProblems, match="a surface without bends"):
        texture.stationary(found)


def test_with_as_many_terms_as_doughs_effects_are_judged_by_one_another():
    names = ["hydration_pct", "salt_pct", "fat_pct"]
    levels = pd.DataFrame(list(product((-1.0, 1.0), repeat=3)), columns=names)
    factors = pd.DataFrame({"factor": names, "low": -1.0, "high": 1.0, "changed_per": "dough"})
    doughs = levels.assign(dough=list("ABCDEFGH"), kind="test")
    pieces = pd.DataFrame({"piece": list("abcdefgh"), "dough": list("ABCDEFGH")})
    noise = np.random.default_rng(5).normal(0, 0.2, 8)
    rated = pd.DataFrame({"attribute": "crispness", "piece": pieces["piece"]})
    rated["mean"] = 5 - 1.5 * levels["hydration_pct"] + noise
    found = texture.fit(rated[:7], doughs[:7], pieces[:7], factors, terms="interactions")
    clear = found.effects.set_index("term")["by_size"]
    assert clear["hydration_pct"] == "yes"
    assert clear.drop("hydration_pct").eq("no").all()
    assert "By size alone these stand out: hydration from -1 to 1 (crispness)." in found.summary()
    judged = texture.fit(rated, doughs, pieces, factors, terms="interactions")
    assert judged.effects["by_size"].eq("").all()
