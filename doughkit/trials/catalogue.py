"""Two-level rounds: full or fractional corners, centre doughs, fold-over."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns
from doughkit.trials.assemble import (
    FAILED,
    assemble,
    at_sign,
    centres,
    once_a_day,
    open_kitchen,
    same_levels,
    wanted_levels,
)
from doughkit.trials.avoid import beside_failed
from doughkit.trials.factors import Factor, in_words
from doughkit.trials.fractional import (
    aliases,
    block_words,
    corner_signs,
    halvings,
    screening_signs,
)
from doughkit.trials.rounds import Round

SCREENED = (
    "Twelve doughs screen single factors: a pair that acts passes for a third of its size for "
    "each factor that is not in it."
)
SAID_AT_ONCE = 3
"""So many sentences on what can't be told apart go with the plan; `aliases` has them all."""


def plan_two_level(
    factors: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    fraction: float = 1,
    screening: bool = False,
    centre_doughs: int = 2,
    pieces_per_dough: int = 2,
    blocks: int = 1,
    round: int = 1,
    seed,
) -> Round:
    """Plan a round whose doughs stand at the low and high corners, with centre doughs.

    Question: which doughs should be mixed so that no two changes travel together?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`. A category changed per dough must have two levels.
    limits : DataFrame, optional
        Table `limits`; a corner outside them is refused by name.
    fraction : float
        Part of all corners to bake: 1, 1/2, 1/4 … (see `fractions` and `aliases`).
    screening : bool
        Twelve corners (Plackett-Burman) for up to 11 factors: which few of many matter at all?
    centre_doughs : int
        Doughs with every number half-way, per round.
    pieces_per_dough : int
        Pieces baked of every dough: all combinations of the piece factors' low and high (with
        one such factor, 3 gives low, middle, high), or a multiple.
    blocks : int
        Rounds that the corners of a full design are spread over.
    round : int
        Number of the (first) round.
    seed : int or Generator
        Draws the mixing order.

    Returns
    -------
    Round: unpacks to (doughs, pieces). Names follow the drawn mixing order.

    Raises
    ------
    StudyProblems naming the corners outside the limits, a fraction that is not on offer, or too
    few pieces for the piece factors.

    Range: up to 11 factors changed per dough or day. What is set once a day is planned like a
    dough's and stands in `pieces`; `plan_days` then keeps each day to one level.
    Source: Box, Hunter & Hunter, Statistics for Experimenters (two-level designs, least
    aberration, blocking); Plackett & Burman, Biometrika 33, 1946, 305-325; the dough is the whole
    plot, the piece the split plot.

    >>> factors = pd.DataFrame({"factor": ["hydration_pct", "salt_pct", "bake_min"],
    ...     "low": [54, 1.6, 5], "high": [70, 2.6, 8], "step": [1, 0.1, 0.5],
    ...     "changed_per": ["dough", "dough", "piece"]})
    >>> doughs, pieces = plan_two_level(factors, seed=1)
    >>> len(doughs), len(pieces)
    (6, 12)
    >>> sorted(doughs.loc[doughs["role"] == "corner", "hydration_pct"])
    [54.0, 54.0, 70.0, 70.0]
    """
    kitchen = open_kitchen(factors, limits, pieces_per_dough, seed, by_day=True)
    known = kitchen.per("dough")
    _two_levels_only(known)
    _one_way(fraction, screening, blocks)
    halved = 0 if screening else halvings(fraction, len(known))
    signs = screening_signs(len(known)) if screening else corner_signs(len(known), halved)
    rounds = _block_of(signs, block_words(len(known), blocks)) + round
    corners = wanted_levels(kitchen, signs, "corner", round).assign(round=rounds)
    middle = [centres(kitchen, centre_doughs, round + place) for place in range(blocks)]
    notes = [SCREENED] if screening else _alias_notes(factors, fraction, blocks)
    notes += once_a_day(kitchen)
    return assemble(kitchen, pd.concat([corners, *middle]), notes)


def _one_way(fraction: float, screening: bool, blocks: int) -> None:
    """A part of the corners, screening doughs, or corners over several rounds: only one of them."""
    if (fraction < 1) + screening + (blocks > 1) > 1:
        raise problem_error(
            "plan",
            column="screening" if screening else "blocks",
            found=f"fraction {fraction:g} in {blocks} rounds{', screening' * screening}",
            expected="a full design in rounds, or one round of a part of it or of screening doughs",
            mend="bake the fraction in one round and fold it over in the next",
        )


def _two_levels_only(known: list[Factor]) -> None:
    for factor in known:
        if len(factor.levels) > 2:
            raise problem_error(
                "factors",
                key=f"factor {factor.name}",
                column="levels",
                found=f"{len(factor.levels)} levels",
                expected="two levels in a two-level round",
                mend="choose the two levels that matter most first",
            )


