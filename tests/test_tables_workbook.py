"""A workbook reads as the CSV files would, and what cannot be read is told with sheet and cell."""

from __future__ import annotations

import io
import shutil
from datetime import datetime, time

import openpyxl
import pandas as pd
import pytest
from hypothesis import given

from doughkit.study import convert_study, open_study
from doughkit.tables import StudyProblems, keeping, read_tables, save_table, workbook
from doughkit.tables.reading import read_folder
from doughkit.tables.register import TABLES
from tests.small_study import SMALL_STUDY, write_study
from tests.test_tables_writing import frames, runs


@pytest.fixture
def book(tmp_path):
    """The small study as a workbook, as a spreadsheet would save it: numbers, days, texts."""
    convert_study(write_study(tmp_path))
    shutil.rmtree(tmp_path / "previous")
    return tmp_path / "study.xlsx"


def change(path, table, **cells):
    opened = openpyxl.load_workbook(path)
    for cell, value in cells.items():
        opened[table][cell] = value
    opened.save(path)


def only_problem(path):
    problems = read_folder(path).problems
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def same(one, other):
    assert list(one) == list(other)
    for name in one:
        pd.testing.assert_frame_equal(one[name], other[name])


def test_a_workbook_reads_as_the_csv_files_did(tmp_path, book):
    (tmp_path / "csv").mkdir()
    plain = read_tables(write_study(tmp_path / "csv"))
    same(read_tables(book), plain)
    same(read_tables(tmp_path), plain)
    assert list(open_study(tmp_path).sha256) == ["study.xlsx"]
    opened = openpyxl.load_workbook(book)
    assert opened["doughs"]["A3"].value == "007"
    assert opened["pieces"]["F3"].value == 7.5 and opened["doughs"]["E2"].is_date
    assert "which dough" in opened["doughs"]["A1"].comment.text


def test_csv_to_workbook_to_csv_keeps_the_demo_and_its_entry_grid(tmp_path):
    from doughkit.study import shipped

    shutil.copytree(shipped().data_demo, tmp_path / "demo")
    before = read_tables(tmp_path / "demo")
    same(convert_study(tmp_path / "demo").frames, before)
    assert not list((tmp_path / "demo").glob("*.csv"))
    same(convert_study(tmp_path / "demo" / "study.xlsx").frames, before)
    heads = (tmp_path / "demo" / "ratings.csv").read_text("utf-8-sig").splitlines()[0]
    assert heads.startswith("tasting,assessor,code,")
    assert not (tmp_path / "demo" / "study.xlsx").exists()
    assert (tmp_path / "demo" / "previous" / "study.xlsx").exists()


def converts_exactly(folder, table, examples):
    @runs(examples)
    @given(frames(table))
    def law(frame):
        place = folder / "one"
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        keeping.remember({place / name: "" for name in (f"{table}.csv", "study.xlsx")})
        save_table(place, table, frame)
        if read_folder(place).problems:
            return  # doubled names and the like; a study with problems is not converted
        as_saved = read_tables(place)
        try:
            convert_study(place)
        except StudyProblems as refused:
            told.append(str(refused))
            same(read_tables(place), as_saved)
            return
        same(read_tables(place), as_saved)
        convert_study(place)
        same(read_tables(place), as_saved)

    told: list[str] = []
    law()
    # a return within a text, and the like, is refused in words and not lost
    assert all("comes back as" in one or "no workbook can hold" in one for one in told)


@pytest.mark.parametrize("table", ["formulas", "ovens", "attributes", "assessors", "limits"])
def test_any_table_is_the_same_after_workbook_and_back(tmp_path, table):
    converts_exactly(tmp_path, table, 8)


@pytest.mark.long
@pytest.mark.parametrize("table", ["formulas", "ovens", "attributes", "assessors", "ingredients"])
def test_any_table_is_the_same_after_workbook_and_back_many_times(tmp_path, table):
    converts_exactly(tmp_path, table, 300)


