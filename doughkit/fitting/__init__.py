"""Estimators that know nothing of dough."""

from doughkit.fitting.assumptions import starting_assumptions
from doughkit.fitting.linear import LinearFit, fit_linear
from doughkit.fitting.shrinkage import ShrinkageFit, fit_shrinkage

__all__ = ["LinearFit", "ShrinkageFit", "fit_linear", "fit_shrinkage", "starting_assumptions"]
