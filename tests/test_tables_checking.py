"""What one table says of another must hold, and what cannot be is told with its place."""

from __future__ import annotations

import pytest

from doughkit.tables.reading import read_folder
from tests.small_study import SMALL_STUDY, spoilt, write_study


def problems_of(folder, **changed):
    return read_folder(write_study(folder, **changed)).problems


SPOILT = {
    "doubled key": (
        spoilt("ovens", "home,270,steel,no\n", "home,270,steel,no\nhome,280,stone,no\n"),
        "ovens, line 3, oven home, column 'oven': found the same oven as in line 2",
    ),
    "ingredient twice in a part": (
        spoilt("formulas", "lath,,salt,10", "lath,,water,10"),
        "formulas, line 4, formula lath ingredient water, column 'ingredient'",
    ),
    "doubled score": (
        spoilt("ratings", "S2,crispness,4", "S1,crispness,4"),
        "ratings, line 4, serving S1 attribute crispness, column 'attribute': found the same "
        "serving and attribute as in line 2",
    ),
    "dough unknown": (
        spoilt("pieces", "P1,D1", "P1,D11"),
        "pieces, line 2, piece P1, column 'dough': found 'D11'",
    ),
    "leading zeros lost": (
        spoilt("pieces", "P2,007", "P2,7"),
        "write '007' (spreadsheets drop leading zeros",
    ),
    "piece unknown": (
        spoilt("servings", "S2,T1,Ada,P2", "S2,T1,Ada,P9"),
        "servings, line 3, serving S2, column 'piece'",
    ),
    "serving unknown": (
        spoilt("ratings", "S4,crispness", "S5,crispness"),
        "ratings, line 7, serving S5 attribute crispness, column 'serving'",
    ),
    "attribute unknown": (
        spoilt("ratings", "S4,crispness", "S4,crispnes"),
        "did you mean 'crispness'?",
    ),
    "weighed dough unknown": (
        spoilt("weighed", "D1,,water", "D2,,water"),
        "weighed, line 3, dough D2 ingredient water, column 'dough'",
    ),
    "formula unknown": (
        {"doughs": SMALL_STUDY["doughs"].replace("C,control,,lath", "C,control,,lat")},
        "doughs, line 5, dough C, column 'formula'",
    ),
    "oven unknown": (
        spoilt("pieces", "PC,C,1,4,home", "PC,C,1,4,hone"),
        "pieces, line 5, piece PC, column 'oven'",
    ),
    "taster unknown": (
        spoilt("servings", "S4,T1,Bo", "S4,T1,Bob"),
        "servings, line 5, serving S4, column 'assessor'",
    ),
    "limit on no factor": (
        spoilt("limits", "hydration_pct", "hydration"),
        "limits, line 2, limit workable factor hydration, column 'factor'",
    ),
    "dried sample of nothing": (
        spoilt("moistures", "M1,PR", "M1,PX"),
        "moistures, line 2, sample M1, column 'of'",
    ),
    "target of nothing": (
        spoilt("targets", "droop_mm", "drop_mm"),
        "targets, line 3, attribute drop_mm, column 'attribute'",
    ),
    "target in disorder": (
        spoilt("targets", "droop_mm,,2,5", "droop_mm,3,2,5"),
        "targets, line 3, attribute droop_mm, column 'low': found low 3 with aim 2",
    ),
    "target without a wish": (
        spoilt("targets", "droop_mm,,2,5", "droop_mm,,,"),
        "low, aim and high empty",
    ),
    "score off the scale": (
        spoilt("ratings", "S3,crispness,8", "S3,crispness,10"),
        "ratings, line 6, serving S3 attribute crispness, column 'score': found 10",
    ),
    "score between steps": (
        spoilt("ratings", "S3,crispness,8", "S3,crispness,7.5"),
        "in steps of 1",
    ),
    "heavier after the bake": (
        spoilt("pieces", "150,120.5", "120.5,150"),
        "pieces, line 2, piece P1, column 'mass_after_g'",
    ),
    "wetter when dried": (
        spoilt("moistures", "50,46.5", "46.5,50"),
        "moistures, line 2, sample M1, column 'dry_g'",
    ),
    "level out of range": (
        spoilt("doughs", "baked,,68", "baked,,71"),
        "doughs, line 3, dough 007, column 'hydration_pct': found 71; expected a level from 54 to",
    ),
    "reference with a level": (
        spoilt("doughs", "R,reference,,,,,,", "R,reference,,,,,,60"),
        "the reference is not varied",
    ),
    "failed without a reason": (
        spoilt("doughs", "fell on the floor", ""),
        "doughs, line 4, dough D3, column 'failed_why'",
    ),
    "failed yet tasted": (
        spoilt("servings", "S4,T1,Bo,P2", "S4,T1,Bo,P3"),
        "doughs, line 4, dough D3, column 'status': found failed, with 1 scores",
    ),
    "code twice": (
        spoilt("servings", "1,2,456", "1,2,123"),
        "servings, line 3, serving S2, column 'code': found the same tasting and assessor and code",
    ),
    "portion twice": (
        spoilt("servings", "S2,T1,Ada,P2", "S2,T1,Ada,P1"),
        "write repeat 2 for a second portion",
    ),
    "factor upside down": (
        spoilt("factors", "hydration_pct,54,70", "hydration_pct,70,54"),
        "factors, line 2, factor hydration_pct, column 'low'",
    ),
    "factor without range": (
        spoilt("factors", "bake_min,5,8", "bake_min,,8"),
        "factors, line 4, factor bake_min, column 'low'",
    ),
    "category with one level": (
        {
            "factors": SMALL_STUDY["factors"].replace("white|spelt", "white"),
            "doughs": SMALL_STUDY["doughs"].replace("spelt", "white"),
        },
        "two different levels or more",
    ),
    "category with a range": (
        spoilt("factors", "flour_kind,,", "flour_kind,1,2"),
        "beside low or high",
    ),
    "factor named as something else": (
        spoilt("factors", "bake_min,5,8,0.5,piece,", "note,1,2,,dough,"),
        "which means something else in doughs",
    ),
    "limit without bounds": (
        spoilt("limits", "1,55,69", "1,,"),
        "limit workable: neither low nor high",
    ),
    "limit upside down": (spoilt("limits", "1,55,69", "1,69,55"), "low above high"),
    "scale upside down": (
        spoilt("attributes", "liking,liking,1,9", "liking,liking,9,1"),
        "attributes, line 3, attribute liking, column 'low'",
    ),
    "step of nothing": (
        {"factors": SMALL_STUDY["factors"].replace("5,8,0.5", "5,8,0")},
        "factors, line 4, factor bake_min, column 'step'",
    ),
}


