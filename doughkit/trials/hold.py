"""The hold rule: what stays the same from piece to piece, and whether it did."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, problem_error, require_columns

RULES = ("dough mass", "flour")
WITHIN_PCT = 3.0
"""How far a piece's dough per area may lie from the others' (starting guess of this library)."""


def held_mass(varied: pd.DataFrame, *, piece_g: float, rule: str = "dough mass") -> pd.DataFrame:
    """Say what one piece of each dough weighs, so that the doughs differ in what was planned only.

    Question: is a wetter dough also to be a thinner piece?

    Parameters
    ----------
    varied : DataFrame
        dough, ingredient, percent (of all flour): from `formulas.vary`.
    piece_g : float
        Dough mass of one piece [g]; with "flour", that of a dough half-way between all.
    rule : str
        "dough mass": every piece weighs the same; a wetter one then holds less flour. "flour":
        every piece holds the same flour; a wetter one then weighs more.

    Returns
    -------
    DataFrame, one row per dough: dough, piece_mass_g, flour_per_piece_g, rule.

    Raises
    ------
    StudyProblems if the rule is neither of the two or the mass not above 0.

    Source: by definition.

    >>> varied = pd.DataFrame({"dough": ["A", "A", "B", "B"], "ingredient": ["flour", "water"] * 2,
    ...     "percent": [100.0, 55.0, 100.0, 65.0]})
    >>> held_mass(varied, piece_g=160, rule="flour")["piece_mass_g"].tolist()
    [155.0, 165.0]
    """
    require_columns(varied, "dough", "percent", table="varied")
    if rule not in RULES or not piece_g > 0:
        raise problem_error(
            "hold rule",
            found=f"{rule!r} at {piece_g:g} g",
            expected=f"{' or '.join(RULES)}, and a mass above 0",
            mend="choose what is held, and weigh a piece that fits the plate",
        )
    per_flour = varied.groupby("dough", sort=False)["percent"].sum() / 100
    flour = piece_g / (per_flour if rule == "dough mass" else per_flour.mean())
    flour = pd.Series(flour, index=per_flour.index)
    return pd.DataFrame(
        {
            "dough": per_flour.index.astype("str"),
            "piece_mass_g": (flour * per_flour).to_numpy(),
            "flour_per_piece_g": flour.to_numpy(),
            "rule": rule,
        }
    )


def dough_per_area(pieces: pd.DataFrame, *, within_pct: float = WITHIN_PCT) -> pd.DataFrame:
    """Check that every piece was rolled as thick as the others: dough per area within ± 3 %.

    Question: did a piece come out crisp because it was thin?

    Parameters
    ----------
    pieces : DataFrame
        Table `pieces`: piece, mass_before_g and diameter_mm, or length_mm and width_mm. Pieces
        that were not weighed or measured have no answer.
    within_pct : float
        How far a piece may lie from the middle one [%].

    Returns
    -------
    DataFrame, one row per piece: piece, area_cm2, dough_g_per_cm2, off_pct (from the median of
    all), held (yes, no, or empty where it was not measured).

    Raises
    ------
    StudyProblems if no column of size is there, or a mass or size is not above 0.

    Source: by definition; the 3 % is a starting guess of this library.

    >>> pieces = pd.DataFrame({"piece": list("abc"), "mass_before_g": [200.0, 200.0, 200.0],
    ...     "diameter_mm": [300.0, 300.0, 310.0]})
    >>> dough_per_area(pieces)["held"].tolist()
    ['yes', 'yes', 'no']
    """
    require_columns(pieces, "piece", "mass_before_g", table="pieces")
    if "diameter_mm" not in pieces.columns:
        require_columns(pieces, "length_mm", "width_mm", table="pieces")
    sizes = pieces.reindex(columns=["mass_before_g", "diameter_mm", "length_mm", "width_mm"])
    sizes = sizes.astype(float)
    _refuse_nothing(pieces, sizes)
    area = np.pi / 4 * sizes["diameter_mm"] ** 2
    area = area.fillna(sizes["length_mm"] * sizes["width_mm"]) / 100
    loading = sizes["mass_before_g"] / area
    off = 100 * (loading / loading.median() - 1)
    held = np.where(off.abs() <= within_pct, "yes", "no")
    return pd.DataFrame(
        {
            "piece": pieces["piece"],
            "area_cm2": area,
            "dough_g_per_cm2": loading,
            "off_pct": off,
            "held": pd.Series(held, pieces.index, dtype="str").where(off.notna()),
        }
    )


def _refuse_nothing(pieces: pd.DataFrame, sizes: pd.DataFrame) -> None:
    problems = [
        Problem(
            "pieces",
            key=f"piece {name}",
            column=column,
            found=f"{value:g}",
            expected="above 0",
            mend="weigh and measure before baking, or leave the cell empty",
        )
        for column in sizes
        for name, value in zip(pieces["piece"], sizes[column], strict=True)
        if value <= 0
    ]
    if problems:
        raise StudyProblems(problems)
