"""Published bakes beside the untuned simulation: how far its starting guesses may be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from doughkit.baking.ensemble import draw_members, independent, simulate_members
from doughkit.baking.inputs import read_bakes
from doughkit.baking.learning import learn
from doughkit.baking.misfit import Misfit
from doughkit.baking.scatter import known_scatter
from doughkit.tables.problems import nearest, problem_error

CSV = Path(__file__).parent / "published.csv"
LEVEL = 0.90
DISC_MM = 300.0
"""Any round piece will do: only the dough on an area counts."""
PUFFS = "puffs into two layers: outside the model's range"
LOAF = "a loaf: outside the model's range"
READING_ERROR_PCT = 0.5
"""What a published loss errs from bake to bake [points], one standard deviation; assumed."""


@dataclass(frozen=True)
class PublishedBakes:
    """Published losses and what the untuned simulation would have forecast.

    bakes: one row per published bake: bake, series, product, grade (A weighed with conditions … D
        derived), flat ("yes", or "no" for a loaf, outside the model's range), loss_pct, loss_low,
        loss_high (as published), forecast_pct, forecast_low, forecast_high (untuned, ci_level
        0.90), inside ("yes", "no": the published loss or its range meets the interval),
        from_the_others_pct, from_the_others_low, from_the_others_high (of a series: forecast once
        its other members are known; else empty), inside_series, remark (why the model's range does
        not hold it, else empty), assumed, source
    """

    bakes: pd.DataFrame

    def summary(self) -> str:
        """How many lie inside, and which do not."""
        inside = self.bakes["inside"] == "yes"
        puffs = self.bakes["remark"] == PUFFS
        series = self.bakes[self.bakes["inside_series"].notna()]
        missed = ", ".join(series.loc[series["inside_series"] == "no", "bake"]) or "none"
        outside = "; ".join(
            f"{row.bake} (published {row.loss_pct:.1f} %, forecast {row.forecast_low:.1f} to "
            f"{row.forecast_high:.1f} %)"
            for row in self.bakes[~inside].itertuples()
        )
        return (
            f"{inside.sum()} of {len(inside)} published losses lie in the untuned 90 % interval, "
            "which is wide, and whose oven, time or dough on an area had mostly to be assumed. "
            f"Of the {(~puffs).sum()} that do not puff into two layers, {inside[~puffs].sum()} lie "
            f"inside; of the {puffs.sum()} that do, {inside[puffs].sum()}: among flames they lose "
            "more than a slab without a pocket can, so weigh your own before you trust a forecast. "
            f"Outside: {outside or 'none'}. Not forecast within 90 % from the others of its "
            f"series: {missed}, where those that puff are given a width chosen after one of them "
            "had been missed."
        )


def published_bakes(*, seed: int, members: int = 200, only: str = "") -> PublishedBakes:
    """Put published losses beside what the untuned simulation would have forecast.

    Question: what is the simulation worth before anything is weighed?

    Parameters
    ----------
    seed : int
        For the members drawn.
    members : int
        How many possible truths to carry.
    only : str
        Part of the names of the bakes to look at; else all.

    Returns
    -------
    PublishedBakes, with the frame `bakes` and a `summary()` that says how many lie inside and which
    do not.

    Raises
    ------
    StudyProblems if no bake has such a name.

    Range: no published bake gives oven, time, dough on an area and loss together, so most
    conditions are assumed, with their own doubt in the interval; it tests plausibility, no more.
    Source: named with each row.

    >>> published = published_bakes(seed=1, members=40, only="cracker")
    >>> published.bakes[["bake", "loss_pct", "inside"]].values.tolist()
    [['soda cracker', 20.9, 'yes']]
    """
    bakes = read_published()
    chosen = bakes[bakes["bake"].str.contains(only, regex=False)].reset_index(drop=True)
    if chosen.empty:
        raise problem_error(
            "published bakes",
            found=repr(only),
            expected="a part of a bake's name",
            mend=nearest(only, bakes["bake"]) or "leave `only` empty to see them all",
        )
    bakes = chosen
    names = bakes["series"].where(bakes["series"] != "", bakes["bake"])
    forecast = np.empty((members, len(bakes)))
    others = np.full((3, len(bakes)), np.nan)
    for place, series in enumerate(dict.fromkeys(names)):
        rows = np.flatnonzero(names == series)
        part = bakes.iloc[rows].assign(oven=series)
        drawn = draw_members([series], members, np.random.default_rng([seed, place]))
        forecast[:, rows] = _losses(part, drawn)
        if len(rows) > 1:
            others[:, rows] = _from_the_others(part, drawn, forecast[:, rows], [seed, place, 1])
    return PublishedBakes(_beside(bakes, forecast, others))


def read_published() -> pd.DataFrame:
    """The published bakes with their conditions as `simulate` wants them."""
    bakes = pd.read_csv(CSV).fillna({"series": ""})
    area = np.pi / 4 * (DISC_MM / 1e3) ** 2
    grams = 1e3 * bakes["mass_kg_m2"] * area
    return bakes.assign(
        diameter_mm=DISC_MM,
        mass_before_g=grams,
        mass_error_g=grams * bakes["mass_error_share"],
    )


def _losses(part: pd.DataFrame, members) -> np.ndarray:
    table = read_bakes(part, warn=False)
    return simulate_members(table, list(part["oven"]), members)[0].T


def _from_the_others(part: pd.DataFrame, drawn, guessed, seed: list[int]) -> np.ndarray:
    """Median and interval of each member of a series, once the others are known."""
    out = np.empty((3, len(part)))
    for place in range(len(part)):
        rest = part.drop(part.index[place])
        known = np.delete(guessed, place, axis=1)
        rng = np.random.default_rng([*seed, place])
        learnt = learn(
            drawn,
            lambda m, rest=rest, known=known: known if m is drawn else _losses(rest, m),
            (rest["loss_pct"].to_numpy(), np.zeros(len(rest))),
            known_scatter(READING_ERROR_PCT, drawn.count),
            rng,
        )
        one = part.iloc[[place]]
        told = learnt.bend(_losses(one, learnt.members))
        table, others = read_bakes(one, warn=False), read_bakes(rest, warn=False)
        misfit = Misfit(others, list(rest["oven"]), independent(rng, drawn.count, 1)[:, 0])
        told = misfit.astray(told, table, list(one["oven"]))[:, 0]
        out[:, place] = _interval(told, np.random.default_rng([*seed, place, 1]))
    return out


def _interval(values: np.ndarray, rng) -> np.ndarray:
    """Median and 90 % interval of one such bake, its own spread included."""
    one = values + READING_ERROR_PCT * rng.standard_normal(values.shape)
    return np.quantile(one, [0.5, (1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)


def _beside(bakes: pd.DataFrame, forecast: np.ndarray, others: np.ndarray) -> pd.DataFrame:
    untuned = _interval(forecast, np.random.default_rng(0))
    low = bakes["loss_low"].fillna(bakes["loss_pct"])
    high = bakes["loss_high"].fillna(bakes["loss_pct"])
    kept = ["bake", "series", "product", "grade", "flat", "loss_pct", "loss_low", "loss_high"]
    out = bakes[kept].copy()
    for name, values in (("forecast", untuned), ("from_the_others", others)):
        for end, row in zip(("pct", "low", "high"), values, strict=True):
            out[f"{name}_{end}"] = row
    out["ci_level"] = LEVEL
    meets = (high >= out["forecast_low"]) & (low <= out["forecast_high"])
    out["inside"] = np.where(meets, "yes", "no")
    meets = (high >= out["from_the_others_low"]) & (low <= out["from_the_others_high"])
    in_series = pd.Series(np.where(meets, "yes", "no"), out.index, dtype="str")
    out["inside_series"] = in_series.where(bakes["series"] != "")
    remark = np.where(bakes["flat"] == "no", LOAF, "")
    remark = np.where(bakes["puffed"].eq("yes"), PUFFS, remark)
    return out.assign(remark=remark, assumed=bakes["assumed"], source=bakes["source"])
