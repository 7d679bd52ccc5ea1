"""Calibration: the starting guesses about an oven bent to one's own weighings."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.baking.ensemble import (
    draw_members,
    independent,
    oven_names,
    simulate_members,
    with_ovens,
)
from doughkit.baking.inputs import oven_bakes, read_bakes
from doughkit.baking.learning import Learnt, learn
from doughkit.baking.misfit import Misfit
from doughkit.baking.scatter import BAKE_ERROR_PCT, learnt_scatter
from doughkit.baking.told import (
    Weighed,
    next_weighing,
    parameters,
    weighings,
    with_unweighed,
)
from doughkit.baking.weighed import bake_loss
from doughkit.tables.problems import OutsideRange, problem_error, require_columns

SCALE_ERROR_PCT = 0.15
"""Error of a loss whose scale is not known: a 1 g step on a piece of 250 g."""
FAR = 2.5
"""From so many standard deviations off our guess, an unknown stands for a misfit of the model."""
SCOPE = "bakes like these"
OVEN_IN_WORDS = {
    "oven_factor": "how strongly it heats",
    "contact_w_m2k": "its contact with the piece",
    "air_factor": "the air's true temperature",
    "support_factor": "the support's true temperature",
    "drift": "how the model strays with time",
}


@dataclass(frozen=True)
class Calibration:
    """Ovens as the weighings leave them.

    parameters: oven (empty for what belongs to the dough), unknown, meaning, guess, guess_low,
        guess_high, told, told_low, told_high (90 %), told_pct (share of the guess's variance that
        the weighings took away), off (standard deviations from guess to told)
    weighings: piece, oven, bake_min, loss_pct, loss_error_pct (bake to bake and weighing), before
        and before_low, before_high (the forecast before any weighing), after, after_low,
        after_high, ci_level, inside_before ("yes" or "no"), remark
    next_weighing: oven, weigh (in words), bake_min, width_now and width_after (of the 90 %
        interval of the loss at the usual bake), longer_now and longer_after (at 1.5 times it)
    """

    parameters: pd.DataFrame
    weighings: pd.DataFrame
    next_weighing: pd.DataFrame
    learnt: Learnt
    misfit: Misfit
    seed: int

    def predict(self, bakes: pd.DataFrame, *, level: float = 0.90) -> pd.DataFrame:
        """Forecast bakes in these ovens.

        Parameters: bakes as `simulate` takes them, with their oven. Returns one row per bake, index
        as given: piece, oven where given, bake_min, loss_pct (median), ci_low, ci_high (of the mean
        of such bakes), next_low, next_high (of one bake), ci_level, scope, water_left_pct,
        water_left_low, water_left_high.
        """
        if not 0 < level < 1:
            raise problem_error(
                "forecast", found=f"level {level:g}", expected="0 to 1", mend="0.90 is nine in ten"
            )
        table, ovens = read_bakes(bakes), oven_names(bakes)
        members = with_ovens(self.learnt.members, ovens, self.seed)
        loss = self.learnt.bend(simulate_members(table, ovens, members)[0].T)
        loss = self.misfit.astray(loss, table, ovens)
        noise = np.random.default_rng([self.seed, 7]).standard_normal(loss.shape)
        dough = (table["water_pct"] + table["dry_pct"]) / 100
        low, high = (1 - level) / 2, (1 + level) / 2
        mid, ci_low, ci_high = np.quantile(loss, [0.5, low, high], axis=0)
        bake_error = self.learnt.scatter.each[:, None]
        one = np.quantile(loss + bake_error * noise, [low, high], axis=0)
        names = [name for name in ("piece", "bake", "dough", "oven") if name in bakes.columns]
        columns = {
            "bake_min": table["bake_min"],
            "loss_pct": mid,
            "ci_low": ci_low,
            "ci_high": ci_high,
            "next_low": one[0],
            "next_high": one[1],
            "ci_level": level,
            "scope": SCOPE,
            "water_left_pct": table["water_pct"] - mid * dough,
            "water_left_low": table["water_pct"] - ci_high * dough,
            "water_left_high": table["water_pct"] - ci_low * dough,
        }
        return pd.concat([bakes[names], pd.DataFrame(columns, index=bakes.index)], axis=1)

    @property
    def bake_error_pct(self) -> float:
        """Spread of the loss from bake to bake [points], as the repeats leave it."""
        return self.learnt.scatter.typical

    def summary(self) -> str:
        """What the weighings told, what they could not, and what to weigh next, in words."""
        weighed = self.weighings["loss_pct"].notna().sum()
        if not weighed:
            return "Nothing weighed yet: every forecast rests on our starting guess, not your oven."
        inside = (self.weighings["inside_before"] == "yes").sum()
        own = self.parameters[self.parameters["oven"] != ""].sort_values("told_pct")
        most, least = own.iloc[-1], own.iloc[0]
        best = self.next_weighing.sort_values("longer_after").iloc[0]
        return (
            f"{weighed} weighings; {inside} of them lie within the 90 % interval of our starting "
            f"guess.{self._strangeness()} They tell most of {most['oven']}: "
            f"{OVEN_IN_WORDS[most['unknown']]} ({most['told_pct']:.0f} % of the doubt gone), "
            f"least of {OVEN_IN_WORDS[least['unknown']]} ({least['told_pct']:.0f} %). Next, "
            f"{best['weigh']}: the 90 % interval of the loss shrinks from "
            f"{best['longer_now']:.1f} to {best['longer_after']:.1f} points at 1.5 times the usual "
            f"time, from {best['width_now']:.2f} to {best['width_after']:.2f} at the usual one."
        )

    def _strangeness(self) -> str:
        """A word of warning where the weighings ask for an oven far from all our guesses."""
        far = self.parameters.loc[self.parameters["off"].abs().idxmax()]
        if abs(far["off"]) < FAR:
            return ""
        return (
            f" They ask for something our model hardly knows ({far['meaning']}: {far['told']:.2g}, "
            f"guessed {far['guess']:.2g}): trust forecasts near the bakes weighed, no further."
        )


def calibrate(
    pieces: pd.DataFrame,
    ovens: pd.DataFrame,
    overview: pd.DataFrame,
    *,
    seed: int,
    members: int = 1000,
    bake_error_pct: float = BAKE_ERROR_PCT,
    weighing_error_g: float = 0.0,
    tell=None,
) -> Calibration:
    """Bend our starting guesses about ovens and crusts to weighed bakes.

    Question: what do my weighings say about my oven, and what would a further one say?

    Parameters
    ----------
    pieces : DataFrame
        Table `pieces`, as `oven_bakes` takes it, with mass_after_g; scale_step_g if known. Pieces
        not weighed count for nothing; none at all leaves the starting guesses.
    ovens, overview : DataFrame
        Table `ovens`; water and dry matter per dough: both as `oven_bakes` takes them. Columns of
        ovens may state the error of a temperature: air_error_c, support_error_c.
    seed : int
        For the members drawn.
    members : int
        How many possible truths to carry.
    bake_error_pct : float
        Guess of the spread of the loss from bake to bake [points], one standard deviation. It is
        held with much doubt (a quarter or four times as much are possible); repeats overrule it.
    weighing_error_g : float
        What a weighing errs beyond the scale's step [g], one standard deviation.
    tell : callable, optional
        Called with (done, all, words) as the simulation goes on.

    Returns
    -------
    Calibration, with frames `parameters`, `weighings`, `next_weighing`, a forecast `predict(bakes)`
    and a `summary()`.

    Raises
    ------
    StudyProblems for impossible weights or bakes, an unknown oven or dough, fewer than 100 members.

    Range: a weighing on a plate says little about a rack, and the other way round; one at the usual
    time little about twice the time. Toppings, a pocket and a contact that fades as the piece lifts
    are not in the model: the unknown `drift` stands for them, and a spread of the forecast that
    grows by 6 % of the loss (25 % if `puffed`) with each doubling of the time (or of the dough on
    an area, or 80 °C) away from the nearest weighed bake.
    Source: linear conditioning of an ensemble with perturbed observations (ensemble smoother), in
    any text on data assimilation; guesses as `starting_guesses` lists them.

    >>> pieces = pd.DataFrame({"piece": ["a", "b"], "dough": "A", "oven": "home", "bake_min": 6.0,
    ...     "mass_before_g": 250.0, "diameter_mm": 290.0, "mass_after_g": [196.0, 199.0]})
    >>> ovens = pd.DataFrame({"oven": ["home"], "air_c": 250.0, "support": ["steel"],
    ...     "support_c": 270.0})
    >>> overview = pd.DataFrame({"dough": ["A"], "water_pct": 76.0, "dry_pct": 88.0})
    >>> home = calibrate(pieces, ovens, overview, seed=1, members=200)
    >>> home.weighings[["loss_pct", "inside_before"]].values.tolist()
    [[21.6, 'yes'], [20.4, 'yes']]
    """
    if members < 100 or not bake_error_pct > 0:
        raise problem_error(
            "calibrate",
            found=f"{members} members, bake_error_pct {bake_error_pct:g}",
            expected="100 or more members, an error above 0",
            mend="leave `members` at 1000 and `bake_error_pct` at 0.5",
        )
    require_columns(pieces, "mass_after_g", table="pieces")
    every = bake_loss(pieces, weighing_error_g=weighing_error_g)
    kept = every["loss_pct"].notna().to_numpy()
    bakes, losses = oven_bakes(pieces[kept], ovens, overview), every[kept]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutsideRange)  # said once already
        bake_loss(pieces[kept], overview)  # refuses more lost than the dough's water
    loss = losses["loss_pct"].to_numpy()
    weighing = losses["loss_error_pct"].fillna(SCALE_ERROR_PCT).to_numpy()
    weighed = Weighed(bakes, tell)
    rng = np.random.default_rng([seed, 1])
    drawn = draw_members(list(dict.fromkeys(weighed.ovens)), members, rng)
    scatter = learnt_scatter(weighed.scatter(loss), weighing, bake_error_pct, members, rng)
    runs: list[np.ndarray] = []

    def simulate(truths):
        runs.append(weighed.simulate(truths))
        return runs[-1]

    learnt = learn(drawn, simulate, (loss, weighing), scatter, rng)
    misfit = Misfit(weighed.table, weighed.ovens, independent(rng, members, 1)[:, 0])
    error = np.hypot(scatter.typical, weighing)
    told = weighings(bakes, losses.assign(loss_error_pct=error), runs[0], learnt.bend(runs[-1]))
    return Calibration(
        parameters=parameters(learnt, bakes),
        weighings=with_unweighed(told, pieces, every),
        next_weighing=next_weighing(bakes, learnt, misfit),
        learnt=learnt,
        misfit=misfit,
        seed=seed,
    )
