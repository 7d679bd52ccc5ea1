"""Bakes of any mixture run in groups that share a grid, a block at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from doughkit.baking.inputs import supports
from doughkit.baking.slab import Air, Dough, Grid, Marched, Stack, Support, march
from doughkit.baking.slab_step import KELVIN, STEFAN_BOLTZMANN
from doughkit.baking.steam import pressure_pa, saturation_c

BLOCK = 1000
"""Bakes marched side by side: few enough for the processor's cache, enough to spread overhead."""
STILL, FAN = 8.0, 20.0
"""Convection [W/(m² K)] of still oven air (4-12) and with a fan (12-35); from memory."""
EMISSIVITY = 0.9
"""Of dough and crust: 0.85-0.98, from memory."""
UNDERSIDE, UNDERSIDE_EMISSIVITY = 6.0, 0.8
"""Of the support's underside; still air, oxidised steel 0.79 (emissivity table of a camera)."""
CRUMB_RISE = 0.5
"""How much conductivity [W/(m K)] crumb gains through vapour in its pores when hot; from memory."""
WATER_ACTIVITY = 0.97
"""Of dough; from memory, 0.94-0.98."""
DRIFT_FROM_MIN = 5.0
"""Bake time at which the drift of the model counts as nil."""


@dataclass(frozen=True)
class Rule:
    """How a grid follows from thickness and duration: cells no thicker, steps no longer."""

    cell_m: float
    cells: tuple[int, ...]
    step_s: float
    least_steps: int
    most_steps: int
    support_cells: str


RULES = {
    "rough": Rule(1.0e-3, (10, 14, 20, 28), 4.0, 60, 200, "quick_cells"),
    "quick": Rule(0.8e-3, (12, 16, 24, 36, 48), 2.0, 100, 600, "quick_cells"),
    "fine": Rule(0.4e-3, (36, 48, 60, 72), 0.5, 300, 10**6, "cells"),
}
"""rough: for ensembles, whose spread is far wider than its error; quick: for one's own bakes;
fine: loss within 0.1 points all over the range."""
DURATIONS_S = (150, 300, 600, 1200, 2400, 4800, 20000)


def slab_of(table: dict, chosen) -> tuple[Dough, Air, Support | None]:
    """The slab's properties for the bakes at the places `chosen`, all of one kind of support."""
    t = {name: values[chosen] for name, values in table.items()}
    one = np.ones(len(t["bake_min"]))
    thickness = t["thickness_mm"] / 1e3 * t["thickness_factor"]
    solids = t["mass_kg_m2"] / thickness * t["dry_pct"] / (t["dry_pct"] + t["water_pct"])
    pressure = pressure_pa(t["altitude_m"])
    dough = Dough(
        thickness_m=thickness,
        solids=solids,
        water=solids * t["water_pct"] / t["dry_pct"],
        residual=solids * np.minimum(t["residual_share"], t["water_pct"] / t["dry_pct"]),
        solids_heat=t["solids_j_kgk"],
        crumb_k=t["crumb_w_mk"],
        crumb_k_rise=CRUMB_RISE * one,
        crust_k=t["crust_w_mk"],
        vapour_diffusivity=t["vapour_m2_s"],
        water_activity=WATER_ACTIVITY * one,
        start_c=t["piece_c"],
        boil_c=saturation_c(pressure),
    )
    air_c = t["air_c"] * t["air_factor"]
    factor = t["oven_factor"]
    convection = np.where(t["fan"], FAN, STILL) * factor
    vapour = t["steam_pct"] / 100 * pressure
    air = Air(air_c, convection, EMISSIVITY * factor, vapour)
    if t["support"][0] == "rack":
        return dough, air, None
    support_c = t["support_c"] * t["support_factor"]
    below = below_support(air, support_c, UNDERSIDE * factor, UNDERSIDE_EMISSIVITY * factor)
    made_of = supports().loc[t["support"][0]]
    support = Support(
        conductivity=made_of["conductivity_w_mk"] * one,
        heat_capacity=made_of["heat_j_m3k"] * one,
        thickness_m=t["support_mm"] / 1e3,
        start_c=support_c,
        contact=t["contact_w_m2k"],
        contact_fade_s=60 * t["contact_fade_min"],
        below=below,
    )
    return dough, air, support


