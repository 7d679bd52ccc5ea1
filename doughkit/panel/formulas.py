"""Do these formulas differ? Only where several doughs of a formula show what a batch's luck is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.fitting.studentized import range_point, range_sf
from doughkit.panel.carried import carried_means
from doughkit.panel.doughs import SCOPE, p_words
from doughkit.panel.means import with_interval
from doughkit.panel.power import findable
from doughkit.panel.recipes import one_dough_why, recipes
from doughkit.panel.scored import Modelled, Scored, score, unique_doughs

TESTS = [
    *("attribute", "f", "df", "df_error", "p", "findable", "formulas", "doughs", "assessors"),
    *("dough_sd", "dough_df", "dough_sd_from", "about", "scope"),
]
PAIRS = [
    *("attribute", "formula", "other_formula", "difference", "se", "df", "p"),
    *("ci_low", "ci_high", "ci_level", "pairs", "about", "scope"),
]
OWN = ("dough", "assessor", "assessor × formula", "assessor × dough")
"""Levels of error beneath formulas; what pieces differ by is in a dough's luck."""

CARRIED = ("piece", "assessor", "assessor × tasting", "assessor × dough")
"""Levels of error beneath single doughs, whose luck is brought along."""

MEANS = ["attribute", "formula", "mean", "se", "df", "ci_low", "ci_high", "ci_level", "scope"]


@dataclass(frozen=True)
class FormulaComparison:
    """Whether formulas differ, beyond what two doughs of one formula differ by.

    formulas: formula, doughs, count, answered, why.
    tests: attribute, f, df, df_error, p, findable, formulas, doughs, assessors, dough_sd,
        dough_df, dough_sd_from, about, scope.
    means: attribute, formula, mean, se, df, ci_low, ci_high, ci_level, scope.
    differences: attribute, formula, other_formula, difference, se, df, p, ci_low, ci_high,
        ci_level, pairs, about, scope; p and interval hold for all pairs of an attribute at once.
    notes: note.
    """

    formulas: pd.DataFrame
    tests: pd.DataFrame
    means: pd.DataFrame
    differences: pd.DataFrame
    notes: pd.DataFrame

    def summary(self) -> str:
        """Which attributes differ between formulas, or why that can't be said."""
        left = self.formulas[~self.formulas["answered"]]
        why = "; ".join(
            f"{', '.join(rows['formula'])}: {reason}" for reason, rows in left.groupby("why")
        )
        if self.tests.empty:
            return f"Whether these formulas differ can't be said: {why}."
        rows = list(self.tests.itertuples())
        said = [
            f"{row.attribute} ({p_words(row.p)}; {row.findable:.1f} points would be found 4 times "
            "in 5)"
            for row in rows
        ]
        apart = [word for word, row in zip(said, rows, strict=True) if row.p <= 0.05]
        same = [word for word, row in zip(said, rows, strict=True) if not row.p <= 0.05]
        text = f"These formulas differ in {', '.join(apart)}. " if apart else ""
        text += f"These formulas can't be told apart in {', '.join(same)}. " if same else ""
        text += f"Left out: {why}. " if why else ""
        return text + f"Attributes looked at, each at p 0.05: {len(rows)}."


