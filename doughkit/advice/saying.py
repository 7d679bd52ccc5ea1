"""Advice in the baker's words: what to choose, what it rests on, what stays open."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.advice.weighing import NO_DIFFERENCE, Weighed
from doughkit.fitting.shrunk import CONFLICT
from doughkit.tables.register import as_sentence, unit_of
from doughkit.texture.result import TextureFit
from doughkit.trials.avoid import NEAR, coded_places
from doughkit.trials.factors import Factor, in_words

MISFIT_P = 0.05
A_STEP = 1 / 20
"""Of a factor without a step, this share of its range counts as one."""


def sentences(weighed: Weighed, levels, goal, best_baked, alone, terms: str) -> tuple[str, ...]:
    """All that is said of a recommendation; what rests on assumptions first, if it does."""
    return (
        *_fragile(weighed, levels, goal),
        *_chosen(weighed, levels, goal, best_baked),
        *_beside(weighed, levels),
        *_assumed(weighed),
        *_of_data(alone, terms),
        *_of_reference(weighed, goal),
        *weighed.wanted.notes,
    )


def said(factor: Factor, level) -> str:
    """A factor at a level, as it is spoken."""
    if factor.levels:
        return f"{in_words(factor.name)} {level}"
    return f"{in_words(factor.name)} {level:g} {unit_of(factor.name)}".rstrip()


def more_than_a_step(factor: Factor, one, other) -> bool:
    """Whether two levels lie further apart than the smallest change that can be made."""
    if factor.levels:
        return one != other
    step = factor.step or A_STEP * (factor.high - factor.low)
    return abs(one - other) > step * (1 + 1e-6)


def _fragile(weighed: Weighed, levels: pd.DataFrame, goal: pd.DataFrame) -> list[str]:
    """If halving or doubling the assumptions moves a level by more than a step, and what it costs.

    Along a flat ridge the best place moves far while its goal hardly does; that is no doubt.
    """
    moved = []
    for factor, row in zip(weighed.space.factors, levels.to_dict("records"), strict=True):
        others = (row["assuming_half"], row["assuming_double"])
        if any(more_than_a_step(factor, row["recommended"], one) for one in others):
            both = [f"{one}" if factor.levels else f"{one:g}" for one in others]
            moved.append(f"{in_words(factor.name)} {both[0]} or {both[1]}")
    if not moved:
        return []
    first = goal.iloc[0]
    worse = (first["worse_assuming_half"], first["worse_assuming_double"])
    otherwise = f"with our starting guess halved or doubled it would be {', '.join(moved)}"
    if max(worse) <= NO_DIFFERENCE:
        return [f"{as_sentence(otherwise)}, though what is chosen here would be as good."]
    return [
        f"This rests on our starting guess, not only on your doughs: {otherwise}, and what is "
        f"chosen here {worse[0]:.2f} or {worse[1]:.2f} points worse."
    ]


def _chosen(weighed: Weighed, levels, goal, best_baked) -> list[str]:
    known = weighed.space.factors
    bake = ", ".join(said(one, weighed.best[one.name]) for one in known)
    first = goal.iloc[0]
    same = all(best_baked.loc[0, one.name] == weighed.best[one.name] for one in known)
    piece = best_baked.loc[0, "piece"]
    lines = [f"Choose {bake}: the best piece so far, {piece}, was baked so."]
    if not same:
        distance = weighed.wanted.goal_is == "distance"
        first_words = "{:.2f} points from what is wanted" if distance else "{:.2f} short of all"
        lines = [
            f"Choose {bake}: expected to lie {first_words.format(first['recommended'])}, the best "
            f"baked so far ({piece}) {first['best_baked']:.2f}.",
            f"Of 100 surfaces that may be, {100 * first['better_share']:.0f} have it the better of "
            "the two.",
        ]
    loose = [
        f"{in_words(row.factor)} {row.ci_low:g} to {row.ci_high:g}"
        for row in levels.itertuples()
        if np.isfinite(row.ci_low) and row.ci_high > row.ci_low
    ]
    within = f"within {', '.join(loose)}" if loose else "at just these levels"
    return [*lines, f"Nine surfaces in ten have their best {within}."]


def _beside(weighed: Weighed, levels: pd.DataFrame) -> list[str]:
    """What was never tried near it, and what stands at or beyond an edge."""
    lines = []
    of_dough = [one for one in weighed.space.factors if one.changed_per == "dough"]
    design = weighed.found.design.drop_duplicates("dough")
    if of_dough:
        here = coded_places(weighed.best.to_frame().T.infer_objects(), of_dough)
        apart = np.abs(coded_places(design, of_dough) - here).max(axis=1)
        nearest = design.iloc[int(apart.argmin())]
        if apart.min() > NEAR:
            moved = [
                said(one, nearest[one.name])
                for one in of_dough
                if nearest[one.name] != weighed.best[one.name]
            ]
            lines.append(
                f"No dough was ever baked near it: the nearest, {nearest['dough']}, had "
                f"{', '.join(moved)}."
            )
    for row in levels.itertuples():
        if not row.baked_high > row.baked_low:
            if np.isfinite(row.baked_low):
                lines.append(f"{in_words(row.factor).capitalize()} was never moved.")
        elif row.recommended < row.baked_low or row.recommended > row.baked_high:
            lines.append(f"{in_words(row.factor).capitalize()} lies beyond what was baked.")
        elif row.recommended in (row.baked_low, row.baked_high):
            lines.append(
                f"{in_words(row.factor).capitalize()} stands at the edge of what was baked."
            )
    return lines


def _assumed(weighed: Weighed) -> list[str]:
    figures = weighed.found.figures
    against = figures.loc[figures["conflict"] > CONFLICT, "attribute"]
    if not len(against):
        return []
    return [
        f"Our starting guess does not suit {', '.join(map(in_words, against))}: these doughs vary "
        "more than it thought likely."
    ]


def _of_data(alone: TextureFit | None, terms: str) -> list[str]:
    """What the doughs can't show by themselves, and where a quadratic misses."""
    if alone is None:
        return ["These doughs alone can't tell anything yet: the starting guess fills in."]
    lines = []
    unseen = [in_words(one) for one in alone.not_seen["words"].drop_duplicates()]
    if terms != "quadratic":
        unseen.append("any bend")
    if unseen:
        lines.append(f"Not seen by these doughs alone: {', '.join(unseen)}.")
    checks = alone.checks
    lines += [
        f"The surface misses {in_words(row.attribute)} (lack of fit, p = {row.lack_of_fit_p:.2g}): "
        "expect it to be off by more than its interval."
        for row in checks[checks["lack_of_fit_p"] < MISFIT_P].itertuples()
    ]
    return lines


def _of_reference(weighed: Weighed, goal: pd.DataFrame) -> list[str]:
    share = goal.loc[0, "reference_share"]
    if not any(one.like for one in weighed.wanted.targets) or not np.isfinite(share):
        return []
    return [f"{100 * share:.0f} % of what is unsure is the reference's own level."]
