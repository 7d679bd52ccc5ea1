"""A workbook (.xlsx) as rows of text cells, a sheet per table, with what cannot be read placed.

Values are turned into the text that a CSV file would hold, so that both are read alike. Only
files saved by a spreadsheet hold the results of formulas; nothing is computed here.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
import zipfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import time, timedelta
from pathlib import Path

from doughkit.tables.cells import quoted
from doughkit.tables.frames import as_text
from doughkit.tables.problems import Problem, nearest
from doughkit.tables.register import TABLES

MOST_BYTES = 1_000_000_000
"""A workbook that unpacks to more than this was not typed by anybody."""

_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0"
"""How files of old spreadsheets begin, and workbooks under a password."""

_MERGED = re.compile(rb'<mergeCell ref="([A-Z]+[0-9]+:[A-Z]+[0-9]+)"')
_CELL_FORMATS = re.compile(rb"(?s)<(\w+:)?(numFmts|cellXfs)\b.*?</(\w+:)?(numFmts|cellXfs)>")
_PERCENT = re.compile(rb"""%|\bnumFmtId=["'](9|10)["']""")
_ERROR = re.compile(rb"""\st=["']e["']""")
_BY_NUMBER = re.compile("_x([0-9A-Fa-f]{4})_")
"""How a workbook writes a letter that it can't hold, as a carriage return within a text."""


@dataclass
class Book:
    """What a workbook holds: rows of text cells by table, each with its line; problems by table.

    Problems of the workbook as a whole stand under the empty name.
    """

    path: Path
    rows: dict[str, list[tuple[int, list[str]]]] = field(default_factory=dict)
    problems: dict[str, list[Problem]] = field(default_factory=dict)
    sha256: str = ""

    @classmethod
    def read(cls, path: Path) -> Book:
        try:
            content = path.read_bytes()
        except OSError as error:
            book = cls(path)
            book.blame("", f"a workbook that cannot be read ({error.strerror})", *_CLOSE_IT)
            return book
        return cls.of(path, content)

    @classmethod
    def of(cls, path: Path, content: bytes) -> Book:
        book = cls(path, sha256=hashlib.sha256(content).hexdigest())
        if content.startswith(_OLD_OR_LOCKED):
            book.blame("", "an old workbook, or one under a password", *_SAVE_IT)
            return book
        try:
            if _unpacked(content) > MOST_BYTES:
                book.blame("", "a workbook that unpacks to more than 1 GB", *_SAVE_IT)
            else:
                _fill(book, content)
        except Exception as error:  # a broken file breaks its reader in ever new ways
            book.rows.clear()
            book.problems.clear()
            told = quoted(f"{type(error).__name__}: {error}")
            book.blame("", f"a file that cannot be read as a workbook ({told})", *_SAVE_IT)
        return book

    def blame(self, table: str, found: str, expected: str, mend: str, **place) -> None:
        told = Problem(table or self.path.name, found, expected, mend, **place)
        self.problems.setdefault(table, []).append(told)


_SAVE_IT = ("a workbook as spreadsheets save it (.xlsx)", "save it anew as .xlsx")
_CLOSE_IT = ("a workbook (.xlsx)", "close it in other programs and see who may read it")


def is_workbook(path: Path) -> bool:
    return path.suffix.lower() == ".xlsx"


def sheet_names(path: Path) -> set[str] | None:
    """The names of a workbook's sheets; None if they cannot be read."""
    try:
        return set(_open(path.read_bytes()).sheetnames)
    except Exception:  # as above; reading it tells what is wrong
        return None


def _unpacked(content: bytes) -> int:
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        return sum(part.file_size for part in parts.infolist())


def _open(content: bytes, *, values: bool = True, whole: bool = False):
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of decoration that it does not know
        return openpyxl.load_workbook(
            io.BytesIO(content), read_only=not whole, data_only=values, keep_links=False
        )


def _fill(book: Book, content: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        sheets = [parts.read(name) for name in parts.namelist() if "worksheets/" in name]
        formats = b"".join(parts.read(n) for n in parts.namelist() if n.endswith("styles.xml"))
    quick = None if _looks_count(formats, sheets) else _quickly(content)
    opened = _open(content)
    for sheet in opened.worksheets:
        sheet.reset_dimensions()
        texts = _texts(sheet) if quick is None else quick(sheet.title)
        rows = _filled(texts)
        if sheet.title in TABLES:
            book.rows[sheet.title] = rows
            if sheet.sheet_state != "visible":
                book.blame(sheet.title, "a hidden sheet", "every table in sight", "unhide it")
        elif rows:
            close = nearest(sheet.title.strip().lower(), TABLES)
            book.blame(
                "",
                f"a sheet of unknown name, {quoted(sheet.title)}"
                + (", which is hidden" if sheet.sheet_state != "visible" else ""),
                "sheets named after tables: " + ", ".join(TABLES),
                f"rename it ({close})" if close else "rename it, or move it to another workbook",
            )
    if any(_MERGED.search(xml) for xml in sheets):
        _blame_merged(book, content)
    if any(b"<f>" in xml or b"<f " in xml for xml in sheets):
        _blame_uncomputed(book, content)
    if not book.rows and not book.problems:
        book.blame(
            "", "a workbook without any table", "a sheet named 'formulas'", "name the sheets so"
        )


def _looks_count(formats: bytes, sheets: list[bytes]) -> bool:
    """Whether a cell's look changes its text: shown as percent, or an error that was computed.

    The quick reader below hands out neither looks nor errors.
    """
    percent = any(_PERCENT.search(part[0]) for part in _CELL_FORMATS.finditer(formats))
    return percent or any(_ERROR.search(xml) for xml in sheets)


def _quickly(content: bytes) -> Callable[[str], Iterator[list[str]]]:
    """Some ten times as fast as cell by cell: years of ratings are long."""
    from python_calamine import CalamineWorkbook

    opened = CalamineWorkbook.from_filelike(io.BytesIO(content))

    def texts(title: str) -> Iterator[list[str]]:
        for cells in opened.get_sheet_by_name(title).to_python(skip_empty_area=False):
            yield [_plain_text(value) for value in cells]

    return texts


def _texts(sheet) -> Iterator[list[str]]:
    for cells in sheet.iter_rows():
        yield [_text(cell) for cell in cells]


def _filled(lines: Iterable[list[str]]) -> list[tuple[int, list[str]]]:
    """A sheet's filled rows, all of one width, each with its line."""
    rows = []
    for line, texts in enumerate(lines, 1):
        while texts and not texts[-1].strip():
            texts.pop()
        if texts:
            rows.append((line, texts))
    width = max((len(texts) for _, texts in rows), default=0)
    return [(line, texts + [""] * (width - len(texts))) for line, texts in rows]


def _text(cell) -> str:
    value = cell.value
    if isinstance(value, str):
        return _BY_NUMBER.sub(_letter, value)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        # 56 % is kept as 0.56 and only shown otherwise; as text it is refused as in a CSV file.
        return f"{value * 100:.10g}%" if "%" in (cell.number_format or "") else as_text(value)
    return _plain_text(value)


def in_book_text(text: str) -> str:
    """A text as a workbook holds it: what looks like a letter's number has its "_" by number."""
    return re.sub(f"_(?={_BY_NUMBER.pattern[1:]})", "_x005F_", text).replace("\r", "_x000D_")


def _letter(found: re.Match) -> str:
    number = int(found[1], 16)
    return found[0] if 0xD800 <= number < 0xE000 else chr(number)


def _plain_text(value) -> str:
    return str(value) if isinstance(value, (time, timedelta)) else as_text(value)


def _blame_merged(book: Book, content: bytes) -> None:
    for sheet in _open(content, whole=True).worksheets:
        for cells in sheet.merged_cells.ranges if sheet.title in book.rows else ():
            book.blame(
                sheet.title,
                f"merged cells, {cells}",
                "every cell on its own",
                "part the cells, and fill each row",
                line=cells.min_row,
                cell=str(cells).split(":")[0],
            )


def _blame_uncomputed(book: Book, content: bytes) -> None:
    """A formula whose result was never saved would be read as an empty cell."""
    formulas, results = _open(content, values=False), _open(content)
    for name in book.rows:
        for sheet in (formulas[name], results[name]):
            sheet.reset_dimensions()
        pairs = zip(formulas[name].iter_rows(), results[name].iter_rows(), strict=True)
        for written, computed in pairs:
            for cell, result in zip(written, computed, strict=True):
                if cell.data_type == "f" and result.value is None:
                    book.blame(
                        name,
                        "a formula without its result",
                        "a value, or a formula as a spreadsheet saves it",
                        "open the workbook in the spreadsheet, and save it there",
                        line=cell.row,
                        cell=cell.coordinate,
                    )
