"""Intervals on real data: chocolate cakes left out, and the interval that forgets days."""

import pytest

from tests.benchmarks.replay import replay


def test_cakes_left_out_lie_inside_as_often_as_said_and_a_plain_residual_spread_does_not():
    found = replay(24, seed=2)
    assert 0.75 < found["held"].mean() <= 1
    assert found["naive"].mean() < 0.8


@pytest.mark.long
def test_over_500_draws_nine_in_ten():
    found = replay(500)
    assert 0.85 <= found["held"].mean() <= 0.96
    assert found["naive"].mean() < 0.7
