"""A bundle run anew: are its files as they were made, and do its tables come out the same?"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from doughkit.share.bundling import MANIFEST, NOTEBOOKS, STUDY
from doughkit.share.pages import NotebookFailed, one_by_one, run_notebook
from doughkit.tables.paper import FRAME
from doughkit.tables.problems import problem_error

if TYPE_CHECKING:
    import pandas as pd
    from nbformat import NotebookNode

ALLOWED = {"arithmetic": 1e-9, "estimate": 1e-6, "simulated": 1e-4}
"""How far a number may be off, as a share of the largest of its column.

A simulated step is solved to a thousandth of a kelvin, and whether it takes one turn more or less
hangs on the last digit of a machine's arithmetic.
"""
OF_SIMULATED = {"told_pct", "width_now", "doubt_from"}
"""A table with one of these columns holds what many simulated bakes say."""
OF_ESTIMATES = {"se", "df", "p", "f", "ci_low", "ci_high", "sd", "share_from_assumptions"}
"""A table with one of these columns holds estimates: they end where a search for them ended."""


@dataclass(frozen=True, eq=False)
class Verified:
    """Whether a bundle holds.

    files : file, is_ (what is wrong with it); only those that are not as they were made
    columns : notebook, table, column, kind ("arithmetic", "estimate", "simulated", "words"),
        allowed, off (the largest difference, as a share of the column's largest number), agrees
    failed : notebook, why; notebooks that did not come to their end
    """

    files: pd.DataFrame
    columns: pd.DataFrame
    failed: pd.DataFrame

    @property
    def holds(self) -> bool:
        return not (len(self.files) or len(self.failed)) and bool(self.columns["agrees"].all())

    def summary(self) -> str:
        said = []
        for row in self.files.itertuples():
            said.append(f"{row.file} is {row.is_}.")
        said += [f"{row.notebook} failed: {row.why}." for row in self.failed.itertuples()]
        off = self.columns[~self.columns["agrees"]]
        for (notebook, table), rows in off.groupby(["notebook", "table"], sort=False):
            said.append(
                f"{notebook}, '{table}' comes out differently: {', '.join(rows['column'])}."
            )
        agreeing = f"{int(self.columns['agrees'].sum())} of {len(self.columns)} columns agree"
        tables = self.columns[["notebook", "table"]].drop_duplicates()
        head = "The bundle holds" if self.holds else "The bundle does not hold"
        return " ".join([f"{head}: {agreeing}, in {len(tables)} tables.", *said])


def verify(
    path: str | os.PathLike, *, tell: Callable[[int, int, str], None] | None = None
) -> Verified:
    """Run a bundle's notebooks anew, and compare what they show, column by column.

    Question: do these numbers come out here as well, from these tables?

    Notebooks are programs, and these are run: verify a bundle of someone you trust. To read one,
    open its pages; nothing in them runs.

    Parameters
    ----------
    path : the bundle, a folder or a .zip; nothing in it is changed.
    tell : called before each notebook with its number, how many there are, and its title.

    Returns
    -------
    Verified: `.holds`, `.files`, `.columns`, `.failed`, `summary()`. Arithmetic must agree to
    1e-9 of the column's largest number, estimates (tables with a standard error, an interval or a
    p) to 1e-6, doubts of many simulated bakes to 1e-4, words to the letter; what a table says of
    versions is not compared.

    Raises
    ------
    StudyProblems if there is no bundle at `path`.

    Source: SHA-256 as in FIPS 180-4 (2015).

    >>> verify("no such bundle")
    Traceback (most recent call last):
    doughkit.tables.problems.StudyProblems: 1 problem
      no such bundle: found nothing of that name; expected a bundle, folder or .zip; give its path
    """
    import nbformat
    import pandas as pd

    with tempfile.TemporaryDirectory(prefix="doughkit-") as place:
        files = unpacked(Path(path))
        changed = pd.DataFrame(list(changes(files)), columns=["file", "is_"])
        home = Path(place)
        for name, content in files.items():
            (home / name).parent.mkdir(parents=True, exist_ok=True)
            (home / name).write_bytes(content)
        rows, failed = [], []
        notebooks = sorted((home / NOTEBOOKS).glob("*.ipynb"))
        for notebook, _ in one_by_one(notebooks, tell):
            before = nbformat.read(notebook, as_version=4)
            try:
                after = run_notebook(notebook, home / STUDY)
            except NotebookFailed as error:
                failed.append((notebook.name, str(error)))
                continue
            rows += compared(notebook.name, before, after)
    names = ["notebook", "table", "column", "kind", "allowed", "off", "agrees"]
    return Verified(
        changed,
        pd.DataFrame(rows, columns=names).astype({"agrees": bool}),
        pd.DataFrame(failed, columns=["notebook", "why"]),
    )


def unpacked(path: Path) -> dict[str, bytes]:
    """A bundle's files by name."""
    if path.is_dir():
        files = {
            one.relative_to(path).as_posix(): one.read_bytes()
            for one in sorted(path.rglob("*"))
            if one.is_file() and ".ipynb_checkpoints" not in one.parts
        }
    elif path.is_file() and zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as packed:
            files = {one: packed.read(one) for one in packed.namelist() if not one.endswith("/")}
    else:
        found = "a file that is no .zip" if path.exists() else "nothing of that name"
        raise no_bundle(path, found, "give its path")
    strange = [name for name in files if name.startswith("/") or ".." in Path(name).parts]
    if strange:
        raise no_bundle(path, f"a file named '{strange[0]}'", "do not use it: it was not made here")
    if MANIFEST not in files:
        raise no_bundle(path, f"no {MANIFEST} in it", "give what `bundle` made, whole")
    return files


