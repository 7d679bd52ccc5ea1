"""Pictures of rounds of doughs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughkit.charts.look import COLOURS, INK, MARKS, new_axes, plain
from doughkit.tables.problems import require_columns
from doughkit.tables.register import label

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def planned_doughs(
    doughs: pd.DataFrame, *, x: str, y: str, mark: str, ax: Axes | None = None
) -> Axes:
    """Draw where the doughs of a round lie, two factors along the axes, a third as the mark.

    Question: does the round spread its doughs so that changes can be told apart?

    Parameters
    ----------
    doughs : one row per dough with columns dough, x, y and mark.
    x, y, mark : names of three factors.
    ax : axes to draw on.

    Returns
    -------
    Axes: one mark per dough with its name; doughs at the same place stand side by side.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"dough": ["A"], "hydration_pct": [60.0], "salt_pct": [2.0],
    ...                       "oil_pct": [1.0]})
    >>> planned_doughs(frame, x="hydration_pct", y="salt_pct", mark="oil_pct").get_ylabel()
    'salt [%]'
    """
    require_columns(doughs, "dough", x, y, mark, table="doughs")
    ax = new_axes(ax, 4.0)
    known = doughs.dropna(subset=[x, y, mark])
    levels = sorted(known[mark].unique())
    step = 0.035 * (np.ptp(known[x]) or 1.0)
    beside = (
        known.groupby([x, y]).cumcount()
        - (known.groupby([x, y])["dough"].transform("size") - 1) / 2
    )
    for place, level in enumerate(levels):
        part = known[known[mark] == level]
        ax.plot(
            part[x] + step * beside[part.index],
            part[y],
            MARKS[place % len(MARKS)],
            color=COLOURS[place % len(COLOURS)],
            markersize=9,
            label=f"{level:g}" if isinstance(level, float) else str(level),
        )
    # names of doughs that share a place stand in one line over it, in the order they stand
    for (across, up), names in known.groupby([x, y])["dough"]:
        text = "\n".join(", ".join(names[start : start + 4]) for start in range(0, len(names), 4))
        ax.annotate(
            text,
            (across, up),
            (0, 8),
            textcoords="offset points",
            ha="center",
            fontsize=7,
            color=INK,
        )
    plain(ax, grid="both")
    ax.margins(0.12)
    ax.set(xlabel=label(x), ylabel=label(y))
    ax.legend(title=label(mark), frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    return ax
