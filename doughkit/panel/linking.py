"""Several tastings on one footing: linked by control and reference, age at tasting allowed for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.panel.doughs import SCOPE
from doughkit.panel.means import with_interval
from doughkit.panel.scored import AGE, Modelled, score, unique_doughs
from doughkit.tables.problems import problem_error

CONTROL, REFERENCE = "control", "reference"
LEVELS_OF_ERROR = ("piece", "assessor", "assessor × tasting", "assessor × dough")


@dataclass(frozen=True)
class LinkedTastings:
    """Doughs of several tastings as if they had been tasted in one.

    means: attribute, dough, kind, batches, tastings, mean, se, df, ci_low, ci_high, ci_level,
        scope; the doughs of kind control are one row, "control".
    differences: attribute, dough, against, difference, se, df, p, ci_low, ci_high, ci_level,
        pairs, about, scope; against the control and against the reference, each p and interval
        for all doughs of an attribute at once.
    tastings: attribute, tasting, shift, se, df, ci_low, ci_high, ci_level, scope; from the mean
        of all tastings.
    age: attribute, per_hour, se, df, p, ci_low, ci_high, ci_level, scope; no row if age could not
        be allowed for.
    sources: attribute, source, groups, variance, sd, share_pct, df, at_zero.
    notes: note.
    """

    means: pd.DataFrame
    differences: pd.DataFrame
    tastings: pd.DataFrame
    age: pd.DataFrame
    sources: pd.DataFrame
    notes: pd.DataFrame

    def summary(self) -> str:
        """How far the tastings had shifted, whether age matters, and what links them."""
        said = []
        for attribute, rows in self.tastings.groupby("attribute", sort=False):
            said.append(f"{attribute} {np.ptp(rows['shift']):.1f}")
        doughs = self.means["dough"].nunique()
        text = f"{doughs} doughs of {self.tastings['tasting'].nunique()} tastings on one footing. "
        text += f"Between the lowest and the highest tasting lay, in points: {', '.join(said)}. "
        moved = self.age[self.age["p"] <= 0.05]
        if len(moved):
            parts = [f"{row.attribute} {row.per_hour:+.2f}" for row in moved.itertuples()]
            text += f"An hour from the oven moved {', '.join(parts)} points. "
        return " ".join([text.strip(), *self.notes["note"]])


def link_tastings(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    doughs: pd.DataFrame,
    *,
    adjust_for: Sequence[str] | None = None,
    level: float = 0.90,
) -> LinkedTastings:
    """Put the doughs of several tastings on one footing through control and reference.

    Question: how do doughs compare that were never tasted together?

    From tasting to tasting a panel re-anchors, and bread ages differently long. What was in every
    tasting, the control and the reference, shows by how much; a tasting's shift and the hours
    from the oven are taken out together with what single people shift.

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat, and served_after_min where noted.
    pieces : DataFrame
        piece, dough, and the columns to adjust for.
    doughs : DataFrame
        dough, kind; doughs of kind control are one formula, made anew for each tasting.
    adjust_for : list of str, optional
        Columns of `pieces` in which the pieces of one dough differ on purpose; left out: bake_min
        if there is one.
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    LinkedTastings: means, differences, tastings, age, sources, notes (their columns stand there),
        summary(). Means are at the average tasting, bake and age. `about` is "batch": a dough's
        own luck is in its mean.

    Raises
    ------
    StudyProblems: tables that don't fit, one tasting only, or tastings that nothing links.

    Range: a link is as strong as what was tasted in both tastings: one control and one reference
        leave about the error of one dough. A new control dough is taken to differ from the last
        as pieces do (the level "piece"). Age is allowed for as a straight line, and only where
        the same dough was tasted at different ages.

    Source: blocks with recovery of what lies between them, Patterson and Thompson, Biometrika 58,
        1971, 545-554, by `fitting.fit_mixed`.

    >>> import pandas as pd
    >>> doughs = pd.DataFrame({"dough": list("ABR"), "kind": ["test", "test", "reference"]})
    >>> pieces = pd.DataFrame({"piece": ["A", "B", "R1", "R2"], "dough": list("ABRR")})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", tasting, who, piece) for who in ("Ann", "Bo", "Cy")
    ...      for tasting, piece in (("T1", "A"), ("T1", "R1"), ("T2", "B"), ("T2", "R2"))],
    ...     columns=["serving", "tasting", "assessor", "piece"])
    >>> ratings = servings[["serving"]].assign(
    ...     attribute="chew", score=[4.0, 6, 7, 8, 3, 5, 6, 8, 5, 8, 8, 7])
    >>> found = link_tastings(ratings, servings, pieces, doughs)
    >>> found.differences[["dough", "against", "difference"]].round(2).values.tolist()
    [['A', 'reference R', -2.33], ['B', 'reference R', -0.67]]
    """
    data = score(ratings, servings, pieces, adjust_for=adjust_for)
    known = unique_doughs(doughs, data.frame)
    if len(data.frame["tasting"].unique()) < 2:
        raise problem_error(
            "servings",
            column="tasting",
            found="one tasting",
            expected="two or more",
            mend="doughs of one tasting need no link: compare them as they are",
        )
    kind = known["kind"]
    entry = _entries(kind, data.frame["dough"])
    data.frame["entry"] = data.frame["dough"].map(entry)
    model = data.fit("entry", LEVELS_OF_ERROR, level=level)
    tastings = sorted(data.frame["tasting"].unique(), key=list(data.frame["tasting"]).index)
    return LinkedTastings(
        means=_means(model, data.frame, entry, kind, level),
        differences=_differences(model, entry, kind, level),
        tastings=_shifts(model, tastings, level),
        age=_age(model, level),
        sources=model.sources,
        notes=pd.DataFrame({"note": pd.Series(model.notes, dtype="str")}),
    )


def _entries(kind: pd.Series, tasted: pd.Series) -> pd.Series:
    """Each tasted dough's place among the compared: controls together, references by name."""
    own = pd.Series(list(dict.fromkeys(tasted)))
    of = kind.loc[own].to_numpy()
    named = own.where(of != CONTROL, CONTROL).where(of != REFERENCE, REFERENCE + " " + own)
    return named.set_axis(own)


