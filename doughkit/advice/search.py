"""How near doughs lie to each other, and where doughs failed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.trials.coding import as_levels
from doughkit.trials.factors import Factor

NEAR = 0.5
"""Doughs closer than a quarter of the range in every factor count as neighbours."""


def coded_places(frame: pd.DataFrame, factors: list[Factor]) -> np.ndarray:
    """Numbers on −1 … +1; a category by the place of its level, two apart, so never near."""
    columns = []
    for factor in factors:
        if factor.levels:
            place = {level: 2.0 * at for at, level in enumerate(factor.levels)}
            columns.append(as_levels(frame[factor.name]).map(place).to_numpy(float))
        else:
            columns.append((frame[factor.name].to_numpy(float) - factor.middle) / factor.half)
    return np.column_stack(columns) if columns else np.zeros((len(frame), 1))


def failed_places(doughs: pd.DataFrame, factors: list[Factor]) -> np.ndarray:
    """Where doughs failed and none was baked since."""
    names = [factor.name for factor in factors]
    if "status" not in doughs.columns or not names:
        return np.zeros((0, len(names)))
    whole = doughs[doughs[names].notna().all(axis=1)]
    places = coded_places(whole, factors)
    failed = whole["status"].eq("failed").to_numpy()
    again = [(np.abs(places[~failed] - one).max(axis=1) < 1e-9).any() for one in places[failed]]
    return places[failed][~np.array(again, dtype=bool)]
