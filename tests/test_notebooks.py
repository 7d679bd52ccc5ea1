"""The notebooks: six headings each, no outputs kept, and they run, on the demo and elsewhere."""

import ast
import re
from pathlib import Path

import nbformat
import pytest

from doughkit import share, study
from tests.studies import make_demo

BOOKS = sorted(study.shipped().notebooks.glob("*.ipynb"))
HEADINGS = ["Question", "Data", "Computation", "Picture", "Decision", "Cautions"]


@pytest.fixture(scope="module")
def second_study(tmp_path_factory):
    """Another made study: other people, scale, attributes, factors and gaps."""
    folder = tmp_path_factory.mktemp("second")
    make_demo.write_study(folder, 2, make_demo.SECOND)
    return folder


def code_of(book):
    return [cell for cell in book.cells if cell.cell_type == "code"]


def test_there_are_six_in_the_order_of_the_job():
    assert [path.stem[:2] for path in BOOKS] == ["01", "02", "03", "04", "05", "06"]


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_a_notebook_has_six_headings_and_keeps_no_output(path):
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    prose = [cell.source for cell in book.cells if cell.cell_type == "markdown"]
    assert re.findall(r"^## (.+)$", "\n".join(prose), re.M) == HEADINGS
    assert re.findall(r"^# (.+)$", "\n".join(prose), re.M), "one title"
    assert all(not cell.outputs and cell.execution_count is None for cell in code_of(book))
    assert len({cell.id for cell in book.cells}) == len(book.cells)
    assert book.metadata.kernelspec.name == "python3"


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_thin(path):
    book = nbformat.read(path, as_version=4)
    tagged = [cell for cell in code_of(book) if cell.metadata.get("tags") == ["study"]]
    assert tagged == code_of(book)[:1], "the study's path stands in the first code cell, tagged"
    assert any("assert " in cell.source for cell in code_of(book)), "a second road to the answer"
    for cell in code_of(book):
        assert len(cell.source.splitlines()) <= 12, cell.source
        defined = [
            node
            for node in ast.walk(ast.parse(cell.source))
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
        ]
        assert not defined, "a function belongs in a room"


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_on_another_study(path, second_study):
    share.run_notebook(path, second_study)


def test_a_notebook_whose_second_road_disagrees_is_refused(tmp_path, second_study):
    book = nbformat.read(BOOKS[0], as_version=4)
    book.cells.append(nbformat.v4.new_code_cell("assert 1 + 1 == 3, 'the roads part'"))
    spoilt = tmp_path / Path(BOOKS[0]).name
    nbformat.write(book, spoilt)
    with pytest.raises(share.NotebookFailed, match="the roads part"):
        share.run_notebook(spoilt, second_study)


def test_a_study_just_begun_plans_its_first_round_and_the_others_name_the_table_they_miss(tmp_path):
    study.begin_study(tmp_path / "new")
    written = {
        "formulas": "formula,part,ingredient,amount,unit\nplain,,bread flour,500,g\n"
        "plain,,water,310,g\nplain,,salt,10,g\n",
        "ovens": "oven,air_c,support,support_c,support_mm,pieces_per_bake,preheat_min,gap_min\n"
        "ours,250,steel,270,6,1,60,4\n",
        "factors": "factor,low,high,step,changed_per\nhydration_pct,54,70,1,dough\n"
        "salt_pct,1.6,2.6,0.1,dough\nbake_min,5,8,0.5,piece\n",
    }
    for table, text in written.items():
        (tmp_path / "new" / f"{table}.csv").write_text(text)
    formulas, water, planning, *others = BOOKS
    for path in (formulas, planning):
        share.run_notebook(path, tmp_path / "new")
    for path in (water, others[-1]):
        with pytest.raises(share.NotebookFailed, match="MissingTable: the study has no"):
            share.run_notebook(path, tmp_path / "new")
