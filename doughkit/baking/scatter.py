"""How much one bake strays from the mean of such bakes: not known, but learnt from repeats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

BAKE_ERROR_PCT = 0.5
"""Spread of the loss from bake to bake [points], one standard deviation; assumed."""
GUESS_SPREAD = 0.9
"""How sure that assumption is: standard deviation of its logarithm. Nobody has published how far
weighed bakes of one kitchen scatter, so a quarter of it or four times as much are within reason
(nine chances in ten); one's own repeats decide."""
LEVELS = 10
"""So many possible spreads, equally likely, are told apart."""
GRID = np.linspace(-3.5, 3.5, 141)


@dataclass(frozen=True)
class Scatter:
    """Spread from bake to bake [points], one standard deviation, as each member has it."""

    levels: np.ndarray
    level: np.ndarray
    """Which of the levels is each member's: (members,)."""

    @property
    def typical(self) -> float:
        """As likely too small as too large."""
        return float(np.sqrt(np.median(self.levels**2)))

    @property
    def each(self) -> np.ndarray:
        """(members,)"""
        return self.levels[self.level]


def known_scatter(error_pct: float, members: int) -> Scatter:
    """A spread that is not in doubt."""
    return Scatter(np.array([error_pct]), np.zeros(members, int))


def learnt_scatter(
    repeats: tuple[float, int], weighing: np.ndarray, guess_pct: float, members: int, rng
) -> Scatter:
    """The guess after the repeats have had their say.

    `repeats`: sum of squares and degrees of freedom of the losses within equal bakes; it holds the
    errors of weighing as well. A scatter larger than the guess is believed, since a door held
    open, a thicker rim or a careless weighing are the kitchen's own.
    """
    squares, df = repeats
    spread = guess_pct * np.exp(GUESS_SPREAD * GRID)
    total = spread**2 + (np.mean(weighing**2) if len(weighing) else 0.0)
    chance = norm.logpdf(GRID) - (df * np.log(total) + squares / total) / 2
    share = np.cumsum(np.exp(chance - chance.max()))
    at = (np.arange(LEVELS) + 0.5) / LEVELS
    levels = np.exp(np.interp(at, share / share[-1], np.log(spread)))
    return Scatter(levels, rng.permutation(np.arange(members) % LEVELS))
