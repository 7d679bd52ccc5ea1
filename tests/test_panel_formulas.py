"""Formulas against batches, the luck of a dough, and tastings on one footing."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit.panel import compare_doughs, compare_formulas, dough_spread, link_tastings
from doughkit.tables import StudyProblems
from tests.outside import panels

few = settings(max_examples=6, deadline=None)
seeds = st.integers(0, 10**6)


def made(seed, *, formulas=2, doughs=2, people=5, portions=2, luck=0.5, apart=0.0):
    """Doughs of some formulas tasted in one tasting: the tables, and doughs with their formula."""
    draw = np.random.default_rng(seed)
    shape = (formulas, doughs, people, portions)
    f, d, a, k = (one.ravel() for one in np.indices(shape))
    score = 5 + apart * f + luck * draw.normal(size=shape[:2])[f, d]
    score = score + draw.normal(size=people)[a] + 0.3 * draw.normal(size=shape[:3])[f, d, a]
    score = score + draw.normal(0, 0.8, f.size)
    names = np.char.add(np.char.add("D", f.astype(str)), d.astype(str))
    frame = pd.DataFrame({"dough": names, "assessor": np.char.add("A", a.astype(str))})
    frame = frame.assign(repeat=k + 1.0, score=score).astype({"dough": "str", "assessor": "str"})
    table = frame[["dough"]].drop_duplicates(ignore_index=True)
    table = table.assign(kind="test", formula="F" + table["dough"].str[1])
    return frame, table


def ask(frame, doughs, **options):
    return compare_formulas(*panels.study(frame), doughs, **options)


def test_one_dough_of_each_formula_can_t_speak_for_formulas():
    frame, doughs = made(1, doughs=1, formulas=3, apart=3)
    found = ask(frame, doughs)
    assert found.tests.empty and found.differences.empty
    assert not found.formulas["answered"].any()
    assert "Whether these formulas differ can't be said: " in found.summary()
    assert "one dough, so its luck can't be told from the formula" in found.summary()
    # The batches themselves are far apart, and that can be said.
    assert compare_doughs(*panels.study(frame)).tests["p"].iloc[0] < 0.01


def test_formulas_with_two_doughs_are_compared_and_the_others_named():
    frame, doughs = made(2, doughs=2, formulas=3, apart=2)
    lone = ~frame["dough"].isin(["D21"])
    found = ask(frame[lone], doughs[doughs["dough"] != "D21"])
    assert found.formulas["answered"].tolist() == [True, True, False]
    assert found.differences[["formula", "other_formula"]].values.tolist() == [["F0", "F1"]]
    assert (found.tests["about"] == "formula").all()
    assert found.tests["dough_sd_from"].tolist() == ["these doughs"]
    assert "Left out: F2: one dough" in found.summary()


@few
@given(seeds)
def test_without_people_s_own_views_the_doughs_within_formulas_are_the_error(seed):
    """One instrument in place of people: the test is that of the dough means."""
    frame, doughs = made(seed, people=1, portions=3, doughs=3, formulas=3, luck=3)
    found = ask(frame, doughs).tests.iloc[0]
    mean = frame.groupby("dough")["score"].mean()
    label = doughs.set_index("dough")["formula"]
    within = mean - mean.groupby(label).transform("mean")
    error = (within**2).sum() / 6
    between = 3 * mean.groupby(label).mean().var(ddof=1)
    if found["dough_sd"] > 0:
        assert found["f"] == pytest.approx(between / error, rel=1e-4)
        assert (found["df"], found["df_error"]) == pytest.approx((2, 6), rel=1e-3)


@few
@given(seeds)
def test_levels_and_units_do_not_matter(seed):
    frame, doughs = made(seed)
    moved = frame.assign(score=3 * frame["score"] + 4)
    plain, other = ask(frame, doughs), ask(moved, doughs)
    assert other.tests["f"].iloc[0] == pytest.approx(plain.tests["f"].iloc[0], rel=1e-4)
    assert other.differences["difference"].iloc[0] == pytest.approx(
        3 * plain.differences["difference"].iloc[0]
    )


def test_a_carried_spread_answers_for_single_doughs_and_widens_with_it():
    frame, doughs = made(3, doughs=1, formulas=3, apart=1)
    found = [
        ask(frame, doughs, dough_spread=pd.DataFrame({"attribute": ["score"], "sd": sd, "df": 8.0}))
        for sd in (1e-4, 0.5, 2.0)
    ]
    batches = compare_doughs(*panels.study(frame))
    assert found[0].tests["f"].iloc[0] == pytest.approx(batches.tests["f"].iloc[0], rel=1e-3)
    se = [one.differences["se"].iloc[0] for one in found]
    assert se[0] < se[1] < se[2]
    assert se[2] ** 2 == pytest.approx(se[0] ** 2 + 2 * 2.0**2, rel=1e-4)
    assert found[2].differences["df"].iloc[0] == pytest.approx(8, rel=0.2)
    assert found[1].tests["dough_sd_from"].tolist() == ["carried over"]


def test_a_spread_of_nothing_can_t_be_carried():
    frame, doughs = made(3, doughs=1)
    for rows, words in (
        ({"attribute": ["score"], "sd": 0.0, "df": 0.0}, "claims that every dough comes out alike"),
        ({"attribute": ["scores"], "sd": 0.4, "df": 5.0}, "found 0 rows; expected one row"),
    ):
        with pytest.raises(StudyProblems, match=words):
            ask(frame, doughs, dough_spread=pd.DataFrame(rows))


def test_doughs_are_of_one_formula_when_all_their_factors_agree():
    frame, doughs = made(4, formulas=2, doughs=2)
    factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "changed_per": ["dough", "piece"]})
    doughs = doughs.assign(formula="base", salt_pct=[2.0, 2.0, 2.4, 2.4])
    found = compare_formulas(*panels.study(frame), doughs, factors)
    assert found.formulas["formula"].tolist() == ["as D00", "as D10"]
    assert found.formulas["doughs"].tolist() == ["D00 | D01", "D10 | D11"]
    with pytest.raises(StudyProblems, match="dough D01, column 'formula'"):
        ask(frame, doughs.assign(formula=["base", None, "base", "base"]))


def test_the_luck_of_a_dough_is_measured_where_it_is_large_and_said_to_be_nothing_where_not():
    frame, doughs = made(5, formulas=1, doughs=8, luck=2.0, people=6)
    found = dough_spread(*panels.study(frame), doughs).iloc[0]
    assert found["ci_low"] < 2.0 < found["ci_high"] and found["df"] == pytest.approx(7, abs=0.5)
    plain = frame.assign(score=frame["score"] - frame.groupby("dough")["score"].transform("mean"))
    nothing = dough_spread(*panels.study(plain), doughs).iloc[0]
    assert nothing["at_zero"] and nothing["sd"] == 0 and np.isnan(nothing["ci_high"])
    with pytest.raises(StudyProblems, match="bake the control anew for each tasting"):
        dough_spread(*panels.study(frame), doughs.assign(formula=doughs["dough"]))


# --- tastings on one footing -------------------------------------------------------------------


def evenings(seed, *, shift=(0.0, 1.5, -1.0), people=4, noise=0.4, reference=True):
    """Three tastings, two own doughs each, a control made anew and one reference in all."""
    draw = np.random.default_rng(seed)
    rows = []
    truth = {f"D{t}{k}": 3 + t + 2 * k for t in range(3) for k in range(2)}
    level = draw.normal(0, 1, people)
    for t, moved in enumerate(shift):
        doughs = [f"D{t}0", f"D{t}1", f"C{t}", *(["R"] if reference else [])]
        for dough in doughs:
            luck = 0.2 * draw.normal() * (noise > 0)
            for a in range(people):
                true = truth.get(dough, 5.0 if dough[0] == "C" else 6.0)
                score = true + luck + moved + level[a] + noise * draw.normal()
                rows.append((f"T{t}", f"A{a}", dough, f"{dough}-{t}", score))
    names = ["tasting", "assessor", "dough", "piece", "score"]
    frame = pd.DataFrame(rows, columns=names)
    table = frame[["dough"]].drop_duplicates(ignore_index=True)
    kind = table["dough"].str[0].map({"D": "test", "C": "control", "R": "reference"})
    return frame, table.assign(kind=kind)


ON = [[f"{name}-{t}" for name in (f"D{t}0", f"D{t}1", f"C{t}", "R")] for t in range(3)]
"""The pieces of each tasting."""


def linked(frame, doughs, **more):
    ratings, servings, pieces = panels.study(frame)
    for name, values in more.items():
        servings = servings.assign(**{name: values})
    return link_tastings(ratings, servings, pieces, doughs)


def test_without_noise_linking_recovers_doughs_and_shifts_exactly():
    frame, doughs = evenings(1, noise=0.0)
    draw = np.random.default_rng(1)
    # A trace of error, so that there is something to call error; far below what is compared.
    found = linked(frame.assign(score=frame["score"] + 1e-3 * draw.normal(size=len(frame))), doughs)
    against = found.differences.query("against == 'reference R'").set_index("dough")["difference"]
    for t in range(3):
        for k in range(2):
            assert against[f"D{t}{k}"] == pytest.approx(3 + t + 2 * k - 6, abs=5e-3)
    assert against["control"] == pytest.approx(-1, abs=5e-3)
    shift = found.tastings.set_index("tasting")["shift"]
    assert shift.tolist() == pytest.approx(np.array([0, 1.5, -1]) - 0.5 / 3, abs=5e-3)


def test_plain_means_would_have_been_off_by_the_shift():
    frame, doughs = evenings(2)
    found = linked(frame, doughs).means.set_index("dough")["mean"]
    plain = frame.groupby("dough")["score"].mean()
    true = 3 + 1 - (3 + 2)  # D10 less D20
    assert abs(found["D10"] - found["D20"] - true) < 0.8
    assert abs(plain["D10"] - plain["D20"] - true) > 1.7


def test_the_control_is_one_row_and_the_scope_is_the_batch():
    frame, doughs = evenings(3)
    found = linked(frame, doughs)
    rows = found.means.set_index("dough")
    assert rows.loc["control", ["kind", "batches", "tastings"]].tolist() == ["control", 3, 3]
    assert rows.loc["reference R", ["kind", "batches", "tastings"]].tolist() == ["reference", 1, 3]
    assert set(found.differences["against"]) == {"control", "reference R"}
    assert set(found.differences["about"]) == {"batch"}
    assert "8 doughs of 3 tastings on one footing" in found.summary()


def test_hours_from_the_oven_are_taken_out_where_a_dough_was_tasted_at_several_ages():
    frame, doughs = evenings(4)
    draw = np.random.default_rng(4)
    order = {name: place for t in range(3) for place, name in enumerate(draw.permutation(ON[t]))}
    minutes = 60 + 40.0 * frame["piece"].map(order)
    aged = frame.assign(score=frame["score"] - 0.5 * minutes / 60)
    found = linked(aged, doughs, served_after_min=minutes.to_numpy())
    one = found.age.iloc[0]
    assert one["ci_low"] < -0.5 < one["ci_high"] and one["ci_high"] - one["ci_low"] < 1.5
    gone = linked(aged, doughs, served_after_min=minutes.where(frame.index != 3).to_numpy())
    assert gone.age.empty and "are missing for 1 portions" in gone.summary()


def test_a_reference_out_of_a_box_whose_age_nobody_knows_does_not_hinder():
    frame, doughs = evenings(4)
    draw = np.random.default_rng(4)
    order = {name: place for t in range(3) for place, name in enumerate(draw.permutation(ON[t]))}
    minutes = (60 + 40.0 * frame["piece"].map(order)).mask(frame["dough"] == "R")
    aged = frame.assign(score=frame["score"] - 0.5 * minutes.fillna(0) / 60)
    found = linked(aged, doughs, served_after_min=minutes.to_numpy())
    assert found.age["ci_low"].iloc[0] < -0.5 < found.age["ci_high"].iloc[0]
    assert found.notes.empty


def test_one_taster_alone_can_t_link_tastings():
    frame, doughs = evenings(5, people=1)
    with pytest.raises(StudyProblems, match="let at least two people taste each piece"):
        linked(frame, doughs)


def test_age_that_goes_with_the_dough_alone_is_left_in_it_and_said():
    frame, doughs = evenings(5)
    frame = frame[frame["dough"].str[0] != "C"]
    minutes = frame["dough"].map({name: 20.0 * at for at, name in enumerate(doughs["dough"])})
    found = linked(frame, doughs, served_after_min=minutes.to_numpy())
    assert found.age.empty
    assert "age [h] moves only together with entry and tasting" in found.summary()


def test_tastings_that_nothing_links_are_refused_by_name():
    frame, doughs = evenings(6, reference=False)
    frame = frame[frame["dough"].str[0] == "D"]
    with pytest.raises(StudyProblems, match="D00, D01 only in T0; D10, D11 only in T1"):
        linked(frame, doughs)
    with pytest.raises(StudyProblems, match="doughs of one tasting need no link"):
        linked(frame[frame["tasting"] == "T0"], doughs)
    with pytest.raises(StudyProblems, match="add it to doughs"):
        linked(evenings(6)[0], doughs.iloc[1:])


def _linked_coverage(studies):
    inside = []
    for seed in range(studies):
        frame, doughs = evenings(seed, noise=0.8)
        found = linked(frame, doughs).differences.query("against == 'reference R'")
        truth = {f"D{t}{k}": 3 + t + 2 * k - 6.0 for t in range(3) for k in range(2)}
        rows = found[found["dough"].isin(truth)]
        true = rows["dough"].map(truth)
        inside.append(((rows["ci_low"] <= true) & (true <= rows["ci_high"])).all())
    return np.mean(inside)


@pytest.mark.long
def test_sets_of_linked_intervals_hold_the_truth_as_often_as_they_say():
    share = _linked_coverage(300)
    print(f"sets of linked differences that hold every truth: {share:.3f} of 300, wanted 0.90")
    assert share >= 0.86
