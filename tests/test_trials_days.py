"""What is set once a day, such as the oven's temperature: planned, spread over days, judged."""

import numpy as np
import pandas as pd
import pytest

from doughkit import advice, trials
from doughkit.tables import StudyProblems
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
