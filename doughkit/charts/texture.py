"""Pictures of what drives texture, and of what to choose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughkit.charts.look import GREY, INK, OCHRE, PALE, new_axes, plain, rows_of
from doughkit.tables.problems import require_columns
from doughkit.tables.register import label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DARK = 4
"""So many imagined breads are drawn dark, so that the eye can follow one."""


def effects(effects: pd.DataFrame, *, attribute: str, ax: Axes | None = None) -> Axes:
    """Draw what each term changes from low to high, as a dot with its interval.

    Question: what moves this attribute, and how sure is that?

    Parameters
    ----------
    effects : from `texture.fit`; uses attribute, words, low_to_high, ci_low, ci_high, stratum.
    attribute : which attribute.
    ax : axes to draw on.

    Returns
    -------
    Axes: filled dots judged on doughs, open squares judged on pieces.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"attribute": ["chew"], "words": ["salt"], "low_to_high": [0.5],
    ...                       "ci_low": [0.1], "ci_high": [0.9], "stratum": ["dough"]})
    >>> effects(frame, attribute="chew").get_xlabel()
    'points from low to high'
    """
    need = ["attribute", "words", "low_to_high", "ci_low", "ci_high", "stratum"]
    require_columns(effects, *need, table="effects")
    shown = effects[effects["attribute"] == attribute]
    ax = new_axes(ax, 0.8 + 0.28 * len(shown))
    rows = rows_of(ax, shown["words"].tolist())
    ax.axvline(0, color=GREY, linewidth=1)
    ax.hlines(rows, shown["ci_low"], shown["ci_high"], color=INK, linewidth=2)
    for stratum, mark, face in (("dough", "o", INK), ("piece", "s", "white")):
        here = (shown["stratum"] == stratum).to_numpy()
        ax.plot(
            shown["low_to_high"][here],
            rows[here],
            mark,
            color=INK,
            markerfacecolor=face,
            label=f"judged on {stratum}s",
        )
    plain(ax)
    ax.set_xlabel("points from low to high")
    ax.set_title(attribute, loc="left", fontsize=11)
    return ax


def surface(grid: pd.DataFrame, *, x: str, y: str, attribute: str, axes=None) -> np.ndarray:
    """Draw an expected surface over two factors and, beside it, how wide its interval is.

    Question: where is the attribute high or low, and where do we know it least?

    Parameters
    ----------
    grid : a full grid of levels with columns x, y, attribute, mean, ci_low, ci_high.
    x, y : names of two factors.
    attribute : which attribute.
    axes : two axes to draw on.

    Returns
    -------
    two Axes: the expected rating, and the full width of its interval.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame([(a, b, "chew", a + b, a, b + 9) for a in (0., 1) for b in (0., 1)],
    ...     columns=["salt_pct", "oil_pct", "attribute", "mean", "ci_low", "ci_high"])
    >>> len(surface(frame, x="salt_pct", y="oil_pct", attribute="chew"))
    2
    """
    require_columns(grid, x, y, "attribute", "mean", "ci_low", "ci_high", table="grid")
    shown = grid[grid["attribute"] == attribute]
    shown = shown.assign(width=shown["ci_high"] - shown["ci_low"])
    if axes is None:
        import matplotlib.pyplot as plt

        axes = plt.subplots(1, 2, figsize=(10, 3.8), layout="constrained")[1]
    words = {"mean": f"expected {attribute}", "width": "width of its interval"}
    for ax, column, shade in zip(axes, words, ("cividis", "Greys"), strict=True):
        table = shown.pivot(index=y, columns=x, values=column)
        filled = ax.contourf(table.columns, table.index, table.to_numpy(), levels=9, cmap=shade)
        lines = ax.contour(
            table.columns,
            table.index,
            table.to_numpy(),
            levels=filled.levels,
            colors="white" if column == "mean" else INK,
            linewidths=0.7,
        )
        ax.clabel(lines, fmt="%g", fontsize=8)
        ax.set(xlabel=label(x), ylabel=label(y))
        ax.set_title(words[column], loc="left", fontsize=11)
    return np.asarray(axes)


def strip(expected: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw, per attribute, the range wanted and what is expected with its intervals.

    Question: does the recommended formula meet the target?

    Parameters
    ----------
    expected : from `advice.recommend`; uses attribute, mean, ci_low, ci_high, next_low,
        next_high, low, aim, high.
    ax : axes to draw on.

    Returns
    -------
    Axes: pale band = wanted, tick = aim, thick bar = long-run mean, thin bar = the next bake.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"attribute": ["chew"], "mean": [4.0], "ci_low": [3.5],
    ...     "ci_high": [4.5], "next_low": [3.0], "next_high": [5.0], "low": [3.0], "aim": [4.0],
    ...     "high": [None]})
    >>> strip(frame).get_xlabel()
    'rating'
    """
    need = ["attribute", "mean", "ci_low", "ci_high", "next_low", "next_high", "low", "aim", "high"]
    require_columns(expected, *need, table="expected")
    ax = new_axes(ax, 1.1 + 0.5 * len(expected))
    rows = rows_of(ax, expected["attribute"].tolist())
    number = expected[need[1:]].astype(float)
    ends = np.nanmin(number.to_numpy()) - 0.5, np.nanmax(number.to_numpy()) + 0.5
    low, high = number["low"].fillna(ends[0]), number["high"].fillna(ends[1])
    bounded = number["low"].notna() | number["high"].notna()
    ax.barh(
        rows[bounded],
        (high - low)[bounded],
        left=low[bounded],
        height=0.6,
        color=PALE,
        label="range wanted",
    )
    ax.plot(number["aim"], rows, "|", color=OCHRE, markersize=22, markeredgewidth=3, label="aim")
    ax.hlines(rows, number["next_low"], number["next_high"], color=INK, linewidth=1)
    ax.hlines(rows, number["ci_low"], number["ci_high"], color=INK, linewidth=4)
    ax.plot(number["mean"], rows, "o", color=INK, label="expected: long run, next bake")
    plain(ax)
    ax.set_xlim(*ends)
    ax.set_xlabel("rating")
    ax.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=3)
    return ax


