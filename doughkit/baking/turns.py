"""Pieces baked one after the other on a support that cools under each and recovers in between."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.baking.inputs import read_bakes
from doughkit.baking.run import grid_of, slab_of
from doughkit.baking.simulate import loss_and_water
from doughkit.baking.slab import Air, Stack, Support, march
from doughkit.baking.slab_step import solve_tridiagonal
from doughkit.tables.problems import problem_error, require_columns

RECOVERY_STEPS = 60


def bake_in_turn(bake: pd.DataFrame, *, pieces: int) -> pd.DataFrame:
    """Bake equal pieces one after the other: how far does the support cool, what does it cost?

    Question: is my gap between two pieces long enough?

    Parameters
    ----------
    bake : DataFrame
        One row, as `simulate` takes it, on a support (no rack), with gap_min: minutes from one
        piece out to the next in, the support lying empty in the closed oven.
    pieces : int
        How many pieces.

    Returns
    -------
    DataFrame, one row per piece: turn (1 is the first), support_c (its upper face when the piece
    is loaded), loss_pct, water_left_pct, support_left_c (mean of the support when the piece comes
    out).

    Raises
    ------
    StudyProblems if there is not exactly one bake, it lies on a rack or has no gap_min.

    Range: as `simulate`. The open door is not in it; a support hotter than the air is held so by
    a steady element below, without a thermostat. So take it as the least that happens.
    Source: as `simulate`; conduction in the support, radiation and convection at both faces.

    >>> bake = pd.DataFrame({"air_c": [250.0], "support": ["steel"], "support_c": [270.0],
    ...     "bake_min": [6.0], "mass_before_g": [250.0], "diameter_mm": [290.0],
    ...     "water_pct": [76.0], "dry_pct": [88.0], "gap_min": [5.0]})
    >>> turns = bake_in_turn(bake, pieces=3)
    >>> bool(turns["support_c"].is_monotonic_decreasing and turns["loss_pct"].iloc[2] < 27)
    True
    """
    require_columns(bake, "gap_min", table="bakes")
    table = read_bakes(bake)
    if len(bake) != 1 or table["support"][0] == "rack" or pieces < 1:
        raise problem_error(
            "bakes",
            column="support",
            found=f"{len(bake)} rows, {pieces} pieces, on {', '.join(map(str, table['support']))}",
            expected="one bake on a support, one piece or more",
            mend="choose one row whose support is not a rack",
        )
    gap_s = 60 * bake["gap_min"].to_numpy(float)
    dough, air, support = slab_of(table, np.array([0]))
    seconds = 60 * table["bake_min"]
    grid = grid_of(table["support"][0], dough.thickness_m[0], seconds[0], "quick")
    rows = []
    for turn in range(1, pieces + 1):
        stack = Stack(dough, air, support, grid)
        loaded_c = stack.cell_c[stack.low - 1, 0]
        marched = march(stack, seconds)
        loss, left, _ = loss_and_water(table, marched.lost[-1])
        out_c = stack.cell_c[: stack.low]
        mean_c = (out_c * stack.size[: stack.low]).sum() / support.thickness_m[0]
        rows.append((turn, loaded_c, loss[0], left[0], mean_c))
        start_c = recover(support, air, out_c, stack.size[: stack.low], gap_s)
        support = Support(**{**vars(support), "start_c": start_c})
    columns = ["turn", "support_c", "loss_pct", "water_left_pct", "support_left_c"]
    return pd.DataFrame(rows, columns=columns)


def recover(support: Support, air: Air, cell_c, size, seconds):
    """Temperature of the support's cells after lying empty in the oven for `seconds`."""
    cell_c = np.array(cell_c, float)
    half = size / (2 * support.conductivity)
    between = 1 / (half[:-1] + half[1:])
    top, under = air.face(cell_c[-1]), support.below.face(cell_c[0])
    per_kelvin = seconds / RECOVERY_STEPS / (size * support.heat_capacity)
    for _ in range(RECOVERY_STEPS):
        start_c = cell_c.copy()
        for _ in range(3):
            onto_top, top_slope = top.heat(cell_c[-1], half[-1])
            onto_under, under_slope = under.heat(cell_c[0], half[0])
            flow = between * (cell_c[:-1] - cell_c[1:])
            gain = np.zeros_like(cell_c)
            gain[0] += onto_under
            gain[-1] += onto_top
            gain[1:] += flow
            gain[:-1] -= flow
            diagonal = np.ones_like(cell_c)
            diagonal[0] += per_kelvin[0] * under_slope
            diagonal[-1] += per_kelvin[-1] * top_slope
            diagonal[1:] += per_kelvin[1:] * between
            diagonal[:-1] += per_kelvin[:-1] * between
            below = np.zeros_like(cell_c)
            below[1:] = -per_kelvin[1:] * between
            above = -per_kelvin[:-1] * between
            misfit = cell_c - start_c - per_kelvin * gain
            cell_c = cell_c - solve_tridiagonal(below, diagonal, above, misfit)
    return cell_c
