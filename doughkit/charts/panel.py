"""Pictures of tasters and what they found."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughkit.charts.look import GREY, INK, MARKS, OCHRE, new_axes, plain, rows_of
from doughkit.tables.problems import require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def means(
    means: pd.DataFrame,
    scores: pd.DataFrame | None = None,
    *,
    attribute: str,
    by: str = "dough",
    ax: Axes | None = None,
) -> Axes:
    """Draw means with their intervals over the single scores they come from.

    Question: which doughs are rated differently, and how sure is each mean?

    Parameters
    ----------
    means : one row per level of `by`: attribute, `by`, mean, ci_low, ci_high.
    scores : single scores to lie beneath: attribute, `by`, score; may be left out.
    attribute : which attribute.
    by : what the rows are: dough or piece.
    ax : axes to draw on.

    Returns
    -------
    Axes: rows in the order of their means.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"attribute": ["chew"], "dough": ["A"], "mean": [5.0],
    ...                       "ci_low": [4.0], "ci_high": [6.0]})
    >>> means(frame, attribute="chew").get_xlabel()
    'chew'
    """
    require_columns(means, "attribute", by, "mean", "ci_low", "ci_high", table="means")
    shown = means[means["attribute"] == attribute].sort_values("mean", kind="stable")
    ax = new_axes(ax, 0.8 + 0.28 * len(shown))
    rows = rows_of(ax, shown[by].tolist())
    if scores is not None:
        require_columns(scores, "attribute", by, "score", table="scores")
        place = dict(zip(shown[by], rows, strict=True))
        single = scores[(scores["attribute"] == attribute) & scores[by].isin(place)]
        across = single.groupby([by, "score"]).cumcount()
        ax.plot(single["score"], single[by].map(place) + 0.07 * across, ".", color=GREY, alpha=0.5)
    ax.hlines(rows, shown["ci_low"], shown["ci_high"], color=INK, linewidth=2)
    ax.plot(shown["mean"], rows, "o", color=INK)
    plain(ax)
    ax.set_xlabel(attribute)
    return ax


def assessors(performance: pd.DataFrame, *, attribute: str, axes=None) -> np.ndarray:
    """Draw one row per assessor with three columns: tells doughs apart, repeats, agrees.

    Question: which assessors tell doughs apart, repeat themselves and agree with the others?

    Parameters
    ----------
    performance : from `panel.assessor_performance`; uses attribute, assessor, tells_apart_f,
        repeats_sd, agrees_r.
    attribute : which attribute.
    axes : three axes to draw on.

    Returns
    -------
    three Axes.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"attribute": ["chew"], "assessor": ["Ada"], "tells_apart_f": [4.0],
    ...                       "repeats_sd": [0.7], "agrees_r": [0.8]})
    >>> len(assessors(frame, attribute="chew"))
    3
    """
    columns = {
        "tells_apart_f": "tells doughs apart [F, more is better]",
        "repeats_sd": "repeats [sd in points, less is better]",
        "agrees_r": "agrees with the others [r, more is better]",
    }
    require_columns(performance, "attribute", "assessor", *columns, table="assessors")
    shown = performance[performance["attribute"] == attribute]
    if axes is None:
        import matplotlib.pyplot as plt

        size = (10, 0.9 + 0.35 * len(shown))
        axes = plt.subplots(1, 3, sharey=True, figsize=size, layout="constrained")[1]
    for ax, (column, words), mark in zip(axes, columns.items(), MARKS, strict=False):
        rows = rows_of(ax, shown["assessor"].tolist())
        if f"{column}_low" in shown:
            ax.hlines(rows, shown[f"{column}_low"], shown[f"{column}_high"], color=INK, linewidth=2)
        ax.plot(shown[column], rows, mark, color=INK)
        plain(ax)
        ax.set_xlabel(words, fontsize=9)
        left = min(0.0, ax.get_xlim()[0])
        ax.set_xlim(left=left)
    return np.asarray(axes)


def against_reference(doughs: pd.DataFrame, axes=None) -> np.ndarray:
    """Draw own minus reference, a column per attribute, with intervals about a line at nought.

    Question: which doughs stand near the reference, and in what do they miss it?

    Parameters
    ----------
    doughs : from `panel.compare_to_reference`: attribute, dough, difference, ci_low, ci_high.
    axes : as many axes as there are attributes, to draw on.

    Returns
    -------
    Axes, one per attribute; doughs in the order of their difference in the first.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"attribute": ["chew", "crispness"], "dough": "A",
    ...     "difference": [0.5, -1.0], "ci_low": [-0.5, -2.0], "ci_high": [1.5, 0.0]})
    >>> len(against_reference(frame))
    2
    """
    require_columns(
        doughs, "attribute", "dough", "difference", "ci_low", "ci_high", table="differences"
    )
    attributes = doughs["attribute"].unique()
    first = doughs[doughs["attribute"] == attributes[0]].sort_values("difference", kind="stable")
    order = first["dough"].tolist()
    if axes is None:
        import matplotlib.pyplot as plt

        size = (2.6 * len(attributes) + 0.8, 0.9 + 0.26 * len(order))
        axes = plt.subplots(
            1, len(attributes), sharey=True, figsize=size, layout="constrained", squeeze=False
        )[1][0]
    for ax, attribute in zip(axes, attributes, strict=True):
        one = doughs[doughs["attribute"] == attribute].set_index("dough").reindex(order)
        rows = rows_of(ax, order)
        ax.axvline(0, color=OCHRE)
        ax.hlines(rows, one["ci_low"], one["ci_high"], color=INK, linewidth=2)
        ax.plot(one["difference"], rows, "o", color=INK)
        plain(ax)
        ax.set_title(attribute, fontsize=10)
        ax.set_xlabel("points more or less", fontsize=9)
    return np.asarray(axes)
