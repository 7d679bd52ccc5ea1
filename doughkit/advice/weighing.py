"""Weighing up: fit the surfaces, draw them as they may be, find the levels that meet the goal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit import texture
from doughkit.advice.space import Space, open_space
from doughkit.advice.targets import Wanted, read_wanted
from doughkit.tables.problems import Problem, StudyProblems
from doughkit.texture.assumed import AssumedFit

DRAWS = 256
FORMULAS = 64
"""Formulas looked at everywhere, and as many near the best that were baked."""
NO_DIFFERENCE = 0.01
"""Goals this near can't be told apart by anyone: then the place nearest to the middle is taken,
where a slip of the scale costs least."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """Surfaces as they may be: what every search and every round is judged by."""

    wanted: Wanted
    space: Space
    coefficients: dict[str, np.ndarray]
    """attribute → draws × columns of the fit"""
    references: dict[str, np.ndarray]

    def values(self, places: np.ndarray) -> dict[str, np.ndarray]:
        rows = self.space.rows(places)
        return {name: drawn @ rows.T for name, drawn in self.coefficients.items()}

    def goals(self, places: np.ndarray) -> np.ndarray:
        """Draws × places."""
        return self.wanted.goal(self.values(places), self.references)


@dataclass(frozen=True, eq=False)
class Search:
    """What was looked at and found best: places, their mean goals, and each draw's own best."""

    best: np.ndarray
    goal: float
    best_of_draws: np.ndarray


@dataclass(frozen=True, eq=False)
class Weighed:
    """All that advice is read from."""

    tables: Mapping[str, pd.DataFrame]
    wanted: Wanted
    found: AssumedFit
    drawn: Drawn
    baked: np.ndarray
    """Places of the pieces with levels, in the order of `found.design`."""
    search: Search
    seed: int

    @property
    def factors(self) -> pd.DataFrame:
        return self.tables["factors"]

    @property
    def space(self) -> Space:
        return self.drawn.space

    @property
    def best(self) -> pd.Series:
        """The recommended levels."""
        return self.space.frame(self.search.best[None]).iloc[0]


def weigh(tables: Mapping[str, pd.DataFrame], *, goal: str, seed: int, assumptions=None) -> Weighed:
    """Fit what is wanted and find the best levels; refuses a study that can't be advised on."""
    require_tables(tables)
    wanted = read_wanted(tables, goal)
    return weigh_wanted(tables, wanted, seed=seed, assumptions=assumptions)


def weigh_wanted(tables, wanted: Wanted, *, seed: int, assumptions=None) -> Weighed:
    """The same for targets that have been read."""
    found = texture.fit_assuming(
        wanted.values,
        tables["doughs"],
        tables["pieces"],
        tables["factors"],
        scales=wanted.scales,
        covariance=wanted.covariance,
        assumptions=assumptions,
    )
    _require_answers(wanted, found)
    space = open_space(
        tables["factors"], tables.get("limits"), tables["doughs"], found.ground, found.design
    )
    rng = np.random.default_rng(seed)
    drawn = draw(wanted, found, space, DRAWS, rng)
    baked = space.places(found.design)
    return Weighed(tables, wanted, found, drawn, baked, look(drawn, baked, rng), seed)


def draw(wanted: Wanted, found: AssumedFit, space: Space, count: int, rng) -> Drawn:
    """Draw all surfaces, and the reference's own levels with them."""
    coefficients = {
        one.attribute: found.surfaces[one.attribute].part.draw(count, rng) for one in wanted.targets
    }
    references = {
        one.attribute: coefficients[one.attribute] @ found.ground.row_of("reference")
        for one in wanted.targets
        if one.like
    }
    return Drawn(wanted, space, coefficients, references)


def look(drawn: Drawn, baked: np.ndarray, rng: np.random.Generator) -> Search:
    """Look everywhere and near the best baked, then ever nearer to the best found."""
    space = drawn.space
    own = np.unique(baked[space.allowed(baked)], axis=0)
    formulas = space.spread_out(FORMULAS, rng)
    if len(own):
        near = own[drawn.goals(own).mean(axis=0).argsort(kind="stable")[:3]]
        formulas = np.concatenate([formulas, near, space.around(near, 0.25, FORMULAS // 3, rng)])
    seen = np.concatenate([space.baked_each_way(formulas), own])
    goals = drawn.goals(seen)
    for reach in (0.2, 0.08):
        top = seen[goals.mean(axis=0).argsort(kind="stable")[:6]]
        more = space.around(top, reach, 16, rng)
        seen = np.concatenate([seen, more])
        goals = np.hstack([goals, drawn.goals(more)])
    best, goal = settle(drawn, seen, goals.mean(axis=0))
    return Search(best, goal, seen[goals.argmin(axis=1)])


def settle(drawn: Drawn, seen: np.ndarray, goals: np.ndarray) -> tuple[np.ndarray, float]:
    """Go on to the best neighbour until there is none; ties go to the middle."""
    space = drawn.space
    best, goal = seen[goals.argmin()], goals.min()
    for _ in range(100):
        around = space.beside(best)
        own = drawn.goals(around).mean(axis=0)
        seen, goals = np.concatenate([seen, around]), np.concatenate([goals, own])
        if own.min() >= goal - 1e-12:
            break
        best, goal = around[own.argmin()], own.min()
    level = np.flatnonzero(goals <= goals.min() + NO_DIFFERENCE * min(1.0, goals.min() + 0.01))
    far = (space.scale(seen[level]) ** 2).sum(axis=1)
    chosen = int(level[far.argmin()])
    return seen[chosen], float(goals[chosen])


def require_tables(tables: Mapping[str, pd.DataFrame]) -> None:
    needed = {
        "targets": "write what is wanted: low, aim, high, or like = reference",
        "factors": "name what may change, from which low to which high",
        "doughs": "list the doughs that were mixed",
        "pieces": "list the pieces that were baked",
    }
    problems = [
        Problem(name, found="no rows", expected=f"the table {name}", mend=mend)
        for name, mend in needed.items()
        if tables.get(name) is None or tables[name].empty
    ]
    targets, attributes = tables.get("targets"), tables.get("attributes")
    if targets is not None and attributes is not None:
        rated = set(targets["attribute"]) & set(attributes["attribute"])
        problems += [
            Problem(
                name,
                found="no rows",
                expected=f"the table {name}, since {', '.join(sorted(rated))} is rated",
                mend="let the panel taste what was baked first",
            )
            for name in ("ratings", "servings")
            if rated and (tables.get(name) is None or tables[name].empty)
        ]
    if problems:
        raise StudyProblems(problems, about="the study: nothing can be recommended")


def _require_answers(wanted: Wanted, found: AssumedFit) -> None:
    silent = [one.attribute for one in wanted.targets if one.attribute not in found.surfaces]
    if silent:
        raise StudyProblems(
            Problem(
                "targets",
                key=f"attribute {name}",
                found="no value of any test dough",
                expected="ratings or measurements of it",
                mend="have it rated or measured, or take the target out",
            )
            for name in silent
        )
