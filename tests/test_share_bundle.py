"""A study handed on: no name in it, the same bytes again, rerun to the same numbers."""

import json
import re
import stat
import zipfile

import nbformat
import numpy as np
import pandas as pd
import pytest

from doughkit import commands, share
from doughkit.share.bundling import words_of_picture
from doughkit.share.coding import SECRET, code_names, code_study
from doughkit.share.common import is_common, is_short
from doughkit.share.verifying import difference
from doughkit.study import open_study
from doughkit.tables.problems import StudyProblems
from tests.small_study import write_study
from tests.test_share import write_notebook

OPENING = """
import doughkit as dk

study = dk.study.open_study("../data_demo")
"""
SHOWN = """
scores = study["ratings"].merge(study["servings"], on="serving")
mean = scores.groupby("assessor")["score"].agg(["mean", "size"]).reset_index()
dk.tables.shown(mean.assign(se=mean["mean"] / 7), "Mean of each taster")
"""
PLAIN = """
dk.tables.shown(study["formulas"], "The formulas")
"""
DRAWN = """
import matplotlib.pyplot as plt

_, axes = plt.subplots()
axes.plot(study["ratings"]["score"])
dk.charts.picture(axes, "Scores in the order in which they were written down.")
"""


@pytest.fixture
def study(tmp_path):
    """A small study whose people, notes and texts can't be missed."""
    folder = tmp_path / "lath study"
    folder.mkdir()
    write_study(folder)
    for path in folder.glob("*.csv"):
        text = path.read_text("utf8")
        text = re.sub(r"\bAda\b", "Zebulona", re.sub(r"\bBo\b", "Q", text))
        path.write_text(text, "utf8")
    pieces = pd.read_csv(folder / "pieces.csv", dtype=str)
    pieces["note"] = "the oven door of Hawthorn Lane sticks"
    pieces.to_csv(folder / "pieces.csv", index=False)
    formulas = pd.read_csv(folder / "formulas.csv", dtype=str)
    formulas["formula"] = "Zebulona's <script>alert(1)</script>"
    formulas.to_csv(folder / "formulas.csv", index=False)
    doughs = pd.read_csv(folder / "doughs.csv", dtype=str)
    doughs.loc[doughs["formula"].notna(), "formula"] = "Zebulona's <script>alert(1)</script>"
    doughs.to_csv(folder / "doughs.csv", index=False)
    own = folder / "notebooks"
    own.mkdir()
    write_notebook(own / "01_scores.ipynb", SHOWN, PLAIN, DRAWN, opening=OPENING)
    return folder


def every_file(path):
    with zipfile.ZipFile(path) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def test_no_name_note_or_path_of_the_machine_is_in_any_byte(study, tmp_path):
    made = share.bundle(study)
    assert made.path == tmp_path / "lath study_bundle.zip"
    files = every_file(made.path)
    assert set(files) == set(made.files)
    secret = (study / SECRET).read_text().strip()
    for name, content in files.items():
        for private in ("Zebulona", "zebulona", "Hawthorn", str(tmp_path), secret):
            assert private.encode() not in content, f"{private} is in {name}"
    assert b"<script>alert" not in files["01_scores.html"]
    assert b"&lt;script&gt;alert" in files["01_scores.html"]
    assert "consent_on" not in files["study/assessors.csv"].decode()
    assert stat.S_IMODE((study / SECRET).stat().st_mode) == 0o600
    said = made.summary()
    assert "note of pieces" in said and "consent_on of assessors" in said
    assert "Too short to be looked for in other text: 'Q'" in said
    coded = pd.read_csv(made_file(files, "study/servings.csv"))["assessor"].unique()
    assert all(re.fullmatch("taster-[0-9a-f]{4}", code) for code in coded)


def made_file(files, name):
    from io import BytesIO

    return BytesIO(files[name])


def test_the_same_study_gives_the_same_bytes_again(study, tmp_path):
    one = share.bundle(study, tmp_path / "one.zip")
    two = share.bundle(study, tmp_path / "two.zip")
    assert one.path.read_bytes() == two.path.read_bytes()
    share.bundle(study, tmp_path / "as a folder")
    for name, content in every_file(one.path).items():
        assert (tmp_path / "as a folder" / name).read_bytes() == content


def test_a_bundle_holds_where_it_is_rerun_and_a_changed_table_is_named(study, tmp_path):
    share.bundle(study, tmp_path / "out")
    found = share.verify(tmp_path / "out")
    assert found.holds, found.summary()
    assert found.summary().startswith("The bundle holds: ")
    kinds = found.columns.set_index(["table", "column"])["kind"]
    assert kinds["Mean of each taster", "mean"] == "estimate"
    assert kinds["The formulas", "ingredient"] == "words"
    path = tmp_path / "out" / "study" / "ratings.csv"
    path.write_text(re.sub(r",7\b", ",6", path.read_text("utf8"), count=1), "utf8")
    found = share.verify(tmp_path / "out")
    assert not found.holds
    assert "study/ratings.csv is changed since the bundle was made" in found.summary()
    assert "'Mean of each taster' comes out differently: " in found.summary()


