"""How well a texture meets all that is wanted, as one share: desirability."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, require_columns, require_unique

FLOOR = 0.01
"""A formula that misses one thing wholly still ranks by the rest."""


def degree(values: np.ndarray, low: float, aim: float, high: float) -> np.ndarray:
    """How far values meet one target: 1 at the aim, falling evenly to 0 at low and at high.

    Without a low all below the aim is well, without a high all above it; without an aim all
    between low and high.
    """
    with np.errstate(invalid="ignore"):
        if np.isnan(aim):
            return ((values >= low) & (values <= high)).astype(float)
        rising = np.ones_like(values) if np.isnan(low) else (values - low) / (aim - low)
        falling = np.ones_like(values) if np.isnan(high) else (high - values) / (high - aim)
    return np.clip(np.minimum(rising, falling), 0.0, 1.0)


def refuse_steps(targets: pd.DataFrame) -> None:
    """A share needs two ends: an aim with a low or a high, or a low with a high."""
    problems = []
    for row in targets.to_dict("records"):
        low, aim, high = (float(row[name]) for name in ("low", "aim", "high"))
        ends = [end for end in (low, aim, high) if np.isfinite(end)]
        if len(ends) < 2 or any(a >= b for a, b in pairwise(ends)):
            problems.append(
                Problem(
                    "targets",
                    key=f"attribute {row['attribute']}",
                    found=f"low {low:g}, aim {aim:g}, high {high:g}",
                    expected="for desirability an aim with a low or a high, in rising order",
                    mend="say from where on it is worth nothing, and where it is best",
                )
            )
    if problems:
        raise StudyProblems(problems)


def desirability(values: pd.DataFrame, targets: pd.DataFrame) -> pd.DataFrame:
    """Weigh several wishes into one share between 0 (one of them wholly missed) and 1 (all met).

    Question: which of these textures meets all that is wanted best?

    Parameters
    ----------
    values : DataFrame of numbers
        One column per attribute, one row per texture.
    targets : DataFrame
        Table `targets`: attribute, low, aim, high, weight (1 if empty).

    Returns
    -------
    DataFrame: index of `values`, one column per target: how far it is met (1 at the aim, falling
    evenly to 0 at low and at high; without a low, all below the aim is well, and so on), and
    `overall`, their weighted geometric mean.

    Raises
    ------
    StudyProblems if an attribute has no column, or a target neither two of its ends.

    Range: any; one wish wholly missed makes the overall 0.
    Source: G. Derringer and R. Suich 1980, Journal of Quality Technology 12, 214.

    >>> wanted = pd.DataFrame({"attribute": ["crispness", "chew"], "low": [4.0, 1.0],
    ...     "aim": [8.0, 3.0], "high": [None, 5.0]})
    >>> desirability(pd.DataFrame({"crispness": [6.0], "chew": [3.0]}), wanted).round(3).to_dict()
    {'crispness': {0: 0.5}, 'chew': {0: 1.0}, 'overall': {0: 0.707}}
    """
    require_unique(targets, "attribute", table="targets")
    require_columns(values, *targets["attribute"], table="values")
    ends = ("low", "aim", "high")
    rows = targets.assign(
        **{name: targets[name].astype(float) if name in targets else np.nan for name in ends}
    )
    refuse_steps(rows)
    weight = rows["weight"].fillna(1.0) if "weight" in rows else pd.Series(1.0, index=rows.index)
    met = {
        row.attribute: degree(values[row.attribute].to_numpy(float), row.low, row.aim, row.high)
        for row in rows.itertuples()
    }
    frame = pd.DataFrame(met, index=values.index)
    with np.errstate(divide="ignore"):
        logs = np.log(frame.to_numpy())
    used = weight.to_numpy(float) > 0
    frame["overall"] = np.exp(logs[:, used] @ weight[used].to_numpy(float) / weight[used].sum())
    return frame
