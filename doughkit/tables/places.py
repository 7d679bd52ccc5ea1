"""Where a study's tables are: CSV files in a folder, sheets of one workbook, or some of each."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

from doughkit.tables.problems import Problem, nearest, problem_error
from doughkit.tables.register import TABLES
from doughkit.tables.sheets import Sheet, fill_from, read_sheet
from doughkit.tables.workbook import Book, is_workbook, sheet_names

_SPREADSHEETS_OWN = (".", "~$")
"""Files that begin so are a spreadsheet's lock files and the like, not tables."""

OTHER_SPREADSHEETS = (".xls", ".xlsm", ".xlsb", ".ods", ".numbers")


@dataclass
class Places:
    """The CSV files by table, and the workbook that holds the other tables, if there is one."""

    folder: Path
    files: dict[str, Path] = field(default_factory=dict)
    book: Book | None = None
    problems: list[Problem] = field(default_factory=list)

    @property
    def tables(self) -> set[str]:
        return set(self.files) | set(self.book.rows if self.book else ())

    def path_of(self, table: str) -> Path:
        """The file that holds the table, or would if it were there."""
        if table not in self.files and self.book and (table in self.book.rows or not self.files):
            return self.book.path
        return self.files.get(table, self.folder / f"{table}.csv")

    def sheet(self, table: str, known: Collection[str]) -> Sheet:
        """Read one table's text cells; `known` headings help to see what parts them."""
        if table in self.files:
            return read_sheet(self.files[table], table, known)
        problems = list(self.book.problems.get(table, ()))
        sheet = Sheet(table, delimiter="", problems=problems, sha256=self.book.sha256)
        return fill_from(sheet, self.book.rows[table], known)


def find_tables(path: str | Path) -> Places:
    """Find a study's tables in its folder, or in the workbook of that path."""
    places = find_home(path)
    if not places.tables and not places.problems:
        raise _nothing(places.folder)
    return places


def find_home(path: str | Path) -> Places:
    """Find where a study's tables are or, as long as there are none, are to be."""
    path = Path(path).expanduser()
    if path.is_file() and is_workbook(path):
        return _with_book(Places(path.parent), path)
    if not path.is_dir():
        raise problem_error(
            str(path),
            found="a file that is no workbook (.xlsx)" if path.exists() else "no such folder",
            expected="a folder that holds a study's tables, or a workbook",
            mend="give the path of the folder, the one that holds formulas.csv",
        )
    places = _with_files(Places(path))
    books = sorted(one for one in path.iterdir() if is_workbook(one) and not _is_own(one))
    if places.files or places.problems:
        # Beside tables a workbook without any of their names is somebody's other work.
        books = [one for one in books if sheet_names(one) is None or sheet_names(one) & set(TABLES)]
    if len(books) > 1:
        places.problems.append(
            Problem(
                path.name,
                found="several workbooks, " + ", ".join(one.name for one in books),
                expected="the tables in one workbook",
                mend="move all but one to another folder; none of them was read",
            )
        )
    elif books:
        places = _with_book(places, books[0])
    return places


def _is_own(path: Path) -> bool:
    return path.name.startswith(_SPREADSHEETS_OWN)


def _with_files(places: Places) -> Places:
    """The folder's CSV files by table; those that are no table become problems."""
    for path in sorted(places.folder.iterdir()):
        if path.suffix.lower() != ".csv" or _is_own(path):
            continue
        if path.suffix == ".csv" and path.stem in TABLES:
            places.files[path.stem] = path
            continue
        close = nearest(path.stem.lower(), TABLES)
        places.problems.append(
            Problem(
                path.name,
                found="a table of unknown name",
                expected="one of " + ", ".join(f"{name}.csv" for name in TABLES),
                mend=f"rename it ({close})" if close else "rename it, or move it elsewhere",
            )
        )
    return places


def _with_book(places: Places, path: Path) -> Places:
    places.book = Book.read(path)
    places.problems += places.book.problems.get("", [])
    for table in places.files:
        if table in places.book.rows:
            places.problems.append(
                Problem(
                    table,
                    found=f"the table twice, as {table}.csv and as a sheet of {path.name}",
                    expected="each table in one place",
                    mend="see which is right, then move the file away or delete the sheet",
                )
            )
    return places


def _nothing(folder: Path):
    others = [one.name for one in folder.iterdir() if one.suffix.lower() in OTHER_SPREADSHEETS]
    return problem_error(
        folder.name,
        found="a folder without any table" + (f", but with {others[0]}" if others else ""),
        expected="at least formulas.csv, or a workbook (.xlsx) with a sheet 'formulas'",
        mend="save the spreadsheet as .xlsx"
        if others
        else "give the path of the folder that holds the tables",
    )
