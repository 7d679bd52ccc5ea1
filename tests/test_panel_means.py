"""Piece means: laws over random panels with gaps, a second road, refusals by their words."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit.panel import piece_means
from doughkit.tables import StudyProblems

PEOPLE = ("Ann", "Bo", "Cy", "Di", "Ed")


def study(table, *, attribute="crispness", tasting="T1", repeats=1):
    """Ratings, servings, pieces of an array piece × assessor (× repeat); NaN = not answered."""
    table = np.asarray(table, dtype=float).reshape(len(table), -1, repeats)
    rows = [
        (f"{tasting}-{p}-{a}-{r}", tasting, PEOPLE[a], f"P{p}", float(r + 1), table[p, a, r])
        for p in range(table.shape[0])
        for a in range(table.shape[1])
        for r in range(repeats)
    ]
    servings = pd.DataFrame(
        rows, columns=["serving", "tasting", "assessor", "piece", "repeat", "score"]
    )
    ratings = servings[["serving", "score"]].assign(attribute=attribute)
    names = [f"P{p}" for p in range(table.shape[0])]
    pieces = pd.DataFrame({"piece": names, "dough": [f"D{p // 2}" for p in range(len(names))]})
    return ratings, servings.drop(columns="score"), pieces


def random_panel(seed, *, gaps=0.2, pieces=6, people=4, repeats=1):
    draw = np.random.default_rng(seed)
    table = draw.integers(1, 10, (pieces, people * repeats)).astype(float)
    hole = draw.random(table.shape) < gaps
    hole[:, 0] = hole[0] = False  # one person and one piece complete: everything is linked
    return np.where(hole, np.nan, table)


seeds = st.integers(0, 10**6)
few = settings(max_examples=12, deadline=None)


@few
@given(seeds)
def test_a_full_table_gives_plain_means_and_no_correlation(seed):
    table = random_panel(seed, gaps=0)
    found = piece_means(*study(table))
    assert found.means["mean"].to_numpy() == pytest.approx(table.mean(1))
    cov = found.covariance["crispness"].to_numpy()
    assert cov == pytest.approx(np.eye(6) * cov[0, 0], abs=1e-12)


@few
@given(seeds, st.floats(-50, 50))
def test_a_taster_s_level_never_shifts_the_differences_between_pieces(seed, shift):
    table = random_panel(seed)
    shifted = table.copy()
    shifted[:, 2] += shift
    plain, moved = (piece_means(*study(one)).means for one in (table, shifted))
    difference = moved["mean"] - plain["mean"]
    assert difference.to_numpy() == pytest.approx(shift / 4, abs=1e-9)
    assert moved["se"].to_numpy() == pytest.approx(plain["se"].to_numpy())


@few
@given(seeds)
def test_an_absent_row_means_the_same_as_an_empty_score(seed):
    ratings, servings, pieces = study(random_panel(seed))
    full = piece_means(ratings, servings, pieces)
    bare = piece_means(ratings[ratings["score"].notna()], servings, pieces)
    pd.testing.assert_frame_equal(full.means, bare.means)


@few
@given(seeds)
def test_means_and_covariance_equal_least_squares_by_a_second_road(seed):
    table = random_panel(seed)
    pieces, people = table.shape
    at = np.argwhere(~np.isnan(table))
    design = np.zeros((len(at), pieces + people))
    design[np.arange(len(at)), at[:, 0]] = 1
    design[np.arange(len(at)), pieces + at[:, 1]] = 1
    y = table[tuple(at.T)]
    inverse = np.linalg.pinv(design.T @ design)
    wanted = np.hstack([np.eye(pieces), np.full((pieces, people), 1 / people)])
    effects = inverse @ design.T @ y
    df = len(at) - pieces - people + 1
    error = ((y - design @ effects) ** 2).sum() / df
    found = piece_means(*study(table))
    assert found.means["mean"].to_numpy() == pytest.approx(wanted @ effects)
    assert (found.means["df"] == df).all()
    cov = error * wanted @ inverse @ wanted.T
    # The tasters are taken as they are, so their own spread is not in it.
    assert found.covariance["crispness"].to_numpy() == pytest.approx(cov, abs=1e-9)


@few
@given(seeds)
def test_the_order_of_rows_does_not_matter(seed):
    ratings, servings, pieces = study(random_panel(seed))
    plain = piece_means(ratings, servings, pieces).means
    mixed = piece_means(
        ratings.sample(frac=1, random_state=1), servings.sample(frac=1, random_state=2), pieces
    ).means
    pd.testing.assert_frame_equal(plain, mixed)


def test_second_portions_are_one_person_s_opinion_not_two_people():
    table = random_panel(3, gaps=0)
    doubled = np.repeat(table, 2, axis=1)  # each person says the same twice
    once, twice = piece_means(*study(table)), piece_means(*study(doubled, repeats=2))
    assert twice.means["se"].to_numpy() == pytest.approx(once.means["se"].to_numpy())
    assert (twice.means["answers"] == 8).all() and (twice.means["assessors"] == 4).all()


def test_a_person_with_one_second_portion_counts_no_more_than_the_others():
    ratings, servings, pieces = study([[2, 6], [4, 8]])
    more = servings.iloc[[0]].assign(serving="again", repeat=2.0)
    rating = pd.DataFrame({"serving": ["again"], "attribute": ["crispness"], "score": [4.0]})
    found = piece_means(pd.concat([ratings, rating]), pd.concat([servings, more]), pieces)
    assert found.means["mean"].tolist() == pytest.approx([4.5, 6.0])
    assert found.means["answers"].tolist() == [3, 2]


def test_pieces_of_several_tastings_stand_on_one_scale():
    first = study(random_panel(5, gaps=0))
    second = study(random_panel(6, gaps=0), tasting="T2")
    found = piece_means(
        pd.concat([first[0], second[0]]), pd.concat([first[1], second[1]]), first[2]
    )
    assert (found.means["tasting"] == "T1 | T2").all()
    assert (found.means["answers"] == 8).all()


def test_each_attribute_has_its_own_gaps_and_its_own_error():
    crisp = study(random_panel(1))
    chew = study(random_panel(2), attribute="chew")
    both = piece_means(pd.concat([crisp[0], chew[0]]), crisp[1], crisp[2])
    for ratings, name in ((crisp[0], "crispness"), (chew[0], "chew")):
        alone = piece_means(ratings, crisp[1], crisp[2]).means
        got = both.means[both.means["attribute"] == name].reset_index(drop=True)
        pd.testing.assert_frame_equal(got, alone)


def test_a_piece_nobody_answered_is_left_out_by_name():
    table = random_panel(1, gaps=0)
    table[4] = np.nan
    found = piece_means(*study(table))
    assert found.left_out.values.tolist() == [["crispness", "P4", "no answer"]]
    assert "P4" not in set(found.means["piece"])
    assert "1 without any answer left out" in found.summary()


def test_one_taster_alone_gives_means_without_error():
    found = piece_means(*study([[3], [5]]))
    assert found.means["mean"].tolist() == [3, 5]
    assert found.means["se"].isna().all() and (found.means["df"] == 0).all()
    assert "no error to be had" in found.summary()


def test_intervals_say_scope_dof_and_level():
    found = piece_means(*study(random_panel(1, gaps=0)), level=0.95).means
    assert set(found["scope"]) == {"this_panel"} and set(found["ci_level"]) == {0.95}
    half = (found["ci_high"] - found["ci_low"]) / 2
    assert (half / found["se"]).tolist() == pytest.approx([2.131] * 6, abs=5e-4)  # t, 15 dof


def test_pieces_no_common_taster_links_are_refused_by_name():
    table = np.full((4, 4), np.nan)
    table[:2, :2], table[2:, 2:] = 5, 6
    with pytest.raises(
        StudyProblems,
        match=r"attribute crispness: found pieces P0, P1 tasted only by Ann, Bo; "
        r"pieces P2, P3 tasted only by Cy, Di",
    ):
        piece_means(*study(table))


def test_a_doubled_score_and_a_doubled_serving_are_refused():
    ratings, servings, pieces = study(random_panel(1, gaps=0))
    with pytest.raises(StudyProblems, match="serving T1-0-0-0 attribute crispness"):
        piece_means(pd.concat([ratings, ratings.iloc[[0]]]), servings, pieces)
    again = servings.iloc[[0]].assign(serving="other")
    with pytest.raises(StudyProblems, match=r"tasting T1 assessor Ann piece P0 repeat 1\.0"):
        piece_means(ratings, pd.concat([servings, again]), pieces)


def test_all_problems_of_the_three_tables_come_together():
    ratings, servings, pieces = study(random_panel(1, gaps=0))
    ratings.loc[0, "serving"] = "T9"
    with pytest.raises(StudyProblems) as refused:
        piece_means(ratings, servings, pieces.iloc[1:])
    assert [problem.table for problem in refused.value.problems] == ["ratings", "servings"]


def test_text_and_endless_scores_and_no_scores_are_refused():
    ratings, servings, pieces = study(random_panel(1, gaps=0))
    with pytest.raises(StudyProblems, match="column 'score': found text"):
        piece_means(ratings.assign(score="7"), servings, pieces)
    with pytest.raises(StudyProblems, match="an endless number"):
        piece_means(ratings.assign(score=np.inf), servings, pieces)
    with pytest.raises(StudyProblems, match="no answered score"):
        piece_means(ratings.assign(score=np.nan), servings, pieces)


def test_the_tables_given_are_not_changed():
    given_tables = study(random_panel(1))
    kept = [table.copy(deep=True) for table in given_tables]
    piece_means(*given_tables)
    for before, after in zip(kept, given_tables, strict=True):
        pd.testing.assert_frame_equal(before, after)


def test_intervals_cover_the_panel_s_own_mean_as_often_as_they_say():
    draw, inside = np.random.default_rng(11), []
    for _ in range(150):
        truth = draw.normal(5, 1, 6)
        level = draw.normal(0, 1, 4)
        table = truth[:, None] + level + draw.normal(0, 0.8, (6, 4))
        table[draw.random((6, 4)) < [0, 0.2, 0.2, 0.2]] = np.nan
        found = piece_means(*study(table)).means
        aim = truth + level.mean()
        inside.append((found["ci_low"] <= aim) & (aim <= found["ci_high"]))
    assert 0.87 <= np.mean(inside) <= 0.93
