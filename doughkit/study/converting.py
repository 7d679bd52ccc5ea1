"""The same study as CSV files or as one workbook."""

from __future__ import annotations

from pathlib import Path

from doughkit.study.opening import Study, open_study
from doughkit.tables.bookwriting import new_book, refuse_losses
from doughkit.tables.frames import fill_rows
from doughkit.tables.keeping import keep, only_writer, refuse_if_held, replace_kept
from doughkit.tables.places import Places, find_tables
from doughkit.tables.problems import problem_error
from doughkit.tables.reading import read_folder
from doughkit.tables.register import GRID_KEY, TABLES, Column
from doughkit.tables.written import Written, as_csv

BOOK = "study.xlsx"


def convert_study(path: str | Path) -> Study:
    """Turn a study of CSV files into one workbook, or one in a workbook into CSV files.

    Question: how is the study carried into a spreadsheet as a whole, and out of it again?

    The new files are written and read back before the old ones are moved into the study's folder
    `previous`. An entry grid stays a grid.

    Parameters
    ----------
    path : path
        The study's folder, or its workbook. As long as there is a CSV file all tables go into
        the workbook `study.xlsx` (or the one that is there), else into CSV files.

    Returns
    -------
    Study, opened from its new files.

    Raises
    ------
    StudyProblems if the study has problems, a file is open in a spreadsheet or cannot be written,
    or the workbook holds what CSV files cannot (formulas are read as their results).

    Source: by definition of this library.

    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "ovens.csv").write_text("oven,air_c\\nhome,270\\n")
    >>> convert_study(folder)["ovens"]["air_c"].tolist()
    [270.0]
    >>> sorted(one.name for one in folder.iterdir())
    ['previous', 'study.xlsx']
    """
    open_study(path)
    with only_writer(path):
        places = find_tables(path)
        old = [places.path_of(table) for table in TABLES if table in places.tables]
        for file in old:
            refuse_if_held(file)
        tables = as_filed(path, places)
        new = _into_book(places, tables) if places.files else _into_files(places, tables)
        for file in set(old) - set(new):
            keep(file, file.read_bytes())
            file.unlink()
    return open_study(places.folder if Path(path).is_dir() or not places.files else new[0])


def as_filed(path: str | Path, places: Places) -> list[Written]:
    """Every table with the columns and rows of its file, the entry grid as a grid."""
    reading, tables = read_folder(path), []
    for name, frame in reading.tables.items():
        headings = reading.headings[name]
        if name == "ratings" and "serving" not in headings:
            keys = [TABLES["servings"][key] for key in GRID_KEY]
            scores = [Column(one, "score", "") for one in headings if one not in GRID_KEY]
            sheet = places.sheet(name, headings)
            tables.append(Written.of(name, fill_rows(sheet, [*keys, *scores]).frame))
        else:
            tables.append(Written.of(name, frame[[one for one in frame if one in headings]]))
    return tables


def _into_book(places: Places, tables: list[Written]) -> list[Path]:
    path = places.book.path if places.book else places.folder / BOOK
    if places.book:
        refuse_losses(path, path.read_bytes())
    elif path.exists():
        raise problem_error(
            path.name,
            found="a workbook of that name that is not the study's",
            expected="a free name for the study's workbook",
            mend="rename it, or move it elsewhere; nothing was written",
        )
    replace_kept(path, new_book(tables))
    return [path]


def _into_files(places: Places, tables: list[Written]) -> list[Path]:
    written = []
    for table in tables:
        written.append(places.folder / f"{table.table}.csv")
        replace_kept(written[-1], as_csv(table))
    return written
