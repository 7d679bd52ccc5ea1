"""Weighing up: fit the surfaces, draw them as they may be, find the levels that meet the goal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit import texture
from doughkit.advice.search import (
    candidates,
    coded_places,
    failed_places,
    near_failed,
    neighbours,
    seen_levels,
)
from doughkit.advice.targets import Wanted, read_wanted
from doughkit.tables.problems import Problem, StudyProblems, problem_error
from doughkit.texture.result import TextureFit
from doughkit.trials.factors import read_factors
from doughkit.trials.limits import within_limits
from doughkit.trials.models import TERMS

DRAWS = 256
"""On every combination of levels; the `FINALISTS` nearest to the goal are told apart by more."""

FINE_DRAWS = 2048
FINALISTS = 300
NO_DIFFERENCE = 0.01
"""Goals this near, in points, can't be told apart by anyone: then the levels nearest to the middle
of what was baked are taken, where the surfaces are known best."""
COMFORTABLE_DF = 3
"""Degrees of freedom below which a simpler surface is taken, if one leaves more."""


@dataclass(frozen=True, eq=False)
class Weighed:
    """All that advice is read from."""

    tables: Mapping[str, pd.DataFrame]
    wanted: Wanted
    found: TextureFit
    terms: str
    levels: dict[str, list]
    """The levels that can be set and were within what was baked, factor by factor."""
    best: pd.Series
    goal: float
    best_of_draws: pd.DataFrame
    """For each draw the levels that would be best if it were the truth."""
    failed: np.ndarray
    seed: int

    @property
    def factors(self) -> pd.DataFrame:
        return self.tables["factors"]

    def goals(self, levels: pd.DataFrame) -> np.ndarray:
        """Draws × rows of levels: the goal of each row, the same draws at every call."""
        return _goals(self.wanted, self.found, levels, self.seed, FINE_DRAWS)


def weigh(tables: Mapping[str, pd.DataFrame], *, seed: int) -> Weighed:
    """Fit what is wanted and find the best levels; refuses a study that can't be advised on."""
    _require_tables(tables)
    wanted = read_wanted(tables)
    found, terms = _fit(tables, wanted)
    factors = tables["factors"]
    levels = seen_levels(found, factors)
    known = read_factors(factors)
    of_dough = [one for one in known if one.changed_per == "dough"]
    failed = failed_places(tables["doughs"], of_dough)
    avoid, limits = near_failed(failed, of_dough), tables.get("limits")
    tried = candidates(levels, limits, avoid)
    goals = _goals(wanted, found, tried, seed, DRAWS)
    best_of_draws = tried.iloc[goals.argmin(axis=1)].reset_index(drop=True)
    finalists = tried.iloc[np.argsort(goals.mean(axis=0), kind="stable")[:FINALISTS]]
    best, goal = _settle(
        finalists,
        lambda rows: _goals(wanted, found, rows, seed, FINE_DRAWS).mean(axis=0),
        lambda point: _allowed(neighbours(point, levels), limits, avoid),
        lambda rows: coded_places(rows, [one for one in known if not one.levels]),
    )
    return Weighed(tables, wanted, found, terms, levels, best, goal, best_of_draws, failed, seed)


def _allowed(rows: pd.DataFrame, limits, avoid) -> pd.DataFrame:
    return rows[within_limits(rows, limits) & ~avoid(rows)].reset_index(drop=True)


def _settle(finalists, goal_of, around, places_of) -> tuple[pd.Series, float]:
    """The best of the finalists and of what lies around it, ties going to the middle."""
    seen, goals = finalists, goal_of(finalists)
    while True:
        best = seen.iloc[int(goals.argmin())]
        fresh = around(best).merge(seen, how="left", indicator=True)
        fresh = fresh[fresh.pop("_merge").eq("left_only")]
        seen = pd.concat([seen, fresh], ignore_index=True)
        goals = np.concatenate([goals, goal_of(fresh) if len(fresh) else []])
        if seen.iloc[int(goals.argmin())].equals(best):
            break
    level = np.flatnonzero(goals <= goals.min() + NO_DIFFERENCE)
    far = (places_of(seen.iloc[level]) ** 2).sum(axis=1)
    place = int(level[far.argmin()])
    return seen.iloc[place], float(goals[place])


def _goals(wanted: Wanted, found: TextureFit, levels: pd.DataFrame, seed: int, count: int):
    values = found.draw_values(levels, n=count, seed=seed)
    references = wanted.draw_references(count, np.random.default_rng([seed, 1]))
    return wanted.goal(values, references)


def _require_tables(tables: Mapping[str, pd.DataFrame]) -> None:
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


def _fit(tables, wanted: Wanted) -> tuple[TextureFit, str]:
    """The richest surface that leaves something to judge by."""
    least = {}
    for terms in reversed(TERMS):
        found = texture.fit(
            wanted.values, tables["doughs"], tables["pieces"], tables["factors"], terms=terms
        )
        _require_answers(wanted, found)
        strata = [one.strata for one in found.surfaces.values()]
        dfs = [one.df_dough for one in strata]
        dfs += [one.df_piece for one in strata if one.layout.inner]
        least[terms] = (min(dfs), found)
        if min(dfs) >= COMFORTABLE_DF:
            return found, terms
    terms = max(least, key=lambda one: least[one][0])
    if least[terms][0] < 1:
        doughs = least[terms][1].design["dough"].nunique()
        raise problem_error(
            "doughs",
            found=f"{doughs} doughs with a level of every factor and a rating",
            expected="more doughs than factors, so that something is left to judge by",
            mend="bake more doughs, or take fewer factors",
        )
    return least[terms][1], terms


def _require_answers(wanted: Wanted, found: TextureFit) -> None:
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
