"""The entry grid in ballot order: what is printed for the tasters is what is typed in."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns, require_unique
from doughkit.tables.register import GRID_KEY


def ballots(servings: pd.DataFrame, attributes: pd.DataFrame) -> pd.DataFrame:
    """Lay out the entry grid: a row per portion in ballot order, an empty column per attribute.

    Question: where does each score go?

    Parameters
    ----------
    servings : DataFrame
        tasting, assessor, code, position.
    attributes : DataFrame
        attribute, in the order of the ballot.

    Returns
    -------
    DataFrame: tasting, assessor, code, then one empty number column per attribute. It names no
        piece, so it can lie beside the tasters; an empty cell stays "served, not answered".

    Raises
    ------
    StudyProblems: a missing column, a code given twice to a person in a tasting, an attribute
        listed twice or named like a column of the grid.

    Source: by definition of this library.

    >>> import pandas as pd
    >>> servings = pd.DataFrame({"tasting": "T1", "assessor": ["Ann", "Ann"],
    ...                          "code": ["582", "371"], "position": [2.0, 1.0]})
    >>> ballots(servings, pd.DataFrame({"attribute": ["chew"]})).values.tolist()
    [['T1', 'Ann', '371', nan], ['T1', 'Ann', '582', nan]]
    """
    require_columns(servings, *GRID_KEY, "position", table="servings")
    require_unique(servings, *GRID_KEY, table="servings")
    require_unique(attributes, "attribute", table="attributes")
    clash = [name for name in attributes["attribute"] if name in GRID_KEY]
    if clash:
        raise problem_error(
            "attributes",
            key=f"attribute {clash[0]}",
            found=f"the name '{clash[0]}'",
            expected="a name that is no column of the grid",
            mend="rename the attribute",
        )
    ordered = servings.assign(
        _tasting=pd.factorize(servings["tasting"])[0],
        _assessor=pd.factorize(servings["assessor"])[0],
    ).sort_values(["_tasting", "_assessor", "position"], kind="stable")
    grid = ordered[list(GRID_KEY)].reset_index(drop=True)
    return grid.assign(**dict.fromkeys(attributes["attribute"], np.nan))
