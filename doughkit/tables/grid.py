"""The entry grid of a tasting: one row per portion, one column per attribute → one row a score."""

from __future__ import annotations

import pandas as pd

from doughkit.tables.frames import Rows, fill_rows
from doughkit.tables.problems import nearest
from doughkit.tables.register import GRID_KEY, TABLES, Column
from doughkit.tables.sheets import Sheet


def read_grid(sheet: Sheet, others: dict[str, Rows]) -> Rows:
    """Read ratings entered as tasting, assessor, code and one column per attribute.

    Portions are found through `servings`, attributes through `attributes`, both read before.
    """
    attributes = _attributes(sheet, others.get("attributes"))
    missing = [name for name in GRID_KEY if name not in sheet.headings]
    for name in missing:
        sheet.blame(
            "neither a column 'serving' nor a whole entry grid",
            f"serving, attribute, score; or {', '.join(GRID_KEY)} and one column per attribute",
            f"add the column '{name}'",
            line=sheet.heading_line,
            column=name,
        )
    columns = [TABLES["servings"][name] for name in GRID_KEY]
    columns += [Column(name, "score", f"score of {name}") for name in attributes]
    grid = fill_rows(sheet, columns)
    servings = [None] * len(sheet.rows)
    if not missing and "servings" in others:
        servings = _servings(sheet, grid.frame, others["servings"].frame)
    scores = grid.frame[attributes].to_numpy(copy=True).ravel()
    frame = pd.DataFrame(
        {
            "serving": pd.Series([one for one in servings for _ in attributes], dtype="str"),
            "attribute": pd.Series(attributes * len(servings), dtype="str"),
            "score": pd.Series(scores, dtype="float64"),
        }
    )
    return Rows(
        "ratings",
        frame,
        lines=[line for line in sheet.lines for _ in attributes],
        sure=[
            sure and serving is not None
            for sure, serving in zip(sheet.sure, servings, strict=True)
            for _ in attributes
        ],
        columns=attributes * len(servings),
    )


def _attributes(sheet: Sheet, attributes: Rows | None) -> list[str]:
    """The grid's attribute columns; a heading that is no attribute is a problem."""
    headings = [heading for heading in sheet.headings if heading not in GRID_KEY]
    if attributes is None:
        return headings
    known = attributes.frame["attribute"].dropna().tolist()
    for heading in headings:
        if heading not in known:
            sheet.blame(
                "a heading that is no attribute",
                "one of " + ", ".join(known),
                nearest(heading, known) or "list it in attributes, or take the column out",
                line=sheet.heading_line,
                column=heading,
            )
    return [heading for heading in headings if heading in known]


def _servings(sheet: Sheet, grid: pd.DataFrame, planned: pd.DataFrame) -> list[str | None]:
    """Each grid row's serving; None where there is none, or the row is a second one for it."""
    keys = [planned[name] for name in GRID_KEY]
    names = dict(zip(zip(*keys, strict=True), planned["serving"], strict=True))
    codes: dict[tuple, list] = {}
    for tasting, assessor, code in names:
        codes.setdefault((tasting, assessor), []).append(code)
    found, used = [], {}
    for row, key in enumerate(zip(*(grid[name] for name in GRID_KEY), strict=True)):
        found.append(None)
        if not sheet.sure[row] or pd.isna(list(key)).any():
            continue
        place = {"line": sheet.lines[row], "column": "code"}
        said = ", ".join(f"{name} {value}" for name, value in zip(GRID_KEY, key, strict=True))
        if key in used:
            sheet.blame(
                f"{said}, as in line {used[key]}",
                "one row per portion",
                "delete the double, or correct its code",
                **place,
            )
        elif key in names:
            used[key] = sheet.lines[row]
            found[-1] = None if pd.isna(names[key]) else names[key]
        else:
            likely = codes.get(key[:2], [])
            sheet.blame(
                said,
                "a portion listed in servings",
                nearest(key[2], likely) or _who(key, likely, planned),
                **place,
            )
    return found


def _who(key: tuple, codes: list, planned: pd.DataFrame) -> str:
    if codes:
        return f"{key[1]}'s codes in that tasting are {', '.join(map(str, codes))}"
    if key[0] not in set(planned["tasting"]):
        return nearest(key[0], planned["tasting"].dropna().unique()) or "correct the tasting"
    tasters = planned.loc[planned["tasting"] == key[0], "assessor"].dropna().unique()
    return nearest(key[1], tasters) or f"that tasting was planned for {', '.join(tasters)}"
