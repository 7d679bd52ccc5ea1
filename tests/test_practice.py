"""The simulated kitchens are what they say, and the comparison runs from end to end."""

import numpy as np
import pytest

from tests.benchmarks.kitchens import FAMILIES, Setting, best_goal, new_kitchen
from tests.benchmarks.practice import OAT, OURS, STOPS, crossing, hold, one_kitchen, run


@pytest.mark.parametrize("number", range(len(FAMILIES)))
def test_a_kitchen_keeps_its_scale_and_its_best_is_the_best(number):
    kitchen = new_kitchen(number)
    x = np.random.default_rng(1).uniform(-1, 1, (2000, 4))
    values = kitchen.truth(x)
    assert values.min() > 1
    assert values.max() < 9
    for goal in ("distance", "desirability"):
        least, at = best_goal(kitchen, goal)
        assert least <= kitchen.goal(values, goal).min() + 1e-6
        assert np.abs(at).max() <= 1


def test_one_kitchen_gives_every_way_and_calibration():
    rows = one_kitchen((0, "base", "distance", 1))
    ways = {row["way"] for row in rows}
    assert {OURS, OAT} <= ways
    own = [row for row in rows if row["way"] == OURS]
    assert [row["doughs"] for row in own] == list(STOPS)
    assert all(row["gap"] >= -1e-3 for row in rows)
    assert all(0 <= row["held"] <= 1 for row in own)


def test_a_crossing_lies_between_its_stops():
    assert crossing([4, 8, 12], [0.2, 0.4, 0.8], 0.5, rising=True) == pytest.approx(9)
    assert crossing([4, 8], [0.2, 0.4], 0.9, rising=True) == 8
    assert crossing([4, 8], [0.6, 0.2], 0.4, rising=False) == pytest.approx(6)


def test_without_noise_a_kitchen_says_its_truth():
    from tests.benchmarks.kitchens import Bench

    calm = Setting(day=0, dough=0, piece=0, level=0, use=0, repeat=0)
    kitchen = new_kitchen(1, calm)
    bench = Bench(kitchen, "distance", np.random.default_rng(1))
    x = np.array([[0.0, 0.5, -0.5, 0.2]])
    bench.bake([x], ["D0"])
    assert np.abs(bench.means[0] - kitchen.truth(x)[0]).max() <= 0.5


@pytest.mark.long
def test_the_bars_hold_on_a_hundred_kitchens():
    table = hold(run(102, 0, 2, 21), draws=200).set_index("bar")
    missed = table[table[""].eq("missed")]
    sure = [
        name
        for name, row in missed.iterrows()
        if (row["asked low"] is not None and row["high95"] < row["asked low"])
        or (row["asked high"] is not None and row["low95"] > row["asked high"])
    ]
    assert not sure
