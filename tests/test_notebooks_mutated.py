"""Every notebook's calls on spoilt studies: a result, or problems in words with a place."""

from __future__ import annotations

import ast
import functools
import random
import shutil
import traceback
import warnings
from collections import Counter

import matplotlib.pyplot as plt
import nbformat
import numpy as np
import pytest

from doughkit import baking
from doughkit.study import open_study, shipped
from doughkit.study.opening import MissingTable
from doughkit.tables import StudyProblems
from tests import results
from tests.studies import make_demo

BOOKS = sorted(shipped().notebooks.glob("*.ipynb"))


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    folder = tmp_path_factory.mktemp("second")
    make_demo.write_study(folder, 2, make_demo.SECOND)
    return dict(open_study(folder))


def spoil(draw: random.Random, tables: dict) -> str:
    """One change that a file could hold and that reading might not see; says what it was."""
    name = draw.choice(list(tables))
    frame = tables[name]
    kind = draw.randrange(8)
    column = draw.choice(list(frame.columns))
    if kind == 0 and name != "formulas":
        del tables[name]
        return f"no {name}"
    if kind == 1:
        kept = draw.choice([0, 1, 2, len(frame) // 2])
        tables[name] = frame.iloc[:kept].reset_index(drop=True)
        return f"{name} cut to {kept} rows"
    if kind == 2:
        chosen = sorted(draw.sample(range(len(frame)), len(frame) * 2 // 3))
        tables[name] = frame.iloc[chosen].reset_index(drop=True)
        return f"a third of {name} gone"
    numbers = frame.select_dtypes("number").columns.tolist()
    if kind <= 5 and numbers:
        column = draw.choice(numbers)
        how = draw.choice(["empty", "all the same", "huge", "tiny", "minus", "one empty"])
        values = frame[column].to_numpy(dtype=float, copy=True)
        at = draw.randrange(len(values)) if len(values) else 0
        if how == "one empty":
            values[at : at + 1] = np.nan
        elif how == "all the same":
            values[:] = values[at] if len(values) else 0.0
        else:
            values[:] = {"empty": np.nan, "huge": 1e12, "tiny": 1e-12, "minus": -1.0}[how]
        tables[name] = frame.assign(**{column: values})
        return f"{name} {column} {how}"
    if kind == 6 and column not in numbers:
        word = draw.choice(["<script>", "'=1+1", "\u202ex", "ü" * 300, "0", " "])
        tables[name] = frame.assign(**{column: frame[column].where(frame.index != 0, word)})
        return f"{name} {column} {word[:9]!r}"
    tables[name] = frame.sample(frac=1, random_state=draw.randrange(999)).reset_index(drop=True)
    return f"{name} shuffled"


def run_cells(path, study) -> None:
    """A notebook's code cells, in order, on these tables; what a cell shows is drawn."""
    names: dict = {}
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type != "code":
            continue
        tree = ast.parse(cell.source)
        if "study" in cell.metadata.get("tags", []):
            names["study"] = study
            tree.body = [one for one in tree.body if "open_study" not in ast.unparse(one)]
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, path.name, "exec"), names)
        if last is not None:
            shown = eval(compile(ast.Expression(last.value), path.name, "eval"), names)
            for draw in ("_repr_html_", "_repr_mimebundle_"):
                if hasattr(shown, draw):
                    getattr(shown, draw)()


def end_of(path, study) -> str:
    """How the notebook ends: "result", "problems", "missing table", or what went wrong."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            run_cells(path, study)
    except StudyProblems as told:
        placed = all(one.table and one.found and one.expected and one.mend for one in told.problems)
        return "problems" if placed and told.problems else f"{path.stem}: no place: {told}"
    except MissingTable:
        return "missing table"
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        last = [f"{one.filename.split('/')[-1]}:{one.lineno}" for one in frames][-3:]
        return f"{path.stem}: {type(error).__name__}: {str(error)[:120]} at {' '.join(last)}"
    finally:
        plt.close("all")
    return "result"


def spoilt_study(tables: dict, seed: int, folder):
    """A study with one to three changes, as files, opened; None if opening tells its problems."""
    draw, own = random.Random(seed), dict(tables)
    what = "; ".join(spoil(draw, own) for _ in range(draw.choice([1, 1, 2, 3])))
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, frame in own.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    try:
        return open_study(folder), what
    except StudyProblems:
        return None, what


GOOD_ENDS = ("result", "problems", "missing table")


def ends(tables, folder, seeds, books):
    """How often each end was met, and what went wrong in words."""
    found, wrong = Counter(), []
    for seed in seeds:
        study, what = spoilt_study(tables, seed, folder)
        for book in books:
            end = "refused on opening" if study is None else end_of(book, study)
            if end in GOOD_ENDS or study is None:
                found[end] += 1
            else:
                wrong.append(f"{what}: {end}")
    return found, wrong


def test_spoilt_studies_give_results_or_placed_problems_in_the_first_notebook(tables, tmp_path):
    found, wrong = ends(tables, tmp_path / "study", range(12), BOOKS[:1])
    assert not wrong
    assert found["result"] and found["refused on opening"]


@pytest.mark.long
def test_a_hundred_spoilt_studies_give_results_or_placed_problems_in_every_notebook(
    tables, tmp_path, monkeypatch
):
    # it has nothing to do with the study, and takes longest
    monkeypatch.setattr(baking, "published_bakes", functools.cache(baking.published_bakes))
    found, wrong = ends(tables, tmp_path / "study", range(100), BOOKS)
    results.write(
        "mutated_notebooks",
        "100 spoilt studies through the calls of all six notebooks: how each ended",
        [*(f"{end}: {count}" for end, count in sorted(found.items())), f"wrong: {len(wrong)}"],
    )
    assert not wrong, "\n".join(wrong)
