"""Moisture of dried samples: flour, a baked piece, or a reference that was bought baked."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from doughkit.baking.weighed import scale_error_g
from doughkit.tables.problems import Problem, StudyProblems, require_columns, require_unique

DRYING_ERROR_PCT = 0.5
"""Assumed standard deviation of one drying, in points of moisture: crumbling, a home oven's own
idea of 103 °C, constant mass called too early. A starting guess, no source."""


def finished_moisture(
    moistures: pd.DataFrame,
    *,
    scale_step_g: float = 0.1,
    weighing_error_g: float = 0.0,
    drying_error_pct: float = DRYING_ERROR_PCT,
    level: float = 0.90,
) -> pd.DataFrame:
    """Give the moisture of dried samples with its error.

    Question: how much water is in it, and how sure is that?

    Parameters
    ----------
    moistures : DataFrame
        Table `moistures`: sample, of, wet_g, dry_g [g].
    scale_step_g : float
        Step of the scale [g].
    weighing_error_g : float
        What a weighing errs beyond the step [g], one standard deviation.
    drying_error_pct : float
        What the drying itself errs [points of moisture], one standard deviation; the default is
        an assumption.
    level : float
        Level of the interval.

    Returns
    -------
    DataFrame, one row per sample in the order given: sample, of, wet_g, dry_g,
    finished_moisture_pct (water in 100 g as it was), finished_moisture_error_pct, ci_low, ci_high,
    ci_level, df (infinite: errors taken as known), scope ("this sample").

    Raises
    ------
    StudyProblems naming every sample whose weights are impossible: not above 0, or heavier dry
    than wet.

    Range: dried to constant mass; fat, salt and sugar count as dry matter.
    Source: loss of mass on drying (ISO 712 for cereals works the same way at 130 °C).

    >>> dried = pd.DataFrame({"sample": ["s"], "of": ["REF"], "wet_g": [50.0], "dry_g": [40.0]})
    >>> moisture = finished_moisture(dried, drying_error_pct=0)
    >>> moisture[["finished_moisture_pct", "finished_moisture_error_pct"]].round(3).values.tolist()
    [[20.0, 0.074]]
    """
    require_unique(moistures, "sample", table="moistures")
    require_columns(moistures, "of", "wet_g", "dry_g", table="moistures")
    wet = moistures["wet_g"].to_numpy(float)
    dry = moistures["dry_g"].to_numpy(float)
    _refuse_impossible(moistures, wet, dry)
    share = dry / wet
    weighing = scale_error_g(scale_step_g, weighing_error_g) / wet * np.sqrt(1 + share**2)
    error = np.hypot(100 * weighing, drying_error_pct)
    moisture = 100 * (1 - share)
    half = norm.ppf((1 + level) / 2) * error
    return moistures[["sample", "of", "wet_g", "dry_g"]].assign(
        finished_moisture_pct=moisture,
        finished_moisture_error_pct=error,
        ci_low=moisture - half,
        ci_high=moisture + half,
        ci_level=level,
        df=np.inf,
        scope="this sample",
    )


def _refuse_impossible(moistures: pd.DataFrame, wet: np.ndarray, dry: np.ndarray) -> None:
    sample = moistures["sample"].to_numpy()
    problems = [
        Problem(
            "moistures",
            key=f"sample {sample[place]}",
            column="dry_g",
            found=f"wet {wet[place]:g} g, dry {dry[place]:g} g",
            expected="dry above 0 and no heavier than wet",
            mend="look whether the two weights were swapped",
        )
        for place in np.flatnonzero(~((dry > 0) & (dry <= wet)))
    ]
    if problems:
        raise StudyProblems(problems)


def pooled_moisture(samples: pd.DataFrame, *, level: float = 0.90) -> pd.DataFrame:
    """Pool samples of one thing: the mean moisture of each reference, piece or flour lot.

    Question: several samples were dried; what moisture do they give together?

    Parameters
    ----------
    samples : DataFrame
        As `finished_moisture` gives it.
    level : float
        Level of the interval.

    Returns
    -------
    DataFrame, one row per thing in the order first met: of, samples, finished_moisture_pct,
    spread_pct (standard deviation between its samples, empty for one), finished_moisture_error_pct
    (of the mean: the larger of what the samples' own errors and what their spread says), ci_low,
    ci_high, ci_level, df, scope ("these samples").

    Raises
    ------
    StudyProblems if a column is missing.

    Range: samples of one box or bag speak for that box or bag only. Errors of single samples
    count as independent, which one shared oven setting makes a little too hopeful.
    Source: mean of independent values; by definition.

    >>> dried = pd.DataFrame({"sample": ["s", "t"], "of": "REF", "wet_g": 50.0,
    ...     "dry_g": [40.0, 39.0]})
    >>> pooled_moisture(finished_moisture(dried))[["samples", "finished_moisture_pct"]].values
    array([[ 2., 21.]])
    """
    needed = ("of", "finished_moisture_pct", "finished_moisture_error_pct")
    require_columns(samples, *needed, table="samples")
    rows = []
    for name, part in samples.groupby("of", sort=False):
        moisture, count = part["finished_moisture_pct"], len(part)
        spread = float(moisture.std()) if count > 1 else np.nan
        known = float(np.sqrt((part["finished_moisture_error_pct"] ** 2).sum())) / count
        error = np.nanmax([known, spread / np.sqrt(count)])
        half = norm.ppf((1 + level) / 2) * error
        mean = float(moisture.mean())
        rows.append((name, count, mean, spread, error, mean - half, mean + half, level, np.inf))
    columns = ["of", "samples", "finished_moisture_pct", "spread_pct"]
    columns += ["finished_moisture_error_pct", "ci_low", "ci_high", "ci_level", "df"]
    return pd.DataFrame(rows, columns=columns).assign(scope="these samples")
