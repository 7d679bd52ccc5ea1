"""A slab of dough on its support: heat, water and the front where water turns to vapour.

One dimension, from the underside of the support to the top of the dough. Wet dough conducts, boils
where it reaches the boiling point, and leaves a dry crust behind; the front between wet and dry
moves inside a cell, which makes the loss second order in the cell size. Thousands of bakes run
side by side, each with its own properties and its own duration.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from doughkit.baking.slab_step import DRY, Drying, Face, Front, newton
from doughkit.baking.steam import WATER_HEAT, evaporation_heat

BROWNING_RATE, BROWNING_ENERGY = 42000.0, 64151.0
"""Zanoni, Peri and Bruno 1995: browning of a crust, first order [1/s], [J/mol]."""
GAS = 8.314


@dataclass(frozen=True)
class Dough:
    """What lies on the support, one value a bake; concentrations [kg/m³] of the slab's volume."""

    thickness_m: np.ndarray
    solids: np.ndarray
    water: np.ndarray
    residual: np.ndarray
    """Water that boiling does not take."""
    solids_heat: np.ndarray
    crumb_k: np.ndarray
    crumb_k_rise: np.ndarray
    crust_k: np.ndarray
    vapour_diffusivity: np.ndarray
    water_activity: np.ndarray
    start_c: np.ndarray
    boil_c: np.ndarray


@dataclass(frozen=True)
class Air:
    """The oven around a surface, one value a bake."""

    air_c: np.ndarray
    convection: np.ndarray
    emissivity: np.ndarray
    vapour_pa: np.ndarray

    def face(self, start_c) -> Face:
        return Face(self.air_c, self.convection, self.emissivity, np.array(start_c, float))

    def drying(self, dough: Dough) -> Drying:
        # Lewis relation: mass follows heat, in humid air of about 0.85 kg/m³ near 100 °C
        coefficient = self.convection / (0.85 * 1010 * 0.9)
        return Drying(
            coefficient,
            self.vapour_pa,
            dough.water_activity,
            dough.vapour_diffusivity,
            dough.boil_c,
        )


@dataclass(frozen=True)
class Support:
    """The plate under the dough, one value a bake; `below` is what its underside looks at."""

    conductivity: np.ndarray
    heat_capacity: np.ndarray
    thickness_m: np.ndarray
    start_c: np.ndarray
    """(bakes,), or (cells, bakes) to go on from an earlier bake."""
    contact: np.ndarray
    contact_fade_s: np.ndarray
    """Time in which the contact falls to half; infinite for a constant contact."""
    below: Air


@dataclass(frozen=True)
class Grid:
    """Cells and time steps; a support that stores little heat needs few cells."""

    cells: int = 12
    support_cells: int = 3
    steps: int = 160
    grading: float = 1.2
    """Steps grow with time: the k-th of K ends at the share (k/K)^grading of the bake."""
    support_growth: float = 1.0
    """Each support cell is this much thicker than the one above it."""
    finer: float = 1.0
    """How much thinner dough cells are at the faces than in the middle; 0 for equal cells."""

    def shares_of_thickness(self) -> np.ndarray:
        """Size of each dough cell as a share of the thickness: finer towards both faces."""
        middle = (np.arange(self.cells) + 0.5) / self.cells
        size = 1 + self.finer * np.sin(np.pi * middle)
        return size / size.sum()

    def shares(self, at) -> np.ndarray:
        """Ends of the time steps as shares of the bake, the shares `at` among them."""
        own = (np.arange(1, self.steps + 1) / self.steps) ** self.grading
        near = np.abs(own[:, None] - np.asarray(at)[None, :]).min(axis=1) < 1e-6
        return np.union1d(own[~near], at)


