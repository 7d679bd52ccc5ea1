"""What the words after `doughkit` do.

Standard library only at the top: words are read, and first lines printed, before anything heavy
is imported.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import doughkit
from doughkit import share
from doughkit.spoken import Command, Order, Refused, near

if TYPE_CHECKING:
    import pandas as pd

SEED = 1
"""The demo's seed: the same pages each time."""


def read(words: list[str]) -> Order:
    """Understand the words, or raise Refused with the nearest known word."""
    word, *rest = words or ["demo"]
    if word in ("-h", "--help"):
        word = "help"
    if word not in COMMANDS:
        raise Refused(f"there is no '{word}'; {near(word, COMMANDS)}")
    command = COMMANDS[word]
    command.refuse(rest)
    options = frozenset(word for word in rest if word.startswith("-"))
    return Order(command, options, tuple(word for word in rest if word not in options))


def clone_root() -> Path | None:
    """The folder of the checkout; None where doughkit was installed as a package."""
    root = Path(__file__).resolve().parent.parent
    return root if (root / "pyproject.toml").exists() else None


def work_folder() -> Path:
    """Where commands write: git-ignored in a clone, else in the folder where one stands."""
    root = clone_root()
    return root / "work" if root else Path.cwd() / "doughkit-work"


def say(text: str = "") -> None:
    print(text, flush=True)


# --- demo ----------------------------------------------------------------------------------------


def demo(options: frozenset[str]) -> int:
    """Run the demo study through all notebooks, write pages, print what to bake next."""
    place = work_folder() / "demo"
    say(f"doughkit {doughkit.__version__}: the demo study, in {place} (written afresh each time)")
    from doughkit.tables.problems import StudyProblems

    if place.exists():
        shutil.rmtree(place)
    study, notebooks = lay_copy(place)
    tell = Steps()
    try:
        pages = share.make_pages(study, notebooks=notebooks, out=place / "pages", tell=tell)
        tell.line("weighing up what to bake next")
        words = advice_in_words(study)
    except (StudyProblems, share.NotebookFailed) as failed:
        print(f"doughkit: {failed}", file=sys.stderr)
        return 1
    say(f"\n{words}\n\nThe pages, for any browser and any printer:\n  {pages.index}")
    return 0


class Steps:
    """Says which step is begun, and after how long."""

    def __init__(self):
        self.began = time.monotonic()

    def __call__(self, number: int, count: int, title: str) -> None:
        self.line(f"notebook {number} of {count}: {title}")

    def line(self, doing: str) -> None:
        say(f"  {time.monotonic() - self.began:3.0f} s  {doing}")


def advice_in_words(folder: Path) -> str:
    """The recommended levels and formula, how sure they are, and the next doughs."""
    from doughkit import advice, formulas, study
    from doughkit.tables import shown

    opened = study.open_study(folder)
    advised = advice.recommend(opened, seed=SEED)
    following = advised.next_round
    sure_of_it = advice.confirming_round(opened, seed=SEED)
    fresh = following.doughs[following.doughs["role"] == "recommended"].head(1)
    mixed = formulas.vary(opened["formulas"], fresh, opened.get("ingredients"))
    sure = ["factor", "recommended", "ci_low", "ci_high", "baked_low", "baked_high"]
    hoped = ["attribute", "mean", "ci_low", "ci_high", "low", "aim", "high", "scope"]
    lines = mixed[["part", "ingredient", "percent"]].replace({"part": {"": None}})
    tables = (
        shown(advised.levels[sure], "Recommended, with where the best lies in 9 of 10 draws"),
        shown(filled(lines), "Its formula, in percent of all flour"),
        shown(advised.expected[hoped], "What it promises, beside what is wanted"),
        shown(filled(following.doughs), "The next doughs to bake"),
        shown(filled(following.pieces), "and their pieces"),
        shown(filled(sure_of_it.doughs), "Or, to be sure: two of it, two of the best so far"),
    )
    return "\n\n".join([textwrap.fill(advised.summary(), 95), *map(str, tables)])


def filled(frame: pd.DataFrame) -> pd.DataFrame:
    """The columns in which anything stands."""
    return frame.dropna(axis="columns", how="all")


def lay_copy(place: Path) -> tuple[Path, list[Path]]:
    """Copy the shipped study and notebooks side by side, as they lie in the clone."""
    from doughkit.study import shipped

    ignore = shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints", "*.py")
    for folder in shipped():
        shutil.copytree(folder, place / folder.name, ignore=ignore)
    return place / "data_demo", sorted((place / "notebooks").glob("*.ipynb"))


# --- lab -----------------------------------------------------------------------------------------


