"""Notebooks are run and become pages: on small notebooks made here."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pytest

from doughkit import commands, share
from doughkit import study as studies
from doughkit.share import NotebookFailed
from doughkit.study.sources import Shipped

OPEN = """
import io, os
from doughkit.tables import figure, shown

class study:
    open_study = staticmethod(os.path.abspath)

study = study.open_study("../data_demo")
"""
SHOW = """
import matplotlib.pyplot as plt
import pandas as pd
_, axes = plt.subplots()
axes.plot([1, 2])
data = io.BytesIO()
plt.savefig(data)
plt.close()
figure(data.getvalue(), 'Loss <rises> with "time"')
"""
TABLE = """
print(os.listdir(study))
shown(pd.DataFrame({"loss_pct": [31.5]}), "Bake loss")
"""


def write_notebook(path, *sources, opening=OPEN):
    notebook = nbformat.v4.new_notebook()
    notebook.cells = [nbformat.v4.new_markdown_cell("# Water & fire\n\nSome *words*.")]
    notebook.cells += [nbformat.v4.new_code_cell(one.strip()) for one in (opening, *sources)]
    notebook.cells[1].metadata["tags"] = ["study"]
    for number, cell in enumerate(notebook.cells):
        cell.id = f"cell-{number}"
    nbformat.write(notebook, path)
    return path


ROOT = Path(__file__).parent.parent


def until(happens):
    for _ in range(400):
        if happens():
            return
        time.sleep(0.05)
    raise AssertionError("it did not happen within twenty seconds")


class Reader(HTMLParser):
    """Tags, addresses and alternative texts of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.addresses, self.alts = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        given = dict(attrs)
        self.addresses += [given[name] for name in ("src", "href") if name in given]
        if tag == "img":
            self.alts.append(given.get("alt"))


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "a study"
    folder.mkdir()
    (folder / "formulas.csv").write_text("formula\n")
    return folder


def test_the_first_page_says_what_each_notebook_came_to(study, tmp_path):
    answer = "import doughkit as dk\ndk.tables.note('Bake <7> min.', kind='answer')"
    with_it = write_notebook(tmp_path / "01_water.ipynb", SHOW, answer)
    without = write_notebook(tmp_path / "02_water.ipynb", SHOW)
    pages = share.make_pages(study, notebooks=[with_it, without])
    assert pages.made["answer"].tolist() == ["Bake <7> min.", ""]
    index = pages.index.read_text("utf8")
    assert index.count("<p>Bake &lt;7&gt; min.</p>") == 1


def test_pages_are_whole_ask_for_nothing_and_come_out_the_same_again(study, tmp_path):
    notebook = write_notebook(tmp_path / "01_water.ipynb", SHOW, TABLE)
    titles = []
    pages = share.make_pages(
        study, notebooks=[notebook], out=tmp_path / "out", tell=lambda *said: titles.append(said)
    )
    assert titles == [(1, 1, "Water & fire")]
    assert pages.index == (tmp_path / "out" / "index.html").resolve()
    assert pages.made.to_dict("records") == [
        {
            "page": "01_water.html",
            "title": "Water & fire",
            "notebook": "01_water.ipynb",
            "answer": "",
        }
    ]
    text = (tmp_path / "out" / "01_water.html").read_text("utf8")
    assert '<html lang="en">' in text and "<title>Water &amp; fire</title>" in text
    assert "size: A4" in text and "default-src 'none'" in text
    page = Reader(text)
    assert page.tags.count("h1") == 1 and "script" not in page.tags
    assert page.alts == ['Loss <rises> with "time"']
    styled = re.findall(r"""url\(["']?([^"')]+)""", text)
    for address in [*page.addresses, *styled]:
        assert address.startswith("data:") or address == "index.html"
    assert "@import" not in text
    assert "formulas.csv" in text and "31.5" in text
    assert re.search('("|&quot;)a study', text) and "../data_demo" not in text
    assert str(tmp_path) not in text
    index = pages.index.read_text("utf8")
    assert '<a href="01_water.html">Water &amp; fire</a>' in index
    share.make_pages(study, notebooks=[notebook])
    assert (study / "pages" / "01_water.html").read_text("utf8") == text