def compare_formulas(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    doughs: pd.DataFrame,
    factors: pd.DataFrame | None = None,
    *,
    dough_spread: pd.DataFrame | None = None,
    adjust_for: Sequence[str] | None = None,
    level: float = 0.90,
) -> FormulaComparison:
    """Test whether formulas differ, with the luck of single doughs in the error.

    Question: would a new dough of each formula differ, tasted by people like these?

    A difference between two doughs holds the formulas' and each dough's own luck. Doughs of one
    formula show how large that luck is; without them only batches can be compared.

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat, and served_after_min where noted.
    pieces : DataFrame
        piece, dough, and the columns to adjust for.
    doughs : DataFrame
        dough, kind, formula, and the dough factors. Doughs of kind reference are no formula of
        ours: they only link tastings.
    factors : DataFrame, optional
        factor, changed_per; doughs are of one formula when `formula` and every factor changed per
        dough agree (left out: when `formula` agrees).
    dough_spread : DataFrame, optional
        attribute, sd, df: what doughs of one formula differ by, known from elsewhere (as from
        `dough_spread`); with it formulas of a single dough are compared too.
    adjust_for : list of str, optional
        Columns of `pieces` in which the pieces of one dough differ on purpose; left out: bake_min
        if there is one.
    level : float
        Level of the intervals, 0.90 unless said; of the differences: for all pairs at once.

    Returns
    -------
    FormulaComparison: formulas (formula, doughs, count, answered, why), tests, means, differences
        (their columns stand there), notes (note), summary(). `about` is "formula" throughout. With
        nothing to answer by, the frames are empty and `why` and summary() say what is missing.

    Raises
    ------
    StudyProblems: tables that don't fit, tastings that no common dough links, or an attribute
        without a row in `dough_spread`.

    Range: few doughs of a formula know their luck poorly: look at `dough_df`. Tastings, bake times
        and age at tasting are in the model where the servings can tell them apart; notes say where
        not. A carried spread is right only if doughs are still made as they were then.
        Degrees of freedom are Satterthwaite's, not Kenward and Roger's, for a measured reason: in
        600 simulated panels each (3 formulas × 2 doughs, 2 portions, p 0.05) the two, in this
        order, gave false alarms in 3.7 and 0.2 % with 6 people, 2.3 and 0.0 % with 4, 4.8 and 1.7 %
        where people have own views of formulas, and found a formula 1.5 points off in 46 and 30 %.

    Source: restricted likelihood with Satterthwaite's degrees of freedom (Biometrics Bulletin 2,
        1946, 110-114), as `fitting.fit_mixed`; a carried spread by generalised least squares.

    >>> import pandas as pd
    >>> doughs = pd.DataFrame({"dough": list("ABCD"), "kind": "test",
    ...                        "formula": ["thin", "thin", "thick", "thick"]})
    >>> pieces = pd.DataFrame({"piece": list("ABCD"), "dough": list("ABCD")})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", "T1", who, piece) for who in ("Ann", "Bo", "Cy")
    ...      for piece in "ABCD"], columns=["serving", "tasting", "assessor", "piece"])
    >>> ratings = servings[["serving"]].assign(
    ...     attribute="chew", score=[3.0, 4, 6, 8, 2, 2, 6, 6, 4, 5, 7, 9])
    >>> found = compare_formulas(ratings, servings, pieces, doughs)
    >>> found.tests[["df", "df_error", "dough_df"]].round(1).values.tolist()
    [[1.0, 2.0, 1.3]]
    """
    data = score(ratings, servings, pieces, adjust_for=adjust_for)
    known = unique_doughs(doughs, data.frame)
    label = recipes(known, data.frame["dough"], factors)
    data.frame["formula"] = data.frame["dough"].map(label)
    table = _formulas(data.frame, known, carried=dough_spread is not None)
    chosen = table.loc[table["answered"], "formula"].tolist()
    if len(chosen) < 2:
        return _nothing(table, data.notes)
    if dough_spread is not None:
        return _by_carried(data, table, dough_spread, level)
    model = data.fit("formula", OWN, level=level)
    if "dough" not in model.levels:
        why = "these servings can't tell a dough's luck from what lies beneath it"
        return _nothing(table.assign(answered=False, why=why), model.notes)
    return _by_own(data, table, model, chosen, level)


def _formulas(frame: pd.DataFrame, known: pd.DataFrame, *, carried: bool) -> pd.DataFrame:
    """Each formula with its tasted doughs, and whether it can be answered for."""
    rows = []
    for name, part in frame.drop_duplicates("dough").groupby("formula", sort=False):
        tasted = part["dough"].tolist()
        why = one_dough_why(known.loc[tasted[0], "kind"], len(tasted), carried=carried)
        rows.append((name, " | ".join(tasted), len(tasted), not why, why))
    return pd.DataFrame(rows, columns=["formula", "doughs", "count", "answered", "why"])


