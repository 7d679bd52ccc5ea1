"""Difference tests and rankings: laws, brute force, and what is refused."""

from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doughkit.panel import comparisons_needed, difference_test, rank_test
from doughkit.panel.comparisons import CHANCE
from doughkit.panel.exact_ranks import friedman_p, trend_p
from doughkit.tables import StudyProblems

few = settings(max_examples=12, deadline=None)
kinds = st.sampled_from(sorted(CHANCE))
counts = st.integers(1, 30).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def one(*args, **options):
    return difference_test(*args, **options).iloc[0]


@few
@given(counts, kinds)
def test_p_is_the_sum_of_what_is_as_far_out(count, kind):
    correct, answers = count
    chance = stats.binom.pmf(np.arange(answers + 1), answers, CHANCE[kind])
    upper = chance[correct:].sum()
    if kind == "paired either way":
        upper = min(1, 2 * min(upper, chance[: correct + 1].sum()))
    assert one(correct, answers, kind=kind)["p"] == pytest.approx(upper)


@few
@given(counts, kinds)
def test_needed_is_the_first_count_whose_p_is_within_the_risk(count, kind):
    _, answers = count
    need = one(0, answers, kind=kind)["correct_needed"]
    if np.isnan(need):
        assert one(answers, answers, kind=kind)["p"] > 0.05
    else:
        assert one(int(need), answers, kind=kind)["p"] <= 0.05 + 1e-12
        assert one(int(need) - 1, answers, kind=kind)["p"] > 0.05


@few
@given(counts, kinds)
def test_the_interval_holds_the_estimate_and_says_what_p_says(count, kind):
    correct, answers = count
    row = one(correct, answers, kind=kind)
    assert row["ci_low"] <= row["share_telling_apart"] <= row["ci_high"]
    assert row["d_prime_low"] <= row["d_prime"] <= row["d_prime_high"]
    if kind != "paired either way":
        assert (row["ci_low"] > 0) == (row["p"] < 0.05)


def test_the_two_directions_of_a_paired_test_mirror_one_another():
    up, down = (one(x, 12, kind="paired either way") for x in (10, 2))
    assert up["p"] == pytest.approx(down["p"])
    assert up["share_telling_apart"] == -down["share_telling_apart"]
    assert up["d_prime"] == pytest.approx(-down["d_prime"])


def test_three_right_of_three_is_all_a_panel_of_three_can_show():
    row = one(3, 3)
    assert row["p"] == pytest.approx(1 / 27) and row["correct_needed"] == 3
    assert np.isinf(row["d_prime"]) and row["ci_high"] == 1
    assert np.isnan(one(2, 2)["share_findable"])


def test_what_can_be_found_is_what_the_number_of_answers_says():
    found = comparisons_needed(0.5).iloc[0]
    enough, short = (one(0, int(found["answers"]) - less)["share_findable"] for less in (0, 1))
    assert enough <= 0.5 < short


@few
@given(st.floats(0.2, 0.8), kinds)
def test_the_safe_number_is_safe_and_the_first_does(share, kind):
    row = comparisons_needed(share, kind=kind).iloc[0]
    pc = CHANCE[kind] + (1 - CHANCE[kind]) * share
    for n in (row["answers"], *range(row["answers_safe"], row["answers_safe"] + 12)):
        need = one(0, int(n), kind=kind)["correct_needed"]
        assert stats.binom.sf(need - 1, n, pc) >= 0.8
    assert row["answers"] <= row["answers_safe"]


def test_impossible_counts_kinds_and_shares_are_refused():
    with pytest.raises(StudyProblems, match="found 7 right of 6"):
        difference_test(7, 6)
    with pytest.raises(StudyProblems, match=r"found 2\.5 right of 6"):
        difference_test(2.5, 6)
    with pytest.raises(StudyProblems, match=r"found 'triangel'.*did you mean 'triangle'"):
        difference_test(3, 6, kind="triangel")
    with pytest.raises(StudyProblems, match="give a share, not a percentage"):
        comparisons_needed(30)
    with pytest.raises(StudyProblems, match="needs more than 3000 answers"):
        comparisons_needed(0.01)


