"""Rounds of doughs that can tell what did what, and the plan on one person's bench."""

from doughkit.trials.factors import code, decode, factors_per, to_steps
from doughkit.trials.limits import check_limits, level_grid
from doughkit.trials.models import model_columns, model_terms
from doughkit.trials.rounds import Round

__all__ = [
    "Round",
    "check_limits",
    "code",
    "decode",
    "factors_per",
    "level_grid",
    "model_columns",
    "model_terms",
    "to_steps",
]
