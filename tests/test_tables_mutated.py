"""However a study is spoilt, it ends in tables or in placed problems, and no row goes missing."""

from __future__ import annotations

import csv
import io
import random
import shutil

import pytest

from doughkit.tables.reading import read_folder
from doughkit.tables.register import TABLES
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


def rows_in(content: bytes) -> int:
    """How many rows hold anything, counted a second way."""
    text = content.decode("utf-8-sig")
    mark = ";" if text.split("\n", 1)[0].count(";") else ","
    cells = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    return sum(any(cell.strip() for cell in row) for row in cells) - 1


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
    for problem in reading.problems:
        assert problem.table.removesuffix(".csv") in TABLES
        assert problem.found and problem.expected and problem.mend
    if not reading.problems:
        for name in SMALL_STUDY:
            assert len(reading.tables[name]) == rows_in((folder / f"{name}.csv").read_bytes())
    return bool(reading.problems)


def test_a_spoilt_study_ends_in_tables_or_in_placed_problems(tmp_path):
    told = [spoil_and_read(tmp_path, seed) for seed in range(120)]
    assert 0 < sum(told) < len(told)


@pytest.mark.long
def test_ten_thousand_spoilt_studies_end_in_tables_or_in_placed_problems(tmp_path):
    for seed in range(10_000):
        folder = tmp_path / str(seed % 2)
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        spoil_and_read(folder, seed)
