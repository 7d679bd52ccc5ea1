"""What any set of doughs and pieces, planned or not, can tell and what it can't."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doughkit.tables.register import as_sentence
from doughkit.trials import told
from doughkit.trials.choices import open_choices
from doughkit.trials.factors import Factor, in_words, read_factors
from doughkit.trials.models import TERMS, level_pairs, model_columns, model_terms
from doughkit.trials.records import bake_days, join_records
from doughkit.trials.spreads import Spreads
from doughkit.trials.strata import (
    Layout,
    can_be_told,
    groups_together,
    never_baked,
    smallest_found,
)
from doughkit.trials.together import travels_together

MEAN = "the overall mean"


@dataclass(frozen=True)
class Tells:
    """What a set of doughs and pieces can tell.

    effects: effect, term, factor, with, stratum, can_tell, se, df, smallest, widened_by,
        travels_with
    travels_together: one, other, kind (factors, or beside), over, count, correlation, together,
        sentence
    strata: stratum, sd, df: differences left to judge effects by
    left_out: dough, why
    predicts: average_se (standard error of a predicted panel mean, root mean square over all levels
        between low and high within the limits; empty if a term can't be told)
    sentences: the findings in words
    """

    effects: pd.DataFrame
    travels_together: pd.DataFrame
    strata: pd.DataFrame
    left_out: pd.DataFrame
    predicts: pd.DataFrame
    sentences: tuple[str, ...]

    def summary(self) -> str:
        """How much can be told, and the first findings."""
        terms = self.effects[self.effects["term"] != ""]
        number = int(terms["can_tell"].sum())
        return " ".join([f"{number} of {len(terms)} effects can be told.", *self.sentences[1:3]])


def what_it_tells(
    doughs: pd.DataFrame,
    pieces: pd.DataFrame,
    factors: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    terms: str = "quadratic",
    block: str | None = None,
    spreads: Spreads | None = None,
    level: float = 0.90,
) -> Tells:
    """Say before baking, or of old records, which effects can be told apart and how well.

    Question: if I bake these, what will I know, and what will I still be guessing?

    Parameters
    ----------
    doughs, pieces, factors : DataFrame
        Tables of those names. Failed doughs, the reference, and doughs without a piece are left
        out and listed; a control dough counts if it has a level of every factor.
    limits : DataFrame, optional
        Table `limits`: which levels predictions are averaged over.
    terms : str
        The effects looked for: "linear", "interactions" or "quadratic" (see `model_terms`).
    block : str, optional
        A column of doughs or pieces whose differences are set aside, say "round" or "bake_day".
    spreads : Spreads, optional
        Assumed spreads by chance; left out, `Spreads()`.
    level : float
        Level of the interval with which a difference is held to be found.

    Returns
    -------
    Tells. In `effects`, one row per term and one per pair of levels of a category: se is the
    standard error of the effect as told (low to high for a number; see `times` in `model_terms`),
    given the spreads; df the differences left in its stratum; smallest the true effect that would
    be found 8 times in 10; widened_by how many times wider se is than if it travelled with
    nothing; travels_with names what an effect that can't be told is mixed with.

    Raises
    ------
    StudyProblems if a dough of a test lacks a level, a piece has no dough, or nothing was baked.

    Range: spreads taken as known; effects judged with t on the leftover differences.
    Source: generalised least squares with the dough as a level of its own error (split plot);
    leftover differences by ranks; default spreads are a starting guess of this library.

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "fat_pct"], "low": [1.6, 0],
    ...     "high": [2.6, 4], "changed_per": "dough"})
    >>> doughs = pd.DataFrame({"dough": list("ABC"), "kind": "test",
    ...     "salt_pct": [1.6, 2.1, 2.6], "fat_pct": [0.0, 2.0, 4.0]})
    >>> pieces = pd.DataFrame({"piece": list("abc"), "dough": list("ABC")})
    >>> print(what_it_tells(doughs, pieces, factors, terms="linear").sentences[1])
    Salt and fat moved together: can only be told as one.
    """
    spreads = Spreads() if spreads is None else spreads
    table, left_out = join_records(doughs, pieces, factors, block)
    known = read_factors(factors)
    every = model_terms(factors, terms)
    used = every[[_ever_changed(row, table) for row in every.to_dict("records")]]
    layout, names = _layout(table, factors, used, block, spreads)
    unknown = never_baked(layout.columns)
    effects = _effects(every, used, known, layout, names, unknown, level)
    together = travels_together(table, known)
    strata = _strata(layout, spreads, known)
    predicts = _predicts(every, used, factors, limits, layout, unknown)
    sentences = [
        *told.counted(table, left_out),
        *told.unchanged(known, table, terms),
        *told.mixed(names, unknown),
        *_simpler(table, factors, terms, block, spreads),
        *told.pairs(together),
        *told.widened(effects),
        *told.left_out_pairs(table, factors, used),
        *told.predicted(predicts),
        *told.judged(strata, effects, spreads, level),
    ]
    return Tells(effects, together, strata, left_out, predicts, tuple(map(as_sentence, sentences)))


def _predicts(every, used, factors, limits, layout: Layout, unknown) -> pd.DataFrame:
    """Standard error of a predicted mean, over the levels allowed and an average block."""
    size = layout.columns.shape[1]
    first = size - len(used)
    contrasts = np.eye(size)[[0, *range(first, size)]]
    contrasts[0, 1:first] = layout.columns[:, 1:first].mean(axis=0)
    average = np.nan
    if len(used) == len(every) and all(can_be_told(one, unknown) for one in contrasts):
        moments = open_choices(factors, limits, None, every).moments()
        covariance = contrasts @ layout.covariance() @ contrasts.T
        average = float(np.sqrt((covariance * moments).sum()))
    return pd.DataFrame({"average_se": [average]})


def _ever_changed(term: dict, table: pd.DataFrame) -> bool:
    """False for terms of a factor that stood still, and for the bend of one baked at two levels."""
    needed = 3 if term["kind"] == "bend" else 2
    names = [name for name in (term["factor"], term["with"]) if name]
    return all(table[name].nunique() >= needed for name in names)


def _layout(table, factors, used, block, spreads) -> tuple[Layout, list[str]]:
    """The model's columns with their names in words: mean, block differences, terms."""
    columns = [np.ones((len(table), 1))]
    names = [MEAN]
    if block is not None:
        dummies = pd.get_dummies(table[block]).to_numpy(float)[:, 1:]
        columns.append(dummies)
        names += [f"the differences by {in_words(block)}"] * dummies.shape[1]
    columns.append(model_columns(table, factors, used).to_numpy(float))
    names += list(used["words"])
    number = pd.factorize(table["dough"])[0]
    day = None if block == "bake_day" else bake_days(table, read_factors(factors))
    variances = (spreads.dough**2, spreads.of_piece)
    return Layout(np.hstack(columns), number, *variances, day, spreads.day**2), names