@pytest.mark.parametrize(
    ("source", "heard"),
    [
        ("1 / 0", r"bad.ipynb, cell 3: ZeroDivisionError: division by zero"),
        ("import warnings\nwarnings.warn('hot')", r"cell 3 wrote on stderr: (.|\n)*hot"),
        ("%matplotlib inline\nplt = __import__('pylab')\nplt.plot([1, 2]);", "without words"),
        ("import os\nos._exit(1)", "did not come to its end"),
    ],
)
def test_a_notebook_with_a_blemish_makes_no_page(study, tmp_path, source, heard):
    notebook = write_notebook(tmp_path / "bad.ipynb", source)
    with pytest.raises(NotebookFailed, match=heard):
        share.make_pages(study, notebooks=[notebook])
    assert not (study / "pages").exists()


@pytest.mark.skipif(os.name == "nt", reason="signals as on POSIX")
def test_ctrl_c_ends_the_notebook_too(study, tmp_path):
    source = "import time\nopen(study + '/pid', 'w').write(str(os.getpid()))\ntime.sleep(60)"
    notebook = write_notebook(tmp_path / "long.ipynb", source)
    program = f"from doughkit import share; share.run_notebook({str(notebook)!r}, {str(study)!r})"
    running = subprocess.Popen([sys.executable, "-c", program], cwd=ROOT, stderr=subprocess.PIPE)
    until(lambda: (study / "pid").exists() and (study / "pid").read_text())
    running.send_signal(signal.SIGINT)
    _, told = running.communicate(timeout=30)
    assert told.decode().rstrip().endswith("KeyboardInterrupt")
    until(lambda: not Path("/proc", (study / "pid").read_text()).exists())


@pytest.mark.parametrize("opening", ["study = 1", OPEN + OPEN])
def test_a_notebook_names_its_study_in_one_place(study, tmp_path, opening):
    notebook = write_notebook(tmp_path / "vague.ipynb", opening=opening)
    with pytest.raises(NotebookFailed, match="one cell tagged 'study'"):
        share.run_notebook(notebook, study)


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(FileNotFoundError, match="no study folder"):
        share.make_pages(tmp_path / "nowhere")
    with pytest.raises(FileNotFoundError, match="no notebooks"):
        share.make_pages(tmp_path, notebooks=[])


def test_a_stripped_notebook_keeps_its_words_and_tags_and_is_stripped_once(tmp_path):
    path = write_notebook(tmp_path / "one.ipynb", "1 + 1")
    notebook = json.loads(path.read_text("utf8"))
    notebook["cells"][1]["metadata"]["execution"] = {"iopub.execute_input": "now"}
    notebook["cells"][2] |= {
        "execution_count": 3,
        "outputs": [{"output_type": "stream", "name": "stdout", "text": ["2"]}],
    }
    path.write_text(json.dumps(notebook), "utf8")
    assert share.strip(path)
    assert not share.strip(path)
    stripped = nbformat.read(path, as_version=4)
    nbformat.validate(stripped)
    assert [cell.source for cell in stripped.cells] == [
        "".join(cell["source"]) for cell in notebook["cells"]
    ]
    assert stripped.cells[1].metadata == {"tags": ["study"]}
    assert stripped.cells[2].outputs == [] and stripped.cells[2].execution_count is None
    assert stripped.metadata.kernelspec.name == "python3"
    assert path.read_text("utf8") == nbformat.writes(stripped) + "\n"


# --- the commands that use it ---------------------------------------------------------------------


