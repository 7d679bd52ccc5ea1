"""What else differed beside the factors, and what was held from piece to piece."""

import numpy as np
import pandas as pd
import pytest

from doughkit import texture, trials
from doughkit.tables import StudyProblems
from doughkit.trials.hold import dough_per_area, held_mass
from doughkit.trials.nuisances import beside_the_factors

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "bake_min"],
        "low": [54.0, 1.6, 5.0],
        "high": [70.0, 2.6, 8.0],
        "changed_per": ["dough", "dough", "piece"],
    }
)
VARIED = pd.DataFrame(
    {
        "dough": ["A", "A", "B", "B"],
        "ingredient": ["bread flour", "water"] * 2,
        "percent": [100.0, 54.0, 100.0, 70.0],
    }
)


def baked(seed=1):
    doughs, pieces = trials.plan_two_level(FACTORS, centre_doughs=4, seed=seed)
    draw = np.random.default_rng(seed)
    doughs = doughs.assign(ferment_h=draw.choice([20.0, 22.0, 26.0], len(doughs)))
    return doughs, pieces.assign(bake_order=draw.permutation(len(pieces)) + 1.0)


def rated(doughs, pieces, per_place=0.0, per_hour=0.0, noise=0.0):
    both = pieces.merge(doughs, on="dough")
    mean = 5 + both["bake_order"] * per_place + both["ferment_h"] * per_hour
    mean += (both["hydration_pct"] - 62) / 8
    mean += noise * np.random.default_rng(5).normal(size=len(both))
    return pd.DataFrame({"attribute": "crispness", "piece": both["piece"], "mean": mean})


def test_a_slope_that_was_put_in_comes_out_of_its_own_stratum():
    doughs, pieces = baked()
    for name, options, true in (
        ("bake_order", {"per_place": -0.1}, -0.1),
        ("ferment_h", {"per_hour": 0.2}, 0.2),
    ):
        found = beside_the_factors(rated(doughs, pieces, **options), doughs, pieces, FACTORS)
        assert found.set_index("beside").loc[name, "slope"] == pytest.approx(true)


def test_the_slope_and_its_interval_are_those_of_texture_with_one_more_factor():
    doughs, pieces = baked()
    means = rated(doughs, pieces, 0.05, noise=0.4)
    found = beside_the_factors(means, doughs, pieces, FACTORS).set_index("beside")
    more = {"factor": "bake_order", "low": 1.0, "high": 3.0, "changed_per": "piece"}
    fitted = texture.fit(
        means, doughs, pieces, pd.concat([FACTORS, pd.DataFrame([more])]), terms="linear"
    ).effects.set_index("term")
    row, theirs = found.loc["bake_order"], fitted.loc["bake_order"]
    assert 2 * row["slope"] == pytest.approx(theirs["low_to_high"])
    assert [2 * row["ci_low"], 2 * row["ci_high"]] == pytest.approx(
        [theirs["ci_low"], theirs["ci_high"]]
    )
    without = texture.fit(means, doughs, pieces, FACTORS, terms="linear").effects
    shift = fitted["low_to_high"].drop("bake_order") - without.set_index("term")["low_to_high"]
    assert row["moved_by"] == pytest.approx(shift[shift.abs().idxmax()])


def test_what_travels_exactly_with_a_factor_has_no_slope_of_its_own():
    doughs, pieces = baked()
    doughs = doughs.assign(ferment_h=doughs["salt_pct"] * 10)
    found = beside_the_factors(rated(doughs, pieces, noise=0.2), doughs, pieces, FACTORS)
    row = found.set_index("beside").loc["ferment_h"]
    assert np.isnan(row["slope"]) and row["travels_with"] == "salt"
    assert row["correlation"] == pytest.approx(1)


def test_lots_and_days_are_set_against_the_first_and_a_constant_is_passed_over():
    doughs, pieces = baked()
    doughs = doughs.assign(
        flour_lot=["L1", "L2"] * (len(doughs) // 2), ferment_h=24.0, dough_c=np.nan
    )
    found = beside_the_factors(rated(doughs, pieces, noise=0.2), doughs, pieces, FACTORS)
    assert set(found["beside"]) == {"flour_lot", "bake_order"}
    assert found.set_index("beside").loc["flour_lot", "per"] == "L2 against L1"


def test_holding_dough_mass_or_flour_holds_what_it_says():
    mass = held_mass(VARIED, piece_g=200)
    flour = held_mass(VARIED, piece_g=200, rule="flour")
    assert mass["piece_mass_g"].tolist() == [200, 200]
    assert mass["flour_per_piece_g"].to_numpy() == pytest.approx([200 / 1.54, 200 / 1.70])
    assert np.ptp(flour["flour_per_piece_g"]) == pytest.approx(0)
    assert flour["piece_mass_g"].mean() == pytest.approx(200)
    with pytest.raises(StudyProblems, match="expected dough mass or flour"):
        held_mass(VARIED, piece_g=200, rule="thickness")
    with pytest.raises(StudyProblems, match="a mass above 0"):
        held_mass(VARIED, piece_g=0)


def test_a_piece_rolled_wider_by_more_than_the_bound_is_named():
    pieces = pd.DataFrame(
        {
            "piece": list("abcd"),
            "mass_before_g": [200.0, 204.0, 200.0, np.nan],
            "length_mm": [400.0, 400.0, 410.0, 400.0],
            "width_mm": [200.0, 200.0, 204.0, 200.0],
        }
    )
    found = dough_per_area(pieces)
    assert found["held"].tolist()[:3] == ["yes", "yes", "no"] and pd.isna(found["held"][3])
    assert found["dough_g_per_cm2"][0] == pytest.approx(0.25)
    with pytest.raises(StudyProblems, match="piece b, column 'width_mm': found 0"):
        dough_per_area(pieces.assign(width_mm=[200.0, 0.0, 200.0, 200.0]))
    with pytest.raises(StudyProblems, match="length_mm"):
        dough_per_area(pieces[["piece", "mass_before_g"]])


def test_beside_something_set_once_a_day_a_slope_is_that_of_texture_with_days():
    oven = {"factor": "oven_c", "low": 230.0, "high": 270.0, "changed_per": "day"}
    factors = pd.concat([FACTORS, pd.DataFrame([oven])], ignore_index=True)
    doughs, pieces = trials.plan_two_level(factors, centre_doughs=4, seed=3)
    kitchen = {"oven": "home", "preheat_min": 60.0, "gap_min": 5.0, "pieces_per_bake": 1.0}
    pieces = trials.plan_days((doughs, pieces), pd.DataFrame([kitchen]), factors, seed=3)
    draw = np.random.default_rng(3)
    doughs = doughs.assign(ferment_h=draw.choice([20.0, 22.0, 26.0], len(doughs)))
    means = rated(doughs, pieces, per_hour=0.2, noise=0.4)
    found = beside_the_factors(means, doughs, pieces, factors).set_index("beside")
    more = {"factor": "ferment_h", "low": 20.0, "high": 26.0, "changed_per": "dough"}
    wider = pd.concat([factors, pd.DataFrame([more])], ignore_index=True)
    fitted = texture.fit(means, doughs, pieces, wider, terms="linear")
    row = fitted.effects.set_index("term").loc["ferment_h"]
    assert found.loc["ferment_h", "slope"] == pytest.approx(row["low_to_high"] / 6)
    assert found.loc["ferment_h", "se"] == pytest.approx(row["se"] / 6)
    assert found.loc["ferment_h", "df"] == pytest.approx(row["df"])
