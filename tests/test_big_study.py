"""A study far larger than a kitchen makes: opens whole, and every notebook runs on it."""

import pytest

from doughkit.study import open_study
from tests import results
from tests.benchmarks import big_study


@pytest.mark.long
def test_years_of_tastings_open_whole_and_every_notebook_runs_on_them(tmp_path):
    study = big_study.make(tmp_path / "big")
    rows = {name: len(frame) for name, frame in open_study(study).items()}
    assert rows["doughs"] == 200 and rows["pieces"] == 1000 and rows["ratings"] > 50_000
    lines = [*big_study.opening(study), *big_study.notebooks(study)]
    results.write("big_study", big_study.TITLE, lines)
    assert all(": ran, " in line for line in lines[-6:]), lines[-6:]
