"""Make the demo study: every number in it is invented, and made here.

    python3 data_demo/make_demo.py

writes the tables of this folder anew, always the same. `make_study(seed, **settings)` makes other
studies of the same kind together with the truth behind them, so that a test can ask how often an
interval holds what it claims to hold.

The truth is no polynomial: the oven drives off water along a levelling root of time, the water
left decides texture through bends and plateaus, and the panel sees texture through its own level,
stretch, doubt and rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

SEED = 20
MOISTURE_PCT = {"bread flour": 13.0, "whole wheat flour": 10.74}
LATENT = ("crispness", "chew", "rigidity", "flavour")
BASE_LEVELS = {"hydration_pct": 62.0, "salt_pct": 2.1, "whole_grain_pct": 20.0, "fat_pct": 2.0}
YEAST_PCT = 0.8


@dataclass(frozen=True)
class Settings:
    """What makes one study differ from another; spreads (`sd`) are in points of a 1-9 scale."""

    bread: str = "lath"
    factors: tuple = (
        ("hydration_pct", 54.0, 70.0, 1.0, "dough"),
        ("salt_pct", 1.6, 2.6, 0.1, "dough"),
        ("whole_grain_pct", 0.0, 40.0, 5.0, "dough"),
        ("bake_min", 5.0, 8.0, 0.5, "piece"),
    )
    limit: tuple = ("workable", (("hydration_pct", 1.0), ("whole_grain_pct", -0.1)), 50.0, 70.0)
    attributes: tuple = LATENT
    """The study's own names of crispness, chew, rigidity and flavour, in this order."""
    scale: tuple = (1.0, 9.0, 1.0)
    assessors: tuple = ("Ana", "Bo", "Cleo", "Dov", "Esi", "Finn")
    unreliable: int = 5
    absent: tuple = ((1, 2), (3, 5))
    """Pairs of assessor and tasting, both counted from 0."""
    unanswered_share: float = 0.01
    days: tuple = ((3, 3, 2, 2), (3, 3, 2))
    """Doughs of each bake day, one tuple a round; each day ends in a tasting."""
    first_day: str = "2026-03-05"
    tasting: str = "T"
    piece_mass_g: float = 200.0
    failed: tuple = (1, -1, 1)
    """The corner dough that could not be shaped, in coded levels; () for none."""
    dough_sd: float = 0.30
    piece_sd: float = 0.20
    day_sd: float = 0.15
    assessor_dough_sd: float = 0.20
    repeat_sd: float = 0.80
    unreliable_sd: float = 1.80

    @property
    def dough_factors(self) -> list[str]:
        return [row[0] for row in self.factors if row[4] == "dough"]

    @property
    def bake_times(self) -> tuple[float, float]:
        return next((row[1], row[2]) for row in self.factors if row[0] == "bake_min")


DEMO = Settings()

SECOND = Settings(
    bread="slate",
    factors=(
        ("hydration_pct", 56.0, 68.0, 0.5, "dough"),
        ("fat_pct", 1.0, 5.0, 0.5, "dough"),
        ("whole_grain_pct", 10.0, 50.0, 5.0, "dough"),
        ("bake_min", 5.5, 8.5, 0.5, "piece"),
    ),
    limit=("stretches", (("hydration_pct", 1.0), ("fat_pct", 0.5)), 56.0, 71.0),
    attributes=("crackle", "bite", "stiffness", "wheat taste"),
    scale=(0.0, 10.0, 0.5),
    assessors=("Noor", "Pim", "Quill", "Rue"),
    unreliable=2,
    absent=((0, 1), (3, 4), (2, 5)),
    unanswered_share=0.03,
    days=((3, 2, 3, 2), (2, 3, 3)),
    first_day="2025-10-09",
    tasting="evening ",
    piece_mass_g=160.0,
    failed=(),
)
"""Another study, for tests that nothing leans on the demo's names, ranges or number of tasters."""


# --- the truth ---------------------------------------------------------------------------------