def test_a_number_changed_in_a_notebook_is_found_and_a_missing_file_is_named(study, tmp_path):
    share.bundle(study, tmp_path / "out")
    path = tmp_path / "out" / "notebooks" / "01_scores.ipynb"
    book = nbformat.read(path, as_version=4)
    (output,) = [
        one for cell in book.cells for one in cell.get("outputs", [])
        if "Mean of each taster" in json.dumps(one.get("data", {}))
    ]  # fmt: skip
    frame = next(value for kind, value in output["data"].items() if kind.endswith("frame+json"))
    frame["columns"]["mean"][0] *= 1 + 3e-6
    nbformat.write(book, path)
    (tmp_path / "out" / "study" / "ovens.csv").unlink(missing_ok=True)
    (tmp_path / "out" / "index.html").unlink()
    found = share.verify(tmp_path / "out")
    off = found.columns[~found.columns["agrees"]]
    assert off[["table", "column"]].values.tolist() == [["Mean of each taster", "mean"]]
    assert "index.html is missing." in found.summary()


@pytest.mark.parametrize(
    ("old", "new", "kind", "agrees"),
    [
        ([1.0, 1000.0], [1.0, 1000.0 + 1e-7], "arithmetic", True),
        ([1.0, 1000.0], [1.0, 1000.0 + 1e-5], "arithmetic", False),
        ([1.0, 1000.0], [1.0, 1000.0 + 1e-4], "estimate", True),
        ([1.0, 1000.0], [1.0, 1000.0 + 1e-2], "simulated", True),
        ([1.0, 1000.0], [1.0, 1000.0 + 1.0], "simulated", False),
        ([1.0, None], [1.0, 2.0], "estimate", False),
        ([1.0], [1.0, 2.0], "estimate", False),
        (["a"], ["b"], "arithmetic", False),
        ([True], [True], "arithmetic", True),
        ([], [], "arithmetic", True),
    ],
)
def test_columns_agree_within_what_is_stated(old, new, kind, agrees):
    assert difference(old, new, kind)[-1] is agrees


