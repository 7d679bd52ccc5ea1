"""What differed beside the factors: would it change the recommendation?"""

import numpy as np
import pytest

from doughkit import advice
from tests.test_advice import demo_study, measured_study


def aged(per_hour, follows=0.5, seed=4):
    """Doughs whose age partly follows their hydration and moves the firmness by `per_hour`."""
    tables = measured_study(seed=seed, aim=9.0)
    doughs = tables["doughs"].drop(columns="mixed_on")
    own = np.random.default_rng(seed).choice([-1.0, 0.0, 1.0], len(doughs))
    place = (doughs["hydration_pct"] - 62) / 8
    doughs["ferment_h"] = (22 + 2 * (follows * place + (1 - follows) * own)).round(2)
    age = tables["pieces"]["dough"].map(doughs.set_index("dough")["ferment_h"]) - 22
    pieces = tables["pieces"].assign(
        firmness_g=tables["pieces"]["firmness_g"] + per_hour * age,
    )
    return tables | {"doughs": doughs, "pieces": pieces}


def test_an_age_that_drives_the_texture_and_follows_the_water_changes_the_advice():
    found = advice.allowing_for(aged(4.0), seed=1)
    row = found.found.set_index("beside").loc["ferment_h"]
    assert row["changes"] == "yes"
    assert row["travels_with"] == "hydration"
    assert row["worse"] > 0.1
    assert found.summary().startswith("Allowing for ferment time, choose ")
    assert row["moves"] in found.summary() and " instead of " in row["moves"]
    weaker = advice.allowing_for(aged(1.0), seed=1).found["worse"].item()
    assert weaker < row["worse"]


def test_an_age_that_does_nothing_changes_nothing():
    found = advice.allowing_for(aged(0.0), seed=1)
    assert found.found["changes"].eq("no").all()
    assert found.summary() == "Allowing for ferment time changes nothing."


def test_an_age_that_always_went_with_the_water_is_said_to_be_beyond_telling():
    found = advice.allowing_for(aged(2.0, follows=1.0), seed=1)
    assert found.found["changes"].tolist() == ["can't be told"]
    assert "moved together with the factors: it can't be allowed for" in found.summary()


def test_where_nothing_else_differed_there_is_nothing_to_allow_for():
    tables = aged(0.0)
    tables["doughs"] = tables["doughs"].drop(columns="ferment_h")
    assert advice.allowing_for(tables, seed=1).summary().startswith("Nothing else")


def test_the_study_and_its_recommendation_stay_as_they_were():
    tables = demo_study()
    before = {name: frame.copy() for name, frame in tables.items()}
    first = advice.recommend(tables, seed=1).levels
    found = advice.allowing_for(tables, seed=1).found
    assert {"ferment_h", "bake_order"} <= set(found["beside"])
    assert "bake_day" not in set(found["beside"])
    for name, frame in tables.items():
        assert frame.equals(before[name])
    assert advice.recommend(tables, seed=1).levels.equals(first)
    assert found["worse"].min() == pytest.approx(0, abs=1e-9)


def test_an_age_that_is_not_written_down_throughout_is_asked_for():
    tables = aged(4.0)
    doughs = tables["doughs"].copy()
    doughs.loc[0, "ferment_h"] = np.nan
    found = advice.allowing_for(tables | {"doughs": doughs}, seed=1)
    assert "Ferment time is missing for 3 pieces: fill it in" in found.summary()


def test_a_flour_lot_that_was_not_always_measured_is_allowed_for_all_the_same():
    tables = aged(0.0)
    doughs = tables["doughs"].drop(columns="ferment_h")
    doughs["flour_lot"] = list("ABC" * 4)[: len(doughs)]
    lots = tables["pieces"]["dough"].map(doughs.set_index("dough")["flour_lot"])
    pieces = tables["pieces"].assign(firmness_g=tables["pieces"]["firmness_g"].mask(lots.eq("A")))
    found = advice.allowing_for(tables | {"doughs": doughs, "pieces": pieces}, seed=1)
    assert found.found["beside"].tolist() == ["flour_lot"]


def test_an_age_that_does_nothing_seldom_changes_anything():
    told = [advice.allowing_for(aged(0.0, seed=seed), seed=1).found["changes"] for seed in range(8)]
    assert sum(one.eq("yes").sum() for one in told) <= 2


@pytest.mark.long
def test_an_age_is_blamed_where_it_acts_and_seldom_where_it_does_not():
    """Of 40 kitchens each: at most 4 where it does nothing, half or more where it acts."""
    blamed = {
        per_hour: sum(
            advice.allowing_for(aged(per_hour, seed=seed), seed=1).found["changes"].eq("yes").sum()
            for seed in range(100, 140)
        )
        for per_hour in (0.0, 4.0)
    }
    assert blamed[0.0] <= 4 and blamed[4.0] >= 20
