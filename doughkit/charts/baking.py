"""Pictures of what the bake takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughkit.charts.look import COLOURS, GREY, INK, MARKS, OCHRE, PALE, new_axes, plain, rows_of
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


def through_thickness(profile: pd.DataFrame, axes=None) -> np.ndarray:
    """Draw temperature and water through the thickness over the time of one bake.

    Question: when did which layer dry, and how hot was it?

    Parameters
    ----------
    profile : from `baking.profile`: minutes, height_mm, temperature_c, water_pct.
    axes : two axes to draw on.

    Returns
    -------
    two Axes: temperature on the left, water on the right; the support is below.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"minutes": [1.0, 1.0, 2.0, 2.0], "height_mm": [1.0, 3.0, 1.0, 3.0],
    ...                       "temperature_c": [90.0, 60.0, 110.0, 95.0],
    ...                       "water_pct": [70.0, 80.0, 20.0, 75.0]})
    >>> len(through_thickness(frame))
    2
    """
    shown = {"temperature_c": "cividis", "water_pct": "YlGnBu"}
    words = {"temperature_c": "temperature [°C]", "water_pct": "water [g per 100 g dry matter]"}
    require_columns(profile, "minutes", "height_mm", *shown, table="profile")
    if axes is None:
        import matplotlib.pyplot as plt

        axes = plt.subplots(1, 2, sharey=True, figsize=(9.5, 3.0), layout="constrained")[1]
    for ax, (column, colours) in zip(axes, shown.items(), strict=True):
        grid = profile.pivot_table(index="height_mm", columns="minutes", values=column)
        drawn = ax.pcolormesh(grid.columns, grid.index, grid, cmap=colours, shading="nearest")
        ax.figure.colorbar(drawn, ax=ax, label=words[column])
        ax.set_xlabel("time in the oven [min]")
    axes[0].set_ylabel("height above the support [mm]")
    return np.asarray(axes)


def hydration_curve(curve: pd.DataFrame, *, now: pd.DataFrame | None = None, ax=None) -> Axes:
    """Draw the hydration that leaves the reference's water against the bake time.

    Question: how wet must the dough be at each bake time, and how sure is that?

    Parameters
    ----------
    curve : from `baking.match_hydration`: bake_min, hydration_pct, half_low, half_high (50 %),
        low, high (90 %).
    now : bakes as they are, to lie over it: bake_min, hydration_pct; may be left out.
    ax : axes to draw on.

    Returns
    -------
    Axes: a line with a dark band (50 %) and a pale one (90 %); crosses are the bakes so far.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"bake_min": [5.0, 8.0], "hydration_pct": [58.0, 66.0],
    ...     "half_low": [57.0, 65.0], "half_high": [59.0, 67.0], "low": [55.0, 62.0],
    ...     "high": [61.0, 70.0]})
    >>> hydration_curve(frame).get_xlabel()
    'bake [min]'
    """
    bands = ["half_low", "half_high", "low", "high"]
    require_columns(curve, "bake_min", "hydration_pct", *bands, table="curve")
    ax = new_axes(ax)
    at = curve["bake_min"]
    ax.fill_between(at, curve["low"], curve["high"], color=PALE, label="9 chances in 10")
    ax.fill_between(
        at, curve["half_low"], curve["half_high"], color=GREY, alpha=0.5, label="1 chance in 2"
    )
    ax.plot(at, curve["hydration_pct"], color=INK, label="leaves the reference's water")
    if now is not None:
        ax.plot(now["bake_min"], now["hydration_pct"], "x", color=OCHRE, label="baked so far")
    plain(ax, grid="y")
    ax.set(xlabel=label("bake_min"), ylabel=label("hydration_pct"))
    ax.legend(frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    return ax


def beside_published(bakes: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw published bake losses beside the forecast made before anything was weighed.

    Question: what is the simulated bake worth without weighings of one's own?

    Parameters
    ----------
    bakes : `baking.published_bakes().bakes`: bake, loss_pct, forecast_pct, forecast_low,
        forecast_high, inside ("yes" or "no").
    ax : axes to draw on.

    Returns
    -------
    Axes: a bar per bake is the 90 % interval, a dot the published loss, filled when inside.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> frame = pd.DataFrame({"bake": ["thin sheet"], "loss_pct": [20.0], "forecast_pct": [19.0],
    ...     "forecast_low": [10.0], "forecast_high": [24.0], "inside": ["yes"]})
    >>> beside_published(frame).get_xlabel()
    'bake loss [% of the dough]'
    """
    require_columns(
        bakes, "bake", "loss_pct", "forecast_low", "forecast_high", "inside", table="bakes"
    )
    ax = new_axes(ax, 0.9 + 0.27 * len(bakes))
    rows = rows_of(ax, bakes["bake"].tolist())
    ax.hlines(
        rows, bakes["forecast_low"], bakes["forecast_high"], color=GREY, linewidth=4, alpha=0.5
    )
    for inside, words in (("yes", "published, inside"), ("no", "published, outside")):
        one = (bakes["inside"] == inside).to_numpy()
        face = INK if inside == "yes" else "white"
        ax.plot(
            bakes["loss_pct"][one], rows[one], "o", color=INK, markerfacecolor=face, label=words
        )
    plain(ax)
    ax.set_xlabel("bake loss [% of the dough]")
    ax.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=2)
    return ax
