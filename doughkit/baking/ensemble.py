"""Many ovens and doughs that could be yours: drawn from the starting guesses, bent to weighings.

Each member is one possible truth about the unknowns. Weighings bend all members linearly (with
perturbed observations), so that a forecast needs no further fit and cannot run away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.baking.inputs import STATED, guesses
from doughkit.baking.run import run


@dataclass(frozen=True)
class Members:
    """Standard normal scores of every unknown by owner: an oven, or "" for the dough."""

    count: int
    scores: dict[tuple[str, str], np.ndarray]

    def owners(self) -> list[str]:
        return list(dict.fromkeys(owner for owner, _ in self.scores))

    def with_oven(self, oven: str, rng: np.random.Generator) -> Members:
        """The same members with one more oven, independent of all that is there."""
        if oven in self.owners():
            return self
        names = _names("oven")
        new = independent(rng, self.count, len(names), beside=self.matrix())
        return Members(
            self.count,
            {**self.scores, **{(oven, name): new[:, i] for i, name in enumerate(names)}},
        )

    def matrix(self, owners=None) -> np.ndarray:
        """Scores as columns, of all owners or of some."""
        chosen = [s for (owner, _), s in self.scores.items() if owners is None or owner in owners]
        return np.column_stack(chosen) if chosen else np.empty((self.count, 0))

    def moved_to(self, matrix: np.ndarray) -> Members:
        """The same unknowns with other scores, in the order of `matrix()`."""
        return Members(self.count, dict(zip(self.scores, matrix.T, strict=True)))

    def value(self, oven: str, unknown: str, typical, spread) -> np.ndarray:
        """An unknown's value per member, around `typical`."""
        guess = guesses().loc[unknown]
        owner = oven if guess["belongs_to"] == "oven" else ""
        score = self.scores[owner, unknown]
        if guess["kind"] == "factor":
            values = typical * np.exp(spread * score)
        else:
            values = typical + spread * score
        return np.clip(values, guess["low"], guess["high"])


def _names(belongs_to: str) -> list[str]:
    return list(guesses().index[guesses()["belongs_to"] == belongs_to])


def independent(rng, count: int, columns: int, beside=None) -> np.ndarray:
    """Standard normal columns, in the sample too without correlation with each other or `beside`.

    With chance correlations removed, a thousand members tell as much as many thousand.
    """
    draws = rng.standard_normal((count, columns))
    beside = np.empty((count, 0)) if beside is None else beside
    known = np.column_stack([np.ones(count), beside])
    if known.shape[1] + columns >= count:
        return draws
    basis, _ = np.linalg.qr(np.column_stack([known, draws]))
    basis = basis[:, known.shape[1] :] * np.sqrt(count - 1)
    return basis * np.sign((basis * draws).sum(axis=0))


def draw_members(ovens: list[str], count: int, rng: np.random.Generator) -> Members:
    """Members of the starting guesses for these ovens and one kind of dough."""
    names = _names("dough")
    dough = independent(rng, count, len(names))
    members = Members(count, {("", name): dough[:, i] for i, name in enumerate(names)})
    for oven in ovens:
        members = members.with_oven(oven, rng)
    return members


def oven_names(bakes: pd.DataFrame) -> list[str]:
    """The oven of each bake; "oven" where no column names one."""
    return list(bakes["oven"]) if "oven" in bakes.columns else ["oven"] * len(bakes)


def with_ovens(members: Members, ovens: list[str], seed: int) -> Members:
    """Members that know all these ovens; a new one is drawn from the starting guesses."""
    for place, oven in enumerate(dict.fromkeys(ovens)):
        members = members.with_oven(oven, np.random.default_rng([seed, 2, place]))
    return members


def spread_out(table: dict, ovens: list[str], members: Members) -> dict:
    """Every bake of a checked table in every member's truth; member runs fastest."""
    many = {name: np.repeat(values, members.count) for name, values in table.items()}
    for name in guesses().index:
        many[name] = np.concatenate(
            [
                members.value(oven, name, table[name][place], spread_of(table, place, name))
                for place, oven in enumerate(ovens)
            ]
        )
    many["bake_min"] = many["bake_min"] * many["time_factor"]
    many["mass_kg_m2"] = many["mass_kg_m2"] * many["mass_factor"]
    return many


def simulate_members(table: dict, ovens: list[str], members: Members, *, at=(1.0,), tell=None):
    """Loss [%] of each bake in each member's truth: (times, bakes, members)."""
    many = spread_out(table, ovens, members)
    lost = run(many, at=at, grid="rough", tell=tell)["lost_kg_m2"] / many["mass_kg_m2"]
    return 100 * lost.reshape(len(at), len(ovens), members.count)


def spread_of(table: dict, place: int, unknown: str) -> float:
    """Spread of an unknown for the bake at `place`: as the bake states it, else as guessed."""
    stated = table[f"{unknown}_spread"][place] if unknown in STATED else np.nan
    return stated if np.isfinite(stated) else guesses().loc[unknown, "spread"]
