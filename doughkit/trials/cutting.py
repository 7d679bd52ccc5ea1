"""How a baked piece is cut, and who gets which portion."""

from __future__ import annotations

import numpy as np
import pandas as pd

STRIP = "50 mm through the centre, front to back: droop, then drying"


def cutting_plan(pieces: pd.Series, tasters: list[str]) -> pd.DataFrame:
    """One row per piece: the strip, then the taster of each portion, counted from the notch.

    The portions are dealt one further from piece to piece, so that nobody always gets the side
    that lay at the oven's back.
    """
    count = len(tasters)
    rows = {
        f"portion {place + 1}": [tasters[(place + turn) % count] for turn in range(len(pieces))]
        for place in np.arange(count)
    }
    first = {"piece": pieces.to_numpy(), "notch": "oven front", "strip": STRIP}
    return pd.DataFrame(first | rows)
