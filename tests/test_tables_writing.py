"""What is saved reads back as it was, whole or not at all."""

from __future__ import annotations

import hashlib
import os
import threading

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doughkit.tables import StudyProblems, keeping, read_tables, save_table
from doughkit.tables.cells import DANGEROUS, disarm, rearm
from doughkit.tables.keeping import write_whole
from doughkit.tables.reading import read_folder
from doughkit.tables.register import TABLES, Column
from tests.small_study import write_study


def runs(examples):
    return settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))


PLAIN = st.characters(exclude_categories=["C", "Zl", "Zp"])
NAMES = st.text(PLAIN, min_size=1, max_size=12).map(str.strip).filter(bool)
HOSTILE = st.sampled_from(
    ["=1+1", "+5", "-", "@x", "'=1", "''=1", "'", "a;b", 'a"b', '"', "a,b", "007", "1E5", "NA"]
)
TEXTS = st.text(st.one_of(PLAIN, st.sampled_from("\t\n\r\"'=+-@")), max_size=20).filter(
    lambda text: text.strip() and not ("," in text or ";" in text)
)
FINITE = st.floats(allow_nan=False, allow_infinity=False)


def cells_of(column: Column):
    if column.kind == "choice":
        return st.sampled_from(column.choices)
    if column.kind in ("number", "whole", "score"):
        low = -1e300 if column.low is None else column.low
        high = 1e300 if column.high is None else column.high
        if column.kind == "whole":
            return st.integers(int(low), int(high)).map(float)
        return st.floats(low, high, allow_nan=False)
    return {
        "name": st.one_of(HOSTILE, NAMES),
        "text": st.one_of(HOSTILE, TEXTS),
        "date": st.dates().map(pd.Timestamp),
        "yes_no": st.sampled_from(["yes", "no"]),
        "amount": st.sampled_from(["500", "1 1/2", "½", "300-320", "0.125"]),
        "list": st.lists(st.sampled_from(["milk", "sesame", "=egg"]), min_size=1, max_size=3).map(
            "|".join
        ),
    }[column.kind]


@st.composite
def frames(draw, table):
    columns = TABLES[table].columns
    count = draw(st.integers(0, 4))
    rows = {}
    for column in columns:
        cell = cells_of(column)
        values = st.lists(
            cell if column.needed else st.none() | cell, min_size=count, max_size=count
        )
        kind = {"date": "datetime64[us]"}.get(column.kind)
        if kind is None:
            numeric = column.kind in ("number", "whole", "score")
            kind = "float64" if numeric else "str"
        rows[column.name] = pd.Series(draw(values), dtype=kind)
    return pd.DataFrame(rows, index=range(count))


def reads_back_exactly(folder, table, mark, examples):
    path = folder / f"{table}.csv"
    empty = mark.join(TABLES[table].names).encode()

    @runs(examples)
    @given(frames(table))
    def law(frame):
        path.write_bytes(empty)
        keeping.remember({path: hashlib.sha256(empty).hexdigest()})
        kept = frame.copy(deep=True)
        content = save_table(folder, table, frame).read_bytes()
        assert mark.encode() in content
        pd.testing.assert_frame_equal(read_folder(folder).rows[table].frame, frame)
        pd.testing.assert_frame_equal(frame, kept)

    law()


@pytest.mark.parametrize("mark", ",;")
@pytest.mark.parametrize("table", TABLES)
def test_every_table_reads_back_exactly_as_saved(tmp_path, table, mark):
    reads_back_exactly(tmp_path, table, mark, examples=7)


@pytest.mark.long
@pytest.mark.parametrize("mark", ",;")
@pytest.mark.parametrize("table", TABLES)
def test_every_table_reads_back_exactly_as_saved_many_times(tmp_path, table, mark):
    reads_back_exactly(tmp_path, table, mark, examples=300)


def test_text_that_imitates_whole_rows_is_refused_since_it_looks_like_swallowed_ones(tmp_path):
    frame = pd.DataFrame({"oven": ["home"], "source": "me\nyou,too"})
    with pytest.raises(StudyProblems, match="several rows in one cell"):
        save_table(tmp_path, "ovens", frame)


@given(st.text(max_size=10))
def test_disarming_is_undone_by_reading_and_leaves_nothing_dangerous(text):
    assert rearm(disarm(text)) == text
    assert disarm(text)[:1] not in tuple(DANGEROUS)


@given(st.lists(FINITE, min_size=1, max_size=5))
def test_numbers_are_written_in_the_shortest_exact_form(tmp_path_factory, values):
    folder = tmp_path_factory.mktemp("numbers")
    frame = pd.DataFrame({"limit": "a", "factor": [f"f{n}" for n in range(len(values))]})
    path = save_table(folder, "limits", frame.assign(weight=values))
    cells = [line.split(",")[2] for line in path.read_text("utf-8-sig").splitlines()[1:]]
    assert [float(cell) for cell in cells] == values
    assert all(len(cell) <= len(repr(value)) for cell, value in zip(cells, values, strict=True))


def test_the_file_is_what_a_spreadsheet_and_a_second_reader_expect(tmp_path):
    frame = pd.DataFrame(
        {
            "dough": ["007", "D2"],
            "kind": "test",
            "mixed_on": pd.Timestamp("2026-03-07"),
            "dough_c": [24.0, 24.5],
            "note": ["=HYPERLINK(1)", np.nan],
        }
    )
    content = save_table(tmp_path, "doughs", frame).read_bytes()
    assert content == (
        b"\xef\xbb\xbfdough,kind,mixed_on,dough_c,note\n"
        b"007,test,2026-03-07,24,'=HYPERLINK(1)\nD2,test,2026-03-07,24.5,\n"
    )
    second = pd.read_csv(tmp_path / "doughs.csv", dtype={"dough": str})
    assert second["dough_c"].tolist() == [24.0, 24.5] and second["dough"][0] == "007"


