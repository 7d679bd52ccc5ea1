"""Degrees of freedom a plan gives each level of error, against printed analyses of variance."""

from __future__ import annotations

from functools import cache, partial

import pandas as pd

from doughkit.panel import what_spreads
from tests.outside import DATA, Check, panels

COX = "Cochran and Cox, Experimental Designs, 1957, p. 300, as analysed by R's aov"
BOX = "Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed., chapter 9"
MILLIKEN = "Milliken and Johnson, Analysis of Messy Data, 1992, machines, as analysed by R's aov"


@cache
def corrosion():
    """Furnace heats as pieces of a temperature, coatings as assessors."""
    frame = pd.read_csv(DATA / "corrosion.csv", dtype="str")
    names = {"temp": "dough", "heat": "piece", "coating": "assessor", "y": "score"}
    return panels.study(frame.rename(columns=names))


@cache
def levels(name):
    tables = {"corrosion": corrosion}.get(name) or getattr(panels, name)
    _, servings, pieces = tables()
    return what_spreads(servings, pieces).levels.set_index("level")


def df(name, level):
    return levels(name).loc[level, "df"]


CHECKS = [
    Check(
        "panel.what_spreads",
        f"{name}: degrees of freedom of {level}",
        source,
        kind,
        printed,
        partial(df, name, level),
    )
    for name, source, kind, figures in (
        (
            "cakes",
            COX,
            "reference library",
            {
                "assessor": 14,
                "dough": 2,
                "assessor × dough": 28,
                "piece": 15,
                "single score": 210,
            },
        ),
        (
            "corrosion",
            BOX,
            "from memory",
            {"dough": 2, "piece": 3, "assessor": 3, "assessor × dough": 6, "single score": 9},
        ),
        (
            "machines",
            MILLIKEN,
            "reference library",
            {"dough": 2, "assessor": 5, "assessor × dough": 10, "single score": 36},
        ),
    )
    for level, printed in figures.items()
] + [
    Check(
        "panel.what_spreads",
        "cakes: degrees of freedom of recipe × replicate when the replicate is forgotten",
        COX,
        "reference library",
        42,
        partial(df, "cakes", "assessor × dough"),
        wrong=True,
    )
]
