"""The hydration that leaves a reference's water, with what is not known carried along."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.baking.bookkeeping import HOLDS
from doughkit.baking.calibrate import Calibration
from doughkit.baking.ensemble import oven_names, spread_out, with_ovens
from doughkit.baking.helps import shares_of_doubt, what_helps
from doughkit.baking.inputs import read_bakes
from doughkit.baking.known import reference_moisture
from doughkit.baking.run import run
from doughkit.tables.problems import OutsideRange, problem_error, require_columns

TRIED = np.array([-20.0, -5.0, 10.0, 25.0, 45.0])
"""Points of hydration off the own dough's at which the own bake is simulated."""
TIMES = (0.7, 0.85, 1.0, 1.2, 1.5)
"""Bake times of the curve, as shares of the own bake's."""
LEVELS = (0.50, 0.90)
NOT_CRISPNESS = "The same water is not the same crispness: tasting picks the point on the curve."


@dataclass(frozen=True)
class HydrationMatch:
    """The hydration that leaves the reference's water in one's own oven.

    hydration: one row per level (0.5, 0.9): bake_min, hydration_now_pct, hydration_pct (median),
        ci_low, ci_high, ci_level, scope, hold
    curve: one row per bake time: bake_min, hydration_pct, half_low, half_high (50 %), low, high
        (90 %), loss_pct (of a dough of that hydration), water_left_pct (per 100 flour)
    shares: doubt_from (the reference, the own oven, the rest), share_pct of the variance
    helps: step (in words), width_now, width_after (90 % interval of the hydration), best first
    """

    hydration: pd.DataFrame
    curve: pd.DataFrame
    shares: pd.DataFrame
    helps: pd.DataFrame
    known: str
    """How the reference's water is known, in words."""

    def summary(self) -> str:
        """The hydration, how sure it is, what the doubt comes from and what to do, in words."""
        half, nine = (self.hydration.iloc[row] for row in (0, 1))
        share = self.shares.set_index("doubt_from")["share_pct"]
        best = self.helps.iloc[0]
        return (
            f"To leave as much water as the reference ({self.known}) in a bake of "
            f"{nine['bake_min']:g} min, holding {nine['hold']}: hydration "
            f"{nine['hydration_pct']:.1f} %, half of the chances between {half['ci_low']:.1f} and "
            f"{half['ci_high']:.1f}, nine in ten between {nine['ci_low']:.1f} and "
            f"{nine['ci_high']:.1f}; it is now {nine['hydration_now_pct']:.1f} %. Of the doubt, "
            f"{share['the reference']:.0f} % comes from the reference, {share['the own oven']:.0f} "
            f"% from the own oven. {best['step'].capitalize()}: the 90 % interval shrinks from "
            f"{best['width_now']:.1f} points to {best['width_after']:.1f}. {NOT_CRISPNESS}"
        )