def lab(options: frozenset[str], folder: str = "") -> int:
    """Open JupyterLab on a begun study, or on a copy of the demo, which is kept if it is there."""
    place = Path(folder).resolve() if folder else work_folder() / "lab"
    if folder and not (place / "notebooks").is_dir():
        raise Refused(f"no notebooks in {folder}; say: python3 -m doughkit begin {folder}")
    if folder:
        say(f"JupyterLab on the study in {place}")
    elif place.exists():
        say(f"JupyterLab on your copy in {place}\n(kept as you left it; delete it for a fresh one)")
    else:
        lay_copy(place)
        say(f"JupyterLab on a fresh copy of the demo study in {place}")
    say("The address follows; Ctrl-C here ends it.")
    command = [sys.executable, "-m", "jupyterlab", "--notebook-dir", str(place)]
    command += ["--ServerApp.ip=127.0.0.1", "--log-level=WARN"]
    for first in sorted(place.glob("notebooks/*.ipynb"))[:1]:
        command.append(f"--LabApp.default_url=/lab/tree/notebooks/{first.name}")
    command += ["--LabApp.extension_manager=readonly"]  # the other kind looks for news of its own
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    surroundings = lab_surroundings()
    if os.name == "nt":
        return 1 if subprocess.call(command, env=surroundings) else 0
    os.execve(command[0], command, surroundings)


def lab_surroundings() -> dict[str, str]:
    """Variables under which notebooks find this doughkit, and JupyterLab asks about no news.

    So in any environment: only the own one knows the checkout by itself.
    """
    package = Path(doughkit.__file__).resolve().parent
    ahead = {"PYTHONPATH": package.parent, "JUPYTER_CONFIG_PATH": package / "share" / "lab"}
    return dict(os.environ) | {
        name: os.pathsep.join(filter(None, [str(path), os.environ.get(name, "")]))
        for name, path in ahead.items()
    }


# --- clean ---------------------------------------------------------------------------------------


def clean(options: frozenset[str]) -> int:
    """Strip outputs from the notebooks of the clone."""
    root = clone_root()
    if root is None:
        raise Refused("'clean' is for the notebooks of a clone, and this is an installed copy")
    cleaned = [path for path in sorted((root / "notebooks").glob("*.ipynb")) if share.strip(path)]
    for path in cleaned:
        say(f"{path.relative_to(root)}: outputs taken out")
    say(f"{len(cleaned)} notebooks changed")
    return 0


def show_help(options: frozenset[str]) -> int:
    say("python3 -m doughkit [word]\n")
    for command in COMMANDS.values():
        say(f"  {' '.join([command.name, command.takes]).strip():<24} {command.meaning}")
        for option, meaning in command.options.items():
            say(f"    {option:<22} {meaning}")
    say("\nThe result is 0 if all went well, 1 if something failed, 2 if the words were not known.")
    return 0


def run_tests(options: frozenset[str]) -> int:
    from doughkit import selftest

    root = clone_root()
    if root is None:
        raise Refused("'test' needs the tests of a clone, and this is an installed copy")
    if "--checks" in options:
        say(selftest.checks_listed(root))
        return 0
    long = "--long" in options
    say(
        f"doughkit {doughkit.__version__}: {'all tests, with full counts' if long else 'the tests'}"
    )
    return selftest.run(root, long=long)


def in_study(name: str) -> Callable[..., int]:
    """A command on a study of one's own; what it does is imported when it is called."""

    def do(options: frozenset[str], *words: str) -> int:
        from doughkit import study_words

        return getattr(study_words, name)(options, *words)

    return do


COMMANDS = {
    command.name: command
    for command in (
        Command("demo", "the demo study through all notebooks, pages, what to bake next", demo),
        Command(
            "begin",
            "a study of your own, or further tables in it",
            in_study("begin"),
            {"--workbook": "one workbook in place of a CSV file per table"},
            takes="FOLDER [TABLE ...]",
        ),
        Command(
            "check", "every problem of a study, with its place", in_study("check"), takes="FOLDER"
        ),
        Command(
            "today",
            "what a study waits for, and the day's sheets",
            in_study("today"),
            takes="FOLDER",
        ),
        Command("convert", "CSV files to a workbook, or back", in_study("convert"), takes="FOLDER"),
        Command(
            "bundle",
            "a study to hand on: data, notebooks run, pages, no names",
            in_study("bundle"),
            takes="FOLDER [OUT]",
        ),
        Command(
            "verify", "whether a bundle comes out the same here", in_study("verify"), takes="BUNDLE"
        ),
        Command("lab", "JupyterLab, on a copy of the demo study", lab, takes="[FOLDER]"),
        Command(
            "test",
            "the tests",
            run_tests,
            {
                "--long": "full counts too; figures go to tests/results/long.txt",
                "--checks": "only list every comparison with a published figure",
            },
        ),
        Command("clean", "take outputs out of the notebooks", clean, needs_nothing=True),
        Command("help", "these lines", show_help, needs_nothing=True),
    )
}
"""Every word, in the order in which 'help' tells them; no word means the first."""
