"""Rounds of doughs that can tell what did what, and the plan on one person's bench."""

from doughkit.trials.bench import capacity, day_minutes
from doughkit.trials.catalogue import fold_over, plan_two_level
from doughkit.trials.coding import code, decode, to_steps
from doughkit.trials.days import plan_days
from doughkit.trials.factors import factors_per
from doughkit.trials.fractional import aliases, fractions
from doughkit.trials.hold import dough_per_area, held_mass
from doughkit.trials.limits import check_limits, level_grid
from doughkit.trials.models import model_columns, model_terms
from doughkit.trials.nuisances import beside_the_factors
from doughkit.trials.optimal import plan_optimal
from doughkit.trials.power import power
from doughkit.trials.rounds import Round
from doughkit.trials.sheets import BenchSheets, bench_sheets
from doughkit.trials.spreads import Spreads
from doughkit.trials.surface import axial_distance, plan_surface
from doughkit.trials.tells import Tells, what_it_tells

__all__ = [
    "BenchSheets",
    "Round",
    "Spreads",
    "Tells",
    "aliases",
    "axial_distance",
    "bench_sheets",
    "beside_the_factors",
    "capacity",
    "check_limits",
    "code",
    "day_minutes",
    "decode",
    "dough_per_area",
    "factors_per",
    "fold_over",
    "fractions",
    "held_mass",
    "level_grid",
    "model_columns",
    "model_terms",
    "plan_days",
    "plan_optimal",
    "plan_surface",
    "plan_two_level",
    "power",
    "to_steps",
    "what_it_tells",
]
