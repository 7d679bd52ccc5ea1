"""Repeats pooled: the loss of a dough or a bake from several pieces, with the right unit."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import t

from doughkit.tables.problems import problem_error, require_columns, require_unique


def pooled_loss(
    losses: pd.DataFrame,
    pieces: pd.DataFrame,
    *,
    by: tuple[str, ...] = ("dough", "bake_min"),
    level: float = 0.90,
) -> pd.DataFrame:
    """Pool repeated bakes: mean loss per dough and bake time, or whatever `by` names.

    Question: what does this bake take on average, and how sure is that?

    Parameters
    ----------
    losses : DataFrame
        As `bake_loss` gives it.
    pieces : DataFrame
        Table `pieces`, for the columns in `by`.
    by : tuple of str
        Columns of `pieces` that make a group. With "dough" among them the pieces of a dough are
        the repeats; without it each dough first gets its mean and the doughs are the repeats.
    level : float
        Level of the interval.

    Returns
    -------
    DataFrame, one row per group in the order first met: the columns of `by`, repeats (pieces, or
    doughs), pieces, loss_pct, spread_pct (standard deviation between repeats, pooled over all
    groups), loss_error_pct (of the mean), ci_low, ci_high, ci_level, df, scope ("pieces of this
    dough", "doughs like these", or "these pieces as weighed" where nothing was repeated: then only
    the scale's error is known), water_left_pct, finished_moisture_pct. Pieces without a loss do
    not count and make no group.

    Raises
    ------
    StudyProblems if a column is missing or no piece has a loss.

    Range: the spread is taken to be alike in all groups; without "dough" in `by` it holds what
    the doughs' formulas do to the loss as well as chance.
    Source: pooled variance over groups, Student's t.

    >>> from doughkit.baking.weighed import bake_loss
    >>> pieces = pd.DataFrame({"piece": list("abc"), "dough": "A", "bake_min": 6.0,
    ...     "mass_before_g": 200.0, "mass_after_g": [160.0, 158.0, 162.0]})
    >>> pooled = pooled_loss(bake_loss(pieces, scale_step_g=1), pieces)
    >>> pooled[["repeats", "loss_pct", "spread_pct", "df"]].values.tolist()
    [[3.0, 20.0, 1.0, 2.0]]
    """
    by = [by] if isinstance(by, str) else list(by)
    require_columns(losses, "piece", "dough", "loss_pct", "loss_error_pct", table="losses")
    require_unique(pieces, "piece", table="pieces")
    require_columns(pieces, *by, table="pieces")
    keys = pieces[["piece", *(name for name in by if name != "dough")]]
    table = losses.merge(keys, on="piece", how="left")
    table = table[table["loss_pct"].notna()]
    if table.empty:
        raise problem_error(
            "losses",
            column="loss_pct",
            found="no piece with a loss",
            expected="at least one piece weighed before and after",
            mend="weigh a piece before and after its bake",
        )
    values = ["loss_pct", "water_left_pct", "finished_moisture_pct"]
    unit = by if "dough" in by else [*by, "dough"]
    table = table.assign(pieces=1, variance=table["loss_error_pct"] ** 2)
    sums = table.groupby(unit, sort=False, dropna=False, as_index=False)
    units = table if "dough" in by else _means(sums, values)
    return _groups(units, by, values, level)


def _means(sums, values: list[str]) -> pd.DataFrame:
    """Dough means: pieces counted, the scale's variance of the mean."""
    means = sums[values].mean()
    counted = sums[["pieces", "variance"]].sum(min_count=1)
    variance = counted["variance"] / counted["pieces"] ** 2
    return means.assign(pieces=counted["pieces"], variance=variance)


def _groups(units: pd.DataFrame, by: list[str], values: list[str], level: float) -> pd.DataFrame:
    grouped = units.groupby(by, sort=False, dropna=False, as_index=False)
    means = grouped[values].mean()
    repeats = grouped.size()["size"].to_numpy()
    counted = grouped[["pieces", "variance"]].sum(min_count=1)
    degrees = float((repeats - 1).sum())
    own = grouped["loss_pct"].transform("mean")
    left = float(((units["loss_pct"] - own) ** 2).sum())
    if degrees:
        spread = np.sqrt(left / degrees)
        error = spread / np.sqrt(repeats)
        scope = "pieces of this dough" if "dough" in by else "doughs like these"
    else:
        spread, degrees, scope = np.nan, np.inf, "these pieces as weighed"
        error = np.sqrt(counted["variance"].to_numpy()) / repeats
    half = t.ppf((1 + level) / 2, degrees) * error
    result = means[by].assign(repeats=repeats, pieces=counted["pieces"].astype(int))
    return result.assign(
        loss_pct=means["loss_pct"],
        spread_pct=spread,
        loss_error_pct=error,
        ci_low=means["loss_pct"] - half,
        ci_high=means["loss_pct"] + half,
        ci_level=level,
        df=degrees,
        scope=scope,
        water_left_pct=means["water_left_pct"],
        finished_moisture_pct=means["finished_moisture_pct"],
    )