def no_bundle(path: Path, found: str, mend: str):
    return problem_error(path.name, found=found, expected="a bundle, folder or .zip", mend=mend)


def changes(files: dict[str, bytes]) -> Iterator[tuple[str, str]]:
    """Files that are not as they were when the bundle was made."""
    try:
        named = dict(json.loads(files[MANIFEST])["files"])
    except (ValueError, KeyError, TypeError):
        yield MANIFEST, "not to be read"
        return
    for name, mark in named.items():
        if name not in files:
            yield name, "missing"
        elif hashlib.sha256(files[name]).hexdigest() != mark:
            yield name, "changed since the bundle was made"
    for name in files:
        if name != MANIFEST and name not in named:
            yield name, "not named in the manifest"


def frames_in(notebook: NotebookNode) -> Iterator[tuple[str, dict]]:
    """Every table that a notebook shows, with its caption, numbers in full."""
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            if FRAME in output.get("data", {}):
                shown = output["data"][FRAME]
                yield shown["caption"], shown["columns"]


def compared(name: str, before: NotebookNode, after: NotebookNode) -> Iterator[tuple]:
    """One row per column of every table shown before or after."""
    pairs = [dict(numbered(one)) for one in (before, after)]
    for place in dict.fromkeys([*pairs[0], *pairs[1]]):
        old, new = (one.get(place, {}) for one in pairs)
        if {"what", "value"} == set(old):
            continue  # versions may differ, that is what they are listed for
        kind = kind_of(set(old))
        for column in dict.fromkeys([*old, *new]):
            yield (name, place[0], column, *difference(old.get(column), new.get(column), kind))


def kind_of(columns: set[str]) -> str:
    if OF_SIMULATED & columns:
        return "simulated"
    return "estimate" if OF_ESTIMATES & columns else "arithmetic"


def numbered(notebook: NotebookNode) -> Iterator[tuple[tuple[str, int], dict]]:
    seen: dict[str, int] = {}
    for caption, columns in frames_in(notebook):
        seen[caption] = seen.get(caption, 0) + 1
        yield (caption, seen[caption]), columns


def difference(old: list | None, new: list | None, kind: str) -> tuple[str, float, float, bool]:
    """kind, allowed, off, agrees."""
    if old is None or new is None or len(old) != len(new):
        return kind, 0.0, float("inf"), False
    allowed = ALLOWED[kind]
    numbers = [(a, b) for a, b in zip(old, new, strict=True) if is_number(a) and is_number(b)]
    words = [(a, b) for a, b in zip(old, new, strict=True) if not (is_number(a) and is_number(b))]
    if any(a != b for a, b in words):
        return "words" if not numbers else kind, allowed, float("inf"), False
    if not numbers:
        return "words", 0.0, 0.0, True
    size = max((abs(a) for a, _ in numbers), default=0.0) or 1.0
    off = max(abs(a - b) for a, b in numbers) / size
    return kind, allowed, off, off <= allowed


def is_number(value) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
