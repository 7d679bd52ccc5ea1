"""Formulas: any written formula on one footing, varied, and back to the scale."""

from doughkit.formulas.card import hand_on
from doughkit.formulas.cautions import allergens, salt_per_100g
from doughkit.formulas.compare import compare
from doughkit.formulas.composition import composition
from doughkit.formulas.consistency import equal_consistency
from doughkit.formulas.mixed import as_mixed
from doughkit.formulas.parts import parts
from doughkit.formulas.percent import bakers_percent
from doughkit.formulas.scaling import scale
from doughkit.formulas.summed import overview
from doughkit.formulas.temperature import mixing_friction, water_temperature
from doughkit.formulas.vary import as_formulas, vary
from doughkit.formulas.weigh import shopping_list, weigh_out

__all__ = [
    "allergens",
    "as_formulas",
    "as_mixed",
    "bakers_percent",
    "compare",
    "composition",
    "equal_consistency",
    "hand_on",
    "mixing_friction",
    "overview",
    "parts",
    "salt_per_100g",
    "scale",
    "shopping_list",
    "vary",
    "water_temperature",
    "weigh_out",
]
