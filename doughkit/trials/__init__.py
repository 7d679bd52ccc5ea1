"""Rounds of doughs that can tell what did what, and the plan on one person's bench."""

from doughkit.trials.catalogue import fold_over, plan_two_level
from doughkit.trials.coding import code, decode, to_steps
from doughkit.trials.factors import factors_per
from doughkit.trials.fractional import aliases, fractions
from doughkit.trials.limits import check_limits, level_grid
from doughkit.trials.models import model_columns, model_terms
from doughkit.trials.rounds import Round
from doughkit.trials.surface import axial_distance, plan_surface
from doughkit.trials.tells import Spreads, Tells, what_it_tells

__all__ = [
    "Round",
    "Spreads",
    "Tells",
    "aliases",
    "axial_distance",
    "check_limits",
    "code",
    "decode",
    "factors_per",
    "fold_over",
    "fractions",
    "level_grid",
    "model_columns",
    "model_terms",
    "plan_surface",
    "plan_two_level",
    "to_steps",
    "what_it_tells",
]
