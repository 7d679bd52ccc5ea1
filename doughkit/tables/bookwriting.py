"""Tables → sheets of a workbook that a spreadsheet opens as they are meant.

Text is text: `007` keeps its zeros and nothing is run. Every heading carries a note with the
column's meaning.
"""

from __future__ import annotations

import io
import warnings
import zipfile
from datetime import datetime
from pathlib import Path

from doughkit.tables.cells import TEXT_KINDS, disarm
from doughkit.tables.problems import problem_error
from doughkit.tables.register import KINDS, Column
from doughkit.tables.sheets import Sheet, fill_from
from doughkit.tables.workbook import Book, in_book_text
from doughkit.tables.written import Written, must_read_back

_FIRST_DAY = "1900-03-01"
"""Earlier days are numbered differently by different spreadsheets; they are written as text."""

_LOST = {
    "xl/charts/": "charts",
    "xl/media/": "pictures",
    "xl/pivotTables/": "pivot tables",
    "xl/externalLinks/": "links to other workbooks",
}
"""Parts of a workbook that would not survive being written anew."""


def new_book(tables: list[Written]) -> bytes:
    """A new workbook with a sheet per table."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    return _content(book, {table: book.create_sheet(table.table) for table in tables})


def in_book(path: Path, table: Written) -> bytes:
    """The workbook with one of its sheets replaced, or added."""
    import openpyxl

    content = path.read_bytes()
    refuse_losses(path, content)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of decoration that it does not know
        book = openpyxl.load_workbook(io.BytesIO(content))
    place = len(book.sheetnames)
    if table.table in book.sheetnames:
        place = book.sheetnames.index(table.table)
        book.remove(book[table.table])
    return _content(book, {table: book.create_sheet(table.table, place)})


def _content(book, sheets: dict) -> bytes:
    """Fill the sheets, each with its table, and see that they read back as they were given."""
    from openpyxl.utils.exceptions import IllegalCharacterError

    file = io.BytesIO()
    try:
        for table, sheet in sheets.items():
            _lay(sheet, table)
        book.save(file)
    except (IllegalCharacterError, ValueError) as error:
        raise problem_error(
            "workbook",
            found=f"a text that no workbook can hold ({error})",
            expected="plain characters",
            mend="take it out, or keep the tables as CSV files; nothing was written",
        ) from error
    back = Book.of(Path("study.xlsx"), file.getvalue())
    for table in sheets:
        sheet = Sheet(table.table, delimiter="")
        must_read_back(table, fill_from(sheet, back.rows.get(table.table, []), table.names))
    return file.getvalue()


def refuse_losses(path: Path, content: bytes) -> None:
    """Formulas would lose their results, and some other things would be lost altogether."""
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        names = parts.namelist()
        lost = [words for part, words in _LOST.items() if any(part in name for name in names)]
        sheets = (parts.read(name) for name in names if "worksheets/" in name)
        if any(b"<f>" in xml or b"<f " in xml for xml in sheets):
            lost.append("formulas")
    if lost:
        raise problem_error(
            path.name,
            found=f"a workbook with {' and '.join(lost)}, which writing to it would spoil",
            expected="a workbook that holds plain values only",
            mend="enter the table in the spreadsheet, or put values in place of formulas and move "
            "the rest to another workbook; nothing was written",
        )


def _lay(sheet, table: Written) -> None:
    """Fill a sheet: headings with notes, then a row a line, each cell in its column's kind."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    sheet.freeze_panes = "A2"
    for place, column in enumerate(table.columns, 1):
        heading = sheet.cell(1, place, disarm(column.name))
        heading.data_type = "s"
        heading.font = Font(bold=True)
        heading.comment = Comment(explained(column), "doughkit", height=90, width=260)
        letter = get_column_letter(place)
        sheet.column_dimensions[letter].width = max(10, len(column.name) + 3)
        is_text = column.kind in TEXT_KINDS
        if is_text:
            sheet.column_dimensions[letter].number_format = "@"
        for line, text in enumerate(table.texts[column.name], 2):
            if text:
                _put(sheet.cell(line, place), disarm(text) if is_text else text, column)


def _put(cell, text: str, column: Column) -> None:
    if column.kind == "date" and text >= _FIRST_DAY and len(text) == 10:
        cell.value = datetime.fromisoformat(text)
        cell.number_format = "yyyy-mm-dd"
        return
    is_text = column.kind in TEXT_KINDS or column.kind == "date"
    cell.value = in_book_text(text) if is_text else text
    # as it stands: the library would round numbers to 16 figures and make formulas of texts
    cell.data_type = "s" if is_text else "n"
    if is_text:
        cell.number_format = "@"


def explained(column: Column) -> str:
    """A column in one line: what it means, how it is written."""
    words = [column.meaning + (f" [{column.unit}]" if column.unit else "")]
    if column.choices:
        words.append(" | ".join(column.choices))
    elif column.kind not in ("name", "text", "number"):
        words.append(KINDS[column.kind])
    return "; ".join(words) + ("; needed" if column.needed else "")
