"""Simulated kitchens: a hidden texture of four or five factors, a panel, days, doughs, pieces.

Six families of truth, none of them a quadratic with normal coefficients as the library assumes: a
quadratic of other sizes, a saturating one, the lower of two planes, a bump on a bent ridge, a cliff
of overbaking, and a mixture. All ranges and spreads are in points on a scale of 1 to 9.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.stats import qmc

FAMILIES = ("quadratic", "saturating", "kinked", "bump", "cliff", "mixed")
ATTRIBUTES = ("crispness", "chew", "rigidity", "liking")
FACTORS = {
    # factor: low, high, changed per, signs of its effect on the attributes (0: either way)
    "hydration_pct": (60.0, 80.0, "dough", (-1, 1, -1, 0)),
    "salt_pct": (1.4, 2.6, "dough", (0, 0, 0, 1)),
    "whole_grain_pct": (0.0, 50.0, "dough", (-1, 1, 0, 0)),
    "fat_pct": (0.0, 6.0, "dough", (1, -1, -1, 1)),
    "bake_min": (20.0, 40.0, "piece", (1, -1, 1, 0)),
}
FOUR = ("hydration_pct", "salt_pct", "whole_grain_pct", "bake_min")
SALT = 1
REACH = 2.5
"""Points from the aim at which a two-sided wish is worth nothing."""


@dataclass(frozen=True)
class Setting:
    """Spreads of a kitchen and its stress."""

    day: float = 0.25
    dough: float = 0.35
    piece: float = 0.25
    level: float = 0.7
    use: float = 0.15
    repeat: float = 0.9
    people: int = 6
    effects: float = 1.0
    factors: tuple[str, ...] = FOUR
    drift: float = 0.0
    """Points by which crispness is scored lower at each further day."""
    age: float = 0.0
    """Points of crispness lost while a tasting lasts."""
    absent: bool = False
    reference_tasted: bool = False
    noise: float = 1.0


@dataclass
class Kitchen:
    """One hidden truth with its panel."""

    family: str
    setting: Setting
    rng: np.random.Generator
    surfaces: list = field(default_factory=list)
    shift: np.ndarray = None
    times: np.ndarray = None
    profile: np.ndarray = None

    def truth(self, x: np.ndarray) -> np.ndarray:
        """Long-run means at coded places (n × factors): n × attributes."""
        raw = np.column_stack([surface(x) for surface in self.surfaces])
        return self.shift + self.times * raw

    def goal(self, values: np.ndarray, goal: str) -> np.ndarray:
        """How far n × attributes lie from what is wanted."""
        if goal == "distance":
            return np.sqrt(((values - self.profile) ** 2).mean(axis=-1))
        met = 1 - np.abs(values[..., :3] - self.profile[:3]) / REACH
        liked = (values[..., 3:] - 3) / 5
        met = np.clip(np.concatenate([met, liked], axis=-1), 0.01, 1.0)
        return 1 - np.exp(np.log(met).mean(axis=-1))


def new_kitchen(number: int, setting: Setting = Setting(), *, offset: int = 0) -> Kitchen:
    """The kitchen of a number; families take turns."""
    rng = np.random.default_rng([number, offset, 77])
    family = FAMILIES[number % len(FAMILIES)]
    kitchen = Kitchen(family, setting, rng)
    count = len(setting.factors)
    kinds = list(rng.permutation(FAMILIES[:5])[:4]) if family == "mixed" else [family] * 4
    kitchen.surfaces = [_surface(kind, at, setting.factors, rng) for at, kind in enumerate(kinds)]
    x = 2 * qmc.Sobol(count, rng=rng).random(2048) - 1
    raw = np.column_stack([surface(x) for surface in kitchen.surfaces])
    low, high = raw.min(axis=0), raw.max(axis=0)
    span = rng.uniform(4.2, 5.8, 4) * setting.effects
    kitchen.times = span / (high - low)
    bottom = rng.uniform(1.4, 8.6 - span)
    kitchen.shift = bottom - kitchen.times * low
    at = rng.uniform(-1, 1, (1, count))
    kitchen.profile = kitchen.truth(at)[0] + rng.normal(0, 0.35, 4)
    return kitchen


def _surface(kind: str, attribute: int, factors, rng):
    """One attribute's raw surface on −1 … +1."""
    count = len(factors)
    signs = np.array([FACTORS[name][3][attribute] for name in factors], dtype=float)
    size = np.abs(rng.normal(0.8, 0.45, count)) * np.where(signs == 0, 0.7, 1.0)
    slope = size * np.where(signs == 0, rng.choice([-1, 1], count), signs)
    cross = np.triu(rng.normal(0, 0.3, (count, count)), 1)
    bend = rng.normal(0, 0.3, count)
    if attribute == 3:
        bend = -np.abs(rng.normal(0.6, 0.3, count))
        slope = slope * 0.6

    def quadratic(x):
        return x @ slope + np.einsum("ni,ij,nj->n", x, cross, x) + x**2 @ bend

    if kind == "quadratic":
        return quadratic
    if kind == "saturating":
        middle, steep = rng.normal(0, 0.5), rng.uniform(0.6, 1.2)
        return lambda x: np.tanh(steep * (quadratic(x) - middle) / 1.2)
    if kind == "kinked":
        other = slope * rng.uniform(-0.6, 0.5, count) + rng.normal(0, 0.4, count)
        gap = rng.normal(0.4, 0.3)
        return lambda x: np.minimum(x @ slope, gap + x @ other)
    if kind == "bump":
        centre, wide = rng.uniform(-0.7, 0.7, count), rng.uniform(0.85, 1.4, count)
        turn = rng.normal(0, 0.5, count)
        part = 0.35 if attribute < 3 else 0.1

        def bump(x):
            bent = x - centre
            bent = bent + turn * np.roll(x, 1, axis=1) ** 2 * 0.5
            return np.exp(-0.5 * ((bent / wide) ** 2).sum(axis=1)) * 2 + part * (x @ slope)

        return bump
    edge = rng.uniform(0.2, 0.9)
    lean = rng.normal(0, 0.3, count - 1)
    drop, steep = rng.uniform(0.8, 1.8), rng.uniform(5, 9)
    bake = list(factors).index("bake_min")
    rest = [at for at in range(count) if at != bake]
    side = -1.0 if attribute in (0, 3) else rng.choice([-1.0, 1.0])

    def cliff(x):
        over = x[:, bake] - edge - x[:, rest] @ lean
        return x @ slope + 0.5 * (x**2 @ bend) + side * drop / (1 + np.exp(-steep * over))

    return cliff


