"""The simulated bake: a frame of bakes in, a frame out; one bake through its thickness over time;
pieces one after the other on a support that cools and recovers."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.baking.inputs import read_bakes
from doughkit.baking.run import grid_of, run, slab_of
from doughkit.baking.slab import Stack, march
from doughkit.tables.problems import problem_error

NAMES = ("piece", "bake", "dough", "oven")


def simulate(bakes: pd.DataFrame, *, cells: int | None = None, fine: bool = False) -> pd.DataFrame:
    """Simulate bakes: what each loses, how much water stays, how deep its dry crust is.

    Question: what would this piece lose in that oven?

    Parameters
    ----------
    bakes : DataFrame
        One row per bake, as `oven_bakes` gives it. Needed: air_c, support, support_c [°C] (not for
        a rack), bake_min, mass_before_g, diameter_mm (or length_mm and width_mm), water_pct and
        dry_pct per 100 flour. Used if there: thickness_mm (else from 500 kg/m³), support_mm,
        fan ("yes"), altitude_m, piece_c (22 °C), steam_pct (share of the oven's air, 2 %),
        and any column named in `starting_guesses`. Mass over area leads; thickness only sets how
        far heat must travel.
    cells : int, optional
        Cells through the dough, instead of what thickness asks for.
    fine : bool
        The fine grid: error of the loss below 0.1 points everywhere within the range, about ten
        times slower. The quick grid stays within 0.1 points for thin pieces.

    Returns
    -------
    DataFrame, one row per bake, index as given: piece, bake, dough, oven where given; bake_min,
    loss_pct (of the dough), water_left_pct (per 100 flour), finished_moisture_pct, crust_top_mm and
    crust_bottom_mm (dry depth), core_c (the coldest part), top_c, bottom_c, support_left_c (mean
    of the support at the end; empty for a rack), colour_top_rank and colour_bottom_rank (1 is the
    palest of this frame: an order, no colour).

    Raises
    ------
    StudyProblems naming every bake that cannot be simulated.

    Range: flat pieces of 3-30 mm, air of 120-520 °C; no pocket, no topping, no thick loaf: warns
    (OutsideRange) with the reason. Not tuned to an oven, expect a loss 3-9 points off, usually too
    high; `calibrate` mends that. Surface temperatures may be 25-100 °C off even then.
    Source: conservation of heat and water in one dimension; evaporation front at the boiling
    point; browning after Zanoni, Peri and Bruno 1995; unknowns as `starting_guesses` lists them.

    >>> bake = pd.DataFrame({"air_c": [250.0], "support": ["steel"], "support_c": [270.0],
    ...     "bake_min": [6.0], "mass_before_g": [250.0], "diameter_mm": [290.0],
    ...     "water_pct": [76.0], "dry_pct": [88.0]})
    >>> simulate(bake)[["loss_pct", "water_left_pct"]].round(1).values.tolist()
    [[23.9, 36.7]]
    """
    if bakes.empty:
        raise problem_error("bakes", found="no rows", expected="one bake or more", mend="add a row")
    table = read_bakes(bakes)
    end = {
        name: values[-1]
        for name, values in run(table, cells=cells, grid="fine" if fine else "quick").items()
        if values.ndim == 2
    }
    names = bakes[[name for name in NAMES if name in bakes.columns]]
    loss, left, moisture = loss_and_water(table, end["lost_kg_m2"])
    columns = {
        "bake_min": table["bake_min"],
        "loss_pct": loss,
        "water_left_pct": left,
        "finished_moisture_pct": moisture,
        **{
            name: end[name]
            for name in (
                "crust_top_mm",
                "crust_bottom_mm",
                "core_c",
                "top_c",
                "bottom_c",
                "support_left_c",
            )
        },
    }
    result = pd.concat([names, pd.DataFrame(columns, index=bakes.index)], axis=1)
    for side in ("top", "bottom"):
        browned = pd.Series(end[f"browned_{side}"], bakes.index)
        result[f"colour_{side}_rank"] = browned.rank(method="dense")
    return result


def loss_and_water(table: dict, lost_kg_m2: np.ndarray):
    """Loss in percent of the dough, water left per 100 flour, moisture of the baked piece."""
    loss = lost_kg_m2 / table["mass_kg_m2"]
    dough = table["dry_pct"] + table["water_pct"]
    left = table["water_pct"] - loss * dough
    return 100 * loss, left, 100 * left / (left + table["dry_pct"])


def profile(bake: pd.DataFrame, *, times: int = 60, fine: bool = False) -> pd.DataFrame:
    """Follow one bake: temperature and water through the thickness over time.

    Question: where is it dry and where still wet, and when did that happen?

    Parameters
    ----------
    bake : DataFrame
        One row, as `simulate` takes it.
    times : int
        Moments to note, evenly spread over the bake, its start not among them.
    fine : bool
        The fine grid, see `simulate`.

    Returns
    -------
    DataFrame, one row per moment and layer: minutes, layer (1 at the bottom), height_mm (middle of
    the layer above the support), temperature_c, water_pct (g water per 100 g dry matter: of the
    solids, not of the flour), water_share_pct (of the layer's water at the start; above 100 where
    steam condensed).

    Raises
    ------
    StudyProblems if there is not exactly one bake, or it cannot be simulated.

    Range: as `simulate`. The front between wet and dry is sharper here than in bread.
    Source: as `simulate`.

    >>> bake = pd.DataFrame({"air_c": [250.0], "support": ["steel"], "support_c": [270.0],
    ...     "bake_min": [6.0], "mass_before_g": [250.0], "diameter_mm": [290.0],
    ...     "water_pct": [76.0], "dry_pct": [88.0]})
    >>> through = profile(bake, times=3)
    >>> through["minutes"].unique().tolist()
    [2.0, 4.0, 6.0]
    """
    if len(bake) != 1 or times < 1:
        raise problem_error(
            "bakes",
            found=f"{len(bake)} rows, {times} times",
            expected="one bake, one time or more",
            mend="choose one row: bakes.iloc[[0]]",
        )
    table = read_bakes(bake)
    stack, seconds = _stack(table, fine=fine)
    shares = np.arange(1, times + 1) / times
    marched = march(stack, seconds, shares)
    layers, low = stack.grid.cells, stack.low
    warmth = np.array(marched.temperatures)[:, low:, 0]
    water = np.array(marched.waters)[:, :, 0]
    size = stack.size[low:, 0] * 1e3
    height = np.cumsum(size) - size / 2
    return pd.DataFrame(
        {
            "minutes": np.repeat(shares * table["bake_min"], layers),
            "layer": np.tile(np.arange(1, layers + 1), times),
            "height_mm": np.tile(height, times),
            "temperature_c": warmth.ravel(),
            "water_pct": (100 * water / stack.dough.solids).ravel(),
            "water_share_pct": (100 * water / stack.dough.water).ravel(),
        }
    )


def _stack(table: dict, *, fine: bool, chosen=None) -> tuple[Stack, np.ndarray]:
    """Bakes of one kind of support, ready to march; their durations [s]."""
    chosen = np.array([0]) if chosen is None else chosen
    dough, air, support = slab_of(table, chosen)
    seconds = 60 * table["bake_min"][chosen]
    grid = grid_of(
        table["support"][0], dough.thickness_m.max(), seconds.max(), "fine" if fine else "quick"
    )
    return Stack(dough, air, support, grid), seconds
