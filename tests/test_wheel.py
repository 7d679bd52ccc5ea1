"""The sdist, the wheel built from it, and the wheel at work where there is no checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from tests.small_study import write_study
from tests.test_share import write_notebook

pytestmark = pytest.mark.long

ROOT = Path(__file__).parent.parent
OPENING = """
import doughkit as dk

study = dk.study.open_study("../data_demo")
"""
SHOWN = """
dk.tables.shown(study["ratings"].merge(study["servings"], on="serving"), "Scores")
"""


def run(command: list[str | Path], cwd: Path) -> subprocess.CompletedProcess:
    """In a shell that knows no checkout and no other environment."""
    unwanted = ("PYTHONPATH", "VIRTUAL_ENV", "CONDA_PREFIX")
    kept = {name: value for name, value in os.environ.items() if name not in unwanted}
    return subprocess.run(
        [str(word) for word in command], cwd=cwd, env=kept, capture_output=True, text=True
    )


def python_of(venv: Path) -> Path:
    return venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


@pytest.fixture(scope="module")
def builder(tmp_path_factory):
    """A Python that can build."""
    place = tmp_path_factory.mktemp("builder")
    made = run([sys._base_executable, "-m", "venv", place], place)
    assert made.returncode == 0, made.stdout + made.stderr
    fetched = run([python_of(place), "-m", "pip", "install", "-q", "build", "hatchling"], place)
    if fetched.returncode:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(
            f"the tools to build with can't be fetched: {fetched.stderr[-300:]}"
        )
    return python_of(place)


@pytest.fixture(scope="module")
def wheel(builder, tmp_path_factory):
    """The wheel, built from the sdist as `build` does unless told otherwise."""
    out = tmp_path_factory.mktemp("dist")
    made = run([builder, "-m", "build", "--no-isolation", "--outdir", out, ROOT], out)
    assert made.returncode == 0, made.stdout + made.stderr
    assert len(list(out.glob("*.tar.gz"))) == 1
    (built,) = out.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(builder, wheel, tmp_path_factory):
    """A Python with the wheel, that sees the packages of the lock but no checkout."""
    place = tmp_path_factory.mktemp("installed")
    made = run([sys._base_executable, "-m", "venv", "--without-pip", place], place)
    assert made.returncode == 0, made.stdout + made.stderr
    (place / "share").mkdir(exist_ok=True)
    (place / "share" / "jupyter").symlink_to(Path(sys.prefix, "share", "jupyter"))
    base = {"base": str(place), "platbase": str(place)}
    packages = Path(sysconfig.get_path("purelib", "venv", base))
    # a plain path: what further .pth files in that folder say, a checkout say, is not followed
    (packages / "packages-of-the-lock.pth").write_text(sysconfig.get_path("purelib") + "\n")
    pip = [builder, "-m", "pip", "--python", python_of(place), "install", "-q", "--no-deps"]
    made = run([*pip, wheel], place)
    assert made.returncode == 0, made.stdout + made.stderr
    return python_of(place)


def test_the_wheel_carries_the_notebooks_and_the_demo(wheel):
    with zipfile.ZipFile(wheel) as packed:
        names = set(packed.namelist())
    for folder, kind in (("notebooks", "*.ipynb"), ("data_demo", "*.csv")):
        expected = {f"doughkit/shipped/{folder}/{path.name}" for path in (ROOT / folder).glob(kind)}
        assert expected and expected <= names
    modules = {path.relative_to(ROOT).as_posix() for path in (ROOT / "doughkit").rglob("*.py")}
    assert modules <= names
    assert not [name for name in names if name.startswith("tests") or "__pycache__" in name]


def test_the_installed_wheel_begins_checks_and_hands_on_a_study(installed, tmp_path):
    where = run([installed, "-c", "import doughkit; print(doughkit.__file__)"], tmp_path)
    assert where.returncode == 0, where.stderr
    assert Path(where.stdout.strip()).is_relative_to(installed.parent.parent)

    def say(*words: str) -> str:
        done = run([installed, "-m", "doughkit", *words], tmp_path)
        assert done.returncode == 0, done.stdout + done.stderr
        assert not done.stderr
        return done.stdout

    assert "made: " in say("begin", "my laths")
    begun = {path.name for path in (tmp_path / "my laths").rglob("*.ipynb")}
    assert begun == {path.name for path in (ROOT / "notebooks").glob("*.ipynb")}
    assert "No problem found." in say("check", "my laths")
    study = tmp_path / "lath study"
    (study / "notebooks").mkdir(parents=True)
    write_study(study)
    write_notebook(study / "notebooks" / "01_scores.ipynb", SHOWN, opening=OPENING)
    assert "No problem found." in say("check", "lath study")
    assert "ready to be handed on" in say("bundle", "lath study", "out.zip")
    assert "The bundle holds" in say("verify", "out.zip")