@pytest.mark.parametrize("name", SPOILT)
def test_each_contradiction_is_told_with_its_place(tmp_path, name):
    changed, words = SPOILT[name]
    told = [str(problem) for problem in problems_of(tmp_path, **changed)]
    assert any(words in one for one in told), told


def test_one_contradiction_is_one_problem(tmp_path):
    for name in ("dough unknown", "score off the scale", "doubled score", "level out of range"):
        assert len(problems_of(tmp_path, **SPOILT[name][0])) == 1


def test_four_key_attributes_are_one_too_many(tmp_path):
    more = "".join(f"a{number},intensity,1,9,1,,,yes\n" for number in range(3))
    (problem,) = problems_of(tmp_path, attributes=SMALL_STUDY["attributes"] + more)
    assert (problem.line, problem.column) == (6, "key")


def test_an_attribute_may_not_be_called_as_a_heading_of_the_entry_grid(tmp_path):
    more = "code,intensity,1,9,1,,,no\n"
    (problem,) = problems_of(tmp_path, attributes=SMALL_STUDY["attributes"] + more)
    assert "heading of the entry grid" in problem.found


def test_a_limit_has_one_pair_of_bounds(tmp_path):
    more = "workable,bake_min,1,50,69\n"
    (problem,) = problems_of(tmp_path, limits=SMALL_STUDY["limits"] + more)
    assert "different bounds" in problem.found
    alone = "workable,bake_min,1,,\n"
    assert not problems_of(tmp_path, limits=SMALL_STUDY["limits"] + alone)


def test_a_factor_stands_in_the_table_it_is_changed_per(tmp_path):
    text = SMALL_STUDY["pieces"].replace("crumb_mm", "hydration_pct")
    (problem,) = problems_of(tmp_path, pieces=text)
    assert (problem.table, problem.column) == ("pieces", "hydration_pct")


def test_a_table_that_others_rely_on_is_asked_for_once(tmp_path):
    told = problems_of(tmp_path, doughs=None)
    assert [(one.table, one.column, one.found) for one in told] == [
        ("weighed", "dough", "no table doughs"),
        ("pieces", "dough", "no table doughs"),
    ]


def test_formulas_ovens_and_assessors_may_be_left_out(tmp_path):
    moistures = SMALL_STUDY["moistures"].replace("M2,flour,50,43\n", "")
    changed = {"formulas": None, "ovens": None, "assessors": None, "moistures": moistures}
    assert not problems_of(tmp_path, **changed)


def test_a_control_may_stand_outside_the_range_and_pieces_may_be_baked_longer(tmp_path):
    changed = spoilt("doughs", "62,white,\nR", "75,white,\nR")
    changed |= spoilt("pieces", "PC,C,1,4,home,6", "PC,C,1,4,home,9")
    assert not problems_of(tmp_path, **changed)


def test_a_second_portion_is_no_double(tmp_path):
    changed = spoilt("servings", "S2,T1,Ada,P2,1", "S2,T1,Ada,P1,2")
    assert not problems_of(tmp_path, **changed)
