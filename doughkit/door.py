"""The door: from a bare clone to a working doughkit, with nothing but Python on the machine.

In a clone the door makes one environment of its own, `.doughkit/` in the clone, from the hashed
lock, and runs the command inside it. It touches no other environment: in an installed copy, in
conda or in an active virtual environment the command runs with what is there, or hears what is
missing. Standard library only: this file runs before anything is installed.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

from doughkit import commands
from doughkit.environment import NEEDED, NEEDED_BY_TEST, Own, become, same_folder, set_up
from doughkit.watch import Closed


def enter(words: list[str]) -> int:
    """Do what the words after `doughkit` ask for; the answer is the exit code."""
    try:
        order = commands.read(words)
        if order.needs_nothing:
            return order.run()
        own = own_of_checkout()
        other = other_environment(own)
        if own is None or other:
            missing = not_importable(order.name)
            if missing:
                raise Closed(why_not_here(missing, own, other))
            return order.run()
        if own.runs_this():
            # called by the environment's own Python: whether it still fits, the outer one sees to
            if own.is_ready():
                return order.run()
            return become(sys._base_executable, words, outside(own))
        if not own.is_ready():
            set_up(own)
        return become(own.python, words, own.surroundings())
    except commands.Refused as refused:
        print(f"doughkit: {refused}", file=sys.stderr)
        return 2
    except Closed as closed:
        print(f"doughkit: {closed}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\ndoughkit: stopped. The same command begins again.", file=sys.stderr)
        return 1


def own_of_checkout() -> Own | None:
    """The environment that belongs to this file's clone; None where this is no clone."""
    root = Path(__file__).resolve().parent.parent
    marks = ("pyproject.toml", "requirements.lock", ".git")
    return Own(root) if all((root / mark).exists() for mark in marks) else None


def other_environment(own: Own | None) -> str:
    """The folder of the environment in use if somebody else made it, else an empty text."""
    if own is not None and own.runs_this():
        return ""
    if sys.prefix != sys.base_prefix or Path(sys.prefix, "conda-meta").is_dir():
        return sys.prefix
    active = os.environ.get("VIRTUAL_ENV", "")
    if active and not (own is not None and same_folder(active, own.folder)):
        return active
    return os.environ.get("CONDA_PREFIX", "")


def outside(own: Own) -> dict[str, str]:
    """Variables for the Python from which the own environment was made."""
    left = {name: value for name, value in os.environ.items() if name != "VIRTUAL_ENV"}
    return left | {"PYTHONPATH": str(own.root)}


def not_importable(command: str) -> list[str]:
    needed = NEEDED + (NEEDED_BY_TEST if command == "test" else ())
    return [name for name in needed if importlib.util.find_spec(name) is None]


def why_not_here(missing: list[str], own: Own | None, other: str) -> str:
    lacks = f"this Python ({sys.executable}) lacks {', '.join(missing)}"
    if own is None:
        return (
            f"{lacks}, and this is no git clone, in which doughkit would make an environment of "
            f"its own: install them with {sys.executable} -m pip install {' '.join(missing)}"
        )
    return (
        f"{lacks}. The environment {other} is in use and not of doughkit's making, so it is left "
        "as it is: leave it (deactivate, or conda deactivate) and call the same command again, "
        "or install into it yourself: pip install -e '.[lab,test]'"
    )