def _effects(every, used, known, layout, names, unknown, level) -> pd.DataFrame:
    """One row per term, then one per pair of levels of a category."""
    first = len(names) - len(used)
    place = {term: first + number for number, term in enumerate(used["term"])}
    covariance = layout.covariance()
    within = {"piece": never_baked(layout.within())}
    if _by_day(layout, known):
        within["dough"] = never_baked(layout.within_days())
    degrees = _degrees(layout, known)
    groups = groups_together(unknown)
    rows = []
    for term in every.to_dict("records"):
        contrast = np.zeros(len(names))
        if term["term"] in place:
            contrast[place[term["term"]]] = term["times"]
        mates = _mates(place.get(term["term"]), groups, names)
        row = {"effect": term["words"], "term": term["term"]}
        row |= {"factor": term["factor"], "with": term["with"]}
        rows.append(row | _judge(contrast, term["stratum"], layout, covariance, unknown, within))
        rows[-1]["travels_with"] = mates
    rows += [
        row | _judge(contrast, row["stratum"], layout, covariance, unknown, within)
        for row, contrast in _level_pairs(known, place, len(names))
    ]
    effects = pd.DataFrame(rows)
    effects["df"] = [degrees[one] for one in effects["stratum"]]
    effects["df"] = effects["df"].astype(float).where(effects["can_tell"])
    effects["smallest"] = [
        smallest_found(error, degree, level)
        for error, degree in zip(effects["se"], effects["df"], strict=True)
    ]
    order = ["effect", "term", "factor", "with", "stratum", "can_tell", "se", "df", "smallest"]
    return effects[[*order, "widened_by", "travels_with"]]


