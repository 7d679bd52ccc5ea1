"""What makes a sitting impossible: too many portions, or pieces that can't be served fresh."""

from __future__ import annotations

import pandas as pd

from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    require_columns,
    require_unique,
)

MOST_SAMPLES = 8
"""Portions a person can judge at one sitting, control and reference included (trade practice)."""

MODES = ("fresh", "rested")


def refuse_sitting(
    pieces: pd.DataFrame,
    assessors: pd.DataFrame,
    *,
    mode: str,
    repeats: int,
    each: int | None = None,
) -> None:
    """Raise every reason why this sitting can't be held."""
    require_unique(pieces, "piece", table="pieces")
    require_columns(pieces, "dough", table="pieces")
    require_unique(assessors, "assessor", table="assessors")
    problems = []
    served = len(pieces) if each is None else each
    if each is not None and (each != int(each) or not 2 <= each <= len(pieces)):
        problems.append(
            Problem(
                "servings",
                column="each",
                found=f"{each} pieces for each person, of {len(pieces)}",
                expected="a whole number from 2 to all pieces",
                mend="say how many pieces one person can taste",
            )
        )
    if mode not in MODES:
        problems.append(
            Problem(
                "servings",
                column="mode",
                found=f"'{mode}'",
                expected="fresh or rested",
                mend=nearest(mode, MODES) or "choose one on purpose",
            )
        )
    if not len(pieces) or not len(assessors) or repeats != int(repeats) or repeats < 1:
        problems.append(
            Problem(
                "servings",
                found=f"{len(pieces)} pieces, {len(assessors)} people, {repeats} portions each",
                expected="at least one of each",
                mend="list the pieces and the people of this tasting",
            )
        )
    elif served * repeats > MOST_SAMPLES:
        problems.append(
            Problem(
                "servings",
                found=f"{served * repeats} portions a person ({served} pieces × {repeats})",
                expected=f"at most {MOST_SAMPLES} a sitting, control and reference included",
                mend="taste on two days, serve fewer portions, or to each person only some pieces "
                "(each=8)",
            )
        )
    if mode == "fresh":
        problems += _not_fresh(pieces, repeats)
    if problems:
        raise StudyProblems(problems)


def _not_fresh(pieces: pd.DataFrame, repeats: int) -> list[Problem]:
    problems = []
    if repeats > 1:
        problems.append(
            Problem(
                "servings",
                column="repeat",
                found=f"{repeats} portions of each piece, served fresh",
                expected="one: a second portion would be older, or be known by its minute",
                mend="serve rested, or bake a second piece of the dough",
            )
        )
    if "bake_order" not in pieces.columns:
        missing = list(pieces["piece"])
    else:
        missing = list(pieces.loc[pieces["bake_order"].isna(), "piece"])
        twice = pieces.loc[pieces["bake_order"].duplicated(keep=False), ["piece", "bake_order"]]
        twice = twice.dropna()
        if len(twice):
            problems.append(
                Problem(
                    "pieces",
                    column="bake_order",
                    found=f"one place for {', '.join(twice['piece'])}",
                    expected="a place of its own for each piece, since it is served in that order",
                    mend="number the pieces of a load too, as they are cut and served",
                )
            )
    if missing:
        problems.append(
            Problem(
                "pieces",
                column="bake_order",
                found=f"no place for {', '.join(missing)}",
                expected="each piece's place in the bake day, which is its place in the serving",
                mend="plan the bake day first, and give the reference its place in it",
            )
        )
    days = pieces["bake_day"].dropna().unique() if "bake_day" in pieces.columns else []
    if len(days) > 1:
        problems.append(
            Problem(
                "pieces",
                column="bake_day",
                found=f"bake days {', '.join(map(str, days))}",
                expected="pieces of one bake day, served fresh",
                mend="plan a tasting per bake day, or serve rested",
            )
        )
    return problems
