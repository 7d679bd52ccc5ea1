"""Surface rounds: corners, axial doughs and centre doughs, so that bends can be seen."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns
from doughkit.trials.assemble import (
    Kitchen,
    assemble,
    at_sign,
    centres,
    once_a_day,
    open_kitchen,
    same_levels,
    wanted_levels,
)
from doughkit.trials.avoid import beside_failed
from doughkit.trials.axial import KINDS, axial_distance, known_kind
from doughkit.trials.catalogue import usable_doughs
from doughkit.trials.edges import edge_signs
from doughkit.trials.factors import Factor, in_words
from doughkit.trials.fractional import corner_signs, defining_words
from doughkit.trials.rounds import Round

ON_EDGES = "box-behnken"
MOST_FACTORS = 7
HALVED_FROM = 5
"""From so many factors half of the corners tell all pairs apart, and no more are asked for."""


def plan_surface(
    factors: pd.DataFrame,
    doughs: pd.DataFrame | None = None,
    limits: pd.DataFrame | None = None,
    *,
    pieces: pd.DataFrame | None = None,
    kind: str = "face-centred",
    centre_doughs: int = 2,
    pieces_per_dough: int = 2,
    round: int,
    seed,
) -> Round:
    """Plan what a surface with bends needs: a central composite, or doughs on the edges.

    Question: which doughs show where the best lies between low and high?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`; dough factors must be numbers.
    doughs : DataFrame, optional
        Table `doughs`: what stands there already is not planned again; failed doughs are avoided.
    limits : DataFrame, optional
        Table `limits`.
    pieces : DataFrame, optional
        Table `pieces` of `doughs`; needed with them where a factor is set once a day.
    kind : str
        The rule for the axial doughs, see `axial_distance`. Without `doughs` the axial doughs lie
        at low and high, and the corners of the other two kinds are drawn in by that distance.
        "box-behnken": no corners; two or three factors at a time at low or high, the others in
        the middle, for corners that can't be handled.
    centre_doughs : int
        New centre doughs in each new round (a published Box-Behnken plan has 3 for 3 and 4
        factors, 6 for 5 to 7).
    pieces_per_dough, seed
        As in `plan_two_level`.
    round : int
        Number of the new round; without `doughs`, of the corner round, the axial doughs then
        being round + 1.

    Returns
    -------
    Round: the doughs still to mix, with notes on what was left out.

    Raises
    ------
    StudyProblems if an axial level would lie beyond low or high, a dough lies outside the limits,
    a dough factor is a category, a name is taken, or `pieces` are missing.

    Range: 2 to 7 dough factors; from 5 on, half of the corners. Box-Behnken: 3 to 7. What is set
    once a day is planned like a dough's and stands in `pieces`, its centre doughs at low and high
    in turn; `plan_days` then keeps each day to one level.
    Source: Box & Hunter, Annals of Mathematical Statistics 28, 1957, 195-241; Box & Behnken,
    Technometrics 2, 1960, 455-475.

    >>> from doughkit.trials.catalogue import plan_two_level
    >>> factors = pd.DataFrame({"factor": ["hydration_pct", "salt_pct", "bake_min"],
    ...     "low": [54, 1.6, 5], "high": [70, 2.6, 8], "step": [1, 0.1, 0.5],
    ...     "changed_per": ["dough", "dough", "piece"]})
    >>> first = plan_two_level(factors, seed=1)
    >>> print(plan_surface(factors, first.doughs, round=2, seed=2).summary())
    Round 2: 6 doughs (2 centre, 4 axial), 12 pieces.
    """
    known_kind(kind, (*KINDS, ON_EDGES))
    kitchen = open_kitchen(factors, limits, pieces_per_dough, seed, by_day=True)
    _numbers_only(kitchen.per("dough"))
    doughs = _with_days(doughs, pieces, [one.name for one in kitchen.per("day")])
    found = _planned(kitchen, doughs, kind, centre_doughs, round)
    return replace(found, notes=(*found.notes, *once_a_day(kitchen)))


def _with_days(doughs, pieces, daily: list[str]):
    """The doughs with what was set on their day, which stands with their pieces."""
    if doughs is None or not daily:
        return doughs
    if pieces is None:
        raise problem_error(
            "pieces",
            column=daily[0],
            found="no pieces of the doughs given",
            expected=f"the table pieces, since {daily[0]} is set once a day and stands there",
            mend="give them as pieces=",
        )
    require_columns(pieces, "dough", *daily, table="pieces")
    levels = pieces.drop_duplicates("dough").set_index("dough")[daily]
    return doughs.drop(columns=daily, errors="ignore").join(levels, on="dough")


def _planned(kitchen: Kitchen, doughs, kind: str, centre_doughs: int, round: int) -> Round:
    count = len(kitchen.per("dough"))
    if kind == ON_EDGES:
        points = wanted_levels(kitchen, edge_signs(count), "edge", round)
        return _still_missing(kitchen, doughs, points, centre_doughs, round)
    fraction = 0.5 if count >= HALVED_FROM else 1
    if doughs is None:
        distance = axial_distance(
            count,
            kind=kind,
            fraction=fraction,
            centre_with_corners=centre_doughs,
            centre_with_axial=centre_doughs,
        )
        return _fresh(kitchen, distance, centre_doughs, round)
    return _completed(kitchen, doughs, kind, centre_doughs, round)


def _numbers_only(known: list[Factor]) -> None:
    for factor in known:
        if factor.levels:
            raise problem_error(
                "factors",
                key=f"factor {factor.name}",
                column="levels",
                found="a category",
                expected="numbers: a category has no middle and no bend",
                mend="plan a surface for each level, leaving the category out",
            )
    if not 2 <= len(known) <= MOST_FACTORS:
        raise problem_error(
            "factors",
            found=f"{len(known)} dough factors",
            expected=f"2 to {MOST_FACTORS}",
            mend="add a dough factor, or leave some for later",
        )


def _halved(count: int) -> int:
    return 1 if count >= HALVED_FROM else 0


def _axial_signs(count: int) -> np.ndarray:
    return np.vstack([sign * np.eye(count)[place] for place in range(count) for sign in (-1, 1)])


def _fresh(kitchen: Kitchen, distance: float, centre_doughs: int, number: int) -> Round:
    count = len(kitchen.per("dough"))
    signs = corner_signs(count, _halved(count)) / distance
    wanted = [
        wanted_levels(kitchen, signs, "corner", number),
        centres(kitchen, centre_doughs, number),
        wanted_levels(kitchen, _axial_signs(count), "axial", number + 1),
        centres(kitchen, centre_doughs, number + 1),
    ]
    drawn_in = f"The axial doughs lie {distance:.3g} times as far out as the corners."
    return assemble(kitchen, pd.concat(wanted), [drawn_in] if distance > 1 else [])


def _completed(
    kitchen: Kitchen, doughs: pd.DataFrame, kind: str, centre_doughs: int, number: int
) -> Round:
    """The corners of the better begun half and the axial doughs, less what stands there."""
    known = kitchen.per("dough")
    usable = usable_doughs(doughs, known)
    signs = _best_begun(usable, known)
    at_centre = same_levels(usable, centres(kitchen, 1, number), known).any(axis=1).sum()
    distance = axial_distance(
        len(known),
        kind=kind,
        fraction=Fraction(1, 2 ** _halved(len(known))),
        centre_with_corners=int(at_centre),
        centre_with_axial=centre_doughs,
    )
    _keep_inside(known, distance, kind)
    points = pd.concat(
        [
            wanted_levels(kitchen, signs, "corner", number),
            wanted_levels(kitchen, distance * _axial_signs(len(known)), "axial", number),
        ],
        ignore_index=True,
    )
    return _still_missing(kitchen, doughs, points, centre_doughs, number)


def _still_missing(kitchen: Kitchen, doughs, points, centre_doughs: int, number: int) -> Round:
    """The points at which no dough was baked nor failed, and centre doughs."""
    known = kitchen.per("dough")
    notes, taken = [], ()
    if doughs is not None:
        there = same_levels(usable_doughs(doughs, known), points, known).any(axis=0)
        failed = beside_failed(doughs, points, known) & ~there
        notes = [
            f"Not planned again, because it failed before: {_at(points.loc[place], known)}."
            for place in np.flatnonzero(failed)
        ]
        points, taken = points[~there & ~failed], doughs["dough"]
    middle = centres(kitchen, centre_doughs, number)
    if doughs is not None and len(middle) and beside_failed(doughs, middle, known).any():
        notes.append(f"No centre dough: one failed there before ({_at(middle.iloc[0], known)}).")
        middle = middle.head(0)
    wanted = pd.concat([points, middle])
    return assemble(kitchen, wanted, notes, taken=taken)


def _best_begun(usable: pd.DataFrame, known: list[Factor]) -> np.ndarray:
    """Signs of the corners asked for: all, or that half of them of which more were baked."""
    count = len(known)
    signs = corner_signs(count, 0)
    if not _halved(count):
        return signs
    word = sorted(defining_words(count, 1)[0])
    product = signs[:, word].prod(axis=1)
    points = pd.DataFrame(
        {one.name: [at_sign(one, s) for s in signs[:, place]] for place, one in enumerate(known)}
    )
    baked = same_levels(usable, points, known).any(axis=0)
    half = 1 if baked[product > 0].sum() >= baked[product < 0].sum() else -1
    return signs[product == half]


def _keep_inside(known: list[Factor], distance: float, kind: str) -> None:
    if distance > 1 + 1e-9:
        factor = known[0]
        low, high = at_sign(factor, -distance), at_sign(factor, distance)
        raise problem_error(
            "plan",
            column="kind",
            key=f"factor {factor.name}",
            found=f"axial levels {low:g} and {high:g} ({kind}, {distance:.3g} times the corners)",
            expected=f"levels from {factor.low:g} to {factor.high:g}",
            mend='plan kind="face-centred", or set wider low and high and plan afresh',
        )


def _at(point: pd.Series, known: list[Factor]) -> str:
    return ", ".join(f"{in_words(factor.name)} {point[factor.name]:g}" for factor in known)
