"""What weighings told: the frames of a calibration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.stats import norm

from doughkit.baking.ensemble import Members, oven_names, simulate_members, spread_of
from doughkit.baking.inputs import guesses, read_bakes
from doughkit.baking.learning import Learnt, width_after
from doughkit.baking.misfit import Misfit
from doughkit.baking.run import run

EACH_UP_TO = 6
"""So many bakes are each simulated with all members; of more, one of each kind."""
ALIKE_LOSS_PCT, ALIKE_TIME = 3.0, 0.15
"""Bakes of one oven are of a kind when their times and simulated losses fall in the same bin."""
LONGER = 1.5
LEVEL = 0.90
NEXT_COLUMNS = [
    "oven", "weigh", "bake_min", "width_now", "width_after", "longer_now", "longer_after",
]  # fmt: skip
PARAMETER_COLUMNS = [
    "oven", "unknown", "meaning", "guess", "guess_low", "guess_high", "told", "told_low",
    "told_high", "told_pct", "off",
]  # fmt: skip


class Weighed:
    """Weighed bakes sorted into kinds that may share one run with all members.

    Of few bakes only equal ones are of a kind. Of many, one of each kind (oven, time, simulated
    loss) is run; the others follow it in proportion to what the typical oven makes of them.
    """

    def __init__(self, bakes: pd.DataFrame, tell=None):
        self.bakes, self.tell = bakes, tell
        self.table, self.ovens = read_bakes(bakes), oven_names(bakes)
        self.typical = np.ones(len(bakes))
        if len(bakes) > EACH_UP_TO:
            lost = run(self.table, grid="rough")["lost_kg_m2"][-1]
            self.typical = 100 * lost / self.table["mass_kg_m2"]
        kinds: dict[tuple, list[int]] = {}
        for place, key in enumerate(self._keys()):
            kinds.setdefault(key, []).append(place)
        self.kinds = list(kinds.values())
        self.leaders = [
            places[np.abs(self.typical[places] - np.median(self.typical[places])).argmin()]
            for places in self.kinds
        ]

    def _keys(self):
        if len(self.bakes) <= EACH_UP_TO:
            columns = [map(str, values) for values in self.table.values()]
            return zip(self.ovens, *columns, strict=True)
        time = np.round(np.log(self.table["bake_min"]) / ALIKE_TIME)
        return zip(self.ovens, time, np.round(self.typical / ALIKE_LOSS_PCT), strict=True)

    def simulate(self, members: Members) -> np.ndarray:
        """Loss [%] of each bake as each member would have it: (members, bakes)."""
        out = np.empty((members.count, len(self.bakes)))
        if self.bakes.empty:
            return out
        part = {name: values[self.leaders] for name, values in self.table.items()}
        ovens = [self.ovens[place] for place in self.leaders]
        in_full = simulate_members(part, ovens, members, tell=self.tell)[0].T
        for column, (leader, places) in enumerate(zip(self.leaders, self.kinds, strict=True)):
            share = self.typical[places] / self.typical[leader]
            out[:, places] = in_full[:, [column]] * share
        return out

    def scatter(self, loss: np.ndarray) -> tuple[float, int]:
        """Sum of squares and degrees of freedom of the losses [%] within their kinds."""
        squares = [
            float(
                ((loss[places] / self.typical[places] * self.typical[leader]).var()) * len(places)
            )
            for leader, places in zip(self.leaders, self.kinds, strict=True)
        ]
        return sum(squares), len(loss) - len(self.kinds)


def parameters(learnt: Learnt, bakes: pd.DataFrame) -> pd.DataFrame:
    """Each unknown before and after the weighings."""
    if bakes.empty:
        return pd.DataFrame(columns=PARAMETER_COLUMNS)
    table, ovens = read_bakes(bakes, warn=False), oven_names(bakes)
    members = learnt.members
    bent = learnt.bend(members.matrix())
    tail = norm.ppf((1 + LEVEL) / 2)
    rows = []
    for column, (oven, unknown) in enumerate(members.scores):
        place = ovens.index(oven) if oven else 0
        spread = spread_of(table, place, unknown)
        if spread == 0:
            continue
        before = np.array([0, -tail, tail])
        after = np.quantile(bent[:, column], [0.5, (1 - LEVEL) / 2, (1 + LEVEL) / 2])
        scores = {(oven, unknown): np.concatenate([before, after])}
        value = replace(members, scores=scores).value(oven, unknown, table[unknown][place], spread)
        told = 100 * max(1 - bent[:, column].var(ddof=1) / learnt.wider**2, 0)
        rows.append(
            (oven, unknown, guesses().loc[unknown, "meaning"], *value, told, bent[:, column].mean())
        )
    return pd.DataFrame(rows, columns=PARAMETER_COLUMNS)


def weighings(bakes, losses, guessed: np.ndarray, told: np.ndarray) -> pd.DataFrame:
    """Each weighing beside its forecast before and after all weighings."""
    low, high = (1 - LEVEL) / 2, (1 + LEVEL) / 2
    # a forecast of the weighing itself: the bake's own spread is in it
    scale = losses["loss_error_pct"].to_numpy() * norm.ppf(high)
    out = pd.DataFrame(
        {
            "piece": bakes["piece"],
            "oven": oven_names(bakes),
            "bake_min": bakes["bake_min"],
            "loss_pct": losses["loss_pct"],
            "loss_error_pct": losses["loss_error_pct"],
        }
    )
    for name, values in (("before", guessed), ("after", told)):
        mid, below, above = np.quantile(values, [0.5, low, high], axis=0)
        out[name] = mid
        out[f"{name}_low"] = mid - np.hypot(mid - below, scale)
        out[f"{name}_high"] = mid + np.hypot(above - mid, scale)
    out["ci_level"] = LEVEL
    inside = out["loss_pct"].between(out["before_low"], out["before_high"])
    words = pd.Series(np.where(inside, "yes", "no"), out.index, dtype="str")
    out["inside_before"] = words.where(out["loss_pct"].notna())
    out["remark"] = losses["remark"]
    return out


def with_unweighed(told: pd.DataFrame, pieces: pd.DataFrame, every: pd.DataFrame) -> pd.DataFrame:
    """All pieces in their order; those without a loss keep their row, its remark says why."""
    out = told.reindex(pieces.index)
    for name in ("piece", "oven", "bake_min"):
        out[name] = pieces[name]
    out["remark"] = every["remark"]
    return out


def next_weighing(weighed: pd.DataFrame, learnt: Learnt, misfit: Misfit) -> pd.DataFrame:
    """What one more weighing in each oven would tell of the usual bake and of a longer one."""
    rows, error = [], learnt.scatter.typical
    ovens = dict.fromkeys(oven_names(weighed))
    for oven in ovens:
        where = f" in {oven}" if len(ovens) > 1 else ""
        own = weighed[np.array(oven_names(weighed)) == oven]
        usual = own.iloc[[(own["bake_min"] - own["bake_min"].median()).abs().argmin()]]
        minutes = usual["bake_min"].iloc[0]
        table = read_bakes(usual.assign(bake_min=minutes * LONGER), warn=False)
        at = (1 / LONGER**2, 1 / LONGER, 1.0)
        loss = simulate_members(table, [oven], learnt.members, at=at)[:, 0].T
        three = {name: np.repeat(values, len(at)) for name, values in table.items()}
        three["bake_min"] = three["bake_min"] * at
        bent = misfit.astray(learnt.bend(loss), three, [oven] * len(at))
        width = np.diff(np.quantile(bent, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0), axis=0)[0]
        words = ("weigh a shorter bake", "weigh the usual bake again", "weigh a longer bake")
        for column, word in enumerate(words):
            shrinks = [width_after(bent[:, t], bent[:, column], error) for t in (1, 2)]
            after = width[1] * shrinks[0], width[2] * shrinks[1]
            weighed_min = minutes * LONGER ** (column - 1)
            sentence = f"{word}{where} ({weighed_min:.3g} min)"
            rows.append((oven, sentence, weighed_min, width[1], after[0], width[2], after[1]))
    return pd.DataFrame(rows, columns=NEXT_COLUMNS)
