"""Serving plans: laws of codes and orders, allergens that block, ballots, refusals."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit.panel import ballots, blocks, piece_means, serving_plan
from doughkit.panel.orders import order_balance, williams_rows
from doughkit.tables import StudyProblems
from doughkit.tables.register import TABLES

few = settings(max_examples=12, deadline=None)


def pieces_of(count, **more):
    names = [f"P{at}" for at in range(count)]
    return pd.DataFrame({"piece": names, "dough": [f"D{at // 2}" for at in range(count)], **more})


def people_of(count, **more):
    return pd.DataFrame({"assessor": [f"A{at}" for at in range(count)], **more})


sizes = st.tuples(st.integers(1, 8), st.integers(1, 12), st.integers(1, 2)).filter(
    lambda size: size[0] * size[2] <= 8
)


@few
@given(sizes, st.integers(0, 10**6))
def test_everybody_gets_every_piece_once_a_round_of_portions(size, seed):
    count, people, repeats = size
    plan = serving_plan(
        pieces_of(count),
        people_of(people),
        tasting="T1",
        mode="rested",
        repeats=repeats,
        seed=seed,
    )
    served = plan.servings
    assert not served.duplicated(["assessor", "piece", "repeat"]).any()
    assert len(served) == count * people * repeats
    for _, own in served.groupby("assessor"):
        assert own["position"].tolist() == list(range(1, count * repeats + 1))
        assert own["repeat"].is_monotonic_increasing


@few
@given(sizes, st.integers(0, 10**6))
def test_codes_have_three_different_digits_and_come_once_in_a_tasting(size, seed):
    count, people, repeats = size
    plan = serving_plan(
        pieces_of(count),
        people_of(people),
        tasting="T1",
        mode="rested",
        repeats=repeats,
        seed=seed,
    )
    code = plan.servings["code"]
    assert code.is_unique and plan.servings["serving"].is_unique
    assert code.map(lambda one: len(one) == 3 and len(set(one)) == 3 and one[0] != "0").all()


def test_more_people_than_codes_still_have_their_own_codes_apart():
    plan = serving_plan(pieces_of(8), people_of(120), tasting="T1", mode="rested", seed=1)
    assert not plan.servings.duplicated(["assessor", "code"]).any()
    assert plan.servings["serving"].is_unique


@few
@given(st.integers(2, 8), st.integers(1, 20), st.integers(0, 10**6))
def test_a_part_of_a_set_of_orders_is_nearly_even_and_says_how_much(count, people, seed):
    plan = serving_plan(pieces_of(count), people_of(people), tasting="T1", mode="rested", seed=seed)
    spread = plan.balance["most"] - plan.balance["fewest"]
    assert spread.max() <= (1 if count % 2 == 0 else 2)
    if people % (count if count % 2 == 0 else 2 * count) == 0:
        assert spread.max() == 0


@pytest.mark.parametrize("count", range(2, 11))
def test_carry_over_can_be_parted_from_the_pieces_exactly(count):
    rows = williams_rows(count)
    draw = np.random.default_rng(count)
    direct, carried = draw.normal(size=(2, count))
    design, y = [], []
    for person, order in enumerate(rows):
        for place, piece in enumerate(order):
            line = np.zeros(len(rows) + 3 * count)
            line[person] = line[len(rows) + place] = line[len(rows) + count + piece] = 1
            value = person - 2 * place + direct[piece]
            if place:
                line[len(rows) + 2 * count + order[place - 1]] = 1
                value += carried[order[place - 1]]
            design.append(line)
            y.append(value)
    found = np.linalg.lstsq(np.array(design), np.array(y))[0][-2 * count : -count]
    if count > 2:  # two pieces leave nothing to part the one from the other
        assert found - found[0] == pytest.approx(direct - direct[0], abs=1e-9)


def test_a_person_s_two_rounds_of_portions_have_different_orders():
    plan = serving_plan(pieces_of(4), people_of(4), tasting="T1", mode="rested", repeats=2, seed=5)
    for _, own in plan.servings.groupby("assessor"):
        first, second = (own.loc[own["repeat"] == at, "piece"].tolist() for at in (1, 2))
        assert first != second


def test_the_same_seed_gives_the_same_plan_and_another_seed_another():
    def plan(seed):
        return serving_plan(
            pieces_of(6), people_of(4), tasting="T1", mode="rested", seed=seed
        ).servings

    pd.testing.assert_frame_equal(plan(3), plan(3))
    assert not plan(3)["code"].equals(plan(4)["code"])


def test_served_fresh_everybody_follows_the_bake_order():
    pieces = pieces_of(5, bake_order=[3.0, 1, 5, 2, 4], bake_day="B1")
    plan = serving_plan(pieces, people_of(3), tasting="T1", seed=1)
    for _, own in plan.servings.groupby("assessor"):
        assert own["piece"].tolist() == ["P1", "P3", "P0", "P4", "P2"]
    assert "place and bake order can't be told apart" in plan.summary()
    assert plan.servings["served_after_min"].isna().all()


def test_servings_have_the_columns_and_kinds_of_the_study_s_table():
    plan = serving_plan(pieces_of(4), people_of(3), tasting="T1", mode="rested", seed=1)
    assert list(plan.servings) == TABLES["servings"].names
    numbers = ["repeat", "position", "served_after_min"]
    assert (plan.servings[numbers].dtypes == "float64").all()
    assert (plan.servings.drop(columns=numbers).dtypes == "str").all()


def allergy_plan(avoid, held, **more):
    people = people_of(2, allergens=[avoid, np.nan])
    allergens = pd.DataFrame({"dough": ["D0", "D1"], "allergens": held, **more})
    return serving_plan(
        pieces_of(4), people, tasting="T1", mode="rested", allergens=allergens, seed=1
    )


def test_an_allergen_blocks_the_serving_and_stands_in_the_result():
    plan = allergy_plan("sesame", ["gluten|sesame", "gluten"])
    assert plan.blocked["piece"].tolist() == ["P0", "P1"]
    assert set(plan.blocked["assessor"]) == {"A0"} and set(plan.blocked["tasting"]) == {"T1"}
    assert plan.blocked["why"].iloc[0] == "sesame: dough D0 holds sesame"
    own = plan.servings[plan.servings["assessor"] == "A0"]
    assert set(own["piece"]) == {"P2", "P3"} and own["position"].tolist() == [1, 2]
    assert (plan.servings["assessor"] == "A1").sum() == 4
    assert "Not served: P0 to A0" in plan.summary()


@pytest.mark.parametrize(
    ("avoid", "held"),
    [
        ("wheat", "gluten"),
        ("Gluten", "rye"),
        ("eggs", "egg"),
        ("lactose", "milk"),
        ("soya", "soy"),
        ("nuts", "almond"),
        ("shellfish", "mussels"),
        ("milk, Sesame", "tahini"),
        ("poppy", "poppy|gluten"),
    ],
)
def test_words_of_one_allergen_meet(avoid, held):
    blocked = allergy_plan(avoid, [held, "none"]).blocked
    assert {"P0", "P1"} <= set(blocked["piece"])


def test_in_doubt_a_dough_is_not_served_to_somebody_with_allergens():
    empty = allergy_plan("egg", [np.nan, "gluten"]).blocked
    assert empty["dough"].unique().tolist() == ["D0"] and "not said" in empty["why"].iloc[0]
    unknown = allergy_plan("egg", ["gluten", "gluten"], unknown=["", "sumac: unknown"]).blocked
    assert unknown["dough"].unique().tolist() == ["D1"]
    word = allergy_plan("sesamme|egg", ["gluten", "none"])
    assert len(word.blocked) == 4
    assert "did you mean 'sesame'" in word.blocked["why"].iloc[0]
    people = people_of(2, allergens=["egg", np.nan])
    listed = pd.DataFrame({"dough": ["D0"], "allergens": ["none"]})
    plan = serving_plan(pieces_of(4), people, tasting="T1", mode="rested", allergens=listed, seed=1)
    assert plan.blocked["dough"].unique().tolist() == ["D1"]


def test_a_word_used_for_some_dough_clears_the_others():
    assert allergy_plan("poppy", ["poppy", "gluten"]).blocked["dough"].unique() == ["D0"]


def test_a_taster_s_allergens_without_the_doughs_are_refused():
    people = people_of(2, allergens=["sesame", np.nan])
    with pytest.raises(StudyProblems, match="A0 must not eat sesame; expected the allergens of"):
        serving_plan(pieces_of(4), people, tasting="T1", mode="rested", seed=1)
    with pytest.raises(StudyProblems, match="every portion blocked"):
        serving_plan(
            pieces_of(2),
            people.iloc[:1],
            tasting="T1",
            mode="rested",
            allergens=pd.DataFrame({"dough": ["D0"], "allergens": ["sesame"]}),
            seed=1,
        )


def test_missing_consent_and_knowledge_of_the_formulas_are_noted():
    people = people_of(2, consent_on=pd.to_datetime(["2026-02-26", None]))
    people = people.assign(knows_formulas=["yes", "no"])
    plan = serving_plan(pieces_of(4), people, tasting="T1", mode="rested", seed=1)
    assert "No consent noted for A1" in plan.summary()
    assert "A0 knows which dough is which" in plan.summary()


def test_more_than_eight_portions_are_refused_with_the_numbers():
    with pytest.raises(
        StudyProblems, match=r"found 10 portions a person \(5 pieces × 2\); expected at most 8"
    ):
        serving_plan(pieces_of(5), people_of(3), tasting="T1", mode="rested", repeats=2, seed=1)


def test_what_cannot_be_served_fresh_is_refused_all_at_once():
    pieces = pieces_of(4, bake_order=[1.0, 2, 2, np.nan], bake_day=["B1", "B1", "B2", "B2"])
    with pytest.raises(StudyProblems) as refused:
        serving_plan(pieces, people_of(3), tasting="T1", repeats=2, seed=1)
    found = [problem.found for problem in refused.value.problems]
    assert found == [
        "2 portions of each piece, served fresh",
        "one place for P1, P2",
        "no place for P3",
        "bake days B1, B2",
    ]
    with pytest.raises(StudyProblems, match="no place for P0, P1"):
        serving_plan(pieces_of(2), people_of(3), tasting="T1", seed=1)
    with pytest.raises(StudyProblems, match=r"found 'reste'.*did you mean 'rested'"):
        serving_plan(pieces_of(2), people_of(3), tasting="T1", mode="reste", seed=1)


def test_ballots_are_the_entry_grid_in_ballot_order_and_name_no_piece():
    plan = serving_plan(pieces_of(4), people_of(3), tasting="T1", mode="rested", seed=1)
    attributes = pd.DataFrame({"attribute": ["crispness", "chew"]})
    grid = ballots(plan.servings.sample(frac=1, random_state=1), attributes)
    assert list(grid) == ["tasting", "assessor", "code", "crispness", "chew"]
    assert grid[["crispness", "chew"]].isna().all(axis=None)
    for name, own in grid.groupby("assessor"):
        served = plan.servings[plan.servings["assessor"] == name].sort_values("position")
        assert own["code"].tolist() == served["code"].tolist()


def test_a_filled_grid_reads_back_to_the_pieces_it_came_from():
    plan = serving_plan(pieces_of(4), people_of(3), tasting="T1", mode="rested", seed=1)
    grid = ballots(plan.servings, pd.DataFrame({"attribute": ["chew"]}))
    key = ["tasting", "assessor", "code"]
    joined = grid.merge(plan.servings, on=key)
    strength = joined["piece"].str[1].astype(float)
    ratings = joined[["serving"]].assign(attribute="chew", score=strength)
    found = piece_means(ratings, plan.servings, pieces_of(4)).means
    assert found["mean"].tolist() == pytest.approx([0, 1, 2, 3])


def test_ballots_refuse_doubled_codes_and_names_of_the_grid():
    plan = serving_plan(pieces_of(4), people_of(1), tasting="T1", mode="rested", seed=1)
    with pytest.raises(StudyProblems, match="the name 'code'"):
        ballots(plan.servings, pd.DataFrame({"attribute": ["code"]}))
    with pytest.raises(StudyProblems, match="code 345: found more than one row"):
        ballots(plan.servings.assign(code="345"), pd.DataFrame({"attribute": ["chew"]}))


def test_balance_counts_each_round_of_portions_by_itself():
    rows = [
        ("T1", "1", p, r, at) for at, (p, r) in enumerate([("A", 1), ("B", 1), ("B", 2), ("A", 2)])
    ]
    servings = pd.DataFrame(rows, columns=["tasting", "assessor", "piece", "repeat", "position"])
    assert order_balance(servings)[["fewest", "most"]].values.tolist() == [[1, 1], [1, 1]]
    with pytest.raises(StudyProblems, match="1 empty cells"):
        order_balance(servings.assign(position=[0, 1, np.nan, 3]))


# --- where nobody can taste all ------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["fresh", "rested"])
def test_of_many_pieces_each_person_gets_some_and_every_piece_its_share(mode):
    pieces = pd.DataFrame({"piece": [f"P{at}" for at in range(12)], "dough": "A"})
    pieces["bake_order"] = range(12, 0, -1)
    people = pd.DataFrame({"assessor": list("ABCDEF")})
    plan = serving_plan(pieces, people, tasting="T", mode=mode, each=8, seed=3)
    given = plan.servings.groupby("assessor")["piece"]
    assert (given.nunique() == 8).all() and (given.size() == 8).all()
    balance = plan.balance.set_index("what")
    assert balance.loc["a piece served", ["fewest", "most"]].tolist() == [4, 4]
    assert balance.loc["two pieces to one person", "most"] <= 3
    assert "two pieces to one person" in plan.summary()
    again = serving_plan(pieces, people, tasting="T", mode=mode, each=8, seed=3)
    pd.testing.assert_frame_equal(plan.servings, again.servings)
    if mode == "fresh":
        order = pieces.set_index("piece")["bake_order"]
        for _, own in plan.servings.groupby("assessor"):
            assert own.sort_values("position")["piece"].map(order).is_monotonic_increasing


def test_more_pieces_than_a_person_can_taste_are_refused_with_what_would_do():
    pieces = pd.DataFrame({"piece": [f"P{at}" for at in range(12)], "dough": "A"})
    people = pd.DataFrame({"assessor": list("ABC")})
    with pytest.raises(StudyProblems, match=r"only some pieces \(each=8\)"):
        serving_plan(pieces, people, tasting="T", mode="rested", seed=1)
    for each in (1, 13, 2.5):
        with pytest.raises(StudyProblems, match="a whole number from 2 to all pieces"):
            serving_plan(pieces, people, tasting="T", mode="rested", each=each, seed=1)


@pytest.mark.parametrize("seed", range(6))
def test_what_an_exchange_gains_is_the_cost_before_and_after(seed):
    inside = blocks._begun(9, 6, 4, np.random.default_rng(seed))
    together = inside.T.astype(int) @ inside.astype(int)
    mine, theirs = blocks._apart(inside, [0, 1])
    gain = blocks._gain(together, mine, theirs)
    assert gain.size
    for (a, b), said in np.ndenumerate(gain):
        changed = inside.copy()
        changed[np.ix_([0, 1], [mine[a], theirs[b]])] ^= True
        after = blocks._cost(changed.T.astype(int) @ changed.astype(int))
        assert after - blocks._cost(together) == said
