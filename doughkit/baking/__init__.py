"""What the bake takes: bake loss, water left, and the hydration that leaves the same water."""

from doughkit.baking.bookkeeping import Match, match_weighed
from doughkit.baking.calibrate import Calibration, calibrate
from doughkit.baking.closed_form import estimate_loss
from doughkit.baking.contact import contact_temperature, half_browned_s, radiation_kw_m2
from doughkit.baking.dried import finished_moisture, pooled_moisture
from doughkit.baking.inputs import oven_bakes, starting_guesses
from doughkit.baking.match import HydrationMatch, match_hydration
from doughkit.baking.pooled import pooled_loss
from doughkit.baking.published import PublishedBakes, published_bakes
from doughkit.baking.simulate import profile, simulate
from doughkit.baking.steam import boiling_c, steam
from doughkit.baking.turns import bake_in_turn
from doughkit.baking.weighed import bake_loss

__all__ = [
    "Calibration",
    "HydrationMatch",
    "Match",
    "PublishedBakes",
    "bake_in_turn",
    "bake_loss",
    "boiling_c",
    "calibrate",
    "contact_temperature",
    "estimate_loss",
    "finished_moisture",
    "half_browned_s",
    "match_hydration",
    "match_weighed",
    "oven_bakes",
    "pooled_loss",
    "pooled_moisture",
    "profile",
    "published_bakes",
    "radiation_kw_m2",
    "simulate",
    "starting_guesses",
    "steam",
]
