"""A study's folder → frames, all problems of all its tables collected into one report."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path

import pandas as pd

from doughkit.tables.checking import check_rows
from doughkit.tables.frames import Rows, fill_rows
from doughkit.tables.grid import read_grid
from doughkit.tables.keeping import remember
from doughkit.tables.places import find_tables
from doughkit.tables.problems import Problem, StudyProblems, nearest
from doughkit.tables.register import GRID_KEY, TABLES, Column, Table, unit_of
from doughkit.tables.sheets import Sheet


@dataclass
class Reading:
    """What a folder held: rows by table, every problem found, fingerprints of the files."""

    rows: dict[str, Rows] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    sha256: dict[str, str] = field(default_factory=dict)
    headings: dict[str, list[str]] = field(default_factory=dict)
    """The headings of each table as they stand in its file."""
    files: dict[Path, str] = field(default_factory=dict)
    """Fingerprints by the whole path, for those who want to write the files later."""

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        return {name: self.rows[name].frame for name in TABLES if name in self.rows}


def read_tables(folder: str | Path) -> dict[str, pd.DataFrame]:
    """Read every table of a study's folder, strictly, or report all that is wrong in it at once.

    Question: what does the study hold?

    Cells are read as text first and checked one by one. Names stay text (`007` stays `007`).
    Where `;` parts the cells of a file a decimal comma is read, elsewhere a point. `7:30` in a
    column that ends in `_min` is 7.5 minutes. Spaces around a cell and empty rows count for
    nothing; a row with fewer or more cells than headings is a problem, since its cells may have
    shifted. `ratings` may be long, or the entry grid (tasting, assessor, code, one column per
    attribute), which comes back long; an empty score was served and not answered.

    Parameters
    ----------
    folder : path
        Holds one file `<table>.csv` per table, or one workbook (.xlsx) with a sheet per table, or
        some of each; or the path of the workbook. Other kinds of file are left alone. In a
        workbook the saved results of formulas are read, and rows that a filter hides as well.

    Returns
    -------
    dict: table name → frame, only tables that are there, in the order of the job. Every column of
    the register is there in its order (all missing if the file lacks it), then factor columns and
    measured properties as in the file. Names and words are text, numbers float, dates days.

    Raises
    ------
    StudyProblems with every fault in any file and between the tables: table, line as a
    spreadsheet counts it (in a workbook the cell), column, what was found, what was expected, how
    to mend it.

    Source: by definition of this library; CSV as in RFC 4180 (2005).

    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "formulas.csv").write_text(
    ...     "formula,ingredient,amount,unit\\nlath,flour,500,g\\nlath,water,310,g\\n")
    >>> read_tables(folder)["formulas"]["ingredient"].tolist()
    ['flour', 'water']
    """
    return opened(folder).tables


def opened(path: str | Path) -> Reading:
    """Read a study's tables, to be handed out; raise if anything is wrong with them."""
    reading = read_folder(path)
    if reading.problems:
        raise StudyProblems(reading.problems, about=Path(path).name)
    remember(reading.files)
    return reading


def read_folder(path: str | Path) -> Reading:
    """Read a study's tables and gather their problems; raise only if there are none at all."""
    places, reading = find_tables(path), Reading()
    reading.problems += places.problems
    factors: dict[str, Column] = {}
    in_book: dict[str, dict[str, int]] = {}
    # Factors first, since they say which further columns doughs and pieces may have.
    for name in sorted(places.tables, key=lambda name: (name != "factors", ORDER[name])):
        known = [*TABLES[name].names, *factors, *(GRID_KEY if name == "ratings" else ())]
        sheet = places.sheet(name, known)
        reading.files[places.path_of(name)] = sheet.sha256
        if sheet.headings:
            rows = rows_of(sheet, reading.rows, factors)
            reading.rows[name], reading.headings[name] = rows, sheet.headings
            if name == "factors":
                factors = factor_columns(rows.frame)
        reading.problems += sheet.problems
        if name not in places.files:
            in_book[name] = sheet.places
    reading.problems += check_rows(reading.rows, unreadable=places.tables - set(reading.rows))
    reading.problems = [_with_cell(one, in_book.get(one.table, {})) for one in reading.problems]
    reading.problems.sort(key=lambda one: (ORDER.get(one.table, -1), one.line or 0))
    names = [places.path_of(name) for name in ORDER if name in places.tables]
    reading.sha256 = {file.name: reading.files[file] for file in names}
    return reading


def _with_cell(problem: Problem, places: dict[str, int]) -> Problem:
    """A problem of a workbook's sheet, with the cell it stands in."""
    if not problem.column or problem.cell or not problem.line or problem.column not in places:
        return problem
    return replace(problem, cell=f"{_letters(places[problem.column])}{problem.line}")


def _letters(place: int) -> str:
    """A column's letters in a spreadsheet: A to Z, then AA and on."""
    before, last = divmod(place, 26)
    return (_letters(before - 1) if before else "") + chr(ord("A") + last)


ORDER = {name: number for number, name in enumerate(TABLES)}


def rows_of(sheet: Sheet, others: dict[str, Rows], factors: dict[str, Column]) -> Rows:
    """A sheet's rows; ratings may be an entry grid, read through the `others` read before."""
    if sheet.table == "ratings" and "serving" not in sheet.headings:
        return read_grid(sheet, others)
    return typed_rows(sheet, TABLES[sheet.table], factors)


def factor_columns(factors: pd.DataFrame) -> dict[str, Column]:
    """Each factor as a column: a category's levels are its choices, all others are numbers."""
    return {
        factor: Column(factor, "number", f"level of {factor}")
        if pd.isna(levels)
        else Column(factor, "choice", f"level of {factor}", choices=tuple(str(levels).split("|")))
        for factor, levels in zip(factors["factor"], factors["levels"], strict=True)
        if not pd.isna(factor)
    }


def typed_rows(sheet: Sheet, table: Table, factors: dict[str, Column]) -> Rows:
    """Check and convert every cell of a sheet; faults go into its problems."""
    columns = _columns_of(sheet, table, factors)
    for column in table.columns:
        if column.needed and column.name not in sheet.headings:
            sheet.blame(
                "no such column",
                f"the column '{column.name}': {column.meaning}",
                "add the column, or mend its heading",
                line=sheet.heading_line,
                column=column.name,
            )
    return fill_rows(sheet, columns)


def _columns_of(sheet: Sheet, table: Table, factors: dict[str, Column]) -> list[Column]:
    """The columns to read: the register's, then those that an open table may have besides."""
    extra = []
    known = {*table.names, *(factors if table.open_to else ())}
    strangers = [heading for heading in sheet.headings if heading not in table.names]
    for heading in strangers:
        slip = get_close_matches(heading, known - set(sheet.headings), n=1, cutoff=0.88)
        if table.open_to and heading in factors:
            extra.append(factors[heading])
        elif table.open_to and unit_of(heading) and not slip:
            extra.append(Column(heading, "number", "a measured property"))
        else:
            sheet.blame(
                "an unknown heading",
                _may_stand(table, factors),
                nearest(_plain(heading), known) or "rename the column, or take it out",
                line=sheet.heading_line,
                column=heading,
            )
    return [*table.columns, *extra]


def _plain(heading: str) -> str:
    """A heading as the register would write it, so that the nearest name is found."""
    return "_".join(heading.lower().replace("-", " ").split())


def _may_stand(table: Table, factors: dict[str, Column]) -> str:
    words = "a column of " + table.name
    if table.open_to:
        words += (
            ", a factor, or a measured property whose name ends in its unit (_g, _mm, _pct ...)"
        )
    return words
