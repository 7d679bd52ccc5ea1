"""A round: the doughs to mix and the pieces to bake, as one small result."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import pandas as pd

from doughkit.tables.problems import so_many
from doughkit.tables.register import TABLES

ROLES = TABLES["doughs"]["role"].choices
ROUNDED = ("dough", "factor", "wanted", "level")


def _nothing_rounded() -> pd.DataFrame:
    return pd.DataFrame(columns=list(ROUNDED))


@dataclass(frozen=True)
class Round:
    """One round of test doughs; unpacks to (doughs, pieces).

    doughs: dough, kind, round, role (corner, centre, axial, chosen …), status, then one
        column per dough factor, in the order of mixing
    pieces: piece, dough, then one column per piece factor
    rounded: dough, factor, wanted, level: every level that the scale's or clock's step moved
    notes: sentences that belong beside the plan
    """

    doughs: pd.DataFrame
    pieces: pd.DataFrame
    rounded: pd.DataFrame = field(default_factory=_nothing_rounded)
    notes: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[pd.DataFrame]:
        return iter((self.doughs, self.pieces))

    def summary(self) -> str:
        """The round in one sentence, then its notes."""
        if self.doughs.empty:
            return " ".join(["No dough is left to plan.", *self.notes])
        counts = self.doughs["role"].value_counts()
        parts = [f"{counts[role]} {role}" for role in ROLES if role in counts]
        rounds = sorted({int(number) for number in self.doughs["round"]})
        name = f"Round {rounds[0]}" if len(rounds) == 1 else f"Rounds {rounds[0]} to {rounds[-1]}"
        said = (
            f"{name}: {so_many(len(self.doughs), 'dough')} ({', '.join(parts)}), "
            f"{so_many(len(self.pieces), 'piece')}."
        )
        moved = len(self.rounded)
        steps = f"{so_many(moved, 'level')} moved to the nearest step that can be set."
        return " ".join([said, *([steps] if moved else []), *self.notes])


def dough_names(round_number: int, count: int) -> list[str]:
    """Names for the doughs of a round, in the order of mixing: D101, D102 …"""
    return [f"D{round_number}{place:02d}" for place in range(1, count + 1)]
