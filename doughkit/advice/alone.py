"""What the data say of the recommended levels by themselves, beside what is assumed."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from doughkit import texture
from doughkit.advice.targets import Wanted
from doughkit.tables.problems import OutsideRange, StudyProblems
from doughkit.texture.result import TextureFit
from doughkit.trials.models import TERMS

COMFORTABLE_DF = 3
"""Degrees of freedom below which a simpler surface is taken, if one leaves more."""


def data_alone(wanted: Wanted, tables) -> tuple[TextureFit | None, str]:
    """The richest least-squares surface that leaves something to judge by, if there is one."""
    least = {}
    for terms in reversed(TERMS):
        try:
            found = texture.fit(
                wanted.values, tables["doughs"], tables["pieces"], tables["factors"], terms=terms
            )
        except StudyProblems:
            continue
        strata = [part for one in found.surfaces.values() for part in one.strata.strata]
        dfs = [one.df for one in strata if one.columns]
        least[terms] = (min(dfs), found)
        if min(dfs) >= COMFORTABLE_DF:
            return found, terms
    terms = max(least, key=lambda one: least[one][0], default="")
    if not terms or least[terms][0] < 1:
        return None, ""
    return least[terms][1], terms


def alone_at(
    found: TextureFit | None, terms: str, levels: pd.Series, attributes: list[str], level: float
):
    """data_mean, data_ci_low, data_ci_high, df, data_terms per attribute; empty where not told."""
    names = ["mean", "ci_low", "ci_high", "df"]
    if found is None:
        empty = pd.DataFrame(np.nan, index=attributes, columns=names)
    else:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutsideRange)
            told = found.predict(levels.to_frame().T.infer_objects(), level=level)
        empty = told.set_index("attribute")[names].reindex(attributes)
    renamed = empty.rename(columns={name: f"data_{name}" for name in names[:3]})
    return renamed.assign(data_terms=terms)
