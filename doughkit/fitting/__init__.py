"""Estimators that know nothing of dough."""

from doughkit.fitting.assumptions import starting_assumptions
from doughkit.fitting.linear import LinearFit, fit_linear
from doughkit.fitting.mixed import MixedFit, fit_mixed
from doughkit.fitting.ordered import OrderedFit, fit_ordered
from doughkit.fitting.shrinkage import fit_shrinkage
from doughkit.fitting.shrunk import ShrinkageFit

__all__ = [
    "LinearFit",
    "MixedFit",
    "OrderedFit",
    "ShrinkageFit",
    "fit_linear",
    "fit_mixed",
    "fit_ordered",
    "fit_shrinkage",
    "starting_assumptions",
]
