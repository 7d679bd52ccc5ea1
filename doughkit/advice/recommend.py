"""The levels to bake, how sure they are, and what to expect of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.advice.alone import alone_at, data_alone
from doughkit.advice.rounds import round_of, shortfall
from doughkit.advice.saying import sentences
from doughkit.advice.weighing import Weighed, weigh, weigh_wanted
from doughkit.fitting.assumptions import starting_assumptions
from doughkit.tables.register import unit_of
from doughkit.trials.rounds import Round

LEVEL = 0.90
DOUGHS = 4
PIECES = 2
TIMES = (0.5, 2.0)
"""Assumptions halved and doubled."""


@dataclass(frozen=True, eq=False)
class Recommendation:
    """What to bake, and how sure that is.

    levels : factor, recommended, ci_low, ci_high, ci_level, step, unit, baked_low, baked_high,
        assuming_half, assuming_double (recommended if all assumed effects were so)
    expected : attribute, mean, se, df, ci_low, ci_high, next_low, next_high, ci_level, scope,
        data_mean, data_ci_low, data_ci_high (from the data alone, df theirs; empty where they can't
        tell), data_terms (of which surface, as in `texture.fit`), share_from_assumptions, low, aim,
        high, weight, reference, reference_se, difference, difference_low, difference_high,
        reference_share
    best_baked : one row: piece, dough, the factors, goal, then what was found of each attribute
    goal : one row: recommended, best_baked, better_share, left_to_gain, reference_share, goal_is,
        worse_assuming_half, worse_assuming_double (how far the recommended levels would fall short
        of the best if all assumed effects were so)
    next_round : doughs and pieces to bake next
    """

    levels: pd.DataFrame
    expected: pd.DataFrame
    best_baked: pd.DataFrame
    goal: pd.DataFrame
    next_round: Round
    sentences: tuple[str, ...]

    def summary(self) -> str:
        """The recommended levels, what they promise, and how sure that is."""
        return " ".join(self.sentences)


def recommend(
    tables: Mapping[str, pd.DataFrame], *, goal: str = "distance", seed: int
) -> Recommendation:
    """Recommend the levels that come nearest to what is wanted.

    Question: which formula and bake should I choose, and how sure is that?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        A study: `targets`, `factors`, `doughs`, `pieces`; `ratings` and `servings` for rated
        attributes; `attributes` for their scales; `limits` if there are any.
    goal : str
        "distance": the weighted distance from all targets in points, root mean square; a point is
        an eighth of the attribute's scale, or of the range a measured property showed.
        "desirability": what is lacking to a desirability of 1 (see `desirability`).
    seed : int
        Draws how the surfaces may lie; the same seed gives the same advice.

    Returns
    -------
    Recommendation: levels, expected, best_baked, goal, next_round, `summary`. Recommended are the
    levels with the least goal on average over the surfaces that may be; the interval of a level
    holds 9 of 10 draws' own best. `ci_low` to `ci_high` of `expected` is this panel's long-run
    mean, `next_low` to `next_high` one piece of a dough yet to be mixed, on another day; neither
    passes the ends of a declared scale. With `like` the reference's level is fitted beside ours in
    the same tastings, so that the panel's level on a day falls out, and its error goes into every
    draw. `better_share` is the share of draws in which the recommended levels beat the best baked,
    `left_to_gain` what better levels would gain by the surfaces' own lights.

    Raises
    ------
    StudyProblems if there are no targets, factors, doughs or ratings, or a target is neither rated
    nor measured.

    Range: levels that can be set, keep the limits and don't lie beside a failed dough; a factor
    that never moved keeps its level. Any number of doughs will do, but with few much rests on the
    starting assumptions: they are halved and doubled, and if that moves a level by more than a step
    it is said first. No interval of the goal itself is given: it would hold too seldom. The advice
    is for this panel.

    Source: draws of surfaces with starting assumptions (see `texture.fit_assuming`); choice by the
    expected goal.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0], "step": [0.5],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEFGH"), "kind": "test",
    ...     "salt_pct": [1.0, 1.0, 1.5, 2.0, 2.0, 2.5, 3.0, 3.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcdefgh"), "dough": list("ABCDEFGH"),
    ...     "droop_mm": [9.0, 9.2, 8.1, 7.2, 7.0, 6.2, 5.1, 4.9]})
    >>> targets = pd.DataFrame({"attribute": ["droop_mm"], "aim": [6.0]})
    >>> found = recommend({"factors": factors, "doughs": doughs, "pieces": pieces,
    ...     "targets": targets}, seed=1)
    >>> found.levels[["factor", "recommended"]].values.tolist()
    [['salt_pct', 2.5]]
    """
    weighed = weigh(tables, goal=goal, seed=seed)
    others = [
        weigh_wanted(
            tables, weighed.wanted, seed=seed, assumptions=starting_assumptions(times=times)
        )
        for times in TIMES
    ]
    alone, terms = data_alone(weighed.wanted, tables)
    planned = round_of(weighed, doughs_to_add=DOUGHS, pieces_per_dough=PIECES)
    levels = _levels(weighed, others)
    expected = _expected(weighed, alone, terms)
    best_baked, reached = _best_baked(weighed, expected)
    for what, other in zip(("half", "double"), others, strict=True):
        here = other.drawn.goals(weighed.search.best[None]).mean()
        reached[f"worse_assuming_{what}"] = max(0.0, float(here - other.search.goal))
    said = sentences(weighed, levels, reached, best_baked, alone, terms)
    return Recommendation(levels, expected, best_baked, reached, planned, said)


def _levels(weighed: Weighed, others: list[Weighed]) -> pd.DataFrame:
    space, rows = weighed.space, []
    drawn = space.frame(weighed.search.best_of_draws)
    edge = (1 - LEVEL) / 2
    for factor in space.factors:
        name = factor.name
        row = {"factor": name, "recommended": weighed.best[name], "ci_low": np.nan}
        row |= {"ci_high": np.nan, "ci_level": LEVEL, "step": factor.step or np.nan}
        row |= {"unit": unit_of(name), "baked_low": np.nan, "baked_high": np.nan}
        if not factor.levels:
            # Levels can only be set in steps: the nearest that holds at least the share named.
            own = drawn[name].to_numpy(float)
            row["ci_low"] = float(np.quantile(own, edge, method="lower"))
            row["ci_high"] = float(np.quantile(own, 1 - edge, method="higher"))
            baked = weighed.found.design[name].astype(float)
            row |= {"baked_low": baked.min(), "baked_high": baked.max()}
        row |= {"assuming_half": others[0].best[name], "assuming_double": others[1].best[name]}
        rows.append(row)
    return pd.DataFrame(rows).infer_objects()


def _expected(weighed: Weighed, alone, terms: str) -> pd.DataFrame:
    row = weighed.space.rows(weighed.search.best[None])
    names = [one.attribute for one in weighed.wanted.targets]
    beside = alone_at(alone, terms, weighed.best, names, LEVEL)
    rows = []
    for target in weighed.wanted.targets:
        part = weighed.found.surfaces[target.attribute].part
        own = part.predict(row, LEVEL).iloc[0]
        found = {"attribute": target.attribute}
        ends = ("mean", "ci_low", "ci_high", "next_low", "next_high")
        found |= {name: float(np.clip(own[name], target.floor, target.ceiling)) for name in ends}
        found |= {"se": own["sd"], "ci_level": LEVEL, "scope": "this_panel"}
        found |= beside.loc[target.attribute].to_dict()
        found["share_from_assumptions"] = own["share_from_assumptions"]
        shift, reference = 0.0, _beside_reference(weighed, target, row)
        if target.like:
            shift = reference["reference"]
        found |= {name: getattr(target, name) + shift for name in ("low", "aim", "high")}
        rows.append(found | {"weight": target.weight} | reference)
    order = ["attribute", "mean", "se", "df", "ci_low", "ci_high", "next_low", "next_high"]
    frame = pd.DataFrame(rows)
    return frame[[*order, *(name for name in frame if name not in order)]]


def _beside_reference(weighed: Weighed, target, row: np.ndarray) -> dict:
    """Own minus reference with the errors of both; empty where the reference is not the target."""
    names = ("reference", "reference_se", "difference", "difference_low", "difference_high")
    if not target.like:
        return dict.fromkeys((*names, "reference_share"), np.nan)
    part = weighed.found.surfaces[target.attribute].part
    other = weighed.found.ground.row_of("reference")[None]
    level = part.predict(other, LEVEL).iloc[0]
    mean = part.posterior.moments(row - other)[0]
    low, high = part.interval(row - other, LEVEL, following=False)
    numbers = (level["mean"], level["sd"], part.length * mean[0])
    numbers += (low[0] - part.middle, high[0] - part.middle)
    own = part.posterior.moments(row)[1][0]
    share = (level["sd"] / part.length) ** 2
    found = dict(zip(names, map(float, numbers), strict=True))
    return found | {"reference_share": float(share / (share + own**2))}


def _best_baked(weighed: Weighed, expected: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The baked piece whose levels promise most by the same surfaces, and how it compares."""
    design = weighed.found.design.reset_index(drop=True)
    tested = np.flatnonzero(design["kind"].eq("test"))
    tested = tested if len(tested) else np.arange(len(design))
    goals = weighed.drawn.goals(np.concatenate([weighed.search.best[None], weighed.baked[tested]]))
    place = int(goals[:, 1:].mean(axis=0).argmin())
    better = goals[:, 0] < goals[:, 1 + place]
    row = design.loc[[tested[place]], ["piece", "dough", *weighed.space.names]]
    row = row.reset_index(drop=True)
    row["goal"] = float(goals[:, 1 + place].mean())
    values = weighed.wanted.values
    found = values[values["piece"].eq(row.loc[0, "piece"])].set_index("attribute")["mean"]
    for target in weighed.wanted.targets:
        row[target.attribute] = float(found.get(target.attribute, np.nan))
    goal = pd.DataFrame(
        {
            "recommended": [weighed.search.goal],
            "best_baked": row["goal"],
            "better_share": float(better.mean()),
            "left_to_gain": shortfall(weighed.drawn, weighed.search),
            "reference_share": _reference_share(weighed, expected),
            "goal_is": weighed.wanted.goal_is,
        }
    )
    return row, goal


def _reference_share(weighed: Weighed, expected: pd.DataFrame) -> float:
    """Share of the reference in all that is unsure of own minus wanted, weighted as the goal is."""
    own = reference = 0.0
    for target, row in zip(weighed.wanted.targets, expected.itertuples(), strict=True):
        own += target.weight * (row.se / target.point) ** 2
        if target.like:
            reference += target.weight * (row.reference_se / target.point) ** 2
    return reference / (own + reference) if own + reference > 0 else np.nan
