"""Which doughs are of one formula, and what doughs of one formula differ by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.scored import score, unique_doughs
from doughkit.tables.problems import problem_error, require_columns

LEVELS_OF_ERROR = ("dough", "piece", "assessor", "assessor × tasting", "assessor × dough")


def recipes(known: pd.DataFrame, tasted: pd.Series, factors: pd.DataFrame | None) -> pd.Series:
    """Each tasted dough's formula by name; `known` is keyed by dough."""
    names = ["formula"]
    if factors is not None:
        require_columns(factors, "factor", "changed_per", table="factors")
        names += factors.loc[factors["changed_per"] == "dough", "factor"].tolist()
    require_columns(known, "kind", *names, table="doughs")
    own = known.loc[list(dict.fromkeys(tasted))]
    ours = own["kind"] != "reference"
    if own.loc[ours, "formula"].isna().any():
        missing = own.index[ours & own["formula"].isna()][0]
        raise problem_error(
            "doughs",
            key=f"dough {missing}",
            column="formula",
            found="an empty cell",
            expected="the formula it was mixed by",
            mend="fill it in",
        )
    if factors is None:
        return own["formula"].where(ours, "reference " + own.index.to_series())
    key = pd.MultiIndex.from_frame(own[names].astype(object).where(own[names].notna(), ""))
    first = pd.Series(own.index, index=own.index).groupby(pd.factorize(key)[0]).transform("first")
    return ("as " + first).where(ours, "reference " + own.index.to_series())


def one_dough_why(kind: str, count: int, *, carried: bool) -> str:
    """Why a formula can't be answered for, or nothing."""
    if kind == "reference":
        return "the reference is no formula of ours"
    if count < 2 and not carried:
        return "one dough, so its luck can't be told from the formula"
    return ""


def dough_spread(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    doughs: pd.DataFrame,
    factors: pd.DataFrame | None = None,
    *,
    adjust_for: Sequence[str] | None = None,
    level: float = 0.90,
) -> pd.DataFrame:
    """Measure what doughs of one formula differ by, from every formula made twice or more.

    Question: how large is the luck of a single dough?

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat, and served_after_min where noted.
    pieces : DataFrame
        piece, dough, and the columns to adjust for.
    doughs : DataFrame
        dough, kind, formula, and the dough factors; the control counts as any other formula.
    factors : DataFrame, optional
        factor, changed_per, as in `compare_formulas`.
    adjust_for : list of str, optional
        As in `compare_formulas`.
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    DataFrame: attribute, sd (points), df, ci_low, ci_high, ci_level, at_zero, doughs, formulas,
        scope. `at_zero`: the doughs differed no more than their portions would anyway; its df is
        0 then, and it can't be carried on.

    Raises
    ------
    StudyProblems: tables that don't fit, no formula with two tasted doughs, or servings that
        can't tell a dough from what lies beneath it.

    Range: where tastings and doughs go together, a shift between tastings is taken out by what
        they have in common (control, reference). A few doughs leave the size open by a factor of
        two or more: see the interval.

    Source: restricted likelihood, as `fitting.fit_mixed`; interval by the chi-square with
        Satterthwaite's degrees of freedom.

    >>> import pandas as pd
    >>> doughs = pd.DataFrame({"dough": list("ABC"), "kind": "control", "formula": "plain"})
    >>> pieces = pd.DataFrame({"piece": list("ABC"), "dough": list("ABC")})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", "T1", who, piece) for who in ("Ann", "Bo", "Cy") for piece in "ABC"],
    ...     columns=["serving", "tasting", "assessor", "piece"])
    >>> ratings = servings[["serving"]].assign(
    ...     attribute="chew", score=[3.0, 5, 6, 2, 3, 5, 4, 6, 7])
    >>> dough_spread(ratings, servings, pieces, doughs)[["sd", "doughs"]].round(2).values.tolist()
    [[1.5, 3.0]]
    """
    data = score(ratings, servings, pieces, adjust_for=adjust_for)
    known = unique_doughs(doughs, data.frame)
    label = recipes(known, data.frame["dough"], factors)
    counts = label.value_counts()
    often = counts[counts > 1]
    if often.empty:
        raise problem_error(
            "doughs",
            found=f"{len(counts)} formulas with one tasted dough each",
            expected="at least one formula with two doughs",
            mend="bake the control anew for each tasting",
        )
    data.frame["formula"] = data.frame["dough"].map(label)
    main = "formula" if len(counts) > 1 else None
    model = data.fit(main, LEVELS_OF_ERROR, level=level)
    if "dough" not in model.levels:
        raise problem_error(
            "servings",
            found="doughs that can't be told from what lies beneath them",
            expected="doughs met by several people",
            mend="let everybody taste each dough",
        )
    found = model.sources.query("source == 'dough'").reset_index(drop=True)
    df = np.where(found["at_zero"], np.nan, found["df"])
    tails = stats.chi2.ppf([[(1 + level) / 2], [(1 - level) / 2]], df)
    low, high = found["sd"].to_numpy() * np.sqrt(df / tails)
    return found[["attribute", "sd", "df"]].assign(
        ci_low=low,
        ci_high=high,
        ci_level=level,
        at_zero=found["at_zero"],
        doughs=int(often.sum()),
        formulas=len(often),
        scope="people_like_these",
    )
