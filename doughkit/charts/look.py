"""How every picture looks, and how axes become a figure with its finding in words.

Dots are single facts, bars are intervals, open marks are what is only planned or expected.
Colours are safe for colour-blind readers and never the only sign.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doughkit.tables import paper

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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


def new_axes(ax: Axes | None, height: float = 3.2, width: float = 7.0) -> Axes:
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(figsize=(width, height), layout="constrained")[1]


def plain(ax: Axes, *, grid: str = "x") -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.grid(axis=grid, color=PALE, linewidth=0.8)
    ax.set_axisbelow(True)


def rows_of(ax: Axes, names: Sequence[str]) -> np.ndarray:
    places = np.arange(len(names), dtype=float)
    ax.set_yticks(places, [str(name) for name in names])
    ax.set_ylim(max(len(names), 1) - 0.5, -0.5)
    return places
