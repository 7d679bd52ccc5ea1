"""One time step of the simulated bake: cells of support and dough in one column.

Rows are cells from the underside of the support up to the top of the dough, columns are bakes.
Each cell carries enthalpy per volume; a dough cell also carries water. Implicit Euler, solved by
Newton's method; the last update is written with the converged fluxes, so heat and water are
conserved whatever the tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.baking.steam import VAPOUR_GAS, WATER_HEAT, evaporation_heat, saturation_pa

STEFAN_BOLTZMANN = 5.670374e-8
"""[W/(m² K⁴)], CODATA."""
KELVIN = 273.15
DRY = 1 - 1e-9
NEWTON_STEPS = 40
NEWTON_K = 1e-3
KINK = 1.0
"""How far past a kink a cell is put [J/m³]: far below what matters, above rounding."""


@dataclass
class Face:
    """A surface that looks into the oven: the dough's top, the underside of support or dough."""

    air_c: np.ndarray
    convection: np.ndarray
    emissivity: np.ndarray
    surface_c: np.ndarray

    def __post_init__(self):
        self.wall = (self.air_c + KELVIN) ** 4

    def heat(self, cell_c, resistance):
        """Heat flux [W/m²] into a cell behind `resistance`, and its fall per kelvin of the cell.

        The surface's own balance is solved along the way, one Newton step a call.
        """
        radiation = self.emissivity * STEFAN_BOLTZMANN
        flux, slope = self._onto(self.surface_c, radiation)
        missing = self.surface_c - cell_c - resistance * flux
        self.surface_c = self.surface_c - missing / (1 + resistance * slope)
        flux, slope = self._onto(self.surface_c, radiation)
        return flux, slope / (1 + resistance * slope)

    def _onto(self, surface_c, radiation):
        kelvin = surface_c + KELVIN
        cube = kelvin * kelvin * kelvin
        flux = self.convection * (self.air_c - surface_c) + radiation * (self.wall - cube * kelvin)
        return flux, self.convection + 4 * radiation * cube


@dataclass(frozen=True)
class Drying:
    """Vapour leaving (or condensing on) the outermost cell that is not dry, below boiling."""

    coefficient: np.ndarray
    air_pa: np.ndarray
    activity: np.ndarray
    diffusivity: np.ndarray
    boil_c: np.ndarray

    def rate(self, front_c, dry_depth):
        """Water lost [kg/(m² s)] and its rise per kelvin of the front."""
        kelvin = front_c + KELVIN
        open_ = 1 / (VAPOUR_GAS * kelvin * (1 / self.coefficient + dry_depth / self.diffusivity))
        wet_pa = self.activity * saturation_pa(front_c)
        slope = wet_pa * evaporation_heat(front_c) / (VAPOUR_GAS * kelvin * kelvin)
        return open_ * (wet_pa - self.air_pa), open_ * slope


def solve_tridiagonal(below, diagonal, above, right):
    """Solve one tridiagonal system per column; overwrites `diagonal` and `right`."""
    rows = len(diagonal)
    for i in range(1, rows):
        factor = below[i] / diagonal[i - 1]
        diagonal[i] -= factor * above[i - 1]
        right[i] -= factor * right[i - 1]
    right[-1] /= diagonal[-1]
    for i in range(rows - 2, -1, -1):
        right[i] -= above[i] * right[i + 1]
        right[i] /= diagonal[i]
    return right


class Melt:
    """Enthalpy to temperature: a line, a flat stretch while the water boils off, a line again.

    Enthalpy here is that of the water at the step's start, so vapour lost below boiling costs the
    heat of evaporation alone; `settle` then books the vapour's whole enthalpy.
    """

    def __init__(self, stack):
        self.low = stack.low
        self.solid = stack.solid_capacity
        self.boil_c, self.boil_heat = stack.dough.boil_c, stack.boil_heat
        self.residual = stack.dough.residual
        self.dry_capacity = self.solid[self.low :] + WATER_HEAT * self.residual
        self.set_water(stack.water)

    def set_water(self, water):
        self.capacity = self.solid[self.low :] + WATER_HEAT * water
        self.boiling = self.capacity * self.boil_c
        self.free = np.maximum(water - self.residual, 0)
        self.all_flat = self.flat = self.boil_heat * self.free

    def take_off(self, fronts):
        """Shorten the flat stretch by the water that dries below boiling in the same step."""
        self.flat = self.all_flat.copy()
        for front in fronts:
            self.flat[front.row - self.low, np.arange(len(front.row))] -= (
                front.gone * self.boil_heat
            )

    def one_kink_at_most(self, old, wanted):
        """The wanted enthalpies, but no cell crosses more than one kink at a time.

        Newton's method would leap over the whole flat stretch and back for ever. Says whether any
        cell was held at a kink.
        """
        low, end = self.low, self.boiling + self.flat
        wet, dry = old[low:] < self.boiling, old[low:] > end
        least = np.where(wet, -np.inf, np.where(dry, end, self.boiling) - KINK)
        most = np.where(dry, np.inf, np.where(wet, self.boiling, end) + KINK)
        new = wanted.copy()
        np.clip(wanted[low:], least, most, out=new[low:])
        return new, bool((new[low:] != wanted[low:]).any())

    def temperature(self, enthalpy):
        """Temperature of all cells and its rise per unit of enthalpy."""
        low = self.low
        cell_c, slope = np.empty_like(enthalpy), np.empty_like(enthalpy)
        cell_c[:low] = enthalpy[:low] / self.solid[:low]
        slope[:low] = 1 / self.solid[:low]
        over = enthalpy[low:] - self.boiling
        past = over - self.flat
        cell_c[low:] = (
            self.boil_c
            + np.minimum(over, 0) / self.capacity
            + np.maximum(past, 0) / self.dry_capacity
        )
        slope[low:] = (over < 0) / self.capacity + (past > 0) / self.dry_capacity
        return cell_c, slope

    def boiled(self, enthalpy):
        """Water that leaves as vapour of boiling water [kg/m³]."""
        return np.clip((enthalpy[self.low :] - self.boiling) / self.boil_heat, 0, self.free)


