"""Every notebook on studies of other shapes: other factors, early days, tables not kept.

What ends otherwise than in a result is named below, notebook by notebook: a study without its
ovens can't plan a bake day, and says so.
"""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
import pytest

from doughkit import baking
from doughkit.study import open_study, shipped
from tests.studies import make_demo
from tests.test_notebooks_mutated import BOOKS, end_of

SIZES = ["diameter_mm", "length_mm", "width_mm", "thickness_mm"]


@pytest.fixture(scope="module", params=["demo", "second"])
def tables(request, tmp_path_factory):
    if request.param == "demo":
        return dict(open_study(shipped().data_demo))
    folder = tmp_path_factory.mktemp("second")
    make_demo.write_study(folder, 2, make_demo.SECOND)
    return dict(open_study(folder))


def only_doughs(tables, kept):
    """The study with these doughs and what belongs to them."""
    doughs, pieces, servings = (tables[name] for name in ("doughs", "pieces", "servings"))
    doughs = doughs[doughs["dough"].isin(kept)]
    pieces = pieces[pieces["dough"].isin(kept)]
    servings = servings[servings["piece"].isin(pieces["piece"])]
    named = {*doughs["dough"], *pieces["piece"], *doughs["flour_lot"].dropna()}
    named |= set(tables["formulas"]["ingredient"])
    return tables | {
        "doughs": doughs,
        "pieces": pieces,
        "servings": servings,
        "ratings": tables["ratings"][tables["ratings"]["serving"].isin(servings["serving"])],
        "weighed": tables["weighed"][tables["weighed"]["dough"].isin(kept)],
        "moistures": tables["moistures"][tables["moistures"]["of"].isin(named)],
    }


def only_servings(tables, kept):
    servings = tables["servings"][kept]
    ratings = tables["ratings"][tables["ratings"]["serving"].isin(servings["serving"])]
    return tables | {"servings": servings, "ratings": ratings}


def without(tables, *names):
    return {name: frame for name, frame in tables.items() if name not in names}


def without_factors(tables, *names):
    factors = tables["factors"][~tables["factors"]["factor"].isin(names)]
    doughs = tables["doughs"].drop(columns=list(names), errors="ignore")
    return without(tables, "limits") | {"factors": factors, "doughs": doughs}


def one_factor(tables):
    names = tables["factors"]["factor"]
    return without_factors(tables, *names[names != "hydration_pct"])


def one_attribute(tables):
    first = tables["attributes"]["attribute"].iloc[0]
    changed = {
        name: tables[name][tables[name]["attribute"] == first]
        for name in ("attributes", "targets", "ratings")
    }
    return tables | changed


def without_kind(tables, kind):
    doughs, targets = tables["doughs"], tables["targets"]
    left = only_doughs(tables, doughs.loc[doughs["kind"] != kind, "dough"])
    return left | {"targets": targets[targets["like"].isna()]} if kind == "reference" else left


def first_round(tables):
    doughs = tables["doughs"]
    later = (doughs["kind"] == "test") & (doughs["round"] > doughs["round"].min())
    return only_doughs(tables, doughs.loc[~later, "dough"])


def first_evening(tables):
    return only_servings(tables, tables["servings"]["tasting"] == tables["servings"]["tasting"][0])


def two_evenings(tables):
    first = tables["servings"]["tasting"].unique()[:2]
    return only_servings(tables, tables["servings"]["tasting"].isin(first))


def second_round_planned(tables):
    """The doughs and pieces of the next round stand in the tables, and nothing is baked of them."""
    doughs, pieces = tables["doughs"], tables["pieces"]
    later = doughs.loc[doughs["round"] > doughs["round"].min(), "dough"]
    planned = pieces["dough"].isin(later)
    measured = ["mass_before_g", "mass_after_g", "droop_mm", *SIZES]
    empty = {name: pieces[name].mask(planned) for name in measured if name in pieces}
    before = first_round(tables)
    return before | {
        "doughs": doughs.assign(status=doughs["status"].mask(doughs["dough"].isin(later))),
        "pieces": pieces.assign(**empty),
    }


