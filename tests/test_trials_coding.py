"""Factors, their coding, steps, limits and model terms."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughkit.tables import StudyProblems
from doughkit.trials.coding import code, decode, to_steps
from doughkit.trials.factors import factors_per, in_words, read_factors
from doughkit.trials.limits import check_limits, level_grid
from doughkit.trials.models import model_columns, model_terms

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "flour", "bake_min"],
        "low": [54.0, 1.6, np.nan, 5.0],
        "high": [70.0, 2.6, np.nan, 8.0],
        "step": [1.0, 0.1, np.nan, 0.5],
        "changed_per": ["dough", "dough", "dough", "piece"],
        "levels": [None, None, "wheat | spelt | rye", None],
    }
)
NUMBERS = FACTORS[FACTORS["levels"].isna()].drop(columns="levels")

levels = st.builds(
    lambda *cells: pd.DataFrame([cells], columns=list(FACTORS["factor"])),
    st.floats(40, 90),
    st.floats(0, 4),
    st.sampled_from(["wheat", "spelt", "rye"]),
    st.floats(2, 12),
)


@given(levels)
def test_decoding_undoes_coding(frame):
    back = decode(code(frame, FACTORS), FACTORS)
    pd.testing.assert_frame_equal(back, frame, check_dtype=False)


@given(st.lists(st.sampled_from(["wheat", "spelt", "rye"]), min_size=1, max_size=9))
def test_the_codes_of_all_levels_of_a_category_sum_to_nothing(flours):
    frame = pd.DataFrame({"flour": [*flours, "wheat", "spelt", "rye"]})
    coded = code(frame, FACTORS.iloc[[2]])
    assert coded.iloc[-3:].sum().abs().max() == 0
    assert list(coded) == ["flour: wheat", "flour: spelt"]


@given(levels, st.integers(-3, 3))
def test_rounding_to_steps_twice_is_rounding_once(frame, shift):
    frame = frame.assign(hydration_pct=frame["hydration_pct"] + shift)
    once = to_steps(frame, FACTORS)
    pd.testing.assert_frame_equal(to_steps(once, FACTORS), once)
    for name, step in (("hydration_pct", 1.0), ("salt_pct", 0.1), ("bake_min", 0.5)):
        assert abs(once[name] - frame[name]).max() <= step / 2 + 1e-9


def test_an_empty_level_stays_empty_and_the_input_is_not_changed():
    frame = pd.DataFrame({"salt_pct": [1.6, np.nan], "flour": ["rye", None]})
    kept = frame.copy(deep=True)
    coded = code(frame, FACTORS.iloc[1:3])
    assert coded.iloc[1].isna().all() and coded["salt_pct"].iloc[0] == -1
    pd.testing.assert_frame_equal(frame, kept)


def test_a_level_beyond_low_and_high_is_coded_beyond_one():
    coded = code(pd.DataFrame({"salt_pct": [3.1]}), FACTORS.iloc[[1]])
    assert coded["salt_pct"].tolist() == pytest.approx([2.0])


def test_category_levels_written_as_numbers_are_found():
    factors = pd.DataFrame({"factor": ["heat"], "changed_per": ["piece"], "levels": ["175|225"]})
    coded = code(pd.DataFrame({"heat": [175, 225]}), factors)
    assert coded["heat: 175"].tolist() == [1.0, -1.0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"low": 70.0}, "found low 70, high 70; expected low below high"),
        ({"step": 3.0}, "take high 69 or 72"),
        ({"step": -1.0}, "found step -1; expected a step above 0"),
        ({"changed_per": "pieces"}, "did you mean 'piece'"),
        ({"levels": "rye"}, "expected two or more levels"),
        ({"high": np.nan}, "found low 54, high nan"),
    ],
)
def test_a_row_of_factors_that_cannot_be_used_is_refused(change, words):
    with pytest.raises(StudyProblems, match=words):
        code(
            pd.DataFrame({"hydration_pct": [60]}),
            FACTORS.iloc[[0]].assign(**change),
        )


def test_all_faults_of_the_factors_come_in_one_report():
    bad = FACTORS.assign(changed_per="x")
    with pytest.raises(StudyProblems) as raised:
        read_factors(pd.concat([bad, bad.iloc[[0]]]))
    assert len(raised.value.problems) == 6
    with pytest.raises(StudyProblems, match="found no rows"):
        read_factors(FACTORS.iloc[:0])


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        ({"salt_pct": ["lots"], "flour": ["rye"]}, "column 'salt_pct': found 'lots'"),
        ({"salt_pct": [2.0], "flour": ["rey"]}, "found 'rey'; expected wheat or spelt or rye; did"),
        ({"salt_pct": [np.inf], "flour": ["rye"]}, "found inf; expected a number"),
        ({"salt": [2.0], "flour": ["rye"]}, "did you mean 'salt'"),
    ],
)
def test_a_level_that_cannot_be_coded_is_named(frame, words):
    with pytest.raises(StudyProblems, match=words):
        code(pd.DataFrame(frame), FACTORS.iloc[1:3])
    frame["dough"] = ["D3"]
    if "salt" not in frame:
        with pytest.raises(StudyProblems, match="dough D3"):
            code(pd.DataFrame(frame), FACTORS.iloc[1:3])


def test_a_category_cannot_lie_between_its_levels():
    between = pd.DataFrame({"flour: wheat": [0.5], "flour: spelt": [0.5]})
    with pytest.raises(StudyProblems, match="cannot lie between its levels"):
        decode(between, FACTORS.iloc[[2]])


def test_names_are_spoken_without_units():
    spoken = [in_words(name) for name in (*FACTORS["factor"], "air_c", "dough_g_per_cm2")]
    assert spoken == ["hydration", "salt", "flour", "bake time", "air temperature", "dough"]


def test_factors_are_kept_by_what_they_belong_to():
    assert factors_per(FACTORS, "dough")["factor"].tolist() == list(FACTORS["factor"][:3])
    assert factors_per(FACTORS, "day", "piece")["factor"].tolist() == ["bake_min"]


LIMITS = pd.DataFrame(
    {
        "limit": ["can be rolled", "can be rolled", "salty enough"],
        "factor": ["hydration_pct", "bake_min", "salt_pct"],
        "weight": [1.0, -2.0, 1.0],
        "low": [44.0, np.nan, 1.8],
        "high": [np.nan, 58.0, np.nan],
    }
)


def test_limits_are_sums_with_bounds_on_any_of_their_rows():
    frame = pd.DataFrame({"hydration_pct": [54, 70, 60], "bake_min": [5, 5, 8], "salt_pct": 1.8})
    held = check_limits(frame, LIMITS)
    assert held.loc[held["limit"] == "can be rolled", "sum"].tolist() == [44, 60, 44]
    assert held.loc[held["limit"] == "can be rolled", "met"].tolist() == [True, False, True]
    assert held.loc[held["limit"] == "salty enough", "met"].all()
    assert check_limits(frame, None).empty


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"low": np.nan, "high": np.nan}, "limit salty enough: found no low and no high"),
        ({"low": [1.0, 2.0, 3.0]}, "found low 1 and 2; expected one low per limit"),
        ({"factor": ["hydration_pct", "bake_min", "salty_pct"]}, "did you mean 'salt_pct'"),
    ],
)
def test_limits_that_bound_nothing_are_refused(change, words):
    frame = pd.DataFrame({"hydration_pct": [54], "bake_min": [5], "salt_pct": [1.8]})
    with pytest.raises(StudyProblems, match=words):
        check_limits(frame, LIMITS.assign(**change))


def test_the_grid_holds_every_settable_level_within_the_limits_and_no_other():
    grid = level_grid(NUMBERS, LIMITS)
    full = 17 * 11 * 7
    assert len(level_grid(NUMBERS)) == full
    sums = grid["hydration_pct"] - 2 * grid["bake_min"]
    assert sums.between(44, 58).all() and (grid["salt_pct"] >= 1.8).all()
    assert (full - len(grid)) > 0
    pd.testing.assert_frame_equal(to_steps(grid, NUMBERS), grid)
    few = level_grid(NUMBERS, levels_each=3)
    assert few["salt_pct"].unique().tolist() == [1.6, 2.1, 2.6]


def test_a_grid_without_end_is_refused():
    with pytest.raises(StudyProblems, match=r"factor salt_pct.*give the step"):
        level_grid(NUMBERS.assign(step=[1.0, np.nan, 0.5]))
    with pytest.raises(StudyProblems, match="give levels_each"):
        level_grid(NUMBERS.assign(step=[0.1, 0.005, 0.05]))


def test_a_quadratic_model_has_its_count_of_terms():
    for count in (1, 2, 3):
        listed = model_terms(NUMBERS.iloc[:count])
        assert len(listed) == count + count * (count - 1) / 2 + count
    with_category = model_terms(FACTORS, "interactions")
    assert (with_category["kind"] == "linear").sum() == 5
    assert (with_category["kind"] == "interaction").sum() == 3 + 3 * 2


def test_a_term_belongs_to_the_piece_if_one_of_its_factors_does():
    listed = model_terms(NUMBERS).set_index("term")
    assert listed.loc["hydration_pct × bake_min", "stratum"] == "piece"
    assert listed.loc["hydration_pct × salt_pct", "stratum"] == "dough"
    assert listed.loc["bake_min²", "words"] == "the bend of bake time"
    day = model_terms(NUMBERS.assign(changed_per=["day", "dough", "piece"]), "linear")
    assert day["stratum"].tolist() == ["day", "dough", "piece"]


@given(levels)
def test_products_and_bends_are_made_of_the_coded_columns(frame):
    columns = model_columns(frame, FACTORS)
    coded = code(frame, FACTORS)
    assert columns["salt_pct²"].iloc[0] == pytest.approx(coded["salt_pct"].iloc[0] ** 2)
    assert columns["salt_pct × flour: wheat"].iloc[0] == pytest.approx(
        coded["salt_pct"].iloc[0] * coded["flour: wheat"].iloc[0]
    )
    assert list(columns) == list(model_terms(FACTORS)["term"])


def test_a_model_may_be_some_of_its_terms_but_no_strange_one():
    some = model_terms(NUMBERS).query("kind != 'bend'")
    columns = model_columns(level_grid(NUMBERS, levels_each=2), NUMBERS, some)
    assert list(columns) == list(some["term"])
    with pytest.raises(StudyProblems, match="salt_pct³"):
        model_columns(
            pd.DataFrame({"salt_pct": [2.0]}),
            NUMBERS.iloc[[1]],
            pd.DataFrame({"term": ["salt_pct³"]}),
        )
    with pytest.raises(StudyProblems, match="expected linear or interactions or quadratic"):
        model_terms(NUMBERS, "cubic")


def test_a_grid_over_some_factors_keeps_the_others_in_the_middle():
    name = NUMBERS["factor"].iloc[0]
    grid = level_grid(NUMBERS.assign(step=np.nan), over=[name], levels_each=3)
    assert len(grid) == 3 and grid.drop(columns=name).drop_duplicates().shape[0] == 1
    still = NUMBERS.set_index("factor")[["low", "high"]].mean(axis=1).drop(name)
    assert grid.drop(columns=name).iloc[0].to_dict() == pytest.approx(still.to_dict())
    with pytest.raises(StudyProblems, match="no factor 'salz_pct'"):
        level_grid(NUMBERS, over=["salz_pct"])
