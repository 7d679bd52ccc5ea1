"""One picture per question: a frame goes in, axes come out; nothing is computed here.

Dots are single facts, bars are intervals, open marks are what is only planned or expected.
Colours are safe for colour-blind readers and never the only sign. `picture` turns axes into a
figure with the finding as its caption and alternative text.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughkit.tables import paper
from doughkit.tables.problems import require_columns
from doughkit.tables.register import label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "Picture",
    "assessors",
    "bake_loss",
    "effects",
    "formulas",
    "means",
    "picture",
    "planned_doughs",
    "strip",
    "surface",
]

INK, OCHRE, TEAL, GREY, PALE = "#22313f", "#b8690f", "#0f7173", "#7d8590", "#d9dde2"
MARKS = ("o", "s", "^", "D", "v", "P", "X")
COLOURS = (INK, OCHRE, TEAL, "#8c4a72", GREY)


@dataclass(frozen=True)
class Picture:
    """A drawn figure with its finding in words; shows itself in a notebook and on a page."""

    png: bytes
    finding: str

    def _repr_html_(self) -> str:
        return paper.figure(self.png, self.finding)._repr_html_()

    def __repr__(self) -> str:
        return f"picture: {self.finding}"


def picture(axes: Axes | Sequence[Axes] | np.ndarray, finding: str) -> Picture:
    """Turn axes into a figure whose visible caption (and alternative text) is the finding.

    Question: what does this picture say?

    Parameters
    ----------
    axes : the axes, or several axes of one figure.
    finding : one sentence that says what is seen, for those who cannot see it as well.

    Returns
    -------
    Picture: `.png` bytes, `.finding`; a notebook shows both.

    Raises
    ------
    ValueError if the finding is empty.

    Source: by definition of this library.

    >>> import matplotlib; matplotlib.use("Agg")
    >>> import matplotlib.pyplot as plt
    >>> picture(plt.subplots()[1], "Nothing was baked yet.")
    picture: Nothing was baked yet.
    """
    import matplotlib.pyplot as plt

    if not finding.strip():
        raise ValueError("a picture needs its finding: one sentence that says what is seen")
    figure = np.ravel(np.asarray(axes, dtype=object))[0].figure
    data = io.BytesIO()
    # no software tag and a fixed size: the same picture gives the same bytes
    figure.savefig(data, format="png", dpi=110, bbox_inches="tight", metadata={"Software": None})
    plt.close(figure)
    return Picture(data.getvalue(), finding)


def _axes(ax: Axes | None, height: float = 3.2, width: float = 7.0) -> Axes:
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(figsize=(width, height), layout="constrained")[1]


def _plain(ax: Axes, *, grid: str = "x") -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.grid(axis=grid, color=PALE, linewidth=0.8)
    ax.set_axisbelow(True)


def _rows(ax: Axes, names: Sequence[str]) -> np.ndarray:
    places = np.arange(len(names), dtype=float)
    ax.set_yticks(places, [str(name) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)
    return places


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
    ax = _axes(ax, 0.9 + 0.45 * len(shown))
    rows = _rows(ax, shown["formula"].tolist())
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
    _plain(ax)
    ax.set_xlabel("water per 100 flour [%]")
    ax.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.25), ncols=2)
    return ax


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
    ax = _axes(ax)
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
    _plain(ax, grid="y")
    ax.set(xlabel=label(by), ylabel="bake loss [% of the dough]")
    if group is not None:
        ax.legend(title=label(group), frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    return ax


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
    ax = _axes(ax, 4.0)
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
    for name, across, up, by in zip(known["dough"], known[x], known[y], beside, strict=True):
        ax.annotate(
            str(name),
            (across + step * by, up),
            (0, 9),
            textcoords="offset points",
            ha="center",
            fontsize=8,
            color=INK,
        )
    _plain(ax, grid="both")
    ax.margins(0.12)
    ax.set(xlabel=label(x), ylabel=label(y))
    ax.legend(title=label(mark), frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    return ax


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
    ax = _axes(ax, 0.8 + 0.28 * len(shown))
    rows = _rows(ax, shown[by].tolist())
    if scores is not None:
        require_columns(scores, "attribute", by, "score", table="scores")
        place = dict(zip(shown[by], rows, strict=True))
        single = scores[(scores["attribute"] == attribute) & scores[by].isin(place)]
        across = single.groupby([by, "score"]).cumcount()
        ax.plot(single["score"], single[by].map(place) + 0.07 * across, ".", color=GREY, alpha=0.5)
    ax.hlines(rows, shown["ci_low"], shown["ci_high"], color=INK, linewidth=2)
    ax.plot(shown["mean"], rows, "o", color=INK)
    _plain(ax)
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
        rows = _rows(ax, shown["assessor"].tolist())
        if f"{column}_low" in shown:
            ax.hlines(rows, shown[f"{column}_low"], shown[f"{column}_high"], color=INK, linewidth=2)
        ax.plot(shown[column], rows, mark, color=INK)
        _plain(ax)
        ax.set_xlabel(words, fontsize=9)
        left = min(0.0, ax.get_xlim()[0])
        ax.set_xlim(left=left)
    return np.asarray(axes)


def effects(effects: pd.DataFrame, *, attribute: str, ax: Axes | None = None) -> Axes:
    """Draw what each term changes from low to high, as a dot with its interval.

    Question: what moves this attribute, and how sure is that?

    Parameters
    ----------
    effects : from `texture.fit`; uses attribute, term, low_to_high, ci_low, ci_high, stratum.
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
    >>> frame = pd.DataFrame({"attribute": ["chew"], "term": ["salt_pct"], "low_to_high": [0.5],
    ...                       "ci_low": [0.1], "ci_high": [0.9], "stratum": ["dough"]})
    >>> effects(frame, attribute="chew").get_xlabel()
    'points from low to high'
    """
    need = ["attribute", "term", "low_to_high", "ci_low", "ci_high", "stratum"]
    require_columns(effects, *need, table="effects")
    shown = effects[effects["attribute"] == attribute]
    ax = _axes(ax, 0.8 + 0.28 * len(shown))
    rows = _rows(ax, shown["term"].tolist())
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
    _plain(ax)
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
    ax = _axes(ax, 1.1 + 0.5 * len(expected))
    rows = _rows(ax, expected["attribute"].tolist())
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
    _plain(ax)
    ax.set_xlim(*ends)
    ax.set_xlabel("rating")
    ax.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=3)
    return ax
