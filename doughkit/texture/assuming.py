"""The regression of texture with starting assumptions: for few doughs and for old records."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doughkit.fitting.assumptions import starting_assumptions
from doughkit.fitting.design import checked_level
from doughkit.fitting.shrinkage import fit_shrinkage
from doughkit.texture.assumed import AssumedFit, AssumedSurface
from doughkit.texture.ground import ground_of
from doughkit.texture.table import piece_table

TASTE = 0.95 / 8
"""One person's straying from one serving to the next, as a share of the scale, and how many
degrees of freedom that guess is worth beside the panel's own."""
TASTE_DF = 5.0
MEASURED_SPAN = 1.6
"""The declared scale of a rated attribute is about this many times the range its breads show; a
measured property has no declared scale, so its own is made in the same proportion."""
MEASURED = {"day": 1.5, "misfit": 2.0}
MEASURED_LOG_SD = 1.0
"""Of a measured property days may differ more, since nobody compares them in his mind, and it may
bend more than a rating, which its scale holds; and of its spreads little is known beforehand."""


def fit_assuming(
    values: pd.DataFrame,
    doughs: pd.DataFrame,
    pieces: pd.DataFrame,
    factors: pd.DataFrame,
    *,
    scales: Mapping[str, tuple[float, float]] | None = None,
    covariance: Mapping[str, pd.DataFrame] | None = None,
    assumptions: pd.DataFrame | None = None,
    level: float = 0.90,
) -> AssumedFit:
    """Fit each attribute as a quadratic over the factors, beginning from starting assumptions.

    Question: what do these few doughs say of texture, beside what could be guessed before them?

    Parameters
    ----------
    values : DataFrame
        attribute, piece, mean: one value per piece and attribute (`panel.piece_means(...).means`,
        or measured columns through `measured`); tasting, if known, is the day they share.
    doughs : DataFrame
        Table `doughs`: dough, kind, status, one column per dough factor.
    pieces : DataFrame
        Table `pieces`: piece, dough, one column per piece factor; bake_day if known.
    factors : DataFrame
        Table `factors`.
    scales : mapping attribute → (low, high), optional
        The declared scale. Left out, 1.6 times the range shown, around its middle.
    covariance : mapping attribute → frame piece × piece, optional
        As `panel.piece_means(...).covariance` gives it: what tasting leaves open.
    assumptions : DataFrame, optional
        As `fitting.starting_assumptions` gives.
    level : float
        Share of intervals that should hold.

    Returns
    -------
    AssumedFit: effects, spreads, figures, left_out, design; `predict`, `draws`, `summary`. Days,
    doughs and pieces have their own spreads. Breads without levels (the reference, a control) have
    a level of their own and help to tell the days apart. The panel's own disagreement tells the
    error of tasting, corrected by a guess worth 5 degrees of freedom; the spread of pieces rests on
    its assumption and on the residuals.

    Raises
    ------
    StudyProblems as `texture.fit`, except that no number of doughs is too small and factors may
    travel together: what can't be told apart stays as unsure as it was assumed to be.

    Range: this panel's long-run mean; the surface is a quadratic, and a misfit is added to the
    interval. A factor that was never moved keeps its assumption.

    Source: as `fitting.fit_shrinkage`.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABC"), "salt_pct": [1.0, 2.0, 3.0]})
    >>> pieces = pd.DataFrame({"piece": list("abc"), "dough": list("ABC")})
    >>> values = pd.DataFrame({"attribute": "crispness", "piece": list("abc"),
    ...     "mean": [3.0, 4.0, 6.0]})
    >>> found = fit_assuming(values, doughs, pieces, factors, scales={"crispness": (1, 9)})
    >>> found.effects[["term", "low_to_high", "share_from_assumptions"]].round(1).values.tolist()
    [['salt_pct', 2.4, 0.1], ['salt_pct²', 0.3, 0.2]]
    """
    level = checked_level(level)
    table = piece_table(values, doughs, pieces, factors, block=None)
    ground = ground_of(table, values, doughs, pieces, factors)
    surfaces = {}
    for attribute, part in ground.values.groupby("attribute", sort=False, observed=True):
        part = part.reset_index(drop=True)
        scale = (scales or {}).get(attribute) or shown_span(part["mean"])
        design, groups = ground.rows(part)
        noise = taste_noise(part, (covariance or {}).get(attribute), scale)
        fitted = fit_shrinkage(
            design,
            part[["mean"]].set_axis([attribute], axis=1),
            groups,
            kinds=ground.kinds,
            scales={attribute: scale},
            assumptions=assumptions if noise is not None else loosened(assumptions),
            noise={} if noise is None else {attribute: noise},
            level=level,
        )
        surfaces[attribute] = AssumedSurface(ground, fitted, attribute, scale)
    design = table.rows.drop(columns=["status", "block"], errors="ignore")
    return AssumedFit(table.left_out, design, level, surfaces)


def loosened(assumptions: pd.DataFrame | None) -> pd.DataFrame:
    """What is assumed of a measured property: hardly anything of its spreads."""
    frame = starting_assumptions() if assumptions is None else assumptions
    times = frame["assumption"].map(MEASURED).fillna(1.0)
    loose = frame["assumption"].isin(["day", "dough", "piece"]) & frame["log_sd"].gt(0)
    wide = frame["log_sd"].clip(lower=MEASURED_LOG_SD)
    return frame.assign(share=frame["share"] * times, log_sd=frame["log_sd"].where(~loose, wide))


def shown_span(values: pd.Series) -> tuple[float, float]:
    """A scale for a property that declares none, from the range that it showed."""
    low, high = float(values.min()), float(values.max())
    half = MEASURED_SPAN * (high - low) / 2 or max(abs(high), 1.0)
    return (low + high) / 2 - half, (low + high) / 2 + half


def taste_noise(part: pd.DataFrame, covariance: pd.DataFrame | None, scale) -> np.ndarray | None:
    """What tasting leaves open of these pieces, a guess of it mixed in; nothing if measured."""
    guess = TASTE * (scale[1] - scale[0])
    people = part.get("assessors", pd.Series(np.nan, index=part.index)).to_numpy(float)
    if covariance is None:
        return np.diag(guess**2 / people) if np.isfinite(people).all() else None
    known = covariance.loc[part["piece"], part["piece"]].to_numpy(float)
    df = float(part["df"].iloc[0]) if "df" in part.columns else np.inf
    own = np.diag(known) * people
    if not df > 0 or not np.isfinite(own).all():
        return np.diag(guess**2 / people)
    single = float(np.median(own))
    if not np.isfinite(df):
        return known
    mixed = (df * single + TASTE_DF * guess**2) / (df + TASTE_DF)
    if not single > 0:
        return np.diag(mixed / people)
    return known * mixed / single
