"""Estimators that know nothing of dough."""

from doughkit.fitting.linear import LinearFit, fit_linear

__all__ = ["LinearFit", "fit_linear"]
