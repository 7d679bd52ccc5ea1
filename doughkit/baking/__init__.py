"""What the bake takes: bake loss, water left, and the hydration that leaves the same water."""

from doughkit.baking.bookkeeping import Match, match_weighed
from doughkit.baking.dried import finished_moisture, pooled_moisture
from doughkit.baking.pooled import pooled_loss
from doughkit.baking.weighed import bake_loss

__all__ = [
    "Match",
    "bake_loss",
    "finished_moisture",
    "match_weighed",
    "pooled_loss",
    "pooled_moisture",
]