@dataclass
class Marched:
    """What a march gives: one row per time asked for, one column per bake; profiles at the end."""

    lost: list = field(default_factory=list)
    """Water lost so far [kg/m²]."""
    crust_top_m: list = field(default_factory=list)
    crust_bottom_m: list = field(default_factory=list)
    browned_top: list = field(default_factory=list)
    browned_bottom: list = field(default_factory=list)
    temperatures: list = field(default_factory=list)
    """Of the cells, support first, from the bottom up [°C]."""
    waters: list = field(default_factory=list)
    top_c: list = field(default_factory=list)
    bottom_c: list = field(default_factory=list)
    heat_gap: np.ndarray | None = None
    """Heat that went missing, as a share of the heat that went in."""
    water_gap: np.ndarray | None = None


class Stack:
    """Support and dough of many bakes while they bake."""

    def __init__(self, dough: Dough, air: Air, support: Support | None, grid: Grid):
        self.dough, self.air, self.support, self.grid = dough, air, support, grid
        self.bakes = len(dough.thickness_m)
        self.low = grid.support_cells if support else 0
        self._lay_cells()
        self.top = air.face(dough.start_c)
        under = support.below.face(self.cell_c[0]) if support else air.face(dough.start_c)
        self.under = under
        self.drying = air.drying(dough)
        self.boil_heat = evaporation_heat(dough.boil_c)
        self.lost = np.zeros(self.bakes)
        self.heat_in = np.zeros(self.bakes)
        self.heat_out = np.zeros(self.bakes)
        self.browned = np.zeros((2, self.bakes))
        self.time = np.zeros(self.bakes)
        self.bottom_c = np.array(dough.start_c, float)
        self.start = self.stored()

    def _lay_cells(self):
        dough, rows = self.dough, self.low + self.grid.cells
        shape = (rows, self.bakes)
        self.size = np.empty(shape)
        self.cell_c = np.empty(shape)
        self.solid_capacity = np.empty(shape)
        self.size[self.low :] = dough.thickness_m * self.grid.shares_of_thickness()[:, None]
        self.cell_c[self.low :] = dough.start_c
        self.solid_capacity[self.low :] = dough.solids * dough.solids_heat
        self.water = np.repeat(np.asarray(dough.water, float)[None], self.grid.cells, axis=0)
        if self.support:
            share = self.grid.support_growth ** np.arange(self.low - 1, -1, -1.0)
            self.size[: self.low] = self.support.thickness_m * (share / share.sum())[:, None]
            self.cell_c[: self.low] = self.support.start_c
            self.solid_capacity[: self.low] = self.support.heat_capacity
        self.enthalpy = self.solid_capacity * self.cell_c
        self.enthalpy[self.low :] += WATER_HEAT * self.water * dough.start_c

    def stored(self):
        """Heat and water in the column [J/m²], [kg/m²]."""
        return (
            (self.enthalpy * self.size).sum(axis=0),
            (self.water * self.size[self.low :]).sum(axis=0),
        )

    # --- where the crust is ----------------------------------------------------------------------

    def dried(self):
        """Share of each dough cell that is dry, 0 to 1."""
        span = self.dough.water - self.dough.residual
        share = (self.dough.water - self.water) / np.where(span > 0, span, np.inf)
        return np.clip(share, 0, 1)

    def hot_side_up(self, dried):
        """Which dough cells dry from above: the upper half, unless the front comes from below."""
        middle = self.grid.cells // 2
        dry = dried >= DRY
        upper = np.zeros(dried.shape, bool)
        upper[middle:] = True
        upper[1:] &= ~(dry[:-1] & ~np.vstack([dry[2:], np.ones((1, self.bakes), bool)]))
        upper[:middle] |= dry[1 : middle + 1] & ~np.vstack(
            [np.ones((1, self.bakes), bool), dry[: middle - 1]]
        )
        return upper

    def resistances(self, dried, upper):
        """Lower and upper half-resistance of each dough cell [m² K/W]."""
        size, dough = self.size[self.low :], self.dough
        warm = 1 / (1 + np.exp(-0.1 * (self.cell_c[self.low :] - 80)))
        wet = size / (dough.crumb_k + dough.crumb_k_rise * warm)
        dry = size / dough.crust_k
        part = (dried > 0) & (dried < DRY)
        plain = 0.5 * np.where(dried >= DRY, dry, wet)
        hot, cold = dried * dry, (1 - dried) * wet
        lower = np.where(part, np.where(upper, cold, hot), plain)
        above = np.where(part, np.where(upper, hot, cold), plain)
        return lower, above

    def conductances(self, lower, above):
        """Between the cells' nodes [W/(m² K)], from the bottom up."""
        out = np.empty((len(self.size) - 1, self.bakes))
        out[self.low :] = 1 / (above[:-1] + lower[1:])
        if self.support:
            half = self.size[: self.low] / (2 * self.support.conductivity)
            out[: self.low - 1] = 1 / (half[:-1] + half[1:])
            contact = self.support.contact * 0.5 ** (self.time / self.support.contact_fade_s)
            self.to_dough = lower[0]
            out[self.low - 1] = 1 / (half[-1] + 1 / contact + lower[0])
            self.under_resistance = half[0]
        else:
            self.under_resistance = lower[0]
        self.top_resistance = above[-1]
        return out

    def front(self, dried, *, from_top: bool):
        """The outermost cell of each bake that is not dry."""
        lanes = np.arange(self.bakes)
        order = dried[:: -1 if from_top else 1]
        wet = order < DRY
        place = wet.argmax(axis=0)
        row = self.grid.cells - 1 - place if from_top else place
        size = self.size[self.low :][:: -1 if from_top else 1]
        outside = ~np.logical_or.accumulate(wet)
        depth = (size * outside).sum(axis=0) + (order * size)[place, lanes]
        free = np.maximum(self.water[row, lanes] - self.dough.residual, 0)
        return Front(self.low + row, depth, wet.any(axis=0), free)

    # --- marching --------------------------------------------------------------------------------

    def step(self, seconds):
        """Go on by a time step, one length a bake."""
        dried = self.dried()
        upper = self.hot_side_up(dried)
        conductance = self.conductances(*self.resistances(dried, upper))
        fronts = [self.front(dried, from_top=True)]
        if not self.support:
            fronts.append(self.front(dried, from_top=False))
        newton(self, seconds, conductance, fronts)
        self.time = self.time + seconds
        surfaces = np.stack([self.top.surface_c, self.bottom_c])
        rate = BROWNING_RATE * np.exp(-BROWNING_ENERGY / (GAS * (surfaces + 273.15)))
        rate = np.where(surfaces > self.dough.boil_c, rate, 0)
        self.browned = 1 - (1 - self.browned) * np.exp(-rate * seconds)

    def crust(self):
        """Dry depth from the top and from the bottom [m]."""
        dried = self.dried() * self.size[self.low :]
        upper = self.hot_side_up(self.dried())
        return (dried * upper).sum(axis=0), (dried * ~upper).sum(axis=0)

    def gaps(self):
        """Heat and water gone missing since the start, as shares of what moved."""
        heat, water = self.stored()
        moved = np.abs(self.heat_in) + np.abs(self.heat_out) + np.abs(self.start[0])
        heat_gap = (heat - self.start[0] - self.heat_in + self.heat_out) / moved
        water_gap = (water - self.start[1] + self.lost) / np.maximum(self.start[1], 1e-9)
        return heat_gap, water_gap


def march(stack: Stack, duration_s, at=(1.0,)) -> Marched:
    """Bake for `duration_s` (one value a bake) and note the state at the shares `at` of it."""
    out, done = Marched(), 0.0
    asked = set(np.asarray(at, float).tolist())
    for share in stack.grid.shares(sorted(asked)):
        stack.step(duration_s * (share - done))
        done = share
        if share in asked:
            note(stack, out)
    out.heat_gap, out.water_gap = stack.gaps()
    return out


def note(stack: Stack, out: Marched) -> None:
    top, bottom = stack.crust()
    out.lost.append(stack.lost.copy())
    out.crust_top_m.append(top)
    out.crust_bottom_m.append(bottom)
    out.browned_top.append(stack.browned[0])
    out.browned_bottom.append(stack.browned[1])
    out.temperatures.append(stack.cell_c.copy())
    out.waters.append(stack.water.copy())
    out.top_c.append(stack.top.surface_c)
    out.bottom_c.append(stack.bottom_c)
