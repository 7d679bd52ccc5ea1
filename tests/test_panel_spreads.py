"""Which levels of error a serving plan tells apart: known layouts, laws, refusals."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit.panel import serving_plan, spreads, what_spreads
from doughkit.tables import StudyProblems


def layout(pieces_each, repeats, who, *, tastings=3, doughs=4, people=6):
    """A serving plan: `shared` pieces, pieces of one's `own`, or `half` the panel on each."""
    pieces, servings = [], []
    for t, d, a in product(range(tastings), range(doughs), range(people)):
        dough = f"D{t}{d}"
        names = [f"{dough}{k}" + (f"-{a}" if who == "own" else "") for k in range(pieces_each)]
        pieces += [(name, dough, f"B{t}") for name in names]
        for name in names if who != "half" else [names[a % 2]]:
            servings += [(f"T{t}", f"A{a}", name, r + 1) for r in range(repeats)]
    frame = pd.DataFrame(servings, columns=["tasting", "assessor", "piece", "repeat"])
    frame = frame.assign(serving=[f"s{at}" for at in range(len(frame))])
    table = pd.DataFrame(pieces, columns=["piece", "dough", "bake_day"])
    return frame, table.drop_duplicates(ignore_index=True)


@pytest.mark.parametrize(
    ("plan", "apart", "merged"),
    [
        ((2, 1, "shared"), 7, [{"assessor × piece", "single score"}]),
        ((2, 2, "shared"), 8, []),
        (
            (1, 1, "own"),
            5,
            [{"piece", "assessor × dough", "assessor × piece", "single score"}],
        ),
        ((2, 1, "own"), 6, [{"piece", "assessor × piece", "single score"}]),
        ((1, 2, "shared"), 6, [{"dough", "piece"}, {"assessor × dough", "assessor × piece"}]),
        ((2, 2, "half"), 7, [{"assessor × dough", "assessor × piece"}]),
    ],
)
def test_each_layout_tells_apart_what_algebra_says(plan, apart, merged):
    servings, pieces = layout(*plan)
    levels = what_spreads(servings, pieces.drop(columns="bake_day")).levels
    assert len(levels) == 8
    assert levels["told_apart"].sum() + len(merged) == apart
    found = {frozenset([row.level, *row.together_with.split(", ")]) for row in levels.itertuples()}
    assert {one for one in found if "" not in one} == set(map(frozenset, merged))


@pytest.mark.parametrize("plan", [(2, 2, "shared"), (2, 1, "own"), (2, 2, "half")])
def test_degrees_of_freedom_add_up_to_the_servings_less_one(plan):
    servings, pieces = layout(*plan)
    levels = what_spreads(servings, pieces.drop(columns="bake_day")).levels
    alone = levels.loc[levels["told_apart"], "df"].sum()
    shared = levels.loc[~levels["told_apart"]].drop_duplicates("together_with")
    # Half the panel on each piece leaves one df per tasting to people and pieces alike.
    lost = 0 if plan[2] != "half" else len(servings) - 1 - alone - shared["df"].max()
    assert alone + (shared["df"].max() if len(shared) else 0) + lost == len(servings) - 1
    assert lost >= 0


def test_what_is_merged_is_said_in_the_words_of_the_table():
    servings, pieces = layout(2, 1, "shared")
    text = what_spreads(servings, pieces).summary()
    assert "Told apart: 5 of 9 levels of error" in text
    assert "how far a taster repeats himself is not measured" in text
    assert "each bake day has its own tasting, so they are one level" in text
    assert (
        "the luck of a piece passes for the dough's"
        in what_spreads(*layout(1, 2, "shared")).summary()
    )
    assert (
        "a piece's luck passes for a taster's error" in what_spreads(*layout(2, 1, "own")).summary()
    )


def test_two_bake_times_alone_leave_one_degree_of_freedom_less_to_the_piece():
    servings, pieces = layout(2, 2, "shared")
    timed = pieces.assign(bake_min=np.where(pieces["piece"].str.endswith("0"), 5.0, 8.0))
    plain, adjusted = (
        what_spreads(servings, one).levels.set_index("level")["df"] for one in (pieces, timed)
    )
    assert adjusted["piece"] == plain["piece"] - 1
    assert adjusted.drop("piece").equals(plain.drop("piece"))
    assert (
        what_spreads(servings, timed, adjust_for=[])
        .levels["df"]
        .equals(what_spreads(servings, pieces).levels["df"])
    )


def test_a_serving_plan_can_be_handed_on_as_it_is():
    pieces = pd.DataFrame({"piece": ["A1", "A2", "B1", "B2"], "dough": list("AABB")})
    people = pd.DataFrame({"assessor": ["Ann", "Bo", "Cy"]})
    plan = serving_plan(pieces, people, tasting="T1", mode="rested", repeats=2, seed=1)
    levels = what_spreads(plan.servings, pieces).levels
    assert levels["level"].tolist()[:2] == ["dough", "piece"]
    assert levels["told_apart"].all()


def test_what_can_t_be_looked_at_is_refused():
    servings, pieces = layout(2, 1, "shared")
    with pytest.raises(StudyProblems, match="found 1 servings"):
        what_spreads(servings.iloc[:1], pieces)
    with pytest.raises(StudyProblems, match="expected a piece of the table pieces"):
        what_spreads(servings, pieces.iloc[1:])
    with pytest.raises(StudyProblems, match="a column 'oven_c'"):
        what_spreads(servings, pieces, adjust_for=["oven_c"])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_counting_meetings_gives_what_whole_tables_of_groups_give(seed):
    draw = np.random.default_rng(seed)
    count = int(draw.integers(4, 40))
    codes = [pd.factorize(draw.integers(0, n, count))[0] for n in draw.integers(1, 9, 4)]
    codes.append(pd.factorize(codes[0] * 100 + codes[1])[0])
    fixed = np.linalg.qr(np.column_stack([np.ones(count), draw.normal(size=count)]))[0]
    whole = [np.eye(code.max() + 1)[code] for code in codes]
    apart = [one - fixed @ (fixed.T @ one) for one in whole]
    sums = [spreads._sums(code, fixed) for code in codes]
    for one, other in product(range(len(codes)), repeat=2):
        told = spreads._alike(codes[one], codes[other], sums[one], sums[other])
        assert told == pytest.approx(((apart[one].T @ apart[other]) ** 2).sum(), abs=1e-8)
    rank = np.linalg.matrix_rank(np.hstack([fixed, *whole]), tol=1e-7)
    assert spreads._rank(codes, fixed) == rank
