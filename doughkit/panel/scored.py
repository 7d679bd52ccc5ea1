"""A row per portion with all its scores, and the model that several tastings have in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.fitting.mixed import MixedFit, fit_mixed
from doughkit.fitting.solving import dependencies
from doughkit.panel.answers import gather, piece_columns
from doughkit.panel.spreads import merged
from doughkit.panel.two_way import islands
from doughkit.tables.problems import StudyProblems, problem_error, require_unique, so_many
from doughkit.tables.register import label

AGE = "age_h"
LINE = " as a line"
"""Ends the name of a column that holds as a number what another holds as words."""

RATED = "rated: "
"""Goes before an attribute's name, which may be that of another column."""

LEVELS = {
    "dough": ("dough",),
    "piece": ("piece",),
    "assessor": ("assessor",),
    "assessor × tasting": ("assessor", "tasting"),
    "assessor × formula": ("assessor", "formula"),
    "assessor × dough": ("assessor", "dough"),
}
"""Levels of error that a question may ask for, from the coarse to the fine."""

METHOD = "satterthwaite"
"""With four or five levels of error, several found at zero, Kenward and Roger's degrees of freedom
collapse. Of 600 simulated panels each (3 formulas × 2 doughs, 2 portions, p 0.05), Satterthwaite's
and Kenward and Roger's: 3.7 and 0.2 % false alarms with 6 people, 2.3 and 0.0 % with 4 (doughs 0.35
apart), 4.8 and 1.7 % with own views of formulas; a formula 1.5 points off was found in 46 and 30 %.
Batches need neither: the mean squares of a complete table are Kenward and Roger's test."""


@dataclass(frozen=True, eq=False)
class Scored:
    """A row per answered portion: tasting, assessor, piece, dough, columns to adjust for, scores.

    adjust: factors that are in the model whatever is asked. notes: what could not be.
    """

    frame: pd.DataFrame
    attributes: list[str]
    adjust: list[str]
    notes: list[str]

    def fit(self, main: str | None, wanted: Sequence[str], *, level: float) -> Modelled:
        """Fit the factor `main` (None: only what all share) with the wanted levels told apart."""
        factors, notes = self._separable(main)
        kept = self._told_apart(factors, wanted)
        if not kept:
            people = self.frame["assessor"].nunique()
            raise problem_error(
                "servings",
                found=f"{so_many(people, 'assessor')}, and no level of error "
                "besides the single score's",
                expected="portions of one piece tasted by several people",
                mend="let at least two people taste each piece",
            )
        while True:
            try:
                return Modelled(self._fitted(factors, kept, level), kept, notes)
            except StudyProblems as error:
                if error.problems[0].table != "levels of error" or len(kept) < 2:
                    raise
                notes.append(f"Too few portions to tell {kept[-1]} from a single score's error.")
                kept = kept[:-1]

    def _fitted(self, factors: list[str], kept: list[str], level: float) -> MixedFit:
        return fit_mixed(
            self.frame,
            [RATED + name for name in self.attributes],
            factors,
            [LEVELS[name] for name in kept],
            method=METHOD,
            level=level,
        )

    def _separable(self, main: str | None) -> tuple[list[str], list[str]]:
        """The factors that these portions can tell apart, with a word on those they can't."""
        notes = list(self.notes)
        factors = [main] if main else []
        if len(self.frame["tasting"].unique()) > 1:
            if main:
                _refuse_unlinked(self.frame, main)
            factors.append("tasting")
        for name in self.adjust:
            ways = [one for one in (name, name + LINE) if one in self.frame]
            fit = [one for one in ways if not dependencies(_columns(self.frame, [*factors, one]))]
            if fit:
                factors.append(fit[0])
            else:
                notes.append(
                    f"{label(name)} moves only together with {' and '.join(factors)}, so it is "
                    "not adjusted for."
                )
        return factors, notes

    def _told_apart(self, factors: list[str], wanted: Sequence[str]) -> list[str]:
        """Levels whose spread these portions tell apart; of merged ones the coarsest stays."""
        left, value, _ = np.linalg.svd(_columns(self.frame, factors), full_matrices=False)
        fixed = left[:, value > 1e-10 * value[0]]
        names, codes = [], []
        for name in wanted:
            key = pd.MultiIndex.from_frame(self.frame[list(LEVELS[name])])
            code = pd.factorize(key)[0]
            if code.max():
                names.append(name)
                codes.append(code)
        group = merged([*codes, np.arange(len(self.frame))], fixed)
        kept = []
        for at, name in enumerate(names):
            first = int(np.argmax(group == group[at]))
            if group[at] >= 0 and group[at] != group[-1] and first == at:
                kept.append(name)
        return kept


