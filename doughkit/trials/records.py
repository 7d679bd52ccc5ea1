"""Doughs and pieces joined into one row per piece, with what was left out and why."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    problem_error,
    require_columns,
    require_unique,
)
from doughkit.trials.factors import Factor, read_factors


def join_records(
    doughs: pd.DataFrame, pieces: pd.DataFrame, factors: pd.DataFrame, block: str | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One row per piece that can be read, with its dough's columns; and dough, why for the rest.

    Left out: the reference, failed doughs, doughs without a piece, controls without levels or
    without a place in the block. A test dough or piece without one is a problem, not a gap.
    """
    known = read_factors(factors)
    per_dough = [factor.name for factor in known if factor.changed_per == "dough"]
    per_piece = [factor.name for factor in known if factor.changed_per != "dough"]
    require_unique(doughs, "dough", table="doughs")
    require_unique(pieces, "piece", table="pieces")
    require_columns(doughs, "kind", *per_dough, table="doughs")
    require_columns(pieces, "dough", *per_piece, table="pieces")
    _refuse_strays(doughs, pieces)
    refuse_split_days(pieces, known)
    why = _why_left_out(doughs, pieces, per_dough)
    left_out = pd.DataFrame({"dough": doughs["dough"], "why": why})[why != ""]
    read = doughs[why == ""]
    _refuse_gaps(read, per_dough, "doughs", "dough")
    table = pieces.merge(read, on="dough", suffixes=("", "_of_dough"))
    tests = table["kind"] == "test"
    _refuse_gaps(table[tests], per_piece, "pieces", "piece")
    table = table[tests | table[per_piece].notna().all(axis=1)].reset_index(drop=True)
    if table.empty:
        raise problem_error(
            "pieces",
            found="no piece of a test dough",
            expected="at least one",
            mend="list the pieces baked of each dough",
        )
    if block is not None:
        require_columns(table, block, table="doughs and pieces")
        _refuse_gaps(table[table["kind"] == "test"], [block], "doughs and pieces", "piece")
        unplaced = table.loc[table[block].isna(), "dough"].drop_duplicates()
        more = pd.DataFrame({"dough": unplaced, "why": f"control without {block}"})
        left_out = pd.concat([left_out, more])
        table = table[table[block].notna()].reset_index(drop=True)
    return table, left_out.reset_index(drop=True)


def bake_days(table: pd.DataFrame, known: list[Factor]) -> np.ndarray | None:
    """Number of the bake day of each piece, from 0; None if nothing tells days apart.

    Before days are planned, pieces with the same levels of what is set once a day share a day.
    """
    daily = [factor.name for factor in known if factor.changed_per == "day"]
    if "bake_day" in table.columns and table["bake_day"].notna().all():
        return pd.factorize(table["bake_day"])[0]
    return table.groupby(daily, sort=False).ngroup().to_numpy() if daily else None


def days_to_judge_by(
    table, known: list[Factor], block: str | None = None
) -> tuple[np.ndarray, bool]:
    """Each piece's bake day, and whether days are judged by: where something is set once a day.

    Where each day has one dough, the dough stands for its day.
    """
    daily = any(one.changed_per == "day" for one in known)
    day = bake_days(table, known)
    if day is None:
        return np.zeros(len(table), dtype=int), False
    return day, daily and block != "bake_day" and day.max() + 1 < table["dough"].nunique()


def refuse_split_days(pieces: pd.DataFrame, known: list[Factor]) -> None:
    """What is set once a day has one level on each bake day."""
    daily = [factor.name for factor in known if factor.changed_per == "day"]
    if not daily or "bake_day" not in pieces.columns:
        return
    problems = [
        Problem(
            "pieces",
            key=f"bake day {day}",
            column=name,
            found=" and ".join(f"{level}" for level in part[name].dropna().unique()),
            expected="one level a day, since it is set once a day",
            mend="mend the level or the bake_day; if it was changed within the day, write "
            "changed_per piece",
        )
        for day, part in pieces.groupby("bake_day", sort=False)
        for name in daily
        if len(part[name].dropna().unique()) > 1
    ]
    if problems:
        raise StudyProblems(problems)


def _refuse_strays(doughs: pd.DataFrame, pieces: pd.DataFrame) -> None:
    strays = pieces[~pieces["dough"].isin(doughs["dough"])]
    if len(strays):
        raise StudyProblems(
            Problem(
                "pieces",
                key=f"piece {row.piece}",
                column="dough",
                found=f"dough {row.dough}",
                expected="a dough listed in doughs",
                mend="add the dough, or mend its name",
            )
            for row in strays.itertuples()
        )


def _why_left_out(doughs: pd.DataFrame, pieces: pd.DataFrame, per_dough: list[str]) -> pd.Series:
    status = doughs["status"].fillna("") if "status" in doughs.columns else ""
    why = pd.Series("", index=doughs.index, dtype="str")
    why = why.mask(~doughs["dough"].isin(pieces["dough"]), "no piece")
    no_level = doughs[per_dough].isna().any(axis=1)
    why = why.mask((doughs["kind"] == "control") & no_level, "control without levels")
    why = why.mask(doughs["kind"] == "reference", "reference")
    return why.mask(pd.Series(status, index=doughs.index) == "failed", "failed")


def _refuse_gaps(frame: pd.DataFrame, names: list[str], table: str, key: str) -> None:
    gaps = [
        Problem(
            table,
            key=f"{key} {name}",
            column=column,
            found="no level",
            expected="a level",
            mend="fill in what was baked",
        )
        for column in names
        for name in frame.loc[frame[column].isna(), key]
    ]
    if gaps:
        raise StudyProblems(gaps)
