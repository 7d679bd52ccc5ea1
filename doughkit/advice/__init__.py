"""The formula to choose and the next round."""

from doughkit.advice.desire import desirability
from doughkit.advice.opening import first_round
from doughkit.advice.recommend import Recommendation, recommend
from doughkit.advice.rounds import next_round

__all__ = ["Recommendation", "desirability", "first_round", "next_round", "recommend"]
