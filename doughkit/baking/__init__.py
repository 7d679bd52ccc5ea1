"""What the bake takes: bake loss, water left, and the hydration that leaves the same water."""

from doughkit.baking.bookkeeping import match_weighed
from doughkit.baking.calibrate import calibrate
from doughkit.baking.closed_form import estimate_loss
from doughkit.baking.dried import finished_moisture, pooled_moisture
from doughkit.baking.inputs import oven_bakes
from doughkit.baking.match import match_hydration
from doughkit.baking.pooled import pooled_loss
from doughkit.baking.published import published_bakes
from doughkit.baking.simulate import profile, simulate
from doughkit.baking.turns import bake_in_turn
from doughkit.baking.weighed import bake_loss

__all__ = [
    "bake_in_turn",
    "bake_loss",
    "calibrate",
    "estimate_loss",
    "finished_moisture",
    "match_hydration",
    "match_weighed",
    "oven_bakes",
    "pooled_loss",
    "pooled_moisture",
    "profile",
    "published_bakes",
    "simulate",
]