def below_support(air: Air, support_c, convection, emissivity) -> Air:
    """What the underside sees: the oven's air, or, under a support hotter than that, whatever kept
    it at its temperature while its top lost heat to the oven."""
    radiation = STEFAN_BOLTZMANN * np.array([air.emissivity, emissivity])
    hot = (support_c + KELVIN) ** 4
    loses = air.convection * (support_c - air.air_c)
    loses = loses + radiation[0] * (hot - (air.air_c + KELVIN) ** 4)
    below_c = np.array(support_c, float)
    for _ in range(6):
        kelvin = below_c + KELVIN
        gains = convection * (below_c - support_c) + radiation[1] * (kelvin**4 - hot)
        below_c -= (gains - loses) / (convection + 4 * radiation[1] * kelvin**3)
    below_c = np.where(support_c > air.air_c, below_c, air.air_c)
    return Air(below_c, convection, emissivity, air.vapour_pa)


def cells_of(thickness_m, rule: Rule):
    """How many cells dough of this thickness needs."""
    needed = thickness_m / rule.cell_m * (1 - 1e-9)
    return np.array(rule.cells)[np.searchsorted(rule.cells[:-1], needed)]


def grid_of(support: str, thickness_m: float, duration_s: float, grid: str) -> Grid:
    """The grid found safe for a kind of support, a thickness and a duration."""
    rule, made_of = RULES[grid], supports().loc[support]
    steps = np.clip(np.ceil(duration_s / rule.step_s), rule.least_steps, rule.most_steps)
    return Grid(
        cells=int(cells_of(thickness_m, rule)),
        support_cells=int(made_of[rule.support_cells]),
        steps=int(steps),
        support_growth=made_of["growth"],
    )


def groups(table: dict, *, grid: str, cells: int | None = None):
    """Blocks of places that share a grid, with that grid."""
    thickness = table["thickness_mm"] / 1e3
    if grid != "rough":  # an ensemble stays together, whatever its members' thickness
        thickness = thickness * table["thickness_factor"]
    duration = 60 * table["bake_min"]
    reach = np.searchsorted(DURATIONS_S[:-1], duration)
    keys: dict[tuple, list[int]] = {}
    needed = cells_of(thickness, RULES[grid])
    for place, key in enumerate(zip(table["support"], needed, reach, strict=True)):
        keys.setdefault(key, []).append(place)
    for (support, _, _), places in keys.items():
        chosen = np.array(places)
        safe = grid_of(support, thickness[chosen].max(), duration[chosen].max(), grid)
        for start in range(0, len(chosen), BLOCK):
            yield chosen[start : start + BLOCK], replace(safe, cells=cells or safe.cells)


def run(table: dict, *, at=(1.0,), grid: str = "quick", cells: int | None = None, tell=None):
    """Bake every row of a checked table; arrays of shape (times at, bakes) by name.

    lost_kg_m2, crust_top_mm, crust_bottom_mm, browned_top, browned_bottom, top_c, bottom_c,
    core_c, support_left_c; and per bake heat_gap, water_gap.
    """
    count = len(table["bake_min"])
    out: dict[str, np.ndarray] = {}
    done = 0
    for chosen, safe in groups(table, grid=grid, cells=cells):
        dough, air, support = slab_of(table, chosen)
        stack = Stack(dough, air, support, safe)
        marched = march(stack, 60 * table["bake_min"][chosen], at)
        for name, values in _read(stack, marched).items():
            shape = (count,) if np.ndim(values) == 1 else (len(at), count)
            out.setdefault(name, np.full(shape, np.nan))[..., chosen] = values
        done += len(chosen)
        if tell:
            tell(done, count, "bakes simulated")
    minutes = np.asarray(at)[:, None] * table["bake_min"]
    out["lost_kg_m2"] = out["lost_kg_m2"] * (1 + table["drift"] * np.log2(minutes / DRIFT_FROM_MIN))
    return out


def _read(stack: Stack, marched: Marched) -> dict[str, np.ndarray]:
    temperatures = np.array(marched.temperatures)
    left = np.full(stack.bakes, np.nan)
    if stack.support:
        left = (temperatures[:, : stack.low] * stack.size[: stack.low]).sum(axis=1)
        left = left / stack.support.thickness_m
    else:
        left = np.tile(left, (len(temperatures), 1))
    return {
        "lost_kg_m2": np.array(marched.lost),
        "crust_top_mm": 1e3 * np.array(marched.crust_top_m),
        "crust_bottom_mm": 1e3 * np.array(marched.crust_bottom_m),
        "browned_top": np.array(marched.browned_top),
        "browned_bottom": np.array(marched.browned_bottom),
        "top_c": np.array(marched.top_c),
        "bottom_c": np.array(marched.bottom_c),
        "core_c": temperatures[:, stack.low :].min(axis=1),
        "support_left_c": left,
        "heat_gap": marched.heat_gap,
        "water_gap": marched.water_gap,
    }
