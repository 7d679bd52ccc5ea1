"""Checks between the tables of a study: keys are unique, references are listed.

Every check takes all tables read so far and gives the problems it finds. A missing cell and a row
whose cells may have shifted have been told while reading; nothing is said of them again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from doughkit.tables.findings import doubles, unlisted
from doughkit.tables.frames import Rows
from doughkit.tables.problems import Problem
from doughkit.tables.register import TABLES
from doughkit.tables.sense import CHECKS, Study

REFERENCES = (
    ("weighed", "dough", "doughs"),
    ("pieces", "dough", "doughs"),
    ("servings", "piece", "pieces"),
    ("ratings", "serving", "servings"),
    ("ratings", "attribute", "attributes"),
    ("limits", "factor", "factors"),
)
"""This column's words must be listed in that table, which therefore has to be there."""

REFERENCES_IF_THERE = (
    ("doughs", "formula", "formulas"),
    ("pieces", "oven", "ovens"),
    ("servings", "assessor", "assessors"),
)
"""These too, but the table may be left out: a bundle for a colleague has no assessors."""


def check_rows(study: Study, *, unreadable: Collection[str] = ()) -> list[Problem]:
    """All problems between and within the tables; `unreadable` tables are not missed again."""
    problems = [problem for rows in study.values() for problem in _doubled_keys(rows)]
    problems += _references(study, unreadable)
    for name, check in CHECKS:
        if name in study:
            problems += check(study)
    return problems


def _doubled_keys(rows: Rows) -> Iterable[Problem]:
    names = list(TABLES[rows.table].key)
    yield from doubles(rows, names, f"one row per {' and '.join(names)}")


def _references(study: Study, unreadable: Collection[str]) -> Iterable[Problem]:
    for table, column, other in (*REFERENCES, *REFERENCES_IF_THERE):
        rows = study.get(table)
        if rows is None or other in unreadable or not len(rows.frame):
            continue
        if other in study:
            known = study[other].frame[TABLES[other].key[0]]
            yield from unlisted(rows, column, set(known.dropna()), f"listed in {other}")
        elif (table, column, other) in REFERENCES:
            yield Problem(
                table,
                found=f"no table {other}",
                expected=f"the table {other}, which lists every {TABLES[other].key[0]}",
                mend=f"add the table {other}",
                column=column,
            )
