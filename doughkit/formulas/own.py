"""The study's own ingredients above the built-in ones, and dried samples above both."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from doughkit.formulas.checks import numbers
from doughkit.formulas.known import (
    COLUMNS,
    FIGURES,
    WETTEST_FLOUR_PCT,
    Known,
    built_in,
    flour_share,
)
from doughkit.formulas.words import one_column, plain_text
from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    require_columns,
    require_unique,
    so_many,
)
from doughkit.tables.register import TABLES


def known_ingredients(ingredients=None, moistures=None) -> Known:
    """The composition to reckon with: built-in, then the study's rows, then dried samples."""
    known = built_in()
    if ingredients is not None:
        known = _with_own(known, ingredients)
    return known if moistures is None else _with_dried(known, moistures)


def _with_own(known: Known, ingredients: pd.DataFrame) -> Known:
    own = _checked_own(ingredients)
    table, places = known.table.to_dict("records"), dict(known.places)
    changes, problems = [], []
    for row in own.to_dict("records"):
        name, place = row["ingredient"], known.place(row["ingredient"])
        base = known.table.iloc[place].to_dict() if place >= 0 else {}
        given = {key: value for key, value in row.items() if value == value and value != ""}
        for column in given.keys() & base.keys() - {"ingredient", "source", "held_from"}:
            if given[column] != base[column]:
                changes.append((name, column, str(base[column]), str(given[column])))
        merged = {**dict.fromkeys(COLUMNS, ""), **dict.fromkeys(FIGURES, np.nan), **base, **given}
        merged["held_from"] = "study" if not base else "study over built-in"
        problems += _impossible(merged)
        if place >= 0 and known.names[place].casefold() == name.casefold():
            table[place] = merged
        else:
            places[name.casefold()] = len(table)
            table.append(merged)
    if problems:
        raise StudyProblems(problems)
    order = {column: spot for spot, column in enumerate(COLUMNS)}
    changes.sort(key=lambda change: order[change[1]])
    frame = pd.DataFrame(changes, columns=["ingredient", "column", "built_in", "study"])
    return Known(_framed(table), frame.astype("str"), places, known.lots)


def _framed(rows: list[dict]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=[*COLUMNS, "held_from"])
    kinds = {column: "float64" if column in FIGURES else "str" for column in table.columns}
    return table.astype(kinds)


def _checked_own(ingredients: pd.DataFrame) -> pd.DataFrame:
    """The study's rows with names tidied and figures as numbers, all faults at once."""
    require_columns(ingredients, "ingredient", table="ingredients")
    own = pd.DataFrame(index=range(len(ingredients)))
    problems = []
    for column in [name for name in COLUMNS if name in ingredients.columns]:
        cells = one_column(ingredients, column, "ingredients")
        if column not in FIGURES:
            own[column] = plain_text(cells)
            continue
        own[column] = pd.to_numeric(cells, errors="coerce").astype("float64")
        bounds = TABLES["ingredients"][column]
        bad = (own[column].isna() & cells.notna() & (cells.astype("str").str.strip() != "")) | ~(
            own[column].isna() | own[column].between(bounds.low, bounds.high)
        )
        problems += [
            Problem(
                "ingredients",
                key=f"ingredient {ingredients['ingredient'].iloc[row]}",
                column=column,
                found=f"'{cells.iloc[row]}'",
                expected=f"a number from {bounds.low:g} to {bounds.high:g}",
                mend="correct it, or leave it empty if it is not known",
            )
            for row in np.flatnonzero(bad)
        ]
    problems += [
        Problem(
            "ingredients",
            column="ingredient",
            found=f"no name in row {row + 1}",
            expected="the ingredient's name",
            mend="name it, or delete the row",
        )
        for row in np.flatnonzero(own["ingredient"] == "")
    ]
    if problems:
        raise StudyProblems(problems)
    require_unique(
        own.assign(ingredient=own["ingredient"].str.casefold()), "ingredient", table="ingredients"
    )
    return own