def test_a_name_typed_into_a_notebook_is_refused_and_nothing_is_written(study, tmp_path):
    write_notebook(study / "notebooks" / "02_more.ipynb", "# ask Zebulona why", opening=OPENING)
    with pytest.raises(StudyProblems, match=r"02_more\.html: found 'Zebulona'"):
        share.bundle(study, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


def test_a_notebook_that_needs_a_missing_table_is_left_out_and_named(study, tmp_path):
    write_notebook(study / "notebooks" / "02_more.ipynb", 'study["weighed"]', opening=OPENING)
    (study / "weighed.csv").unlink(missing_ok=True)
    made = share.bundle(study, tmp_path / "out")
    assert "Not run: 02_more.ipynb, cell 3: MissingTable" in made.summary()
    assert not (tmp_path / "out" / "02_more.html").exists()
    assert "02_more.ipynb" in (tmp_path / "out" / "README.md").read_text("utf8")


def test_what_is_there_is_never_overwritten(study, tmp_path):
    (tmp_path / "out.zip").write_text("mine")
    with pytest.raises(StudyProblems, match=r"out\.zip: found something of that name"):
        share.bundle(study, tmp_path / "out.zip")
    with pytest.raises(StudyProblems, match="no folder to put it in"):
        share.bundle(study, tmp_path / "nowhere" / "out.zip")
    assert (tmp_path / "out.zip").read_text() == "mine"


@pytest.mark.parametrize(
    ("name", "content", "heard"),
    [
        ("it.txt", b"no bundle", "found a file that is no .zip"),
        ("empty", None, "no manifest.json in it"),
        ("gone", None, "nothing of that name"),
    ],
)
def test_what_is_no_bundle_is_said(tmp_path, name, content, heard):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    elif name == "empty":
        (tmp_path / name).mkdir()
    with pytest.raises(StudyProblems, match=heard):
        share.verify(tmp_path / name)


def test_a_zip_that_points_outside_is_not_unpacked(tmp_path):
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as packed:
        packed.writestr("manifest.json", "{}")
        packed.writestr("../evil.csv", "x")
    with pytest.raises(StudyProblems, match=r"a file named '\.\./evil\.csv'"):
        share.verify(tmp_path / "bad.zip")


def test_codes_are_the_same_for_a_secret_and_others_for_another(study):
    names = [f"person {number}" for number in range(3000)]
    codes = code_names(names, b"a" * 64)
    assert codes == code_names(list(reversed(names)), b"a" * 64)
    assert len(set(codes.values())) == len(names)
    assert codes != code_names(names, b"b" * 64)
    tables = dict(open_study(study))
    coded = code_study(tables, b"a" * 64)
    for name, frame in tables.items():
        assert len(coded.tables[name]) == len(frame), "no row is lost"
    before = open_study(study)["servings"]["assessor"]
    told = coded.tables["servings"]["assessor"]
    assert sorted(told) == sorted(before.map(coded.codes))
    assert (before == open_study(study)["servings"]["assessor"]).all(), "the input is as it was"


def test_neither_order_nor_number_of_a_serving_tells_who_is_who(study):
    tables = dict(open_study(study))
    secrets = [mark * 64 for mark in (b"a", b"b", b"c", b"d", b"e", b"f")]
    orders = set()
    for secret in secrets:
        coded = code_study(tables, secret)
        order = coded.tables["servings"]["assessor"].tolist()
        assert order == sorted(order)
        assert coded.tables["servings"]["serving"].tolist() == ["S0001", "S0002", "S0003", "S0004"]
        orders.add(order[0] == coded.codes["Zebulona"])
        told, known = (
            one["servings"].merge(one["ratings"], on="serving") for one in (coded.tables, tables)
        )
        key = ["tasting", "assessor", "piece", "attribute", "score"]
        known["assessor"] = known["assessor"].map(coded.codes)
        known, told = (one[key].sort_values(key[:4], ignore_index=True) for one in (known, told))
        pd.testing.assert_frame_equal(told, known)
    assert orders == {True, False}, "whoever comes first by name comes first by code now and then"


def test_a_damaged_secret_is_said(study):
    (study / SECRET).write_text("short")
    with pytest.raises(StudyProblems, match="tasters get new codes"):
        share.bundle(study)


def test_words_inside_a_picture_are_found():
    import io

    import matplotlib.pyplot as plt

    data = io.BytesIO()
    plt.figure().savefig(data, format="png", metadata={"Author": "Zebulona"})
    plt.close("all")
    assert b"Zebulona" in words_of_picture(data.getvalue())
    assert words_of_picture(np.random.default_rng(1).bytes(50)) == b""


def test_the_words_bundle_and_verify_hand_on_and_check(study, tmp_path, capsys):
    assert commands.read(["bundle", str(study), str(tmp_path / "out.zip")]).run() == 0
    said = capsys.readouterr().out
    assert "notebook 1 of 1" in said and "ready to be handed on" in said
    assert commands.read(["verify", str(tmp_path / "out.zip")]).run() == 0
    assert "The bundle holds" in capsys.readouterr().out
    assert commands.read(["bundle", str(study), str(tmp_path / "out.zip")]).run() == 1
    assert "found something of that name" in capsys.readouterr().err
    assert commands.read(["bundle", str(tmp_path / "none")]).run() == 1
    assert "no study folder" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["Will", "MARK", "May"])
def test_a_name_that_is_a_word_of_the_pages_is_coded_and_said_and_stops_nothing(
    study, tmp_path, name
):
    for path in study.glob("*.csv"):
        path.write_text(re.sub(r"\bZebulona\b(?!')", name, path.read_text("utf8")), "utf8")
    words = 'dk.tables.note("The mark may fade, the crust will break.")'
    write_notebook(study / "notebooks" / "02_more.ipynb", words, opening=OPENING)
    made = share.bundle(study, tmp_path / "out")
    assert f"not looked for in other text: '{name}'" in made.summary()
    assert name not in (tmp_path / "out" / "study" / "servings.csv").read_text("utf8")
    assert name not in (tmp_path / "out" / "study" / "assessors.csv").read_text("utf8")


def test_a_name_in_our_docstrings_alone_is_no_word_of_the_pages():
    assert not is_common("Ann") and not is_common("Zebulona") and not is_common("Bo")
    assert is_common("Will") and is_common("crust") and is_short("Bo") and is_short("007")


def test_a_name_is_found_whatever_its_letters_fold_to(study):
    tables = dict(open_study(study))
    swap = {"Zebulona": "İpek", "Q": "Ipek"}
    tables = {
        name: frame.assign(assessor=frame["assessor"].map(swap)) if "assessor" in frame else frame
        for name, frame in tables.items()
    }
    tables["doughs"] = tables["doughs"].assign(failed_why="İpek and IPEK dropped it")
    coded = code_study(tables, b"a" * 64)
    (said,) = coded.tables["doughs"]["failed_why"].unique()
    assert re.fullmatch(r"taster-\w+ and taster-\w+ dropped it", said)
