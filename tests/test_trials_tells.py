"""What a set of doughs can tell: against least squares, simulation and old, unplanned records."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doughkit import trials
from doughkit.tables import StudyProblems
from doughkit.trials.fractional import aliases
from doughkit.trials.models import model_columns
from doughkit.trials.spreads import Spreads
from doughkit.trials.strata import smallest_found

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "fat_pct", "bake_min"],
        "low": [54.0, 1.6, 0.0, 5.0],
        "high": [70.0, 2.6, 4.0, 8.0],
        "changed_per": ["dough", "dough", "dough", "piece"],
    }
)
SPREADS = Spreads(dough=0.4, piece=0.3, tasting=0.6, tasters=4)


def records(levels, bakes=(5.0, 8.0)):
    """Doughs at `levels` (a list of rows), each baked at `bakes`."""
    names = list(FACTORS["factor"][:3])
    doughs = pd.DataFrame(levels, columns=names, dtype=float)
    doughs.insert(0, "dough", [f"D{place}" for place in range(1, len(doughs) + 1)])
    doughs.insert(1, "kind", "test")
    pieces = doughs[["dough"]].merge(pd.DataFrame({"bake_min": bakes}), how="cross")
    pieces.insert(0, "piece", [f"p{place}" for place in range(len(pieces))])
    return doughs, pieces


def drawn(seed, count, bakes=(5.0, 8.0)):
    draw = np.random.default_rng(seed)
    return records(draw.uniform([54, 1.6, 0], [70, 2.6, 4], size=(count, 3)), bakes)


@given(st.integers(0, 10_000), st.integers(6, 12))
@settings(max_examples=25)
def test_standard_errors_are_those_of_generalised_least_squares(seed, count):
    doughs, pieces = drawn(seed, count)
    pieces = pieces.drop(index=[1, 4])
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear", spreads=SPREADS)
    table = pieces.merge(doughs, on="dough")
    columns = sm.add_constant(model_columns(table, FACTORS, "linear"))
    same = (table["dough"].to_numpy()[:, None] == table["dough"].to_numpy()[None]).astype(float)
    error = SPREADS.of_piece * np.eye(len(table)) + SPREADS.dough**2 * same
    fit = sm.GLS(np.zeros(len(table)), columns, sigma=error)
    covariance = np.linalg.inv(fit.wexog.T @ fit.wexog)
    expected = 2 * np.sqrt(np.diag(covariance))[1:]
    assert told.effects["se"].to_numpy() == pytest.approx(expected, rel=1e-7)


def test_the_planned_round_has_the_errors_that_can_be_worked_out_by_hand():
    plan = trials.plan_two_level(FACTORS, centre_doughs=0, seed=1)
    told = trials.what_it_tells(*plan, FACTORS, terms="interactions", spreads=SPREADS)
    errors = told.effects.set_index("effect")["se"]
    # eight doughs of two pieces: a dough effect is a difference of two means of four doughs
    dough = np.sqrt((SPREADS.dough**2 + SPREADS.of_piece / 2) * (1 / 4 + 1 / 4))
    piece = np.sqrt(SPREADS.of_piece * (1 / 8 + 1 / 8))
    assert errors["hydration"] == pytest.approx(dough)
    assert errors["hydration × salt"] == pytest.approx(dough)
    assert errors["bake time"] == pytest.approx(piece)
    assert errors["fat × bake time"] == pytest.approx(piece)
    assert told.effects["widened_by"].to_numpy() == pytest.approx(1.0)
    assert told.strata["df"].tolist() == [1, 4]


def test_leftover_differences_between_doughs_and_pieces_are_counted_by_stratum():
    first = trials.plan_two_level(FACTORS, seed=1)
    told = trials.what_it_tells(*first, FACTORS, terms="interactions")
    assert told.strata.set_index("stratum")["df"].to_dict() == {"dough": 3, "piece": 6}
    both = trials.plan_surface(FACTORS, first.doughs, round=2, seed=2)
    doughs = pd.concat([first.doughs, both.doughs])
    pieces = pd.concat([first.pieces, both.pieces])
    told = trials.what_it_tells(doughs, pieces, FACTORS, block="round")
    # 18 doughs less the mean, the round and 9 terms; 18 pairs less bake time and its 3 pairs
    assert told.strata["df"].tolist() == [18 - 1 - 1 - 9, 18 - 1 - 3]
    assert "Bake time was baked at two levels only: its bend can't be told." in told.sentences
    can = told.effects.set_index("effect")["can_tell"]
    assert not can["the bend of bake time"] and can.drop("the bend of bake time").all()


def test_doughs_in_which_salt_fat_and_water_moved_together_are_seen_through():
    path = np.array([0, 0.2, 0.5, 0.8, 1.0])
    doughs, pieces = records(np.column_stack([54 + 16 * path, 2.6 - path, 4 * path]))
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear")
    assert told.effects.set_index("effect")["can_tell"].to_dict() == {
        "hydration": False,
        "salt": False,
        "fat": False,
        "bake time": True,
    }
    assert "Hydration, salt and fat moved together: can only be told as one." in told.sentences
    pairs = told.travels_together.set_index(["one", "other"])["correlation"]
    assert pairs["hydration_pct", "salt_pct"] == pytest.approx(-1)
    assert pairs["hydration_pct", "fat_pct"] == pytest.approx(1)
    assert abs(pairs["salt_pct", "bake_min"]) < 1e-9
    assert told.effects["travels_with"].iloc[0] == "salt; fat"
    assert told.summary().startswith("1 of 4 effects can be told. Hydration, salt and fat moved")


def test_a_mixture_that_no_pair_shows_is_seen_through():
    square = np.array([[0, 0], [1, 0], [0, 1], [1, 1], [0.5, 0.5], [0.3, 0.8]])
    mixture = np.column_stack([54 + 16 * square[:, 0], 1.6 + square.mean(axis=1), 4 * square[:, 1]])
    doughs, pieces = records(mixture)
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear")
    assert told.travels_together["correlation"].abs().max() < 0.9
    assert not told.effects["can_tell"].iloc[:3].any()
    assert "Hydration, salt and fat moved together: only 2 of them can be told." in told.sentences
    shaken = doughs.assign(salt_pct=doughs["salt_pct"] + [0.01, -0.01, 0, 0.01, 0, -0.02])
    near = trials.what_it_tells(shaken, pieces, FACTORS, terms="linear")
    assert near.effects["can_tell"].all() and (near.effects["widened_by"].iloc[:3] > 10).all()
    assert any("travels with a mixture of the others" in one for one in near.sentences)


@given(st.sampled_from([(4, 1 / 2), (5, 1 / 4), (6, 1 / 8), (3, 1 / 2)]))
@settings(max_examples=4)
def test_the_aliases_of_a_fraction_are_found_again_in_its_doughs(design):
    count, fraction = design
    names = [f"f{number}_pct" for number in range(1, count + 1)]
    factors = pd.DataFrame({"factor": names, "low": 0.0, "high": 1.0, "changed_per": "dough"})
    plan = trials.plan_two_level(
        factors, fraction=fraction, centre_doughs=0, pieces_per_dough=1, seed=1
    )
    told = trials.what_it_tells(*plan, factors, terms="interactions").effects
    said = aliases(factors, fraction=fraction).set_index("effect")["travels_with"]
    for row in told.itertuples():
        assert set(row.travels_with.split("; ")) == set(said.get(row.effect, "").split("; "))


@given(st.integers(0, 10_000))
@settings(max_examples=20)
def test_a_further_dough_never_widens_an_error(seed):
    doughs, pieces = drawn(seed, 7)
    fewer = doughs.iloc[:-1]
    less = trials.what_it_tells(
        fewer, pieces[pieces["dough"].isin(fewer["dough"])], FACTORS, terms="linear"
    )
    more = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear")
    assert (more.effects["se"] <= less.effects["se"] * (1 + 1e-9)).all()


@given(st.integers(0, 10_000))
@settings(max_examples=10)
def test_the_order_of_doughs_and_pieces_does_not_matter(seed):
    doughs, pieces = drawn(seed, 6)
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear")
    mixed = trials.what_it_tells(
        doughs.sample(frac=1, random_state=seed),
        pieces.sample(frac=1, random_state=seed),
        FACTORS,
        terms="linear",
    )
    pd.testing.assert_frame_equal(told.effects, mixed.effects)


def test_the_smallest_change_found_is_found_eight_times_in_ten():
    draw = np.random.default_rng(11)
    error, degrees = 0.3, 6
    shift = smallest_found(error, degrees, 0.90)
    estimates = draw.normal(shift, error, 100_000)
    errors = error * np.sqrt(draw.chisquare(degrees, 100_000) / degrees)
    found = np.abs(estimates / errors) > stats.t.ppf(0.95, degrees)
    assert found.mean() == pytest.approx(0.80, abs=0.004)
    assert np.isnan(smallest_found(error, 0, 0.90))
    assert smallest_found(error, 1, 0.90) > smallest_found(error, 2, 0.90) > shift


def test_no_dough_left_over_is_said_and_promises_nothing():
    plan = trials.plan_two_level(FACTORS, centre_doughs=0, fraction=1 / 2, seed=1)
    told = trials.what_it_tells(*plan, FACTORS, terms="linear")
    assert told.strata["df"].tolist() == [0, 3]
    assert any(one.startswith("No dough is left over") for one in told.sentences)
    assert told.effects.set_index("effect")["smallest"].isna().to_dict() == {
        "hydration": True,
        "salt": True,
        "fat": True,
        "bake time": False,
    }


def test_if_not_all_can_be_told_the_largest_simpler_question_is_named():
    plan = trials.plan_two_level(FACTORS, fraction=1 / 2, seed=1)
    told = trials.what_it_tells(*plan, FACTORS, terms="interactions")
    assert 'With terms="linear" all effects that changed can be told apart.' in told.sentences


def test_where_no_dough_is_baked_twice_bake_time_is_judged_by_doughs():
    doughs, pieces = drawn(5, 9, bakes=(5.0, 8.0))
    single = pieces.iloc[[2 * place + place % 2 for place in range(9)]]
    told = trials.what_it_tells(doughs, single, FACTORS, terms="linear")
    assert set(told.effects["stratum"]) == {"dough"}
    assert told.strata["df"].tolist() == [9 - 1 - 4, 0]


def test_a_factor_that_stood_still_is_told_and_spoils_nothing():
    doughs, pieces = drawn(3, 8)
    told = trials.what_it_tells(doughs.assign(fat_pct=2.0), pieces, FACTORS)
    can = told.effects.set_index("effect")["can_tell"]
    assert can["hydration"] and can["salt × bake time"] and not can["fat"]
    assert "Fat never changed: nothing can be told of it." in told.sentences
    assert "fat_pct" not in set(told.travels_together["one"])


def test_what_else_differed_is_set_beside_the_factors():
    doughs, pieces = records([[54, 1.6, 0], [60, 2.6, 0], [62, 1.6, 4], [70, 2.6, 4]])
    doughs = doughs.assign(
        ferment_h=[20.0, 22, 23, 26],
        flour_lot=["L1", "L1", "L2", "L2"],
        mixed_on=pd.to_datetime(["2026-01-01", "2026-01-02", "2026-01-03", "2026-01-04"]),
    )
    pieces = pieces.assign(bake_order=[1.0, 8, 3, 6, 4, 5, 2, 7], oven="home")
    beside = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear").travels_together
    found = beside.set_index(["one", "other"])
    assert found.loc[("fat_pct", "flour_lot"), "correlation"] == pytest.approx(1)
    assert found.loc[("hydration_pct", "ferment_h"), "correlation"] == pytest.approx(
        np.corrcoef([54, 60, 62, 70], [20, 22, 23, 26])[0, 1]
    )
    assert found.loc[("hydration_pct", "mixed_on"), "over"] == "doughs"
    assert found.loc[("bake_min", "bake_order"), "over"] == "pieces"
    assert "oven" not in set(beside["other"])
    assert beside["correlation"].abs().is_monotonic_decreasing
    assert beside["sentence"].iloc[0].startswith("Fat and flour lot travelled exactly together")


def test_what_is_left_out_is_listed_with_its_reason():
    doughs, pieces = drawn(1, 6)
    doughs = doughs.assign(status=["baked"] * 5 + ["failed"])
    doughs.loc[4, "kind"] = "reference"
    doughs.loc[4, "fat_pct"] = np.nan
    more = pd.DataFrame({"dough": ["C", "N"], "kind": ["control", "test"]})
    pieces = pd.concat([pieces, pd.DataFrame({"piece": ["c"], "dough": ["C"], "bake_min": [6.0]})])
    told = trials.what_it_tells(pd.concat([doughs, more]), pieces, FACTORS, terms="linear")
    assert told.left_out.set_index("dough")["why"].to_dict() == {
        "D5": "reference",
        "D6": "failed",
        "C": "control without levels",
        "N": "no piece",
    }
    assert told.sentences[0].startswith("4 doughs and 8 pieces are read; left out: D5 (reference)")


def test_a_control_belongs_to_no_round_and_is_then_left_out():
    doughs, pieces = drawn(1, 7)
    kind = ["control", *["test"] * 6]
    doughs = doughs.assign(kind=kind, round=[np.nan, 1, 1, 1, 2, 2, 2])
    told = trials.what_it_tells(doughs, pieces, FACTORS, terms="linear", block="round")
    assert told.left_out.values.tolist() == [["D1", "control without round"]]
    with pytest.raises(StudyProblems, match="piece p2, column 'round': found no level"):
        trials.what_it_tells(doughs.assign(round=np.nan), pieces, FACTORS, block="round")


def test_a_control_with_levels_counts():
    doughs, pieces = drawn(1, 6)
    told = trials.what_it_tells(doughs.assign(kind=["control", *["test"] * 5]), pieces, FACTORS)
    assert told.left_out.empty


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda d, p: (d.assign(fat_pct=np.nan), p), "dough D1, column 'fat_pct': found no level"),
        (
            lambda d, p: (d, p.assign(bake_min=np.nan)),
            "piece p0, column 'bake_min': found no level",
        ),
        (lambda d, p: (d, p.assign(dough="X")), "piece p0, column 'dough': found dough X"),
        (lambda d, p: (pd.concat([d, d]), p), "dough D1: found more than one row"),
        (lambda d, p: (d, p.iloc[:0]), "no piece of a test dough"),
        (lambda d, p: (d.drop(columns="salt_pct"), p), "expected a column 'salt_pct'"),
    ],
)
def test_records_with_gaps_are_refused_by_name(spoil, words):
    with pytest.raises(StudyProblems, match=words):
        trials.what_it_tells(*spoil(*drawn(1, 6)), FACTORS)


def test_spreads_below_nothing_and_unknown_blocks_are_refused():
    with pytest.raises(StudyProblems, match="standard deviations of 0 or more"):
        Spreads(dough=-1)
    with pytest.raises(StudyProblems, match="piece or tasting above 0"):
        Spreads(piece=0, tasting=0)
    with pytest.raises(StudyProblems, match="expected a column 'rond'"):
        trials.what_it_tells(*drawn(1, 6), FACTORS, block="rond")


def test_the_covered_share_of_simulated_effects_is_as_the_standard_error_says():
    plan = trials.plan_two_level(FACTORS, seed=1)
    told = trials.what_it_tells(*plan, FACTORS, terms="linear", spreads=SPREADS).effects
    table = plan.pieces.merge(plan.doughs, on="dough")
    columns = sm.add_constant(model_columns(table, FACTORS, "linear")).to_numpy()
    draw = np.random.default_rng(3)
    dough = pd.factorize(table["dough"])[0]
    noise = draw.normal(0, SPREADS.dough, (4000, 10))[:, dough]
    noise = noise + draw.normal(0, np.sqrt(SPREADS.of_piece), (4000, len(table)))
    effects = 2 * (np.linalg.pinv(columns) @ noise.T)[1:]
    assert effects.std(axis=1) == pytest.approx(told["se"].to_numpy(), rel=0.04)


def test_pairs_of_levels_of_a_category_are_told():
    flour = pd.DataFrame({"factor": ["flour"], "levels": ["a|b|c"], "changed_per": "dough"})
    doughs = pd.DataFrame({"dough": list("uvwxyz"), "kind": "test", "flour": list("abcabc")})
    pieces = pd.DataFrame({"piece": list("uvwxyz"), "dough": list("uvwxyz")})
    told = trials.what_it_tells(doughs, pieces, flour, terms="linear", spreads=SPREADS)
    pairs = told.effects[told.effects["term"] == ""].set_index("effect")
    assert list(pairs.index) == [f"flour {a} to {b}" for a, b in combinations("abc", 2)]
    one = SPREADS.dough**2 + SPREADS.of_piece
    assert pairs["se"].to_numpy() == pytest.approx(np.sqrt(one * (1 / 2 + 1 / 2)))
    assert "Flour a to b: standard error" in " ".join(told.sentences)
