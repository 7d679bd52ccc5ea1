"""Least squares: laws of the fit, figures against doing it the long way, refusals."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit.fitting import fit_linear, stand_out
from doughkit.tables.problems import StudyProblems


def trial(seed, rows=14, terms=3):
    rng = np.random.default_rng(seed)
    design = pd.DataFrame(rng.normal(size=(rows, terms)), columns=[f"t{i}" for i in range(terms)])
    return design, design.to_numpy() @ rng.normal(size=terms) + rng.normal(size=rows)


seeds = st.integers(0, 10_000)


@given(seeds)
@settings(max_examples=20, deadline=None)
def test_what_is_left_over_has_nothing_in_common_with_any_term(seed):
    design, response = trial(seed)
    residual = fit_linear(design, response).points["residual"].to_numpy()
    assert np.abs(design.to_numpy().T @ residual).max() < 1e-10
    assert abs(residual.sum()) < 1e-10


@given(seeds, st.floats(-50, 50), st.floats(0.1, 10))
@settings(max_examples=20, deadline=None)
def test_shifting_and_stretching_the_response_moves_the_estimates_alike(seed, shift, stretch):
    design, response = trial(seed)
    one = fit_linear(design, response).coefficients.set_index("term")
    two = fit_linear(design, shift + stretch * response).coefficients.set_index("term")
    slopes = ["t0", "t1", "t2"]
    np.testing.assert_allclose(two["estimate"][slopes], stretch * one["estimate"][slopes])
    np.testing.assert_allclose(two["p"][slopes], one["p"][slopes], rtol=1e-6, atol=1e-12)


@given(seeds)
@settings(max_examples=10, deadline=None)
def test_the_order_of_rows_and_the_unit_of_a_term_change_nothing(seed):
    design, response = trial(seed)
    order = np.random.default_rng(seed).permutation(len(design))
    changed = design.assign(t1=design["t1"] * 1000).iloc[order]
    one, two = fit_linear(design, response), fit_linear(changed, response[order])
    np.testing.assert_allclose(one.figures, two.figures)
    np.testing.assert_allclose(one.coefficients["t"], two.coefficients["t"])
    np.testing.assert_allclose(
        one.points["leverage"].to_numpy()[order], two.points["leverage"].to_numpy()
    )


@given(seeds)
@settings(max_examples=10, deadline=None)
def test_a_row_left_out_is_predicted_as_by_fitting_without_it(seed):
    design, response = trial(seed)
    points = fit_linear(design, response).points
    for row in (0, 5):
        rest = np.arange(len(design)) != row
        alone = fit_linear(design[rest], response[rest])
        predicted = alone.predict(design.iloc[[row]])["mean"].iloc[0]
        assert points["left_out"][row] == pytest.approx(response[row] - predicted)
        new = alone.predict(design.iloc[[row]], level=0.9)
        half = (new["next_high"] - new["next_low"]).iloc[0] / 2
        from scipy import stats

        t = (response[row] - predicted) / (half / stats.t.ppf(0.95, len(design) - 5))
        assert points["deleted_residual"][row] == pytest.approx(t)


@given(seeds)
@settings(max_examples=10, deadline=None)
def test_cook_is_how_far_all_fitted_values_move_without_the_row(seed):
    design, response = trial(seed)
    fit = fit_linear(design, response)
    rest = np.arange(len(design)) != 3
    moved = fit_linear(design[rest], response[rest]).predict(design)["mean"] - fit.points["fitted"]
    s2 = fit.figures.loc[0, "s"] ** 2
    assert fit.points["cook"][3] == pytest.approx(float(moved @ moved) / (4 * s2))


def test_lack_of_fit_and_pure_error_add_up_to_the_error():
    x = np.repeat([1.0, 2, 3, 4], 2)
    y = np.array([1.0, 1.2, 3.9, 4.1, 9.2, 8.8, 16.1, 15.9])
    sources = fit_linear(pd.DataFrame({"x": x}), y).sources.set_index("source")
    assert sources.loc["pure error", "df"] == 4
    assert sources.loc[["lack of fit", "pure error"], "sum_square"].sum() == pytest.approx(
        sources.loc["error", "sum_square"]
    )
    assert sources.loc["lack of fit", "p"] < 0.001


def test_labels_of_repeats_give_the_same_as_equal_rows():
    x = np.repeat([1.0, 2, 3], 2)
    y = np.array([1.0, 1.2, 2.9, 3.1, 4.2, 3.8])
    labels = list("aabbcc")
    by_label = fit_linear(pd.DataFrame({"x": x}), y, replicates=labels).sources
    pd.testing.assert_frame_equal(by_label, fit_linear(pd.DataFrame({"x": x}), y).sources)


def test_without_repeats_lack_of_fit_is_left_empty_not_guessed():
    design, response = trial(1)
    sources = fit_linear(design, response).sources.set_index("source")
    assert sources.loc["pure error", "df"] == 0
    assert np.isnan(sources.loc["lack of fit", "p"])


def test_intervals_hold_as_often_as_they_say():
    rng = np.random.default_rng(7)
    design = pd.DataFrame({"x": np.linspace(-1, 1, 8)})
    held = next_held = 0
    for _ in range(300):
        fit = fit_linear(design, 2 + 3 * design["x"] + rng.normal(size=8), level=0.80)
        slope = fit.coefficients.iloc[1]
        held += slope["ci_low"] <= 3 <= slope["ci_high"]
        new = fit.predict(pd.DataFrame({"x": [0.5]})).iloc[0]
        next_held += new["next_low"] <= 3.5 + rng.normal() <= new["next_high"]
    assert 0.73 < held / 300 < 0.87
    assert 0.73 < next_held / 300 < 0.87


def test_as_many_terms_as_rows_give_estimates_and_no_interval():
    fit = fit_linear(pd.DataFrame({"x": [0.0, 1.0]}), [1.0, 3.0])
    assert fit.coefficients["estimate"].tolist() == pytest.approx([1, 2])
    assert fit.coefficients["ci_low"].isna().all()
    assert "nothing is left to judge by" in fit.summary()


def test_a_row_that_alone_carries_a_term_has_no_prediction_from_the_others():
    fit = fit_linear(pd.DataFrame({"x": [0.0, 0, 0, 1]}), [1.0, 2, 3, 9])
    assert np.isnan(fit.points["left_out"][3])
    assert np.isnan(fit.figures.loc[0, "press"])


def test_a_response_that_never_changes_has_no_share_explained():
    fit = fit_linear(pd.DataFrame({"x": [0.0, 1, 2, 3]}), [2.0, 2, 2, 2])
    assert np.isnan(fit.figures.loc[0, "r2"])


def test_the_input_is_not_changed():
    design, response = trial(3)
    before = design.copy(), response.copy()
    fit_linear(design, response)
    pd.testing.assert_frame_equal(design, before[0])
    np.testing.assert_array_equal(response, before[1])


def test_terms_that_move_together_are_named():
    design = pd.DataFrame({"hydration": [1.0, 2, 3, 4], "salt": [1.0, 0, 1, 0]})
    design["both"] = design["hydration"] + design["salt"]
    with pytest.raises(StudyProblems, match=r"'both'.*only together with 'hydration' and 'salt'"):
        fit_linear(design, [1.0, 2, 3, 4])


def test_too_few_rows_are_refused_by_the_same_words():
    design, response = trial(2, rows=3)
    with pytest.raises(StudyProblems, match="4 terms that can be separated by 3 rows"):
        fit_linear(design, response)


def test_every_empty_or_written_cell_is_reported_at_once():
    design = pd.DataFrame({"x": [1.0, np.nan, 3], "y": [1.0, 2, np.inf], "w": ["a", "b", "c"]})
    with pytest.raises(StudyProblems) as caught:
        fit_linear(design, [1.0, 2, 3])
    assert len(caught.value.problems) == 3
    with pytest.raises(StudyProblems, match="response, row 1: found an empty cell"):
        fit_linear(design[["x"]].fillna(2), [1.0, np.nan, 3])


def test_repeats_set_up_differently_are_refused():
    with pytest.raises(StudyProblems, match="repeats whose terms differ"):
        fit_linear(pd.DataFrame({"x": [1.0, 2, 3]}), [1.0, 2, 3], replicates=["a", "a", "b"])


def test_a_level_in_percent_and_a_wrong_length_are_refused():
    design, response = trial(4)
    with pytest.raises(StudyProblems, match=r"write 0\.90 for 90 %"):
        fit_linear(design, response, level=90)
    with pytest.raises(StudyProblems, match="one for each of the 14 rows"):
        fit_linear(design, response[:5])
    with pytest.raises(StudyProblems, match="one label per row"):
        fit_linear(design, response, replicates=["a"])
    with pytest.raises(StudyProblems, match="two columns of that name"):
        fit_linear(design.assign(constant=1.0), response)


def test_prediction_asks_for_the_terms_of_the_fit():
    design, response = trial(5)
    with pytest.raises(StudyProblems, match="the columns of the fit"):
        fit_linear(design, response).predict(design[["t0"]])


def test_effects_are_refused_that_cannot_judge_one_another():
    for effects, words in (
        ({"a": 1.0, "b": 2.0}, "found 2 effects; expected three or more"),
        ({"a": 1.0, "b": np.nan, "c": 1.0}, "no number for b"),
        ({"a": 0.0, "b": 0.0, "c": 1.0}, "exactly zero"),
    ):
        with pytest.raises(StudyProblems, match=words):
            stand_out(pd.Series(effects))
    with pytest.raises(StudyProblems, match="a twice"):
        stand_out(pd.Series([1.0, 2.0, 3.0], index=["a", "a", "b"]))


def test_margins_of_effects_move_with_their_unit_and_hold_the_share_asked_for():
    drawn = np.random.default_rng(3).normal(size=(400, 15))
    few = [stand_out(pd.Series(row), level=0.9) for row in drawn]
    beyond = np.mean([one["stands_out"].ne("no").mean() for one in few])
    assert 0.05 < beyond < 0.15
    first = stand_out(pd.Series(drawn[0]))
    again = stand_out(pd.Series(drawn[0] * 10))
    assert np.allclose(again["margin_of_all"], 10 * first["margin_of_all"])
    assert first["stands_out"].tolist() == again["stands_out"].tolist()
