"""From the tables to one row per piece: its dough, its levels, and what was left out and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    problem_error,
    require_columns,
    require_unique,
)
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import Factor, read_factors
from doughkit.trials.records import refuse_split_days

CONSEQUENCES = (
    "loss_g",
    "loss_pct",
    "mass_after_g",
    "water_left_pct",
    "finished_moisture_pct",
    "droop_mm",
    "thickness_mm",
)
"""Measured on the baked piece: they follow from the factors and can't be set beside them."""


@dataclass(frozen=True, eq=False)
class PieceTable:
    """rows: piece, dough, kind, block, a column per factor, day where a factor is set once a day.

    left_out: attribute, piece, why.
    """

    rows: pd.DataFrame
    values: pd.DataFrame
    left_out: pd.DataFrame


def piece_table(values, doughs, pieces, factors, *, block: str | None) -> PieceTable:
    """Join values to levels; every problem at once, nothing left out without a reason."""
    known = read_factors(factors)
    _refuse_consequences(known)
    require_unique(values, "attribute", "piece", table="values")
    require_columns(values, "mean", table="values")
    require_unique(pieces, "piece", table="pieces")
    require_columns(pieces, "dough", table="pieces")
    require_unique(doughs, "dough", table="doughs")
    _require_known(values["piece"], pieces["piece"], "values", "piece")
    _require_known(pieces["dough"], doughs["dough"], "pieces", "dough")
    rows = _joined(doughs, pieces, known, block)
    rows = _with_days(rows, pieces, known)
    rows = rows[rows["piece"].isin(values["piece"])].reset_index(drop=True)
    why = _why_left_out(rows, known, block)
    values = values.reset_index(drop=True)
    reason = values["piece"].map(why.set_axis(rows["piece"])).fillna("")
    reason = reason.mask((reason == "") & values["mean"].isna(), "it has no value")
    left_out = values.loc[reason != "", ["attribute", "piece"]].assign(why=reason)
    kept = values.loc[reason == "", ["attribute", "piece", "mean"]]
    if kept.empty:
        raise problem_error(
            "values",
            found=f"{len(values)} values, none of a piece whose levels are known",
            expected="values of pieces of test doughs",
            mend="give values of pieces whose dough has a level of every factor",
        )
    rows = rows[rows["piece"].isin(kept["piece"])].reset_index(drop=True)
    _refuse_doughs_of_two_days(rows, known)
    return PieceTable(
        rows,
        kept.reset_index(drop=True),
        left_out.reset_index(drop=True),
    )


def _refuse_consequences(known: list[Factor]) -> None:
    measured = [factor.name for factor in known if factor.name in CONSEQUENCES]
    if measured and len(known) > 1:
        causes = ", ".join(factor.name for factor in known if factor.name not in measured)
        raise StudyProblems(
            Problem(
                "factors",
                key=f"factor {name}",
                found=f"a property of the baked piece beside {causes or 'another such property'}",
                expected="only what can be set before the bake",
                mend=f"{name} follows from what was mixed and baked: beside its causes it changes "
                "what their effects mean. Read it as a value of its own, or alone as the one axis",
            )
            for name in measured
        )


def _require_known(names: pd.Series, known: pd.Series, table: str, column: str) -> None:
    strange = names[~names.isin(known)].unique()
    if len(strange):
        raise StudyProblems(
            Problem(
                table,
                column=column,
                found=repr(name),
                expected=f"a {column} of the table {column}s",
                mend=nearest(name, known) or f"add it to the table {column}s",
            )
            for name in strange
        )


def _joined(doughs, pieces, known: list[Factor], block: str | None) -> pd.DataFrame:
    of_dough = [factor.name for factor in known if factor.changed_per == "dough"]
    of_piece = [factor.name for factor in known if factor.changed_per != "dough"]
    require_columns(doughs, *of_dough, table="doughs")
    require_columns(pieces, *of_piece, table="pieces")
    if block is not None and block not in doughs.columns and block not in pieces.columns:
        require_columns(doughs, block, table="doughs")
    left, right = pieces[["piece", "dough", *of_piece]], doughs[["dough", *of_dough]]
    right = right.assign(kind=doughs["kind"] if "kind" in doughs.columns else "test")
    if "status" in doughs.columns:
        right = right.assign(status=doughs["status"])
    if block is not None:
        source = doughs if block in doughs.columns else pieces
        labels = as_levels(source[block]).where(source[block].notna())
        if source is doughs:
            right = right.assign(block=labels)
        else:
            left = left.assign(block=labels)
    rows = left.merge(right, on="dough", how="left", validate="m:1")
    rows = rows.assign(**{one.name: as_levels(rows[one.name]) for one in known if one.levels})
    return rows if block is not None else rows.assign(block="")


def _with_days(rows, pieces, known: list[Factor]) -> pd.DataFrame:
    """Adds each piece's bake day where a factor set once a day was varied."""
    daily = [one.name for one in known if one.changed_per == "day"]
    if not any(len(rows[name].dropna().unique()) > 1 for name in daily):
        return rows
    require_columns(pieces, "bake_day", table="pieces")
    refuse_split_days(pieces, known)
    return rows.assign(day=rows["piece"].map(pieces.set_index("piece")["bake_day"]))


def _refuse_doughs_of_two_days(rows: pd.DataFrame, known: list[Factor]) -> None:
    """A dough shares the error of one day; what has no levels (the reference) may have many."""
    if "day" not in rows.columns:
        return
    days = rows.groupby("dough")["day"].nunique()
    if days.gt(1).any():
        daily = [one.name for one in known if one.changed_per == "day"]
        raise problem_error(
            "pieces",
            key=f"dough {days.idxmax()}",
            column="bake_day",
            found=f"baked on {days.max()} days",
            expected=f"one day a dough, since {', '.join(daily)} is set once a day",
            mend="write a dough for each day",
        )


def _why_left_out(rows, known: list[Factor], block: str | None) -> pd.Series:
    """A reason per row, empty where the piece is used; test pieces must have all their levels."""
    names = [factor.name for factor in known]
    gaps = rows[names].isna()
    if block is not None:
        gaps = gaps.assign(**{block: rows["block"].isna()})
    if "day" in rows.columns:
        gaps = gaps.assign(bake_day=rows["day"].isna())
    missing = gaps.apply(lambda row: ", ".join(row.index[row]), axis=1)
    failed = rows.get("status", pd.Series("", index=rows.index)).eq("failed")
    reference = rows["kind"].eq("reference")
    incomplete = (missing != "") & ~failed & ~reference
    wrong = rows[incomplete & ~rows["kind"].eq("control")]
    if len(wrong):
        raise StudyProblems(
            Problem(
                "doughs"
                if name in {f.name for f in known if f.changed_per == "dough"}
                else "pieces",
                key=f"piece {row.piece} of dough {row.dough}",
                column=name,
                found="an empty cell",
                expected="the level that was baked",
                mend="fill it in, or mark the dough as control or failed",
            )
            for row, cell in zip(wrong.itertuples(), missing[wrong.index], strict=True)
            for name in cell.split(", ")
        )
    return pd.Series(
        np.select(
            [reference, failed, incomplete],
            ["the reference has no levels", "its dough failed", "no level of " + missing],
            "",
        ),
        index=rows.index,
    )
