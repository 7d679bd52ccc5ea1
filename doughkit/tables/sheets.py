"""A CSV file as a sheet of text cells: every row with its line, and what is wrong with its form.

Lines are counted as a spreadsheet counts its rows: a cell that holds a line break is still one
row, and empty rows count. Nothing is converted here.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from doughkit.tables.cells import quoted, rearm
from doughkit.tables.problems import Problem

_SAVE_AS = "save it from the spreadsheet as 'CSV UTF-8'"


@dataclass
class Sheet:
    """The text cells of one table. `sure` is False for a row whose cells may have shifted."""

    table: str
    headings: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    sure: list[bool] = field(default_factory=list)
    heading_line: int = 1
    delimiter: str = ","
    """What parts the cells in the file; empty where nothing has to, in a workbook."""
    places: dict[str, int] = field(default_factory=dict)
    """In which column of the file each heading stands, counted from 0."""
    problems: list[Problem] = field(default_factory=list)
    sha256: str = ""

    @property
    def decimal_comma(self) -> bool:
        """Where ; parts the cells the comma is free to be a decimal comma."""
        return self.delimiter == ";"

    def column(self, heading: str) -> list[str]:
        place = self.headings.index(heading)
        return [row[place] for row in self.rows]

    def blame(self, found: str, expected: str, mend: str, line=None, column: str = "") -> None:
        self.problems.append(Problem(self.table, found, expected, mend, column=column, line=line))


def read_sheet(path: Path, table: str, known: Collection[str]) -> Sheet:
    """Read a CSV file strictly; `known` headings help to see which mark parts the cells."""
    sheet = Sheet(table)
    try:
        content = path.read_bytes()
    except OSError as error:
        sheet.blame(
            f"a file that cannot be read ({error.strerror})",
            f"the file {path.name}",
            "close it in other programs and see who may read it",
        )
        return sheet
    sheet.sha256 = hashlib.sha256(content).hexdigest()
    return fill_sheet(sheet, content, known)


def fill_sheet(sheet: Sheet, content: bytes, known: Collection[str]) -> Sheet:
    """Part the bytes of a CSV file into the cells of `sheet`."""
    text = _decoded(sheet, content)
    sheet.delimiter = delimiter_of(text, known)
    if sheet.delimiter == "\t":
        sheet.blame("cells parted by tabs", "cells parted by , or ;", _SAVE_AS, line=1)
    return fill_from(sheet, _records(sheet, text), known)


def fill_from(
    sheet: Sheet, records: Iterable[tuple[int, list[str]]], known: Collection[str]
) -> Sheet:
    """Settle headings and rows from rows of cells, each with its line."""
    width = None
    for line, cells in records:
        if not any(cell.strip() for cell in cells):
            continue
        if width is None:
            width = len(cells)
            sheet.headings = [rearm(cell.strip()).strip() for cell in cells]
            sheet.heading_line = line
            for place, heading in enumerate(sheet.headings):
                sheet.places.setdefault(heading, place)
            if not set(known) & set(sheet.headings):
                return _without_headings(sheet, known)
            continue
        sheet.sure.append(_well_formed(sheet, line, cells, width))
        sheet.lines.append(line)
        sheet.rows.append((cells + [""] * width)[:width])
    if width is None:
        kind = "file" if sheet.delimiter else "sheet"
        sheet.blame(
            f"an empty {kind}", "a first row of headings", "write the headings, or delete it"
        )
    _settle_headings(sheet)
    return sheet


def _without_headings(sheet: Sheet, known: Collection[str]) -> Sheet:
    """A file whose first row means nothing here; to go on would blame every row of it."""
    sheet.blame(
        f"a first row without any known heading, {quoted(', '.join(sheet.headings))}",
        "headings such as " + ", ".join(list(known)[:6]),
        "let the first row hold the headings; nothing else of the file was read",
        line=sheet.heading_line,
    )
    sheet.headings = []
    return sheet


def delimiter_of(text: str, known: Collection[str]) -> str:
    """The mark that parts the headings: the one that yields most known names, else most cells."""
    first = next((line for line in text.splitlines() if line.strip()), "")

    def headings(mark: str) -> tuple[int, int]:
        cells = next(csv.reader([first[:10_000]], delimiter=mark), [])
        return sum(cell.strip() in known for cell in cells), len(cells)

    return max(",;\t", key=headings)


def _decoded(sheet: Sheet, content: bytes) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        sheet.blame("a file saved as UTF-16 (Unicode text)", "UTF-8", _SAVE_AS, line=1)
        return content.decode("utf-16", errors="replace").removeprefix("\ufeff")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Read on in the usual other encoding, so that the file's other faults are told as well.
        text = content.decode("cp1252", errors="replace").removeprefix("ï»¿")
        line, shown = _first_undecodable(content)
        sheet.blame(f"letters that are not UTF-8, in {quoted(shown)}", "UTF-8", _SAVE_AS, line=line)
        return text


def _first_undecodable(content: bytes) -> tuple[int, str]:
    for line, raw in enumerate(content.splitlines(), 1):
        try:
            raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            return line, raw.decode("cp1252", errors="replace")
    return 1, ""


def _records(sheet: Sheet, text: str):
    """Each row of the file with its line; a row that cannot be parted is told and passed over."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sheet.delimiter, strict=True)
    line = 0
    while True:
        line += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            end = "unexpected end" in str(error)
            sheet.blame(
                "a quotation mark that is never closed; nothing after it could be read"
                if end
                else f"a row that cannot be parted into cells ({error})",
                'a cell that begins with " also ends with "',
                'close the quotation mark, or double it ("") inside the cell',
                line=line,
            )
            if not sheet.headings:
                return
            continue
        yield line, cells


