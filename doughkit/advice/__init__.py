"""The formula to choose and the next round."""

from doughkit.advice.allowing import allowing_for
from doughkit.advice.confirm import confirm, confirming_round
from doughkit.advice.looking import look_back
from doughkit.advice.needed import doughs_needed
from doughkit.advice.opening import first_round
from doughkit.advice.recommend import recommend
from doughkit.advice.rounds import next_round

__all__ = [
    "allowing_for",
    "confirm",
    "confirming_round",
    "doughs_needed",
    "first_round",
    "look_back",
    "next_round",
    "recommend",
]
