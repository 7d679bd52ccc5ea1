"""A problem with its place, many problems as one error, and the out-of-range warning."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields
from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


MOST_TOLD = 100
"""A message longer than this helps nobody; the frame still has every problem."""


@dataclass(frozen=True)
class Problem:
    """One fault: where it stands, what was found, what was expected, how to mend it.

    `line` counts as a spreadsheet counts (headings are line 1) while a file is being read, and in
    a workbook `cell` names the cell (F4); past reading `key` names the row instead ("dough D3").
    """

    table: str
    found: str
    expected: str
    mend: str
    column: str = ""
    line: int | None = None
    key: str = ""
    cell: str = ""

    @property
    def place(self) -> str:
        parts = [self.table]
        if self.cell:
            parts.append(f"cell {self.cell}")
        elif self.line is not None:
            parts.append(f"line {self.line}")
        parts += [self.key] if self.key else []
        parts += [f"column '{self.column}'"] if self.column else []
        return ", ".join(parts)

    def __str__(self) -> str:
        return f"{self.place}: found {self.found}; expected {self.expected}; {self.mend}"


class StudyProblems(ValueError):
    """All problems of the tables at hand, as one error.

    `problems` holds them as a list; `frame()` gives one row each.
    """

    def __init__(self, problems: Iterable[Problem], *, about: str = ""):
        self.problems = list(problems)
        count = len(self.problems)
        head = so_many(count, "problem") + (f" in {about}" if about else "")
        lines = [f"  {problem}" for problem in self.problems[:MOST_TOLD]]
        if count > MOST_TOLD:
            lines.append(f"  … and {count - MOST_TOLD} more; .frame() lists them all")
        super().__init__("\n".join([head, *lines]))

    def in_short(self) -> str:
        """The first problem within a sentence: what was found, and how to mend it."""
        return f"{self.problems[0].found}; {self.problems[0].mend}"

    def frame(self) -> pd.DataFrame:
        """One row per problem: table, found, expected, mend, column, line, key, cell."""
        import pandas as pd

        names = [one.name for one in fields(Problem)]
        return pd.DataFrame([astuple(problem) for problem in self.problems], columns=names)


def so_many(count: float, thing: str) -> str:
    """A count and its thing, in the plural unless there is one: "1 dough", "3 doughs"."""
    return f"{count:g} {thing}{'s' if count != 1 else ''}"


def problem_error(table: str, **where) -> StudyProblems:
    """One problem as the error to raise; takes the fields of `Problem`."""
    return StudyProblems([Problem(table, **where)])


class OutsideRange(UserWarning):
    """Input beyond the range in which a method's numbers were measured."""


def nearest(word: str, known: Iterable[str]) -> str:
    """A phrase that names the nearest known words: "did you mean 'salt'?", or an empty text."""
    close = get_close_matches(str(word), [str(one) for one in known], n=3, cutoff=0.6)
    return f"did you mean {' or '.join(repr(one) for one in close)}?" if close else ""


def require_columns(frame: pd.DataFrame, *names: str, table: str) -> None:
    """Refuse a frame that lacks one of `names`, naming the nearest column it has.

    >>> import pandas as pd
    >>> require_columns(pd.DataFrame({"dough": ["A"]}), "dough", table="doughs")
    """
    missing = [name for name in names if name not in frame.columns]
    if missing:
        raise StudyProblems(
            Problem(
                table,
                column=name,
                found=f"columns {', '.join(map(str, frame.columns))}",
                expected=f"a column '{name}'",
                mend=nearest(name, frame.columns) or f"add the column '{name}'",
            )
            for name in missing
        )


def require_unique(frame: pd.DataFrame, *names: str, table: str) -> None:
    """Refuse a frame in which the key `names` occurs twice."""
    require_columns(frame, *names, table=table)
    twice = frame.duplicated(list(names), keep=False)
    if twice.any():
        raise StudyProblems(
            Problem(
                table,
                key=" ".join(f"{name} {value}" for name, value in zip(names, row, strict=True)),
                found="more than one row",
                expected="one row per " + " and ".join(names),
                mend="delete the double, or give it its own name",
            )
            for row in frame.loc[twice, list(names)].drop_duplicates().itertuples(index=False)
        )
