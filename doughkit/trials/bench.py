"""The plan on one person's bench: how much an oven, an evening and a sitting hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns, so_many
from doughkit.tables.register import TABLES

EVENING_MIN = 180.0
MOST_SAMPLES = 8
"""Samples one person tastes at a sitting, control and reference included (usual panel practice)."""


@dataclass(frozen=True)
class Oven:
    """One row of the table `ovens`, as far as time goes."""

    name: str
    preheat_min: float
    gap_min: float
    at_once: int


def read_oven(oven) -> Oven:
    """Take an oven as a row, a mapping or a frame of one row."""
    if isinstance(oven, pd.DataFrame):
        if len(oven) != 1:
            raise problem_error(
                "ovens",
                found=f"{len(oven)} ovens",
                expected="one row",
                mend="choose the oven you bake in",
            )
        oven = oven.iloc[0]
    row = dict(oven)
    times = {name: row.get(name) for name in ("preheat_min", "gap_min")}
    for name, value in times.items():
        if value is None or not float(value) >= 0:
            raise problem_error(
                "ovens",
                key=f"oven {row.get('oven', '')}".strip(),
                column=name,
                found=str(value),
                expected="minutes, 0 or more",
                mend="time it once: " + TABLES["ovens"][name].meaning,
            )
    at_once = row.get("pieces_per_bake")
    at_once = 1 if at_once is None or np.isnan(float(at_once)) else int(at_once)
    return Oven(str(row.get("oven", "")), *map(float, times.values()), at_once)


def capacity(
    oven,
    *,
    bake_min: float,
    pieces_per_dough: int = 2,
    evening_min: float = EVENING_MIN,
    samples: int = MOST_SAMPLES,
    mixer_doughs: float = np.inf,
    fridge_doughs: float = np.inf,
    doughs: float = np.nan,
) -> pd.DataFrame:
    """Say how many doughs fit one evening, one baked control and one bought reference included.

    Question: before any plan, what can one oven and one sitting hold?

    Parameters
    ----------
    oven : row, mapping or one-row DataFrame
        Of the table `ovens`: preheat_min, gap_min, pieces_per_bake.
    bake_min : float
        The longest bake [min].
    pieces_per_dough : int
        Pieces baked of each dough.
    evening_min : float
        Minutes from oven on to the last piece out.
    samples : int
        Samples a person tastes at a sitting, control and reference included.
    mixer_doughs, fridge_doughs : float
        Doughs that you can mix for one bake day, and that the fridge holds, the control included.
    doughs : float
        Test doughs wanted; says how many evenings they take.

    Returns
    -------
    DataFrame of one row: doughs (that fit an evening), by_oven, by_tasters and by_bench (doughs
    that each would allow; by_bench is mixer and fridge), minutes (that many doughs and the control
    need), samples (they give), evenings (for the doughs wanted; empty if none were named).

    Raises
    ------
    StudyProblems if the oven's times are missing; with the numbers, if doughs are wanted and not
    one fits an evening.

    Range: minutes = preheat + loads × (bake + gap).
    Source: by definition; 8 samples a sitting is common panel practice.

    >>> capacity({"preheat_min": 50, "gap_min": 8}, bake_min=7).values.tolist()
    [[3.0, 3.0, 3.0, inf, 155.0, 8.0, nan]]
    """
    one = read_oven(oven)
    loads = int((evening_min - one.preheat_min) // (bake_min + one.gap_min))
    by_oven = max(loads * one.at_once - 1, 0) // pieces_per_dough
    by_tasters = max(samples - 2, 0) // pieces_per_dough
    by_bench = max(min(mixer_doughs, fridge_doughs) - 1, 0)
    fitting = min(by_oven, by_tasters, by_bench)
    if doughs > 0 and not fitting:
        raise problem_error(
            "capacity",
            found=f"room for {so_many(by_oven, 'dough')} in {evening_min:g} min of oven, "
            f"{by_tasters} in {samples} samples, "
            f"{'any number' if np.isinf(by_bench) else f'{by_bench:g}'} in mixer and fridge",
            expected="one dough or more beside the control",
            mend="bake fewer pieces a dough, allow a longer evening, or more doughs in the fridge",
        )
    baked = fitting * pieces_per_dough + 1
    minutes = one.preheat_min + -(-baked // one.at_once) * (bake_min + one.gap_min)
    return pd.DataFrame(
        {
            "doughs": [float(fitting)],
            "by_oven": float(by_oven),
            "by_tasters": float(by_tasters),
            "by_bench": float(by_bench),
            "minutes": float(minutes),
            "samples": float(baked + 1),
            "evenings": np.ceil(doughs / fitting) if fitting else np.nan,
        }
    )


def day_minutes(pieces: pd.DataFrame, oven) -> pd.DataFrame:
    """Say how long each planned bake day lasts and how many samples it gives.

    Question: does this evening fit?

    Parameters
    ----------
    pieces : DataFrame
        As `plan_days` gives it: bake_day, bake_order, bake_min, dough. A piece without a
        bake_order is tasted but not baked.
    oven : row, mapping or one-row DataFrame
        Of the table `ovens`.

    Returns
    -------
    DataFrame, one row per bake day: bake_day, doughs, baked (pieces), loads, minutes (preheat and
    every load's bake and gap), samples.

    Raises
    ------
    StudyProblems if a column or one of the oven's times is missing.

    Source: by definition.

    >>> pieces = pd.DataFrame({"bake_day": "R1D1", "bake_order": [1, 2], "bake_min": [5.0, 8.0],
    ...     "dough": ["A", "A"]})
    >>> day_minutes(pieces, {"preheat_min": 50, "gap_min": 8})["minutes"].tolist()
    [79.0]
    """
    require_columns(pieces, "bake_day", "bake_order", "bake_min", "dough", table="pieces")
    one = read_oven(oven)
    rows = []
    for day, part in pieces.groupby("bake_day", sort=False):
        baked = part[part["bake_order"].notna()]
        loads = baked.groupby("bake_order")["bake_min"].max()
        rows.append(
            {
                "bake_day": day,
                "doughs": baked["dough"].nunique(),
                "baked": len(baked),
                "loads": len(loads),
                "minutes": one.preheat_min + float((loads + one.gap_min).sum()),
                "samples": len(part),
            }
        )
    return pd.DataFrame(rows)
