"""Formulas side by side against a chosen one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.account import Account, account
from doughkit.formulas.summed import figures_of, what_lines_bring
from doughkit.tables.problems import nearest, problem_error

MEASURES = (
    "hydration_pct",
    "effective_hydration_pct",
    "salt_pct",
    "fat_pct",
    "sugar_pct",
    "whole_grain_pct",
    "yeast_pct",
    "prefermented_pct",
)


def compare(formulas, ingredients=None, moistures=None, *, against) -> pd.DataFrame:
    """Set formulas against a chosen one: differences in points, what differs most first.

    Question: in what do these formulas differ from the one I hold on to?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes them.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    moistures : DataFrame, optional
        Dried samples, see `composition`.
    against : str
        The formula that the others are set against.

    Returns
    -------
    DataFrame, one row per other formula and measure: formula, kind (figure or ingredient),
    measure (a figure of `overview`, or an ingredient), value, against (the chosen formula's
    value), difference (points of flour), difference_low, difference_high (what ranges and
    measured-out volumes on either side allow), sure (yes if these leave out nothing at all).
    Figures come before ingredients, the largest difference first.

    Raises
    ------
    StudyProblems if `against` is not among the formulas, and as `bakers_percent`.

    Range: points are of flour; a point of salt and a point of water do not weigh the same in the
    mouth.

    Source: by definition of baker's percentage; see `overview`.

    >>> import pandas as pd
    >>> two = pd.DataFrame(
    ...     {"formula": ["A", "A", "B", "B"], "ingredient": ["bread flour", "water"] * 2,
    ...      "amount": ["500", "300", "500", "330"], "unit": "g"})
    >>> compare(two, against="A")[["formula", "measure", "difference"]].head(1).values.tolist()
    [['B', 'hydration_pct', 6.0]]
    """
    one = account(formulas, ingredients, moistures)
    names = list(one.formulas)
    if against not in names:
        raise problem_error(
            "formulas",
            column="formula",
            found=f"no formula '{against}'",
            expected="the name of a formula in the table",
            mend=nearest(against, names) or f"write one of: {', '.join(map(str, names[:8]))}",
        )
    brings = what_lines_bring(one)
    low, mid, high = (_values(one, brings, percent) for percent in one.percent)
    kinds = np.where(mid.columns.isin(MEASURES), "figure", "ingredient")
    chosen = names.index(against)
    others = [row for row in range(len(names)) if row != chosen]
    long = pd.DataFrame(
        {
            "formula": np.repeat(one.formulas.astype(object)[others], len(mid.columns)),
            "kind": np.tile(kinds, len(others)),
            "measure": np.tile(mid.columns, len(others)),
            "value": mid.to_numpy()[others].ravel(),
            "against": np.tile(mid.to_numpy()[chosen], len(others)),
            "difference_low": (low.to_numpy()[others] - high.to_numpy()[chosen]).ravel(),
            "difference_high": (high.to_numpy()[others] - low.to_numpy()[chosen]).ravel(),
        }
    )
    return _ordered(long.astype({"formula": "str", "kind": "str", "measure": "str"}), names)


def _values(one: Account, brings: dict, percent: np.ndarray) -> pd.DataFrame:
    """Figures and ingredients of every formula, at its low, middle or high percentages."""
    figures = figures_of(one, brings, percent)
    used, column = np.unique(one.place, return_inverse=True)
    shape = (len(one.formulas), len(used))
    cell = one.formula * len(used) + column
    sums = np.bincount(cell, np.nan_to_num(percent), minlength=shape[0] * shape[1])
    values = {name: figures[name] for name in MEASURES}
    values |= dict(zip(one.known.names[used], sums.reshape(shape).T, strict=True))
    return pd.DataFrame(values)


def _ordered(long: pd.DataFrame, names: list) -> pd.DataFrame:
    difference = long["value"] - long["against"]
    apart = (long["difference_low"] > 0) | (long["difference_high"] < 0)
    long.insert(5, "difference", difference)
    long["sure"] = pd.array(np.where(apart, "yes", "no"), dtype="str")
    place = {name: row for row, name in enumerate(names)}
    order = np.lexsort(
        (-difference.abs().to_numpy(), long["kind"] == "ingredient", long["formula"].map(place))
    )
    columns = ["formula", "kind", "measure", "value", "against", "difference"]
    columns += ["difference_low", "difference_high", "sure"]
    return long.iloc[order].reset_index(drop=True)[columns]
