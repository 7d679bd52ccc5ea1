"""The formula to choose and the next round."""

from doughkit.advice.confirm import Confirmation, confirm, confirming_round
from doughkit.advice.desire import desirability
from doughkit.advice.looking import LookBack, look_back
from doughkit.advice.needed import DoughsNeeded, doughs_needed
from doughkit.advice.opening import first_round
from doughkit.advice.recommend import Recommendation, recommend
from doughkit.advice.rounds import next_round

__all__ = [
    "Confirmation",
    "DoughsNeeded",
    "LookBack",
    "Recommendation",
    "confirm",
    "confirming_round",
    "desirability",
    "doughs_needed",
    "first_round",
    "look_back",
    "next_round",
    "recommend",
]
