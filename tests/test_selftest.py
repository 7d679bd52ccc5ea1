"""The command `test`: what it runs, what the long run leaves on file, how checks are listed."""

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from doughkit import commands, selftest

TESTS = """
import pytest

def test_quick():
    print("not kept")

@pytest.mark.long
def test_counts():
    print("covered: 0.91")

@pytest.mark.browser
def test_drawn():
    pass

@pytest.mark.skip
def test_later():
    pass
"""


def run(clone, *, long):
    """In a process of its own, for one pytest within another shares its modules."""
    program = f"from doughkit import selftest as s; exit(s.run(s.Path('.'), long={long}))"
    root = str(Path(__file__).parent.parent)
    return subprocess.run(
        [sys.executable, "-c", program],
        cwd=clone,
        env=os.environ | {"PYTHONPATH": root},
        capture_output=True,
        text=True,
    )


@pytest.fixture
def clone(tmp_path):
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "test_small.py").write_text(TESTS)
    (tmp_path / "pyproject.toml").write_text(
        '[tool.pytest.ini_options]\ntestpaths = ["tests"]\nmarkers = ["long: a", "browser: b"]\n'
    )
    return tmp_path


def test_the_quick_run_leaves_full_counts_and_browser_out_and_writes_nothing(clone):
    quick = run(clone, long=False)
    assert quick.returncode == 0
    assert "1 passed, 1 skipped, 2 deselected" in quick.stdout
    assert not (clone / selftest.RESULTS).exists()


def test_the_long_run_keeps_what_its_tests_print(clone):
    assert run(clone, long=True).returncode == 0
    text = (clone / selftest.RESULTS).read_text("utf8")
    assert "tests: 3 passed, 1 skipped\n" in text
    assert "tests/test_small.py::test_counts\n  covered: 0.91\n" in text
    assert "not kept" not in text
    assert "date: 2" in text and "machine: " in text and "numpy " in text


def test_a_failing_test_makes_the_command_fail(clone):
    (clone / "tests" / "test_small.py").write_text("def test_wrong():\n    assert False\n")
    assert run(clone, long=False).returncode == 1
    (clone / "tests" / "test_small.py").write_text("def test_broken(:")
    assert run(clone, long=True).returncode == 1
    assert "tests: 1 failed\n" in (clone / selftest.RESULTS).read_text("utf8")


def test_all_checks_are_listed_with_source_kind_and_printed_value(capsys):
    assert commands.run_tests(frozenset(["--checks"])) == 0
    told = capsys.readouterr().out
    assert told.startswith("function") and "NIST" in told and "handbook" in told
    assert int(told.splitlines()[-1].removesuffix(" checks")) > 50


def test_long_cells_are_broken_within_their_column():
    told = selftest.in_columns([("one two", "a"), ("b", "c")], widths=(4, 2))
    assert told == textwrap.dedent("""\
        one   a
        two
        b     c""")