@pytest.fixture
def shipped(study, tmp_path, monkeypatch):
    """A clone's notebooks and demo study, small, and where commands write."""
    folders = Shipped(tmp_path / "notebooks", study.rename(tmp_path / "data_demo"))
    folders.notebooks.mkdir()
    write_notebook(folders.notebooks / "01_water.ipynb", "print(os.listdir(study))")
    monkeypatch.setattr("doughkit.study.shipped", lambda: folders)
    monkeypatch.setattr(commands, "work_folder", lambda: tmp_path / "work")
    return folders


def test_the_demo_works_on_a_fresh_copy_and_ends_with_the_advice_and_the_pages_place(
    shipped, tmp_path, monkeypatch, capsys
):
    monkeypatch.setattr(commands, "advice_in_words", lambda folder: "Bake this.")
    (tmp_path / "work" / "demo").mkdir(parents=True)
    (tmp_path / "work" / "demo" / "old.txt").write_text("")
    assert commands.demo(frozenset()) == 0
    told = capsys.readouterr().out
    assert told.splitlines()[1].endswith("notebook 1 of 1: Water & fire")
    index = tmp_path / "work" / "demo" / "pages" / "index.html"
    assert told.rstrip().endswith(str(index)) and index.exists()
    assert "\nBake this.\n" in told
    assert not (tmp_path / "work" / "demo" / "old.txt").exists()
    assert [path.name for path in shipped.data_demo.iterdir()] == ["formulas.csv"]


def test_the_advice_names_levels_formula_promise_and_next_doughs():
    told = commands.advice_in_words(studies.shipped().data_demo)
    for heading in (
        "Recommended, with where the best lies",
        "Its formula, in percent of all flour",
        "What it promises",
        "The next doughs",
    ):
        assert heading in told
    assert max(map(len, told.splitlines())) <= 100


def test_a_demo_that_fails_says_where(shipped, capsys):
    write_notebook(shipped.notebooks / "01_water.ipynb", "1 / 0")
    assert commands.demo(frozenset()) == 1
    assert "01_water.ipynb, cell 3: ZeroDivisionError" in capsys.readouterr().err


def test_the_lab_opens_a_copy_and_never_writes_over_it(shipped, tmp_path, monkeypatch, capsys):
    started = []
    monkeypatch.setattr(commands.os, "execve", lambda _, words, env: started.append((words, env)))
    monkeypatch.setattr(
        commands.subprocess, "call", lambda words, env: started.append((words, env))
    )
    commands.lab(frozenset())
    copy = tmp_path / "work" / "lab" / "data_demo" / "formulas.csv"
    copy.write_text("mine\n")
    commands.lab(frozenset())
    assert copy.read_text() == "mine\n"
    assert "kept as you left it" in capsys.readouterr().out
    words, surroundings = started[0]
    assert words[1:3] == ["-m", "jupyterlab"] and str(tmp_path / "work" / "lab") in words
    assert "--ServerApp.ip=127.0.0.1" in words
    # in an environment that somebody else made a notebook finds this doughkit all the same
    found = subprocess.run(
        [sys.executable, "-c", "import doughkit; print(doughkit.__file__)"],
        cwd=tmp_path, env=surroundings, capture_output=True, text=True, check=True,
    ).stdout.strip()  # fmt: skip
    assert found == commands.doughkit.__file__
    settings = Path(surroundings["JUPYTER_CONFIG_PATH"].split(os.pathsep)[0], "labconfig")
    asked = json.loads((settings / "default_setting_overrides.json").read_text("utf8"))
    notices = asked["@jupyterlab/apputils-extension:notification"]
    assert notices == {"fetchNews": "false", "checkForUpdates": False}
    assert not any("token" in word for word in words)


def test_clean_names_the_notebooks_it_changed(shipped, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(commands, "clone_root", lambda: tmp_path)
    assert commands.clean(frozenset()) == 0
    assert capsys.readouterr().out.startswith("notebooks/01_water.ipynb: outputs taken out")
    assert commands.clean(frozenset()) == 0
    assert capsys.readouterr().out == "0 notebooks changed\n"