@dataclass
class Front:
    """The outermost cell of each bake that is not dry, and the vapour through it in a step."""

    row: np.ndarray
    depth: np.ndarray
    any_wet: np.ndarray
    free: np.ndarray
    """Water it can lose [kg/m³]."""
    gone: np.ndarray | None = None
    slope: np.ndarray | None = None
    front_c: np.ndarray | None = None

    def dry(self, drying, cell_c, per_size):
        lanes = np.arange(len(self.row))
        self.front_c = np.minimum(cell_c[self.row, lanes], drying.boil_c)
        rate, slope = drying.rate(self.front_c, self.depth)
        share = per_size[self.row, lanes] * self.any_wet
        self.gone = np.minimum(rate * share, self.free)
        self.slope = np.where(rate * share < self.free, slope * share, 0)
        self.heat = evaporation_heat(self.front_c)


class Flows:
    """Heat and vapour through every face of the cells at given temperatures."""

    def __init__(self, stack, conductance, fronts, per_size):
        self.stack, self.conductance, self.fronts = stack, conductance, fronts
        self.lanes = np.arange(stack.bakes)
        self.per_size = per_size
        self.inward = per_size[1:] * conductance
        self.outward = per_size[:-1] * conductance

    def at(self, cell_c):
        stack = self.stack
        self.between = self.conductance * (cell_c[:-1] - cell_c[1:])
        self.top, self.top_slope = stack.top.heat(cell_c[-1], stack.top_resistance)
        self.under, self.under_slope = stack.under.heat(cell_c[0], stack.under_resistance)
        for front in self.fronts:
            front.dry(stack.drying, cell_c, self.per_size)
        return self

    def change(self):
        """Enthalpy that the heat flows bring each cell in the step [J/m³]."""
        out = np.empty_like(self.per_size)
        out[0] = self.under
        out[1:] = self.between
        out[:-1] -= self.between
        out[-1] += self.top
        out *= self.per_size
        return out

    def misfit(self, enthalpy):
        out = enthalpy - self.stack.enthalpy - self.change()
        for front in self.fronts:
            out[front.row, self.lanes] += front.gone * front.heat
        return out

    def jacobian(self, slope):
        """Below, diagonal, above: how the misfit of each cell moves with the enthalpies."""
        inward, outward = self.inward, self.outward
        diagonal = np.ones_like(slope)
        diagonal[1:] += inward * slope[1:]
        diagonal[:-1] += outward * slope[:-1]
        diagonal[0] += self.per_size[0] * self.under_slope * slope[0]
        diagonal[-1] += self.per_size[-1] * self.top_slope * slope[-1]
        for front in self.fronts:
            at = front.row, self.lanes
            diagonal[at] += front.slope * front.heat * slope[at]
        below = np.empty_like(slope)
        below[1:] = -inward * slope[:-1]
        return below, diagonal, -outward * slope[1:]


def newton(stack, seconds, conductance, fronts) -> None:
    """Advance `stack` by one implicit step, heat and water conserved to rounding."""
    melt, flows = Melt(stack), Flows(stack, conductance, fronts, seconds / stack.size)
    enthalpy = stack.enthalpy.copy()
    cell_c, slope = melt.temperature(enthalpy)
    for _ in range(NEWTON_STEPS):
        misfit = flows.at(cell_c).misfit(enthalpy)
        wanted = enthalpy - solve_tridiagonal(*flows.jacobian(slope), misfit)
        melt.take_off(fronts)
        enthalpy, held = melt.one_kink_at_most(enthalpy, wanted)
        before = cell_c
        cell_c, slope = melt.temperature(enthalpy)
        if not held and np.abs(cell_c - before).max() < NEWTON_K:
            break
    settle(stack, flows.at(cell_c), melt, seconds)


def settle(stack, flows, melt, seconds) -> None:
    """Write the step's result from the flows alone."""
    low, lanes = stack.low, flows.lanes
    water, enthalpy = stack.water, stack.enthalpy + flows.change()
    lost, heat_out = 0, 0
    for front in flows.fronts:
        vapour_heat = WATER_HEAT * front.front_c + front.heat
        water[front.row - low, lanes] -= front.gone
        enthalpy[front.row, lanes] -= front.gone * vapour_heat
        mass = front.gone * stack.size[front.row, lanes]
        lost, heat_out = lost + mass, heat_out + mass * vapour_heat
    melt.set_water(water)
    boiled = melt.boiled(enthalpy)
    vapour_heat = WATER_HEAT * stack.dough.boil_c + stack.boil_heat
    enthalpy[low:] -= boiled * vapour_heat
    water -= boiled
    steam = (boiled * stack.size[low:]).sum(axis=0)
    stack.lost = stack.lost + lost + steam
    stack.heat_out = stack.heat_out + heat_out + steam * vapour_heat
    stack.heat_in = stack.heat_in + seconds * (flows.top + flows.under)
    capacity = stack.solid_capacity.copy()
    capacity[low:] += WATER_HEAT * water
    stack.enthalpy, stack.cell_c = enthalpy, enthalpy / capacity
    if stack.support:
        stack.bottom_c = stack.cell_c[low] + flows.between[low - 1] * stack.to_dough
    else:
        stack.bottom_c = stack.under.surface_c
