"""What no slab knows: a spread of the loss that grows with the distance from what was weighed.

A piece on a hot plate lifts and blisters, so that its contact fades; it puffs and vents steam
through tears; its crust darkens and takes up more of the oven's radiation; the door and the
thermostat have their own rhythm. At the bakes that were weighed all this is in the weighings. At
another time or temperature it is in neither weighings nor model, and no spread of the model's own
unknowns stands for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PER_DOUBLING = 0.06
"""Share of the loss, one standard deviation, at twice or half of what was weighed; judgement:
fits with one oven factor slip by 3-7 % of the loss per doubling of the time."""
PUFFED_PER_DOUBLING = 0.25
"""The same for a piece that opens into two layers; judgement: two thin layers may run dry and lose
no more, or go on as the slab does, which loses some 1.8 times as much in twice the time. Half of
that gap either way."""
DEGREES = 80.0
"""A change of the oven's temperature that counts like a doubling [K]: radiation and the heat
through the contact then change by about half."""


@dataclass(frozen=True)
class Misfit:
    """How far each member's truth strays from the model, away from what was weighed."""

    weighed: dict
    ovens: list[str]
    chance: np.ndarray
    """Standard normal: (members,)."""

    def astray(self, lost: np.ndarray, bakes: dict, ovens: list[str]) -> np.ndarray:
        """Losses (members, bakes), or what is in proportion to them, with the misfit in."""
        return lost * (1 + self.share(bakes, ovens) * self.chance[:, None])

    def share(self, bakes: dict, ovens: list[str]) -> np.ndarray:
        """Spread of each bake's loss beyond the model, as a share of it: (bakes,).

        Counted from the nearest weighed bake of the same oven. An oven without a weighing has none:
        the starting guesses, which published bakes were held against, are all its doubt.
        """
        here, there = _place(bakes), _place(self.weighed)
        same = np.array(ovens, object)[:, None] == np.array(self.ovens, object)[None, :]
        apart = np.sqrt(((here[:, None] - there[None]) ** 2).sum(axis=2))
        nearest = np.where(same, apart, np.inf).min(axis=1, initial=np.inf)
        per_doubling = np.where(bakes["puffed"], PUFFED_PER_DOUBLING, PER_DOUBLING)
        return per_doubling * np.where(np.isfinite(nearest), nearest, 0.0)


def _place(bakes: dict) -> np.ndarray:
    """Where a bake lies: doublings of its time and its dough on an area, its temperatures."""
    support_c = np.where(np.isfinite(bakes["support_c"]), bakes["support_c"], bakes["air_c"])
    return np.column_stack(
        [
            np.log2(bakes["bake_min"]),
            np.log2(bakes["mass_kg_m2"]),
            bakes["air_c"] / DEGREES / np.sqrt(2),
            support_c / DEGREES / np.sqrt(2),
        ]
    )