def _well_formed(sheet: Sheet, line: int, cells: list[str], width: int) -> bool:
    if len(cells) != width:
        sheet.blame(
            f"{len(cells)} cells",
            f"{width} cells, one under each heading",
            _MEND_LONG if len(cells) > width else _MEND_SHORT,
            line=line,
        )
        return False
    for cell in cells if sheet.delimiter else ():
        # A forgotten quotation mark swallows whole rows into one cell, and they would be lost.
        if ("\n" in cell or "\r" in cell) and any(
            inner.count(sheet.delimiter) >= max(width - 1, 1) for inner in cell.splitlines()
        ):
            sheet.blame(
                f"several rows in one cell, {quoted(cell)}",
                "one row a line",
                "look for a quotation mark too many",
                line=line,
            )
            return False
    return True


_MEND_LONG = (
    "write a decimal comma as a point, and put a cell that holds the parting mark in quotation "
    "marks"
)
_MEND_SHORT = (
    "fill the row up with empty cells; a spreadsheet may leave them out at a row's end: then move "
    "a column that is always filled to the end"
)


def _settle_headings(sheet: Sheet) -> None:
    """Tell doubled and missing headings; drop their columns, keep the first of doubles."""
    keep = []
    for place, heading in enumerate(sheet.headings):
        if not heading:
            _blame_nameless(sheet, place)
        elif heading in sheet.headings[:place]:
            sheet.blame(
                "the heading twice",
                "each heading once",
                "delete one of the columns, or give it its own name",
                line=sheet.heading_line,
                column=heading,
            )
        else:
            keep.append(place)
    if len(keep) < len(sheet.headings):
        sheet.headings = [sheet.headings[place] for place in keep]
        sheet.rows = [[row[place] for place in keep] for row in sheet.rows]


def _blame_nameless(sheet: Sheet, place: int) -> None:
    filled = [line for line, row in zip(sheet.lines, sheet.rows, strict=True) if row[place].strip()]
    if filled:
        sheet.blame(
            f"cells without a heading, in column {place + 1}",
            "a heading over every column",
            "give the column its heading, or empty its cells",
            line=filled[0],
        )