def _block_of(signs: np.ndarray, words) -> np.ndarray:
    """Number each corner's block from 0, by the signs of the words that tell blocks apart."""
    blocks = np.zeros(len(signs), dtype=int)
    for word in words[: {0: 0, 1: 1, 3: 2}[len(words)]]:
        blocks = 2 * blocks + (signs[:, sorted(word)].prod(axis=1) > 0)
    return blocks


def _alias_notes(factors: pd.DataFrame, fraction: float, blocks: int) -> list[str]:
    sentences = list(aliases(factors, fraction=fraction, blocks=blocks)["sentence"])
    more = len(sentences) - SAID_AT_ONCE
    rest = [f"{more} more such sentences: see trials.aliases."] if more > 0 else []
    return [*sentences[:SAID_AT_ONCE], *rest]


def fold_over(
    doughs: pd.DataFrame,
    factors: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    on: list[str] | None = None,
    centre_doughs: int = 0,
    pieces_per_dough: int = 2,
    round: int,
    seed,
) -> Round:
    """Plan the mirror image of corner doughs already baked, to part what travelled together.

    Question: something acts, but two things share the blame: which next doughs part them?

    Parameters
    ----------
    doughs : DataFrame
        Table `doughs` with the corner doughs of a two-level round (failed doughs are not mirrored).
    factors, limits : DataFrame
        As in `plan_two_level`.
    on : list of str, optional
        Turn only these factors over; left out, all of them. Turning all frees every factor from
        the pairs; turning one frees that factor and every pair it takes part in.
    centre_doughs, pieces_per_dough, round, seed
        As in `plan_two_level`; a mirror round needs no centre doughs of its own, though they
        show whether the rounds differ.

    Returns
    -------
    Round: the new doughs only; mirror images that were baked already are not planned again.

    Raises
    ------
    StudyProblems if no corner dough is found, or `on` names no dough factor.

    Source: Box, Hunter & Hunter, Statistics for Experimenters (fold-over).

    >>> factors = pd.DataFrame({"factor": ["hydration_pct", "salt_pct", "fat_pct"],
    ...     "low": [54, 1.6, 0], "high": [70, 2.6, 4], "changed_per": "dough"})
    >>> first = plan_two_level(factors, fraction=1/2, centre_doughs=0, seed=1)
    >>> more = fold_over(first.doughs, factors, round=2, seed=2)
    >>> len(more.doughs), len(pd.concat([first.doughs, more.doughs]).drop_duplicates(
    ...     ["hydration_pct", "salt_pct", "fat_pct"]))
    (4, 8)
    """
    kitchen = open_kitchen(factors, limits, pieces_per_dough, seed)
    known = kitchen.per("dough")
    names = [factor.name for factor in known]
    turned = names if on is None else on
    unknown = [name for name in turned if name not in names]
    if unknown or not turned:
        raise problem_error(
            "plan",
            column="on",
            found=", ".join(unknown) or "no factor",
            expected=f"some of {', '.join(names)}",
            mend="name dough factors as the table factors does",
        )
    signs = baked_corners(doughs, known)
    mirrored = signs * np.where(np.isin(names, turned), -1, 1)
    new = mirrored[~(mirrored[:, None, :] == signs[None]).all(axis=2).any(axis=1)]
    wanted = pd.concat(
        [wanted_levels(kitchen, new, "corner", round), centres(kitchen, centre_doughs, round)]
    )
    failed = beside_failed(doughs, wanted, known)
    words = "every factor" if len(turned) == len(names) else ", ".join(map(in_words, turned))
    notes = [f"Turned over: {words}. Read it together with the doughs it mirrors."]
    if failed.any():
        notes.append(f"Left out, since a dough failed there before: {int(failed.sum())}.")
    return assemble(kitchen, wanted[~failed], notes, taken=doughs["dough"])


def usable_doughs(doughs: pd.DataFrame, known: list[Factor]) -> pd.DataFrame:
    """Test doughs that did not fail and have a level of every factor."""
    names = [factor.name for factor in known]
    require_columns(doughs, "dough", "kind", *names, table="doughs")
    usable = (doughs["kind"] == "test") & doughs[names].notna().all(axis=1)
    if "status" in doughs.columns:
        usable &= doughs["status"].fillna("") != FAILED
    return doughs[usable]


def baked_corners(doughs: pd.DataFrame, known: list[Factor]) -> np.ndarray:
    """Signs (−1, +1) of the distinct corner doughs among `doughs`; refuses if there are none."""
    signs = corner_signs(len(known), 0)
    points = pd.DataFrame(
        {
            factor.name: [at_sign(factor, sign) for sign in signs[:, place]]
            for place, factor in enumerate(known)
        }
    )
    found = same_levels(usable_doughs(doughs, known), points, known).any(axis=0)
    if not found.any():
        raise problem_error(
            "doughs",
            found="no dough with every factor at its low or high",
            expected="corner doughs of a two-level round",
            mend="plan a two-level round first, or check the factors' low and high",
        )
    return signs[found]
