"""However a study is spoilt, it ends in tables or in placed problems, and no row goes missing."""

from __future__ import annotations

import contextlib
import csv
import io
import random
import shutil
import warnings
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from datetime import date, datetime, time, timedelta
from functools import partial

import openpyxl
import pytest
from openpyxl.utils.exceptions import IllegalCharacterError

from doughkit.study import convert_study
from doughkit.tables import StudyProblems
from doughkit.tables.reading import Reading, read_folder
from doughkit.tables.register import TABLES
from tests import results
from tests.small_study import SMALL_STUDY, write_study

BAD_CELLS = [
    *("", " ", "x", "=1+1", "-", "1e400", "nan", "-1", "0", "99999999", "1,5", "1.500", "7:30"),
    *("07:30:00", "2026-02-30", "#REF!", "<script>", "\u202e", "é", "'", '"', "a|b", "|", "NA"),
    *("1e-400", "٣", "1_000", "0x10", "\ufeff", "\u200b", "a\nb", "a\rb", "None", "True"),
]
BAD_BYTES = [b"\0", b"\xff", b"\xfe\xff", b'"', b"\n", b"\r", b",", b";", b"\t", b"'", b"\x1a"]


def spoil(draw: random.Random, content: bytes) -> bytes:
    """One change such as a spreadsheet, an editor, a broken disk or a hostile hand might make."""
    rows = [line.split(b",") for line in content.split(b"\n")]
    row = draw.choice(rows)
    place = draw.randrange(len(row))
    column = draw.randrange(len(rows[0]))
    kind = draw.randrange(12)
    if kind == 0:
        row[place] = draw.choice(BAD_CELLS).encode()
    elif kind == 1:
        rows = [cells[:column] + cells[column + 1 :] for cells in rows]
    elif kind == 2:
        rows[0][column] = draw.choice([b"", b"Note", b"x_g", rows[0][0], rows[0][column] + b"s"])
    elif kind == 3:
        del row[place:]
    elif kind == 4:
        rows.insert(draw.randrange(len(rows) + 1), list(row))
    elif kind == 5:
        rows.remove(row)
    elif kind == 6:
        row.insert(place, b"")
    elif kind == 7:
        return content[: draw.randrange(len(content))]
    elif kind == 8:
        at = draw.randrange(len(content))
        return content[:at] + draw.choice(BAD_BYTES) + content[at:]
    elif kind == 9:
        encoding = draw.choice(["utf-16", "cp1252", "utf-8-sig", "utf-16-be"])
        return (content.decode("utf-8", "replace") + "ä").encode(encoding, "replace")
    elif kind == 10:
        return content.replace(b",", draw.choice([b";", b"\t", b"|"]))
    else:
        draw.shuffle(rows)
    return b"\n".join(b",".join(cells) for cells in rows)


def spoil_and_read(folder, seed):
    draw = random.Random(seed)
    write_study(folder)
    for table in draw.sample(list(SMALL_STUDY), draw.choice([1, 1, 1, 2, 3])):
        path = folder / f"{table}.csv"
        content = path.read_bytes()
        for _ in range(draw.choice([1, 1, 2, 4])):
            content = spoil(draw, content) or b"x"
        path.write_bytes(content)
    reading = read_folder(folder)
    every_problem_is_placed(reading)
    for name in SMALL_STUDY:
        no_row_goes_missing(reading, name, (folder / f"{name}.csv").read_bytes())
    return bool(reading.problems)


def every_problem_is_placed(reading):
    for problem in reading.problems:
        assert problem.table.removesuffix(".csv") in TABLES or problem.table == "study.xlsx"
        assert problem.found and problem.expected and problem.mend


TOLD_WHOLE = (
    *("heading", "empty file", "empty sheet", "never closed", "cannot be parted"),
    *("entry grid", "no column for any attribute"),
)
"""Kinds of problem that stand for all rows of a table, or all that follow."""


def no_row_goes_missing(reading, name, content):
    """Rows in the file are rows in the frame, or the table is told of as not read, or not whole."""
    told = [problem for problem in reading.problems if problem.table == name]
    kept = len(set(reading.rows[name].lines)) if name in reading.rows else 0
    if name not in reading.rows:
        assert told
    elif not any(words in problem.found for problem in told for words in TOLD_WHOLE):
        lines = rows_of_text(content)
        assert kept == lines, (name, kept, lines, told)


def rows_of_text(content: bytes) -> int:
    """How many rows hold anything, counted a second way, in any encoding, with any mark."""
    for encoding in ("utf-16",) if content[:2] in UTF_16 else ("utf-8-sig", "cp1252", "latin-1"):
        try:
            text = content.decode(encoding)
            break
        except UnicodeDecodeError:
            text = content.decode(encoding, "replace")
    # A row is one whichever mark parts it; only the marks themselves may not count as content.
    cells = csv.reader(io.StringIO(text, newline=""), delimiter=most_likely_mark(text))
    return sum(any(cell.strip() for cell in row) for row in cells) - 1


def most_likely_mark(text: str) -> str:
    first = next((line for line in text.splitlines() if line.strip()), "")
    known = {name for table in TABLES.values() for name in table.names} | {"hydration_pct"}
    return max(",;\t", key=lambda mark: (len(set(first.split(mark)) & known), first.count(mark)))


UTF_16 = (b"\xff\xfe", b"\xfe\xff")


def test_a_spoilt_study_ends_in_tables_or_in_placed_problems(tmp_path):
    told = [spoil_and_read(tmp_path, seed) for seed in range(160)]
    assert 0 < sum(told) < len(told)


