"""Declared attributes, tasters left out, just about right, sheets, and what a panel can find."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit.panel import compare_doughs, key_answers, with_and_without
from doughkit.panel.just_right import just_about_right
from doughkit.panel.power import panel_power
from doughkit.panel.sheets import tasting_sheets
from doughkit.tables import StudyProblems
from tests.outside import panels

SCALES = pd.DataFrame(
    {"attribute": ["salt", "liked"], "kind": ["just about right", "liking"], "low": 1.0}
).assign(high=[5.0, 9.0])


def answers_with(*p):
    return pd.DataFrame({"attribute": [f"a{at}" for at in range(len(p))], "p": p})


def declared(keys, count):
    names = [f"a{at}" for at in range(count)]
    return pd.DataFrame({"attribute": names, "key": ["yes"] * keys + ["no"] * (count - keys)})


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=3))
def test_holm_never_lowers_a_p_never_beats_bonferroni_and_keeps_the_order(p):
    found = key_answers(answers_with(*p), declared(len(p), len(p)))
    holm = found["p_holm"].to_numpy()
    assert (holm >= np.array(p) - 1e-12).all()
    assert (holm <= np.minimum(1, len(p) * np.array(p)) + 1e-12).all()
    assert (np.diff(holm[np.argsort(p, kind="stable")]) >= -1e-12).all()


def test_attributes_not_declared_are_for_looking_around():
    found = key_answers(answers_with(0.03, 0.2, 0.001, 0.04), declared(2, 4))
    assert found["standing"].tolist() == ["key", "key", "looking around", "looking around"]
    assert found["p_holm"].tolist()[:2] == [0.06, 0.2] and found["p_holm"].isna().sum() == 2
    assert found["looked_at"].tolist() == [2, 2, 2, 2]


def test_a_key_attribute_without_an_answer_still_counts():
    found = key_answers(answers_with(0.02, np.nan, 0.03), declared(3, 3))
    assert found["p_holm"].tolist()[0] == 0.06 and np.isnan(found["p_holm"][1])


def test_more_than_three_keys_and_unlisted_attributes_are_refused():
    with pytest.raises(StudyProblems, match=r"4 key attributes \(a0, a1, a2, a3\)"):
        key_answers(answers_with(0.1, 0.1, 0.1, 0.1), declared(4, 4))
    with pytest.raises(StudyProblems, match="attribute a1: found an attribute that is not listed"):
        key_answers(answers_with(0.1, 0.1), declared(1, 1))


def test_a_taster_is_left_out_only_with_a_reason_and_beside_everyone_s_answer():
    tables = panels.stools()
    found = with_and_without(*tables, left_out={"3": "head cold, said at the door"})
    assert found.tests["panel"].tolist() == ["everyone", "without 3"]
    plain = compare_doughs(*tables).tests
    assert found.tests["f"].iloc[0] == plain["f"].iloc[0]
    assert found.tests["assessors"].tolist() == [9, 8]
    assert "Left out: 3 (head cold, said at the door)" in found.summary()
    assert "No answer changes" in found.summary()
    with pytest.raises(StudyProblems, match="no reason for 3"):
        with_and_without(*tables, left_out={"3": " "})
    with pytest.raises(StudyProblems, match="expected an assessor of the servings"):
        with_and_without(*tables, left_out={"Zoe": "ill"})
    with pytest.raises(StudyProblems, match="compare the doughs with everyone"):
        with_and_without(*tables, left_out={})


def test_an_answer_that_hangs_on_one_taster_is_called_out():
    table = np.array([[5.0, 5, 5, 5, 1], [6, 6.5, 6, 6.5, 9]]).T
    frame = panels.grid(table.T + 0.01 * np.random.default_rng(1).normal(size=(2, 5)))
    found = with_and_without(*panels.study(frame), left_out={"4": "knew the doughs"})
    assert "The answer changes in score: give both." in found.summary()


def said(table):
    """Ratings of one dough: (assessor, salt, liked)."""
    servings = pd.DataFrame({"assessor": [row[0] for row in table], "tasting": "T1"})
    servings["serving"] = [f"s{at}" for at in range(len(table))]
    servings["piece"] = [f"P{at}" for at in range(len(table))]
    ratings = pd.concat(
        servings[["serving"]].assign(attribute=name, score=[row[place] for row in table])
        for place, name in ((1, "salt"), (2, "liked"))
    )
    pieces = servings[["piece"]].assign(dough="D1")
    return ratings, servings, pieces


def test_shares_and_drops_add_up_to_the_mean_that_just_right_would_have():
    draw = np.random.default_rng(4)
    salt, liked = draw.integers(1, 6, 30).astype(float), draw.integers(1, 10, 30).astype(float)
    people = [f"A{at}" for at in range(30)]
    found = just_about_right(*said(list(zip(people, salt, liked, strict=True))), SCALES)
    found = found.set_index("answer")
    assert found["share_pct"].sum() == pytest.approx(100)
    lost = (found["share_pct"] / 100 * found["drop"]).loc[["too little", "too much"]].sum()
    assert lost == pytest.approx(found.loc["right", "liking"] - liked.mean())
    assert found.loc["right", "drop"] == 0 and np.isnan(found.loc["right", "se"])
    assert "p" not in found.columns


def test_several_portions_of_a_person_count_as_one_voice():
    rows = [("Ann", 2.0, 4.0), ("Ann", 2.0, 6.0), ("Bo", 2.0, 7.0), ("Cy", 3.0, 8.0)]
    found = just_about_right(*said([*rows, ("Di", 3.0, 7.0)]), SCALES).set_index("answer")
    assert found.loc["too little", ["answers", "people", "liking"]].tolist() == [3, 2, 6.0]
    assert found.loc["too little", "drop"] == pytest.approx(1.5)


def test_one_voice_or_none_gives_no_interval():
    found = just_about_right(*said([("Ann", 2.0, 4.0), ("Bo", 3.0, 7.0)]), SCALES)
    assert found["ci_low"].isna().all() and found["drop"].tolist()[:2] == [3.0, 0.0]
    with pytest.raises(StudyProblems, match="no attribute of kind just about right"):
        just_about_right(*said([("Ann", 2.0, 4.0)]), SCALES.assign(kind="liking"), liking="liked")
    with pytest.raises(StudyProblems, match="0 attributes of kind liking"):
        just_about_right(*said([("Ann", 2.0, 4.0)]), SCALES.iloc[:1])


def plan():
    return pd.DataFrame(
        {
            "tasting": "T1",
            "assessor": ["Ann", "Ann", "Bo", "Bo"],
            "piece": ["Secret1", "Secret2"] * 2,
            "position": [2.0, 1.0, 1.0, 2.0],
            "code": ["582", "371", "640", "905"],
        }
    )


def test_ballots_stand_in_order_and_name_no_piece():
    attributes = pd.DataFrame({"attribute": ["chew", "crispness"], "low": 1.0, "high": 9.0})
    sheets = tasting_sheets(plan(), attributes, mode="fresh")
    assert sheets.ballots.columns.tolist() == ["assessor", "position", "code", "chew", "crispness"]
    assert sheets.ballots["code"].tolist() == ["371", "582", "640", "905"]
    pages = sheets.pages()
    assert list(pages) == ["consent", "protocol", "Ann", "Bo"]
    assert "371" in pages["Ann"] and "640" not in pages["Ann"]
    assert not any("Secret" in page for page in pages.values())
    assert all(page.startswith("<!DOCTYPE html>") for page in pages.values())
    assert sheets.summary() == "Consent, protocol and 2 ballots of at most 2 portions."


def test_the_consent_discloses_allergens_for_the_whole_tasting():
    allergens = pd.DataFrame({"dough": ["A", "B", "C"], "allergens": ["gluten|milk", "none", None]})
    attributes = pd.DataFrame({"attribute": ["chew"]})
    told = tasting_sheets(plan(), attributes, mode="rested", allergens=allergens)
    text = " ".join(told.consent["text"])
    assert "Allergens in this tasting: gluten, milk. Not known for 1 of the doughs" in text
    assert "You may stop at any time" in text
    blank = tasting_sheets(plan(), attributes, mode="rested").consent["text"].tolist()
    assert any("Do not sign before they are written here" in line for line in blank)
    page = told.pages()["consent"]
    for words in ("Raw dough and raw flour are not tasted", "very dark crust", "salt"):
        assert words in page


def test_sheets_are_for_one_tasting_in_a_known_mode():
    attributes = pd.DataFrame({"attribute": ["chew"]})
    with pytest.raises(StudyProblems, match="expected fresh or rested"):
        tasting_sheets(plan(), attributes, mode="warm")
    with pytest.raises(StudyProblems, match="found T1, T2; expected one tasting"):
        tasting_sheets(plan().assign(tasting=["T1", "T1", "T2", "T2"]), attributes, mode="fresh")


@settings(max_examples=20, deadline=None)
@given(st.integers(2, 8), st.integers(2, 12), st.floats(0.1, 2))
def test_what_is_called_findable_is_found_four_times_in_five(doughs, people, view):
    given_ = {"own_view_sd": view, "portion_sd": 1.0}
    points = panel_power(doughs, people, 2, difference=1.0, **given_)["findable"].iloc[0]
    found = panel_power(doughs, people, 2, difference=points, **given_)
    assert found["power"].iloc[0] == pytest.approx(0.8, abs=1e-6)
    nothing = panel_power(doughs, people, 2, difference=0.0, **given_)
    assert nothing["power"].iloc[0] == pytest.approx(0.05, abs=1e-9)


def test_people_buy_more_than_portions_once_they_differ_in_their_views():
    given_ = {"difference": 1.5, "own_view_sd": 0.8, "portion_sd": 1.0}
    eight_by_three = panel_power(4, 8, 3, **given_)["power"].iloc[0]
    ten_by_two = panel_power(4, 10, 2, **given_)["power"].iloc[0]
    assert ten_by_two > eight_by_three
    with pytest.raises(StudyProblems, match="assessors"):
        panel_power(4, 1, **given_)


def test_what_the_answer_calls_findable_follows_from_its_own_error():
    found = compare_doughs(*panels.machines(), level=0.95)
    one = found.tests.iloc[0]
    spread = found.sources.set_index("source")["mean_square"]
    view = np.sqrt((spread["dough × assessor"] - spread["portion"]) / 3)
    given_ = {"difference": one["findable"], "own_view_sd": view}
    power = panel_power(3, 6, 3, portion_sd=np.sqrt(spread["portion"]), **given_)["power"].iloc[0]
    assert power == pytest.approx(0.8, abs=1e-6)
