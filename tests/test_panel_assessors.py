"""Assessors and reliability: laws, second roads, gaps, and what is refused."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doughkit.panel import assessor_performance, rank_test, reliability
from doughkit.tables import StudyProblems
from tests.outside import panels
from tests.test_panel_doughs import made

few = settings(max_examples=12, deadline=None)
seeds = st.integers(0, 10**6)


@few
@given(seeds)
def test_telling_apart_is_the_one_way_test_of_a_person_s_own_scores(seed):
    frame = made(seed, gaps=0.1)
    found = assessor_performance(*panels.study(frame)).set_index("assessor")
    for name, own in frame.dropna().groupby("assessor"):
        groups = [group["score"].to_numpy() for _, group in own.groupby("dough")]
        if all(np.ptp(group) == 0 for group in groups):
            continue
        wanted = stats.f_oneway(*groups)
        assert found.loc[name, "tells_apart_f"] == pytest.approx(wanted.statistic)
        assert found.loc[name, "tells_apart_p"] == pytest.approx(wanted.pvalue)


@few
@given(seeds, st.floats(-9, 9), st.floats(0.1, 5))
def test_a_level_and_a_stretch_change_only_what_they_should(seed, shift, stretch):
    frame = made(seed)
    own = frame["assessor"] == "A1"
    moved = frame.assign(score=frame["score"].mask(own, shift + stretch * frame["score"]))
    plain, other = (
        assessor_performance(*panels.study(one)).set_index("assessor").loc["A1"]
        for one in (frame, moved)
    )
    for column in ("tells_apart_f", "agrees_r"):
        assert other[column] == pytest.approx(plain[column], nan_ok=True)
    for column in ("repeats_sd", "scale_use"):
        assert other[column] == pytest.approx(stretch * plain[column])


def by_bake(frame, *, times):
    """The study of a frame with a bake time for each piece of a dough."""
    ratings, servings, pieces = panels.study(frame)
    return ratings, servings, pieces.assign(bake_min=times)


def test_bake_times_changed_on_purpose_pass_for_nobody_s_error():
    frame = made(7)
    later = frame["piece"].str.endswith("b")
    plain, other = (
        assessor_performance(*by_bake(one, times=[5.0, 8.0] * 4))
        for one in (frame, frame.assign(score=frame["score"] + 5 * later))
    )
    for column in ("tells_apart_f", "repeats_sd"):
        assert other[column].to_numpy() == pytest.approx(plain[column].to_numpy())
    assert set(other["adjusted_for"]) == {"bake_min"} and set(other["tells_apart_df_error"]) == {3}
    raw = assessor_performance(*panels.study(frame))
    assert set(raw["adjusted_for"]) == {""} and set(raw["tells_apart_df_error"]) == {4}


def test_many_bake_times_are_one_straight_line_and_a_reference_without_one_still_counts():
    frame = made(7)
    found = assessor_performance(*by_bake(frame, times=[5, 8, 5.5, 7, 6, 7.5, np.nan, np.nan]))
    assert set(found["tells_apart_df"]) == {3} and set(found["tells_apart_df_error"]) == {3}
    two = assessor_performance(*by_bake(frame, times=[5.0, 8, 5, 8, 5, 8, np.nan, np.nan]))
    assert set(two["tells_apart_df"]) == {3} and set(two["tells_apart_df_error"]) == {3}


def test_a_column_to_adjust_for_that_is_not_there_is_refused():
    with pytest.raises(StudyProblems, match="expected a column 'bake_time'"):
        assessor_performance(*panels.study(made(1)), adjust_for=["bake_time"])


def test_levels_of_a_full_table_add_up_to_nothing_and_say_who_scores_high():
    frame = made(2)
    frame["score"] += 3 * (frame["assessor"] == "A4")
    found = assessor_performance(*panels.study(frame))
    assert found["level"].sum() == pytest.approx(0, abs=1e-9)
    assert found.loc[found["level"].idxmax(), "assessor"] == "A4"


def test_a_person_who_missed_the_strong_pieces_does_not_look_mild():
    frame = made(0, doughs=4, pieces=1)
    strength = frame["dough"].str[1].astype(float)
    frame["score"] = strength  # everybody alike
    frame.loc[(frame["assessor"] == "A1") & (strength > 1), "score"] = np.nan
    found = assessor_performance(*panels.study(frame)).set_index("assessor")
    assert found.loc["A1", "level"] == pytest.approx(0, abs=1e-12)


def test_repeats_come_from_second_portions_where_there_are_any():
    frame = made(4, pieces=1)
    twice = pd.concat([frame.assign(repeat=1.0), frame.assign(repeat=2.0)])
    twice.loc[(twice["repeat"] == 2) & (twice["assessor"] == "A0"), "score"] += 1.0
    found = assessor_performance(*panels.study(twice)).set_index("assessor")
    assert set(found["repeats_from"]) == {"second portions"}
    assert found.loc["A0", "repeats_sd"] == pytest.approx(np.sqrt(1 / 2))
    assert found.loc["A1", "repeats_sd"] == 0 and found.loc["A1", "repeats_df"] == 4
    plain = assessor_performance(*panels.study(made(4)))
    assert set(plain["repeats_from"]) == {"within a dough"}
    none = assessor_performance(*panels.study(frame))
    assert none["repeats_sd"].isna().all() and set(none["repeats_from"]) == {""}


def test_the_interval_of_repeats_covers_as_often_as_it_says():
    draw = np.random.default_rng(5)
    table = draw.normal(5, 0.8, (400, 6, 2))
    square = ((table - table.mean(2, keepdims=True)) ** 2).sum((1, 2))
    one = pd.DataFrame(
        [
            (f"D{d}", f"A{a:03d}", r + 1.0, table[a, d, r])
            for a in range(400)
            for d in range(6)
            for r in range(2)
        ],
        columns=["dough", "assessor", "repeat", "score"],
    )
    found = assessor_performance(*panels.study(one))
    assert found["repeats_sd"].to_numpy() == pytest.approx(np.sqrt(square / 6))
    inside = (found["repeats_sd_low"] <= 0.8) & (found["repeats_sd_high"] >= 0.8)
    assert 0.86 <= inside.mean() <= 0.94


def test_a_single_taster_and_a_flat_one_leave_empty_cells():
    alone = assessor_performance(*panels.study(made(1, people=1)))
    assert alone[["agrees_r", "level"]].isna().all(axis=None)
    frame = made(1, pieces=1)
    frame["score"] = frame["score"].mask(frame["assessor"] == "A1", 5.0)
    found = assessor_performance(*panels.study(frame)).set_index("assessor")
    assert np.isnan(found.loc["A1", "agrees_r"]) and found.loc["A1", "scale_use"] == 0


def test_somebody_exactly_like_the_rest_agrees_fully():
    frame = made(0, pieces=1).assign(score=lambda one: one["dough"].str[1].astype(float))
    found = assessor_performance(*panels.study(frame))
    assert found["agrees_r"].to_numpy() == pytest.approx(1)
    assert found["agrees_r_high"].to_numpy() == pytest.approx(1)


@few
@given(seeds)
def test_panel_mean_and_one_taster_hang_together_by_spearman_and_brown(seed):
    found = reliability(*panels.study(made(seed, pieces=1, people=3))).intraclass
    kinds = found.set_index("kind")["estimate"]
    for kind in "123":
        one = kinds[f"ICC({kind},1)"]
        mean = 3 * one / (1 + 2 * one) if one > -0.5 else -np.inf
        assert kinds[f"ICC({kind},k)"] == pytest.approx(mean)
    assert (found["ci_low"] <= found["estimate"]).all()
    assert (found["ci_high"] >= found["estimate"]).all()
    assert found.loc[found["fits"], "kind"].tolist() == ["ICC(2,1)", "ICC(2,k)"]


@few
@given(seeds)
def test_the_panel_mean_s_third_kind_is_cronbach_s_alpha(seed):
    frame = made(seed, pieces=1, people=3)
    table = frame.pivot(index="piece", columns="assessor", values="score")
    whole = table.sum(axis=1).var()
    found = reliability(*panels.study(frame)).intraclass.set_index("kind")["estimate"]
    if whole > 0:
        alpha = 3 / 2 * (1 - table.var().sum() / whole)
        assert found["ICC(3,k)"] == pytest.approx(alpha)


@few
@given(seeds)
def test_agreement_equals_the_ranking_of_the_same_scores(seed):
    frame = made(seed, pieces=1, doughs=4)
    ranks = frame.pivot(index="assessor", columns="piece", values="score").rank(axis=1)
    found = reliability(*panels.study(frame)).agreement.iloc[0]
    if not (ranks == 2.5).all(axis=None):
        wanted = rank_test(ranks).test.iloc[0]
        assert found["w"] == pytest.approx(wanted["w"])
        assert found["p"] == pytest.approx(wanted["p"])


def test_pieces_somebody_missed_are_left_out_by_name():
    frame = made(3, doughs=5, pieces=1)
    frame.loc[(frame["piece"] == "D2a") & (frame["assessor"] == "A1"), "score"] = np.nan
    found = reliability(*panels.study(frame))
    assert found.left_out.values.tolist() == [["score", "D2a", "not scored by everybody"]]
    assert found.intraclass["pieces"].unique().tolist() == [4]
    assert "1 pieces that somebody missed are left out" in found.summary()


def test_full_agreement_is_one_and_no_spread_at_all_is_nothing_to_say():
    alike = panels.grid([[2.0] * 3, [5.0] * 3, [7.0] * 3])
    found = reliability(*panels.study(alike))
    assert found.intraclass["estimate"].to_numpy() == pytest.approx(1)
    assert found.agreement["w"].iloc[0] == pytest.approx(1)
    flat = reliability(*panels.study(panels.grid(np.full((3, 3), 5.0))))
    assert flat.intraclass["estimate"].isna().all() and flat.agreement["w"].isna().all()


def test_a_panel_without_shared_pieces_is_refused_with_who_missed_most():
    frame = made(3, doughs=3, pieces=1)
    frame.loc[(frame["assessor"] == "A3") & (frame["dough"] != "D0"), "score"] = np.nan
    with pytest.raises(StudyProblems, match=r"1 pieces scored by all 5 .*missed most: A3"):
        reliability(*panels.study(frame))
