"""What is in an ingredient, and where its figures come from."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from doughkit.formulas.own import known_ingredients


@dataclass(frozen=True, eq=False)
class Composition:
    """Composition in use: `table` (one row per ingredient, `held_from` says where its figures come
    from) and `overridden` (one row per built-in figure that the study's own table replaced)."""

    table: pd.DataFrame
    overridden: pd.DataFrame

    def summary(self) -> str:
        own = int((self.table["held_from"] != "built-in").sum())
        return (
            f"{len(self.table)} ingredients known, {own} with figures of the study's own; "
            f"{len(self.overridden)} built-in figures replaced."
        )


def composition(ingredients=None, moistures=None) -> Composition:
    """Give the composition in use, and which built-in figures the study has replaced.

    Question: which figures do my formulas rest on, and where do they come from?

    Parameters
    ----------
    ingredients : DataFrame, optional
        The study's own table: ingredient, role, moisture_pct, fat_pct, salt_pct, sugar_pct,
        whole_grain_pct, density_g_ml, allergens, source. Its filled cells come before the
        built-in ones.
    moistures : DataFrame, optional
        Dried samples: of, wet_g, dry_g. A sample `of` an ingredient comes before both; a sample
        of a flour lot is used for doughs of that lot. Several samples of one thing are averaged
        and counted in `held_from`.

    Returns
    -------
    Composition: `table` (the columns above, and held_from: built-in, study, study over built-in,
    dried) and `overridden` (ingredient, column, built_in, study).

    Raises
    ------
    StudyProblems for figures out of bounds, parts above 100 %, a doubled or unnamed ingredient.

    Range: composition varies by mill, season and brand; flour moisture matters most, so dry it.

    Source: USDA National Nutrient Database for Standard Reference, release 28 (2015), NDB number
    in each row; rows recalled from memory say so.

    >>> composition().table.set_index("ingredient").loc["bread flour", "moisture_pct"].item()
    13.36
    """
    known = known_ingredients(ingredients, moistures)
    return Composition(known.table.copy(), known.overridden.copy())
