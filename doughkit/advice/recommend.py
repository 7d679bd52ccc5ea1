"""The levels to bake, how sure they are, and what to expect of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.advice.rounds import round_of
from doughkit.advice.search import NEAR, coded_places
from doughkit.advice.weighing import Weighed, weigh
from doughkit.tables.register import unit_of
from doughkit.texture.result import t_times
from doughkit.texture.strata import satterthwaite
from doughkit.trials.factors import Factor, in_words, read_factors
from doughkit.trials.rounds import Round

LEVEL = 0.90
MISFIT_P = 0.05


@dataclass(frozen=True, eq=False)
class Recommendation:
    """What to bake, and how sure that is.

    levels : factor, recommended, ci_low, ci_high, ci_level, step, unit, baked_low, baked_high
    expected : attribute, mean, se, df, ci_low, ci_high, next_low, next_high, ci_level, scope, low,
        aim, high, weight, reference, reference_se, difference, difference_low, difference_high,
        reference_share
    best_baked : one row: piece, dough, the factors, goal, then what was found of each attribute
    goal : one row: recommended, best_baked, better_share, reference_share
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


def recommend(tables: Mapping[str, pd.DataFrame], *, seed: int) -> Recommendation:
    """Recommend the levels that come nearest to what is wanted.

    Question: which formula and bake should I choose, and how sure is that?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        A study: `targets`, `factors`, `doughs`, `pieces`; `ratings` and `servings` for rated
        attributes; `attributes` for their scales; `limits` if there are any.
    seed : int
        Draws how the surfaces may lie; the same seed gives the same advice.

    Returns
    -------
    Recommendation: levels, expected, best_baked, goal, next_round, `summary`. The goal is the
    weighted distance from all targets in points, root mean square; a point is an eighth of the
    attribute's scale, or of the range a measured property showed. With `like` the reference's own
    level is taken from ours, as tasted in the same tastings, and its error goes into every draw.
    Recommended are the levels with the smallest goal on average over the draws; the interval of a
    level holds 9 of 10 draws' own best. `ci_low` to `ci_high` of `expected` is this panel's
    long-run mean, `next_low` to `next_high` one piece of a dough yet to be mixed; neither passes
    the ends of a declared scale. `better_share` is the share of draws in which the recommended
    levels beat the best baked.

    Raises
    ------
    StudyProblems if there are no targets, factors, doughs or ratings, a target is neither rated
    nor measured, or too few doughs leave nothing to judge by.

    Range: levels that can be set, keep the limits, lie within what was baked and not beside a
    failed dough. The surface is a quadratic; where the truth bends more, it promises too much or
    too little. The advice is for this panel.

    Source: draws of least-squares surfaces by strata (see `texture.fit`); choice by the expected
    goal.

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
    weighed = weigh(tables, seed=seed)
    expected = _expected(weighed)
    best_baked, goal = _best_baked(weighed, expected)
    planned = round_of(weighed, doughs_to_add=None, pieces_per_dough=2, seed=seed)
    levels = _levels(weighed)
    sentences = (
        *_chosen(weighed, levels, goal, best_baked),
        *_open_ends(weighed, levels, goal),
        *weighed.wanted.notes,
    )
    return Recommendation(levels, expected, best_baked, goal, planned, tuple(sentences))


def _levels(weighed: Weighed) -> pd.DataFrame:
    rows = []
    edge = (1 - LEVEL) / 2
    for factor in read_factors(weighed.factors):
        drawn = weighed.best_of_draws[factor.name]
        row = {"factor": factor.name, "recommended": weighed.best[factor.name]}
        if factor.levels:
            row |= {"ci_low": np.nan, "ci_high": np.nan, "step": np.nan}
            row |= {"baked_low": np.nan, "baked_high": np.nan}
        else:
            # Levels can only be set in steps: the nearest that holds at least the share named.
            row["ci_low"] = float(np.quantile(drawn, edge, method="lower"))
            row["ci_high"] = float(np.quantile(drawn, 1 - edge, method="higher"))
            row["step"] = factor.step or np.nan
            baked = weighed.found.design[factor.name].astype(float)
            row |= {"baked_low": baked.min(), "baked_high": baked.max()}
        rows.append(row | {"ci_level": LEVEL, "unit": unit_of(factor.name)})
    order = ["factor", "recommended", "ci_low", "ci_high", "ci_level", "step", "unit"]
    return pd.DataFrame(rows)[[*order, "baked_low", "baked_high"]].infer_objects()


def _expected(weighed: Weighed) -> pd.DataFrame:
    at = weighed.best.to_frame().T.infer_objects()
    predicted = weighed.found.predict(at, level=LEVEL).set_index("attribute")
    rows = []
    for target in weighed.wanted.targets:
        own = predicted.loc[target.attribute]
        row = {"attribute": target.attribute}
        row |= {name: own[name] for name in ("mean", "se", "df")}
        for name in ("mean", "ci_low", "ci_high", "next_low", "next_high"):
            row[name] = float(np.clip(own[name], target.floor, target.ceiling))
        row |= {"ci_level": LEVEL, "scope": own["scope"]}
        shift = target.reference if target.like else 0.0
        row |= {name: getattr(target, name) + shift for name in ("low", "aim", "high")}
        rows.append(row | {"weight": target.weight} | _beside_reference(target, own))
    return pd.DataFrame(rows)


def _beside_reference(target, own: pd.Series) -> dict:
    """Own minus reference with the errors of both; empty where the reference is not the target."""
    names = ("reference", "reference_se", "difference", "difference_low", "difference_high")
    if not target.like:
        return dict.fromkeys((*names, "reference_share"), np.nan)
    variances = [np.array([own["se"] ** 2]), np.array([target.reference_se**2])]
    df = float(satterthwaite(variances, [own["df"], target.reference_df])[0])
    difference = own["mean"] - target.reference
    half = float(t_times(LEVEL, df)) * float(np.sqrt(sum(variances)[0]))
    numbers = (target.reference, target.reference_se, difference, difference - half)
    share = float(variances[1][0] / sum(variances)[0])
    return dict(zip(names, (*numbers, difference + half), strict=True)) | {"reference_share": share}


def _best_baked(weighed: Weighed, expected: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The baked piece whose levels promise most by the same surfaces, and how it compares."""
    design = weighed.found.design
    names = list(weighed.levels)
    tested = design[design["kind"].eq("test")]
    baked = (tested if len(tested) else design).reset_index(drop=True)
    both = pd.concat([weighed.best.to_frame().T, baked[names]], ignore_index=True)
    goals = weighed.goals(both.infer_objects())
    place = int(goals[:, 1:].mean(axis=0).argmin())
    better = goals[:, 0] < goals[:, 1 + place]
    row = baked.loc[[place], ["piece", "dough", *names]].reset_index(drop=True)
    row["goal"] = float(goals[:, 1 + place].mean())
    values = weighed.wanted.values
    found = values[values["piece"].eq(row.loc[0, "piece"])].set_index("attribute")["mean"]
    for target in weighed.wanted.targets:
        row[target.attribute] = float(found.get(target.attribute, np.nan))
    goal = pd.DataFrame(
        {
            "recommended": [weighed.goal],
            "best_baked": row["goal"],
            "better_share": float(better.mean()),
            "reference_share": _reference_share(weighed, expected),
        }
    )
    return row, goal