def _means(model: Modelled, frame, entry: pd.Series, kind: pd.Series, level) -> pd.DataFrame:
    found = model.named(model.fit.means("entry")).rename(columns={"entry": "dough"})
    met = frame.groupby("entry", sort=False).agg(
        batches=("dough", "nunique"), tastings=("tasting", "nunique")
    )
    of = {name: kind.loc[dough] for dough, name in entry.items()}
    found.insert(2, "kind", found["dough"].map(of))
    for place, name in enumerate(("batches", "tastings"), start=3):
        found.insert(place, name, met[name].loc[found["dough"]].to_numpy())
    kept = ["attribute", "dough", "kind", "batches", "tastings", "mean", "se", "df"]
    return with_interval(found[kept], level=level, scope=SCOPE)


def _differences(model: Modelled, entry: pd.Series, kind: pd.Series, level) -> pd.DataFrame:
    parts = []
    for name in dict.fromkeys(entry):
        if kind.loc[entry.index[entry == name][0]] not in (CONTROL, REFERENCE):
            continue
        found = model.fit.differences("entry", against=name, level=level)
        parts.append(
            model.named(found).rename(columns={"entry": "dough", "other_entry": "against"})
        )
    if not parts:
        return pd.DataFrame(columns=DIFFERENCES)
    found = pd.concat(parts, ignore_index=True)
    return found.assign(about="batch", scope=SCOPE)[DIFFERENCES]


DIFFERENCES = [
    *("attribute", "dough", "against", "difference", "se", "df", "p", "ci_low", "ci_high"),
    *("ci_level", "pairs", "about", "scope"),
]


def _shifts(model: Modelled, tastings: list[str], level: float) -> pd.DataFrame:
    count = len(tastings)
    weights = pd.DataFrame(np.eye(count) - 1 / count, index=tastings, columns=tastings)
    found = model.named(model.fit.combined("tasting", weights))
    found = found.rename(columns={"combination": "tasting", "estimate": "mean"})
    return with_interval(found, level=level, scope=SCOPE).rename(columns={"mean": "shift"})


def _age(model: Modelled, level: float) -> pd.DataFrame:
    found = model.named(model.fit.coefficients)
    found = found[found["term"] == AGE].reset_index(drop=True)
    found = found.rename(columns={"estimate": "per_hour"}).assign(scope=SCOPE)
    kept = ["attribute", "per_hour", "se", "df", "p", "ci_low", "ci_high", "ci_level", "scope"]
    return found[kept]