FAULTS = {
    "number as text with a unit": ("weighed", {"E2": "500 g"}, "E2", "write 500 alone"),
    "percent format": ("doughs", {"I2": 0.56}, "I2", "write 56 alone"),
    "time of day": ("pieces", {"F2": time(5, 30)}, "F2", "write 5.5"),
    "day with an hour": ("doughs", {"E2": datetime(2026, 3, 7, 10)}, "E2", "2026-03-07"),
    "date in words": ("doughs", {"E2": "7.3.2026"}, "E2", "year-month-day"),
    "lost zeros": ("pieces", {"B3": 7}, "B3", "drop leading zeros"),
    "error value": ("weighed", {"E2": "#REF!"}, "E2", "empty the cell"),
    "formula never computed": ("weighed", {"E2": "=D2"}, "E2", "save it there"),
    "no heading": ("weighed", {"G2": "x"}, "", "its heading"),
    "unknown heading": ("weighed", {"F1": "when", "F2": "now"}, "F1", "rename the column"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_faulty_cell_is_told_with_its_sheet_and_cell(book, name):
    table, cells, cell, words = FAULTS[name]
    change(book, table, **cells)
    if name == "percent format":
        opened = openpyxl.load_workbook(book)
        opened[table]["I2"].number_format = "0%"
        opened.save(book)
    told = [one for one in read_folder(book).problems if one.cell == cell]
    assert told and told[0].table == table and words in str(told[0])
    if cell:
        assert f"{table}, cell {cell}" in str(told[0])


def test_merged_cells_hidden_sheets_and_sheets_of_other_names_are_told(book):
    good = book.read_bytes()
    opened = openpyxl.load_workbook(book)
    opened["weighed"].merge_cells("A2:A3")
    opened.save(book)
    told = [str(one) for one in read_folder(book).problems]
    assert any("weighed, cell A2: found merged cells, A2:A3" in one for one in told)
    book.write_bytes(good)
    opened = openpyxl.load_workbook(book)
    opened["weighed"].sheet_state = "hidden"
    opened.save(book)
    assert "weighed: found a hidden sheet" in str(only_problem(book))
    book.write_bytes(good)
    opened = openpyxl.load_workbook(book)
    opened.create_sheet("dough")["A1"] = "notes"
    opened.create_sheet("empty")
    opened.save(book)
    problem = only_problem(book)
    assert problem.table == "study.xlsx" and "did you mean 'doughs'" in problem.mend


def test_numbers_as_text_rows_of_nothing_and_saved_results_read_well(book):
    opened = openpyxl.load_workbook(book)
    sheet = opened["weighed"]
    sheet["E2"] = "500"
    sheet["E2"].data_type = "s"
    for row in range(4, 60):
        sheet.cell(row, 1, "  ")
    opened.save(book)
    weighed = read_tables(book)["weighed"]
    assert weighed["weighed_g"].tolist() == [500, 281]


def test_a_table_as_file_and_as_sheet_is_one_problem(tmp_path, book):
    (tmp_path / "ovens.csv").write_text(SMALL_STUDY["ovens"])
    problem = only_problem(tmp_path)
    assert problem.table == "ovens" and "ovens.csv and as a sheet of study.xlsx" in problem.found


def test_a_workbook_beside_csv_files_counts_only_if_it_has_tables(tmp_path):
    plain = read_tables(write_study(tmp_path))
    other = openpyxl.Workbook()
    other.active["A1"] = "shopping"
    other.save(tmp_path / "shopping.xlsx")
    same(read_tables(tmp_path), plain)
    other.active.title = "ingredients"
    other.active["A1"], other.active["A2"] = "ingredient", "rye flour"
    other.save(tmp_path / "shopping.xlsx")
    assert read_tables(tmp_path)["ingredients"]["ingredient"].tolist() == ["rye flour"]
    shutil.copy(tmp_path / "shopping.xlsx", tmp_path / "second.xlsx")
    assert "several workbooks, second.xlsx, shopping.xlsx" in str(only_problem(tmp_path))


@pytest.mark.parametrize(
    "content", [b"", b"PK\x03\x04 and no more", b"\xd0\xcf\x11\xe0old", b"formula,amount"]
)
def test_what_is_no_workbook_is_one_problem(tmp_path, content):
    (tmp_path / "study.xlsx").write_bytes(content)
    for path in (tmp_path, tmp_path / "study.xlsx"):
        problem = only_problem(path)
        assert problem.table == "study.xlsx" and "save it anew as .xlsx" in problem.mend


def test_an_old_spreadsheet_alone_is_named(tmp_path):
    (tmp_path / "study.ods").write_bytes(b"x")
    with pytest.raises(StudyProblems, match=r"study\.ods.*save the spreadsheet as \.xlsx"):
        read_tables(tmp_path)


def test_a_sheet_is_saved_and_the_others_stay(tmp_path, book):
    before = read_tables(book)
    ovens = before["ovens"].assign(source="=HYPERLINK(1)", air_c=0.1 + 269.9000000000001)
    assert save_table(tmp_path, "ovens", ovens) == book
    after = read_tables(book)
    same(after, before | {"ovens": ovens})
    cell = openpyxl.load_workbook(book)["ovens"]["K2"]
    assert cell.data_type == "s" and cell.value == "'=HYPERLINK(1)"
    assert (tmp_path / "previous" / "study.xlsx").exists()
    fresh = pd.DataFrame({"ingredient": ["rye flour"], "moisture_pct": 14.0})
    assert save_table(book, "ingredients", fresh) == book
    assert read_tables(tmp_path)["ingredients"]["moisture_pct"].tolist() == [14]


def test_a_workbook_with_formulas_or_charts_is_not_written_to(tmp_path, book):
    ovens = read_tables(book)["ovens"]
    opened = openpyxl.load_workbook(book)
    opened["pieces"]["G2"] = "=1+149"
    opened.save(book)
    with pytest.raises(StudyProblems, match="with formulas, which writing to it would spoil"):
        save_table(tmp_path, "ovens", ovens.assign(air_c=280.0))
    chart = io.BytesIO()
    opened = openpyxl.load_workbook(book)
    opened["pieces"]["G2"] = 150
    opened["pieces"].add_chart(openpyxl.chart.BarChart(), "Z1")
    opened.save(chart)
    book.write_bytes(chart.getvalue())
    keeping.remember(read_folder(book).files)
    with pytest.raises(StudyProblems, match="with charts"):
        save_table(tmp_path, "ovens", ovens.assign(air_c=280.0))


def test_a_study_that_has_problems_is_not_converted(tmp_path):
    write_study(tmp_path, ovens="oven,air_c\nhome,27O\n")
    with pytest.raises(StudyProblems, match="a letter O"):
        convert_study(tmp_path)
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(f"{n}.csv" for n in SMALL_STUDY)


def test_every_table_can_begin_in_a_workbook(tmp_path):
    from doughkit.study import begin_study

    begin_study(tmp_path, TABLES, workbook=True)
    assert list(read_tables(tmp_path)) == list(TABLES)
    assert openpyxl.load_workbook(tmp_path / "study.xlsx").sheetnames == list(TABLES)


def test_texts_that_look_like_a_letters_number_stay_as_they_are(tmp_path):
    texts = ["a_x0041_b", "_x000D_", "_x005F_x0041_", "_xD83D_", "_x"]
    save_table(tmp_path, "assessors", pd.DataFrame({"assessor": list("abcde"), "allergens": texts}))
    convert_study(tmp_path)
    assert read_tables(tmp_path)["assessors"]["allergens"].tolist() == texts


@pytest.mark.parametrize(
    "xml", [b'<c r="A1" t="e">', b"<c t='e' r='A1'>", b'<x:c r="A1" s="2" t="e">']
)
def test_an_error_is_seen_however_the_sheet_is_written(xml):
    assert workbook._looks_count(b"", [xml])
    assert not workbook._looks_count(b"", [xml.replace(b"e", b"s"), b"<t>t=e</t>"])


@pytest.mark.parametrize(
    ("used", "counts"),
    [
        (b'<cellXfs count="2"><xf numFmtId="9" fontId="0"/></cellXfs>', True),
        (b"<x:cellXfs><x:xf numFmtId='10'/></x:cellXfs>", True),
        (b'<numFmts><numFmt numFmtId="164" formatCode="0.0%"/></numFmts>', True),
        (
            b'<cellStyleXfs><xf numFmtId="9"/></cellStyleXfs><cellXfs><xf numFmtId="0"/></cellXfs>',
            False,
        ),
    ],
)
def test_percent_counts_where_cells_use_it_and_not_where_a_style_lies_ready(used, counts):
    assert workbook._looks_count(used, []) == counts


def test_cell_by_cell_and_quickly_give_the_same_texts(tmp_path, monkeypatch):
    opened = openpyxl.Workbook()
    sheet = opened.active
    sheet.title = "formulas"
    sheet.append([7, 7.5, 1e-12, 123456789012, 0.1, -3.25, True, False, None, "  x ", "007", "é ü"])
    sheet.append([])
    sheet.append(
        [datetime(2026, 3, 4), datetime(2026, 3, 4, 5, 6, 7), time(7, 30), "", "a_x000D_b"]
    )
    sheet["N1"] = "last"
    opened.save(tmp_path / "study.xlsx")
    content = (tmp_path / "study.xlsx").read_bytes()
    quick = workbook.Book.of(tmp_path / "study.xlsx", content)
    monkeypatch.setattr(workbook, "_looks_count", lambda formats, sheets: True)
    slow = workbook.Book.of(tmp_path / "study.xlsx", content)
    assert quick.rows == slow.rows and not quick.problems
    assert quick.rows["formulas"][0][1][:6] == ["7", "7.5", "1e-12", "123456789012", "0.1", "-3.25"]
    assert [line for line, _ in quick.rows["formulas"]] == [1, 3]
