"""Frames, figures and words → safe tables and pages; the only maker of HTML.

Everything that comes from data is escaped; a page carries its own style, asks the network for
nothing and runs nothing. Numbers are rounded here and nowhere else.
"""

from __future__ import annotations

import base64
import math
import numbers
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from importlib import resources
from urllib.parse import quote

import numpy as np
import pandas as pd

from doughkit.tables.register import label

NOTHING = "–"
"""Stands where a value is missing."""

NAMES_SHOWN_IN_WORDS = ("attribute", "beside", "factor", "measure", "scope", "stratum", "term")
"""Columns whose cells name columns; the cells are put in words as headings are."""

_COLUMN_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)+")
_CONTROLS = [*range(9), 11, 12, *range(14, 32), *range(127, 160)]
_TURN_TEXT = [*range(0x202A, 0x202F), *range(0x2066, 0x206A)]
_NO_CHARACTERS = [*range(0xD800, 0xE000), 0xFFFE, 0xFFFF]
_UNFIT = dict.fromkeys([*_CONTROLS, *_TURN_TEXT, *_NO_CHARACTERS], "\N{REPLACEMENT CHARACTER}")
"""Characters that no page or terminal should be handed."""

FRAME = "application/vnd.doughkit.frame+json"
"""A notebook keeps each shown table in full beside what is seen, to be compared later."""
KINDS_OF_NOTE = {"caution": "Caution", "answer": "Answer", "finding": "Finding"}


def shown(
    frame: pd.DataFrame,
    caption: str,
    *,
    digits: int = 2,
    fill: Sequence[str] = (),
    most_rows: int = 200,
) -> Shown:
    """Show a frame as a table with a caption: in a notebook, on a page, or as plain text.

    Question: how does this table read on paper?

    Parameters
    ----------
    frame : DataFrame
        Any frame; its index is left out. Column names are shown in words with their unit.
    caption : str
        One sentence that says what the table holds.
    digits : int
        Most decimals shown, fewer where a column needs fewer; `p` has three.
    fill : list of column names
        Columns to be filled in by hand: an empty cell stays an empty box.
    most_rows : int
        Longer frames are cut there, and the table says how many rows follow.

    Returns
    -------
    Shown: frozen, with `frame` and `caption`; a notebook draws it, `print` gives plain text.

    Raises
    ------
    StudyProblems if `fill` names a column that the frame lacks.

    Source: rows and columns marked as headings, as WCAG 2.2 (2023), criterion 1.3.1, asks.

    >>> import pandas as pd
    >>> print(shown(pd.DataFrame({"dough": ["D1"], "loss_pct": [31.256]}), "Bake loss"))
    Bake loss
    dough  loss [%]
    D1        31.26
    """
    if fill:
        from doughkit.tables.problems import require_columns

        require_columns(frame, *fill, table=caption)
    return Shown(frame.copy(), caption, digits, tuple(fill), most_rows)


@dataclass(frozen=True, eq=False)
class Shown:
    """A frame as it is shown: `_repr_html_` for notebooks and pages, plain text for the rest."""

    frame: pd.DataFrame
    caption: str
    digits: int = 2
    fill: tuple[str, ...] = ()
    most_rows: int = 200

    def _columns(self) -> list[tuple[str, bool, list[str]]]:
        """Each column's heading, whether its cells are numbers, and the cells as text."""
        head = self.frame.iloc[: self.most_rows]
        columns = []
        for place, name in enumerate(head.columns):
            cells = head.iloc[:, place]
            empty = "" if name in self.fill else NOTHING
            is_number = pd.api.types.is_numeric_dtype(cells) and not _is_bool(cells)
            columns.append((label(str(name)), is_number, _texts(name, cells, self.digits, empty)))
        return columns

    def _rest(self) -> str:
        if self.frame.empty:
            return "none"
        left = len(self.frame) - self.most_rows
        return f"… and {left} more row{'s' if left != 1 else ''}" if left > 0 else ""

    def __repr__(self) -> str:
        lines = [[], *([] for _ in self.frame.index[: self.most_rows])]
        for heading, is_number, cells in self._columns():
            texts = [_one_line(text) for text in (heading, *cells)]
            width = max(map(len, texts))
            for line, text in zip(lines, texts, strict=True):
                line.append(text.rjust(width) if is_number else text.ljust(width))
        rows = ["  ".join(line).rstrip() for line in lines]
        return "\n".join(
            [_one_line(self.caption), *rows, *([self._rest()] if self._rest() else [])]
        )

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        columns = {
            str(name): [_plain(value) for value in self.frame.iloc[:, place].tolist()]
            for place, name in enumerate(self.frame.columns)
        }
        return {FRAME: {"caption": self.caption, "columns": columns}}

    def _repr_html_(self) -> str:
        columns = self._columns()
        head = "".join(_th(heading, "col", is_number) for heading, is_number, _ in columns)
        body = []
        for row in range(min(len(self.frame), self.most_rows)):
            cells = [
                _cell(cells[row], is_number, first=place == 0 and not is_number)
                for place, (_, is_number, cells) in enumerate(columns)
            ]
            body.append(f"<tr>{''.join(cells)}</tr>")
        caption = _safe(self.caption)
        rest = f"<p>{self._rest()}</p>" if self._rest() else ""
        return (
            f'<div class="dk-wide" role="region" tabindex="0" aria-label="{caption}">'
            f'<table class="dk"><caption><span>{caption}</span></caption>'
            f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>{rest}</div>"
        )