def _impossible(row: dict, table: str = "ingredients") -> list[Problem]:
    """What one ingredient's figures cannot be together."""

    def fault(column, found, expected, mend):
        key = f"ingredient {row['ingredient']}"
        return Problem(table, key=key, column=column, found=found, expected=expected, mend=mend)

    roles = TABLES["ingredients"]["role"].choices
    if row["role"] not in roles:
        mend = nearest(row["role"], roles) or "say what it does in the dough"
        return [fault("role", f"'{row['role']}'", "one of " + ", ".join(roles), mend)]
    problems = []
    parts = sum(
        np.nan_to_num(row[column])
        for column in ("moisture_pct", "fat_pct", "salt_pct", "sugar_pct")
    )
    if parts > 100.5:
        mend = "correct the figures"
        problems.append(
            fault("moisture_pct", f"{parts:g} g of parts in 100 g", "100 g at most", mend)
        )
    if row["role"] == "flour" and row["moisture_pct"] > WETTEST_FLOUR_PCT:
        found = f"flour with {row['moisture_pct']:g} % water"
        problems.append(
            fault(
                "moisture_pct", found, f"at most {WETTEST_FLOUR_PCT:g} %", "correct it, or the role"
            )
        )
    share = flour_share("leaven", row["moisture_pct"], np.nan_to_num(row["whole_grain_pct"]))
    if row["role"] == "leaven" and share > 1:
        found = f"a starter with {row['moisture_pct']:g} % water"
        problems.append(
            fault("moisture_pct", found, "more water than flour itself holds", "correct it")
        )
    return problems


def dried_moisture(moistures: pd.DataFrame) -> pd.DataFrame:
    """One row per dried thing: `of`, moisture_pct (mean of its samples), samples."""
    require_columns(moistures, "of", "wet_g", "dry_g", table="moistures")
    wet, dry = (numbers(moistures, name, "moistures") for name in ("wet_g", "dry_g"))
    named = plain_text(one_column(moistures, "of", "moistures")).to_numpy()
    bounds = TABLES["moistures"]["wet_g"]
    sound = (wet >= bounds.low) & (wet <= bounds.high) & (dry >= 0) & (dry <= wet)
    bad = ~sound | (named == "")
    if bad.any():
        samples = one_column(moistures, "sample" if "sample" in moistures else "of", "moistures")
        raise StudyProblems(
            Problem(
                "moistures",
                key=f"sample {samples.iloc[row]}",
                column="dry_g",
                found=f"{wet[row]:g} g before and {dry[row]:g} g after drying of '{named[row]}'",
                expected="a named thing, lighter after drying than before",
                mend="look whether the two weights were swapped, or weigh again",
            )
            for row in np.flatnonzero(bad)
        )
    each = pd.DataFrame({"of": named, "moisture_pct": 100 * (wet - dry) / wet})
    groups = each.groupby("of", sort=False)["moisture_pct"]
    return groups.agg(moisture_pct="mean", samples="size").reset_index()


def _with_dried(known: Known, moistures: pd.DataFrame) -> Known:
    """Dried samples of an ingredient by its name; the others may be flour lots."""
    rows, lots, problems = known.table.to_dict("records"), {}, []
    # Two names of one ingredient are one thing dried, so they are averaged together.
    require_columns(moistures, "of", table="moistures")
    named = [
        known.names[known.place(name)] if known.place(name) >= 0 else name
        for name in plain_text(one_column(moistures, "of", "moistures"))
    ]
    for dried in dried_moisture(moistures.assign(of=named)).itertuples(index=False):
        place = known.place(dried.of)
        if place < 0:
            lots[dried.of] = dried.moisture_pct
            continue
        counted = f"dried ({so_many(dried.samples, 'sample')})"
        rows[place] |= {"moisture_pct": dried.moisture_pct, "held_from": counted}
        problems += _impossible(rows[place], table="moistures")
    if problems:
        raise StudyProblems(problems)
    return replace(known, table=_framed(rows), lots=lots)
