"""Doughs that failed, and the neighbourhood in which no dough is planned or recommended."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.trials.coding import as_levels
from doughkit.trials.factors import Factor

FAILED = "failed"
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


def failed_doughs(doughs: pd.DataFrame, factors: list[Factor]) -> pd.DataFrame:
    """The doughs that failed at levels at which none was baked since."""
    names = [factor.name for factor in factors]
    if "status" not in doughs.columns or not names:
        return doughs.head(0)
    whole = doughs[doughs[names].notna().all(axis=1)]
    places = coded_places(whole, factors)
    failed = whole["status"].eq(FAILED).to_numpy(dtype=bool, na_value=False)
    again = [(np.abs(places[~failed] - one).max(axis=1) < 1e-9).any() for one in places[failed]]
    return whole[failed][~np.array(again, dtype=bool)]


def failed_places(doughs: pd.DataFrame, factors: list[Factor]) -> np.ndarray:
    """Where those doughs lie, as `coded_places` has it."""
    found = failed_doughs(doughs, factors)
    return coded_places(found, factors) if len(found) else np.zeros((0, len(factors)))


def beside_failed(doughs: pd.DataFrame, points: pd.DataFrame, factors: list[Factor]) -> np.ndarray:
    """Which points lie where a dough failed, or beside it."""
    failed = failed_places(doughs, factors)
    apart = np.abs(coded_places(points, factors)[:, None] - failed[None]).max(axis=2)
    return (apart < NEAR - 1e-9).any(axis=1)
