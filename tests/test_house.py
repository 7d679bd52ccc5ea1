"""The house rules that a machine can watch: imports run downhill, docstrings are data sheets."""

import ast
from pathlib import Path

import pytest

import doughkit

PACKAGE = Path(doughkit.__file__).parent
STAGE = {room: place for place, room in enumerate(doughkit.ROOMS)}
OUTSIDE_THE_ROOMS = {"__init__", "__main__", "door", "environment", "watch", "commands", "selftest"}


def room_of(path):
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def rooms_imported(path):
    for node in ast.walk(ast.parse(path.read_text("utf8"))):
        names = []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: import by full name, not relatively"
            module = node.module or ""
            names = (
                [f"{module}.{alias.name}" for alias in node.names]
                if (module == "doughkit")
                else [module]
            )
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "doughkit" and len(parts) > 1 and parts[1] in STAGE:
                yield parts[1]


ROOM_FILES = [
    path for path in sorted(PACKAGE.rglob("*.py")) if room_of(path) not in OUTSIDE_THE_ROOMS
]


@pytest.mark.parametrize("path", ROOM_FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_from_rooms_before_it(path):
    own = room_of(path)
    later = [other for other in rooms_imported(path) if STAGE[other] > STAGE[own]]
    assert not later, f"{path.name} reaches up into {later}"


def test_formulas_never_imports_baking_and_charts_compute_nothing():
    for path in ROOM_FILES:
        if room_of(path) == "formulas":
            assert "baking" not in set(rooms_imported(path))
        if room_of(path) == "charts":
            assert set(rooms_imported(path)) <= {"tables", "charts"}
