"""A base formula and a dough's levels → the formula really mixed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.account import account
from doughkit.formulas.checks import numbers
from doughkit.formulas.levels import read_levels
from doughkit.formulas.mixing import Mix
from doughkit.formulas.words import one_column, words_of
from doughkit.tables.problems import StudyProblems, require_columns


def vary(formulas, doughs, ingredients=None) -> pd.DataFrame:
    """Give the formula really mixed for every dough: its base formula at the dough's levels.

    Question: what goes into this dough?

    Parameters
    ----------
    formulas : DataFrame
        The base formulas, as `bakers_percent` takes them.
    doughs : DataFrame
        dough, formula (the base), and level columns in percent of all flour: hydration_pct,
        salt_pct, fat_pct, whole_grain_pct (as `overview` defines them), or an ingredient's name
        with _ for spaces (olive_oil_pct, rye_flour_pct for a blend). An empty level is as in the
        base formula. Optional: kind (a reference is left out), flour_lot.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.

    Returns
    -------
    DataFrame, one row per dough and line: dough, part, ingredient, role, percent, gives_way
    (on a flour that rises: which flour fell for it), base_percent, flour_share (grams of flour in
    one gram), flour_lot (on the dough's main flour).

    Lines of the final dough change first; those of a pre-ferment only where the ingredient stands
    nowhere else. Flours that no level names give way in proportion. Water, salt, whole wheat flour
    or bread flour come in where the base formula has none; which fat comes in is not guessed.

    Raises
    ------
    StudyProblems for a level that cannot be reached, an unknown base formula, a misspelt
    ingredient's column, a level out of bounds.

    Range: levels from 0 to 100 % (hydration to 300 %).

    Source: by definition of baker's percentage.

    >>> import pandas as pd
    >>> base = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water", "salt"],
    ...      "amount": ["500", "300", "10"], "unit": "g"})
    >>> doughs = pd.DataFrame(
    ...     {"dough": ["D1"], "formula": "Flat", "hydration_pct": 64, "whole_grain_pct": 20})
    >>> vary(base, doughs)[["ingredient", "percent", "gives_way"]].values.tolist()
    [['bread flour', 80.0, ''], ['water', 64.0, ''], ['salt', 2.0, ''],
     ['whole wheat flour', 20.0, 'bread flour']]
    """
    one = account(formulas, ingredients)
    asked = read_levels(doughs, list(one.formulas), one.known)
    bases = {name: row for row, name in enumerate(one.formulas)}
    order = np.argsort(one.formula, kind="stable")
    edges = np.searchsorted(one.formula[order], np.arange(len(one.formulas) + 1))
    problems, mixed = [], []
    for each in asked:
        base = bases[each.formula]
        mix = Mix(one, order[edges[base] : edges[base + 1]], each)
        mix.set_levels()
        problems += mix.problems
        mixed.append(mix.columns())
    if problems:
        raise StudyProblems(problems, about="the levels of the doughs")
    return _joined(mixed)


def as_formulas(varied) -> pd.DataFrame:
    """Turn varied (or as-mixed) doughs into a frame of formulas, each dough a formula.

    Question: how do I give the doughs really mixed to what takes formulas?

    Parameters
    ----------
    varied : DataFrame
        dough, ingredient, percent, and if there part, flour_lot; from `vary` or `as_mixed`.

    Returns
    -------
    DataFrame: formula (the dough), part, ingredient, amount (percent as text, all digits), unit
    (%), flour_lot.

    Raises
    ------
    StudyProblems if a column is missing.

    Source: by definition of baker's percentage.

    >>> import pandas as pd
    >>> varied = pd.DataFrame(
    ...     {"dough": "D1", "ingredient": ["bread flour", "water"], "percent": [100.0, 64.0]})
    >>> as_formulas(varied)[["formula", "amount", "unit"]].values.tolist()
    [['D1', '100.0', '%'], ['D1', '64.0', '%']]
    """
    require_columns(varied, "dough", "ingredient", "percent", table="varied doughs")
    words = words_of(varied, ("dough", "part", "ingredient", "flour_lot"), "varied doughs")
    text = {
        "formula" if name == "dough" else name: pd.array(each.text, dtype="str")
        for name, each in words.items()
    }
    percent = one_column(varied, "percent", "varied doughs")
    values = numbers(varied, "percent", "varied doughs")
    # What is no number stays as it stands, so that whoever reads the formulas can tell of it.
    amount = [
        str(cell) if np.isnan(value) else repr(float(value))
        for cell, value in zip(percent, values, strict=True)
    ]
    frame = pd.DataFrame({**text, "amount": pd.array(amount, dtype="str"), "unit": "%"})
    return frame[["formula", "part", "ingredient", "amount", "unit", "flour_lot"]]


TEXTS = ("dough", "part", "ingredient", "role", "gives_way", "flour_lot")
COLUMNS = (*TEXTS[:4], "percent", "gives_way", "base_percent", "flour_share", "flour_lot")


def _joined(mixed: list[dict[str, np.ndarray]]) -> pd.DataFrame:
    """The lines of all doughs under each other."""
    columns = {
        name: np.concatenate([np.array([]), *(each[name] for each in mixed)]) for name in COLUMNS
    }
    kinds = {name: "str" if name in TEXTS else "float64" for name in COLUMNS}
    return pd.DataFrame(columns).astype(kinds)