def _reference_share(weighed: Weighed, expected: pd.DataFrame) -> float:
    """Share of the reference in all that is unsure of own minus wanted, weighted as the goal is."""
    own = reference = 0.0
    for target, se in zip(weighed.wanted.targets, expected["se"], strict=True):
        own += target.weight * (se / target.point) ** 2
        if target.like:
            reference += target.weight * (target.reference_se / target.point) ** 2
    return reference / (own + reference) if own + reference > 0 else np.nan


def _said(factor: Factor, level) -> str:
    if factor.levels:
        return f"{in_words(factor.name)} {level}"
    return f"{in_words(factor.name)} {level:g} {unit_of(factor.name)}".rstrip()


def _ends(levels: list) -> tuple:
    return levels[0], levels[-1]


def _chosen(weighed: Weighed, levels, goal, best_baked) -> list[str]:
    known = read_factors(weighed.factors)
    bake = ", ".join(_said(one, weighed.best[one.name]) for one in known)
    first = goal.iloc[0]
    same = all(best_baked.loc[0, one.name] == weighed.best[one.name] for one in known)
    piece = best_baked.loc[0, "piece"]
    said = [f"Choose {bake}: the best piece so far, {piece}, was baked so."]
    if not same:
        said = [
            f"Choose {bake}: expected to lie {first['recommended']:.2f} points from what is "
            f"wanted, the best baked so far ({piece}) {first['best_baked']:.2f}.",
            f"Of 100 surfaces that fit as well, {100 * first['better_share']:.0f} agree.",
        ]
    loose = [
        f"{in_words(row.factor)} {row.ci_low:g} to {row.ci_high:g}"
        for row in levels.itertuples()
        if np.isfinite(row.ci_low) and row.ci_high > row.ci_low
    ]
    within = f"within {', '.join(loose)}" if loose else "at just these levels"
    return [*said, f"Nine in ten have their best {within}."]


def _open_ends(weighed: Weighed, levels, goal) -> list[str]:
    """What was never tried near it, what the surface can't show, what rests on the reference."""
    said = []
    of_dough = read_factors(weighed.factors, per="dough")
    design = weighed.found.design.drop_duplicates("dough")
    if of_dough:
        here = coded_places(weighed.best.to_frame().T.infer_objects(), of_dough)
        apart = np.abs(coded_places(design, of_dough) - here).max(axis=1)
        nearest = design.iloc[int(apart.argmin())]
        if apart.min() > NEAR:
            moved = [
                _said(one, nearest[one.name])
                for one in of_dough
                if nearest[one.name] != weighed.best[one.name]
            ]
            said.append(
                f"No dough was ever baked near it: the nearest, {nearest['dough']}, had "
                f"{', '.join(moved)}."
            )
    said += [
        f"{in_words(row.factor).capitalize()} stands at the edge of what was baked."
        for row in levels.itertuples()
        if row.baked_high > row.baked_low and row.recommended in _ends(weighed.levels[row.factor])
    ]
    if weighed.terms != "quadratic":
        said.append("So few doughs show no bends: the best may lie between the levels baked.")
    unseen = weighed.found.not_seen["words"].drop_duplicates()
    if len(unseen):
        said.append(f"Not seen by these doughs: {', '.join(unseen)}.")
    checks = weighed.found.checks
    said += [
        f"The surface misses {in_words(row.attribute)} (lack of fit, p = {row.lack_of_fit_p:.2g}): "
        "expect it to be off by more than its interval."
        for row in checks[checks["lack_of_fit_p"] < MISFIT_P].itertuples()
    ]
    share = goal.loc[0, "reference_share"]
    if any(one.like for one in weighed.wanted.targets) and np.isfinite(share):
        said.append(f"{100 * share:.0f} % of what is unsure is the reference's own level.")
    return said
