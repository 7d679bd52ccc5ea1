"""The panel: from blind servings to what the tasters can and can't tell apart."""

from doughkit.panel.doughs import DoughComparison, compare_doughs
from doughkit.panel.means import PieceMeans, piece_means
from doughkit.panel.reference import ReferenceComparison, compare_to_reference

__all__ = [
    "DoughComparison",
    "PieceMeans",
    "ReferenceComparison",
    "compare_doughs",
    "compare_to_reference",
    "piece_means",
]