def _mates(place, groups, names) -> str:
    for members, _ in groups:
        if place in members:
            return "; ".join(dict.fromkeys(names[one] for one in members if one != place))
    return ""


def _level_pairs(known: list[Factor], place: dict[str, int], size: int):
    """A row and a contrast for every two levels of a category."""
    for factor, words, contrast in level_pairs(known, place, size):
        row = {"effect": words, "term": "", "factor": factor.name, "with": ""}
        yield row | {"stratum": factor.changed_per, "travels_with": ""}, contrast


def _judge(contrast, stratum, layout: Layout, covariance, unknown, within) -> dict:
    """Can it be told, with which error, judged by doughs or by pieces."""
    apart = bool(contrast.any()) and can_be_told(contrast, unknown)
    for finer, coarser in (("piece", "dough"), ("dough", "day")):
        # No dough was baked in more than one way, or no day had unlike doughs: compared are those.
        if apart and stratum == finer in within and not can_be_told(contrast, within[finer]):
            stratum = coarser
    if not apart:
        return {"stratum": stratum, "can_tell": False, "se": np.nan, "widened_by": np.nan}
    variance = contrast @ covariance @ contrast
    alone = _alone(contrast, layout)
    return {
        "stratum": stratum,
        "can_tell": True,
        "se": float(np.sqrt(variance)),
        "widened_by": float(np.sqrt(variance / alone)) if np.isfinite(alone) else np.nan,
    }


def _alone(contrast, layout: Layout) -> float:
    """The variance if the term stood alone beside the mean; NaN for a contrast of several."""
    terms = np.flatnonzero(contrast)
    if len(terms) != 1:
        return np.nan
    columns = layout.columns[:, [0, terms[0]]]
    single = replace(layout, columns=columns)
    return contrast[terms[0]] ** 2 * single.covariance()[1, 1]


def _by_day(layout: Layout, known: list[Factor]) -> bool:
    """Whether days are a stratum of their own: something is set once a day, and doughs share days.

    Where each day has one dough, the dough stands for its day.
    """
    daily = any(factor.changed_per == "day" for factor in known)
    return daily and layout.day is not None and layout.day.max() < layout.dough.max()


def _degrees(layout: Layout, known: list[Factor]) -> dict[str, int]:
    """Leftovers per stratum; days are one of their own only where a factor is set once a day."""
    if _by_day(layout, known):
        return layout.degrees_by_day()
    degrees = layout.degrees()
    daily = any(factor.changed_per == "day" for factor in known)
    return {"day": degrees["dough"]} | degrees if daily else degrees


def _strata(layout: Layout, spreads: Spreads, known: list[Factor]) -> pd.DataFrame:
    sd = {"day": spreads.day, "dough": spreads.dough, "piece": float(np.sqrt(spreads.of_piece))}
    rows = [(name, sd[name], df) for name, df in _degrees(layout, known).items()]
    return pd.DataFrame(rows, columns=["stratum", "sd", "df"])


def _simpler(table, factors, terms, block, spreads) -> list[str]:
    """If not all effects that changed can be told: the largest simpler set that can."""
    for simpler in reversed(TERMS[: TERMS.index(terms) + 1]):
        every = model_terms(factors, simpler)
        used = every[[_ever_changed(row, table) for row in every.to_dict("records")]]
        layout, _ = _layout(table, factors, used, block, spreads)
        size = layout.columns.shape[1]
        unknown = never_baked(layout.columns)
        if len(used) and all(can_be_told(one, unknown) for one in np.eye(size)[size - len(used) :]):
            said = f'With terms="{simpler}" all effects that changed can be told apart.'
            return [] if simpler == terms else [said]
    return []
