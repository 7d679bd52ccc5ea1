"""A study: its tables opened together, checked, and traced to the files and programs used."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pandas as pd

import doughkit
from doughkit.tables import paper
from doughkit.tables.problems import StudyProblems, nearest
from doughkit.tables.reading import read_folder
from doughkit.tables.register import TABLES

__all__ = ["Shipped", "Study", "check_study", "open_study", "provenance", "shipped"]

PROGRAMS = ("pandas", "numpy", "scipy", "statsmodels", "seaborn")
"""What the results rest on, besides Python and this library."""


class MissingTable(KeyError):
    """A table that the study lacks, with what is lost without it."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True, eq=False, repr=False)
class Study(Mapping):
    """A study's tables by name, as `open_study` found them.

    A table comes as a frame of its own: what is done to it leaves the study as it was. `sha256`
    holds the fingerprint of each input file as it was read.
    """

    path: Path
    frames: dict[str, pd.DataFrame]
    sha256: dict[str, str]

    def __getitem__(self, table: str) -> pd.DataFrame:
        if table in self.frames:
            return self.frames[table].copy(deep=False)
        if table in TABLES:
            raise MissingTable(
                f"the study has no table '{table}' ({table}.csv); "
                f"without it: {TABLES[table].without}"
            )
        raise MissingTable(
            f"there is no table '{table}'; {nearest(table, TABLES) or 'see tables.columns()'}"
        )

    def __iter__(self) -> Iterator[str]:
        return iter(self.frames)

    def __len__(self) -> int:
        return len(self.frames)

    def contents(self) -> pd.DataFrame:
        """One row per table that is there: table, rows, one_row_is."""
        return pd.DataFrame(
            [
                {"table": name, "rows": len(frame), "one_row_is": TABLES[name].row_is}
                for name, frame in self.frames.items()
            ],
            columns=["table", "rows", "one_row_is"],
        )

    def missing(self) -> pd.DataFrame:
        """One row per table that is not there: table, without_it."""
        return pd.DataFrame(
            [
                {"table": name, "without_it": table.without}
                for name, table in TABLES.items()
                if name not in self.frames
            ],
            columns=["table", "without_it"],
        )

    def summary(self) -> str:
        there = ", ".join(f"{name} ({len(frame)})" for name, frame in self.frames.items())
        lost = "; ".join(f"{one.table}: {one.without_it}" for one in self.missing().itertuples())
        return f"{self.path.name} holds {there}. " + (
            f"Not there, and what is lost without it: {lost}." if lost else "Every table is there."
        )

    def __repr__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        parts = [paper.shown(self.contents(), f"What the study '{self.path.name}' holds")]
        if len(self.missing()):
            parts.append(paper.shown(self.missing(), "What it does not hold"))
        return "".join(part._repr_html_() for part in parts)


def open_study(path: str | Path) -> Study:
    """Open a study: every table of its folder, read strictly and checked against the others.

    Question: what is there, and what is lost without the rest?

    Parameters
    ----------
    path : path
        The study's folder, which holds `formulas.csv` and as many other tables as there are.

    Returns
    -------
    Study: table name → frame, with `.path`, `.summary()`, `.contents()`, `.missing()`.

    Raises
    ------
    StudyProblems with all problems of all tables, each with its place and how to mend it.

    Source: by definition of this library.

    >>> study = open_study(shipped().data_demo)
    >>> sorted(study["doughs"]["kind"].unique())
    ['control', 'reference', 'test']
    """
    folder = Path(path).expanduser()
    reading = read_folder(folder)
    if reading.problems:
        raise StudyProblems(reading.problems, about=folder.name)
    return Study(folder, reading.tables, reading.sha256)


def check_study(path: str | Path) -> pd.DataFrame:
    """List everything that is wrong in a study's tables, or nothing.

    Question: what has to be mended before the study can be opened?

    Parameters
    ----------
    path : path
        The study's folder.

    Returns
    -------
    DataFrame: table, found, expected, mend, column, line (as a spreadsheet counts), key; one row
    per problem, none if the study can be opened.

    Raises
    ------
    StudyProblems if there is no such folder, or no table in it.

    Source: by definition of this library.

    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "ovens.csv").write_text("oven,air_c\\nhome,27O\\n")
    >>> check_study(folder)[["table", "line", "column", "mend"]].values.tolist()
    [['ovens', 2, 'air_c', 'a letter O stands for a zero: write 270']]
    """
    return StudyProblems(read_folder(path).problems).frame()


def provenance(study: Study, *, seed: int | None = None) -> pd.DataFrame:
    """Say what a result was computed with: versions, seed, fingerprints of the input files.

    Question: could somebody else get the same numbers?

    Parameters
    ----------
    study : Study
        As opened.
    seed : int, optional
        The seed that the results used, if any.

    Returns
    -------
    DataFrame: what, value; fingerprints are SHA-256 over each file's bytes as they were read.

    Raises
    ------
    Nothing; a program that is not installed is named as such.

    Source: SHA-256 as in FIPS 180-4 (2015).

    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "ovens.csv").write_text("oven,air_c\\nhome,270\\n")
    >>> provenance(open_study(folder), seed=7)["what"].tolist()[-2:]
    ['seed', 'ovens.csv']
    """
    facts = {"doughkit": doughkit.__version__, "Python": platform.python_version()}
    facts |= {program: _version(program) for program in PROGRAMS}
    facts |= {"seed": "none given" if seed is None else str(seed)}
    return pd.DataFrame(list((facts | study.sha256).items()), columns=["what", "value"])


def _version(program: str) -> str:
    try:
        return importlib.metadata.version(program)
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


class Shipped(NamedTuple):
    """Where the notebooks and the invented demo study are."""

    notebooks: Path
    data_demo: Path


def shipped() -> Shipped:
    """Find the notebooks and the demo study that come with the library.

    Question: where is something to begin with?

    Returns
    -------
    Shipped: `notebooks` and `data_demo`, folders beside the package in a clone, inside it when
    installed from a wheel. They are to be copied, not worked in.

    Raises
    ------
    FileNotFoundError if the installation lacks them.

    Source: by definition of this library.

    >>> shipped().data_demo.name
    'data_demo'
    """
    package = Path(doughkit.__file__).resolve().parent
    for home in (package / "shipped", package.parent):
        found = Shipped(home / "notebooks", home / "data_demo")
        if all(folder.is_dir() for folder in found):
            return found
    raise FileNotFoundError(
        "this installation of doughkit has neither notebooks nor demo study; install it again"
    )
