"""A formula brought to the size that is wanted."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.account import account
from doughkit.formulas.checks import at_least
from doughkit.tables.problems import problem_error

SIZES = (
    ("pieces", "piece_g"),
    ("pieces", "area_cm2", "dough_g_per_cm2"),
    ("pieces", "finished_g", "bake_loss_pct"),
    ("flour_g",),
)
"""The sets of numbers that say how much is wanted."""


def scale(
    formulas,
    ingredients=None,
    *,
    pieces=None,
    piece_g=None,
    area_cm2=None,
    dough_g_per_cm2=None,
    finished_g=None,
    bake_loss_pct=None,
    flour_g=None,
    extra_pct=0.0,
) -> pd.DataFrame:
    """Bring formulas to a size: so many pieces, an area, the flour on hand, a finished mass.

    Question: how many grams of each ingredient make the batch I want?

    Parameters
    ----------
    formulas : DataFrame
        As `bakers_percent` takes them.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    pieces, piece_g : float
        How many pieces, and the dough mass of one [g]; or
    area_cm2, dough_g_per_cm2 : float
        with `pieces`: the area of one piece and the dough on each cm²; or
    finished_g, bake_loss_pct : float
        with `pieces`: the mass of one piece out of the oven [g] and the share of the dough that
        the bake drives off [%]; or
    flour_g : float
        all flour there is [g].
    extra_pct : float
        Dough mixed beyond that, for what stays in bowl and on hands [%].

    Returns
    -------
    DataFrame, one row per line: formula, part, ingredient, role, percent, grams, flour_share.

    Raises
    ------
    StudyProblems for a size that is none of these four, or not above zero.

    Range: fermentation and mixing heat change with batch size; grams alone do not carry a bake
    over to another scale.

    Source: conservation of mass; bake loss is the dough's share that the oven drives off.

    >>> import pandas as pd
    >>> plain = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water"],
    ...      "amount": ["100", "60"], "unit": "%"})
    >>> scale(plain, pieces=4, piece_g=240)["grams"].tolist()
    [600.0, 360.0]
    """
    size = {
        "pieces": pieces,
        "piece_g": piece_g,
        "area_cm2": area_cm2,
        "dough_g_per_cm2": dough_g_per_cm2,
        "finished_g": finished_g,
        "bake_loss_pct": bake_loss_pct,
        "flour_g": flour_g,
    }
    wanted, of_flour = _wanted({name: one for name, one in size.items() if one is not None})
    at_least("scale", 0.0, extra_pct=extra_pct)
    one = account(formulas, ingredients)
    weight = one.share if of_flour else np.ones(len(one.formula))
    total = one.per_formula(one.grams[1] * weight)[one.formula]
    # A seed mix without flour cannot be brought to an amount of flour: it stays not a number.
    total = np.where(total > 0, total, np.nan)
    grams = one.grams[1] * wanted * (1 + extra_pct / 100) / total
    return pd.DataFrame(
        {
            "formula": pd.array(one.formulas.astype(object)[one.formula], dtype="str"),
            "part": pd.array(one.part, dtype="str"),
            "ingredient": pd.array(one.ingredient, dtype="str"),
            "role": pd.array(one.known.role[one.place], dtype="str"),
            "percent": one.percent[1],
            "grams": grams,
            "flour_share": one.share,
        }
    )


def _wanted(size: dict) -> tuple[float, bool]:
    """Grams wanted before extra, and whether they are grams of flour."""
    if set(size) not in [set(one) for one in SIZES]:
        raise problem_error(
            "scale",
            found=" and ".join(size) or "no size",
            expected="; or ".join(" and ".join(one) for one in SIZES),
            mend="give one of these sets, whole",
        )
    loss = size.pop("bake_loss_pct", 0.0)
    at_least("scale", 1e-6, **size)
    at_least("scale", 0.0, bake_loss_pct=loss)
    if loss >= 100:
        raise problem_error(
            "scale",
            column="bake_loss_pct",
            found=f"{loss:g}",
            expected="less than 100 % of the dough lost",
            mend="give the share of the dough's mass that the bake drives off",
        )
    return float(np.prod(list(size.values()))) / (1 - loss / 100), "flour_g" in size
