"""Many formulas at once take little time, and time grows as their number."""

import pytest

from tests.benchmarks import bench_formulas


def test_the_slow_road_leads_to_the_same_figures():
    assert bench_formulas.same_figures()


def test_a_thousand_formulas_are_summed_up_much_faster_in_one_call():
    assert bench_formulas.race(1000)["faster"] > 20


@pytest.mark.long
def test_twenty_thousand_formulas_are_fifty_times_faster_in_one_call():
    assert bench_formulas.race(20_000)["faster"] >= 50


@pytest.mark.long
def test_time_grows_as_the_number_of_formulas():
    assert bench_formulas.growth()[1] < 1.2
