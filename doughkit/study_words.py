"""What the words after `doughkit` do with a study of one's own, from `begin` to `verify`."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable
from functools import wraps
from pathlib import Path

from doughkit import share, study
from doughkit.study.waiting import today_page
from doughkit.tables.keeping import write_whole
from doughkit.tables.problems import StudyProblems, so_many
from doughkit.tables.reading import read_folder
from doughkit.tables.workbook import is_workbook

PAGE = "today.html"


def telling(do: Callable[..., int]) -> Callable[..., int]:
    """Problems of a study are told in full, without a traceback."""

    @wraps(do)
    def done(*words) -> int:
        try:
            return do(*words)
        except (StudyProblems, share.NotebookFailed, FileNotFoundError) as problems:
            print(f"doughkit: {problems}", file=sys.stderr)
            return 1

    return done


@telling
def begin(options: frozenset[str], folder: str, *tables: str) -> int:
    """Make a study's folder, or begin further tables in it."""
    made = study.begin_study(folder, tables or None, workbook="--workbook" in options)
    for one in made.itertuples():
        print(f"  {'made' if one.made else 'left as it is'}: {one.file} ({one.holds})")
    print(f"{Path(folder)}: fill the tables; `check` and `today` say how far you are.")
    return 0


@telling
def check(options: frozenset[str], path: str) -> int:
    """Tell every problem of a study with its place, and how much is there."""
    reading = read_folder(path)
    for name, frame in reading.tables.items():
        print(f"  {name:<12} {len(frame):>6} row{'s' if len(frame) != 1 else ''}")
    problems = reading.problems
    for problem in problems:
        print(problem)
    count = len(problems)
    print(f"{so_many(count, 'problem')}." if count else "No problem found.")
    return 1 if problems else 0


@telling
def convert(options: frozenset[str], path: str) -> int:
    """Turn CSV files into one workbook, or the workbook into CSV files."""
    opened = study.convert_study(path)
    count = len(opened) + len(opened.begun)
    print(f"{', '.join(opened.sha256)}: {count} tables; the old files are in 'previous'.")
    return 0


@telling
def today(options: frozenset[str], path: str) -> int:
    """Write the page of the day; print where it is and its gist."""
    opened = study.open_study(path)
    found = study.today(opened)
    folder = opened.path.parent if is_workbook(opened.path) else opened.path
    write_whole(folder / PAGE, today_page(found, folder.resolve().name).encode())
    print(textwrap.fill(found.summary(), 95))
    for caption in found.sheets:
        print(f"  sheet: {caption}")
    print(f"The page, for any browser and any printer:\n  {folder / PAGE}")
    return 0


@telling
def bundle(options: frozenset[str], path: str, out: str | None = None) -> int:
    """Hand a study on: data, notebooks run, pages, nobody's name."""
    made = share.bundle(path, out, tell=running)
    print("\n".join(["", *made.said, f"{len(made.files)} files, ready to be handed on:"]))
    print(f"  {made.path}")
    return 0


@telling
def verify(options: frozenset[str], path: str) -> int:
    """Run a bundle anew, and say whether its tables come out the same."""
    found = share.verify(path, tell=running)
    print("\n" + textwrap.fill(found.summary(), 95))
    return 0 if found.holds else 1


def running(number: int, count: int, title: str) -> None:
    print(f"  notebook {number} of {count}: {title}", flush=True)