def before_baking(
    curves: pd.DataFrame, *, factor: str, scale: tuple[float, float], ax: Axes | None = None
) -> Axes:
    """Draw what is held possible along one factor, before any dough.

    Question: which breads does the starting guess allow?

    Parameters
    ----------
    curves : `texture.before_baking(...).curves`: factor, at, bread, rating.
    factor : which factor.
    scale : low and high of the attribute.
    ax : axes to draw on.

    Returns
    -------
    Axes: a thin line per imagined bread over the declared scale, a few of them dark.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"factor": "salt_pct", "at": [1.0, 3.0], "bread": 0,
    ...     "rating": [4.0, 6.0]})
    >>> before_baking(frame, factor="salt_pct", scale=(1, 9)).get_xlabel()
    'salt [%]'
    """
    require_columns(curves, "factor", "at", "bread", "rating", table="curves")
    ax = new_axes(ax, 3.0)
    own = curves[curves["factor"].eq(factor)].pivot(index="at", columns="bread", values="rating")
    for place, bread in enumerate(own):
        color, width = (INK, 1.4) if place < DARK else (GREY, 0.7)
        ax.plot(
            own.index, own[bread], color=color, linewidth=width, zorder=3 if place < DARK else 2
        )
    plain(ax)
    ax.set_ylim(*scale)
    ax.set_xlabel(label(factor))
    return ax


def assumptions(spreads: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw what was assumed before any dough, and beside it what the doughs made of it.

    Question: how large were effects and spreads guessed to be, and what do the doughs say?

    Parameters
    ----------
    spreads : one attribute's rows of `texture.fit_assuming(...).spreads`: assumption, assumed,
        assumed_low, assumed_high, and found, found_low, found_high where there are doughs.
    ax : axes to draw on.

    Returns
    -------
    Axes: a pale bar and an open mark per guess, a dark bar and a dot per finding, in points.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"assumption": ["linear"], "assumed": [0.9], "assumed_low": [0.4],
    ...     "assumed_high": [1.6], "found": [0.6], "found_low": [0.4], "found_high": [0.9]})
    >>> assumptions(frame).get_xlabel()
    'typical size [points]'
    """
    require_columns(
        spreads, "assumption", "assumed", "assumed_low", "assumed_high", table="spreads"
    )
    ax = new_axes(ax, 0.9 + 0.42 * len(spreads))
    rows = rows_of(ax, spreads["assumption"].tolist())
    low, high = spreads["assumed_low"], spreads["assumed_high"]
    ax.hlines(rows - 0.14, low, high, color=GREY, linewidth=4, alpha=0.5)
    ax.plot(spreads["assumed"], rows - 0.14, "s", color=GREY, mfc="white", label="guessed before")
    if "found" in spreads:
        low, high = spreads["found_low"], spreads["found_high"]
        ax.hlines(rows + 0.14, low, high, color=INK, linewidth=2)
        ax.plot(spreads["found"], rows + 0.14, "o", color=INK, label="after these doughs")
    plain(ax)
    ax.set_xlim(left=0)
    ax.set_xlabel("typical size [points]")
    ax.legend(frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    return ax
