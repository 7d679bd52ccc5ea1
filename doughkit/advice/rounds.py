"""The next doughs: the recommendation freshly mixed, and what most likely betters it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doughkit.advice.improving import next_places
from doughkit.advice.weighing import Drawn, Search, Weighed, weigh
from doughkit.tables.problems import Problem, StudyProblems
from doughkit.trials.factors import factors_per
from doughkit.trials.rounds import Round, dough_names

LITTLE = 0.2
"""Expected shortfall, in points, below which there is little left to gain."""


def next_round(
    tables: Mapping[str, pd.DataFrame],
    *,
    doughs_to_add: int = 4,
    pieces_per_dough: int = 2,
    goal: str = "distance",
    seed: int,
) -> Round:
    """Plan the next round: the doughs that most likely better the best so far.

    Question: what should I bake next?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        A study, as `recommend` takes it.
    doughs_to_add : int
        Doughs in all.
    pieces_per_dough : int
        Pieces baked of each dough.
    goal : str
        As in `recommend`.
    seed : int
        Draws the surfaces and the order of mixing.

    Returns
    -------
    Round: unpacks to (doughs, pieces). One dough is the recommendation freshly mixed (role
    "recommended"); each of the others (role "promising") is the one from which most improvement is
    expected, given those already chosen. The first piece of a dough is the bake it was chosen for,
    each further one the bake that adds most.

    Raises
    ------
    StudyProblems as `recommend`, or if `doughs_to_add` or `pieces_per_dough` is below 1.

    Range: as `recommend`.
    Source: expected improvement, J. Mockus 1975, IFIP Technical Conference on Optimization, 400
    (from memory); several doughs at a time, one after the other.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0], "step": [0.5],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEFGH"), "kind": "test", "round": 1,
    ...     "salt_pct": [1.0, 1.0, 1.5, 2.0, 2.0, 2.5, 3.0, 3.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcdefgh"), "dough": list("ABCDEFGH"),
    ...     "droop_mm": [9.0, 9.2, 8.1, 7.2, 7.0, 6.2, 5.1, 4.9]})
    >>> targets = pd.DataFrame({"attribute": ["droop_mm"], "aim": [6.0]})
    >>> doughs, pieces = next_round({"factors": factors, "doughs": doughs, "pieces": pieces,
    ...     "targets": targets}, doughs_to_add=2, seed=1)
    >>> sorted(doughs["role"]), doughs["round"].tolist(), len(pieces)
    (['promising', 'recommended'], [2.0, 2.0], 4)
    """
    require_counts(doughs_to_add=doughs_to_add, pieces_per_dough=pieces_per_dough)
    weighed = weigh(tables, goal=goal, seed=seed)
    return round_of(weighed, doughs_to_add=doughs_to_add, pieces_per_dough=pieces_per_dough)


def require_counts(**counts: int) -> None:
    """Refuse plans of nothing."""
    problems = [
        Problem(
            "plan", column=name, found=str(given), expected="1 or more", mend="ask for at least 1"
        )
        for name, given in counts.items()
        if given < 1
    ]
    if problems:
        raise StudyProblems(problems)


def round_of(weighed: Weighed, *, doughs_to_add: int, pieces_per_dough: int) -> Round:
    """The round for a study that has been weighed up."""
    places = next_places(
        weighed.drawn,
        weighed.search,
        weighed.baked,
        doughs_to_add,
        pieces_per_dough,
        rng=np.random.default_rng([weighed.seed, 2]),
    )
    roles = ["recommended"] + ["promising"] * (doughs_to_add - 1)
    order = np.random.default_rng([weighed.seed, 3]).permutation(doughs_to_add)
    number = next_number(weighed.tables["doughs"])
    plan = laid_out(weighed, [places[at] for at in order], [roles[at] for at in order], number)
    return Round(*plan, notes=tuple(_notes(weighed, doughs_to_add)))


def laid_out(weighed: Weighed, places: list[np.ndarray], roles: list[str], number: int):
    """Doughs and pieces as tables, in the order of mixing."""
    space, factors = weighed.space, weighed.factors
    of_dough = list(factors_per(factors, "dough")["factor"])
    of_piece = list(factors_per(factors, "piece", "day")["factor"])
    names = dough_names(number, len(places))
    levels = [space.frame(each) for each in places]
    doughs = pd.DataFrame(
        {"dough": names, "kind": "test", "round": float(number), "role": roles, "status": "planned"}
    )
    formula = base_formula(weighed.tables["doughs"])
    if formula:
        doughs["formula"] = formula
    first = pd.concat([each.head(1) for each in levels], ignore_index=True)
    doughs = pd.concat([doughs, first[of_dough]], axis=1)
    pieces = [
        each[of_piece].assign(dough=name).reset_index(drop=True)
        for name, each in zip(names, levels, strict=True)
    ]
    pieces = pd.concat(pieces, ignore_index=True)
    count = pieces.groupby("dough").cumcount() + 1
    pieces.insert(0, "piece", pieces["dough"] + "-" + count.astype(str))
    return doughs, pieces[["piece", "dough", *of_piece]]


def next_number(doughs: pd.DataFrame) -> int:
    """The number of the round to come."""
    rounds = doughs["round"].dropna() if "round" in doughs.columns else pd.Series(dtype=float)
    return int(rounds.max()) + 1 if len(rounds) else 1


def base_formula(doughs: pd.DataFrame) -> str:
    """The formula that all test doughs were varied from, if it is one."""
    if "formula" not in doughs.columns:
        return ""
    used = doughs.loc[doughs["kind"].eq("test"), "formula"].dropna().unique()
    return str(used[0]) if len(used) == 1 else ""


def shortfall(drawn: Drawn, search: Search) -> float:
    """What better levels would gain on average over the draws, by the surfaces' own lights."""
    best = drawn.goals(search.best[None])[:, 0]
    rows = drawn.space.rows(search.best_of_draws)
    own = {name: (one * rows).sum(axis=1)[:, None] for name, one in drawn.coefficients.items()}
    ideal = drawn.wanted.goal(own, drawn.references)[:, 0]
    return float((best - np.minimum(ideal, best)).mean())


def _notes(weighed: Weighed, doughs_to_add: int) -> list[str]:
    left = shortfall(weighed.drawn, weighed.search)
    if weighed.wanted.goal_is != "distance":
        return []
    if left <= LITTLE:
        said = (
            f"By what is known better levels would gain {left:.2f} points on average: little is "
            "left. Bake the recommendation two or three times and judge on those."
        )
        return [said]
    return [f"By what is known better levels would gain {left:.2f} points on average."]