@dataclass(frozen=True, eq=False)
class Modelled:
    """A fit, the levels of error that it was left with, and notes on what it could not hold."""

    fit: MixedFit
    levels: list[str]
    notes: list[str]

    def named(self, frame: pd.DataFrame) -> pd.DataFrame:
        """A frame of the fit with the attribute's own name in place of the response's."""
        name = frame["response"].str.removeprefix(RATED)
        return frame.drop(columns="response").pipe(_first, attribute=name)

    @property
    def sources(self) -> pd.DataFrame:
        found = self.named(self.fit.sources)
        names = {" × ".join(LEVELS[one]): one for one in LEVELS}
        source = found["source"].replace({**names, "rest": "single score"})
        return found.assign(source=source)


def _first(frame: pd.DataFrame, **columns: pd.Series) -> pd.DataFrame:
    for name, value in columns.items():
        frame.insert(0, name, value)
    return frame


def score(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    *,
    adjust_for: Sequence[str] | None = None,
) -> Scored:
    """Put all scores of a portion into one row beside where it came from."""
    found = gather(ratings, servings, pieces)
    wide = ratings.pivot(index="serving", columns="attribute", values="score")
    wide = wide[found.attributes].dropna(how="all")
    chosen = servings[servings["serving"].isin(wide.index)].reset_index(drop=True)
    dough = pieces.set_index("piece")["dough"].loc[chosen["piece"]].to_numpy()
    frame = chosen[["serving", "tasting", "assessor", "piece"]].assign(dough=dough)
    adjust = piece_columns(list(chosen["piece"]), pieces, adjust_for)
    adjust = adjust.loc[:, [name for name in adjust if len(adjust[name].unique()) > 1]]
    age, notes = _age(chosen, dough)
    scores = wide.loc[chosen["serving"]].add_prefix(RATED).reset_index(drop=True)
    frame = pd.concat([frame, adjust, _lines(chosen, pieces, adjust), age, scores], axis=1)
    return Scored(frame, found.attributes, [*adjust.columns, *age.columns], notes)


def _lines(servings: pd.DataFrame, pieces: pd.DataFrame, adjust: pd.DataFrame) -> pd.DataFrame:
    """Numbers that stand as words, as numbers too: a level of a single dough needs the line."""
    known = pieces.set_index("piece").loc[servings["piece"]].reset_index(drop=True)
    found = pd.DataFrame(index=servings.index)
    for name in adjust:
        value = known[name]
        if pd.api.types.is_numeric_dtype(value) and not pd.api.types.is_numeric_dtype(adjust[name]):
            found[name + LINE] = value.fillna(value.mean()).astype(float)
    return found


def _age(servings: pd.DataFrame, dough: np.ndarray) -> tuple[pd.DataFrame, list[str]]:
    """Hours from the oven, where noted; a dough of which nobody knows them holds its own age."""
    nothing = pd.DataFrame(index=servings.index)
    if "served_after_min" not in servings.columns or servings["served_after_min"].isna().all():
        return nothing, []
    minutes = servings["served_after_min"]
    unknown = minutes.isna().groupby(dough).transform("all")
    missing = int((minutes.isna() & ~unknown).sum())
    if missing:
        return nothing, [f"Minutes from the oven are missing for {missing} portions: age left out."]
    minutes = minutes.fillna(minutes.mean())
    return (nothing if len(minutes.unique()) < 2 else nothing.assign(**{AGE: minutes / 60})), []


def _columns(frame: pd.DataFrame, factors: list[str]) -> np.ndarray:
    """The model's columns, scaled alike."""
    parts = [np.ones((len(frame), 1))]
    for name in factors:
        value = frame[name]
        if pd.api.types.is_numeric_dtype(value):
            centred = (value - value.mean()).to_numpy(dtype=float)[:, None]
            parts.append(centred / np.abs(centred).max())
        else:
            code, levels = pd.factorize(value)
            parts.append(np.eye(len(levels))[code][:, 1:])
    return np.hstack(parts)


def _refuse_unlinked(frame: pd.DataFrame, main: str) -> None:
    met = pd.crosstab(frame[main], frame["tasting"])
    groups = islands(met.to_numpy() > 0)
    if len(groups) > 1:
        raise problem_error(
            "servings",
            found="; ".join(
                f"{', '.join(met.index[rows][:4])} only in {', '.join(met.columns[columns])}"
                for rows, columns in groups
            ),
            expected=f"tastings linked by a {main} that was tasted in both",
            mend="serve the control or the reference in every tasting, or read the tastings apart",
        )


def unique_doughs(doughs: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
    """The table doughs, checked to hold each tasted dough once with its kind; keyed by dough."""
    require_unique(doughs, "dough", table="doughs")
    unknown = sorted(set(frame["dough"]) - set(doughs["dough"]))
    if unknown:
        raise problem_error(
            "pieces",
            key=f"dough {unknown[0]}",
            column="dough",
            found=f"'{unknown[0]}'",
            expected="a dough of the table doughs",
            mend="add it to doughs, or correct the name",
        )
    return doughs.set_index("dough")