def random_ranks(seed, people, doughs, *, shared):
    draw = np.random.default_rng(seed)
    top = 4 if shared else 10**6
    table = stats.rankdata(draw.integers(0, top, (people, doughs)), axis=1)
    table[0] = np.arange(1, doughs + 1)
    return table


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10**6), st.booleans())
def test_exact_p_counts_every_way_to_rank(seed, shared):
    table = random_ranks(seed, 4, 3, shared=shared)
    place = np.arange(1, 4)
    seen = [
        (np.square(np.sum(rows, 0)).sum(), np.sum(rows, 0) @ place)
        for rows in product(*(list(permutations(row)) for row in table))
    ]
    square, trend = np.array(seen).T
    ours = table.sum(0)
    assert friedman_p(table) == pytest.approx((square >= (ours**2).sum() - 1e-9).mean())
    assert trend_p(table) == pytest.approx((trend >= ours @ place - 1e-9).mean())


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 6), st.integers(3, 5))
def test_the_statistic_and_w_are_those_of_the_textbook(seed, people, doughs):
    table = random_ranks(seed, people, doughs, shared=True)
    found = rank_test(pd.DataFrame(table, columns=list("ABCDEF"[:doughs]))).test.iloc[0]
    if people > 2:
        assert found["chi_square"] == pytest.approx(stats.friedmanchisquare(*table.T).statistic)
    assert found["w"] == pytest.approx(found["chi_square"] / (people * (doughs - 1)))
    assert 0 <= found["w"] <= 1 + 1e-12


def test_many_people_get_the_approximation_and_it_is_named():
    many = pd.DataFrame(random_ranks(1, 60, 7, shared=False), columns=list("ABCDEFG"))
    found = rank_test(many, order=list("ABCDEFG"))
    assert found.test["method"].iloc[0] == "chi-square"
    assert found.trend["method"].iloc[0] == "exact"
    wide = pd.DataFrame(random_ranks(1, 9, 9, shared=False), columns=list("ABCDEFGHI"))
    assert rank_test(wide, order=list("ABCDEFGHI")).trend["method"].iloc[0] == "normal"


def test_an_order_stated_beforehand_has_its_own_answer():
    ranks = pd.DataFrame([[1, 2, 3], [1, 3, 2], [2, 1, 3], [1, 2, 3]], columns=list("ABC"))
    plain, stated = rank_test(ranks), rank_test(ranks, order=["A", "B", "C"])
    assert plain.trend.empty and list(plain.trend) == list(stated.trend)
    assert stated.trend["order"].tolist() == ["A < B < C"]
    assert stated.trend["p"].iloc[0] < plain.test["p"].iloc[0]
    assert rank_test(ranks, order=["C", "B", "A"]).trend["p"].iloc[0] > 0.9
    assert "Along A < B < C" in stated.summary()


def test_people_may_stand_in_a_column_or_in_the_index():
    ranks = pd.DataFrame({"assessor": ["Ann", "Bo"], "A": [1, 2], "B": [2, 1]})
    found = rank_test(ranks)
    assert found.sums["rank_sum"].tolist() == [3, 3]
    assert found.test["p"].iloc[0] == 1


def test_false_ranks_are_refused_with_the_person():
    ranks = pd.DataFrame([[1, 2, 3], [1, 1, 3], [3, np.nan, 1]], columns=list("ABC"))
    ranks.index = ["Ann", "Bo", "Cy"]
    with pytest.raises(StudyProblems) as refused:
        rank_test(ranks)
    assert [problem.key for problem in refused.value.problems] == ["assessor Bo", "assessor Cy"]
    with pytest.raises(StudyProblems, match="found 1 people × 3 doughs"):
        rank_test(ranks.iloc[:1])
    with pytest.raises(StudyProblems, match="every dough on one shared rank"):
        rank_test(pd.DataFrame(np.full((3, 3), 2.0), columns=list("ABC")))
    with pytest.raises(StudyProblems, match="expected each of A, B, C once"):
        rank_test(ranks.iloc[[0, 0]], order=["A", "B"])
