"""One cell: text as it stands in the file → the value it means, or the fault in it.

Knows nothing of files and tables. A cell is never guessed at: what could mean two things is a
fault that names both ways of writing it plainly.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime

from doughkit.tables.problems import nearest
from doughkit.tables.register import Column

TEXT_KINDS = frozenset({"name", "text", "choice", "yes_no", "amount", "list"})
"""Kinds held as text in a frame; `date` is held as a day, every other kind as a number."""

DANGEROUS = "=+-@\t\r\n＝＋－＠"
"""Text that begins so would be run as a formula by some spreadsheet."""

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_NUMBER_AND_MORE = re.compile(r"([+-]?[0-9][0-9.,]*)\s*(\D.*)")
_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2}(\.[0-9]{3})+")
_MINUTES = re.compile(r"([0-9]{1,3}):([0-5][0-9])")
_TIME_OF_DAY = re.compile(r"([0-9]{1,2}):([0-9]{2}):([0-9]{2})(\.0+)?")
_ISO_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_CONTROL_IN_TEXT = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_SPREADSHEET_ERROR = re.compile(r"#(REF|N/A|NAME|VALUE|DIV/0|NUM|NULL|SPILL|CALC)[!?]?|#{3,}", re.I)
_VULGAR = "¼½¾⅐⅑⅒⅓⅔⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞"
_QUANTITY = (
    rf"([0-9]+\s+[0-9]+[/⁄][0-9]+|[0-9]+[/⁄][0-9]+|[0-9]*\s*[{_VULGAR}]"
    r"|([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?)"
)
_AMOUNT = re.compile(rf"{_QUANTITY}(\s*([-‐‑‒–—−]|to)\s*{_QUANTITY})?")
_NOTHING = {"na", "n/a", "none", "null", "nan", "-", "–", "—", "?", "x", ".", "./."}


@dataclass(frozen=True)
class Fault:
    """What is wrong with one cell."""

    found: str
    expected: str
    mend: str


class CellFault(ValueError):
    """Carries a `Fault` out of the reading of one cell."""

    def __init__(self, found: str, expected: str, mend: str):
        super().__init__(found)
        self.fault = Fault(quoted(found), expected, mend)


def quoted(text: str) -> str:
    """A cell's text for a message: in quotation marks, on one line, not too long."""
    plain = "".join(ch if ch.isprintable() else ascii(ch)[1:-1] for ch in text[:60])
    return f"'{plain}{'…' if len(text) > 60 else ''}'"


