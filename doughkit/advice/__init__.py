"""The formula to choose and the next round."""

from doughkit.advice.recommend import Recommendation, recommend
from doughkit.advice.rounds import next_round

__all__ = ["Recommendation", "next_round", "recommend"]
