"""Doughs and pieces joined into one row per piece, with what was left out and why."""

from __future__ import annotations

import pandas as pd

from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    problem_error,
    require_columns,
    require_unique,
)
from doughkit.trials.factors import read_factors


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