def best_goal(kitchen: Kitchen, goal: str) -> tuple[float, np.ndarray]:
    """The least goal that any levels attain, and where."""
    rng = np.random.default_rng(5)
    count = len(kitchen.setting.factors)
    x = 2 * qmc.Sobol(count, rng=rng).random(4096) - 1
    x = np.where(rng.random(x.shape) < 0.12, np.sign(x), x)
    top = x[:10]
    for reach in (0.0, 0.2, 0.1, 0.05, 0.02, 0.01, 0.004):
        if reach:
            x = np.clip(np.repeat(top, 40, axis=0) + reach * rng.normal(size=(400, count)), -1, 1)
            x = np.concatenate([x, top])
        goals = kitchen.goal(kitchen.truth(x), goal)
        top = x[goals.argsort()[:10]]
    return float(goals.min()), top[0]


@dataclass
class Bench:
    """The tables of one kitchen's study as it grows."""

    kitchen: Kitchen
    goal: str
    rng: np.random.Generator
    doughs: list = field(default_factory=list)
    pieces: list = field(default_factory=list)
    coded: list = field(default_factory=list)
    scores: list = field(default_factory=list)
    """Per piece: people × attributes, absent people NaN."""
    tasting: list = field(default_factory=list)
    true: list = field(default_factory=list)
    """Per piece what it truly was: its day's, dough's and own deviation included."""
    day: int = 0

    def __post_init__(self):
        setting, draw = self.kitchen.setting, self.rng
        self.level = draw.normal(0, setting.level * setting.noise, (setting.people, 4))
        self.use = np.exp(draw.normal(0, setting.use, (setting.people, 4)))
        # The scale is this panel's own: what it means on average is the truth.
        self.level -= self.level.mean(axis=0)
        self.use /= self.use.mean(axis=0)
        if setting.reference_tasted:
            self.doughs.append({"dough": "REF", "kind": "reference"})

    def bake(self, formulas: list[np.ndarray], names: list[str]) -> None:
        """One day: each dough's pieces (pieces × coded factors), tasted by the panel."""
        setting, draw = self.kitchen.setting, self.rng
        self.day += 1
        count = len(setting.factors)
        day = draw.normal(0, setting.day * setting.noise, 4)
        day[0] -= setting.drift * (self.day - 1)
        away = draw.integers(setting.people) if setting.absent else -1
        rows = [(name, x) for name, each in zip(names, formulas, strict=True) for x in each]
        of_dough = {name: draw.normal(0, setting.dough * setting.noise, 4) for name in names}
        order = draw.permutation(len(rows))
        for place, (name, x) in enumerate(rows):
            true = self.kitchen.truth(x[None])[0]
            own = draw.normal(0, setting.piece * setting.noise, 4)
            late = np.zeros(4)
            late[0] = -setting.age * order[place] / max(len(rows) - 1, 1) + setting.age / 2
            self._taste(name, x, true + day + of_dough[name] + own + late, away)
        for name, each in zip(names, formulas, strict=True):
            levels = dict(zip(setting.factors, natural(each[0], setting.factors), strict=True))
            mixed = {"dough": name, "kind": "test", "round": float(self.day)}
            levels.pop("bake_min")
            self.doughs.append(mixed | levels)
        if setting.reference_tasted:
            own = draw.normal(0, setting.piece * setting.noise, 4)
            self._taste("REF", np.full(count, np.nan), self.kitchen.profile + day + own, away)

    def _taste(self, dough: str, x: np.ndarray, value: np.ndarray, away: int) -> None:
        setting = self.kitchen.setting
        scores = self._scores(value)
        if away >= 0:
            scores[away] = np.nan
        bake = x[list(setting.factors).index("bake_min")]
        low, high = FACTORS["bake_min"][:2]
        self.pieces.append(
            {
                "piece": f"P{len(self.pieces)}",
                "dough": dough,
                "bake_min": low + (bake + 1) / 2 * (high - low),
            }
        )
        self.coded.append(x)
        self.true.append(value)
        self.scores.append(scores)
        self.tasting.append(f"T{self.day}")

    def fresh(self, x: np.ndarray) -> np.ndarray:
        """The panel's mean of one piece of one more dough on one more day; nothing is kept."""
        setting, draw = self.kitchen.setting, self.rng
        spread = np.sqrt(setting.day**2 + setting.dough**2 + setting.piece**2) * setting.noise
        value = self.kitchen.truth(x[None])[0] + draw.normal(0, spread, 4)
        return self._scores(value).mean(axis=0)

    def _scores(self, value: np.ndarray) -> np.ndarray:
        setting = self.kitchen.setting
        felt = 5 + self.level + self.use * (value - 5)
        felt = felt + self.rng.normal(0, setting.repeat * setting.noise, felt.shape)
        return np.clip(np.rint(felt), 1, 9)

    @property
    def means(self) -> np.ndarray:
        """Plain panel means, pieces × attributes."""
        return np.nanmean(np.array(self.scores), axis=1)

    def tables(self) -> dict[str, pd.DataFrame]:
        """The study as the library takes it."""
        scores = np.array(self.scores)
        count, people, _ = scores.shape
        piece = np.repeat([one["piece"] for one in self.pieces], people)
        servings = pd.DataFrame(
            {
                "serving": [f"S{at}" for at in range(count * people)],
                "tasting": np.repeat(self.tasting, people),
                "assessor": np.tile([f"A{at}" for at in range(people)], count),
                "piece": piece,
            }
        )
        ratings = pd.DataFrame(
            {
                "serving": np.repeat(servings["serving"].to_numpy(), 4),
                "attribute": np.tile(ATTRIBUTES, count * people),
                "score": scores.ravel(),
            }
        )
        return {
            "factors": factor_table(self.kitchen.setting.factors),
            "doughs": pd.DataFrame(self.doughs),
            "pieces": pd.DataFrame(self.pieces),
            "servings": servings,
            "ratings": ratings,
            "attributes": pd.DataFrame({"attribute": ATTRIBUTES, "low": 1.0, "high": 9.0}),
            "targets": self.targets(),
        }

    def targets(self) -> pd.DataFrame:
        profile = self.kitchen.profile
        if self.goal == "distance":
            aims = pd.DataFrame({"attribute": ATTRIBUTES, "aim": profile})
            if self.kitchen.setting.reference_tasted:
                return aims.assign(aim=np.nan, like="reference")
            return aims
        return pd.DataFrame(
            {
                "attribute": ATTRIBUTES,
                "low": [*(profile[:3] - REACH), 3.0],
                "aim": [*profile[:3], 8.0],
                "high": [*(profile[:3] + REACH), np.nan],
            }
        )


def factor_table(factors) -> pd.DataFrame:
    """The table `factors`."""
    rows = [(name, *FACTORS[name][:3]) for name in factors]
    return pd.DataFrame(rows, columns=["factor", "low", "high", "changed_per"])


def natural(x: np.ndarray, factors) -> np.ndarray:
    """Coded levels as they are weighed and timed."""
    low, high = (np.array([FACTORS[name][end] for name in factors]) for end in (0, 1))
    return low + (x + 1) / 2 * (high - low)


def coded(levels: pd.DataFrame, factors) -> np.ndarray:
    """And back."""
    low, high = (np.array([FACTORS[name][end] for name in factors]) for end in (0, 1))
    return 2 * (levels[list(factors)].to_numpy(float) - low) / (high - low) - 1