def test_columns_come_in_the_registers_order_and_own_ones_after(tmp_path):
    frame = pd.DataFrame({"crumb_mm": [1.5], "dough": "D1", "piece": "P1"})
    path = save_table(tmp_path, "pieces", frame)
    assert path.read_text("utf-8-sig").splitlines() == ["piece,dough,crumb_mm", "P1,D1,1.5"]


def test_a_study_saved_table_by_table_is_the_same_study(tmp_path):
    before = read_tables(write_study(tmp_path))
    for name, frame in before.items():
        save_table(tmp_path, name, frame)
    after = read_tables(tmp_path)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(after[name], frame)


def test_the_entry_grid_is_saved_as_a_grid(tmp_path):
    write_study(tmp_path, ratings=None)
    grid = pd.DataFrame(
        {"tasting": "T1", "assessor": "Ada", "code": ["123", "456"], "crispness": [7, np.nan]}
    )
    save_table(tmp_path, "ratings", grid)
    ratings = read_tables(tmp_path)["ratings"]
    assert ratings["serving"].tolist() == ["S1", "S2"]
    assert ratings["score"].tolist()[0] == 7 and np.isnan(ratings["score"][1])


def test_a_file_parted_by_semicolons_stays_so(tmp_path):
    write_study(tmp_path, weighed="dough;part;ingredient;planned_g;weighed_g\nD1;;flour;500;1,5\n")
    weighed = read_tables(tmp_path)["weighed"]
    save_table(tmp_path, "weighed", weighed.assign(planned_g=0.125))
    text = (tmp_path / "weighed.csv").read_text("utf-8-sig")
    assert text.splitlines()[1] == "D1;;flour;0,125;1,5"
    assert read_tables(tmp_path)["weighed"]["weighed_g"][0] == 1.5


REFUSED = {
    "bounds": ({"air_c": 5.0}, "from 50 to 700"),
    "infinity": ({"air_c": np.inf}, "found 'inf'"),
    "needed": ({"oven": [None]}, "may not be empty"),
    "outer spaces": ({"oven": " home"}, "not as 'home'"),
    "choice": ({"support": "sand"}, "one of steel"),
    "control": ({"source": "a\x07"}, "x07"),
    "stranger": ({"colour": "red"}, "a column that the table does not have"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_would_not_read_back_is_refused_and_the_old_file_stays(tmp_path, name):
    change, words = REFUSED[name]
    good = pd.DataFrame({"oven": ["home"], "air_c": 270.0})
    path = save_table(tmp_path, "ovens", good)
    before = path.read_bytes()
    with pytest.raises(StudyProblems, match=words):
        save_table(tmp_path, "ovens", good.assign(**change))
    assert path.read_bytes() == before


def test_a_time_of_day_in_a_date_column_is_not_cut_off(tmp_path):
    frame = pd.DataFrame({"assessor": ["Ada"], "consent_on": pd.Timestamp("2026-03-07 10:30")})
    with pytest.raises(StudyProblems, match="consent_on"):
        save_table(tmp_path, "assessors", frame)


def test_missing_needed_columns_doubled_columns_and_unknown_tables_are_refused(tmp_path):
    with pytest.raises(StudyProblems, match="column 'dough'"):
        save_table(tmp_path, "pieces", pd.DataFrame({"piece": ["P1"]}))
    twice = pd.DataFrame([["home", 1.0, 2.0]], columns=["oven", "air_c", "air_c"])
    with pytest.raises(StudyProblems, match="the column twice"):
        save_table(tmp_path, "ovens", twice)
    with pytest.raises(StudyProblems, match="did you mean 'doughs'"):
        save_table(tmp_path, "dough", pd.DataFrame())
    assert not list(tmp_path.iterdir())


def test_a_row_of_empty_cells_would_be_lost_and_is_refused(tmp_path):
    frame = pd.DataFrame(
        {"factor": ["a", None], "low": [1.0, np.nan], "changed_per": ["day", None]}
    )
    with pytest.raises(StudyProblems, match="a row of empty cells"):
        save_table(tmp_path, "factors", frame)


def test_a_file_is_replaced_whole_with_the_rights_it_had(tmp_path):
    path = tmp_path / "ovens.csv"
    umask = os.umask(0o022)
    try:
        write_whole(path, b"new")
    finally:
        os.umask(umask)
    assert path.stat().st_mode & 0o777 == 0o644
    path.chmod(0o600)
    write_whole(path, b"newer")
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.read_bytes() == b"newer"
    assert [one.name for one in tmp_path.iterdir()] == ["ovens.csv"]


def test_who_reads_meanwhile_sees_the_old_file_or_the_new_one(tmp_path):
    path = tmp_path / "big"
    old, new = b"a" * 200_000, b"b" * 200_000
    write_whole(path, old)
    seen = set()
    done = threading.Event()

    def watch():
        while not done.is_set():
            seen.add(path.read_bytes())

    watcher = threading.Thread(target=watch)
    watcher.start()
    for number in range(40):
        write_whole(path, new if number % 2 else old)
    done.set()
    watcher.join()
    assert seen <= {old, new}


def test_a_failed_write_says_so_and_leaves_the_old_file_alone(tmp_path, monkeypatch):
    path = tmp_path / "ovens.csv"
    write_whole(path, b"old")

    def held(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", held)
    with pytest.raises(StudyProblems, match="close it in the spreadsheet"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [one.name for one in tmp_path.iterdir()] == ["ovens.csv"]
    with pytest.raises(StudyProblems, match="cannot be written"):
        write_whole(tmp_path / "nowhere" / "ovens.csv", b"new")
