"""Kinds of finding that several checks share, each told with its place."""

from __future__ import annotations

from collections.abc import Iterable

from doughkit.tables.frames import Rows
from doughkit.tables.problems import Problem, nearest

MOST_GUESSES, MOST_NAMES = 20, 5000
"""Guessing what was meant is slow; a table with more slips than this has another fault."""


def doubles(rows: Rows, names: list[str], expected: str, mend: str = "") -> Iterable[Problem]:
    """Rows that repeat an earlier row's `names`; an empty part means the final dough."""
    keys = rows.frame[names]
    if "part" in names:
        keys = keys.assign(part=keys["part"].fillna(""))
    keys = keys[keys.notna().all(axis="columns")]
    first: dict[tuple, int] = {}
    doubled = keys[keys.duplicated(keep=False)]
    for row, key in zip(doubled.index, doubled.itertuples(index=False, name=None), strict=True):
        if key in first:
            yield from rows.problem(
                row,
                names[-1],
                f"the same {' and '.join(names)} as in line {rows.lines[first[key]]}",
                expected,
                mend or "delete the double, or give it its own name",
            )
        else:
            first[key] = row


def unlisted(rows: Rows, column: str, known: set, where: str) -> Iterable[Problem]:
    """Rows whose word is none of `known`, with the likely one."""
    words = rows.frame[column]
    strange = words[words.notna() & ~words.isin(known)]
    few = strange.unique()[:MOST_GUESSES] if len(known) < MOST_NAMES else []
    guess = {word: likely(word, known) for word in few}
    for row, word in strange.items():
        yield from rows.problem(
            row,
            column,
            f"'{word}'",
            f"a name {where}",
            guess.get(word) or "correct the name, or add a row for it there",
        )


def likely(word: str, known: set) -> str:
    """The name that was probably meant, in words, or an empty text."""
    zeros = [one for one in known if one.lstrip("0") == word.lstrip("0")]
    if zeros:
        return f"write '{zeros[0]}' (spreadsheets drop leading zeros: format the column as text)"
    return nearest(word, sorted(known))


def ordered(rows: Rows, low: str, high: str, *, equal: bool = True) -> Iterable[Problem]:
    """Rows in which `low` stands above `high`."""
    lows, highs = rows.frame[low], rows.frame[high]
    wrong = lows > highs if equal else lows >= highs
    for row in rows.frame.index[wrong]:
        yield from rows.problem(
            row,
            low,
            f"{low} {lows[row]:g} with {high} {highs[row]:g}",
            f"{low} {'at most' if equal else 'below'} {high}",
            "see whether the two were swapped",
        )
