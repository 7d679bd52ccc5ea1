"""Rounds found by search: what they keep, what they gain, and what is refused."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import formulas, trials
from doughkit.fitting.assumptions import starting_assumptions
from doughkit.tables import StudyProblems
from doughkit.trials.assumed import assumed_information
from doughkit.trials.choices import open_choices
from doughkit.trials.coding import code
from doughkit.trials.exchange import Task, exchange, moves_of
from doughkit.trials.factors import factors_per
from doughkit.trials.gains import forms_of, gains
from doughkit.trials.limits import within_limits
from doughkit.trials.models import model_columns
from doughkit.trials.spreads import Spreads
from tests.studies import FACTORS

FLOUR = pd.DataFrame(
    {"factor": ["flour"], "changed_per": ["dough"], "levels": ["wheat | rye | oat"]}
)
WITH_FLOUR = pd.concat([FLOUR, FACTORS], ignore_index=True)
LIMITS = pd.DataFrame(
    {
        "limit": ["soft", "soft", "dries out", "dries out"],
        "factor": ["hydration_pct", "salt_pct", "hydration_pct", "bake_min"],
        "weight": [1.0, -5.0, 1.0, -2.0],
        "low": [50.0, np.nan, 46.0, np.nan],
        "high": [58.0, np.nan, np.nan, np.nan],
    }
)


def task_for(factors, doughs, pieces, criterion, limits=None, terms="quadratic"):
    choices = open_choices(factors, limits, None, terms)
    whiten = np.linalg.inv(np.linalg.cholesky(0.2 * np.eye(pieces) + 0.1))
    moments = choices.moments() if criterion == "I" else None
    return Task(choices, doughs, whiten, 1e-3 * np.eye(len(choices.left)), moments)


def planned(seed=1, factors=FACTORS, doughs=8, **more):
    return trials.plan_optimal(factors, doughs_to_add=doughs, seed=seed, **more)


def joined(plan):
    return plan.pieces.merge(plan.doughs, on="dough")


@pytest.mark.parametrize("criterion", ["I", "D"])
@pytest.mark.parametrize("seed", [1, 2])
def test_every_level_can_be_set_and_every_limit_is_kept(seed, criterion):
    plan = planned(seed, WITH_FLOUR, 12, limits=LIMITS, criterion=criterion)
    rows = joined(plan)
    assert within_limits(rows, LIMITS).all() and len(rows) == 24
    assert set(rows["flour"]) == {"wheat", "rye", "oat"}
    for factor in FACTORS.itertuples():
        steps = (rows[factor.factor] - factor.low) / factor.step
        assert np.abs(steps - steps.round()).max() < 1e-6
        assert rows[factor.factor].between(factor.low, factor.high).all()
    assert len(plan.rounded) == 0


def test_the_same_seed_gives_the_same_round_and_pieces_have_bakes_of_their_own():
    one, two = planned(7), planned(7)
    pd.testing.assert_frame_equal(one.doughs, two.doughs)
    pd.testing.assert_frame_equal(one.pieces, two.pieces)
    assert one.doughs["role"].eq("chosen").all() and one.doughs["status"].eq("planned").all()
    assert one.pieces["dough"].drop_duplicates().tolist() == one.doughs["dough"].tolist()
    assert one.pieces.groupby("dough")["bake_min"].nunique().gt(1).any()


def test_what_goes_in_stays_as_it_was():
    first = planned(1, doughs=7)
    given_in = (FACTORS.copy(), first.doughs.copy(), LIMITS.copy(), first.pieces.copy())
    factors, doughs, limits, pieces = given_in
    trials.plan_optimal(factors, doughs, limits, pieces=pieces, doughs_to_add=2, round=2, seed=1)
    for now, before in zip(given_in, (FACTORS, first.doughs, LIMITS, first.pieces), strict=True):
        pd.testing.assert_frame_equal(now, before)


def test_doughs_there_already_are_not_planned_again_but_counted_in():
    corners = trials.plan_two_level(FACTORS, centre_doughs=0, seed=1)
    more = trials.plan_optimal(
        FACTORS, corners.doughs, pieces=corners.pieces, doughs_to_add=4, round=2, seed=1
    )
    coded = code(more.doughs, factors_per(FACTORS, "dough"))
    assert (coded.abs().min(axis=1) < 0.5).all()  # the corners are there: middles are wanted
    assert more.doughs["dough"].str.startswith("D2").all()
    assert "8 pieces there already are counted in" in more.summary()


@given(st.integers(1, 10**6))
@settings(max_examples=8, deadline=None)
def test_a_further_dough_never_widens_a_prediction_or_an_effect(seed):
    first = planned(seed, doughs=7)
    more = trials.plan_optimal(
        FACTORS, first.doughs, pieces=first.pieces, doughs_to_add=1, round=2, seed=seed
    )
    told = trials.what_it_tells(*first, FACTORS)
    both = [pd.concat(two, ignore_index=True) for two in zip(first, more, strict=True)]
    after = trials.what_it_tells(*both, FACTORS)
    assert after.predicts["average_se"][0] < told.predicts["average_se"][0]
    assert (after.effects["se"] <= told.effects["se"] * (1 + 1e-9)).all()


def test_no_dough_is_planned_near_one_that_failed():
    failed = pd.DataFrame({"dough": ["X1", "X2"], "kind": "test", "status": ["failed"] * 2}).assign(
        hydration_pct=[70.0, 54.0], salt_pct=[1.6, 1.6]
    )
    plan = trials.plan_optimal(FACTORS, failed, doughs_to_add=9, seed=1)
    for one in failed.itertuples():
        away = np.maximum(
            (plan.doughs["hydration_pct"] - one.hydration_pct).abs() / 8,
            (plan.doughs["salt_pct"] - one.salt_pct).abs() / 0.5,
        )
        assert away.min() >= 0.5 - 1e-9
    assert "No dough is planned near the 2 that failed." in plan.summary()


def test_the_error_in_the_note_is_what_the_round_then_tells():
    plan = planned(3, doughs=9, limits=LIMITS)
    told = trials.what_it_tells(*plan, FACTORS, LIMITS)
    assert f"off by {told.predicts['average_se'][0]:.2f} points" in plan.summary()


def test_predictions_and_terms_are_each_surest_under_their_own_criterion():
    plans = {criterion: planned(2, doughs=9, criterion=criterion) for criterion in "ID"}
    told = {key: trials.what_it_tells(*plan, FACTORS) for key, plan in plans.items()}
    error = {key: one.predicts["average_se"][0] for key, one in told.items()}
    assert error["I"] < 0.95 * error["D"]
    sizes = {key: np.linalg.slogdet(information(plan))[1] for key, plan in plans.items()}
    assert sizes["D"] > sizes["I"] + 0.1


def information(plan):
    """Of the quadratic, by plain generalised least squares."""
    rows = joined(plan)
    spreads = Spreads()
    columns = np.column_stack([np.ones(len(rows)), model_columns(rows, FACTORS)])
    same = rows["dough"].to_numpy()[:, None] == rows["dough"].to_numpy()
    error = spreads.dough**2 * same + spreads.of_piece * np.eye(len(rows))
    return columns.T @ np.linalg.solve(error, columns)


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("pieces", [1, 2, 3])
def test_a_gain_reckoned_from_small_matrices_is_the_difference_of_the_whole(criterion, pieces):
    task = task_for(FACTORS, 6, pieces, criterion)
    rng = np.random.default_rng(pieces)
    plans, others = task.draw(rng, 5), task.draw(rng, 5)
    changed = plans.copy()
    changed[:, 2] = others[:, 2]
    white, new = (task.whiten @ task.choices.rows(one) for one in (plans, changed))
    inverse = np.linalg.inv(task.information(white))
    matrices = [inverse] if criterion == "D" else [inverse, inverse @ task.moments @ inverse]
    forms = forms_of(np.eye(1))
    gain = gains(white[:, 2], new[:, 2][:, None], np.stack(matrices), forms)[:, 0]
    np.testing.assert_allclose(gain, task.badness(plans) - task.badness(changed), rtol=1e-6)


@pytest.mark.parametrize("limits", [None, LIMITS])
@pytest.mark.parametrize("criterion", ["D", "I"])
def test_a_bettered_plan_is_no_worse_and_no_single_level_betters_it_further(criterion, limits):
    task = task_for(FACTORS, 7, 2, criterion, limits)
    start = task.draw(np.random.default_rng(1), 4)
    moves = moves_of(task)
    end, badness = exchange(task, start, moves)
    assert (badness <= task.badness(start)).all()
    assert task.choices.allowed(end).all()
    for move in moves:
        for codes in move.codes:
            tried = end.copy()
            tried[:, move.dough, move.pieces, move.columns] = codes
            fits = task.choices.allowed(tried).all(axis=(1, 2))
            least = 1e-5 if criterion == "D" else 1e-5 * badness
            assert (badness - task.badness(tried) <= least)[fits].all()


@pytest.mark.parametrize("terms", ["linear", "interactions", "quadratic"])
def test_means_over_all_levels_are_exact_where_nothing_is_forbidden(terms):
    choices = open_choices(WITH_FLOUR, None, None, terms)
    rng = np.random.default_rng(1)
    points = [np.ones((200_000, 1))]
    for slot in choices.slots:
        free = rng.uniform(-1, 1, (200_000, 1))
        points.append(slot.codes[rng.integers(3, size=200_000)] if slot.factor.levels else free)
    rows = choices.rows(np.hstack(points))
    np.testing.assert_allclose(choices.moments(), rows.T @ rows / len(rows), atol=0.01)


def test_a_limit_that_forbids_nothing_changes_the_means_by_little():
    wide = LIMITS.assign(low=[0.0, np.nan, 0.0, np.nan], high=np.nan)
    free, held = (open_choices(FACTORS, one, None, "quadratic").moments() for one in (None, wide))
    np.testing.assert_allclose(held, free, atol=0.002)


def test_with_starting_assumptions_fewer_doughs_than_terms_will_do():
    with pytest.raises(StudyProblems, match="found 4 doughs of 2 pieces for 10 numbers"):
        planned(doughs=4)
    plan = planned(doughs=4, assumptions=starting_assumptions())
    assert len(plan.doughs) == 4 and plan.doughs["hydration_pct"].nunique() >= 3


def test_assumptions_treat_the_levels_of_a_category_alike():
    variance = np.linalg.inv(assumed_information(FLOUR, "linear", starting_assumptions()))
    codes = np.array([[0, 1, 0], [0, 0, 1], [0, -1, -1]])
    one, two, three = np.diag(codes @ variance @ codes.T)
    assert one == pytest.approx(two) and two == pytest.approx(three)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"doughs_to_add": 0}, "'doughs_to_add': found 0; expected 1 or more"),
        ({"pieces_per_dough": 0}, "'pieces_per_dough': found 0"),
        ({"criterion": "A"}, "'criterion': found 'A'"),
        ({"terms": "cubic"}, "found 'cubic'"),
        ({"doughs_to_add": 5}, "expected 6 doughs, and a few more to judge by; plan 8, or ask for "
                               'terms="interactions"'),
        ({"doughs_to_add": 2, "terms": "linear"}, "plan 5, or count the starting"),
        ({"factors": FACTORS.assign(step=[16.0, 0.1, 0.5])},
         "no number of doughs tells the overall mean and the bend of hydration"),
        ({"limits": LIMITS.assign(high=40.0)}, "limits"),
        ({"limits": LIMITS.assign(low=np.nan, high=[20.0, np.nan, 90.0, np.nan])},
         "no combination of levels that keeps all limits"),
        ({"factors": FACTORS.assign(changed_per=["day", "dough", "piece"])}, "changed per day"),
    ],
)  # fmt: skip
def test_what_cannot_be_planned_is_refused_in_words(change, words):
    asked = {"factors": FACTORS, "doughs_to_add": 8, "seed": 1} | change
    with pytest.raises(StudyProblems, match=words):
        trials.plan_optimal(asked.pop("factors"), **asked)


def test_doughs_without_their_pieces_and_names_taken_are_refused():
    first = planned()
    with pytest.raises(StudyProblems, match="give them as pieces="):
        trials.plan_optimal(FACTORS, first.doughs, doughs_to_add=2, seed=1)
    with pytest.raises(StudyProblems, match="give the next round's number"):
        trials.plan_optimal(FACTORS, first.doughs, pieces=first.pieces, doughs_to_add=2, seed=1)


def test_enough_doughs_are_enough_and_one_fewer_is_not():
    with pytest.raises(StudyProblems, match="expected 6 doughs"):
        planned(doughs=5)
    told = trials.what_it_tells(*planned(doughs=6), FACTORS)
    assert told.effects["can_tell"].all()


def test_a_limit_on_a_category_is_refused():
    limits = pd.DataFrame(
        {"limit": ["odd"], "factor": ["flour"], "weight": [1.0], "low": [0.0], "high": [1.0]}
    )
    with pytest.raises(StudyProblems):
        planned(factors=WITH_FLOUR, doughs=12, limits=limits)


THREE_FLOURS = pd.DataFrame(
    {
        "factor": ["dark_rye_flour_pct", "whole_spelt_flour_pct"],
        "low": 0.0,
        "high": [60.0, 80.0],
        "step": 5.0,
        "changed_per": "dough",
    }
)


@pytest.mark.parametrize("most", [100.0, 70.0])
def test_a_blend_of_three_flours_keeps_its_sum_and_can_be_weighed_out(most):
    limits = pd.DataFrame(
        {
            "limit": "white flour gives way",
            "factor": THREE_FLOURS["factor"],
            "weight": 1.0,
            "low": [20.0, np.nan],
            "high": [most, np.nan],
        }
    )
    plan = planned(1, THREE_FLOURS, 8, limits=limits, pieces_per_dough=1)
    rest = 100 - plan.doughs[list(THREE_FLOURS["factor"])].sum(axis=1)
    assert rest.between(100 - most, 80).all()
    assert trials.what_it_tells(*plan, THREE_FLOURS, limits).effects["can_tell"].all()
    base = pd.DataFrame(
        {
            "formula": "blend",
            "part": "",
            "ingredient": ["white flour", "dark rye flour", "whole spelt flour", "water", "salt"],
            "amount": ["60", "20", "20", "60", "2"],
            "unit": "%",
        }
    )
    varied = formulas.vary(base, plan.doughs.assign(formula="blend"))
    shares = varied.pivot(index="dough", columns="ingredient", values="percent")
    assert shares.loc[plan.doughs["dough"], "white flour"].to_numpy() == pytest.approx(rest)
