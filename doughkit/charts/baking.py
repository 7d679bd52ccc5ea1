"""Pictures of what the bake takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughkit.charts.look import COLOURS, MARKS, new_axes, plain
from doughkit.tables.problems import require_columns
from doughkit.tables.register import label

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def bake_loss(
    losses: pd.DataFrame, *, by: str = "bake_min", group: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the bake loss of each piece against one column, with the scale's error as a bar.

    Question: how much does the bake take, and what does it follow?

    Parameters
    ----------
    losses : one row per piece; uses loss_pct, loss_error_pct (one standard deviation), `by`
        and, if given, `group`.
    by : column along the axis, such as bake_min or hydration_pct.
    group : column whose levels get a mark of their own.
    ax : axes to draw on.

    Returns
    -------
    Axes: a dot per piece; the bar is ± two standard deviations of the weighing.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"loss_pct": [20.0], "loss_error_pct": [0.2], "bake_min": [6.0]})
    >>> bake_loss(frame).get_xlabel()
    'bake [min]'
    """
    require_columns(
        losses, "loss_pct", "loss_error_pct", by, *([group] if group else []), table="bake losses"
    )
    ax = new_axes(ax)
    known = losses.dropna(subset=["loss_pct", by])
    levels = [None] if group is None else sorted(known[group].dropna().unique())
    for place, level in enumerate(levels):
        part = known if group is None else known[known[group] == level]
        # side by side, so that equal bake times do not hide one another
        shift = 0 if group is None else (place - (len(levels) - 1) / 2) * 0.06 * np.ptp(known[by])
        ax.errorbar(
            part[by] + shift / max(len(levels), 1),
            part["loss_pct"],
            yerr=2 * part["loss_error_pct"].fillna(0),
            fmt=MARKS[place % len(MARKS)],
            color=COLOURS[place % len(COLOURS)],
            alpha=0.8,
            label=None if level is None else f"{level:g}" if isinstance(level, float) else level,
        )
    plain(ax, grid="y")
    ax.set(xlabel=label(by), ylabel="bake loss [% of the dough]")
    if group is not None:
        ax.legend(title=label(group), frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    return ax
