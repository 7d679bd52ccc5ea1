"""How many doughs it will take: the whole way of going on, baked in imagination beforehand."""

from __future__ import annotations

from dataclasses import dataclass

import joblib
import numpy as np
import pandas as pd

from doughkit.advice.improving import next_places
from doughkit.advice.opening import first_round
from doughkit.advice.rounds import require_counts
from doughkit.advice.space import Space, open_space
from doughkit.advice.targets import Target, Wanted
from doughkit.advice.weighing import Drawn, look
from doughkit.fitting.assumptions import Assumed, read_assumptions
from doughkit.fitting.posterior import solve_posterior
from doughkit.tables.problems import so_many
from doughkit.texture.assuming import TASTE
from doughkit.texture.ground import bare_ground

NOISES = (0.6, 1.0, 1.5)
"""How much calmer or rougher than the starting guess a kitchen may be."""
DRAWS = 100
SETS = 32
"""Sets of spreads weighed in each imagined fit; more give the same curve, later."""
POINT = 1 / 8
"""A point is an eighth of a scale; imagined scales run from 0 to 1."""
WELL = 0.8


@dataclass(frozen=True, eq=False)
class DoughsNeeded:
    """A forecast.

    curve : noise, doughs, evenings, median_gap, gap_low, gap_high (the middle eight of ten
        kitchens, points), within_share
    needed : noise, share, doughs, evenings: where that share of kitchens is near enough; empty if
        not within `most` doughs
    """

    curve: pd.DataFrame
    needed: pd.DataFrame
    within: float

    def summary(self) -> str:
        """The band of doughs and evenings in one sentence."""
        half = self.needed[self.needed["share"].eq(0.5)].set_index("noise")
        most = int(self.curve["doughs"].max())

        def words(noise, what):
            value = half.loc[noise, what]
            return f"{value:.0f}" if np.isfinite(value) else f"more than {most}"

        calm, rough = NOISES[0], NOISES[-1]
        usual = half.loc[1.0]
        evenings = ""
        if np.isfinite(usual["evenings"]):
            evenings = f", {so_many(round(usual['evenings']), 'evening')}"
        return (
            f"In imagined kitchens half are within {self.within:g} points of the best after "
            f"{words(1.0, 'doughs')} doughs{evenings}; {words(calm, 'doughs')} in a calm kitchen, "
            f"{words(rough, 'doughs')} in a rough one."
        )


