"""Reading is strict: what is kept is what the file says, the rest is reported with its place."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest

from doughkit.tables import StudyProblems, read_tables
from doughkit.tables.reading import read_folder
from doughkit.tables.register import TABLES
from tests.small_study import SMALL_STUDY, spoilt, write_study


def problems_of(folder, **changed):
    return read_folder(write_study(folder, **changed)).problems


def only_problem(folder, **changed):
    problems = problems_of(folder, **changed)
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_a_healthy_study_reads_whole(tmp_path):
    tables = read_tables(write_study(tmp_path))
    assert list(tables) == [name for name in TABLES if name in SMALL_STUDY]
    for name, text in SMALL_STUDY.items():
        assert len(tables[name]) == len(text.splitlines()) - 1
        assert list(tables[name].columns[: len(TABLES[name].names)]) == TABLES[name].names


def test_names_stay_text_numbers_are_floats_dates_are_days(tmp_path):
    tables = read_tables(write_study(tmp_path))
    doughs, pieces = tables["doughs"], tables["pieces"]
    assert doughs["dough"].tolist() == ["D1", "007", "D3", "C", "R"]
    assert str(doughs["dough"].dtype) == "str"
    assert doughs["hydration_pct"].dtype == np.float64
    assert str(doughs["mixed_on"].dtype) == "datetime64[us]"
    assert doughs["mixed_on"].iloc[0] == pd.Timestamp("2026-03-07")
    assert doughs["flour_kind"].tolist()[:2] == ["white", "spelt"]
    assert pd.isna(doughs["formula"].iloc[4])
    assert pieces["bake_day"].tolist()[0] == "1"
    assert pieces["bake_min"].tolist() == [5, 7.5, 5, 6, 2]
    assert list(pieces.columns[-1:]) == ["crumb_mm"]
    assert tables["assessors"]["allergens"].tolist()[1] == "sesame|milk"


def test_a_column_that_the_file_lacks_is_all_missing_in_its_place(tmp_path):
    pieces = read_tables(write_study(tmp_path))["pieces"]
    assert pieces["droop_mm"].isna().all() and pieces["droop_mm"].dtype == np.float64
    assert pieces["note"].isna().all() and str(pieces["note"].dtype) == "str"


def test_words_such_as_NA_and_1E5_stay_names(tmp_path):
    changed = spoilt("weighed", "D1,,flour", "D1,NA,flour") | spoilt("ovens", "home,270", "1E5,270")
    changed |= {"pieces": SMALL_STUDY["pieces"].replace("home", "1E5")}
    tables = read_tables(write_study(tmp_path, **changed))
    assert tables["weighed"]["part"].tolist()[0] == "NA"
    assert tables["ovens"]["oven"].tolist() == ["1E5"]


def test_a_byte_order_mark_and_any_line_ending_make_no_difference(tmp_path):
    plain = read_tables(write_study(tmp_path))
    for number, ending in enumerate(("\r\n", "\r")):
        folder = tmp_path / str(number)
        folder.mkdir()
        other = {
            name: b"\xef\xbb\xbf" + text.replace("\n", ending).encode()
            for name, text in SMALL_STUDY.items()
        }
        for name, frame in read_tables(write_study(folder, **other)).items():
            pd.testing.assert_frame_equal(frame, plain[name])


def test_semicolons_and_decimal_commas_read_the_same(tmp_path):
    plain = read_tables(write_study(tmp_path))
    other = {name: text.replace(",", ";").replace(".", ",") for name, text in SMALL_STUDY.items()}
    for name, frame in read_tables(write_study(tmp_path, **other)).items():
        pd.testing.assert_frame_equal(frame, plain[name])


def test_empty_rows_and_outer_spaces_count_for_nothing_but_lines_do(tmp_path):
    text = SMALL_STUDY["weighed"].replace("D1,,water", "\n,,,,\n D1 ,,water\u00a0")
    tables = read_tables(write_study(tmp_path, weighed=text))
    assert tables["weighed"]["dough"].tolist() == ["D1", "D1"]
    assert tables["weighed"]["ingredient"].tolist() == ["flour", "water"]
    late = only_problem(tmp_path, weighed=text.replace("280", "x"))
    assert (late.line, late.column) == (5, "planned_g")


def test_a_cell_with_a_line_break_is_one_row_as_in_the_spreadsheet(tmp_path):
    changed = spoilt("doughs", "a little soft", '"a little soft,\nbut workable"')
    tables = read_tables(write_study(tmp_path, **changed))
    assert tables["doughs"]["note"].tolist()[1] == "a little soft,\nbut workable"
    changed["doughs"] = changed["doughs"].replace("2026-03-08", "8.3.2026")
    assert only_problem(tmp_path, **changed).line == 4


CELLS = {
    "too large a number": ("weighed", "500,500", "500,1e400", 2, "weighed_g", "1e400"),
    "infinity": ("weighed", "500,500", "500,inf", 2, "weighed_g", "inf"),
    "not a number": ("weighed", "500,500", "500,nan", 2, "weighed_g", "leave the cell empty"),
    "percent sign": ("doughs", "baked,,56", "baked,,56%", 2, "hydration_pct", "write 56 alone"),
    "unit": ("weighed", "500,500", "500,500 g", 2, "weighed_g", "write 500 alone"),
    "letter for zero": ("weighed", "500,500", "500,5OO", 2, "weighed_g", "write 500"),
    "comma number": ("weighed", "500,500", '500,"500,5"', 2, "weighed_g", "write 500.5 or 5005"),
    "thousands": ("weighed", "500,500", '500,"1,500.5"', 2, "weighed_g", "write 1500.5"),
    "space inside": ("weighed", "500,500", "500,1\u202f500", 2, "weighed_g", "write 1500"),
    "other digits": ("weighed", "500,500", "500,٥٠٠", 2, "weighed_g", "plain number in g"),
    "time of day": ("pieces", "home,5,150,120.5", "home,05:30:00,150,120.5", 2, "bake_min", "5.5"),
    "clock elsewhere": ("weighed", "500,500", "500,7:30", 2, "weighed_g", "plain number in g"),
    "no such minutes": ("pieces", "home,7:30", "home,7:75", 3, "bake_min", "7:75"),
    "NUL": ("weighed", "500,500", "500,5\0", 2, "weighed_g", r"x00"),
    "control in a name": ("weighed", "D1,,flour", "D1,,flo\x07ur", 2, "ingredient", r"x07"),
    "spreadsheet error": ("weighed", "500,500", "500,#REF!", 2, "weighed_g", "formula"),
    "hashes": ("weighed", "500,500", "500,#####", 2, "weighed_g", "empty the cell"),
    "other date": ("doughs", "lath,2026-03-08", "lath,8/3/2026", 4, "mixed_on", "2026-03-07"),
    "no such day": ("doughs", "lath,2026-03-08", "lath,2026-02-30", 4, "mixed_on", "calendar"),
    "choice": ("doughs", "C,control", "C,contrl", 5, "kind", "did you mean 'control'"),
    "yes or no": ("ovens", "steel,no", "steel,nope", 2, "fan", "yes or no"),
    "bounds": ("ovens", "home,270", "home,27", 2, "air_c", "from 50 to 700 °C"),
    "whole": ("doughs", "D1,test,1,", "D1,test,1.5,", 2, "round", "whole number"),
    "empty needed cell": ("weighed", "D1,,flour", "D1,,", 2, "ingredient", "may not be empty"),
    "list by commas": ("assessors", "sesame|milk", '"sesame, milk"', 3, "allergens", "sesame|milk"),
    "list with a gap": ("assessors", "sesame|milk", "sesame||milk", 3, "allergens", "too many"),
    "level unknown": ("doughs", "68,spelt", "68,splt", 3, "flour_kind", "did you mean 'spelt'"),
    "amount": ("formulas", "flour,500", "flour,500 g", 2, "amount", "write 500 alone"),
    "amount in words": ("formulas", "flour,500", "flour,some", 2, "amount", "in figures"),
}


@pytest.mark.parametrize("name", CELLS)
def test_a_faulty_cell_is_told_with_its_place_and_how_to_mend_it(tmp_path, name):
    table, old, new, line, column, words = CELLS[name]
    problem = only_problem(tmp_path, **spoilt(table, old, new))
    assert (problem.table, problem.line, problem.column) == (table, line, column)
    assert words in str(problem)


def test_numbers_may_be_written_in_every_plain_way(tmp_path):
    for text, value in {
        "500": 500,
        "+5.": 5,
        ".5": 0.5,
        "1.5e2": 150,
        " 7 ": 7,
        "\u00a07": 7,
        "0.1": 0.1,
        "-0": 0,
    }.items():
        changed = spoilt("weighed", "500,500", f"500,{text}")
        assert read_tables(write_study(tmp_path, **changed))["weighed"]["weighed_g"][0] == value


def test_a_unicode_minus_is_a_minus(tmp_path):
    changed = spoilt("targets", "droop_mm,,2,5", "droop_mm,\N{MINUS SIGN}1,2,5")
    assert read_tables(write_study(tmp_path, **changed))["targets"]["low"][1] == -1


@pytest.mark.parametrize(
    "amount", ["500", "1 1/2", "½", "1½", "1 ½", "300-320", "300−320", ".5", "1e-05"]
)
def test_amounts_stay_as_written(tmp_path, amount):
    changed = spoilt("formulas", "flour,500", f"flour,{amount}")
    assert read_tables(write_study(tmp_path, **changed))["formulas"]["amount"][0] == amount


def test_a_decimal_comma_is_read_only_in_a_file_parted_by_semicolons(tmp_path):
    file = "dough;ingredient;weighed_g\nD1;flour;500,5\nD1;water;1.500\nD1;salt;1.500,5\n"
    first, second = problems_of(tmp_path, weighed=file)
    assert (first.line, first.mend) == (3, "write 1500 or 1,500")
    assert (second.line, second.mend) == (4, "write 1500,5")
    good = file.replace("1.500,5", "0.125").replace("1.500", "1500")
    weighed = read_tables(write_study(tmp_path, weighed=good))["weighed"]
    assert weighed["weighed_g"].tolist() == [500.5, 1500, 0.125]


def test_amounts_in_a_file_parted_by_semicolons_come_with_a_point(tmp_path):
    file = "formula;ingredient;amount;unit\nlath;flour;500,5;g\nlath;water;2,5-3,5;g\n"
    formulas = read_tables(write_study(tmp_path, formulas=file, moistures=None))["formulas"]
    assert formulas["amount"].tolist() == ["500.5", "2.5-3.5"]


def test_choices_are_read_whatever_their_capitals(tmp_path):
    changed = spoilt("doughs", "C,control", "C,Control") | spoilt("ovens", "steel,no", "Steel,NO")
    tables = read_tables(write_study(tmp_path, **changed))
    assert tables["doughs"]["kind"][3] == "control"
    assert (tables["ovens"]["support"][0], tables["ovens"]["fan"][0]) == ("steel", "no")


def test_a_row_with_too_many_or_too_few_cells_is_reported_and_causes_no_echo(tmp_path):
    changed = spoilt("doughs", "007,test,1,", "007,test,1,,")
    problem = only_problem(tmp_path, **changed)
    assert (problem.line, problem.found) == (3, "11 cells")
    problem = only_problem(tmp_path, **spoilt("doughs", "007,test,1,", "007,test,"))
    assert (problem.line, problem.found) == (3, "9 cells")


def test_a_comma_number_in_a_comma_file_is_a_row_too_long(tmp_path):
    problem = only_problem(tmp_path, **spoilt("weighed", "500,500", "500,500,5"))
    assert problem.line == 2 and "decimal comma" in problem.mend


def test_headings_doubled_nameless_unknown_and_missing_are_told(tmp_path):
    text = SMALL_STUDY["weighed"]
    doubled = only_problem(tmp_path, weighed=text.replace("planned_g", "weighed_g"))
    assert (doubled.line, doubled.column, doubled.found) == (1, "weighed_g", "the heading twice")
    nameless = only_problem(tmp_path, weighed=text.replace("planned_g", ""))
    assert (nameless.line, nameless.found) == (2, "cells without a heading, in column 4")
    unknown = only_problem(tmp_path, weighed=text.replace("planned_g", "Planned g"))
    assert unknown.mend == "did you mean 'planned_g'?"
    missing = problems_of(tmp_path, weighed=text.replace("ingredient", "stuff"))
    assert [one.column for one in missing] == ["stuff", "ingredient"]


def test_trailing_empty_columns_of_a_spreadsheet_are_no_problem(tmp_path):
    text = "".join(f"{line},,\n" for line in SMALL_STUDY["weighed"].splitlines())
    assert len(read_tables(write_study(tmp_path, weighed=text))["weighed"]) == 2


def test_a_file_without_headings_is_one_problem(tmp_path):
    text = SMALL_STUDY["doughs"]
    for spoiling in (text.split("\n", 1)[1], "sep=,\n" + text, text.replace(",", "|")):
        problem = only_problem(tmp_path, doughs=spoiling)
        assert "without any known heading" in problem.found and problem.line == 1


def test_an_own_measured_property_needs_a_unit_and_may_not_look_like_a_slip(tmp_path):
    text = SMALL_STUDY["pieces"]
    unit = only_problem(tmp_path, pieces=text.replace("crumb_mm", "crumb"))
    assert "ends in its unit" in unit.expected
    slip = only_problem(tmp_path, pieces=text.replace("mass_after_g", "mass_afer_g"))
    assert slip.mend.startswith("did you mean 'mass_after_g'")
    closed = only_problem(tmp_path, weighed=SMALL_STUDY["weighed"].replace("planned_g", "salt_g"))
    assert closed.column == "salt_g"


def test_other_encodings_name_the_line_and_the_rest_is_still_read(tmp_path):
    text = SMALL_STUDY["doughs"].replace("a little soft", "weich, für 1 h".replace(",", ""))
    text = text.replace("C,control", "C,contrl")
    first, second = problems_of(tmp_path, doughs=text.encode("cp1252"))
    assert (first.line, "CSV UTF-8" in first.mend, "für" in first.found) == (3, True, True)
    assert (second.line, second.column) == (5, "kind")
    utf16 = only_problem(tmp_path, doughs=SMALL_STUDY["doughs"].encode("utf-16"))
    assert "UTF-16" in utf16.found


def test_quotation_marks_that_do_not_close_lose_no_row_silently(tmp_path):
    text = SMALL_STUDY["doughs"]
    never = problems_of(tmp_path, doughs=text.replace("a little", '"a little'))
    assert any(one.line == 3 and "never closed" in one.found for one in never)
    swallowed = text.replace("a little soft", '"a little soft').replace("bought", 'bought"')
    assert any(
        one.line == 3 and "several rows in one cell" in one.found
        for one in problems_of(tmp_path, doughs=swallowed)
    )
    inside = problems_of(tmp_path, doughs=text.replace("a little soft", '"a" little'))
    assert any(one.line == 3 and "parted into cells" in one.found for one in inside)


def test_tabs_and_empty_files_are_refused_by_name(tmp_path):
    tabs = only_problem(tmp_path, weighed=SMALL_STUDY["weighed"].replace(",", "\t"))
    assert "tabs" in tabs.found
    empty = only_problem(tmp_path, weighed="\n\n")
    assert (empty.table, empty.found) == ("weighed", "an empty file")


def test_a_table_of_unknown_name_is_a_problem_and_other_files_are_left_alone(tmp_path):
    (tmp_path / "README.md").write_text("words")
    (tmp_path / "1.ipynb").write_text("{}")
    (tmp_path / ".~lock.doughs.csv").write_text("")
    write_study(tmp_path)
    assert read_tables(tmp_path)
    (tmp_path / "peices.csv").write_text("piece\nP1\n")
    (tmp_path / "Doughs.csv").write_text("dough\nD1\n")
    with pytest.raises(StudyProblems, match=r"peices.csv: .*did you mean 'pieces'") as caught:
        read_tables(tmp_path)
    assert [one.table for one in caught.value.problems] == ["Doughs.csv", "peices.csv"]


def test_no_folder_no_table_and_an_unreadable_table_are_said_plainly(tmp_path):
    with pytest.raises(StudyProblems, match="no such folder"):
        read_tables(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    with pytest.raises(StudyProblems, match="found a file"):
        read_tables(tmp_path / "file")
    with pytest.raises(StudyProblems, match="without any table"):
        read_tables(tmp_path)
    write_study(tmp_path, doughs=None)
    (tmp_path / "doughs.csv").mkdir()
    assert [one.table for one in read_folder(tmp_path).problems] == ["doughs"]


def test_ten_faults_of_ten_kinds_are_one_report_with_all_ten_places(tmp_path):
    changed = (
        spoilt("formulas", "salt,10", "salt,10 g")
        | spoilt("ovens", "home,270", "home,9999")
        | spoilt("doughs", "lath,2026-03-08", "lath,8.3.2026")
        | spoilt("weighed", "500,500", "500,500,5")
        | spoilt("pieces", "P2,007", "P2,7")
        | spoilt("moistures", "50,46.5", "50,46.5%")
        | spoilt("attributes", "high_words", "hihg_words")
        | spoilt("servings", "S4,T1,Bo,P2", "S3,T1,Bo,P2")
        | spoilt("ratings", "S2,crispness,4", "S2,crispness,12")
        | {"targets": SMALL_STUDY["targets"].replace("like", "lïke").encode("latin-1")}
    )
    with pytest.raises(StudyProblems) as caught:
        read_tables(write_study(tmp_path, **changed))
    message = str(caught.value)
    for place in (
        "formulas, line 4, column 'amount'",
        "ovens, line 2, column 'air_c'",
        "doughs, line 4, column 'mixed_on'",
        "weighed, line 2",
        "pieces, line 3, piece P2, column 'dough'",
        "moistures, line 2, column 'dry_g'",
        "attributes, line 1, column 'hihg_words'",
        "servings, line 5, serving S3, column 'serving'",
        "ratings, line 4, serving S2 attribute crispness, column 'score'",
        "targets, line 1",
    ):
        assert place in message
    for line in message.splitlines()[1:]:
        assert "found" in line and "expected" in line
    assert caught.value.frame()["table"].nunique() == 10


def test_the_entry_grid_reads_as_the_long_table(tmp_path):
    grid = (
        "tasting,assessor,code,crispness,liking\n"
        "T1,Ada,123,7,5\nT1,Ada,456,4,\nT1,Bo,123,8,6\nT1,Bo,789,3,\n"
    )
    ratings = read_tables(write_study(tmp_path, ratings=grid))["ratings"]
    assert list(ratings.columns) == ["serving", "attribute", "score"]
    assert len(ratings) == 8
    scores = ratings.set_index(["serving", "attribute"])["score"]
    assert scores["S3", "crispness"] == 8
    assert np.isnan(scores["S2", "liking"])


def test_faults_of_the_entry_grid_are_told_where_they_were_entered(tmp_path):
    grid = (
        "tasting,assessor,code,crispness,likeing\n"
        "T1,Ada,123,7,5\nT1,Ada,465,4,\nT1,Bo,123,88,6\nT1,Bo,123,3,\nT1,Ed,7,1,\nT2,Bo,123,1,\n"
    )
    told = {(one.line, one.column): str(one) for one in problems_of(tmp_path, ratings=grid)}
    assert set(told) == {
        (1, "likeing"), (3, "code"), (4, "crispness"), (5, "code"), (6, "code"), (7, "code"),
    }  # fmt: skip
    assert "did you mean 'liking'" in told[1, "likeing"]
    assert "did you mean '456'" in told[3, "code"]
    assert "a score from 1 to 9 in steps of 1" in told[4, "crispness"]
    assert "as in line 4" in told[5, "code"]
    assert "planned for Ada, Bo" in told[6, "code"]


def test_an_incomplete_entry_grid_says_what_it_lacks(tmp_path):
    grid = "tasting,code,crispness\nT1,123,7\n"
    problem = only_problem(tmp_path, ratings=grid)
    assert problem.column == "assessor" and "entry grid" in problem.found


def test_fifty_thousand_ratings_read_in_about_a_second(tmp_path):
    servings = ["serving,tasting,assessor,piece,code"]
    ratings = ["serving,attribute,score"]
    for number in range(25_000):
        servings.append(f"S{number},T{number // 50},A{number % 50},P1,{number}")
        ratings += [f"S{number},crispness,{number % 9 + 1}", f"S{number},liking,5"]
    many = {"servings": "\n".join(servings), "ratings": "\n".join(ratings)}
    write_study(tmp_path, assessors=None, **many)
    start = time.perf_counter()
    reading = read_folder(tmp_path)
    assert not reading.problems and len(reading.tables["ratings"]) == 50_000
    # Generous, since other work may share the machine.
    assert time.perf_counter() - start < 10