def mixed(levels: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Dough and all its water, flour moisture included, per 100 flour."""
    at = {name: levels.get(name, base) for name, base in BASE_LEVELS.items()}
    dough = 100 + at["hydration_pct"] + at["salt_pct"] + at["fat_pct"] + YEAST_PCT
    white, whole = MOISTURE_PCT.values()
    return dough, at["hydration_pct"] + white + (whole - white) * at["whole_grain_pct"] / 100


def physics(levels: pd.DataFrame) -> pd.DataFrame:
    """Loss on baking and water left for rows of levels; a factor not named stays at the base.

    Water leaves by area along a root of time that levels off as the piece dries: from a plate at
    270 °C, 3.2 kg of dough on a square metre, about 22 % in 5 min and 27 % in 8 min.
    """
    dough, water = mixed(levels)
    moisture = water / dough
    area_density = 3.24
    heat = 0.5037 * np.sqrt(levels["bake_min"] - 1.0)
    loss = moisture * (1 - np.exp(-heat / (area_density * moisture)))
    return pd.DataFrame({"loss": loss, "water_left": water - loss * dough}, index=levels.index)


def latent(levels: pd.DataFrame) -> pd.DataFrame:
    """Texture of rows of levels on a 1-9 scale before anyone tastes it, and droop in mm."""
    at = {name: levels.get(name, base) for name, base in BASE_LEVELS.items()}
    left = physics(levels)["water_left"]
    grain, salt, fat = at["whole_grain_pct"], at["salt_pct"], at["fat_pct"]
    bran = 1 - np.exp(-grain / 30)
    crispness = 2.4 + 5.4 * expit((34.0 - left) / 3.8) - 1.2 * bran + 0.25 * np.tanh(fat - 2)
    chew = 2.6 + 4.4 * expit((left - 35.5) / 4.2) + 0.5 * np.tanh((salt - 2.1) / 0.6) - 0.8 * bran
    rigidity = 7.6 - 0.34 * 1.5 * np.logaddexp(0, (left - 28.0) / 1.5) - 0.5 * bran
    browned = expit((31.0 - left) / 2.5)
    bitter = 0.02 * 6 * np.logaddexp(0, (grain - 28) / 6) * browned
    flavour = 3.3 + 2.6 * bran + 1.1 * np.tanh((salt - 1.9) / 0.45) + 1.2 * browned - bitter
    droop = 3.0 * np.exp((left - 26.0) / 8.0) + 0.15 * fat + 0.02 * grain
    parts = dict(zip(LATENT, (crispness, chew, rigidity, flavour), strict=True))
    return pd.DataFrame({**parts, "droop_mm": droop}, index=levels.index)


@dataclass(frozen=True)
class Truth:
    """What the tables of one study hide: the panel's people and how they score.

    `people`: one row per assessor: `spread` (stretch of the scale), `repeat_sd`, and one column
    per latent attribute with the person's level.
    """

    settings: Settings
    people: pd.DataFrame

    def perceived(self, texture: pd.DataFrame) -> dict[str, np.ndarray]:
        """Attribute → rows × assessors: where each person would put the texture, unrounded."""
        spread = self.people["spread"].to_numpy()
        return {
            name: 5 + self.people[name].to_numpy() + spread * (texture[[name]].to_numpy() - 5)
            for name in LATENT
        }

    def expected(self, levels: pd.DataFrame) -> pd.DataFrame:
        """The panel's mean score at rows of levels: what endless doughs, pieces, days and
        portions would average to, each person's level, stretch, rounding and ends of scale in it.
        `droop_mm` is the droop itself. Columns: the study's attributes, droop_mm.
        """
        texture = latent(levels)
        spread = self.people["spread"].to_numpy()
        own = self.settings
        seen = own.dough_sd**2 + own.piece_sd**2 + own.day_sd**2
        doubt = self.people["repeat_sd"].to_numpy() ** 2 + own.assessor_dough_sd**2
        sd = np.sqrt(spread**2 * seen + doubt)
        low, high, step = own.scale
        width = (high - low) / 8
        cuts = (np.arange(low + step / 2, high, step) - low) / width + 1
        out = {}
        for own_name, (_, place) in zip(
            own.attributes, self.perceived(texture).items(), strict=True
        ):
            above = ndtr((place[:, :, None] - cuts) / sd[:, None])
            out[own_name] = low + step * above.sum(axis=2).mean(axis=1)
        return pd.DataFrame({**out, "droop_mm": texture["droop_mm"]}, index=levels.index)

    def low_to_high(self, points: pd.DataFrame) -> pd.DataFrame:
        """Each factor's true effect: the change of the expected score when that factor alone goes
        from its low to its high level, averaged over the design's points (rows of levels).
        Columns: factor, attribute, low_to_high.
        """
        rows = []
        for name, low, high, *_ in self.settings.factors:
            change = self.expected(points.assign(**{name: high})) - self.expected(
                points.assign(**{name: low})
            )
            rows += [(name, attribute, mean) for attribute, mean in change.mean().items()]
        return pd.DataFrame(rows, columns=["factor", "attribute", "low_to_high"])


def make_people(own: Settings, rng: np.random.Generator) -> pd.DataFrame:
    count = len(own.assessors)
    people = pd.DataFrame({"assessor": own.assessors})
    common = rng.normal(0, 0.4, count)
    for name in LATENT:
        people[name] = common + rng.normal(0, 0.3, count)
    spread = rng.uniform(0.8, 1.2, count)
    repeat = own.repeat_sd * rng.uniform(0.85, 1.15, count)
    spread[own.unreliable], repeat[own.unreliable] = 0.35, own.unreliable_sd
    return people.assign(spread=spread, repeat_sd=repeat)


# --- the round: which doughs, which day --------------------------------------------------------


def coded_rounds() -> list[np.ndarray]:
    """Round 1: corners and two centre doughs; round 2: face-centred axial doughs and two more."""
    corners = np.array(list(product((-1, 1), repeat=3)))
    axial = np.array([sign * unit for unit in np.eye(3, dtype=int) for sign in (-1, 1)])
    centres = np.zeros((2, 3), int)
    return [np.vstack([corners, centres]), np.vstack([axial, centres])]


def over_days(coded: np.ndarray, sizes: tuple, rng: np.random.Generator) -> list[np.ndarray]:
    """Deal a round's doughs over its bake days so that no factor's levels gather on one day."""
    ends = np.cumsum(sizes)[:-1]
    deals = [np.split(rng.permutation(len(coded)), ends) for _ in range(400)]

    def unevenness(deal):
        return sum((coded[day].sum(axis=0) ** 2).sum() / len(day) for day in deal)

    return [coded[day] for day in min(deals, key=unevenness)]


def make_doughs(own: Settings, rng: np.random.Generator) -> pd.DataFrame:
    """Test doughs in order of mixing, a control each day, and the reference."""
    factors = [row for row in own.factors if row[4] == "dough"]
    middle = np.array([(low + high) / 2 for _, low, high, *_ in factors])
    half = np.array([(high - low) / 2 for _, low, high, *_ in factors])
    names = own.dough_factors
    rows, day_number = [], 0
    for round_number, (coded, sizes) in enumerate(zip(coded_rounds(), own.days, strict=True), 1):
        for day in over_days(coded, sizes, rng):
            day_number += 1
            for point in day:
                levels = dict(zip(names, np.round(middle + half * point, 6), strict=True))
                failed = tuple(point) == own.failed
                rows.append({"kind": "test", "round": round_number, "day": day_number, **levels})
                rows[-1]["status"] = "failed" if failed else "baked"
            base = {name: BASE_LEVELS[name] for name in names}
            rows.append({"kind": "control", "day": day_number, "status": "baked", **base})
    doughs = pd.DataFrame([*rows, {"kind": "reference"}])
    for kind, start in (("test", "D"), ("control", "C"), ("reference", "REF")):
        of_kind = doughs["kind"] == kind
        count = range(1, of_kind.sum() + 1)
        labels = ["REF"] if kind == "reference" else [f"{start}{number:02d}" for number in count]
        doughs.loc[of_kind, "dough"] = labels
    doughs["formula"] = np.where(doughs["kind"] == "reference", None, f"{own.bread} base")
    return add_records(doughs, own, rng)


def add_records(doughs: pd.DataFrame, own: Settings, rng: np.random.Generator) -> pd.DataFrame:
    """What the baker noted of each dough: day, temperature, ferment, lot, feel, why it failed."""
    ours = doughs["kind"] != "reference"
    count = len(doughs)
    last_of_round_1 = doughs.loc[doughs["round"] == 1, "day"].max()
    later = 14 * (doughs["day"] > last_of_round_1)
    start = pd.Timestamp(own.first_day).as_unit("us")
    gone = (doughs["day"] - 1) // 2 * 7 + (doughs["day"] - 1) % 2 * 2 + later - 1
    wet = doughs["hydration_pct"] - 0.12 * doughs["whole_grain_pct"] - 59.5
    feel = np.clip(np.round(3 + wet / 4 + rng.normal(0, 0.3, count)), 1, 5)
    failed = doughs["status"] == "failed"
    return doughs.assign(
        mixed_on=start + pd.to_timedelta(gone, unit="D"),
        failed_why=np.where(failed, "tore when stretched, would not keep its shape", None),
        piece_mass_g=np.where(ours, own.piece_mass_g, np.nan),
        dough_c=np.where(ours, np.round(rng.normal(24, 0.6, count), 1), np.nan),
        ferment_h=np.where(ours, np.round(rng.normal(22, 1, count) * 2) / 2, np.nan),
        ferment_c=np.where(ours, 5.0, np.nan),
        flour_lot=np.where(ours, np.where(doughs["day"] > last_of_round_1, "L2", "L1"), None),
        feel=feel,
        note=np.where(ours, None, "one box, bought at once, a piece opened for each tasting"),
    )


# --- bake and taste ----------------------------------------------------------------------------


def make_pieces(doughs: pd.DataFrame, own: Settings, rng: np.random.Generator) -> pd.DataFrame:
    """Two pieces of a test dough at the two bake times, one of a control, one reference a day."""
    short, long = own.bake_times
    days = range(1, int(doughs["day"].max()) + 1)
    rows = []
    for dough in doughs.itertuples():
        if dough.status == "failed":
            continue
        if dough.kind == "reference":
            rows += [(f"{dough.dough}-{day}", dough.dough, day, np.nan) for day in days]
        elif dough.kind == "control":
            rows.append((f"{dough.dough}a", dough.dough, dough.day, (short + long) / 2))
        else:
            times = zip("ab", (short, long), strict=True)
            rows += [(f"{dough.dough}{one}", dough.dough, dough.day, time) for one, time in times]
    pieces = pd.DataFrame(rows, columns=["piece", "dough", "day", "bake_min"])
    pieces["draw"] = rng.random(len(pieces))
    ours = pieces["bake_min"].notna()
    pieces.loc[ours, "bake_order"] = pieces[ours].groupby("day")["draw"].rank()
    return pieces.drop(columns="draw").sort_values(["day", "bake_order"], ignore_index=True)


def make_textures(pieces: pd.DataFrame, doughs: pd.DataFrame, own: Settings, rng):
    """Each piece's real texture and droop: the truth at its levels, with the spread of days,
    doughs and pieces; and the day's share alone, which the reference has too."""
    levels = pieces.merge(doughs[["dough", *own.dough_factors]], on="dough", how="left")
    ours = levels["bake_min"].notna()
    texture = latent(levels[ours]).reindex(levels.index)
    reference = latent(pd.DataFrame({"bake_min": [7.0], "hydration_pct": [59.0]})).iloc[0]
    unlike = {"crispness": 0.3, "chew": 0.5, "rigidity": 0.2, "flavour": 0.3, "droop_mm": 0.5}
    for name in texture:
        dough_of, day_of = pd.factorize(pieces["dough"])[0], pd.factorize(pieces["day"])[0]
        texture.loc[~ours, name] = reference[name] + unlike[name]
        by_dough = rng.normal(0, 1, dough_of.max() + 1)[dough_of]
        by_piece = rng.normal(0, 1, len(pieces))
        by_day = rng.normal(0, own.day_sd, day_of.max() + 1)[day_of]
        if name == "droop_mm":
            texture[name] *= 1 + 0.05 * by_dough * ours + 0.04 * by_piece
        else:
            texture[name] += own.dough_sd * by_dough * ours + own.piece_sd * by_piece + by_day
    return texture, levels


def weigh_and_measure(pieces, levels, texture, own: Settings, rng) -> pd.DataFrame:
    """Weights before and after on a 1 g scale, size, thickness and droop, as written down."""
    count = len(pieces)
    ours = pieces["bake_min"].notna()
    before = own.piece_mass_g + rng.normal(0, 0.8, count)
    loss = physics(levels)["loss"] + rng.normal(0, 0.004, count)
    width = 180 * np.sqrt(own.piece_mass_g / 200)

    def noted(values, digits, *, of_all=False):
        return np.where(ours | of_all, np.round(values, digits), np.nan)

    return pieces.assign(
        bake_day=[f"B{day:.0f}" for day in pieces["day"]],
        oven=np.where(ours, "home steel", "stone hearth"),
        mass_before_g=noted(before, 0),
        mass_after_g=noted(before * (1 - loss), 0),
        weighed_after_s=noted(rng.normal(61, 4, count), 0),
        scale_step_g=noted(np.ones(count), 0),
        length_mm=noted(2 * width * 0.95 + rng.normal(0, 3, count), 0),
        width_mm=noted(width + rng.normal(0, 2, count), 0),
        thickness_mm=noted(rng.normal(6.2, 0.2, count), 1, of_all=True),
        droop_mm=noted(np.maximum(texture["droop_mm"], 0.2), 1, of_all=True),
        overhang_mm=noted(100 + rng.normal(0, 0.5, count), 0, of_all=True),
        note=None,
    )


def make_servings(pieces: pd.DataFrame, own: Settings, rng: np.random.Generator) -> pd.DataFrame:
    """At most 8 samples a tasting: every piece of the day once, second portions where room is."""
    rows = []
    for day, of_day in pieces.groupby("day"):
        ours = of_day.loc[of_day["bake_min"].isin(own.bake_times), "piece"].to_numpy()
        again = rng.permutation(ours)[: 8 - len(of_day)]
        portions = [(piece, 1) for piece in of_day["piece"]] + [(piece, 2) for piece in again]
        codes = iter(rng.choice(np.arange(101, 1000), len(portions) * len(own.assessors), False))
        out_at = dict(zip(of_day["piece"], 12 * of_day["bake_order"], strict=True))
        start = 12 * of_day["bake_order"].max() + 65
        for assessor in own.assessors:
            for position, chosen in enumerate(rng.permutation(len(portions)), 1):
                piece, repeat = portions[chosen]
                age = start + 4 * position - out_at[piece]
                served = (f"{own.tasting}{day:.0f}", assessor, piece, repeat, position)
                rows.append((*served, str(next(codes)), age))
    names = ["tasting", "assessor", "piece", "repeat", "position", "code", "served_after_min"]
    servings = pd.DataFrame(rows, columns=names)
    servings.insert(0, "serving", [f"S{number:03d}" for number in range(1, len(servings) + 1)])
    return servings


def make_ratings(servings, pieces, texture, truth: Truth, rng) -> pd.DataFrame:
    """The entry grid: what the people at the table wrote down, absent people left out."""
    own = truth.settings
    piece_at = pd.Index(pieces["piece"]).get_indexer(servings["piece"])
    person = pd.Index(own.assessors).get_indexer(servings["assessor"])
    dough_at = pd.factorize(pieces["dough"])[0][piece_at]
    grid = servings[["tasting", "assessor", "code"]].copy()
    low, high, step = own.scale
    for own_name, (_, place) in zip(own.attributes, truth.perceived(texture).items(), strict=True):
        liked = rng.normal(0, own.assessor_dough_sd, (dough_at.max() + 1, len(own.assessors)))
        doubt = rng.normal(0, 1, len(grid)) * truth.people["repeat_sd"].to_numpy()[person]
        felt = place[piece_at, person] + liked[dough_at, person] + doubt
        on_scale = low + (felt - 1) * (high - low) / 8
        score = np.clip(low + step * np.round((on_scale - low) / step), low, high)
        grid[own_name] = np.where(rng.random(len(grid)) < own.unanswered_share, np.nan, score)
    tastings = grid["tasting"].unique()
    away = [(own.assessors[person], tastings[tasting]) for person, tasting in own.absent]
    here = ~pd.MultiIndex.from_frame(grid[["assessor", "tasting"]]).isin(away)
    return grid[here].reset_index(drop=True)


# --- the small tables --------------------------------------------------------------------------


def make_formulas(own: Settings) -> pd.DataFrame:
    """Five formulas as five hands would write them."""
    bread = own.bread
    written = f"""
        neighbour card||bread flour|2|cup
        neighbour card||whole wheat flour|1/2|cup
        neighbour card||water|7/8|cup
        neighbour card||salt|1 1/4|tsp
        neighbour card||instant yeast|1/2|tsp
        neighbour card||olive oil|1|tbsp
        mill leaflet||bread flour|70|%
        mill leaflet||stone-milled wheat flour|30|%
        mill leaflet||water|66|%
        mill leaflet||salt|1.9|%
        mill leaflet||instant yeast|0.7|%
        mill leaflet||olive oil|3|%
        club notes||bread flour|1|lb
        club notes||whole wheat flour|4|oz
        club notes||water|12-13|oz
        club notes||salt|0.4|oz
        club notes||instant yeast|0.1|oz
        overnight sponge|sponge|bread flour|150|g
        overnight sponge|sponge|water|150|g
        overnight sponge|sponge|instant yeast|0.2|g
        overnight sponge||bread flour|300|g
        overnight sponge||whole wheat flour|50|g
        overnight sponge||water|160|g
        overnight sponge||salt|10|g
        overnight sponge||instant yeast|1|g
        overnight sponge||olive oil|10|g
        {bread} base||bread flour|400|g
        {bread} base||whole wheat flour|100|g
        {bread} base||water|310|g
        {bread} base||salt|10.5|g
        {bread} base||instant yeast|4|g
        {bread} base||olive oil|10|g"""
    rows = [line.strip().split("|") for line in written.strip().splitlines()]
    names = ["formula", "part", "ingredient", "amount", "unit"]
    return pd.DataFrame(rows, columns=names).replace("", np.nan)


def make_ingredients() -> pd.DataFrame:
    names = ["ingredient", "role", "moisture_pct", "fat_pct", "salt_pct", "sugar_pct"]
    names += ["whole_grain_pct", "density_g_ml", "allergens", "source"]
    rows = [
        (
            "stone-milled wheat flour",
            "flour",
            12.0,
            2.0,
            0,
            0.4,
            100,
            0.52,
            "gluten|wheat",
            "invented",
        ),
        ("bread flour", "flour", 13.0, 1.6, 0, 0.3, 0, 0.58, "gluten|wheat", "own bag, invented"),
    ]
    return pd.DataFrame(rows, columns=names)


def make_ovens() -> pd.DataFrame:
    names = ["oven", "air_c", "support", "support_c", "support_mm", "fan", "altitude_m"]
    names += ["pieces_per_bake", "preheat_min", "gap_min", "source"]
    rows = [
        ("home steel", 250, "steel", 270, 8, "no", 120, 1, 60, 5, "infrared thermometer, invented"),
        ("stone hearth", 420, "brick", 400, 60, "no", 120, 6, 180, 1, "as told there, invented"),
    ]
    return pd.DataFrame(rows, columns=names)


def make_weighed(doughs: pd.DataFrame, own: Settings, rng) -> pd.DataFrame:
    """Weigh-outs of each dough: flour and water on a 1 g scale, the rest on a 0.1 g scale."""
    rows = []
    for dough in doughs[doughs["kind"] != "reference"].to_dict("records"):
        at = {name: dough.get(name, base) for name, base in BASE_LEVELS.items()}
        percent = {
            "bread flour": 100 - at["whole_grain_pct"],
            "whole wheat flour": at["whole_grain_pct"],
            "water": at["hydration_pct"],
            "salt": at["salt_pct"],
            "instant yeast": YEAST_PCT,
            "olive oil": at["fat_pct"],
        }
        flour_g = 2 * own.piece_mass_g * 1.05 / sum(percent.values()) * 100
        for ingredient, share in percent.items():
            digits = 0 if ingredient in ("bread flour", "whole wheat flour", "water") else 1
            planned = round(flour_g * share / 100, digits)
            off = round(rng.choice([-1, 0, 0, 0, 1]) * 10.0**-digits, digits)
            if planned > 0:
                rows.append((dough["dough"], None, ingredient, planned, planned + off))
    return pd.DataFrame(rows, columns=["dough", "part", "ingredient", "planned_g", "weighed_g"])


def make_moistures(pieces, levels, doughs, rng) -> pd.DataFrame:
    """Dried samples: the reference twice, one flour lot, three own pieces."""
    tested = pieces.index[pieces["dough"].isin(doughs.loc[doughs["kind"] == "test", "dough"])]
    dough, water = mixed(levels)
    left = 1 - (1 - water / dough) * pieces["mass_before_g"] / pieces["mass_after_g"]
    samples = [("REF", 50, 0.215), ("REF", 50, 0.215)]
    samples.append(("L1", 20, MOISTURE_PCT["bread flour"] / 100))
    for one in sorted(rng.choice(tested, 3, replace=False)):
        samples.append((pieces["piece"][one], 50, left[one]))
    rows = []
    for number, (of, about, moisture) in enumerate(samples, 1):
        wet = round(about + rng.normal(0, 0.4), 1)
        dry = round(wet * (1 - moisture - rng.normal(0, 0.004)), 1)
        rows.append((f"M{number}", of, wet, dry))
    return pd.DataFrame(rows, columns=["sample", "of", "wet_g", "dry_g"])


def make_attributes(own: Settings) -> pd.DataFrame:
    words = [
        ("bends without a sound", "shatters loudly"),
        ("gone in two bites", "keeps the jaw working"),
        ("hangs limp", "stands like a board"),
        ("bland", "full of grain and toast"),
    ]
    low, high, step = own.scale
    return pd.DataFrame(
        {
            "attribute": own.attributes,
            "kind": "intensity",
            "low": low,
            "high": high,
            "step": step,
            "low_words": [pair[0] for pair in words],
            "high_words": [pair[1] for pair in words],
            "key": ["yes", "yes", "no", "no"],
        }
    )


def make_targets(own: Settings) -> pd.DataFrame:
    """Like the reference in three attributes, flavour not below a bound, droop measured."""
    low, high, _ = own.scale
    near = 0.5 * (high - low) / 8
    crisp, chew, rigid, flavour = own.attributes
    rows = [
        (crisp, -near, 0.0, near, 2.0, "reference"),
        (chew, -near, 0.0, near, 1.0, "reference"),
        (rigid, -near, 0.0, near, 1.0, "reference"),
        (flavour, low + 4.5 * (high - low) / 8, np.nan, np.nan, 1.0, None),
        ("droop_mm", np.nan, 6.0, 10.0, 0.5, None),
    ]
    return pd.DataFrame(rows, columns=["attribute", "low", "aim", "high", "weight", "like"])


def make_assessors(own: Settings) -> pd.DataFrame:
    consent = pd.Timestamp(own.first_day).as_unit("us") - pd.Timedelta(days=7)
    allergens = [None] * len(own.assessors)
    allergens[1] = "sesame"
    return pd.DataFrame(
        {
            "assessor": own.assessors,
            "allergens": allergens,
            "consent_on": consent,
            "knows_formulas": ["yes"] + ["no"] * (len(own.assessors) - 1),
        }
    )


def honest_gaps(pieces: pd.DataFrame, weighed: pd.DataFrame) -> None:
    """One weight after the oven and one droop never taken, one weighing not written down."""
    tested = pieces.index[pieces["mass_before_g"].notna()]
    pieces.loc[tested[8], ["mass_after_g", "weighed_after_s"]] = np.nan
    pieces.loc[tested[8], "note"] = "not weighed after the oven"
    pieces.loc[tested[17], "droop_mm"] = np.nan
    pieces.loc[tested[17], "note"] = "strip broke"
    weighed.loc[weighed.index[26], "weighed_g"] = np.nan


# --- the whole study ---------------------------------------------------------------------------

DOUGH_ORDER = ["dough", "kind", "round", "formula", "mixed_on", "status", "failed_why"]
RECORDS = ["piece_mass_g", "dough_c", "ferment_h", "ferment_c", "flour_lot", "feel", "note"]
PIECE_ORDER = ["piece", "dough", "bake_day", "bake_order", "oven", "bake_min", "mass_before_g"]
PIECE_ORDER += ["mass_after_g", "weighed_after_s", "scale_step_g", "length_mm", "width_mm"]
PIECE_ORDER += ["thickness_mm", "droop_mm", "overhang_mm", "note"]


def make_study(seed: int, base: Settings = DEMO, **settings) -> tuple[dict, Truth]:
    """A whole study from a seed: table name → frame (ratings as the entry grid), and its truth.

    `settings` replaces single fields of `base` (the demo's, or `SECOND`).
    """
    own = replace(base, **settings)
    rng = np.random.default_rng(seed)
    truth = Truth(own, make_people(own, rng))
    doughs = make_doughs(own, rng)
    pieces = make_pieces(doughs, own, rng)
    texture, levels = make_textures(pieces, doughs, own, rng)
    servings = make_servings(pieces, own, rng)
    ratings = make_ratings(servings, pieces, texture, truth, rng)
    pieces = weigh_and_measure(pieces, levels, texture, own, rng)
    weighed = make_weighed(doughs, own, rng)
    moistures = make_moistures(pieces, levels, doughs, rng)
    honest_gaps(pieces, weighed)
    name, weights, low, high = own.limit
    limits = [(name, factor, weight, low, high) for factor, weight in weights]
    tables = {
        "formulas": make_formulas(own),
        "ingredients": make_ingredients(),
        "ovens": make_ovens(),
        "factors": pd.DataFrame(
            own.factors, columns=["factor", "low", "high", "step", "changed_per"]
        ),
        "limits": pd.DataFrame(limits, columns=["limit", "factor", "weight", "low", "high"]),
        "doughs": doughs[[*DOUGH_ORDER, *own.dough_factors, *RECORDS]],
        "weighed": weighed,
        "pieces": pieces[PIECE_ORDER],
        "moistures": moistures,
        "attributes": make_attributes(own),
        "assessors": make_assessors(own),
        "servings": servings,
        "ratings": ratings,
        "targets": make_targets(own),
    }
    return {name: as_read(frame) for name, frame in tables.items()}, truth


def as_read(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with the types it would have read from its file: text, float64, dates."""
    kinds = {
        name: "str" if frame[name].dtype == object else "float64"
        for name in frame
        if frame[name].dtype == object or frame[name].dtype.kind in "iuf"
    }
    return frame.astype(kinds)


def write_study(folder: str | Path, seed: int, base: Settings = DEMO, **settings) -> Truth:
    """Write the tables of `make_study` as csv files into `folder` and give back their truth."""
    tables, truth = make_study(seed, base, **settings)
    for name, frame in tables.items():
        frame.to_csv(
            Path(folder) / f"{name}.csv",
            index=False,
            encoding="utf8",
            lineterminator="\n",
            float_format="%.10g",
            date_format="%Y-%m-%d",
        )
    return truth


if __name__ == "__main__":
    write_study(Path(__file__).parent, SEED)
