"""Rounds of doughs that can tell what did what, and the plan on one person's bench."""

from doughkit.trials.bench import capacity, day_minutes
from doughkit.trials.catalogue import plan_two_level
from doughkit.trials.days import plan_days
from doughkit.trials.fractional import aliases as aliases
from doughkit.trials.hold import dough_per_area, held_mass
from doughkit.trials.limits import level_grid
from doughkit.trials.nuisances import beside_the_factors
from doughkit.trials.optimal import plan_optimal
from doughkit.trials.power import power
from doughkit.trials.sheets import bench_sheets
from doughkit.trials.surface import plan_surface
from doughkit.trials.tells import what_it_tells

__all__ = [
    "bench_sheets",
    "beside_the_factors",
    "capacity",
    "day_minutes",
    "dough_per_area",
    "held_mass",
    "level_grid",
    "plan_days",
    "plan_optimal",
    "plan_surface",
    "plan_two_level",
    "power",
    "what_it_tells",
]
