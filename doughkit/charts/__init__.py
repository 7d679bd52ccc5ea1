"""One picture per question: a frame goes in, axes come out; nothing is computed here."""

from doughkit.charts.baking import (
    bake_loss,
    beside_published,
    hydration_curve,
    through_thickness,
)
from doughkit.charts.formulas import differences, formulas
from doughkit.charts.look import picture
from doughkit.charts.panel import against_reference, assessors, means
from doughkit.charts.texture import assumptions, before_baking, effects, strip, surface
from doughkit.charts.trials import planned_doughs

__all__ = [
    "against_reference",
    "assessors",
    "assumptions",
    "bake_loss",
    "before_baking",
    "beside_published",
    "differences",
    "effects",
    "formulas",
    "hydration_curve",
    "means",
    "picture",
    "planned_doughs",
    "strip",
    "surface",
    "through_thickness",
]
