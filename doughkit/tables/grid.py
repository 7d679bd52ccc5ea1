"""The entry grid of a tasting: one row per portion, one column per attribute → one row a score."""

from __future__ import annotations

import pandas as pd

from doughkit.tables.findings import MOST_GUESSES
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
    if not headings:
        sheet.blame(
            "no column for any attribute",
            f"{', '.join(GRID_KEY)}, then one column per attribute",
            "add the columns",
            line=sheet.heading_line,
        )
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
    whole = planned[list(GRID_KEY)].notna().all(axis="columns")
    keys = [planned.loc[whole, name] for name in GRID_KEY]
    names = dict(zip(zip(*keys, strict=True), planned.loc[whole, "serving"], strict=True))
    codes: dict[tuple, list[str]] = {}
    tasters: dict[str, list[str]] = {}
    for tasting, assessor, code in names:
        codes.setdefault((tasting, assessor), []).append(code)
        if assessor not in tasters.setdefault(tasting, []):
            tasters[tasting].append(assessor)
    found, used, missed = [], {}, 0
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
            missed += 1
            mend = _likely(key, codes, tasters) if missed <= MOST_GUESSES else "correct the code"
            sheet.blame(said, "a portion listed in servings", mend, **place)
    return found


def _likely(key: tuple, codes: dict[tuple, list[str]], tasters: dict[str, list[str]]) -> str:
    """What was probably meant: another code of that taster, another taster, another tasting."""
    tasting, assessor, code = key
    own = codes.get((tasting, assessor), [])
    if own:
        whose = f"{assessor}'s codes in that tasting are {', '.join(own)}"
        return nearest(code, own) or whose
    if tasting not in tasters:
        return nearest(tasting, tasters) or "correct the tasting"
    planned = tasters[tasting]
    return nearest(assessor, planned) or f"that tasting was planned for {', '.join(planned)}"
