"""Text cells → a typed frame that knows the line of each of its rows while it is being checked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd

from doughkit.tables.cells import TEXT_KINDS, read_cells
from doughkit.tables.problems import Problem
from doughkit.tables.register import TABLES, Column
from doughkit.tables.sheets import Sheet


@dataclass(frozen=True)
class Rows:
    """A table's frame with the line of each row in its file.

    `sure` is False for a row whose cells may have shifted: it counts as being there, and nothing
    more is said of it. `columns` names each row's column where a grid was read.
    """

    table: str
    frame: pd.DataFrame
    lines: Sequence[int]
    sure: Sequence[bool]
    columns: Sequence[str] | None = None

    def key_of(self, row: int) -> str:
        names = [name for name in TABLES[self.table].key if name in self.frame]
        known = [(name, self.frame[name].array[row]) for name in names]
        return " ".join(f"{name} {value}" for name, value in known if not pd.isna(value))

    def problem(self, row: int, column: str, found: str, expected: str, mend: str) -> list[Problem]:
        """One problem with its place, or none if the row's cells may have shifted."""
        if not self.sure[row]:
            return []
        if self.columns is not None:
            column = self.columns[row]
        return [
            Problem(self.table, found, expected, mend, column, self.lines[row], self.key_of(row))
        ]


def fill_rows(sheet: Sheet, columns: Iterable[Column]) -> Rows:
    """Read the sheet's cells under `columns`; a column that it lacks is all missing."""
    data = {}
    for column in columns:
        if column.name in sheet.headings:
            values = _read_column(sheet, column)
        else:
            values = [None] * len(sheet.rows)
        data[column.name] = series(values, column.kind)
    frame = pd.DataFrame(data, index=range(len(sheet.rows)))
    return Rows(sheet.table, frame, lines=sheet.lines, sure=sheet.sure)


def _read_column(sheet: Sheet, column: Column) -> list:
    cells = sheet.column(column.name)
    values, faults = read_cells(cells, column, decimal_comma=sheet.decimal_comma)
    for row, fault in faults.items():
        # A row whose cells may have shifted has been told already, once.
        if sheet.sure[row]:
            place = {"line": sheet.lines[row], "column": column.name}
            sheet.blame(fault.found, fault.expected, fault.mend, **place)
    return values


def series(values: list, kind: str) -> pd.Series:
    """A column in memory: text, day or float, whatever it holds."""
    if kind in TEXT_KINDS:
        return pd.Series(values, dtype="str")
    return pd.Series(values, dtype="datetime64[us]" if kind == "date" else "float64")


def as_text(value) -> str:
    """One value as it stands in a cell, in the shortest form that is exact."""
    if isinstance(value, str):
        return value
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        # A time of day would be lost; it stays, and reading back refuses it.
        return value.isoformat().removesuffix("T00:00:00")
    number = float(value)
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