def match_hydration(
    own: pd.DataFrame,
    reference: pd.DataFrame,
    calibration: Calibration,
    *,
    hold: str,
    seed: int,
    bake_min=None,
    tell=None,
) -> HydrationMatch:
    """Find the hydration that leaves the reference's water in one's own bake, and how sure it is.

    Question: their oven is hotter and their bake shorter; how much wetter must my dough be?

    Parameters
    ----------
    own : DataFrame
        One row, as `oven_bakes` gives it: the own bake, its oven among the calibrated ones, with
        hydration_pct, water_pct and dry_pct of the dough as it is now.
    reference : DataFrame
        One row with what is known of it, the first that is complete counts:
        finished_moisture_pct and finished_moisture_error_pct (dried samples, `pooled_moisture`);
        loss_pct, loss_error_pct, water_pct, dry_pct (its weighed bake and its formula); or a bake
        as `simulate` takes it with water_pct and dry_pct, from which its loss is simulated with
        our starting guesses: a wide answer. bake_error_min, air_error_c, support_error_c,
        mass_error_g may state how well its bake is known, as standard deviations.
    calibration : Calibration
        From `calibrate`; of no weighings, if there are none yet.
    hold : str
        What stays the same as hydration changes, "flour per area" or "dough mass per piece" (on a
        fixed area). There is no default: it changes the answer.
    seed : int
        For what is drawn of the reference.
    bake_min : sequence of float, optional
        Bake times of the curve [min]; else 0.7 to 1.5 times the own bake's.
    tell : callable, optional
        Called with (done, all, words) as the simulation goes on.

    Returns
    -------
    HydrationMatch, with frames `hydration`, `curve`, `shares`, `helps` and a `summary()`.

    Raises
    ------
    StudyProblems if `hold` is neither of the two, `own` or `reference` is not one row, or too
    little is known of the reference.

    Range: 20 points below to 45 above the own dough's hydration, beyond that along a straight
    line; otherwise as `simulate`. Same water left is not same crispness.
    Source: mass balance (water left = D·w/(1−w), D the own dry matter, w the reference's moisture)
    on simulated losses; conditioning as in `calibrate`.

    >>> from doughkit.baking import calibrate
    >>> pieces = pd.DataFrame({"piece": ["a", "b"], "dough": "A", "oven": "home", "bake_min": 6.0,
    ...     "mass_before_g": 250.0, "diameter_mm": 290.0, "mass_after_g": [206.0, 208.0]})
    >>> ovens = pd.DataFrame({"oven": ["home"], "air_c": 250.0, "support": ["steel"],
    ...     "support_c": 270.0})
    >>> overview = pd.DataFrame({"dough": ["A"], "water_pct": 76.0, "dry_pct": 88.0,
    ...     "hydration_pct": 62.0})
    >>> home = calibrate(pieces, ovens, overview, seed=1, members=200)
    >>> own = pieces.merge(ovens, on="oven").merge(overview, on="dough").iloc[[0]]
    >>> dried = pd.DataFrame({"finished_moisture_pct": [38.0], "finished_moisture_error_pct": 0.5})
    >>> match = match_hydration(own, dried, home, hold="flour per area", seed=1)
    >>> bool(match.hydration["ci_low"].gt(62).all())
    True
    """
    table, times = _checked(own, reference, hold, bake_min)
    oven = oven_names(own)[0]
    members = with_ovens(calibration.learnt.members, [oven], calibration.seed)
    moisture = reference_moisture(reference, members, np.random.default_rng([seed, 3]), tell)
    left = own_water_left(table, oven, members, hold, times, tell)
    bent = calibration.learnt.bend(np.concatenate([left, moisture.would[:, None]], axis=1))
    left, would = bent[:, :-1].reshape(len(left), len(times), len(TRIED)), bent[:, -1]
    left = _astray(left, calibration, table, oven, times)
    wanted = table["dry_pct"][0] * would / (1 - would)
    needed = own["hydration_pct"].to_numpy(float)[0] + solve_added(left, wanted)
    at = int(np.abs(times - table["bake_min"][0]).argmin())
    doubt = needed[:, at]
    _warn_far(float(np.median(doubt)) - own["hydration_pct"].iloc[0])
    dough = table["water_pct"][0] + table["dry_pct"][0]
    now = interpolate_zero(left[:, at])
    error = calibration.bake_error_pct / 100 * dough
    longer = interpolate_zero(left[:, -1])
    return HydrationMatch(
        hydration=_intervals(doubt, own, times[at], hold),
        curve=_curve(needed, wanted, times, own, table),
        shares=shares_of_doubt(doubt, own_sources(oven, members, calibration), moisture),
        helps=what_helps(doubt, would, (now, longer, error), (times[at], times[-1]), moisture),
        known=moisture.words,
    )


def _checked(own, reference, hold: str, bake_min) -> tuple[dict, np.ndarray]:
    if hold not in HOLDS:
        raise problem_error(
            "match",
            column="hold",
            found=repr(hold),
            expected=" or ".join(repr(one) for one in HOLDS),
            mend="say what is the same on your peel when hydration changes",
        )
    for name, frame in (("own bakes", own), ("reference", reference)):
        if len(frame) != 1:
            raise problem_error(
                name, found=f"{len(frame)} rows", expected="one row", mend="choose one: .iloc[[0]]"
            )
    require_columns(own, "hydration_pct", table="own bakes")
    table = read_bakes(own)
    usual = table["bake_min"][0]
    asked = np.multiply(TIMES, usual) if bake_min is None else np.array(bake_min, float)
    times = np.sort(np.atleast_1d(asked))
    if not (times > 0).all():
        raise problem_error(
            "match",
            column="bake_min",
            found=", ".join(f"{one:g}" for one in times),
            expected="bake times above 0",
            mend="give minutes in the oven",
        )
    if not np.isclose(times, usual).any():
        times = np.sort(np.append(times, usual))
    return table, times


def _warn_far(added: float) -> None:
    if not TRIED[0] <= added <= TRIED[-1]:
        text = (
            f"the match asks for {added:+.0f} points of hydration; simulated were {TRIED[0]:+.0f} "
            f"to {TRIED[-1]:+.0f}: beyond, it follows a straight line. Is the reference so dry or "
            "so wet?"
        )
        warnings.warn(text, OutsideRange, stacklevel=3)


