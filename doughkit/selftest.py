"""The command `test`: the quick tests, the full counts with their figures on file, the checks."""

from __future__ import annotations

import datetime
import importlib.metadata
import os
import platform
import shutil
import sys
import textwrap
from pathlib import Path

import doughkit

RESULTS = Path("tests", "results", "long.txt")
"""Where the full counts leave their figures, in the clone."""

REPORTED = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "jupyterlab")


def run(root: Path, *, long: bool) -> int:
    """Run the tests of the clone at `root`: 0 if all passed, else 1."""
    import pytest

    os.chdir(root)
    record = Record()
    code = pytest.main([] if long else ["-m", "not long and not browser"], plugins=[record])
    if long:
        path = root / RESULTS
        path.parent.mkdir(exist_ok=True)
        path.write_text(record.text(), "utf8")
        print(f"Results: {path}", flush=True)
    return 0 if code == 0 else 1


class Record:
    """A pytest plugin that counts outcomes and keeps what the long tests print."""

    def __init__(self):
        self.counts = dict.fromkeys(("passed", "failed", "skipped", "xfailed"), 0)
        self.figures: list[tuple[str, str]] = []

    def pytest_collectreport(self, report) -> None:
        self.counts["failed"] += report.failed

    def pytest_runtest_logreport(self, report) -> None:
        if report.when != "call" and not report.failed and not report.skipped:
            return
        expected = report.skipped and hasattr(report, "wasxfail")
        self.counts["xfailed" if expected else report.outcome] += 1
        if report.when == "call" and "long" in report.keywords and report.capstdout.strip():
            self.figures.append((report.nodeid, report.capstdout.strip()))

    def text(self) -> str:
        """Date, machine and versions, the counts, and each long test's own words."""
        versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in REPORTED)
        machine = f"{platform.system()} {platform.machine()}, {os.cpu_count()} processors"
        counts = ", ".join(f"{count} {name}" for name, count in self.counts.items() if count)
        head = [
            "What 'python3 -m doughkit test --long' gave.",
            f"date: {datetime.datetime.now(datetime.UTC):%Y-%m-%d}",
            f"machine: {machine}, Python {platform.python_version()}",
            f"versions: doughkit {doughkit.__version__}, {versions}",
            f"tests: {counts}",
        ]
        told = [f"\n{test}\n{textwrap.indent(words, '  ')}" for test, words in self.figures]
        return "\n".join([*head, *told]) + "\n"


def checks_listed(root: Path) -> str:
    """Every outside check as a table, a row each, ordered by room."""
    sys.path.insert(0, str(root))
    from tests.outside import all_checks

    heads = ("function", "says", "printed", "kind", "source")
    rows = [
        (
            check.about,
            check.says,
            f"{'not ' if check.wrong else ''}{check.printed}"
            + (f" ± {check.within:.3g}" if check.within else ""),
            check.kind,
            check.source,
        )
        for check in all_checks()
    ]
    table = in_columns([heads, *rows], widths=(26, 44, 22, 18, max(30, screen_width() - 118)))
    return f"{table}\n{len(rows)} checks"


def screen_width() -> int:
    return shutil.get_terminal_size((170, 24)).columns


def in_columns(rows: list[tuple[str, ...]], widths: tuple[int, ...]) -> str:
    """Rows of text under one another, long cells broken within their column."""
    lines = []
    for row in rows:
        cells = [
            textwrap.wrap(cell, width) or [""] for cell, width in zip(row, widths, strict=True)
        ]
        for at in range(max(map(len, cells))):
            parts = [cell[at] if at < len(cell) else "" for cell in cells]
            lines.append(
                "  ".join(
                    f"{part:<{width}}" for part, width in zip(parts, widths, strict=True)
                ).rstrip()
            )
    return "\n".join(lines)
