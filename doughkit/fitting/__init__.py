"""Estimators that know nothing of dough."""

from doughkit.fitting.assumptions import starting_assumptions
from doughkit.fitting.linear import fit_linear
from doughkit.fitting.mixed import fit_mixed
from doughkit.fitting.ordered import fit_ordered
from doughkit.fitting.shrinkage import fit_shrinkage
from doughkit.fitting.sizes import stand_out

__all__ = [
    "fit_linear",
    "fit_mixed",
    "fit_ordered",
    "fit_shrinkage",
    "stand_out",
    "starting_assumptions",
]
