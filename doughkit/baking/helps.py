"""Where the doubt about a matched hydration comes from, and which step would shrink it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.baking.known import DRYING_ERROR, Moisture
from doughkit.baking.learning import width_after

FROM = ("the reference", "the own oven", "the rest")


def shares_of_doubt(needed: np.ndarray, own_and_rest, moisture: Moisture) -> pd.DataFrame:
    """Share of the variance by source: each member's answer as a sum over independent draws.

    The rest is what belongs to every dough (crust, thickness) and what is not a plain sum.
    """
    blocks = [moisture.sources, *own_and_rest]
    away = needed - needed.mean()
    sources = np.hstack(blocks)
    weights, *_ = np.linalg.lstsq(sources, away, rcond=None)
    ends = np.cumsum([block.shape[1] for block in blocks])[:-1]
    parts = [
        (block @ weight).var()
        for block, weight in zip(blocks, np.split(weights, ends), strict=True)
    ]
    total = needed.var()
    first, second = (100 * part / total if total > 0 else np.nan for part in parts[:2])
    return pd.DataFrame({"doubt_from": FROM, "share_pct": [first, second, 100 - first - second]})


def what_helps(needed, would, own_left, minutes, moisture: Moisture) -> pd.DataFrame:
    """Width of the 90 % interval now and after each step one could take, the best first.

    `own_left`: water left in the own dough at the usual and at the longest time, and the error of
    one weighing in the same unit.
    """
    now, longer, error = own_left
    width = float(np.diff(np.quantile(needed, [0.05, 0.95]))[0])
    steps = [
        ("weigh three more of the usual bakes", width_after(needed, now, error / np.sqrt(3))),
        (f"weigh one bake of {minutes[1]:.3g} min", width_after(needed, longer, error)),
    ]
    if moisture.dried:
        # one more sample dried as well as those so far halves the variance of their error
        words, drying = "dry as many samples of the reference again", moisture.error
    else:
        words, drying = "dry 50 g of the reference", DRYING_ERROR
    steps.append((words, width_after(needed, would, drying)))
    frame = pd.DataFrame(steps, columns=["step", "width_after"])
    frame["width_after"] *= width
    frame.insert(1, "width_now", width)
    return frame.sort_values("width_after", ignore_index=True)
