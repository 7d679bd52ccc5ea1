"""Weigh-out sheets: rounded to a real scale, and added up for shopping."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.basis import LEAST_FLOUR_G
from doughkit.formulas.checks import LARGEST, at_least, each_named, numbers
from doughkit.formulas.words import one_column, plain_text, words_of
from doughkit.tables.problems import Problem, StudyProblems, require_columns

SMALL_BELOW_G = 50.0
"""What weighs less than this goes on the finer scale."""
WARN_ABOVE_PCT = 2.0
"""Rounding may move salt or yeast by this share of itself before the sheet warns."""
TEXT = ("dough", "part", "ingredient", "role")


def weigh_out(
    varied, *, piece_g, pieces, extra_pct=0.0, scale_step_g=1.0, small_step_g=0.1
) -> pd.DataFrame:
    """Make the weigh-out sheet of every dough, rounded to what the scales can show.

    Question: what do I weigh, and do the rounded weights still make the dough I planned?

    Parameters
    ----------
    varied : DataFrame
        dough, part, ingredient, role, percent, flour_share; from `vary` or `as_mixed`.
    piece_g : float or mapping of dough to float
        Dough mass of one piece [g].
    pieces : float or mapping of dough to float
        How many pieces a dough makes.
    extra_pct : float
        Dough mixed beyond that, for what stays in bowl and on hands [%].
    scale_step_g : float
        Smallest step the scale shows [g].
    small_step_g : float or None
        The same of a finer scale, used for what weighs less than 50 g; None: there is none.

    Returns
    -------
    DataFrame, one row per dough and line: dough, part, ingredient, percent, planned_g (rounded to
    the scale's step), weighed_g (empty, to be filled on the bench), percent_as_rounded (what the
    rounded weights really give), warning, role, exact_g, step_g, flour_share.

    `warning` is filled where rounding moves salt or yeast by more than 2 % of itself.

    Raises
    ------
    StudyProblems for a size or step not above zero, a dough without flour, a missing piece mass.

    Range: a scale errs by more than its step; check it with a known weight each bake day.

    Source: rounding to a step moves a weight by half a step at most.

    >>> import pandas as pd
    >>> varied = pd.DataFrame(
    ...     {"dough": "D1", "ingredient": ["bread flour", "water", "instant yeast"],
    ...      "role": ["flour", "water", "yeast"], "percent": [100.0, 60.0, 0.3]})
    >>> sheet = weigh_out(varied, piece_g=150, pieces=1)
    >>> sheet[["planned_g", "percent_as_rounded"]].round(2).values.tolist()
    [[94.0, 100.0], [56.0, 59.57], [0.3, 0.32]]
    >>> sheet["warning"].iloc[2]
    'rounding moves yeast by +6.9 %: mix more, use a finer scale, or dissolve more and divide it'
    """
    steps = {"scale_step_g": scale_step_g}
    steps |= {} if small_step_g is None else {"small_step_g": small_step_g}
    at_least("weigh_out", 1e-6, **steps)
    at_least("weigh_out", 0.0, extra_pct=extra_pct)
    sheet, codes, names = _sheet_lines(varied)
    per_flour = np.bincount(codes, sheet["percent"], minlength=len(names))
    piece, count = (
        each_named(option, value, names, table="weigh_out")
        for option, value in (("piece_g", piece_g), ("pieces", pieces))
    )
    exact = sheet["percent"] * (piece * count * (1 + extra_pct / 100) / per_flour)[codes]
    fine = scale_step_g if small_step_g is None else small_step_g
    step = np.where(exact < SMALL_BELOW_G, min(fine, scale_step_g), scale_step_g)
    # Halves go up, as on paper; what is left over of binary fractions is taken off again.
    planned = np.round(np.floor(exact / step + 0.5) * step, 6)
    flour = np.bincount(codes, planned * sheet["flour_share"], minlength=len(names))[codes]
    with np.errstate(divide="ignore", invalid="ignore"):
        rounded = 100 * planned / flour
        moved = 100 * (planned - exact) / exact
    return pd.DataFrame(
        {
            **{name: sheet[name] for name in TEXT[:3]},
            "percent": sheet["percent"],
            "planned_g": planned,
            "weighed_g": np.nan,
            "percent_as_rounded": rounded,
            "warning": pd.array(_warnings(sheet["role"], moved), dtype="str"),
            "role": sheet["role"],
            "exact_g": exact,
            "step_g": step,
            "flour_share": sheet["flour_share"],
        }
    )


def _sheet_lines(varied) -> tuple[dict, np.ndarray, list[str]]:
    """The columns of a sheet, the dough of each line, and the doughs; all faults at once."""
    require_columns(varied, "dough", "ingredient", "role", "percent", table="varied doughs")
    words = words_of(varied, TEXT, "varied doughs")
    sheet = {name: pd.Series(each.text, dtype="str") for name, each in words.items()}
    sheet["percent"] = numbers(varied, "percent", "varied doughs")
    # Without a column for it only plain flours hold flour.
    sheet["flour_share"] = (
        numbers(varied, "flour_share", "varied doughs")
        if "flour_share" in varied.columns
        else (sheet["role"] == "flour").to_numpy(float)
    )
    bounds = {"percent": LARGEST, "flour_share": 1.0}
    bad = {name: ~((sheet[name] >= 0) & (sheet[name] <= most)) for name, most in bounds.items()}
    problems = [
        _sheet_fault(
            f"dough {sheet['dough'][row]}, ingredient {sheet['ingredient'][row]}",
            name,
            f"{sheet[name][row]:g}",
            f"a number from 0 to {bounds[name]:g}",
        )
        for name, rows in bad.items()
        for row in np.flatnonzero(rows)
    ]
    codes, names = words["dough"].codes, list(words["dough"].words)
    if "" in names:
        problems.append(_sheet_fault("a dough without a name", "dough", "nothing", "its name"))
    whole = np.where(bad["percent"] | bad["flour_share"], 0.0, sheet["percent"])
    flour = np.bincount(codes, whole * np.nan_to_num(sheet["flour_share"]), minlength=len(names))
    problems += [
        _sheet_fault(f"dough {name}", "role", "no flour", "at least one flour to reckon on")
        for name, amount in zip(names, flour, strict=True)
        if amount < LEAST_FLOUR_G
    ]
    if problems:
        raise StudyProblems(problems)
    return sheet, codes, names


def _sheet_fault(key: str, column: str, found: str, expected: str) -> Problem:
    return Problem(
        "varied doughs",
        key=key,
        column=column,
        found=found,
        expected=expected,
        mend="correct it, or make the doughs again with vary",
    )


def _warnings(role: pd.Series, moved: np.ndarray) -> list[str]:
    return [
        f"rounding moves {what} by {by:+.1f} %: mix more, use a finer scale, or dissolve more and "
        "divide it"
        if what in ("salt", "yeast") and abs(by) > WARN_ABOVE_PCT
        else ""
        for what, by in zip(role, moved, strict=True)
    ]


def shopping_list(sheets, *, spare_pct=0.0) -> pd.DataFrame:
    """Add weigh-out sheets up to what has to be in the house.

    Question: how much of each ingredient do these doughs take together?

    Parameters
    ----------
    sheets : DataFrame
        dough, ingredient, planned_g; from `weigh_out`.
    spare_pct : float
        Kept in hand beyond that [%].

    Returns
    -------
    DataFrame, one row per ingredient: ingredient, grams, doughs (how many use it).

    Raises
    ------
    StudyProblems if a column is missing or a planned weight is not a number.

    Source: conservation of mass.

    >>> import pandas as pd
    >>> sheets = pd.DataFrame(
    ...     {"dough": ["D1", "D2"], "ingredient": "bread flour", "planned_g": [200.0, 240.0]})
    >>> shopping_list(sheets).values.tolist()
    [['bread flour', 440.0, 2]]
    """
    require_columns(sheets, "dough", "ingredient", "planned_g", table="weighed")
    at_least("shopping_list", 0.0, spare_pct=spare_pct)
    grams = numbers(sheets, "planned_g", "weighed")
    if not np.isfinite(grams).all():
        raise StudyProblems(
            Problem(
                "weighed",
                key=f"dough {sheets['dough'].iloc[row]}, "
                f"ingredient {sheets['ingredient'].iloc[row]}",
                column="planned_g",
                found=f"'{sheets['planned_g'].iloc[row]}'",
                expected="a planned weight in grams",
                mend="make the sheet again with weigh_out",
            )
            for row in np.flatnonzero(~np.isfinite(grams))
        )
    lines = pd.DataFrame(
        {
            "ingredient": plain_text(one_column(sheets, "ingredient", "weighed")),
            "dough": plain_text(one_column(sheets, "dough", "weighed")),
            "grams": grams * (1 + spare_pct / 100),
        }
    )
    groups = lines.groupby("ingredient", sort=False)
    return groups.agg(grams=("grams", "sum"), doughs=("dough", "nunique")).reset_index()
