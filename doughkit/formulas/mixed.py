"""What was really weighed, back in percentages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from doughkit.formulas.account import Account, account
from doughkit.formulas.checks import numbers
from doughkit.formulas.mixing import main_flour
from doughkit.formulas.words import one_column, words_of
from doughkit.tables.problems import StudyProblems, require_columns, require_unique


def as_mixed(weighed, ingredients=None, doughs=None) -> pd.DataFrame:
    """Give the percentages of every dough as it was really weighed.

    Question: what did I bake, as against what I planned?

    Parameters
    ----------
    weighed : DataFrame
        dough, part, ingredient, planned_g, weighed_g: filled weigh-out sheets. Where weighed_g is
        empty the line is taken as planned, and said to be.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    doughs : DataFrame, optional
        dough, flour_lot: with them the flour's own dried moisture can be used later.

    Returns
    -------
    DataFrame, one row per line: dough, part, ingredient, role, percent (as mixed),
    planned_percent (nothing for a dough with a line that was not planned), grams, taken_from
    (weighed or planned), flour_share, flour_lot (on the dough's main flour).

    Raises
    ------
    StudyProblems for a line with neither weight, a weight below zero, an unknown ingredient.

    Source: conservation of mass.

    >>> import pandas as pd
    >>> sheet = pd.DataFrame(
    ...     {"dough": "D1", "part": "", "ingredient": ["bread flour", "water"],
    ...      "planned_g": [200.0, 120.0], "weighed_g": [None, 126.0]})
    >>> as_mixed(sheet)[["percent", "planned_percent", "taken_from"]].values.tolist()
    [[100.0, 100.0, 'planned'], [63.0, 60.0, 'weighed']]
    """
    require_columns(weighed, "dough", "ingredient", "planned_g", "weighed_g", table="weighed")
    grams = {name: numbers(weighed, name, "weighed") for name in ("planned_g", "weighed_g")}
    missing = np.isnan(grams["weighed_g"])
    taken = np.where(missing, grams["planned_g"], grams["weighed_g"])
    mixed = _account_of(weighed, taken, ingredients)
    unplanned = np.isnan(grams["planned_g"])
    as_planned = np.where(unplanned, taken, grams["planned_g"])
    planned = _account_of(weighed, as_planned, ingredients).percent[1]
    beside_plan = mixed.per_formula(unplanned[mixed.row])[mixed.formula] > 0
    return pd.DataFrame(
        {
            "dough": pd.array(mixed.formulas.astype(object)[mixed.formula], dtype="str"),
            "part": pd.array(mixed.part, dtype="str"),
            "ingredient": pd.array(mixed.ingredient, dtype="str"),
            "role": pd.array(mixed.known.role[mixed.place], dtype="str"),
            "percent": mixed.percent[1],
            "planned_percent": np.where(beside_plan, np.nan, planned),
            "grams": mixed.grams[1],
            "taken_from": pd.array(
                np.where(missing[mixed.row], "planned", "weighed").astype(object), dtype="str"
            ),
            "flour_share": mixed.share,
            "flour_lot": pd.array(_lots(mixed, doughs), dtype="str"),
        }
    )


def _lots(mixed: Account, doughs) -> np.ndarray:
    """The flour lot of every dough, on the lines of its main flour."""
    lots = np.full(len(mixed.formula), "", dtype=object)
    if doughs is None or "flour_lot" not in doughs.columns:
        return lots
    require_unique(doughs, "dough", table="doughs")
    words = words_of(doughs, ("dough", "flour_lot"), "doughs")
    by_dough = dict(zip(words["dough"].text, words["flour_lot"].text, strict=True))
    role = mixed.known.role[mixed.place]
    for number, dough in enumerate(mixed.formulas):
        rows = np.flatnonzero(mixed.formula == number)
        main = main_flour(role[rows], mixed.place[rows], mixed.percent[1][rows])
        lots[rows[mixed.place[rows] == main]] = by_dough.get(dough, "")
    return lots


def _account_of(weighed: pd.DataFrame, grams: np.ndarray, ingredients) -> Account:
    """Weighed lines reckoned as a formula each, problems told of the table `weighed`."""
    parts = weighed["part"].to_numpy() if "part" in weighed.columns else ""
    frame = pd.DataFrame(
        {
            "formula": one_column(weighed, "dough", "weighed").to_numpy(),
            "part": parts,
            "ingredient": one_column(weighed, "ingredient", "weighed").to_numpy(),
            "amount": grams,
            "unit": "g",
        }
    )
    try:
        return account(frame, ingredients)
    except StudyProblems as error:
        raise StudyProblems(
            [
                replace(
                    problem,
                    table="weighed" if problem.table == "formulas" else problem.table,
                    key=problem.key.replace("formula ", "dough ", 1),
                    column="weighed_g" if problem.column == "amount" else problem.column,
                )
                for problem in error.problems
            ]
        ) from None
