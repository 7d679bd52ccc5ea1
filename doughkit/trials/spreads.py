"""How far scores differ by chance: assumed before the doughs themselves can say."""

from __future__ import annotations

from dataclasses import dataclass

from doughkit.tables.problems import problem_error

SCALE = 8.0
"""Points from the low to the high end of a scale of 1 to 9."""


@dataclass(frozen=True)
class Spreads:
    """How far scores differ by chance, as standard deviations in points of a 1-9 scale.

    Our starting guess, not your doughs: two doughs of one formula, two pieces of one dough, and
    two scores by one taster of one piece; `tasters` score every piece; and two bake days alike.
    """

    dough: float = 0.35
    piece: float = 0.25
    tasting: float = 0.9
    tasters: int = 6
    day: float = 0.25

    def __post_init__(self):
        lowest = min(self.day, self.dough, self.piece, self.tasting)
        if lowest < 0 or self.tasters < 1 or not self.piece + self.tasting > 0:
            raise problem_error(
                "spreads",
                found=f"{self}",
                expected="standard deviations of 0 or more, piece or tasting above 0, a taster",
                mend="write spreads in the points of the scale",
            )

    @property
    def of_piece(self) -> float:
        """Variance of one piece's panel mean about its dough."""
        return self.piece**2 + self.tasting**2 / self.tasters
