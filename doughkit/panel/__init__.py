"""The panel: from blind servings to what the tasters can and can't tell apart."""

from doughkit.panel.assessors import assessor_performance
from doughkit.panel.comparisons import comparisons_needed, difference_test
from doughkit.panel.doughs import DoughComparison, compare_doughs
from doughkit.panel.means import PieceMeans, piece_means
from doughkit.panel.rankings import RankTest, rank_test
from doughkit.panel.reference import ReferenceComparison, compare_to_reference
from doughkit.panel.reliability import Reliability, reliability

__all__ = [
    "DoughComparison",
    "PieceMeans",
    "RankTest",
    "ReferenceComparison",
    "Reliability",
    "assessor_performance",
    "compare_doughs",
    "compare_to_reference",
    "comparisons_needed",
    "difference_test",
    "piece_means",
    "rank_test",
    "reliability",
]