def _nothing(table: pd.DataFrame, notes: list[str]) -> FormulaComparison:
    only = "the only one that could be compared"
    table = table.assign(answered=False, why=table["why"].where(table["why"] != "", only))
    empty = [pd.DataFrame(columns=names) for names in (TESTS, MEANS, PAIRS)]
    return FormulaComparison(table, *empty, _notes(notes))


def _notes(notes: list[str]) -> pd.DataFrame:
    return pd.DataFrame({"note": pd.Series(notes, dtype="str")})


def _by_own(
    data: Scored, table: pd.DataFrame, model: Modelled, chosen: list[str], level: float
) -> FormulaComparison:
    """Formulas with two doughs or more: their spread is a level of error of the model."""
    fit = model.fit
    means = model.named(fit.means("formula"))
    means = means.loc[means["formula"].isin(chosen), MEANS[:5]].reset_index(drop=True)
    pairs = _pairs(chosen)
    weights = pd.DataFrame(pairs.weights, columns=chosen)
    found = model.named(fit.combined("formula", weights))
    against_first = weights[weights[chosen[0]] == 1]
    tests = model.named(fit.test("formula", against_first))
    spread = model.sources.query("source == 'dough'").set_index("attribute")
    tests = tests.assign(
        dough_sd=spread["sd"].loc[tests["attribute"]].to_numpy(),
        dough_df=spread["df"].loc[tests["attribute"]].to_numpy(),
        dough_sd_from="these doughs",
    )
    return _result(data, table, tests, means, pairs.frame(found), model.notes, level)


def _by_carried(
    data: Scored, table: pd.DataFrame, spread: pd.DataFrame, level: float
) -> FormulaComparison:
    """Formulas of one dough too: the spread of doughs is brought along."""
    model = data.fit("dough", CARRIED, level=level)
    chosen = table.loc[table["answered"], "formula"].tolist()
    pairs = _pairs(chosen)
    label = data.frame.drop_duplicates("dough").set_index("dough")["formula"]
    tests, means, found = carried_means(model, label, chosen, pairs.weights, spread)
    return _result(data, table, tests, means, pairs.frame(found), model.notes, level)


@dataclass(frozen=True, eq=False)
class Pairs:
    """All pairs of names, and the weights that take one's mean from the other's."""

    one: list[str]
    other: list[str]
    weights: np.ndarray

    def frame(self, found: pd.DataFrame) -> pd.DataFrame:
        """Found combinations with the names of the pair in front."""
        times = len(found) // len(self.one)
        found = found.rename(columns={"estimate": "difference"})
        return found.assign(formula=self.one * times, other_formula=self.other * times)


def _pairs(names: list[str]) -> Pairs:
    one, other = np.triu_indices(len(names), 1)
    each = np.eye(len(names))
    return Pairs([names[at] for at in one], [names[at] for at in other], each[one] - each[other])


def _result(data, table, tests, means, pairs, notes, level: float) -> FormulaComparison:
    chosen = table[table["answered"]]
    count = len(chosen)
    se = pairs.groupby("attribute", sort=False)["se"].median()
    tests = tests.assign(
        findable=[
            findable(se.loc[row.attribute], row.df, row.df_error) for row in tests.itertuples()
        ],
        formulas=count,
        doughs=int(chosen["count"].sum()),
        assessors=data.frame["assessor"].nunique(),
        about="formula",
        scope=SCOPE,
    )
    q = np.sqrt(2) * np.abs(pairs["difference"]) / pairs["se"]
    p = [float(range_sf(one, count, df)[0]) for one, df in zip(q, pairs["df"], strict=True)]
    wide = [range_point(level, count, round(df, 8)) / np.sqrt(2) for df in pairs["df"]]
    pairs = pairs.assign(
        p=p,
        ci_low=pairs["difference"] - wide * pairs["se"],
        ci_high=pairs["difference"] + wide * pairs["se"],
        ci_level=level,
        pairs=count * (count - 1) // 2,
        about="formula",
        scope=SCOPE,
    )
    means = with_interval(means, level=level, scope=SCOPE)
    return FormulaComparison(table, tests[TESTS], means[MEANS], pairs[PAIRS], _notes(notes))
