"""Bake loss from weights before and after, with its error, and the water that stays."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
from scipy.stats import norm

from doughkit.tables.problems import (
    OutsideRange,
    Problem,
    StudyProblems,
    problem_error,
    require_columns,
    require_unique,
)

ON_THE_RACK_S = (45.0, 75.0)
"""When the second weight is meant to be taken: 60 ± 15 s after the oven."""

HIGHEST_PUBLISHED_LOSS_PCT = 35.0
"""Published losses reach from 3 % (a loaf put back) to 32.4 % (a flat 2 kg Paris loaf, Manuel
Roret in Boutroux, Le pain et la panification, 1897); beyond, a weighing slip is likelier."""


def scale_error_g(scale_step_g, weighing_error_g: float):
    """Standard deviation of one weighing: what the step hides, and what the weighing itself errs.

    A scale that shows steps hides up to half a step either way: step / √12.
    """
    return np.sqrt(np.asarray(scale_step_g, float) ** 2 / 12 + weighing_error_g**2)


def bake_loss(
    pieces: pd.DataFrame,
    doughs_overview: pd.DataFrame | None = None,
    *,
    scale_step_g: float | None = None,
    weighing_error_g: float = 0.0,
    level: float = 0.90,
) -> pd.DataFrame:
    """Give each piece's bake loss with its error, and the water left in it.

    Question: what did the bake take, how sure is that, and what stayed?

    Parameters
    ----------
    pieces : DataFrame
        Table `pieces`: piece, dough, mass_before_g (just before loading), mass_after_g [g];
        used if there: scale_step_g [g], weighed_after_s [s], topping_g and topping_after_g [g].
    doughs_overview : DataFrame, optional
        Per dough: dough (or `formula`, holding the dough's name), dry_pct and water_pct: dry
        matter and water per 100 flour. Without it the water columns stay empty.
    scale_step_g : float, optional
        Step of the scale [g] for pieces that do not state their own.
    weighing_error_g : float
        What a weighing errs beyond the step [g], one standard deviation: draught, a hot pan,
        flour left on the bench.
    level : float
        Level of the interval.

    Returns
    -------
    DataFrame, one row per piece in the order given: piece, dough, mass_before_g, mass_after_g,
    loss_g, loss_pct (of the dough), loss_error_pct (one standard deviation of this weighing),
    ci_low, ci_high, ci_level, df (infinite: the scale's error is taken as known), scope
    ("this piece as weighed"), water_left_pct (per 100 flour), water_left_error_pct,
    finished_moisture_pct (of the baked piece), finished_moisture_error_pct, remark (why something
    is empty or to be read with care). A piece without weights keeps its row with an empty loss,
    as does a topped piece whose topping was not weighed before and after.

    Raises
    ------
    StudyProblems naming every piece with an impossible weight: not above 0, heavier after the
    oven, a topping heavier than its piece, more lost than the dough's water; or whose dough has no
    row in the overview.

    Range: all loss is taken as water (a long ferment also loses 1-2 % of flour as gas, before
    loading). Warns above 35 %, the highest loss of the published bakes at hand.
    Source: mass balance; step / √12 is the standard deviation of an even spread over one step.

    >>> pieces = pd.DataFrame({"piece": ["a"], "dough": ["A"], "mass_before_g": [250.0],
    ...     "mass_after_g": [215.0]})
    >>> loss = bake_loss(pieces, scale_step_g=1)
    >>> loss[["loss_pct", "loss_error_pct"]].round(2).values.tolist()
    [[14.0, 0.15]]
    """
    require_unique(pieces, "piece", table="pieces")
    require_columns(pieces, "dough", "mass_before_g", "mass_after_g", table="pieces")
    _refuse_bad_error(weighing_error_g, level)
    remark = _remarks(pieces)
    before, after, each = _dough_alone(pieces, scale_step_g, weighing_error_g, remark)
    _refuse_impossible(pieces, before, after)
    kept = after / before
    loss = 1 - kept
    error = each / before * np.sqrt(1 + kept**2)
    half = norm.ppf((1 + level) / 2) * error
    remark += np.where(np.isfinite(loss) & np.isnan(error), "; give scale_step_g for an error", "")
    result = pd.DataFrame(
        {
            "piece": pieces["piece"],
            "dough": pieces["dough"],
            "mass_before_g": pieces["mass_before_g"],
            "mass_after_g": pieces["mass_after_g"],
            "loss_g": before - after,
            "loss_pct": 100 * loss,
            "loss_error_pct": 100 * error,
            "ci_low": 100 * (loss - half),
            "ci_high": 100 * (loss + half),
            "ci_level": level,
            "df": np.inf,
            "scope": "this piece as weighed",
        }
    )
    water = _water(pieces, loss, error, doughs_overview)
    _warn_beyond(pieces, loss)
    remarks = pd.Series([text.removeprefix("; ") for text in remark], pieces.index, dtype="str")
    return pd.concat([result, water, remarks.rename("remark")], axis=1)


def _refuse_bad_error(weighing_error_g: float, level: float) -> None:
    if not weighing_error_g >= 0 or not 0 < level < 1:
        raise problem_error(
            "bake loss",
            found=f"weighing_error_g {weighing_error_g}, level {level}",
            expected="an error of 0 g or more, a level between 0 and 1",
            mend="give the error as a standard deviation in grams, the level as 0.90",
        )


def _column(pieces: pd.DataFrame, name: str) -> np.ndarray:
    if name not in pieces.columns:
        return np.full(len(pieces), np.nan)
    return pieces[name].to_numpy(float, na_value=np.nan)


def _remarks(pieces: pd.DataFrame) -> np.ndarray:
    """What to know of each piece, each remark led by "; "."""
    remark = np.full(len(pieces), "", dtype=object)
    remark += np.where(np.isnan(_column(pieces, "mass_before_g")), "; not weighed before", "")
    remark += np.where(np.isnan(_column(pieces, "mass_after_g")), "; not weighed after", "")
    delay = _column(pieces, "weighed_after_s")
    low, high = ON_THE_RACK_S
    for place in np.flatnonzero((delay < low) | (delay > high)):
        remark[place] += f"; weighed {delay[place]:g} s after the oven, not at 60 s"
    return remark


def _dough_alone(pieces, scale_step_g, weighing_error_g, remark):
    """Masses without topping, and the error of one such mass; a topping adds its own weighing."""
    step = _column(pieces, "scale_step_g")
    if scale_step_g is not None:
        step = np.where(np.isnan(step), scale_step_g, step)
    each = scale_error_g(step, weighing_error_g)
    on, off = _column(pieces, "topping_g"), _column(pieces, "topping_after_g")
    topped = on > 0
    remark += np.where(topped & np.isnan(off), "; topped, left out: topping not weighed after", "")
    before = _column(pieces, "mass_before_g") - np.where(topped, on, 0)
    after = _column(pieces, "mass_after_g") - np.where(topped, off, 0)
    missing = np.isnan(before) | np.isnan(after)
    before, after = np.where(missing, np.nan, before), np.where(missing, np.nan, after)
    return before, after, each * np.where(topped, np.sqrt(2), 1)


def _refuse_impossible(pieces: pd.DataFrame, before: np.ndarray, after: np.ndarray) -> None:
    problems = []
    for column in ("mass_before_g", "mass_after_g"):
        weight = _column(pieces, column)
        mend = "weigh again, or leave it empty"
        problems += [
            _problem(pieces, place, column, f"{weight[place]:g} g", "a weight above 0", mend)
            for place in np.flatnonzero(weight <= 0)
        ]
    for place in np.flatnonzero((_column(pieces, "mass_after_g") > 0) & (after > before)):
        found = f"{after[place]:g} g after {before[place]:g} g before"
        mend = "look whether the two weights were swapped"
        problems.append(_problem(pieces, place, "mass_after_g", found, "no more than before", mend))
    topped = np.nan_to_num(_column(pieces, "topping_g")) > 0
    for place in np.flatnonzero(topped & ((before <= 0) | (after <= 0))):
        found = "a topping as heavy as its piece"
        mend = "weigh piece and topping together, the topping also alone"
        problems.append(_problem(pieces, place, "topping_g", found, "less than the piece", mend))
    if problems:
        raise StudyProblems(problems)


def _problem(pieces, place: int, column: str, found: str, expected: str, mend: str) -> Problem:
    key = f"piece {pieces['piece'].iloc[place]}"
    return Problem("pieces", found=found, expected=expected, mend=mend, column=column, key=key)


def _warn_beyond(pieces: pd.DataFrame, loss: np.ndarray) -> None:
    high = np.flatnonzero(100 * loss > HIGHEST_PUBLISHED_LOSS_PCT)
    if len(high):
        named = ", ".join(str(pieces["piece"].iloc[place]) for place in high[:5])
        warnings.warn(
            f"bake loss above {HIGHEST_PUBLISHED_LOSS_PCT:g} %, the highest of the published bakes "
            f"at hand, in {len(high)} of {len(loss)} pieces ({named}); check their weights",
            OutsideRange,
            stacklevel=3,
        )


def _water(pieces, loss, error, overview) -> pd.DataFrame:
    """Water left per 100 flour and finished moisture, with the error of the weighing."""
    dry, water = _composition(pieces, overview)
    dough = dry + water
    left = water - loss * dough
    lost_more = np.flatnonzero(left < 0)
    if len(lost_more):
        raise StudyProblems(
            _problem(
                pieces,
                place,
                "mass_after_g",
                f"{100 * loss[place]:.1f} % lost of a dough with "
                f"{100 * water[place] / dough[place]:.1f} % water",
                "no more lost than the dough's water",
                "check both weights, and the dough's formula",
            )
            for place in lost_more
        )
    baked = dough * (1 - loss)
    return pd.DataFrame(
        {
            "water_left_pct": left,
            "water_left_error_pct": error * dough,
            "finished_moisture_pct": 100 * left / baked,
            "finished_moisture_error_pct": 100 * error * dry / (dough * (1 - loss) ** 2),
        },
        index=pieces.index,
    )


def _composition(pieces, overview) -> tuple[np.ndarray, np.ndarray]:
    """Dry matter and water per 100 flour, one each per piece (empty without an overview)."""
    if overview is None:
        return (np.full(len(pieces), np.nan),) * 2
    if "dough" not in overview.columns and "formula" in overview.columns:
        overview = overview.rename(columns={"formula": "dough"})
    require_unique(overview, "dough", table="overview")
    require_columns(overview, "dry_pct", "water_pct", table="overview")
    by_dough = overview.set_index("dough")[["dry_pct", "water_pct"]].astype(float)
    weighed = pieces["mass_before_g"].notna() & pieces["mass_after_g"].notna()
    unknown = sorted(set(pieces.loc[weighed, "dough"]) - set(by_dough.index))
    if unknown:
        raise StudyProblems(
            Problem(
                "overview",
                found="no row",
                expected="a row for every dough of a weighed piece",
                mend="add the dough to the overview, or leave its pieces out",
                key=f"dough {dough}",
            )
            for dough in unknown
        )
    both = by_dough.reindex(pieces["dough"])
    return both["dry_pct"].to_numpy(), both["water_pct"].to_numpy()
