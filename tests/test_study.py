"""A study opens whole, says what is there and what is lost without the rest, and its sources."""

from __future__ import annotations

import hashlib

import pandas as pd
import pytest

from doughkit.study import begin_study, check_study, open_study, provenance, shipped
from doughkit.tables import StudyProblems
from doughkit.tables.register import TABLES
from tests.small_study import SMALL_STUDY, spoilt, write_study


def test_a_study_is_a_mapping_of_tables(tmp_path):
    study = open_study(write_study(tmp_path, targets=None))
    assert study.path == tmp_path
    assert list(study) == [name for name in TABLES if name in SMALL_STUDY and name != "targets"]
    assert "targets" not in study and study.get("targets") is None
    assert dict(study)["doughs"]["dough"].tolist()[1] == "007"


def test_a_missing_table_says_what_is_lost_without_it(tmp_path):
    study = open_study(write_study(tmp_path, targets=None))
    with pytest.raises(KeyError, match=r"targets\.csv.*nothing can be recommended"):
        study["targets"]
    with pytest.raises(KeyError, match="did you mean 'doughs'"):
        study["dough"]
    assert "targets: nothing can be recommended" in study.summary()
    assert study.missing()["table"].tolist() == ["ingredients", "targets"]
    assert study.contents()["rows"].sum() == sum(
        len(text.splitlines()) - 1 for name, text in SMALL_STUDY.items() if name != "targets"
    )


def test_a_whole_study_says_so_and_shows_itself(tmp_path):
    study = open_study(write_study(tmp_path))
    missing = "ingredients"
    assert study.missing()["table"].tolist() == [missing]
    html = study._repr_html_()
    assert html.count("<caption>") == 2 and TABLES[missing].without in html
    assert repr(study) == study.summary()
    (tmp_path / "ingredients.csv").write_text("ingredient,moisture_pct\nflour,14\n")
    whole = open_study(tmp_path)
    assert whole.summary().endswith("Every table is there.")
    assert whole._repr_html_().count("<caption>") == 1


def test_what_is_done_to_a_table_leaves_the_study_as_it_was(tmp_path):
    study = open_study(write_study(tmp_path))
    pieces = study["pieces"]
    pieces["bake_min"] = 0.0
    pieces.loc[0, "piece"] = "X"
    assert study["pieces"]["bake_min"].tolist()[0] == 5
    assert study["pieces"]["piece"].tolist()[0] == "P1"


def test_opening_and_checking_report_the_same_problems(tmp_path):
    changed = spoilt("pieces", "P2,007", "P2,7") | spoilt("ovens", "home,270", "home,27O")
    write_study(tmp_path, **changed)
    with pytest.raises(StudyProblems, match="2 problems") as caught:
        open_study(tmp_path)
    pd.testing.assert_frame_equal(check_study(tmp_path), caught.value.frame())
    assert check_study(tmp_path)["line"].tolist() == [2, 3]


def test_a_sound_study_has_an_empty_list_of_problems(tmp_path):
    problems = check_study(write_study(tmp_path))
    assert problems.empty
    assert {"table", "line", "column", "found", "expected", "mend"} <= set(problems.columns)


def test_provenance_names_versions_seed_and_each_file_as_it_was_read(tmp_path):
    study = open_study(write_study(tmp_path))
    before = hashlib.sha256((tmp_path / "doughs.csv").read_bytes()).hexdigest()
    (tmp_path / "doughs.csv").write_text("changed meanwhile")
    facts = provenance(study, seed=11).set_index("what")["value"]
    assert facts["doughs.csv"] == before
    assert facts["seed"] == "11" and facts["pandas"] == pd.__version__
    assert {"doughkit", "Python", "numpy", "scipy", "statsmodels", "seaborn"} <= set(facts.index)
    assert [one for one in facts.index if one.endswith(".csv")] == [
        f"{name}.csv" for name in TABLES if name in SMALL_STUDY
    ]
    assert not any(str(tmp_path) in value for value in facts)
    assert provenance(study).set_index("what")["value"]["seed"] == "none given"


def test_the_demo_comes_along_and_opens():
    demo = open_study(shipped().data_demo)
    assert set(demo) == set(TABLES)
    assert shipped().notebooks.is_dir()


def test_an_installation_without_demo_says_so(monkeypatch, tmp_path):
    import doughkit

    (tmp_path / "doughkit").mkdir()
    monkeypatch.setattr(doughkit, "__file__", str(tmp_path / "doughkit" / "__init__.py"))
    with pytest.raises(FileNotFoundError, match="install it again"):
        shipped()
    for name in ("notebooks", "data_demo"):
        (tmp_path / "doughkit" / "shipped" / name).mkdir(parents=True)
    assert shipped().data_demo.parent.name == "shipped"


def test_a_table_without_a_row_counts_as_not_there(tmp_path):
    begin_study(tmp_path / "new")
    (tmp_path / "new" / "formulas.csv").write_text(
        "formula,part,ingredient,amount,unit\nplain,,bread flour,500,g\n"
    )
    study = open_study(tmp_path / "new")
    assert list(study) == ["formulas"] and study.get("doughs") is None
    with pytest.raises(KeyError, match=r"no row yet in table 'doughs' \(doughs\.csv\); without it"):
        study["doughs"]
    assert "doughs" in study.missing()["table"].tolist()
