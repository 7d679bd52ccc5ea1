"""What cannot be within a table, or beside the tables that it belongs to.

Bounds of one cell stand in the register; here are scales, ranges, levels, weights and portions.
"""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from doughkit.tables.findings import doubles, ordered, unlisted
from doughkit.tables.frames import Rows
from doughkit.tables.problems import Problem
from doughkit.tables.register import GRID_KEY, TABLES, Column

Study = dict[str, Rows]
"""All tables of a study while it is being checked."""

ABOUT_AS_MUCH = 1e-9
"""Levels and scores are decimal figures; they are compared with this much slack."""


def _factors(study: Study) -> Iterable[Problem]:
    rows = study["factors"]
    yield from ordered(rows, "low", "high", equal=False)
    yield from _steps(rows)
    for row, factor in rows.frame.iterrows():
        levels = [] if pd.isna(factor["levels"]) else factor["levels"].split("|")
        bounds = factor[["low", "high"]].notna()
        if levels and (len(set(levels)) < max(len(levels), 2) or bounds.any()):
            yield from rows.problem(
                row,
                "levels",
                f"levels {', '.join(levels)}" + (" beside low or high" if bounds.any() else ""),
                "two different levels or more, and low and high left empty",
                "a factor is either a category (levels) or a number (low, high)",
            )
        if not levels and not bounds.all():
            yield from rows.problem(
                row,
                "low" if not bounds["low"] else "high",
                "an empty cell",
                "low and high of a number, or the levels of a category",
                "fill the cell",
            )
        if not pd.isna(factor["factor"]):
            yield from _factor_place(study, row, factor)


def _factor_place(study: Study, row: int, factor: pd.Series) -> Iterable[Problem]:
    """A factor's levels stand in one table, under a name that means nothing else there."""
    name, per = factor["factor"], factor["changed_per"]
    for table in ("doughs", "pieces"):
        if name in TABLES[table].names and not _may_be_factor(TABLES[table][name], factor):
            yield from study["factors"].problem(
                row,
                "factor",
                f"'{name}', which means something else in {table}",
                "a name of its own",
                "rename the factor",
            )
    wrong = {"dough": "pieces", "piece": "doughs"}.get(per)
    if wrong in study and name in study[wrong].frame and name not in TABLES[wrong].names:
        yield Problem(
            wrong,
            found=f"levels of a factor that is changed per {per}",
            expected=f"the column in {'doughs' if wrong == 'pieces' else 'pieces'}",
            mend="move the column, or correct changed_per in factors",
            column=name,
        )


def _may_be_factor(column: Column, factor: pd.Series) -> bool:
    """Words may be a category's levels, numbers a range's; not those that say which row it is."""
    kinds = ("number", "whole") if pd.isna(factor["levels"]) else ("name",)
    return column.kind in kinds and not column.needed and column.name != "round"


def _steps(rows: Rows) -> Iterable[Problem]:
    for row in rows.frame.index[rows.frame["step"] == 0]:
        yield from rows.problem(
            row, "step", "0", "a step above 0", "write the smallest step, or leave it empty"
        )


def _limits(study: Study) -> Iterable[Problem]:
    rows = study["limits"]
    for name, terms in rows.frame.groupby("limit", sort=False):
        row, lows, highs = terms.index[0], terms["low"].dropna(), terms["high"].dropna()
        if len(set(lows)) > 1 or len(set(highs)) > 1:
            found, expected = "different bounds on its rows", "one low and one high per limit"
        elif not len(lows) and not len(highs):
            found, expected = "neither low nor high", "at least one of the two"
        elif len(lows) and len(highs) and lows.iloc[0] > highs.iloc[0]:
            found, expected = "low above high", "low at most high"
        else:
            continue
        yield from rows.problem(
            row, "low", f"limit {name}: {found}", expected, "correct the bounds"
        )


def _doughs(study: Study) -> Iterable[Problem]:
    rows = study["doughs"]
    frame = rows.frame
    failed = frame["status"] == "failed"
    for row in frame.index[failed & frame["failed_why"].isna()]:
        yield from rows.problem(
            row, "failed_why", "an empty cell", "why the dough failed", "say what went wrong"
        )
    yield from _levels(study)
    scores = _scores_by_dough(study)
    for row in frame.index[failed & frame["dough"].isin(set(scores.index))]:
        yield from rows.problem(
            row,
            "status",
            f"failed, with {scores[frame['dough'][row]]} scores",
            "no scores of a failed dough",
            "correct the status, or the servings' pieces",
        )


def _levels(study: Study) -> Iterable[Problem]:
    """Planned levels within their factor's range; none for the reference, which we do not vary."""
    rows = study["doughs"]
    if "factors" not in study:
        return
    factors = study["factors"].frame.drop_duplicates("factor")
    factors = factors[factors["changed_per"].isin(["dough", "day"])]
    for _, factor in factors.iterrows():
        if factor["factor"] not in rows.frame:
            continue
        levels, kind = rows.frame[factor["factor"]], rows.frame["kind"]
        for row in rows.frame.index[(kind == "reference") & levels.notna()]:
            yield from rows.problem(
                row,
                factor["factor"],
                f"a level, {levels[row]}",
                "an empty cell: the reference is not varied",
                "empty the cell, or correct the kind",
            )
        if not pd.api.types.is_numeric_dtype(levels):
            continue
        slack = ABOUT_AS_MUCH * (1 + abs(levels))
        outside = (levels < factor["low"] - slack) | (levels > factor["high"] + slack)
        for row in rows.frame.index[(kind == "test") & outside]:
            yield from rows.problem(
                row,
                factor["factor"],
                f"{levels[row]:g}",
                f"a level from {factor['low']:g} to {factor['high']:g}, as in factors",
                "correct the level, or widen the factor's range",
            )


