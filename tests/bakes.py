"""Bakes for the tests of the simulated bake: one plain piece, slabs with known answers, a sweep."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.baking.inputs import read_bakes
from doughkit.baking.run import slab_of
from doughkit.baking.slab import Air, Dough, Grid, Stack, Support, march

PLAIN = {
    "air_c": 250.0,
    "support": "steel",
    "support_c": 270.0,
    "support_mm": 8.0,
    "bake_min": 6.0,
    "mass_before_g": 250.0,
    "diameter_mm": 290.0,
    "thickness_mm": 8.0,
    "water_pct": 76.0,
    "dry_pct": 88.0,
    "hydration_pct": 62.0,
}
SUPPORTS = ("steel", "iron", "tray", "stone", "brick", "rack")


def bakes(count: int = 1, **columns) -> pd.DataFrame:
    """Plain bakes, with other values where given."""
    return pd.DataFrame({**PLAIN, **columns}, index=range(count))


def one(value: float) -> np.ndarray:
    return np.array([float(value)])


def dead_air(air_c: float = 20.0) -> Air:
    """An oven that gives and takes nothing."""
    return Air(one(air_c), one(1e-12), one(0), one(0))


def plain_dough(mm: float, k: float, heat: float, start_c: float, **more) -> Dough:
    """A slab of constant properties; without water unless asked for."""
    return Dough(
        thickness_m=one(mm / 1e3),
        solids=one(heat / 1000),
        water=one(more.get("water", 0)),
        residual=one(0),
        solids_heat=one(1000),
        crumb_k=one(k),
        crumb_k_rise=one(0),
        crust_k=one(more.get("crust_k", k)),
        vapour_diffusivity=one(1e-5),
        water_activity=one(0.97),
        start_c=one(start_c),
        boil_c=one(more.get("boil_c", 1e4)),
    )


def plate(k: float, heat: float, mm: float, start_c: float) -> Support:
    """A support in perfect contact, dead below."""
    return Support(
        one(k), one(heat), one(mm / 1e3), one(start_c), one(1e12), one(np.inf), dead_air()
    )


def held_at(start_c: float) -> Support:
    """A support that keeps its temperature whatever happens."""
    return plate(1e6, 1e14, 10, start_c)


def stack_of(dough: Dough, support: Support | None, grid: Grid, air: Air | None = None) -> Stack:
    return Stack(dough, air or dead_air(), support, grid)


def sweep(count: int, seed: int) -> pd.DataFrame:
    """Bakes all over the range: 3-30 mm, 120-520 °C, every support, steam, fans, heights."""
    draw = np.random.default_rng(seed)
    mm = np.exp(draw.uniform(np.log(3), np.log(30), count))
    density = draw.uniform(300, 900, count)
    support = draw.choice(SUPPORTS, count)
    air_c = draw.uniform(120, 520, count)
    diameter = draw.uniform(150, 350, count)
    metal_mm, stone_mm = draw.uniform(4, 14, count), draw.uniform(12, 60, count)
    tray_mm = draw.uniform(0.8, 3, count)
    kinds = [support == "tray", np.isin(support, ["steel", "iron"])]
    return pd.DataFrame(
        {
            "air_c": air_c,
            "support": support,
            "support_c": np.clip(air_c + draw.uniform(-60, 60, count), 100, 520),
            "support_mm": np.select(kinds, [tray_mm, metal_mm], stone_mm),
            "bake_min": np.exp(draw.uniform(np.log(0.5), np.log(15), count)),
            "mass_before_g": density * mm / 1e3 * np.pi / 4 * (diameter / 1e3) ** 2 * 1e3,
            "diameter_mm": diameter,
            "thickness_mm": mm,
            "water_pct": draw.uniform(55, 100, count),
            "dry_pct": draw.uniform(86, 95, count),
            "fan": draw.choice(["yes", "no"], count),
            "altitude_m": draw.uniform(0, 2500, count),
            "steam_pct": draw.choice([2.0, 5.0, 30.0, 90.0], count),
            "piece_c": draw.uniform(5, 30, count),
            "oven_factor": np.exp(draw.normal(np.log(0.75), 0.3, count)),
            "contact_w_m2k": np.exp(draw.normal(np.log(100), 0.5, count)),
            "crust_w_mk": np.exp(draw.normal(np.log(0.08), 0.3, count)),
        }
    )


def marched_by_support(frame: pd.DataFrame, *, cells: int, steps: int):
    """Loss [%] and the heat and water gone missing, all bakes of a support on one coarse grid."""
    table = read_bakes(frame, warn=False)
    loss, gap = np.empty(len(frame)), np.empty((2, len(frame)))
    for kind in SUPPORTS:
        chosen = np.flatnonzero(table["support"] == kind)
        grid = Grid(cells, 0 if kind == "rack" else 4, steps)
        out = march(Stack(*slab_of(table, chosen), grid), 60 * table["bake_min"][chosen])
        loss[chosen] = 100 * out.lost[-1] / table["mass_kg_m2"][chosen]
        gap[:, chosen] = out.heat_gap, out.water_gap
    return loss, gap


def converged_loss(frame: pd.DataFrame, steps=(1200, 2400)) -> np.ndarray:
    """Loss [%] on a grid far finer than any in use, its first-order error in time taken out."""
    table = read_bakes(frame, warn=False)
    support_cells = {"rack": 0, "tray": 2, "steel": 10, "iron": 10, "stone": 24, "brick": 24}
    growth = {"stone": 1.15, "brick": 1.25}
    lost = np.empty(len(frame))
    thin = table["thickness_mm"] < 10
    for kind, cells in support_cells.items():
        for part, layers in ((thin, 64), (~thin, 128)):
            chosen = np.flatnonzero((table["support"] == kind) & part)
            if len(chosen):
                coarse, fine = (
                    march(
                        Stack(
                            *slab_of(table, chosen),
                            Grid(layers, cells, count, 1.4, growth.get(kind, 1.0)),
                        ),
                        60 * table["bake_min"][chosen],
                    ).lost[-1]
                    for count in steps
                )
                lost[chosen] = 2 * fine - coarse
    return 100 * lost / table["mass_kg_m2"]