def doughs_needed(
    factors: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    attributes: int = 4,
    doughs_a_day: int = 4,
    pieces_per_dough: int = 2,
    tasters: int = 6,
    most: int = 26,
    within: float = 0.35,
    kitchens: int = 100,
    seed: int,
) -> DoughsNeeded:
    """Forecast how many doughs and evenings it takes until a texture is matched.

    Question: is this worth beginning, and when would it be done?

    Kitchens are imagined from the starting assumptions; in each the first round of six is baked and
    tasted, then round after round planned and baked as `next_round` does, and it is noted how far
    the recommended levels truly lie from the texture wanted.

    Parameters
    ----------
    factors : DataFrame
        Table `factors`.
    limits : DataFrame, optional
        Table `limits`.
    attributes : int
        Attributes to be matched.
    doughs_a_day : int
        Doughs that fit an evening; the first six are parted over two if need be.
    pieces_per_dough : int
        Pieces baked of each dough.
    tasters : int
        People at the table.
    most : int
        Doughs after which it ends.
    within : float
        Points (root mean square over the attributes) that are near enough.
    kitchens : int
        Kitchens imagined in all, shared among three sizes of noise. Each has its own seed and goes
        through joblib: on one core, or on what the caller's `joblib.parallel_config` names, with
        the same answer.
    seed : int
        The same seed imagines the same kitchens.

    Returns
    -------
    DoughsNeeded: curve (noise, doughs, evenings, median_gap, gap_low, gap_high, within_share),
    needed (noise, share, doughs, evenings), `summary`. Noise 1 is the starting guess for days,
    doughs, pieces and tasters; the band from 0.6 to 1.5 is how wrong that may be.

    Raises
    ------
    StudyProblems if a factor or limit can't be used, or a count is below 1.

    Range: the imagined surfaces are the quadratics assumed; kitchens with cliffs take longer. The
    texture wanted is one that some levels reach.

    Source: simulation.

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.0, 5.0],
    ...     "high": [3.0, 9.0], "step": [0.1, 0.5], "changed_per": ["dough", "piece"]})
    >>> found = doughs_needed(factors, kitchens=6, most=10, seed=1)
    >>> found.curve.query("noise == 1")["doughs"].tolist()
    [6.0, 10.0]
    """
    counts = {"attributes": attributes, "doughs_a_day": doughs_a_day, "tasters": tasters}
    require_counts(**counts, pieces_per_dough=pieces_per_dough, kitchens=kitchens, most=most)
    space = open_space(factors, limits, None, bare_ground(factors), None)
    doughs, pieces = first_round(
        factors, limits, doughs=min(6, most), pieces_per_dough=pieces_per_dough, seed=seed
    )
    first = space.places(pieces.merge(doughs, on="dough"))
    first = first.reshape(len(doughs), pieces_per_dough, -1)
    imagined = _Imagined(space, first, attributes, doughs_a_day, tasters, most)
    each = max(1, kitchens // len(NOISES))
    told = joblib.Parallel()(
        joblib.delayed(imagined.run)(noise, (seed, number))
        for noise in NOISES
        for number in range(each)
    )
    rows = pd.DataFrame(
        [row for kitchen in told for row in kitchen], columns=["noise", "doughs", "evenings", "gap"]
    )
    curve = _curve(rows.astype(float), within)
    return DoughsNeeded(curve, _needed(curve), within)


def _curve(rows: pd.DataFrame, within: float) -> pd.DataFrame:
    by = rows.groupby(["noise", "doughs", "evenings"])["gap"]
    return pd.DataFrame(
        {
            "median_gap": by.median(),
            "gap_low": by.quantile(0.1),
            "gap_high": by.quantile(0.9),
            "within_share": by.apply(lambda gaps: float((gaps <= within).mean())),
        }
    ).reset_index()


def _needed(curve: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for noise, part in curve.groupby("noise"):
        for share in (0.5, WELL):
            done = part[part["within_share"] >= share]
            first = done.iloc[0] if len(done) else None
            found = (np.nan, np.nan) if first is None else (first["doughs"], first["evenings"])
            rows.append((noise, share, *found))
    return pd.DataFrame(rows, columns=["noise", "share", "doughs", "evenings"])


@dataclass(frozen=True, eq=False)
class _Imagined:
    """What all imagined kitchens share."""

    space: Space
    first: np.ndarray
    attributes: int
    a_day: int
    tasters: int
    most: int

    def run(self, noise: float, seed: tuple[int, int]) -> list[tuple[float, int, int, float]]:
        """One kitchen: noise, doughs and evenings so far and the true gap, round after round."""
        rng = np.random.default_rng(seed)
        kitchen = _Kitchen(self, noise, rng)
        plan, told = list(self.first), []
        while True:
            kitchen.bake(plan)
            drawn = kitchen.fit()
            search = look(drawn, kitchen.baked, rng)
            values = self.space.rows(search.best[None]) @ kitchen.beta
            values = {at: values[:, [at]] for at in range(self.attributes)}
            doughs = kitchen.doughs
            gap = float(kitchen.wanted.goal(values, {})[0, 0])
            told.append((noise, doughs, kitchen.evenings, gap))
            left = min(self.a_day, self.most - doughs)
            if left < 1:
                return told
            pieces = self.first.shape[1]
            plan = next_places(drawn, search, kitchen.baked, left, pieces, rng=rng)


class _Kitchen:
    """A truth, and what has been baked and tasted of it."""

    def __init__(self, shared: _Imagined, noise: float, rng: np.random.Generator):
        named = read_assumptions(None, {"day", "dough"})
        sizes = Assumed(named, list(named.index.drop(["level", "misfit"]))).even(SETS).sizes
        space = shared.space
        kinds = ["constant", *space.ground.kinds.values()]
        self.shared, self.rng = shared, rng
        self.prior = sizes[kinds].to_numpy() ** 2
        self.spread = sizes[["day", "dough", "piece"]].to_numpy() ** 2
        chosen = sizes[kinds].to_numpy()[rng.integers(len(sizes), size=shared.attributes)]
        self.beta = (chosen * rng.normal(size=chosen.shape)).T
        place = space.spread_out(64, rng)
        profile = space.rows(place[[rng.integers(len(place))]]) @ self.beta
        targets = [
            Target(at, np.nan, float(aim), np.nan, 1.0, False, POINT)
            for at, aim in enumerate(profile[0])
        ]
        self.wanted = Wanted(targets, pd.DataFrame(), {}, {}, (), "distance")
        self.size = {name: noise * float(named.loc[name, "share"]) for name in ("day", "dough")}
        self.taste = noise * TASTE / np.sqrt(shared.tasters)
        self.error = np.hypot(noise * float(named.loc["piece", "share"]), self.taste)
        self.rows = np.zeros((0, len(kinds)))
        self.value = np.zeros((0, shared.attributes))
        self.dough, self.day = np.zeros(0, dtype=int), np.zeros(0, dtype=int)
        self.baked = np.zeros((0, space.sizes.size), dtype=int)
        self.doughs = self.evenings = 0

    def bake(self, plan: list[np.ndarray]) -> None:
        """Bake and taste doughs, as many an evening as fit."""
        places = np.concatenate(plan)
        new = np.repeat(np.arange(len(plan)), [len(one) for one in plan])
        evenings = -(-len(plan) // self.shared.a_day)
        evening = new // -(-len(plan) // evenings)
        own = self.shared.space.rows(places)
        value = own @ self.beta + self.error * self._normal(len(own))
        value = value + self.size["day"] * self._normal(evenings)[evening]
        value = value + self.size["dough"] * self._normal(len(plan))[new]
        self.rows, self.value = np.vstack([self.rows, own]), np.vstack([self.value, value])
        self.dough = np.r_[self.dough, self.doughs + new]
        self.day = np.r_[self.day, self.evenings + evening]
        self.baked = np.vstack([self.baked, places])
        self.doughs, self.evenings = self.doughs + len(plan), self.evenings + evenings

    def _normal(self, count: int) -> np.ndarray:
        return self.rng.normal(size=(count, self.shared.attributes))

    def fit(self) -> Drawn:
        """Surfaces as they may be after what was tasted."""
        groups = [self.day, self.dough]
        known = self.taste**2 * np.eye(len(self.rows))
        drawn = {
            at: solve_posterior(
                self.rows, self.value[:, at], self.prior, groups, self.spread, known
            ).draw(DRAWS, self.rng)[0]
            for at in range(self.shared.attributes)
        }
        return Drawn(self.wanted, self.shared.space, drawn, {})