def _plain(value):
    """A cell as JSON can hold it, a number in full."""
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, numbers.Real) and math.isfinite(value):
        return int(value) if isinstance(value, numbers.Integral) else float(value)
    if value is None or (not isinstance(value, (list, tuple, set, dict)) and pd.isna(value)):
        return None
    return str(value)


def _is_bool(cells: pd.Series) -> bool:
    return pd.api.types.is_bool_dtype(cells)


def _align(is_number: bool) -> str:
    # Said on each cell, since a notebook draws the table without a page's style.
    return f' style="text-align:{"right" if is_number else "left"}"'


def _th(text: str, scope: str, is_number: bool) -> str:
    return f'<th scope="{scope}"{_align(is_number)}>{_safe(text)}</th>'


def _cell(text: str, is_number: bool, *, first: bool) -> str:
    if first:
        return _th(text, "row", False)
    box = "" if text else ' class="dk-fill"'
    shown_text = _safe(text.replace("-", "\N{MINUS SIGN}", 1) if is_number else text)
    style = _align(is_number).replace("right", "right;white-space:nowrap")
    return f"<td{box}{style}>{shown_text}</td>"


def _safe(text: str) -> str:
    return escape(text.translate(_UNFIT))


def _one_line(text: str) -> str:
    return " ".join(text.translate(_UNFIT).split())


def _texts(name: str, cells: pd.Series, digits: int, empty: str) -> list[str]:
    values = cells.tolist()
    is_p = "p" in str(name).split("_")
    digits = max(digits, 3) if is_p else _digits_needed(values, digits)
    texts = [_text(one, digits, empty, is_p) for one in values]
    if name in NAMES_SHOWN_IN_WORDS:
        texts = [label(text) if _COLUMN_NAME.fullmatch(text) else text for text in texts]
    return texts


def _digits_needed(values: list, most: int) -> int:
    """The fewest decimals that show a column's numbers as well as `most` decimals do."""
    figures = [float(one) for one in values if isinstance(one, numbers.Real)]
    figures = [one for one in figures if math.isfinite(one)]
    for digits in range(most):
        if all(round(one, digits) == round(one, most) for one in figures):
            return digits
    return most


def _text(value, digits: int, empty: str, is_p: bool) -> str:
    if isinstance(value, (list, tuple, set, dict)):
        return str(value)
    if value is None or pd.isna(value) or value == "":
        return empty
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, numbers.Real):
        least = 10.0**-digits
        if is_p and 0 <= value < least:
            return f"< {least:.{digits}f}"
        # Adding zero takes the sign from a minus zero.
        return (
            f"{round(float(value), digits) + 0.0:.{digits}f}"
            if math.isfinite(value)
            else str(value)
        )
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d" if value == value.normalize() else "%Y-%m-%d %H:%M")
    return str(value)


class Html(str):
    """Finished, safe HTML: a notebook or a page draws it, plain output shows its words."""

    words: str

    def __new__(cls, html: str, words: str = "") -> Html:
        made = super().__new__(cls, html)
        made.words = words
        return made

    def __repr__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        return str(self)


def figure(png: bytes, caption: str) -> Html:
    """Put a picture under its caption, the finding it shows.

    Question: what does the picture say?

    Parameters
    ----------
    png : bytes
        The picture as a PNG file's content.
    caption : str
        The finding in one sentence; shown below, and read out in place of the picture.

    Returns
    -------
    Html: text that a notebook or a page draws.

    Raises
    ------
    ValueError if the bytes are no PNG or the caption is empty.

    Source: PNG signature as in ISO/IEC 15948 (2004), 5.2.

    >>> figure(bytes([137, 80, 78, 71, 13, 10, 26, 10]), "Longer bakes droop less")
    [picture] Longer bakes droop less
    """
    if not png.startswith(bytes([137, 80, 78, 71, 13, 10, 26, 10])):
        raise ValueError("the picture's bytes are no PNG; save it with format='png'")
    if not caption.strip():
        raise ValueError("a picture needs a caption that says its finding")
    words = _safe(_one_line(caption))
    data = base64.b64encode(png).decode("ascii")
    return Html(
        f'<figure class="dk"><img alt="{words}" src="data:image/png;base64,{data}">'
        f"<figcaption>{words}</figcaption></figure>",
        words=f"[picture] {_one_line(caption)}",
    )


