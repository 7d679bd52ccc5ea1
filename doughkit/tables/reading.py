"""A study's folder → frames, all problems of all its tables collected into one report."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

import pandas as pd

from doughkit.tables.checking import check_rows
from doughkit.tables.frames import Rows, fill_rows
from doughkit.tables.grid import read_grid
from doughkit.tables.problems import Problem, StudyProblems, nearest, problem_error
from doughkit.tables.register import GRID_KEY, TABLES, Column, Table, unit_of
from doughkit.tables.sheets import Sheet, read_sheet

_SPREADSHEETS_OWN = (".", "~$")
"""Files that begin so are a spreadsheet's lock files and the like, not tables."""


@dataclass
class Reading:
    """What a folder held: rows by table, every problem found, fingerprints of the files."""

    rows: dict[str, Rows] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    sha256: dict[str, str] = field(default_factory=dict)

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
        Holds one file `<table>.csv` per table; other kinds of file are left alone.

    Returns
    -------
    dict: table name → frame, only tables that are there, in the order of the job. Every column of
    the register is there in its order (all missing if the file lacks it), then factor columns and
    measured properties as in the file. Names and words are text, numbers float, dates days.

    Raises
    ------
    StudyProblems with every fault in any file and between the tables: table, line as a
    spreadsheet counts it, column, what was found, what was expected, how to mend it.

    Source: by definition of this library; CSV as in RFC 4180 (2005).

    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "formulas.csv").write_text(
    ...     "formula,ingredient,amount,unit\\nlath,flour,500,g\\nlath,water,310,g\\n")
    >>> read_tables(folder)["formulas"]["ingredient"].tolist()
    ['flour', 'water']
    """
    reading = read_folder(folder)
    if reading.problems:
        raise StudyProblems(reading.problems, about=Path(folder).name)
    return reading.tables


def read_folder(folder: str | Path) -> Reading:
    """Read a folder's tables and gather their problems; raise only if there is no such folder."""
    files, reading = _files(Path(folder).expanduser())
    factors: dict[str, Column] = {}
    # Factors first, since they say which further columns doughs and pieces may have.
    for name in sorted(files, key=lambda name: (name != "factors", list(TABLES).index(name))):
        table = TABLES[name]
        known = [*table.names, *factors, *(GRID_KEY if name == "ratings" else ())]
        sheet = read_sheet(files[name], name, known)
        reading.sha256[name] = sheet.sha256
        if not sheet.headings:
            reading.problems += sheet.problems
            continue
        if name == "ratings" and "serving" not in sheet.headings:
            rows = read_grid(sheet, reading.rows)
        else:
            rows = typed_rows(sheet, table, factors)
        reading.problems += sheet.problems
        reading.rows[name] = rows
        if name == "factors":
            factors = factor_columns(rows.frame)
    reading.problems += check_rows(reading.rows, unreadable=set(files) - set(reading.rows))
    place = {name: number for number, name in enumerate(TABLES)}
    reading.sha256 = {f"{name}.csv": reading.sha256[name] for name in TABLES if name in files}
    reading.problems.sort(key=lambda one: (place.get(one.table, -1), one.line or 0))
    return reading


def _files(folder: Path) -> tuple[dict[str, Path], Reading]:
    """The folder's table files by table name; .csv files that are no table become problems."""
    if not folder.is_dir():
        raise problem_error(
            str(folder),
            found="a file" if folder.exists() else "no such folder",
            expected="a folder that holds a study's tables",
            mend="give the path of the folder, the one that holds formulas.csv",
        )
    files, reading = {}, Reading()
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() != ".csv" or path.name.startswith(_SPREADSHEETS_OWN):
            continue
        if path.suffix == ".csv" and path.stem in TABLES:
            files[path.stem] = path
            continue
        close = nearest(path.stem.lower(), TABLES)
        reading.problems.append(
            Problem(
                path.name,
                found="a table of unknown name",
                expected="one of " + ", ".join(f"{name}.csv" for name in TABLES),
                mend=f"rename it ({close})" if close else "rename it, or move it elsewhere",
            )
        )
    if not files and not reading.problems:
        raise problem_error(
            folder.name,
            found="a folder without any table",
            expected="at least formulas.csv",
            mend="give the path of the folder that holds the tables",
        )
    return files, reading


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
