"""The house rules that a machine can watch: imports run downhill, docstrings are data sheets."""

import ast
import inspect
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

import doughkit

PACKAGE = Path(doughkit.__file__).parent
STAGE = {room: place for place, room in enumerate(doughkit.ROOMS)}
OUTSIDE_THE_ROOMS = {
    "__init__",
    "__main__",
    "door",
    "environment",
    "watch",
    "commands",
    "selftest",
    "spoken",
    "study_words",
}


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


PUBLIC = {
    f"{room}.{name}": getattr(getattr(doughkit, room), name)
    for room in doughkit.ROOMS
    for name in getattr(doughkit, room).__all__
}
FUNCTIONS = {name: one for name, one in PUBLIC.items() if inspect.isfunction(one)}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_docstring_is_a_data_sheet(name):
    function = FUNCTIONS[name]
    text = inspect.getdoc(function) or ""
    for parameter in inspect.signature(function).parameters:
        assert re.search(rf"\b{parameter}\b", text), f"'{parameter}' is not described"
    for part in ("Question:", "Returns", "Raises", "Source", ">>>"):
        assert part in text, f"no '{part}'"


def text_that_leads_somewhere():
    """Everything a reader starts from: notebooks, README and the commands."""
    root = PACKAGE.parent
    for path in sorted((root / "notebooks").glob("*.ipynb")):
        for cell in json.loads(path.read_text("utf8"))["cells"]:
            yield "".join(cell["source"])
    for path in (root / "README.md", *(PACKAGE / f"{name}.py" for name in OUTSIDE_THE_ROOMS)):
        yield path.read_text("utf8")


LEADS = "\n".join(text_that_leads_somewhere())


def used_by_another_room(room, name):
    return any(
        name in {alias.name for alias in node.names}
        for path in ROOM_FILES
        if room_of(path) != room
        for node in ast.walk(ast.parse(path.read_text("utf8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(f"doughkit.{room}")
    )


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_notebook_a_command_or_another_room_leads_to_each_public_function(name):
    room, short = name.split(".")
    assert re.search(rf"\b{room}\.{short}\b", LEADS) or used_by_another_room(room, short)


def test_files_stay_readable():
    lines = {path.name: len(path.read_text("utf8").splitlines()) for path in PACKAGE.rglob("*.py")}
    # the register is one long list; paper is every kind of HTML there is
    long = {name for name, count in lines.items() if count > 300}
    assert long <= {"register.py", "paper.py"}
    assert max(lines.values()) < 500


def test_importing_the_house_loads_nothing_heavy():
    code = "import doughkit, sys; print([m for m in ('pandas', 'numpy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


README = (PACKAGE.parent / "README.md").read_text("utf8")


def test_the_readme_begins_with_the_job_and_its_pictures_and_calls_exist():
    assert README.splitlines()[2].startswith("Someone who develops a flat, crisp bread")
    for picture in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README):
        assert (PACKAGE.parent / picture).is_file(), picture
    for call in re.findall(r"`dk\.(\w+\.\w+)", README):
        room, name = call.split(".")
        assert name in getattr(doughkit, room).__all__, call


def test_the_readmes_python_runs(monkeypatch, capsys):
    monkeypatch.chdir(PACKAGE.parent)
    (block,) = re.findall(r"```python\n(.*?)```", README, re.S)
    exec(compile(block, "README.md", "exec"), {})
    assert "hydration" in capsys.readouterr().out
