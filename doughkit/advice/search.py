"""Every level that can be set, less what failed; how far each is from what is wanted."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error
from doughkit.texture.result import TextureFit
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import Factor, read_factors
from doughkit.trials.limits import settable, within_limits

MOST_CANDIDATES = 20_000
STEPS_WITHOUT_STEP = 20
NEAR = 0.5
"""Doughs closer than a quarter of the range in every factor count as neighbours."""


def seen_levels(found: TextureFit, factors: pd.DataFrame) -> dict[str, list]:
    """Levels of every factor that can be set and lie within what was baked."""
    levels = {}
    for factor in read_factors(factors):
        baked = found.design[factor.name]
        if factor.levels:
            there = set(as_levels(baked))
            levels[factor.name] = [one for one in factor.levels if one in there]
            continue
        low, high = float(baked.min()), float(baked.max())
        fine = factor
        if not factor.step:
            step = (factor.high - factor.low) / STEPS_WITHOUT_STEP
            fine = Factor(factor.name, factor.changed_per, factor.low, factor.high, step)
        between = [one for one in settable(fine) if low - 1e-9 <= one <= high + 1e-9]
        levels[factor.name] = between or [low]
    return levels


def candidates(levels: dict[str, list], limits: pd.DataFrame | None, avoid) -> pd.DataFrame:
    """All combinations within limits and away from failed doughs; thinned if they are too many."""
    thin = {name: list(each) for name, each in levels.items()}
    while np.prod([float(len(each)) for each in thin.values()]) > MOST_CANDIDATES:
        widest = max(thin, key=lambda name: len(thin[name]))
        each = thin[widest]
        places = np.unique(np.round(np.linspace(0, len(each) - 1, len(each) - 1)).astype(int))
        thin[widest] = [each[place] for place in places]
    grid = pd.DataFrame(list(product(*thin.values())), columns=list(thin))
    kept = grid[within_limits(grid, limits) & ~avoid(grid)].reset_index(drop=True)
    if kept.empty:
        raise problem_error(
            "limits",
            found="no combination of levels that keeps all limits and lies away from failed doughs",
            expected="at least one",
            mend="widen a limit, or bake between the failed doughs and the others",
        )
    return kept


def neighbours(point: pd.Series, levels: dict[str, list]) -> pd.DataFrame:
    """The point and all combinations one settable level away from it in one or two factors."""
    steps = {}
    for name, each in levels.items():
        place = each.index(point[name])
        steps[name] = each[max(place - 1, 0) : place + 2]
    grid = pd.DataFrame(list(product(*steps.values())), columns=list(steps))
    moved = sum((grid[name] != point[name]).astype(int) for name in levels)
    return grid[moved <= 2].reset_index(drop=True)


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


def near_failed(failed: np.ndarray, factors: list[Factor]):
    """A test of frames of levels: does a row lie in the neighbourhood of a failed dough?"""

    def avoid(frame: pd.DataFrame) -> pd.Series:
        near = np.zeros(len(frame), dtype=bool)
        if len(failed):
            places = coded_places(frame, factors)
            for one in failed:
                near |= np.abs(places - one).max(axis=1) < NEAR - 1e-9
        return pd.Series(near, index=frame.index)

    return avoid
