"""Paper: what data say is shown as text and nothing else; a page needs nothing but itself."""

from __future__ import annotations

import re
import struct
import zlib
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughkit.tables import StudyProblems, figure, heading, note, page, shown


def small_png():
    def chunk(kind, data):
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    signature = bytes([137, 80, 78, 71, 13, 10, 26, 10])
    pixels = chunk(b"IDAT", zlib.compress(b"\0\xff"))
    return signature + chunk(b"IHDR", head) + pixels + chunk(b"IEND", b"")


class Outline(HTMLParser):
    """Tags with their attributes, and the text of each cell."""

    VOID = ("meta", "img", "br", "hr")

    def __init__(self, html):
        super().__init__()
        self.tags, self.cells, self.open, self.words = [], [], [], []
        self.feed(html)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag in ("td", "th"):
            self.cells.append("")
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)
        if self.open and self.open[-1] in ("td", "th"):
            self.cells[-1] += data

    def all(self, tag):
        return [attributes for one, attributes in self.tags if one == tag]


FRAME = pd.DataFrame(
    {
        "dough": ["D1", "D2"],
        "loss_pct": [31.256, np.nan],
        "pieces": [2.0, 4.0],
        "baked_on": [pd.Timestamp("2026-03-07"), pd.NaT],
        "p": [0.00004, 0.0412],
        "key": [True, False],
    }
)


def test_a_table_is_shown_with_words_units_rounding_and_dashes_for_what_is_missing():
    cells = Outline(shown(FRAME, "Bake loss")._repr_html_()).cells
    assert cells == [
        *("dough", "loss [%]", "pieces", "baked on", "p", "key"),
        *("D1", "31.26", "2", "2026-03-07", "< 0.001", "yes"),
        *("D2", "–", "4", "–", "0.041", "no"),
    ]


def test_a_table_has_a_caption_and_headings_that_say_what_they_head():
    outline = Outline(shown(FRAME, "Bake loss")._repr_html_())
    assert len(outline.all("caption")) == 1
    assert [one["scope"] for one in outline.all("th")] == ["col"] * 6 + ["row"] * 2
    aligned = [one["style"] for one in outline.all("td")]
    assert "right" in aligned[0] and "left" in aligned[2]


def test_plain_text_is_the_same_table():
    assert repr(shown(FRAME[["dough", "loss_pct", "pieces"]], "Bake loss")) == (
        "Bake loss\ndough  loss [%]  pieces\nD1        31.26       2\nD2            –       4"
    )
    assert repr(shown(FRAME, "x")) == repr(shown(FRAME.copy(), "x"))


def test_rounding_is_for_the_eye_only_and_a_minus_zero_has_no_sign():
    frame = pd.DataFrame({"effect": [-1e-17, -1.5, 0.25]})
    table = shown(frame, "Effects")
    assert Outline(table._repr_html_()).cells[1:] == ["0.00", "−1.50", "0.25"]
    assert repr(table).splitlines()[2:] == ["  0.00", " -1.50", "  0.25"]
    assert table.frame["effect"].tolist() == frame["effect"].tolist()
    assert Outline(shown(frame, "E", digits=1)._repr_html_()).cells[2] == "−1.5"


def test_a_column_has_no_more_decimals_than_it_needs():
    frame = pd.DataFrame({"bake_min": [5.0, 6.5], "x": [0.3333, 2], "n": [2.0, 1e-9]})
    assert Outline(shown(frame, "T")._repr_html_()).cells[3:6] == ["5.0", "0.33", "2"]


def test_cells_that_name_columns_are_put_in_words():
    frame = pd.DataFrame({"factor": ["bake_min"], "scope": ["this_panel"], "dough": ["a_g"]})
    cells = Outline(shown(frame, "T")._repr_html_()).cells[3:]
    assert cells == ["bake [min]", "this panel", "a_g"]


@pytest.mark.parametrize("name", ["p", "lack_of_fit_p", "p_holm"])
def test_a_chance_is_never_shown_as_none_at_all(name):
    assert "< 0.001" in str(shown(pd.DataFrame({name: [1e-9, 0.2]}), "Tests"))


def test_a_column_that_only_begins_with_the_letter_is_no_chance():
    assert "< 0.001" not in str(shown(pd.DataFrame({"piece_g": [1e-9, 0.2]}), "Masses"))


def test_a_sheet_to_be_filled_in_has_empty_boxes():
    frame = pd.DataFrame({"ingredient": ["flour"], "weighed_g": [np.nan], "note": [None]})
    html = shown(frame, "To weigh out", fill=["weighed_g"])._repr_html_()
    outline = Outline(html)
    assert outline.cells[-2:] == ["", "–"]
    assert [one.get("class") for one in outline.all("td")] == ["dk-fill", None]
    with pytest.raises(StudyProblems, match="column 'weighd_g'"):
        shown(frame, "To weigh out", fill=["weighd_g"])