# --- workbooks -----------------------------------------------------------------------------------

VALUES = [
    *("", " ", "x", "=1+1", "'=1", "-", "1e400", "1,5", "7:30", "2026-02-30", "#REF!", "<script>"),
    *("\u202e", "a\nb", "a|b", "NA", "007", "_x000D_", "x005F_", "y" * 40_000, True, False, 0, -1),
    *(1e300, 1e-300, 10**30, 0.1 + 0.2, datetime(2026, 3, 7), datetime(1899, 1, 1, 5)),
    *(date(9999, 12, 31), time(7, 30), timedelta(minutes=7), "=1/0", "=A1:B2", None),
]


def spoil_book(draw: random.Random, book) -> None:
    """One change such as somebody makes in a workbook."""
    sheet = draw.choice(book.worksheets)
    row, column = (draw.randrange(1, 1 + most + 2) for most in (sheet.max_row, sheet.max_column))
    kind = draw.randrange(11)
    if kind <= 2:
        sheet.cell(row, column).value = draw.choice(VALUES)
    elif kind == 3:
        sheet.delete_cols(column)
    elif kind == 4:
        sheet.delete_rows(row)
    elif kind == 5:
        sheet.insert_rows(row)
    elif kind == 6:
        for place in range(1, sheet.max_column + 1):
            sheet.cell(sheet.max_row + draw.choice([1, 50]), place, sheet.cell(row, place).value)
    elif kind == 7:
        sheet.title = draw.choice(["Sheet1", sheet.title + "s", sheet.title.upper() + "_"])
    elif kind == 8:
        sheet.sheet_state = "hidden" if len(book.worksheets) > 1 else "visible"
    elif kind == 9:
        sheet.merge_cells(None, row, column, row + draw.randrange(3), column + draw.randrange(2))
    else:
        cell = sheet.cell(row, column)
        cell.number_format = draw.choice(["0%", "@", "yyyy-mm-dd", "[h]:mm", "0.00E+00"])


def rows_of_sheet(sheet) -> int:
    """Filled rows below the first; a missing result counts for nothing, and so does a return."""
    filled = [
        any(
            cell.value is not None and str(cell.value).replace("_x000D_", "").strip()
            for cell in row
        )
        for row in sheet.iter_rows()
    ]
    return sum(filled) - 1


def spoil_and_read_book(folder, whole, seed):
    draw = random.Random(seed)
    path = folder / "study.xlsx"
    book = openpyxl.load_workbook(io.BytesIO(whole))
    for _ in range(draw.choice([1, 1, 2, 4])):
        # some changes the workbook itself does not let anybody make
        with contextlib.suppress(AttributeError, ValueError, IllegalCharacterError):
            spoil_book(draw, book)
    file = io.BytesIO()
    book.save(file)
    content = file.getvalue()
    if draw.randrange(10) == 0:
        at = draw.randrange(len(content))
        content = draw.choice([content[:at], content[:at] + b"\xff" + content[at + 1 :]])
    path.write_bytes(content)
    try:
        reading = read_folder(folder)
    except StudyProblems as problems:
        reading = Reading(problems=problems.problems)
    every_problem_is_placed(reading)
    whole_told = any(problem.table == "study.xlsx" for problem in reading.problems)
    if content == file.getvalue():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a date beyond all calendars
            opened = openpyxl.load_workbook(path, data_only=True)
        assert whole_told or set(opened.sheetnames) <= set(TABLES)
        for name in set(opened.sheetnames) & set(TABLES):
            told = [problem.found for problem in reading.problems if problem.table == name]
            if name not in reading.rows:
                assert told or whole_told, (seed, name)
            elif not any(words in found for found in told for words in TOLD_WHOLE):
                assert len(set(reading.rows[name].lines)) == rows_of_sheet(opened[name])
    return bool(reading.problems)


@pytest.fixture(scope="module")
def whole_book(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    convert_study(write_study(folder))
    return (folder / "study.xlsx").read_bytes()


def test_a_spoilt_workbook_ends_in_tables_or_in_placed_problems(tmp_path, whole_book):
    told = [spoil_and_read_book(tmp_path, whole_book, seed) for seed in range(40)]
    assert 0 < sum(told) < len(told)


def spoil_one(place, whole, seed):
    """One of the ten thousand: every fourth is a workbook."""
    folder = place / str(seed)
    folder.mkdir()
    as_book = seed % 4 == 3
    told = spoil_and_read_book(folder, whole, seed) if as_book else spoil_and_read(folder, seed)
    shutil.rmtree(folder)
    return as_book, told


@pytest.mark.long
def test_ten_thousand_spoilt_studies_end_in_tables_or_in_placed_problems(tmp_path, whole_book):
    with ProcessPoolExecutor() as processes:
        spoil = partial(spoil_one, tmp_path, whole_book)
        ends = Counter(processes.map(spoil, range(10_000), chunksize=50))
    count = {"csv": ends[False, True], "xlsx": ends[True, True]}
    results.write(
        "mutated_studies",
        "Spoilt studies through reading and checking: tables, or placed problems; no row missing",
        [
            "10,000 studies, 1 to 12 changes each: columns, types, rows, encodings, hostile text",
            f"7,500 as CSV files: {count['csv']} ended in placed problems, "
            f"{7500 - count['csv']} in tables",
            f"2,500 as a workbook: {count['xlsx']} ended in placed problems, "
            f"{2500 - count['xlsx']} in tables",
            "in every table that was read, the rows in the file were the rows in the frame",
            "nothing else than StudyProblems was ever raised",
        ],
    )
