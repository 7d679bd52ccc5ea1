"""Formulas: any written formula on one footing, varied, and back to the scale."""

from doughkit.formulas.compare import compare
from doughkit.formulas.composition import Composition, composition
from doughkit.formulas.mixed import as_mixed
from doughkit.formulas.percent import bakers_percent
from doughkit.formulas.scaling import scale
from doughkit.formulas.summed import overview
from doughkit.formulas.vary import as_formulas, vary
from doughkit.formulas.weigh import shopping_list, weigh_out

__all__ = [
    "Composition",
    "as_formulas",
    "as_mixed",
    "bakers_percent",
    "compare",
    "composition",
    "overview",
    "scale",
    "shopping_list",
    "vary",
    "weigh_out",
]
