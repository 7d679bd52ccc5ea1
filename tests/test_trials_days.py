"""What is set once a day, such as the oven's temperature: planned, spread over days, judged."""

from itertools import combinations_with_replacement

import numpy as np
import pandas as pd
import pytest

from doughkit import advice, texture, trials
from doughkit.tables import StudyProblems
from doughkit.trials.choices import open_choices
from doughkit.trials.daily import by_day, of_dough, whitening
from doughkit.trials.exchange import Task
from doughkit.trials.spreads import Spreads
from doughkit.trials.strata import Layout

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "oven_c", "bake_min"],
        "low": [54.0, 1.6, 230.0, 5.0],
        "high": [70.0, 2.6, 270.0, 8.0],
        "step": [1.0, 0.1, 10.0, 0.5],
        "changed_per": ["dough", "dough", "day", "piece"],
    }
)
OVEN = {"oven": "home", "preheat_min": 60.0, "gap_min": 5.0, "pieces_per_bake": 1.0}


def planned(seed=1):
    round_ = trials.plan_two_level(FACTORS, seed=seed)
    return round_, trials.plan_days(round_, OVEN, FACTORS, seed=seed)


@pytest.mark.parametrize("seed", range(5))
def test_each_day_has_one_oven_temperature_and_each_temperature_two_days(seed):
    round_, days = planned(seed)
    assert "oven_c" not in round_.doughs and "oven_c" in round_.pieces
    assert days.groupby("bake_day")["oven_c"].nunique().eq(1).all()
    assert (days.groupby("oven_c")["bake_day"].nunique() >= 2).all()
    assert sorted(days["piece"]) == sorted(round_.pieces["piece"])
    assert (trials.day_minutes(days, OVEN)["minutes"] <= 180).all()
    assert "oven temperature is set once a day" in round_.summary()


def test_what_is_set_once_a_day_is_judged_between_days_and_known_less_well():
    round_, days = planned()
    told = trials.what_it_tells(round_.doughs, days, FACTORS, terms="linear")
    effects = told.effects.set_index("term")
    assert effects["stratum"].to_dict() == {
        "hydration_pct": "dough", "salt_pct": "dough", "oven_c": "day", "bake_min": "piece"
    }  # fmt: skip
    number = days["bake_day"].nunique()
    left = told.strata.set_index("stratum")["df"]
    assert left["day"] == number - 2 and left.sum() == len(days) - 5
    assert effects.loc["oven_c", "se"] > effects.loc["hydration_pct", "se"]
    assert "judged by 2 leftover differences between bake days" in " ".join(told.sentences)


def test_before_days_are_planned_a_level_is_a_day_and_nothing_is_left_to_judge_it_by():
    round_, _ = planned()
    told = trials.what_it_tells(*round_, FACTORS, terms="linear")
    assert told.effects.set_index("term").loc["oven_c", "df"] == 0
    assert np.isnan(told.effects.set_index("term").loc["oven_c", "smallest"])


def test_errors_agree_with_the_whole_covariance_written_out():
    draw = np.random.default_rng(3)
    dough = np.repeat(np.arange(12), 2)
    day = np.repeat(np.arange(4), 6)
    columns = np.column_stack([np.ones(24), draw.normal(size=(24, 3))])
    layout = Layout(columns, dough, 0.12, 0.2, day, 0.3)
    doughs, days = np.eye(12)[dough], np.eye(4)[day]
    whole = 0.2 * np.eye(24) + 0.12 * doughs @ doughs.T + 0.3 * days @ days.T
    exact = np.linalg.inv(columns.T @ np.linalg.solve(whole, columns))
    assert layout.covariance() == pytest.approx(exact, rel=1e-9)