def test_a_long_table_is_cut_and_says_so():
    frame = pd.DataFrame({"n": range(500)})
    table = shown(frame, "Many", most_rows=3)
    assert "… and 497 more rows" in table._repr_html_()
    assert repr(table).splitlines()[-1] == "… and 497 more rows"
    assert len(Outline(table._repr_html_()).all("tr")) == 4


def test_a_shown_table_is_a_picture_of_the_frame_as_it_was():
    frame = pd.DataFrame({"a": [1.0]})
    table = shown(frame, "A")
    frame.loc[0, "a"] = 2.0
    assert "1" in repr(table) and "2" not in repr(table)


HOSTILE = "<script>alert(1)</script>\"'&\x1b[31m\u202e</td></main>"


def test_nothing_that_data_say_becomes_markup():
    frame = pd.DataFrame({HOSTILE: [HOSTILE], "n_mm": [1.5]})
    parts = [
        HOSTILE,
        [HOSTILE],
        shown(frame, HOSTILE),
        figure(small_png(), HOSTILE),
        note(HOSTILE),
        heading(HOSTILE),
    ]
    html = page(HOSTILE, parts)
    outline = Outline(html)
    assert not outline.all("script") and len(outline.all("main")) == 1
    assert "\x1b" not in html and "\u202e" not in html
    assert "\x1b" not in repr(shown(frame, HOSTILE))
    assert outline.cells[0].startswith("<script>")
    assert not re.search(r"<[^>]*\son\w+=", html)


@given(st.text(max_size=30))
def test_any_text_at_all_gives_a_well_formed_page(text):
    frame = pd.DataFrame({"a": [text]})
    Outline(page(text, [text, [text], shown(frame, text), note(text)])).all("main")


def test_a_page_stands_alone():
    html = page("Bake day", ["Words.", figure(small_png(), "A finding"), shown(FRAME, "T")])
    outline = Outline(html)
    assert html.startswith("<!DOCTYPE html>")
    assert outline.all("html") == [{"lang": "en"}]
    assert len(outline.all("h1")) == 1 and len(outline.all("title")) == 1
    assert not any(outline.all(tag) for tag in ("link", "script", "iframe", "object", "form"))
    assert all(one["src"].startswith("data:image/png;base64,") for one in outline.all("img"))
    assert "http:" not in html and "https:" not in html and "url(" not in html
    policy = next(one for one in outline.all("meta") if "http-equiv" in one)
    assert policy["content"].startswith("default-src 'none'")
    assert "size: A4" in html and "width=device-width" in html


def test_a_page_is_the_same_each_time():
    parts = ["Words.", shown(FRAME, "T"), note("Hot.")]
    assert page("A", parts) == page("A", parts)
    assert 'lang="de"' in page("A", parts, lang="de")


def test_a_figure_says_its_finding_below_and_in_place_of_the_picture():
    made = figure(small_png(), "Longer bakes droop less")
    outline = Outline(made)
    assert outline.all("img")[0]["alt"] == "Longer bakes droop less"
    assert "Longer bakes droop less" in outline.words
    assert repr(made) == "[picture] Longer bakes droop less"
    with pytest.raises(ValueError, match="no PNG"):
        figure(b"GIF89a", "x")
    with pytest.raises(ValueError, match="finding"):
        figure(small_png(), "  ")


def test_notes_and_headings_say_in_words_what_they_are():
    assert "<strong>Caution.</strong>" in note("Hot steel.")
    assert "<strong>Answer.</strong>" in note("62 %.", "answer")
    with pytest.raises(ValueError, match="caution, answer"):
        note("x", "warning")
    assert heading("Weigh out", 3) == "<h3>Weigh out</h3>"
    with pytest.raises(ValueError, match="level 2 or 3"):
        heading("x", 1)


def test_a_bare_frame_has_no_place_on_a_page():
    with pytest.raises(TypeError, match="use shown"):
        page("A", [FRAME])
    with pytest.raises(TypeError, match="no place for a float"):
        page("A", [1.5])


def luminance(colour):
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    return sum(weight * one for weight, one in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def test_every_colour_of_words_stands_out_from_the_paper():
    # WCAG 2.2 (2023), criterion 1.4.3: contrast of at least 4.5 to 1.
    style = page("A", [])
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
    paper = luminance(colours["wash"])
    for name in ("ink", "soft", "mark", "warn"):
        assert (paper + 0.05) / (luminance(colours[name]) + 0.05) >= 4.5, name
