"""Pictures of formulas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughkit.charts.look import INK, OCHRE, new_axes, plain, rows_of
from doughkit.tables.problems import require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def formulas(overview: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw each formula's hydration, with its range, beside its effective hydration.

    Question: which formulas are wetter, once all are read alike?

    Parameters
    ----------
    overview : one row per formula, from `formulas.overview`; uses formula, hydration_pct,
        hydration_low, hydration_high, effective_hydration_pct.
    ax : axes to draw on.

    Returns
    -------
    Axes: filled dot and bar = added water and its range, open square = effective hydration.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"formula": ["card"], "hydration_pct": [60.0], "hydration_low":
    ...     [55.0], "hydration_high": [65.0], "effective_hydration_pct": [59.0]})
    >>> formulas(frame).get_xlabel()
    'water per 100 flour [%]'
    """
    need = ["formula", "hydration_pct", "hydration_low", "hydration_high"]
    require_columns(overview, *need, "effective_hydration_pct", table="overview")
    shown = overview.sort_values("hydration_pct", kind="stable")
    ax = new_axes(ax, 0.9 + 0.45 * len(shown))
    rows = rows_of(ax, shown["formula"].tolist())
    ax.hlines(rows, shown["hydration_low"], shown["hydration_high"], color=INK, linewidth=2)
    ax.plot(shown["hydration_pct"], rows, "o", color=INK, label="hydration, as the trade counts")
    ax.plot(
        shown["effective_hydration_pct"],
        rows,
        "s",
        color=OCHRE,
        markerfacecolor="white",
        label="effective hydration",
    )
    plain(ax)
    ax.set_xlabel("water per 100 flour [%]")
    ax.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.25), ncols=2)
    return ax


def differences(compared: pd.DataFrame, *, axes=None) -> np.ndarray:
    """Draw how far each formula stands from the chosen one, in points, a panel a figure.

    Question: where does each formula differ from mine?

    Parameters
    ----------
    compared : from `formulas.compare`; uses formula, kind, measure, difference, difference_low,
        difference_high.
    axes : one axes for each of hydration, whole grain, salt and fat.

    Returns
    -------
    four Axes: a dot with its range per formula; the line is the chosen formula.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"formula": ["card"], "kind": ["figure"], "measure": ["salt_pct"],
    ...     "difference": [0.2], "difference_low": [0.1], "difference_high": [0.3]})
    >>> [ax.get_title() for ax in differences(frame)][2]
    'salt'
    """
    need = ["formula", "kind", "measure", "difference", "difference_low", "difference_high"]
    require_columns(compared, *need, table="compared")
    names = list(dict.fromkeys(compared["formula"]))
    panels = ("hydration_pct", "whole_grain_pct", "salt_pct", "fat_pct")
    if axes is None:
        import matplotlib.pyplot as plt

        size = (10, 1.2 + 0.35 * len(names))
        axes = plt.subplots(1, len(panels), sharey=True, figsize=size, layout="constrained")[1]
    for ax, measure in zip(axes, panels, strict=True):
        rows = pd.Series(rows_of(ax, names), index=names)
        own = compared[(compared["kind"] == "figure") & (compared["measure"] == measure)]
        places = own["formula"].map(rows)
        ax.axvline(0, color=OCHRE, linewidth=1.5)
        ax.hlines(places, own["difference_low"], own["difference_high"], color=INK, linewidth=2)
        ax.plot(own["difference"], places, "o", color=INK)
        plain(ax)
        ax.set_title(measure.removesuffix("_pct").replace("_", " "), fontsize=11)
        ax.set_xlabel("points more or less", fontsize=9)
    return np.asarray(axes)
