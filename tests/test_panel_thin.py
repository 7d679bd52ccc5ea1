"""Sequential lines and rankings of some of the doughs."""

from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest

from doughkit.panel import rank_test
from doughkit.panel.incomplete import durbin_test
from doughkit.panel.sequential import sequential_lines
from doughkit.tables import StudyProblems

BLOCKS = [(0, 1, 3), (1, 2, 4), (2, 3, 5), (3, 4, 6), (0, 4, 5), (1, 5, 6), (0, 2, 6)]


def dealt(orders, blocks, doughs):
    table = np.full((len(blocks), doughs), np.nan)
    for row, block, order in zip(table, blocks, orders, strict=True):
        row[list(block)] = order
    return pd.DataFrame(table, columns=[f"D{at}" for at in range(doughs)])


def test_the_exact_p_counts_every_order():
    blocks = [(0, 1), (0, 2), (1, 2), (0, 1), (0, 2), (1, 2)]
    every = list(product(permutations((1, 2)), repeat=len(blocks)))
    far = [((dealt(one, blocks, 3).fillna(1.5).sum() - 9) ** 2).sum() for one in every]
    for at in (0, 5, 17, 40):
        found = durbin_test(dealt(every[at], blocks, 3)).iloc[0]
        share = np.mean(np.array(far) >= far[at] - 1e-9)
        assert found["method"] == "exact" and found["p"] == pytest.approx(share)


def test_people_who_agree_fully_are_as_rare_as_orders_of_all_doughs():
    orders = [np.argsort(np.argsort(block)) + 1 for block in BLOCKS]
    found = durbin_test(dealt(orders, BLOCKS, 7)).iloc[0]
    # Each of the 7! orders of all doughs is as consistent, out of 3! for each of seven people.
    assert found["p"] == pytest.approx(5040 / 6**7)
    same = durbin_test(dealt(orders, BLOCKS, 7)[[f"D{at}" for at in range(6, -1, -1)]]).iloc[0]
    assert same["p"] == found["p"]


def test_a_plan_that_is_not_even_is_refused():
    orders = [np.argsort(np.argsort(block)) + 1 for block in BLOCKS]
    table = dealt(orders, BLOCKS, 7)
    with pytest.raises(StudyProblems, match="2 to 3 people a dough"):
        durbin_test(table.iloc[:6])
    with pytest.raises(StudyProblems, match="where everybody ranked all, use rank_test"):
        durbin_test(pd.DataFrame(np.tile([1.0, 2, 3], (4, 1)), columns=list("ABC")))
    with pytest.raises(StudyProblems, match="assessor 0: found 1, 1, 3"):
        durbin_test(table.replace({2.0: 1.0}))
    assert rank_test(pd.DataFrame(np.tile([1.0, 2, 3], (4, 1)), columns=list("ABC"))).test[
        "p"
    ].iloc[0] == pytest.approx(1 / 36 / 6)


def test_the_lines_run_parallel_and_a_verdict_stays():
    found = sequential_lines([True, False, True, True, True, True, True], most=12)
    gap = found["different_line"] - found["alike_line"]
    assert np.ptp(gap) == pytest.approx(0, abs=1e-12)
    first = int((found["right"] >= found["different_line"]).idxmax())
    assert (found["verdict"][first:] == "different").all()
    assert (found["verdict"][:first] == "go on").all()
    assert sequential_lines([False] * 4)["verdict"].iloc[3] == "alike"


def test_the_lines_keep_their_risks():
    draw = np.random.default_rng(1)
    alarms = misses = 0
    for _ in range(400):
        for share, wrong in ((1 / 3, "different"), (2 / 3, "alike")):
            answers = (draw.random(60) < share).tolist()
            last = sequential_lines(answers, most=60)["verdict"].iloc[-1]
            alarms += wrong == "different" and last == wrong
            misses += wrong == "alike" and last == wrong
    assert alarms / 400 <= 0.075 and misses / 400 <= 0.135


def test_lines_of_impossible_counts_are_refused():
    with pytest.raises(StudyProblems, match="has to be set before the first answer"):
        sequential_lines([True] * 21)
    with pytest.raises(StudyProblems, match="expected triangle, duo-trio, paired"):
        sequential_lines(kind="tetrad")
    with pytest.raises(StudyProblems, match="give a share, not a percentage"):
        sequential_lines(share_telling_apart=50)
