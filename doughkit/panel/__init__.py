"""The panel: from blind servings to what the tasters can and can't tell apart."""

from doughkit.panel.assessors import assessor_performance
from doughkit.panel.ballots import ballots
from doughkit.panel.comparisons import comparisons_needed, difference_test
from doughkit.panel.doughs import DoughComparison, compare_doughs
from doughkit.panel.means import PieceMeans, piece_means
from doughkit.panel.orders import order_balance
from doughkit.panel.rankings import RankTest, rank_test
from doughkit.panel.reference import ReferenceComparison, compare_to_reference
from doughkit.panel.reliability import Reliability, reliability
from doughkit.panel.serving import ServingPlan, serving_plan
from doughkit.panel.spreads import WhatSpreads, what_spreads

__all__ = [
    "DoughComparison",
    "PieceMeans",
    "RankTest",
    "ReferenceComparison",
    "Reliability",
    "ServingPlan",
    "WhatSpreads",
    "assessor_performance",
    "ballots",
    "compare_doughs",
    "compare_to_reference",
    "comparisons_needed",
    "difference_test",
    "order_balance",
    "piece_means",
    "rank_test",
    "reliability",
    "serving_plan",
    "what_spreads",
]