def note(text: str, kind: str = "caution") -> Html:
    """Set words apart from the rest of a page: a caution, or the answer.

    Question: what must not be overlooked?

    Parameters
    ----------
    text : str
        Plain words.
    kind : "caution", "answer" (what the notebook asked for) or "finding" (a step on the way)
        Named in words before the text, so that nobody needs the colour.

    Returns
    -------
    Html: text that a notebook or a page draws.

    Raises
    ------
    ValueError if there is no such kind.

    Source: by definition of this library.

    >>> note("The steel holds its heat for an hour.")
    Caution: The steel holds its heat for an hour.
    """
    if kind not in KINDS_OF_NOTE:
        raise ValueError(f"a note is one of {', '.join(KINDS_OF_NOTE)}; found '{kind}'")
    return Html(
        f'<div class="dk-note dk-{kind}" role="note">'
        f"<strong>{KINDS_OF_NOTE[kind]}.</strong> {_safe(text)}</div>",
        words=f"{KINDS_OF_NOTE[kind]}: {_one_line(text)}",
    )


def heading(text: str, level: int = 2) -> Html:
    """Put a heading over a part of a page.

    Question: what comes now?

    Parameters
    ----------
    text : str
        Plain words.
    level : 2 or 3
        The page's title is level 1 and stands alone.

    Returns
    -------
    Html: text that a notebook or a page draws.

    Raises
    ------
    ValueError if the level is neither 2 nor 3.

    Source: by definition of this library.

    >>> heading("Bake day")
    Bake day
    """
    if level not in (2, 3):
        raise ValueError(f"a heading within a page has level 2 or 3; found {level}")
    return Html(f"<h{level}>{_safe(text)}</h{level}>", words=_one_line(text))


def links(files: Sequence[str], titles: Sequence[str], said: Sequence[str] = ()) -> Html:
    """List the pages that lie beside this one, in order.

    Question: where does one read on?

    Parameters
    ----------
    files : list of str
        Names of files in the page's own folder.
    titles : list of str
        What stands in the list for each.
    said : list of str, optional
        A line of plain words under each; empty for none.

    Returns
    -------
    Html: text that a page draws.

    Raises
    ------
    ValueError if a file is not in the page's own folder, or there are not as many titles or lines.

    Source: by definition of this library.

    >>> links(["01_formulas.html"], ["Formulas on one footing"])
    [links] Formulas on one footing
    """
    strange = [one for one in files if not one or {"/", "\\", ":"} & set(one)]
    if strange or len(files) != len(titles) or len(said) not in (0, len(files)):
        raise ValueError(f"links go to files beside the page, a title each; found {strange}")
    lines = [
        f'<li><a href="{escape(quote(file))}">{_safe(title)}</a>'
        f"{f'<p>{_safe(words)}</p>' if words else ''}</li>"
        for file, title, words in zip(files, titles, said or [""] * len(files), strict=True)
    ]
    return Html(f"<ul>{''.join(lines)}</ul>", words=f"[links] {'; '.join(titles)}")


def page(title: str, parts: Iterable, *, lang: str = "en") -> str:
    """Make a whole page, to be kept, sent, read on a phone or printed on A4.

    Question: what does one hand on?

    Parameters
    ----------
    title : str
        The page's one title.
    parts : list
        In order: text (a paragraph), a list of texts (a bulleted list), or what `shown`,
        `figure`, `note`, `heading` and the charts give.
    lang : str
        The language of the words, as in "en".

    Returns
    -------
    str: an HTML document that holds its own style and pictures and asks the network for nothing.

    Raises
    ------
    TypeError for a part that is none of these; a bare frame needs `shown` and a caption.

    Source: HTML Living Standard (WHATWG).

    >>> "<h1>Bake day 3</h1>" in page("Bake day 3", ["Steel at 270 °C."])
    True
    """
    body = "\n".join(_part(part) for part in parts)
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(lang)}">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_safe(title)}</title>\n{head_of_pages()}</head>\n"
        f"<body>\n<main>\n<h1>{_safe(title)}</h1>\n{body}\n</main>\n</body>\n</html>\n"
    )


def head_of_pages() -> str:
    """What the head of every page holds: nothing may be fetched or run, and our own style."""
    style = (resources.files("doughkit.tables") / "paper.css").read_text("utf-8")
    return (
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n"
        f"<style>\n{style}</style>\n"
    )


def _part(part) -> str:
    if isinstance(part, str) and not isinstance(part, Html):
        return f"<p>{_safe(part)}</p>"
    if isinstance(part, (list, tuple)):
        return f"<ul>{''.join(f'<li>{_safe(str(one))}</li>' for one in part)}</ul>"
    if isinstance(part, (pd.DataFrame, pd.Series)):
        raise TypeError("a frame on a page needs a caption: use shown(frame, caption)")
    if not hasattr(part, "_repr_html_"):
        raise TypeError(f"a page has no place for a {type(part).__name__}: {str(part)[:60]}")
    return part._repr_html_()
