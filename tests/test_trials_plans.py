"""Two-level rounds, fractions, fold-over and surface rounds."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughkit import trials
from doughkit.tables import StudyProblems
from doughkit.trials.catalogue import fold_over
from doughkit.trials.coding import code
from doughkit.trials.factors import factors_per
from doughkit.trials.fractional import GENERATORS, aliases, corner_signs, defining_words, fractions
from doughkit.trials.models import model_columns, model_terms

FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "whole_grain_pct", "bake_min"],
        "low": [54.0, 1.6, 0.0, 5.0],
        "high": [70.0, 2.6, 40.0, 8.0],
        "step": [1.0, 0.1, 5.0, 0.5],
        "changed_per": ["dough", "dough", "dough", "piece"],
    }
)
DOUGH = list(FACTORS["factor"][:3])
LIMITS = pd.DataFrame(
    {
        "limit": ["workable"] * 2,
        "factor": ["hydration_pct", "whole_grain_pct"],
        "weight": [1.0, -0.1],
        "low": [52.0, None],
        "high": [None, 69.0],
    }
)


def many(count):
    """Dough factors without steps, named f1_pct …"""
    names = [f"f{number}_pct" for number in range(1, count + 1)]
    return pd.DataFrame({"factor": names, "low": 0.0, "high": 1.0, "changed_per": "dough"})


def signs_of(doughs, factors):
    dough = factors_per(factors, "dough")
    return code(doughs, dough).to_numpy()


def word_lengths(signs):
    """How many sets of columns of each size have one product throughout: counted, not derived."""
    count = signs.shape[1]
    return [
        sum(abs(signs[:, list(chosen)].prod(axis=1).sum()) == len(signs) for chosen in sets)
        for sets in ([*combinations(range(count), size)] for size in range(3, count + 1))
    ]


@given(st.integers(0, 10_000))
@settings(max_examples=20)
def test_in_a_full_round_no_two_changes_travel_together(seed):
    doughs, pieces = trials.plan_two_level(FACTORS, seed=seed)
    assert len(doughs) == 10 and len(pieces) == 20
    table = pieces.merge(doughs, on="dough")
    columns = model_columns(table, FACTORS, "interactions").to_numpy()
    apart = columns.T @ columns
    assert np.abs(apart - np.diag(np.diag(apart))).max() < 1e-9
    assert np.abs(columns.sum(axis=0)).max() < 1e-9


def test_the_same_seed_gives_the_same_plan_and_another_another_order():
    one, same, other = (trials.plan_two_level(FACTORS, seed=seed).doughs for seed in (1, 1, 2))
    pd.testing.assert_frame_equal(one, same)
    assert not one.equals(other)
    key = ["role", *DOUGH]
    pd.testing.assert_frame_equal(
        one[key].sort_values(key, ignore_index=True),
        other[key].sort_values(key, ignore_index=True),
    )


def test_a_plan_has_the_columns_of_the_tables_and_registered_roles():
    doughs, pieces = trials.plan_two_level(FACTORS, seed=1)
    assert list(doughs) == ["dough", "kind", "round", "role", "status", *DOUGH]
    assert list(pieces) == ["piece", "dough", "bake_min"]
    assert set(doughs["kind"]) == {"test"} and set(doughs["status"]) == {"planned"}
    assert set(doughs["role"]) <= set(trials.rounds.TABLES["doughs"]["role"].choices)
    assert doughs["dough"].tolist()[:2] == ["D101", "D102"]


def test_each_dough_is_baked_low_and_high_or_also_in_the_middle():
    two = trials.plan_two_level(FACTORS, seed=1).pieces
    assert two.groupby("dough")["bake_min"].apply(list).map(tuple).unique().tolist() == [(5.0, 8.0)]
    three = trials.plan_two_level(FACTORS, pieces_per_dough=3, seed=1).pieces
    assert three["bake_min"].unique().tolist() == [5.0, 6.5, 8.0]
    four = trials.plan_two_level(FACTORS, pieces_per_dough=4, seed=1).pieces
    assert four["bake_min"].value_counts().tolist() == [20, 20]
    none = trials.plan_two_level(FACTORS.iloc[:3], pieces_per_dough=1, seed=1).pieces
    assert list(none) == ["piece", "dough"] and len(none) == 10


def test_two_piece_factors_are_crossed_within_every_dough():
    rack = pd.DataFrame({"factor": ["support"], "levels": ["steel|stone"], "changed_per": "piece"})
    pieces = trials.plan_two_level(pd.concat([FACTORS, rack]), pieces_per_dough=4, seed=1).pieces
    each = pieces.groupby("dough")[["bake_min", "support"]].apply(
        lambda p: len(p.drop_duplicates())
    )
    assert (each == 4).all()


@pytest.mark.parametrize("design", GENERATORS)
def test_a_fraction_has_the_words_its_generators_promise(design):
    count, halved = design
    doughs = trials.plan_two_level(
        many(count), fraction=1 / 2**halved, centre_doughs=0, pieces_per_dough=1, seed=1
    ).doughs
    assert len(doughs) == 2 ** (count - halved)
    lengths = [len(word) for word in defining_words(count, halved)]
    assert word_lengths(signs_of(doughs, many(count))) == [
        lengths.count(size) for size in range(3, count + 1)
    ]
    assert sum(word_lengths(signs_of(doughs, many(count)))) == 2**halved - 1


@pytest.mark.parametrize("design", [design for design in GENERATORS if design[0] <= 7])
def test_no_choice_of_generators_has_less_aberration(design):
    count, halved = design
    base = count - halved
    signs = corner_signs(base, 0)
    products = [
        signs[:, list(chosen)].prod(axis=1)
        for size in range(2, base + 1)
        for chosen in combinations(range(base), size)
    ]
    found = min(
        word_lengths(np.column_stack([signs, *chosen])) for chosen in combinations(products, halved)
    )
    assert word_lengths(corner_signs(count, halved)) == found


def test_the_list_of_fractions_counts_doughs_and_what_is_clear():
    listed = fractions()
    assert (listed["doughs"] == listed["fraction"] * 2 ** listed["factors"]).all()
    row = listed.query("factors == 7 and doughs == 32").iloc[0]
    assert row["resolution"] == 4 and row["clear_pairs"] == 15 and row["clear_effects"] == 7
    assert row["rule"] == "6 = 1 · 2 · 3 · 4, 7 = 1 · 2 · 4 · 5"
    with pytest.raises(StudyProblems, match="at most 11 factors"):
        fractions(12)


@pytest.mark.parametrize("count", [5, 8, 11])
def test_twelve_doughs_screen_up_to_eleven_factors_each_balanced_against_each(count):
    plan = trials.plan_two_level(
        many(count), screening=True, centre_doughs=0, pieces_per_dough=1, seed=1
    )
    signs = signs_of(plan.doughs, many(count))
    assert len(signs) == 12
    assert (signs.T @ signs == 12 * np.eye(count)).all()
    for one, other, third in combinations(range(count), 3):
        assert abs(signs[:, [one, other, third]].prod(axis=1).sum()) == 4  # a third of 12
    told = trials.what_it_tells(*plan, many(count), terms="linear")
    assert told.effects["can_tell"].all()
    assert any("up to 0.33 of it passes for a single factor" in one for one in told.sentences)
    assert "passes for a third of its size" in plan.summary()


def test_what_screening_does_not_hold_is_refused():
    with pytest.raises(StudyProblems, match="found 12 dough factors; expected at most 11"):
        trials.plan_two_level(many(12), screening=True, seed=1)
    with pytest.raises(StudyProblems, match=r"fraction 0\.5 in 1 rounds, screening"):
        trials.plan_two_level(many(5), screening=True, fraction=1 / 2, seed=1)


def test_a_pair_left_out_of_a_full_design_passes_for_nothing_and_of_a_half_for_all():
    said = {
        fraction: " ".join(
            trials.what_it_tells(
                *trials.plan_two_level(many(3), fraction=fraction, centre_doughs=0, seed=1),
                many(3),
                terms="linear",
            ).sentences
        )
        for fraction in (1, 1 / 2)
    }
    assert "Pairs are taken" not in said[1]
    assert "up to all of it passes for a single factor" in said[1 / 2]


def test_aliases_are_said_in_words_and_agree_with_the_columns():
    factors = many(5)
    said = aliases(factors, fraction=1 / 4).set_index("effect")["travels_with"]
    doughs = trials.plan_two_level(
        factors, fraction=1 / 4, centre_doughs=0, pieces_per_dough=1, seed=1
    ).doughs
    columns = model_columns(doughs, factors, "interactions")
    together = (np.abs(columns.to_numpy().T @ columns.to_numpy()) == len(doughs)) & ~np.eye(
        columns.shape[1], dtype=bool
    )
    for place, term in enumerate(columns):
        words = term.replace("_pct", "")
        counted = {
            columns.columns[other].replace("_pct", "") for other in np.flatnonzero(together[place])
        }
        assert set(said.get(words, "").split("; ")) - {""} == counted


def test_a_full_design_and_the_half_of_five_tell_all_pairs_apart():
    assert aliases(FACTORS).empty
    assert aliases(many(5), fraction=1 / 2).empty


def test_a_pair_with_bake_time_is_told_apart_where_its_dough_factor_is():
    half = aliases(FACTORS, fraction=1 / 2)
    assert half["effect"].tolist()[:3] == ["hydration", "salt", "whole grain"]
    assert "bake time" not in " ".join(half["effect"][:3])
    round_one = trials.plan_two_level(FACTORS, fraction=1 / 2, seed=1)
    assert "hydration can't be told from salt × whole grain." in round_one.summary()
    assert "3 more such sentences" in round_one.summary()


@pytest.mark.parametrize(("count", "blocks"), [(2, 2), (3, 2), (3, 4), (4, 2), (4, 4), (5, 4)])
def test_corners_in_several_rounds_leave_the_factors_clear_of_the_rounds(count, blocks):
    factors = many(count)
    plan = trials.plan_two_level(factors, blocks=blocks, pieces_per_dough=1, seed=3, round=4)
    corners = plan.doughs.query("role == 'corner'")
    sizes = corners["round"].value_counts()
    assert len(sizes) == blocks and len(set(sizes)) == 1 and sizes.index.min() == 4
    assert signs_of(corners, factors).shape[0] == 2**count
    assert np.allclose(corners.groupby("round")[list(factors["factor"])].mean().to_numpy(), 0.5)
    assert (plan.doughs.query("role == 'centre'")["round"].value_counts() == 2).all()
    assert plan.doughs["dough"].is_unique


def test_pairs_lost_to_the_difference_between_rounds_are_said():
    said = aliases(many(3), blocks=4)
    assert said["sentence"].iloc[0] == "f1 × f2 can't be told from the difference between rounds."
    assert aliases(many(3), blocks=2).empty


def test_a_fold_over_frees_every_factor_from_the_pairs():
    factors = many(7)
    options = {"centre_doughs": 0, "pieces_per_dough": 1, "seed": 1}
    first = trials.plan_two_level(factors, fraction=1 / 16, **options).doughs
    more = fold_over(first, factors, round=2, **options).doughs
    both = signs_of(pd.concat([first, more]), factors)
    assert word_lengths(signs_of(first, factors)) == [7, 7, 0, 0, 1]
    assert word_lengths(both) == [0, 7, 0, 0, 0]
    one = fold_over(first, factors, on=["f1_pct"], round=2, **options)
    one_too = signs_of(pd.concat([first, one.doughs]), factors)
    assert word_lengths(one_too) == [4, 3, 0, 0, 0]
    assert "Turned over: f1" in one.summary()


def test_a_fold_over_skips_failed_doughs_and_refuses_what_it_cannot_mirror():
    first = trials.plan_two_level(FACTORS, fraction=1 / 2, seed=1).doughs
    corners = first["role"] == "corner"
    failed = first.assign(status=np.where(corners, "failed", "baked"))
    with pytest.raises(StudyProblems, match="no dough with every factor at its low or high"):
        fold_over(failed, FACTORS, round=2, seed=1)
    with pytest.raises(StudyProblems, match="found bake_min; expected some of hydration_pct"):
        fold_over(first, FACTORS, on=["bake_min"], round=2, seed=1)
    full = trials.plan_two_level(FACTORS, seed=1).doughs
    nothing = fold_over(full, FACTORS, round=2, seed=1)
    assert nothing.doughs.empty and nothing.summary().startswith("No dough is left to plan.")


def test_a_surface_adds_only_the_axial_doughs_and_new_centres():
    first = trials.plan_two_level(FACTORS, seed=1)
    second = trials.plan_surface(FACTORS, first.doughs, round=2, seed=2)
    axial = second.doughs.query("role == 'axial'")
    assert len(axial) == 6 and (second.doughs["role"] == "centre").sum() == 2
    assert (np.abs(signs_of(axial, FACTORS)).sum(axis=1) == 1).all()
    both = pd.concat([first.doughs, second.doughs])
    pieces = pd.concat([first.pieces, second.pieces])
    terms = model_terms(FACTORS).query("term != 'bake_min²'")
    columns = model_columns(pieces.merge(both, on="dough"), FACTORS, terms)
    assert np.linalg.matrix_rank(columns.assign(mean=1.0).to_numpy()) == len(terms) + 1


def test_a_surface_completes_a_half_begun_set_of_corners():
    half = trials.plan_two_level(FACTORS, fraction=1 / 2, seed=1)
    rest = trials.plan_surface(FACTORS, half.doughs, round=2, seed=2).doughs
    assert rest["role"].value_counts().to_dict() == {"axial": 6, "corner": 4, "centre": 2}
    again = trials.plan_surface(FACTORS, pd.concat([half.doughs, rest]), round=3, seed=2).doughs
    assert again["role"].tolist() == ["centre", "centre"]


def test_from_five_factors_on_the_begun_half_of_the_corners_is_completed():
    factors = many(5)
    options = {"pieces_per_dough": 1, "seed": 1}
    half = trials.plan_two_level(factors, fraction=1 / 2, **options).doughs
    mirrored = half.assign(f1_pct=1 - half["f1_pct"])
    for begun in (half, mirrored):
        rest = trials.plan_surface(factors, begun, round=2, **options).doughs
        assert set(rest["role"]) == {"axial", "centre"}


def test_a_failed_dough_is_not_planned_again_and_that_is_said():
    first = trials.plan_two_level(FACTORS, seed=1).doughs
    wet = (first["hydration_pct"] == 70) & (first["whole_grain_pct"] == 0) & (first["salt_pct"] < 2)
    failed = first.assign(status=np.where(wet, "failed", "baked"))
    plan = trials.plan_surface(FACTORS, failed, round=2, seed=2)
    assert "failed before: hydration 70, salt 1.6, whole grain 0." in plan.summary()
    assert "corner" not in set(plan.doughs["role"])


@given(st.integers(2, 4), st.integers(0, 500))
@settings(max_examples=15)
def test_a_rotatable_round_tells_alike_in_all_directions(count, seed):
    factors = many(count)
    plan = trials.plan_surface(factors, kind="rotatable", pieces_per_dough=1, round=1, seed=seed)
    signs = signs_of(plan.doughs, factors)

    def columns(points):
        pairs = [points[:, i] * points[:, j] for i, j in combinations(range(count), 2)]
        return np.column_stack([np.ones(len(points)), points, points**2, *pairs])

    inverse = np.linalg.inv(columns(signs).T @ columns(signs))
    around = np.random.default_rng(seed).normal(size=(50, count))
    around /= np.linalg.norm(around, axis=1)[:, None]
    rows = columns(around)
    variance = np.einsum("ij,jk,ik->i", rows, inverse, rows)
    assert np.ptp(variance) < 1e-9 * variance.mean()


def test_a_round_orthogonal_in_blocks_keeps_the_difference_between_rounds_apart():
    plan = trials.plan_surface(
        many(3), kind="orthogonal in blocks", pieces_per_dough=1, round=1, seed=1
    )
    columns = model_columns(plan.doughs, many(3), "quadratic")
    by_round = columns.groupby(plan.doughs["round"]).mean()
    assert np.abs(by_round.loc[1.0] - by_round.loc[2.0]).max() < 1e-9
    face = trials.plan_surface(many(3), pieces_per_dough=1, round=1, seed=1)
    columns = model_columns(face.doughs, many(3), "quadratic")
    by_round = columns.groupby(face.doughs["round"]).mean()
    assert np.abs(by_round.loc[1.0] - by_round.loc[2.0]).max() > 0.1


def test_drawn_in_corners_are_rounded_to_the_step_openly():
    plan = trials.plan_surface(FACTORS, kind="rotatable", round=1, seed=1)
    moved = plan.rounded.set_index(["dough", "factor"])
    assert len(moved) == 24
    far = (moved["wanted"] - moved["level"]).abs().groupby("factor").max()
    half_a_step = {"hydration_pct": 0.5, "salt_pct": 0.05, "whole_grain_pct": 2.5}
    assert (far <= pd.Series(half_a_step)).all()
    assert "24 levels moved" in plan.summary() and "1.68 times" in plan.summary()


def test_a_centre_between_two_steps_goes_up_openly():
    odd = FACTORS.assign(high=[70.0, 2.6, 35.0, 8.0])
    plan = trials.plan_two_level(odd, seed=1)
    assert plan.rounded["wanted"].tolist() == [17.5, 17.5]
    assert plan.rounded["level"].tolist() == [20.0, 20.0]


def test_a_corner_outside_the_limits_is_named_once_however_many_doughs_stand_there():
    with pytest.raises(StudyProblems, match="in the plan") as raised:
        trials.plan_two_level(FACTORS, LIMITS, seed=1)
    said = [str(problem) for problem in raised.value.problems]
    assert sorted(said)[0].startswith(
        "limits, corner dough at hydration 54, whole grain 40: found workable 50; expected 52 to 69"
    )
    assert len(said) == 2
    assert (
        len(
            trials.plan_two_level(
                FACTORS, LIMITS.assign(low=[50, None], high=[70, None]), seed=1
            ).doughs
        )
        == 10
    )


def test_limits_may_hold_bake_time_too():
    limit = pd.DataFrame(
        {
            "limit": ["not burnt"] * 2,
            "factor": ["hydration_pct", "bake_min"],
            "weight": [1.0, -4.0],
            "low": [23.0, None],
            "high": [None, None],
        }
    )
    with pytest.raises(StudyProblems, match="corner dough at hydration 54, bake time 8: found"):
        trials.plan_two_level(FACTORS, limit, seed=1)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"fraction": 0.3}, "found fraction 3/10 of 3 dough factors; expected 1, 1/2"),
        ({"fraction": 1 / 4}, "found fraction 1/4"),
        ({"pieces_per_dough": 1}, "found 1 pieces a dough for bake time; expected 2"),
        ({"blocks": 3}, "expected 1 or 2 or 4"),
        ({"blocks": 2, "fraction": 1 / 2}, "bake the fraction in one round and fold it over"),
    ],
)
def test_a_round_that_cannot_be_laid_is_refused_with_what_can(options, words):
    with pytest.raises(StudyProblems, match=words):
        trials.plan_two_level(FACTORS, seed=1, **options)


def test_a_round_needs_a_dough_factor_and_what_is_set_once_a_day_its_pieces():
    first = trials.plan_two_level(FACTORS, seed=1)
    daily = FACTORS.assign(changed_per=["day", *FACTORS["changed_per"][1:]])
    with pytest.raises(StudyProblems, match="give them as pieces="):
        trials.plan_surface(daily, first.doughs, round=2, seed=1)
    with pytest.raises(StudyProblems, match="let plan_optimal add days to what was baked"):
        fold_over(first.doughs, daily, round=2, seed=1)
    with pytest.raises(StudyProblems, match="no factor changed per dough"):
        trials.plan_two_level(FACTORS.assign(changed_per="piece"), seed=1)


def test_a_category_takes_part_in_a_two_level_round_but_not_in_a_surface():
    flour = pd.DataFrame({"factor": ["flour"], "levels": ["wheat|rye"], "changed_per": "dough"})
    factors = pd.concat([FACTORS, flour], ignore_index=True)
    doughs = trials.plan_two_level(factors, seed=1).doughs
    assert doughs.query("role == 'corner'")["flour"].value_counts().to_dict() == {
        "wheat": 8,
        "rye": 8,
    }
    assert set(doughs.query("role == 'centre'")["flour"]) == {"wheat", "rye"}
    with pytest.raises(StudyProblems, match="a category has no middle and no bend"):
        trials.plan_surface(factors, doughs, round=2, seed=1)
    three = factors.assign(levels=factors["levels"].str.replace("wheat", "wheat|spelt"))
    with pytest.raises(StudyProblems, match=r"factor flour.*found 3 levels"):
        trials.plan_two_level(three, seed=1)


def test_a_surface_is_refused_where_it_cannot_lie():
    first = trials.plan_two_level(FACTORS, seed=1).doughs
    with pytest.raises(StudyProblems, match=r'axial levels 48.5.*plan kind="face-centred"'):
        trials.plan_surface(FACTORS, first, kind="rotatable", round=2, seed=1)
    with pytest.raises(StudyProblems, match="expected face-centred, rotatable"):
        trials.plan_surface(FACTORS, first, kind="round", round=2, seed=1)
    with pytest.raises(StudyProblems, match="dough D101: found a dough of that name"):
        trials.plan_surface(FACTORS, first, round=1, seed=1)
    with pytest.raises(StudyProblems, match="found 1 dough factors; expected 2 to 7"):
        trials.plan_surface(FACTORS.iloc[[0]], round=1, seed=1)


def test_planning_leaves_its_tables_alone():
    first = trials.plan_two_level(FACTORS, seed=1).doughs
    kept = [FACTORS.copy(deep=True), first.copy(deep=True)]
    trials.plan_surface(FACTORS, first, round=2, seed=1)
    fold_over(first, FACTORS, round=2, seed=1)
    pd.testing.assert_frame_equal(FACTORS, kept[0])
    pd.testing.assert_frame_equal(first, kept[1])


@pytest.mark.parametrize("count", range(3, 8))
def test_doughs_on_edges_tell_a_full_surface_and_never_stand_at_a_corner(count):
    names = [f"f{number}_pct" for number in range(count)]
    factors = pd.DataFrame({"factor": names, "low": -1.0, "high": 1.0, "changed_per": "dough"})
    options = {"kind": "box-behnken", "centre_doughs": 3, "pieces_per_dough": 1}
    plan = trials.plan_surface(factors, round=1, seed=1, **options)
    levels = plan.doughs[names].to_numpy(float)
    assert (np.abs(levels).sum(axis=1) <= 3).all() and (levels.sum(axis=0) == 0).all()
    model = model_columns(plan.doughs, factors).assign(mean=1.0).to_numpy()
    assert np.linalg.matrix_rank(model) == model.shape[1]
    again = trials.plan_surface(factors, plan.doughs, round=2, seed=1, **options)
    assert set(again.doughs["role"]) == {"centre"}


def test_two_factors_have_no_edges_to_stand_on():
    factors = pd.DataFrame(
        {"factor": ["a_pct", "b_pct"], "low": -1.0, "high": 1.0, "changed_per": "dough"}
    )
    with pytest.raises(StudyProblems, match="expected 3 to 7 for a Box-Behnken plan"):
        trials.plan_surface(factors, kind="box-behnken", round=1, seed=1)


def test_no_face_nor_centre_is_planned_beside_a_dough_that_failed():
    corners = trials.plan_two_level(FACTORS, centre_doughs=0, seed=1).doughs.assign(status="baked")
    odd = corners.head(1).assign(dough="X", status="failed", hydration_pct=69.0, salt_pct=2.1)
    odd = odd.assign(whole_grain_pct=20.0)
    faces = trials.plan_surface(FACTORS, pd.concat([corners, odd]), round=2, seed=1)
    high = faces.doughs.query("hydration_pct == 70 and salt_pct == 2.1 and whole_grain_pct == 20")
    assert high.empty and "because it failed before" in faces.summary()
    middle = odd.assign(hydration_pct=62.0)
    faces = trials.plan_surface(FACTORS, pd.concat([corners, middle]), round=2, seed=1)
    assert not faces.doughs["role"].eq("centre").any()
    assert "No centre dough: one failed there before" in faces.summary()


def test_a_mirrored_dough_that_failed_before_is_left_out_and_said():
    first = trials.plan_two_level(FACTORS, fraction=1 / 2, centre_doughs=0, seed=1).doughs
    first = first.assign(status="baked")
    whole = fold_over(first, FACTORS, round=2, seed=2).doughs
    failed = whole.head(1).assign(dough="X", status="failed", kind="test")
    again = fold_over(pd.concat([first, failed]), FACTORS, round=2, seed=2)
    assert len(again.doughs) == len(whole) - 1
    assert "Left out, since a dough failed there before: 1." in again.summary()
