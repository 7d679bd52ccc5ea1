"""A study: its tables opened together, or checked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from doughkit.tables import paper
from doughkit.tables.problems import StudyProblems, nearest
from doughkit.tables.reading import opened, read_folder
from doughkit.tables.register import TABLES


class MissingTable(KeyError):
    """A table that the study lacks, with what is lost without it."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True, eq=False, repr=False)
class Study(Mapping):
    """A study's tables by name, as `open_study` found them.

    A table comes as a frame of its own: what is done to it leaves the study as it was. A table
    without a row yet counts as not there. `sha256` holds the fingerprint of each input file as it
    was read.
    """

    path: Path
    frames: dict[str, pd.DataFrame]
    sha256: dict[str, str]
    begun: tuple[str, ...] = ()
    """Tables that have headings and no row yet."""

    def __getitem__(self, table: str) -> pd.DataFrame:
        if table in self.frames:
            return self.frames[table].copy(deep=False)
        if table in TABLES:
            lacks = "no row yet in" if table in self.begun else "no"
            raise MissingTable(
                f"the study has {lacks} table '{table}' ({table}.csv); "
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
        The study's folder, which holds `formulas.csv` and as many other tables as there are, or
        one workbook with a sheet per table; or the path of that workbook.

    Returns
    -------
    Study: table name → frame, with `.path`, `.summary()`, `.contents()`, `.missing()`.

    Raises
    ------
    StudyProblems with all problems of all tables, each with its place and how to mend it.

    Source: by definition of this library.

    >>> from doughkit.study import shipped
    >>> study = open_study(shipped().data_demo)
    >>> sorted(study["doughs"]["kind"].unique())
    ['control', 'reference', 'test']
    """
    path = Path(path).expanduser()
    reading = opened(path)
    filled = {name: frame for name, frame in reading.tables.items() if len(frame)}
    begun = tuple(name for name in reading.tables if name not in filled)
    return Study(path, filled, reading.sha256, begun)


def check_study(path: str | Path) -> pd.DataFrame:
    """List everything that is wrong in a study's tables, or nothing.

    Question: what has to be mended before the study can be opened?

    Parameters
    ----------
    path : path
        The study's folder, or its workbook.

    Returns
    -------
    DataFrame: table, found, expected, mend, column, line (as a spreadsheet counts), key, cell (in
    a workbook); one row per problem, none if the study can be opened.

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
