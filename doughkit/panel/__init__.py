"""The panel: from blind servings to what the tasters can and can't tell apart."""

from doughkit.panel.assessors import assessor_performance
from doughkit.panel.ballots import ballots
from doughkit.panel.comparisons import comparisons_needed, difference_test
from doughkit.panel.declared import key_answers
from doughkit.panel.doughs import compare_doughs
from doughkit.panel.formulas import compare_formulas
from doughkit.panel.incomplete import durbin_test
from doughkit.panel.just_right import just_about_right
from doughkit.panel.linking import link_tastings
from doughkit.panel.means import piece_means
from doughkit.panel.orders import order_balance
from doughkit.panel.power import panel_power
from doughkit.panel.rankings import rank_test
from doughkit.panel.recipes import dough_spread
from doughkit.panel.reference import compare_to_reference
from doughkit.panel.reliability import reliability
from doughkit.panel.sequential import sequential_lines
from doughkit.panel.serving import serving_plan
from doughkit.panel.sheets import tasting_sheets
from doughkit.panel.spreads import what_spreads
from doughkit.panel.without import with_and_without

__all__ = [
    "assessor_performance",
    "ballots",
    "compare_doughs",
    "compare_formulas",
    "compare_to_reference",
    "comparisons_needed",
    "difference_test",
    "dough_spread",
    "durbin_test",
    "just_about_right",
    "key_answers",
    "link_tastings",
    "order_balance",
    "panel_power",
    "piece_means",
    "rank_test",
    "reliability",
    "sequential_lines",
    "serving_plan",
    "tasting_sheets",
    "what_spreads",
    "with_and_without",
]
