"""Which columns of `doughs` set a level of the formula, and what each dough asks for."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
import pandas as pd

from doughkit.formulas.known import Known
from doughkit.formulas.words import one_column, plain_text
from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    require_columns,
    require_unique,
)

TOTALS = ("whole_grain_pct", "fat_pct", "salt_pct", "hydration_pct")
"""Levels of the whole dough, in the order in which they are set: each leaves the former alone."""
HIGHEST = {"hydration_pct": 300.0}
"""Upper bound of a level where it is not 100 %."""


@dataclass(frozen=True)
class Asked:
    """One dough: its base formula, levels of the whole dough, and of ingredients.

    `ingredients` goes from an ingredient's place to the column that sets it and its level.
    """

    dough: str
    formula: str
    totals: dict[str, float]
    ingredients: dict[int, tuple[str, float]]
    lot: str


def slug(name: str) -> str:
    """An ingredient's name as it stands in a column: "olive oil" → "olive_oil"."""
    return re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_")


def read_levels(doughs: pd.DataFrame, formulas: list[str], known: Known) -> list[Asked]:
    """What each dough asks for; a reference has no levels and is left out."""
    require_columns(doughs, "dough", "formula", table="doughs")
    text = {
        name: plain_text(one_column(doughs, name, "doughs")).to_list()
        if name in doughs.columns
        else [""] * len(doughs)
        for name in ("dough", "kind", "formula", "flour_lot")
    }
    require_unique(pd.DataFrame({"dough": text["dough"]}), "dough", table="doughs")
    problems: list[Problem] = []
    columns = _level_columns(doughs, known, problems)
    mixed = [row for row, kind in enumerate(text["kind"]) if kind.casefold() != "reference"]
    values = {name: _numbers(doughs, name, text["dough"], mixed, problems) for name in columns}
    asked = []
    for row in mixed:
        dough, formula = text["dough"][row], text["formula"][row]
        if dough == "" or formula not in formulas:
            problems.append(_no_base(dough, formula, formulas))
            continue
        given = {name: value[row] for name, value in values.items() if not np.isnan(value[row])}
        totals = {name: level for name, level in given.items() if columns[name] < 0}
        parts = {columns[name]: (name, given[name]) for name in given if columns[name] >= 0}
        if len(totals) + len(parts) < len(given):
            problems.append(_twice(dough, given, columns))
        asked.append(Asked(dough, formula, totals, parts, text["flour_lot"][row]))
    if problems:
        raise StudyProblems(problems, about="the levels of the doughs")
    return asked


def _level_columns(doughs: pd.DataFrame, known: Known, problems: list) -> dict[str, int]:
    """Level columns and the ingredient's place, −1 for a level of the whole dough."""
    by_slug = {slug(name): place for name, place in known.places.items()}
    columns = {}
    for name in map(str, doughs.columns):
        stem = name.removesuffix("_pct")
        if name in TOTALS:
            columns[name] = -1
        elif stem != name and stem in by_slug:
            columns[name] = by_slug[stem]
        elif stem != name and (close := get_close_matches(stem, by_slug, 1, 0.88)):
            # Anything else ending in _pct is a measured property and none of our business.
            problems.append(
                Problem(
                    "doughs",
                    column=name,
                    found=f"no ingredient '{stem}'",
                    expected="the name of a known ingredient before _pct",
                    mend=f"did you mean '{close[0]}_pct'? or add it to the table ingredients",
                )
            )
    return columns


def _numbers(doughs, name, keys, mixed, problems) -> np.ndarray:
    cells = one_column(doughs, name, "doughs")
    values = pd.to_numeric(cells, errors="coerce").to_numpy(float, na_value=np.nan)
    empty = cells.isna().to_numpy() | (plain_text(cells) == "").to_numpy()
    high = HIGHEST.get(name, 100.0)
    bad = ~empty & ~((values >= 0) & (values <= high))
    problems += [
        Problem(
            "doughs",
            key=f"dough {keys[row]}",
            column=name,
            found=f"'{cells.iloc[row]}'",
            expected=f"a level from 0 to {high:g} %",
            mend="correct it, or leave it empty for the base formula's own level",
        )
        for row in mixed
        if bad[row]
    ]
    return np.where(bad, np.nan, values)


def _no_base(dough: str, formula: str, formulas: list[str]) -> Problem:
    return Problem(
        "doughs",
        key=f"dough {dough}" if dough else "a dough without a name",
        column="formula" if dough else "dough",
        found=f"'{formula}'" if dough else "nothing",
        expected="the base formula it is varied from" if dough else "the dough's name",
        mend=nearest(formula, formulas) or f"write one of: {', '.join(formulas[:8])}",
    )


def _twice(dough: str, given: dict, columns: dict) -> Problem:
    places = [columns[name] for name in given]
    names = [name for name in given if columns[name] >= 0 and places.count(columns[name]) > 1]
    return Problem(
        "doughs",
        key=f"dough {dough}",
        column=names[0],
        found=" and ".join(names),
        expected="one column per ingredient",
        mend="these are names of one ingredient: keep one of the columns",
    )