def test_two_levels_on_one_day_are_refused():
    round_, days = planned()
    wrong = days.assign(bake_day="B1")
    with pytest.raises(StudyProblems, match=r"bake day B1, column 'oven_c'.*one level a day"):
        trials.what_it_tells(round_.doughs, wrong, FACTORS, terms="linear")
    torn = round_.pieces.assign(oven_c=np.where(round_.pieces["bake_min"] > 6, 230.0, 270.0))
    with pytest.raises(StudyProblems, match="several levels in one dough"):
        trials.plan_days((round_.doughs, torn), OVEN, FACTORS, seed=1)


def test_a_first_round_puts_what_is_set_once_a_day_with_the_pieces_too():
    doughs, pieces = advice.first_round(FACTORS, doughs=4, seed=1)
    assert "oven_c" in pieces and "oven_c" not in doughs
    assert pieces.groupby("dough")["oven_c"].nunique().eq(1).all()
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear")
    assert told.effects["term"].tolist() == FACTORS["factor"].tolist()


# --- days searched for -------------------------------------------------------------------------

SMALL = pd.DataFrame(
    {
        "factor": ["salt_pct", "oven_c"],
        "low": [1.6, 230.0],
        "high": [2.6, 270.0],
        "step": [0.5, 20.0],
        "changed_per": ["dough", "day"],
    }
)


def searched(seed=1, doughs=12, factors=FACTORS, **more):
    options = {"doughs_to_add": doughs, "doughs_per_day": 3, "seed": seed} | more
    return trials.plan_optimal(factors, **options)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("terms", ["linear", "quadratic"])
def test_a_searched_round_has_days_of_one_oven_temperature_and_plan_days_keeps_them(seed, terms):
    round_ = searched(seed, 13, terms=terms)
    assert "oven_c" not in round_.doughs and "bake_day" not in round_.doughs
    of_day = round_.pieces.groupby("bake_day")
    assert of_day["oven_c"].nunique().eq(1).all()
    assert sorted(of_day["dough"].nunique()) == [2, 2, 3, 3, 3]
    order = round_.doughs["dough"].map(round_.pieces.groupby("dough")["bake_day"].first())
    assert order.is_monotonic_increasing  # mixed day by day
    days = trials.plan_days(round_, OVEN, FACTORS, seed=seed)
    kept = days.set_index("piece")["bake_day"].sort_index()
    pd.testing.assert_series_equal(kept, round_.pieces.set_index("piece")["bake_day"].sort_index())


@pytest.mark.parametrize("criterion", ["I", "D"])
def test_the_error_in_the_note_is_what_the_days_then_tell(criterion):
    round_ = searched(3, 14, criterion=criterion)
    told = trials.what_it_tells(*round_, FACTORS)
    assert f"off by {told.predicts['average_se'][0]:.2f} points" in round_.summary()
    left = told.strata.set_index("stratum")["df"]["day"]
    assert f"5 bake days leave {left} differences between days to judge by" in round_.summary()
    assert told.effects["can_tell"].all()


def task_for(terms, criterion, days=4):
    choices = open_choices(SMALL, None, None, terms)
    moments = choices.moments() if criterion == "I" else None
    known = 1e-4 * np.eye(len(choices.left))
    one = Task(choices, 2 * days, whitening(of_dough(1, Spreads())), known, moments)
    return by_day(one, 2, Spreads())


@pytest.mark.parametrize("criterion", ["I", "D"])
@pytest.mark.parametrize("terms", ["interactions", "quadratic"])
def test_of_all_rounds_of_four_days_of_two_doughs_none_is_better(terms, criterion):
    task = task_for(terms, criterion)
    salt = list(combinations_with_replacement((-1.0, 0.0, 1.0), 2))
    one_day = np.array([[[1, oven, one] for one in pair] for oven in (-1, 0, 1) for pair in salt])
    every = np.array(list(combinations_with_replacement(range(len(one_day)), 4)))
    best = task.badness(one_day[every].astype(float)).min()
    plan = searched(5, 8, SMALL, terms=terms, criterion=criterion, doughs_per_day=2,
                    pieces_per_dough=1)  # fmt: skip
    rows = plan.pieces.merge(plan.doughs, on="dough").sort_values("bake_day")
    coded = np.column_stack(
        [np.ones(8), (rows["oven_c"] - 250) / 20, (rows["salt_pct"] - 2.1) / 0.5]
    )
    found = task.badness(coded.reshape(1, 4, 2, 3))[0]
    assert found == pytest.approx(best, rel=1e-6)