def absent_tasters(tables):
    """Two tasters, others each time, miss a tasting."""
    servings = tables["servings"]
    people, there = list(servings["assessor"].unique()), pd.Series(True, servings.index)
    for place, tasting in enumerate(servings["tasting"].unique()):
        gone = [people[(place + more) % len(people)] for more in (0, 1)]
        there &= ~((servings["tasting"] == tasting) & servings["assessor"].isin(gone))
    return only_servings(tables, there)


def with_factor(tables, name, **row):
    new = pd.DataFrame([{**dict.fromkeys(tables["factors"]), "factor": name, **row}])
    return tables | {"factors": pd.concat([tables["factors"], new], ignore_index=True)}


def with_category(tables):
    doughs = tables["doughs"]
    kinds = pd.Series(np.resize(["plain", "strong"], len(doughs)), doughs.index, dtype="str")
    doughs = doughs.assign(flour_kind=kinds.mask(doughs["kind"] == "reference"))
    row = {"levels": "plain|strong", "changed_per": "dough"}
    return with_factor(tables | {"doughs": doughs}, "flour_kind", **row)


def with_day_factor(tables):
    pieces = tables["pieces"]
    days = pieces["bake_day"].dropna().unique()
    level = dict(zip(days, np.resize([240.0, 260.0], len(days)), strict=True))
    pieces = pieces.assign(oven_air_c=pieces["bake_day"].map(level))
    row = {"low": 240.0, "high": 260.0, "step": 10.0, "changed_per": "day"}
    return with_factor(tables | {"pieces": pieces}, "oven_air_c", **row)


def nothing_measured(tables):
    targets, rated = tables["targets"], tables["attributes"]["attribute"]
    pieces = tables["pieces"].drop(columns=[*SIZES, "droop_mm"], errors="ignore")
    return tables | {"pieces": pieces, "targets": targets[targets["attribute"].isin(rated)]}


SHAPES = {
    "hydration is no factor": lambda study: without_factors(study, "hydration_pct"),
    "bake time is no factor": lambda study: without_factors(study, "bake_min"),
    "one factor": one_factor,
    "a flour to choose": with_category,
    "oven temperature once a day": with_day_factor,
    "factors without steps": lambda study: (
        study | {"factors": study["factors"].assign(step=np.nan)}
    ),
    "one attribute": one_attribute,
    "nothing measured": nothing_measured,
    "no reference": lambda study: without_kind(study, "reference"),
    "no control": lambda study: without_kind(study, "control"),
    "first round": first_round,
    "first evening": first_evening,
    "two evenings": two_evenings,
    "second round planned": second_round_planned,
    "tasters absent": absent_tasters,
    "no tasters": lambda study: without(study, "assessors"),
    "no weigh-outs": lambda study: without(study, "weighed"),
    "no dried samples": lambda study: without(study, "moistures"),
    "no ovens": lambda study: without(study, "ovens"),
    "no targets": lambda study: without(study, "targets"),
}
OTHERWISE = {
    ("no ovens", "02"): "missing table",
    ("no ovens", "03"): "missing table",
    ("no ovens", "06"): "missing table",
    ("no targets", "06"): "missing table",
    # three doughs can't part three factors: what travels with what is told
    ("first evening", "05"): "problems",
    ("two evenings", "05"): "problems",
    # the simulated bake asks for the size of a piece
    ("nothing measured", "02"): "problems",
}
QUICK = [("one factor", "05"), ("first evening", "06")]


def ends(tables, shape, folder, book):
    for name, frame in SHAPES[shape](tables).items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    study = open_study(folder)
    return {one.name[:2]: end_of(one, study) for one in BOOKS if book in (None, one.name[:2])}


@pytest.mark.parametrize(("shape", "book"), QUICK)
def test_an_early_or_narrow_study_runs(tables, tmp_path, shape, book):
    assert ends(tables, shape, tmp_path, book) == {book: "result"}


@pytest.mark.long
@pytest.mark.parametrize("shape", SHAPES)
def test_a_study_of_another_shape_runs_in_every_notebook(tables, tmp_path, monkeypatch, shape):
    # it has nothing to do with the study, and takes longest
    monkeypatch.setattr(baking, "published_bakes", functools.cache(baking.published_bakes))
    found = ends(tables, shape, tmp_path, None)
    assert found == {name: OTHERWISE.get((shape, name), "result") for name in found}