def own_water_left(table, oven, members, hold: str, times: np.ndarray, tell) -> np.ndarray:
    """Water left per 100 flour: (members, times × hydrations tried)."""
    tried = {name: np.repeat(values, len(TRIED)) for name, values in table.items()}
    water = np.maximum(table["water_pct"][0] + TRIED, 5)
    dough = table["dry_pct"][0] + water
    tried["water_pct"] = water
    tried["bake_min"] = np.full(len(TRIED), times.max())
    if hold == HOLDS[0]:
        more = dough / (table["dry_pct"][0] + table["water_pct"][0])
        tried["mass_kg_m2"] = tried["mass_kg_m2"] * more
        tried["thickness_mm"] = tried["thickness_mm"] * more
    many = spread_out(tried, [oven] * len(TRIED), members)
    out = run(many, at=tuple(times / times.max()), grid="rough", tell=tell)
    loss = (out["lost_kg_m2"] / many["mass_kg_m2"]).reshape(len(times), len(TRIED), members.count)
    left = water[:, None] - loss * dough[:, None]
    return left.transpose(2, 0, 1).reshape(members.count, -1)


def _astray(left, calibration: Calibration, table: dict, oven: str, times: np.ndarray):
    """Water left, once each member's loss strays as it may away from the weighed bakes."""
    water = np.maximum(table["water_pct"][0] + TRIED, 5)
    bakes = {name: np.repeat(values, len(times)) for name, values in table.items()}
    bakes["bake_min"] = times
    ovens = [oven] * len(times)
    lost = [
        calibration.misfit.astray(one, bakes, ovens) for one in np.moveaxis(water - left, -1, 0)
    ]
    return water - np.stack(lost, axis=-1)


def own_sources(oven: str, members, calibration: Calibration) -> tuple[np.ndarray, np.ndarray]:
    """Independent draws behind the own oven (its unknowns, its weighings) and behind the rest."""
    drawn = calibration.learnt.drawn
    known = drawn if oven in drawn.owners() else members
    others = [name for name in drawn.owners() if name != oven]
    own = [known.matrix([oven]), calibration.learnt.noise, calibration.misfit.chance[:, None]]
    return np.hstack(own), drawn.matrix(others)


def solve_added(left: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Points of hydration to add so that `wanted` water is left: (members, times)."""
    slope = np.maximum(np.diff(left, axis=-1), 1e-3) / np.diff(TRIED)
    reached = (wanted[:, None, None] >= left[:, :, 1:-1]).sum(axis=-1)
    low = np.take_along_axis(left, reached[..., None], axis=-1)[..., 0]
    steep = np.take_along_axis(slope, reached[..., None], axis=-1)[..., 0]
    return TRIED[reached] + (wanted[:, None] - low) / np.maximum(steep, 0.1)


def interpolate_zero(left: np.ndarray) -> np.ndarray:
    """Water left in the own dough as it is: (members,)."""
    place = int(np.searchsorted(TRIED, 0)) - 1
    share = -TRIED[place] / (TRIED[place + 1] - TRIED[place])
    return left[:, place] * (1 - share) + left[:, place + 1] * share


def _intervals(needed, own, minutes: float, hold: str) -> pd.DataFrame:
    rows = []
    for level in LEVELS:
        low, mid, high = np.quantile(needed, [(1 - level) / 2, 0.5, (1 + level) / 2])
        now = own["hydration_pct"].iloc[0]
        rows.append((minutes, now, mid, low, high, level, "bakes like these", hold))
    names = ["bake_min", "hydration_now_pct", "hydration_pct", "ci_low", "ci_high", "ci_level"]
    return pd.DataFrame(rows, columns=[*names, "scope", "hold"])


def _curve(needed, wanted, times: np.ndarray, own, table: dict) -> pd.DataFrame:
    low, half_low, mid, half_high, high = np.quantile(needed, [0.05, 0.25, 0.5, 0.75, 0.95], axis=0)
    water = table["water_pct"][0] + mid - own["hydration_pct"].iloc[0]
    left = np.median(wanted)
    return pd.DataFrame(
        {
            "bake_min": times,
            "hydration_pct": mid,
            "half_low": half_low,
            "half_high": half_high,
            "low": low,
            "high": high,
            "loss_pct": 100 * (water - left) / (water + table["dry_pct"][0]),
            "water_left_pct": left,
        }
    )
