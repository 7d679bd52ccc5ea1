"""A table as it is to stand in its file: each cell's text, and the file's content as CSV."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from doughkit.tables.cells import TEXT_KINDS, disarm, quoted
from doughkit.tables.frames import as_text, fill_rows
from doughkit.tables.problems import StudyProblems, nearest, problem_error, require_columns
from doughkit.tables.register import GRID_KEY, TABLES, Column
from doughkit.tables.sheets import Sheet, delimiter_of


@dataclass(frozen=True, eq=False)
class Written:
    """A table as it is to stand in its file: its columns, and each cell's text."""

    table: str
    columns: list[Column]
    texts: dict[str, list[str]]

    @classmethod
    def of(cls, table: str, frame: pd.DataFrame) -> Written:
        frame = frame.rename(columns=str)
        columns = _columns_of(table, frame)
        return cls(table, columns, {one.name: texts_of(frame[one.name]) for one in columns})

    @property
    def names(self) -> list[str]:
        return list(self.texts)


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


def texts_of(values: pd.Series) -> list[str]:
    return [as_text(value) for value in values.tolist()]


def delimiter_now(path: Path, names: list[str]) -> str:
    """The mark that parts the file's cells today, so that it stays so."""
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            now = delimiter_of(file.readline(), names)
    except OSError:
        return ","
    return now if now == ";" else ","


def as_csv(table: Written, *, delimiter: str = ",") -> bytes:
    cells = []
    for column in table.columns:
        written = table.texts[column.name]
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


def must_read_back(table: Written, sheet: Sheet) -> None:
    """Refuse to write what would come back, as `sheet`, otherwise than it was given."""
    rows = fill_rows(sheet, table.columns).frame
    for line, cells in enumerate(zip(*table.texts.values(), strict=True), 2):
        if not any(cell.strip() for cell in cells):
            sheet.blame("a row of empty cells", "a value", "leave the row out", line=line)
    if not sheet.problems:
        for column in table.columns:
            back = texts_of(rows[column.name])
            given_texts = table.texts[column.name]
            for line, given, came in zip(sheet.lines, given_texts, back, strict=True):
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