def disarm(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would run as a formula."""
    return "'" + text if text.lstrip("'")[:1] in tuple(DANGEROUS) else text


def rearm(text: str) -> str:
    """Undo `disarm`."""
    if text[:1] == "'" and text.lstrip("'")[:1] in tuple(DANGEROUS):
        return text[1:]
    return text


def read_cells(
    cells: Iterable[str], column: Column, *, decimal_comma: bool = False
) -> tuple[list, dict[int, Fault]]:
    """Read a whole column of text cells: values (None where empty or faulty) and faults by row."""
    read = _READERS[column.kind]
    values, faults = [], {}
    # The same text means the same thing all down a column, and most columns repeat themselves.
    seen: dict[str, object] = {}
    for row, cell in enumerate(cells):
        if cell not in seen:
            try:
                seen[cell] = read_one(cell, column, decimal_comma, read)
            except CellFault as error:
                seen[cell] = error.fault
        value = seen[cell]
        if isinstance(value, Fault):
            faults[row] = value
            value = None
        values.append(value)
    return values, faults


def read_one(cell: str, column: Column, decimal_comma: bool, read: Callable | None = None):
    """Read one cell; None if it is empty."""
    text = cell.strip()
    if not text:
        if column.needed:
            raise CellFault("", f"{column.meaning}; it may not be empty", "fill the cell")
        return None
    if column.kind == "text":
        return _text(rearm(cell), column, decimal_comma)
    if bad := _CONTROL.search(text):
        raise CellFault(text, "one line of plain characters", f"take out {bad[0]!a}")
    if _SPREADSHEET_ERROR.fullmatch(text):
        raise CellFault(text, "a value", "mend the spreadsheet's formula, or empty the cell")
    return (read or _READERS[column.kind])(text, column, decimal_comma)


def _text(text: str, column: Column, decimal_comma: bool) -> str:
    if bad := _CONTROL_IN_TEXT.search(text):
        raise CellFault(text, "plain characters", f"take out {bad[0]!a}")
    return text


def _name(text: str, column: Column, decimal_comma: bool) -> str:
    return rearm(text).strip()


def _number(text: str, column: Column, decimal_comma: bool) -> float:
    plain = text.replace("\N{MINUS SIGN}", "-", 1) if text[0] == "\N{MINUS SIGN}" else text
    if ":" in plain:
        return _within(_clock(text, column), text, column)
    if any(ch in plain for ch in ",.") and re.fullmatch(r"[-+0-9.,eE]+", plain):
        plain = _pointed(plain, decimal_comma)
    if not _NUMBER.fullmatch(plain):
        raise _no_number(text, column)
    value = float(plain)
    mantissa = re.split("[eE]", plain)[0]
    if math.isinf(value) or (value == 0 and mantissa.strip("+-0.")):
        raise CellFault(
            text, "a number that can be computed with", "correct the cell; is an E meant?"
        )
    return _within(value, text, column)


def _whole(text: str, column: Column, decimal_comma: bool) -> float:
    value = _number(text, column, decimal_comma)
    if not value.is_integer():
        raise CellFault(text, "a whole number", "write it without decimals")
    return value


def _within(value: float, text: str, column: Column) -> float:
    if (column.low is not None and value < column.low) or (
        column.high is not None and value > column.high
    ):
        raise CellFault(
            text,
            _span(column) + (f" {column.unit}" if column.unit else ""),
            "correct the cell, or leave it empty if it is not known",
        )
    return value


def _span(column: Column) -> str:
    if column.high is None:
        return f"a number of at least {column.low:g}"
    if column.low is None:
        return f"a number of at most {column.high:g}"
    return f"a number from {column.low:g} to {column.high:g}"


def _clock(text: str, column: Column) -> float:
    """Minutes and seconds as a baker writes them, 7:30; never a time of day."""
    minutes = _MINUTES.fullmatch(text)
    if column.unit == "min" and minutes:
        return int(minutes[1]) + int(minutes[2]) / 60
    day = _TIME_OF_DAY.fullmatch(text)
    if column.unit == "min" and day:
        meant = int(day[1]) + int(day[2]) / 60
        raise CellFault(
            text,
            "minutes",
            f"a spreadsheet has made a time of day of '{int(day[1])}:{day[2]}': if "
            f"{int(day[1])} min {int(day[2])} s is meant, write {meant:g}",
        )
    raise CellFault(text, _expected(column), f"write a plain number{_in_unit(column)}")


def _pointed(number: str, decimal_comma: bool) -> str:
    """The number with a decimal point, if only one number can be meant."""
    if "," not in number and not (decimal_comma and _GROUPED.fullmatch(number)):
        return number
    if decimal_comma and number.count(",") == 1 and "." not in number:
        return number.replace(",", ".")
    if decimal_comma:
        raise CellFault(
            number,
            "a number with a decimal comma and no mark for thousands (cells here are parted by ;)",
            f"write {number.replace('.', '')}"
            + ("" if "," in number else f" or {number.replace('.', ',', 1)}"),
        )
    whole = number.replace(",", "")
    other = number.replace(",", ".")
    raise CellFault(
        number,
        "a decimal point (a decimal comma is read only where ; parts the cells)",
        f"write {other} or {whole}" if other.count(".") == 1 else f"write {whole}",
    )


def _no_number(text: str, column: Column) -> CellFault:
    expected = _expected(column)
    if text.casefold() in _NOTHING:
        return CellFault(text, expected, "leave the cell empty where nothing is known")
    if re.fullmatch(r"[-+]?[0-9]+(\s[0-9]+)+", text):
        return CellFault(text, expected, f"write {''.join(text.split())}, without spaces")
    more = _NUMBER_AND_MORE.fullmatch(text)
    if more and more[2][0] in "oO" and re.fullmatch("[0-9oO.,]+", text):
        zeros = text.replace("o", "0").replace("O", "0")
        return CellFault(text, expected, f"a letter O stands for a zero: write {zeros}")
    if more:
        return CellFault(text, expected, f"write {more[1]} alone; the unit is in the column's name")
    return CellFault(text, expected, f"write a plain number{_in_unit(column)}")


def _expected(column: Column) -> str:
    return KIND_WORDS[column.kind] + _in_unit(column)


def _in_unit(column: Column) -> str:
    return f" in {column.unit}" if column.unit else ""


KIND_WORDS = {"number": "a number", "whole": "a whole number", "score": "a score"}


def _amount(text: str, column: Column, decimal_comma: bool) -> str:
    """An amount as written, its decimal comma turned to a point; what it means is read later."""
    plain = re.sub(r"[0-9][0-9.,]*", lambda match: _pointed(match[0], decimal_comma), text)
    if not _AMOUNT.fullmatch(plain):
        more = _NUMBER_AND_MORE.fullmatch(plain)
        raise CellFault(
            text,
            "an amount such as 500, 1 1/2, ½ or 300-320",
            f"write {more[1]} alone, and the unit in its own column"
            if more
            else "write the amount in figures",
        )
    return plain


def _date(text: str, column: Column, decimal_comma: bool) -> datetime:
    mend = "write year-month-day, as in 2026-03-07"
    if re.fullmatch(r"[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{2,4}", text):
        mend += ", since day and month can be told apart only so"
    if not _ISO_DAY.fullmatch(text):
        raise CellFault(text, "a date as 2026-03-07", mend)
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise CellFault(text, "a day of the calendar", mend) from None
    return datetime(day.year, day.month, day.day)


def _choice(text: str, column: Column, decimal_comma: bool) -> str:
    choices = column.choices if column.kind == "choice" else ("yes", "no")
    # A spreadsheet likes to begin a cell with a capital letter.
    for choice in choices:
        if text.casefold() == choice.casefold():
            return choice
    raise CellFault(
        text,
        " or ".join(choices) if len(choices) < 3 else "one of " + ", ".join(choices),
        nearest(text, choices) or "write one of these words",
    )


def _list(text: str, column: Column, decimal_comma: bool) -> str:
    words = [word.strip() for word in rearm(text).split("|")]
    if "," in text or ";" in text:
        parted = re.sub(r"\s*[,;|]\s*", "|", text)
        raise CellFault(text, "words parted by |", f"write {parted}")
    if not all(words):
        raise CellFault(text, "a word before and after each |", "take out the | too many")
    return "|".join(words)


_READERS: dict[str, Callable] = {
    "name": _name,
    "text": _text,
    "number": _number,
    "whole": _whole,
    "score": _number,
    "date": _date,
    "choice": _choice,
    "yes_no": _choice,
    "amount": _amount,
    "list": _list,
}
