"""A new study: tables with their headings, the notebooks, and a page that explains both."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from doughkit.study.converting import BOOK
from doughkit.study.sources import shipped
from doughkit.tables.bookwriting import explained, in_book, new_book
from doughkit.tables.keeping import only_writer, unwritable, write_whole
from doughkit.tables.places import find_home
from doughkit.tables.problems import nearest, problem_error
from doughkit.tables.register import TABLES
from doughkit.tables.written import Written, as_csv

FIRST = ("formulas", "ovens", "factors", "doughs", "pieces")
"""Enough to write formulas, plan a round and weigh its bakes; tasting comes when it comes."""

README, NOTEBOOKS = "README.md", "notebooks"


def begin_study(
    path: str | Path, tables: Iterable[str] | None = None, *, workbook: bool = False
) -> pd.DataFrame:
    """Begin a study: a folder with empty tables, the notebooks, and a README that explains them.

    Question: where do I write what I bake?

    What is there already is left as it is, so that a study is also widened by beginning further
    tables in it.

    Parameters
    ----------
    path : path
        The study's folder; it is made if there is none.
    tables : names of tables, optional
        Which tables; left out, those to begin with: formulas, ovens, factors, doughs, pieces.
    workbook : bool
        Sheets of one workbook, `study.xlsx`, in place of a CSV file each.

    Returns
    -------
    DataFrame: file, holds, made (False: it was there and is as it was).

    Raises
    ------
    StudyProblems if there is no table of a name, the folder cannot be written, or a workbook is
    asked for beside CSV files.

    Source: by definition of this library.

    >>> import tempfile
    >>> made = begin_study(tempfile.mkdtemp(), ["formulas", "pieces"])
    >>> made["file"].tolist()[:2]
    ['formulas.csv', 'pieces.csv']
    """
    wanted = list(dict.fromkeys(FIRST if tables is None else tables))
    _refuse_unknown(wanted)
    folder = Path(path).expanduser()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(folder, error) from error
    with only_writer(folder):
        rows = _begin_tables(folder, wanted, workbook)
        rows += [_lay(folder / README, readme(folder.name).encode(), "what the tables hold")]
        for notebook in sorted(shipped().notebooks.glob("*.ipynb")):
            place = folder / NOTEBOOKS / notebook.name
            rows.append(_lay(place, pointed_at_parent(notebook), "notebook"))
    return pd.DataFrame(rows, columns=["file", "holds", "made"])


def _refuse_unknown(wanted: list[str]) -> None:
    for name in wanted:
        if name not in TABLES:
            raise problem_error(
                name,
                found="a table of unknown name",
                expected="one of " + ", ".join(TABLES),
                mend=nearest(name, TABLES) or "correct the name",
            )


def _begin_tables(folder: Path, wanted: list[str], workbook: bool) -> list[tuple]:
    places = find_home(folder)
    if workbook and places.files:
        raise problem_error(
            folder.name,
            found="tables as CSV files, " + ", ".join(places.files),
            expected="one workbook for all tables",
            mend="begin without a workbook, or convert the study to one first",
        )
    holds = {name: f"a row is {TABLES[name].row_is}" for name in wanted}
    new = [name for name in wanted if name not in places.tables]
    if workbook or (places.book and not places.files):
        path = places.book.path if places.book else folder / BOOK
        _add_sheets(path, [empty(name) for name in new])
        files = {name: f"{path.name}: {name}" for name in wanted}
    else:
        files = {name: f"{name}.csv" for name in wanted}
        for name in new:
            write_whole(folder / files[name], as_csv(empty(name)))
    return [(files[name], holds[name], name in new) for name in wanted]


def _add_sheets(path: Path, tables: list[Written]) -> None:
    if tables and not path.exists():
        write_whole(path, new_book(tables))
        return
    for table in tables:
        write_whole(path, in_book(path, table))


def empty(table: str) -> Written:
    """A table with its headings and nothing else."""
    columns = list(TABLES[table].columns)
    return Written(table, columns, {column.name: [] for column in columns})


def _lay(place: Path, content: bytes, holds: str) -> tuple:
    """Write a file unless it is there."""
    new = not place.exists()
    if new:
        try:
            place.parent.mkdir(exist_ok=True)
        except OSError as error:
            raise unwritable(place.parent, error) from error
        write_whole(place, content)
    name = place.name if place.name == README else f"{NOTEBOOKS}/{place.name}"
    return name, holds, new


def pointed_at_parent(notebook: Path) -> bytes:
    """A shipped notebook that opens the study whose folder its own folder lies in."""
    book = json.loads(notebook.read_text("utf8"))
    for cell in book["cells"]:
        if "study" in cell["metadata"].get("tags", []):
            cell["source"] = [line.replace('"../data_demo"', '".."') for line in cell["source"]]
    return (json.dumps(book, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode()


def readme(name: str) -> str:
    """What a study's folder holds, with every table and column of the register."""
    return _ABOUT.format(name=name) + "\n".join(_about(table) for table in TABLES)


def _about(name: str) -> str:
    table, escaped = TABLES[name], "\\|"
    lines = [
        f"## {name}\n",
        f"A row is {table.row_is}. Without this table: {table.without}.\n",
        "| column | what it holds |",
        "|---|---|",
    ]
    lines += [
        f"| `{column.name}` | {explained(column).replace(' | ', ', ').replace('|', escaped)} |"
        for column in table.columns
    ]
    if table.open_to:
        lines.append(
            "\nBesides: a column for each factor, and any measured property whose name ends in "
            "its unit (`_mm`, `_g`, `_pct` ...)."
        )
    if name == "ratings":
        lines.append(
            "\nOr as on the ballots: `tasting`, `assessor`, `code`, then a column per attribute."
        )
    return "\n".join(lines) + "\n"


_ABOUT = """\
# {name}: a study for doughkit

1. Fill the tables with any spreadsheet, a little at a time; save CSV files as CSV UTF-8. Leave a
   cell empty where nothing is known. Dates as 2026-03-07.
2. `python3 -m doughkit check FOLDER` tells every slip with its place.
3. `python3 -m doughkit today FOLDER` tells what the study waits for.
4. `python3 -m doughkit lab FOLDER` opens the notebooks, which read this study, in their order.

More tables: `python3 -m doughkit begin FOLDER servings ratings`. What was in a file before
doughkit last saved it lies in `previous/`. Names, allergies and notes of tasters stay at home.
Hot plates burn, raw dough is not tasted, and local food codes come first.

"""