def test_days_that_leave_nothing_to_judge_by_are_told_of_and_missing_days_asked_for():
    assert (
        "2 bake days leave nothing to judge by; bake 1 more"
        in searched(1, 6, terms="linear").summary()
    )
    with pytest.raises(StudyProblems, match="give doughs_per_day=, as `capacity` finds it"):
        searched(doughs_per_day=None)
    with pytest.raises(StudyProblems, match=r"3 doughs of 2 pieces for 5 numbers.*expected"):
        searched(1, 3, terms="linear")


def test_days_there_already_count_and_further_ones_fill_what_they_lack():
    first = searched(1, 6, terms="linear")
    more = trials.plan_optimal(
        FACTORS,
        first.doughs,
        pieces=first.pieces,
        doughs_to_add=6,
        doughs_per_day=3,
        terms="linear",
        round=2,
        seed=2,
    )
    assert "4 bake days leave 2 differences between days" in more.summary()
    both = [pd.concat(two, ignore_index=True) for two in zip(first, more, strict=True)]
    told = trials.what_it_tells(*both, FACTORS, terms="linear")
    assert f"off by {told.predicts['average_se'][0]:.2f} points" in more.summary()
    assert (both[1].groupby("oven_c")["bake_day"].nunique() >= 2).all()


def test_a_day_planned_fuller_than_an_evening_is_refused():
    round_ = searched(1, 12, doughs_per_day=4)
    with pytest.raises(StudyProblems, match=r"4 doughs on a day.*plan with doughs_per_day=3"):
        trials.plan_days(round_, OVEN, FACTORS, seed=1)


@pytest.mark.parametrize("kind", ["face-centred", "rotatable", "box-behnken"])
def test_a_surface_with_an_oven_temperature_is_spread_over_days_and_can_be_fitted(kind):
    round_ = trials.plan_surface(FACTORS, kind=kind, pieces_per_dough=3, round=1, seed=1) if (
        kind == "box-behnken"
    ) else trials.plan_surface(FACTORS, kind=kind, round=1, seed=1)  # fmt: skip
    assert "oven temperature is set once a day" in round_.summary()
    days = trials.plan_days(round_, OVEN, FACTORS, samples=12, evening_min=240, seed=1)
    assert days.groupby("bake_day")["oven_c"].nunique().eq(1).all()
    told = trials.what_it_tells(round_.doughs, days, FACTORS)
    wanted = told.effects["term"] != "bake_min²" if kind != "box-behnken" else slice(None)
    assert told.effects.loc[wanted, "can_tell"].all()
    draw = np.random.default_rng(1)
    values = days[["piece"]].assign(attribute="chew", mean=draw.normal(size=len(days)))
    fitted = texture.fit(values, round_.doughs, days, FACTORS)
    left = told.strata.set_index("stratum")["df"]
    assert fitted.checks.loc[0, ["df_day", "df_dough", "df_piece"]].tolist() == list(left)


def test_corners_baked_by_days_are_completed_by_faces():
    corners = trials.plan_two_level(FACTORS, seed=1)
    faces = trials.plan_surface(FACTORS, corners.doughs, pieces=corners.pieces, round=2, seed=2)
    # The middle doughs of the corner round stand at the ends of the oven's temperature already.
    assert faces.doughs["role"].value_counts().to_dict() == {"axial": 4, "centre": 2}
    both = [pd.concat(two, ignore_index=True) for two in zip(corners, faces, strict=True)]
    told = trials.what_it_tells(*both, FACTORS)
    assert told.effects.loc[told.effects["term"] != "bake_min²", "can_tell"].all()
