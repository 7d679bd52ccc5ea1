"""Baker's percentages, line by line."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.formulas.account import Account, account
from doughkit.formulas.parts import part_groups


def bakers_percent(formulas, ingredients=None, moistures=None) -> pd.DataFrame:
    """Put every line of every formula in grams and in percent of all its flour.

    Question: what is in this formula, on the footing on which all formulas can be compared?

    Parameters
    ----------
    formulas : DataFrame
        formula, part (optional), ingredient, amount, unit. Amounts as written: 500, 1 1/2, ½,
        300-320; units g, kg, mg, oz, lb, ml, cl, dl, l, tsp, tbsp, cup, fl oz, pint, quart
        (US customary), piece, %. `%` is percent of all flour of the formula; a formula written in
        percent alone is reckoned on 100 g of flour.

        A part that no line names goes in whole. A line that names a part of its formula takes that
        much of it, a line that names another formula likewise; percentages inside are then of the
        part's (the inner formula's) own flour. In the result its lines stand in place of the line
        that named it; those of another formula have its name as their part.
    ingredients : DataFrame, optional
        The study's own composition, see `composition`.
    moistures : DataFrame, optional
        Dried samples, see `composition`.

    Returns
    -------
    DataFrame, one row per line: formula, part, ingredient, role, grams, grams_low, grams_high,
    percent, percent_low, percent_high, known_as (the ingredient whose figures are used),
    held_from (where its figures come from), moisture_pct, flour_share (grams of flour in one
    gram), percent_in_part (percent of the flour of its own part). Low and high are the bounds that
    ranges, measured-out volumes and counted things allow.

    Raises
    ------
    StudyProblems naming every line with an unknown ingredient or unit, an unreadable amount, and
    every formula without flour.

    Range: a volume is converted with one density and a stated spread (flour by the cup ± 15 %);
    weigh where it matters.

    Source: baker's percentage by definition; densities USDA SR28 household weights; spreads from
    memory, see `doughkit.formulas.units`.

    >>> import pandas as pd
    >>> plain = pd.DataFrame(
    ...     {"formula": "Flat", "ingredient": ["bread flour", "water", "salt"],
    ...      "amount": ["500", "300", "10"], "unit": "g"})
    >>> bakers_percent(plain)["percent"].tolist()
    [100.0, 60.0, 2.0]
    """
    return lines_frame(account(formulas, ingredients, moistures))


def lines_frame(one: Account) -> pd.DataFrame:
    """An account as the frame that `bakers_percent` gives."""
    known, place = one.known, one.place
    group, _ = part_groups(one)
    flour = np.bincount(group, one.grams[1] * one.share)[group]
    held = known.table["held_from"].to_numpy(dtype=object)[place]
    return pd.DataFrame(
        {
            "formula": pd.array(one.formulas.astype(object)[one.formula], dtype="str"),
            "part": pd.array(one.part, dtype="str"),
            "ingredient": pd.array(one.ingredient, dtype="str"),
            "role": pd.array(known.role[place], dtype="str"),
            "grams": one.grams[1],
            "grams_low": one.grams[0],
            "grams_high": one.grams[2],
            "percent": one.percent[1],
            "percent_low": one.percent[0],
            "percent_high": one.percent[2],
            "known_as": pd.array(known.names[place], dtype="str"),
            "held_from": pd.array(np.where(one.dried_lot, "dried flour lot", held), dtype="str"),
            "moisture_pct": one.moisture,
            "flour_share": one.share,
            "percent_in_part": 100 * one.grams[1] / np.where(flour > 0, flour, np.nan),
        }
    )