def _scores_by_dough(study: Study) -> pd.Series:
    """How many scores each dough got; an empty score is none."""
    if not {"ratings", "servings", "pieces"} <= set(study):
        return pd.Series(dtype=int)
    ratings, servings, pieces = (study[name].frame for name in ("ratings", "servings", "pieces"))
    piece_of = servings.drop_duplicates("serving").set_index("serving")["piece"]
    dough_of = pieces.drop_duplicates("piece").set_index("piece")["dough"]
    scored = ratings.loc[ratings["score"].notna(), "serving"]
    return scored.map(piece_of).map(dough_of).value_counts()


def _pieces(study: Study) -> Iterable[Problem]:
    yield from ordered(study["pieces"], "mass_after_g", "mass_before_g")


def _moistures(study: Study) -> Iterable[Problem]:
    rows = study["moistures"]
    yield from ordered(rows, "dry_g", "wet_g")
    sources = (
        ("pieces", "piece"),
        ("doughs", "dough"),
        ("doughs", "flour_lot"),
        ("ingredients", "ingredient"),
        ("formulas", "ingredient"),
    )
    known = [study[table].frame[column] for table, column in sources if table in study]
    if known:
        names = set(pd.concat(known).dropna())
        where = "of a piece, a dough, a flour lot of doughs, or an ingredient"
        yield from unlisted(rows, "of", names, where)


def _attributes(study: Study) -> Iterable[Problem]:
    rows = study["attributes"]
    yield from ordered(rows, "low", "high", equal=False)
    yield from _steps(rows)
    for row in rows.frame.index[rows.frame["key"] == "yes"][3:]:
        yield from rows.problem(
            row,
            "key",
            "a fourth key attribute or more",
            "at most three, chosen before tasting",
            "leave yes at three attributes",
        )
    for row in rows.frame.index[rows.frame["attribute"].isin(GRID_KEY)]:
        yield from rows.problem(
            row,
            "attribute",
            f"'{rows.frame['attribute'][row]}', a heading of the entry grid",
            "another name",
            "rename the attribute",
        )


def _servings(study: Study) -> Iterable[Problem]:
    rows = study["servings"]
    yield from doubles(rows, list(GRID_KEY), "each code once per taster and tasting", "change one")
    portion = rows.frame.assign(repeat=rows.frame["repeat"].fillna(1))
    yield from doubles(
        Rows("servings", portion, rows.lines, rows.sure),
        ["tasting", "assessor", "piece", "repeat"],
        "each portion of a piece once per taster and tasting",
        "write repeat 2 for a second portion",
    )


def _ratings(study: Study) -> Iterable[Problem]:
    """Scores on their attribute's own scale and step."""
    if "attributes" not in study:
        return
    rows = study["ratings"]
    scales = study["attributes"].frame.drop_duplicates("attribute").set_index("attribute")
    score = rows.frame["score"]
    low, high, step = (
        rows.frame["attribute"].map(scales[name]).astype(float) for name in ("low", "high", "step")
    )
    steps = (score - low) / step.where(step > 0)
    outside = (score < low - ABOUT_AS_MUCH) | (score > high + ABOUT_AS_MUCH)
    between = (steps - steps.round()).abs() > 1e-6
    for row in rows.frame.index[outside | between]:
        scale = f"a score from {low[row]:g} to {high[row]:g}"
        scale += f" in steps of {step[row]:g}" if step[row] > 0 else ""
        yield from rows.problem(
            row, "score", f"{score[row]:g}", scale, "correct the score, or empty the cell"
        )


def _targets(study: Study) -> Iterable[Problem]:
    rows = study["targets"]
    for low, high in (("low", "high"), ("low", "aim"), ("aim", "high")):
        yield from ordered(rows, low, high)
    known = set(study["attributes"].frame["attribute"].dropna()) if "attributes" in study else set()
    for table in ("doughs", "pieces"):
        known |= {one.name for one in TABLES[table].columns if one.kind == "number"}
        if table in study:
            known |= set(study[table].frame.select_dtypes("number").columns)
    yield from unlisted(rows, "attribute", known, "of attributes, or of a measured column")
    wanted = rows.frame[["low", "aim", "high", "like"]].notna().any(axis="columns")
    for row in rows.frame.index[~wanted]:
        yield from rows.problem(
            row, "aim", "low, aim and high empty", "at least one of the three", "fill one of them"
        )


CHECKS = (
    ("factors", _factors),
    ("limits", _limits),
    ("doughs", _doughs),
    ("pieces", _pieces),
    ("moistures", _moistures),
    ("attributes", _attributes),
    ("servings", _servings),
    ("ratings", _ratings),
    ("targets", _targets),
)
"""Each table's own checks, made if the table is there."""
