"""Invented kitchens whose truth is known, to ask how often an interval holds what it claims."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.baking.ensemble import draw_members
from doughkit.baking.inputs import guesses, read_bakes, supports
from doughkit.baking.match import TRIED, solve_added
from doughkit.baking.run import run

USUAL_MIN = {"steel": 5.0, "iron": 5.0, "tray": 8.0, "stone": 6.0, "rack": 9.0, "brick": 2.5}
WORLDS = ("as the model", "contact fades", "puffs", "weighed badly")
LONGER = 1.5


def draw_bakes(count: int, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What each kitchen says of its own bake and of the reference's."""
    draw = np.random.default_rng(seed)
    support = draw.choice(list(USUAL_MIN), count)
    air_c = draw.uniform(215, 285, count) + 120 * (support == "brick")
    area = draw.uniform(2.5, 5.0, count)
    own = pd.DataFrame(
        {
            "oven": "home",
            "support": support,
            "air_c": air_c,
            "support_c": air_c + draw.uniform(-15, 20, count),
            "bake_min": [USUAL_MIN[one] for one in support] * draw.uniform(0.8, 1.25, count),
            "diameter_mm": 290.0,
            "mass_before_g": area * np.pi / 4 * 0.29**2 * 1e3,
            "thickness_mm": area / draw.uniform(0.42, 0.62, count),
            "dry_pct": 89.0,
            "hydration_pct": draw.uniform(56, 70, count),
        }
    )
    own["water_pct"] = own["hydration_pct"] + 14
    hearth = own.assign(
        oven="hearth",
        support="brick",
        air_c=draw.uniform(400, 470, count),
        support_c=draw.uniform(380, 440, count),
        bake_min=draw.uniform(1.0, 1.8, count),
    )
    return own, hearth


def with_truth(bakes: pd.DataFrame, scores: dict, oven: str) -> pd.DataFrame:
    """Bakes with the unknowns as they truly are, one member of the guesses a row."""
    out = bakes.copy()
    for name, guess in guesses().iterrows():
        score = scores[oven if guess["belongs_to"] == "oven" else "", name]
        typical = guess["typical"]
        if name == "contact_w_m2k":
            typical = supports()["contact_w_m2k"].reindex(out["support"]).to_numpy()
        spread = guess["spread"]
        value = (
            typical * np.exp(spread * score)
            if guess["kind"] == "factor"
            else typical + spread * score
        )
        if spread:
            out[name] = np.clip(value, guess["low"], guess["high"])
    return out


class Kitchens:
    """Kitchens with their truth: losses, the reference's moisture, the hydration needed."""

    def __init__(self, count: int, seed: int, world: str):
        self.world, self.count = world, count
        self.own, self.hearth = draw_bakes(count, seed)
        scores = draw_members(["home", "hearth"], count, np.random.default_rng([seed, 1])).scores
        self.draw = np.random.default_rng([seed, 2])
        truth = with_truth(self.own, scores, "home")
        if world == "contact fades":
            truth["contact_fade_min"] = truth["bake_min"] * self.draw.uniform(0.5, 2.0, count)
        self.puffed = self.draw.uniform(0, 0.12, count) * (world == "puffs")
        self.loss, self.longer_loss = self._losses(truth)
        hearth_loss, _ = self._losses(with_truth(self.hearth, scores, "hearth"))
        dough = self.own["dry_pct"] + self.own["water_pct"]
        self.moisture = 1 - self.own["dry_pct"] / (dough * (1 - hearth_loss / 100))
        self.needed = self._needed(truth)

    def _losses(self, truth: pd.DataFrame):
        table = read_bakes(truth.assign(bake_min=truth["bake_min"] * LONGER), warn=False)
        lost = run(table, at=(1 / LONGER, 1.0), grid="quick")["lost_kg_m2"] / table["mass_kg_m2"]
        # a puffed piece vents steam through its tears, the more the longer it stays
        lost = lost * (1 + self.puffed * np.array([[1.0], [1.25]]))
        return 100 * lost

    def _needed(self, truth: pd.DataFrame):
        """Flour per area held."""
        left = np.empty((self.count, 1, len(TRIED)))
        for place, more in enumerate(TRIED):
            water = truth["water_pct"] + more
            grown = (truth["dry_pct"] + water) / (truth["dry_pct"] + truth["water_pct"])
            tried = truth.assign(
                water_pct=water,
                mass_before_g=truth["mass_before_g"] * grown,
                thickness_mm=truth["thickness_mm"] * grown,
            )
            loss, _ = self._losses(tried)
            left[:, 0, place] = water - loss / 100 * (truth["dry_pct"] + water)
        wanted = truth["dry_pct"] * self.moisture / (1 - self.moisture)
        return self.own["hydration_pct"] + solve_added(left, wanted.to_numpy())[:, 0]

    def _water(self, kitchen: int) -> float:
        """All the water of the dough, in percent of it."""
        row = self.own.iloc[kitchen]
        return 100 * row["water_pct"] / (row["water_pct"] + row["dry_pct"])

    def weighed(self, kitchen: int, times: int, error_pct: float = 0.5) -> pd.DataFrame:
        """So many pieces of the usual bake, weighed on a 1 g scale."""
        row = self.own.iloc[[kitchen] * times].reset_index(drop=True)
        spread = error_pct * (2 if self.world == "weighed badly" else 1)
        loss = np.minimum(
            self.loss[kitchen] + spread * self.draw.standard_normal(times),
            0.98 * self._water(kitchen),
        )
        return row.assign(
            piece=[f"p{place}" for place in range(times)],
            dough="A",
            mass_before_g=row["mass_before_g"].round(),
            mass_after_g=(row["mass_before_g"].round() * (1 - loss / 100)).round(),
            scale_step_g=1.0,
        )
