"""Formulas: any written formula on one footing, varied, and back to the scale."""

from doughkit.formulas.composition import Composition, composition
from doughkit.formulas.percent import bakers_percent
from doughkit.formulas.summed import overview

__all__ = ["Composition", "bakers_percent", "composition", "overview"]
