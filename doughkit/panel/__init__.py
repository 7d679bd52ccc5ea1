"""The panel: from blind servings to what the tasters can and can't tell apart."""

from doughkit.panel.means import PieceMeans, piece_means

__all__ = ["PieceMeans", "piece_means"]
