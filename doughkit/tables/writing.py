"""A frame → its CSV file: whole or not at all, and only if it reads back as it was given."""

from __future__ import annotations

import contextlib
import os
import tempfile
from datetime import date
from pathlib import Path

import pandas as pd

from doughkit.tables.cells import TEXT_KINDS, disarm, quoted
from doughkit.tables.frames import fill_rows
from doughkit.tables.problems import StudyProblems, nearest, problem_error, require_columns
from doughkit.tables.register import GRID_KEY, TABLES, Column
from doughkit.tables.sheets import Sheet, delimiter_of, fill_sheet


def save_table(folder: str | Path, table: str, frame: pd.DataFrame) -> Path:
    """Save a frame as a table of a study, so that a spreadsheet and this library read it alike.

    Question: how does a planned round, or a corrected table, get into the study?

    The file is replaced whole or not at all. It is UTF-8 with a byte order mark, which
    spreadsheets want. A file that was parted by `;` stays so and keeps its decimal comma. Text
    that a spreadsheet would run as a formula gets an apostrophe in front, which reading takes
    off again.

    Parameters
    ----------
    folder : path
        The study's folder; it must be there.
    table : str
        Which table; it is saved as `<table>.csv`.
    frame : DataFrame
        Columns as in the register, in any order; `doughs` and `pieces` may have more, and
        `ratings` may be the entry grid.

    Returns
    -------
    Path of the saved file.

    Raises
    ------
    StudyProblems if a cell would not read back as given, a needed column or cell is missing, a
    column has no place in the table, or the file cannot be written; the old file then stays.

    Source: by definition of this library; CSV as in RFC 4180 (2005).

    >>> import tempfile
    >>> from doughkit.tables.reading import read_tables
    >>> folder = tempfile.mkdtemp()
    >>> lath = pd.DataFrame({"formula": ["lath"], "ingredient": ["flour"],
    ...                      "amount": ["500"], "unit": ["g"]})
    >>> save_table(folder, "formulas", lath).name
    'formulas.csv'
    >>> read_tables(folder)["formulas"]["amount"].tolist()
    ['500']
    """
    if table not in TABLES:
        raise problem_error(
            table,
            found="a table of unknown name",
            expected="one of " + ", ".join(TABLES),
            mend=nearest(table, TABLES) or "correct the name",
        )
    path = Path(folder).expanduser() / f"{table}.csv"
    frame = frame.rename(columns=str)
    columns = _columns_of(table, frame)
    texts = {column.name: _texts(frame[column.name]) for column in columns}
    content = _content(columns, texts, delimiter=_delimiter_now(path, columns))
    _must_read_back(table, content, columns, texts)
    write_whole(path, content)
    return path


def _columns_of(table: str, frame: pd.DataFrame) -> list[Column]:
    """The frame's columns as the register knows them, in its order; then those of an open table."""
    twice = frame.columns[frame.columns.duplicated()]
    if len(twice):
        raise problem_error(
            table,
            column=str(twice[0]),
            found="the column twice",
            expected="each column once",
            mend="take one of them out",
        )
    if table == "ratings" and "serving" not in frame:
        require_columns(frame, *GRID_KEY, table=table)
        keys = [TABLES["servings"][name] for name in GRID_KEY]
        more = [name for name in frame.columns if name not in GRID_KEY]
        extra = [Column(name, "score", f"score of {name}") for name in more]
    else:
        keys = list(TABLES[table].columns)
        require_columns(frame, *(key.name for key in keys if key.needed), table=table)
        more = [name for name in frame.columns if name not in TABLES[table].names]
        extra = [Column(name, _kind_of(frame[name]), f"level of {name}") for name in more]
        if more and not TABLES[table].open_to:
            raise problem_error(
                table,
                column=str(more[0]),
                found="a column that the table does not have",
                expected="a column of " + ", ".join(TABLES[table].names),
                mend=nearest(more[0], TABLES[table].names) or "leave the column out",
            )
    return [*(key for key in keys if key.name in frame), *extra]


def _kind_of(values: pd.Series) -> str:
    return "number" if pd.api.types.is_numeric_dtype(values) else "name"


def _texts(values: pd.Series) -> list[str]:
    return [_text(value) for value in values.tolist()]


def _text(value) -> str:
    """One value as it stands in a cell, in the shortest form that is exact."""
    if isinstance(value, str):
        return value
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        # A time of day would be lost; it stays, and reading back refuses it.
        return value.isoformat().removesuffix("T00:00:00")
    number = float(value)
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)


def _delimiter_now(path: Path, columns: list[Column]) -> str:
    """The mark that parts the file's cells today, so that it stays so."""
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            now = delimiter_of(file.readline(), [column.name for column in columns])
    except OSError:
        return ","
    return now if now == ";" else ","


def _content(columns: list[Column], texts: dict[str, list[str]], *, delimiter: str) -> bytes:
    cells = []
    for column in columns:
        written = texts[column.name]
        if column.kind not in (TEXT_KINDS - {"amount"}) and delimiter == ";":
            written = [text.replace(".", ",") for text in written]
        if column.kind in TEXT_KINDS:
            written = [disarm(text) for text in written]
        cells.append([disarm(column.name), *written])
    special = (delimiter, '"', "\r", "\n")
    lines = (
        delimiter.join(
            _quoted(cell) if any(mark in cell for mark in special) else cell for cell in row
        )
        for row in zip(*cells, strict=True)
    )
    return "".join(f"{line}\n" for line in lines).encode("utf-8-sig", errors="replace")


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"'


def _must_read_back(
    table: str, content: bytes, columns: list[Column], texts: dict[str, list[str]]
) -> None:
    """Refuse to write what would come back otherwise than it was given."""
    sheet = fill_sheet(Sheet(table), content, [column.name for column in columns])
    rows = fill_rows(sheet, columns).frame
    for line, cells in enumerate(zip(*texts.values(), strict=True), 2):
        if not any(cell.strip() for cell in cells):
            sheet.blame("a row of empty cells", "a value", "leave the row out", line=line)
    if not sheet.problems:
        for column in columns:
            back = _texts(rows[column.name])
            for line, given, came in zip(sheet.lines, texts[column.name], back, strict=True):
                if came != given:
                    sheet.blame(
                        quoted(given),
                        f"a value that comes back as it is, not as {quoted(came)}",
                        "write it so",
                        line=line,
                        column=column.name,
                    )
    if sheet.problems:
        raise StudyProblems(sheet.problems, about="what was to be saved; nothing was written")


def write_whole(path: Path, content: bytes) -> None:
    """Replace a file whole: whoever reads it meanwhile sees the old content or the new one."""
    target = Path(os.path.realpath(path))
    try:
        handle, name = tempfile.mkstemp(
            dir=target.parent, prefix=f".{target.name}.", suffix=".part"
        )
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, _mode_for(target))
            os.replace(name, target)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        raise problem_error(
            path.name,
            found=f"a file that cannot be written ({error.strerror})",
            expected="a folder with room, and the file closed in other programs",
            mend="close it in the spreadsheet, see to the folder, and save again; "
            "the old file is as it was",
        ) from error


def _mode_for(target: Path) -> int:
    """The rights of the file it replaces, else those that new files get."""
    if target.exists():
        return target.stat().st_mode & 0o777
    umask = os.umask(0)
    os.umask(umask)
    return 0o666 & ~umask
