"""The one register of tables and columns: name, unit, meaning, bounds.

Reading, checking, writing, axis labels, entry sheets and the tables of columns in the pages all
draw on this file, so a column is described once. Units follow the name: `_pct` (0-100), `_c`
(degrees Celsius), `_g`, `_mm`, `_min`, `_s`, `_h`, `_m`, `_ml`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

UNIT_OF_SUFFIX = {
    "_g_per_cm2": "g/cm²",
    "_g_ml": "g/ml",
    "_pct": "%",
    "_mm": "mm",
    "_min": "min",
    "_ml": "ml",
    "_c": "°C",
    "_g": "g",
    "_s": "s",
    "_h": "h",
    "_m": "m",
}
"""Unit of a column by the end of its name; the longest ending that fits counts."""

KINDS = {
    "name": "an identity, kept as text (`007` stays `007`)",
    "text": "free text",
    "number": "a finite number",
    "whole": "a whole number",
    "date": "a date as 2026-03-07",
    "choice": "one word of a short list",
    "yes_no": "yes or no",
    "amount": "for example 500, 1 1/2, ½, 300-320",
    "list": "several words, parted by |",
    "score": "a number on the attribute's own scale; empty = served, not answered",
}


@dataclass(frozen=True)
class Column:
    """One column of one table: its name says its unit, its kind how a cell is read."""

    name: str
    kind: str
    meaning: str
    low: float | None = None
    high: float | None = None
    needed: bool = False
    choices: tuple[str, ...] = ()
    stays_home: bool = False
    """Whether the column is taken out of what is handed on."""

    @property
    def unit(self) -> str:
        return unit_of(self.name)


@dataclass(frozen=True)
class Table:
    """One table of a study; `open_to` says which further columns it takes."""

    name: str
    row_is: str
    key: tuple[str, ...]
    without: str
    columns: tuple[Column, ...] = field(default_factory=tuple)
    open_to: str = ""
    """"" nothing more · "factors" factor columns and measured properties · "attributes" a grid."""

    @property
    def names(self) -> list[str]:
        return [column.name for column in self.columns]

    def __getitem__(self, name: str) -> Column:
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


def _col(
    name: str, kind: str, meaning: str, low=None, high=None, *, needed=False, choices=(), home=False
):
    return Column(name, kind, meaning, low, high, needed, tuple(choices), home)


_PCT = (0, 100)
_ALLERGENS = "allergens in it (gluten, milk, egg, sesame ...)"

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
            "formulas",
            "an ingredient in a formula",
            ("formula", "part", "ingredient"),
            "nothing can begin",
            (
                _col("formula", "name", "which formula", needed=True),
                _col("part", "name", "final dough (empty), or the pre-ferment, soaker, levain"),
                _col("ingredient", "name", "as named in the ingredients", needed=True),
                _col("amount", "amount", "how much, as written", needed=True),
                _col("unit", "name", "g, kg, oz, lb, ml, cup, tsp, tbsp, % ...", needed=True),
            ),
        ),
        Table(
            "ingredients",
            "an ingredient's composition, adding to or overriding the built-in table",
            ("ingredient",),
            "the built-in composition is used",
            (
                _col("ingredient", "name", "which ingredient", needed=True),
                _col(
                    "role",
                    "choice",
                    "what it does in the dough",
                    choices=(
                        "flour",
                        "water",
                        "salt",
                        "fat",
                        "sugar",
                        "yeast",
                        "leaven",
                        "dairy",
                        "egg",
                        "other",
                    ),
                ),
                _col("moisture_pct", "number", "water in 100 g", *_PCT),
                _col("fat_pct", "number", "fat in 100 g", *_PCT),
                _col("salt_pct", "number", "common salt in 100 g", *_PCT),
                _col("sugar_pct", "number", "sugars in 100 g", *_PCT),
                _col("whole_grain_pct", "number", "whole-grain share of a flour", *_PCT),
                _col("density_g_ml", "number", "grams in one millilitre, as measured out", 0.05, 3),
                _col("allergens", "list", _ALLERGENS),
                _col("source", "text", "where the figures come from"),
            ),
        ),
        Table(
            "ovens",
            "an oven as it is used",
            ("oven",),
            "no simulated bake and no check that a bake day fits the evening",
            (
                _col("oven", "name", "which oven", needed=True),
                _col("air_c", "number", "air and walls", 50, 700),
                _col(
                    "support",
                    "choice",
                    "what the piece lies on",
                    choices=("steel", "stone", "brick", "iron", "tray", "rack"),
                ),
                _col("support_c", "number", "support when the piece is loaded", 10, 700),
                _col("support_mm", "number", "thickness of the support", 0.3, 200),
                _col("fan", "yes_no", "air is moved by a fan"),
                _col("altitude_m", "number", "height above the sea", -430, 5500),
                _col("pieces_per_bake", "whole", "pieces baked together", 1, 1000),
                _col("preheat_min", "number", "from cold until the first piece is loaded", 0, 600),
                _col("gap_min", "number", "from one piece out to the next in", 0, 240),
                _col("source", "text", "who measured it, with what"),
            ),
        ),
        Table(
            "factors",
            "something a round may change",
            ("factor",),
            "no round can be planned and no texture regression made",
            (
                _col(
                    "factor",
                    "name",
                    "column name in doughs or pieces, with its unit",
                    needed=True,
                ),
                _col("low", "number", "lowest level allowed"),
                _col("high", "number", "highest level allowed"),
                _col("step", "number", "smallest step that scale or clock can keep", 0),
                _col(
                    "changed_per",
                    "choice",
                    "what one level belongs to",
                    needed=True,
                    choices=("dough", "piece", "day"),
                ),
                _col("levels", "list", "for a category: its levels"),
            ),
        ),
        Table(
            "limits",
            "one term of a limit on a plain sum of factors",
            ("limit", "factor"),
            "every level between low and high is held workable",
            (
                _col("limit", "name", "which limit", needed=True),
                _col("factor", "name", "which factor", needed=True),
                _col("weight", "number", "the factor's weight in the sum", needed=True),
                _col("low", "number", "the sum may not fall below"),
                _col("high", "number", "the sum may not rise above"),
            ),
        ),
        Table(
            "doughs",
            "one mixed batch",
            ("dough",),
            "there is no round to read",
            (
                _col("dough", "name", "which dough", needed=True),
                _col(
                    "kind",
                    "choice",
                    "test, control (the same each time) or reference (to be matched)",
                    needed=True,
                    choices=("test", "control", "reference"),
                ),
                _col("round", "whole", "which round of test doughs", 1, 1000),
                _col(
                    "role",
                    "choice",
                    "its place in the planned round",
                    choices=(
                        "corner",
                        "centre",
                        "axial",
                        "edge",
                        "chosen",
                        "recommended",
                        "promising",
                        "best so far",
                    ),
                ),
                _col("formula", "name", "the base formula it was varied from"),
                _col("mixed_on", "date", "day of mixing"),
                _col(
                    "status",
                    "choice",
                    "planned, baked, or failed",
                    choices=("planned", "baked", "failed"),
                ),
                _col("failed_why", "text", "what went wrong with a failed dough"),
                _col("piece_mass_g", "number", "dough mass planned for one piece", 1, 20000),
                _col("dough_c", "number", "dough at the end of mixing", 0, 50),
                _col("ferment_h", "number", "from mixing to shaping", 0, 240),
                _col("ferment_c", "number", "where it fermented", -5, 45),
                _col("flour_lot", "name", "bag or lot of the flour"),
                _col("feel", "whole", "by hand: 1 stiff to 5 slack", 1, 5),
                _col("note", "text", "anything else; stays home", home=True),
            ),
            open_to="factors",
        ),
        Table(
            "weighed",
            "what really went into a dough",
            ("dough", "part", "ingredient"),
            "doughs are taken as mixed to plan",
            (
                _col("dough", "name", "which dough", needed=True),
                _col("part", "name", "final dough (empty), or the pre-ferment, soaker, levain"),
                _col("ingredient", "name", "which ingredient", needed=True),
                _col("planned_g", "number", "as planned", 0, 1e6),
                _col("weighed_g", "number", "as weighed", 0, 1e6),
            ),
        ),
        Table(
            "pieces",
            "one shaped and baked piece",
            ("piece",),
            "no bake loss, and no texture by bake time",
            (
                _col("piece", "name", "which piece", needed=True),
                _col("dough", "name", "the dough it was cut from", needed=True),
                _col("bake_day", "name", "which bake day"),
                _col("bake_order", "whole", "its place in the day's order", 1, 1000),
                _col("oven", "name", "which oven"),
                _col("bake_min", "number", "time in the oven", 0.1, 300),
                _col(
                    "mass_before_g",
                    "number",
                    "just before loading, bench flour shaken off",
                    0.1,
                    20000,
                ),
                _col("mass_after_g", "number", "on a rack 60 s after the oven", 0.1, 20000),
                _col(
                    "weighed_after_s", "number", "seconds from the oven to that weighing", 0, 7200
                ),
                _col("scale_step_g", "number", "smallest step the scale shows", 0.001, 100),
                _col("diameter_mm", "number", "of a round piece before baking", 10, 2000),
                _col("length_mm", "number", "of a four-sided piece before baking", 10, 3000),
                _col("width_mm", "number", "of a four-sided piece before baking", 10, 3000),
                _col("thickness_mm", "number", "baked, mean of five points of the cut", 0.3, 200),
                _col(
                    "droop_mm",
                    "number",
                    "drop of the tip of a 50 mm strip, 100 mm over an edge, 10 min after the "
                    "oven, after 30 s; mean of four readings",
                    0,
                    300,
                ),
                _col("overhang_mm", "number", "how far that strip stood over the edge", 10, 300),
                _col("topping_g", "number", "topping on the piece", 0, 5000),
                _col("puffed", "yes_no", "it opened into two layers in the oven"),
                _col("note", "text", "anything else; stays home", home=True),
            ),
            open_to="factors",
        ),
        Table(
            "moistures",
            "a dried sample",
            ("sample",),
            "flour moisture is the table's, the reference's water is not known",
            (
                _col("sample", "name", "which sample", needed=True),
                _col(
                    "of", "name", "the piece, flour lot or reference dough it is from", needed=True
                ),
                _col("wet_g", "number", "before drying", 0.01, 5000, needed=True),
                _col("dry_g", "number", "dried at 103 °C to constant mass", 0, 5000, needed=True),
            ),
        ),
        Table(
            "attributes",
            "what is rated, and on which scale",
            ("attribute",),
            "ratings cannot be checked or read",
            (
                _col("attribute", "name", "what is rated", needed=True),
                _col(
                    "kind",
                    "choice",
                    "how strong, how well liked, or just about right",
                    needed=True,
                    choices=("intensity", "liking", "just about right"),
                ),
                _col("low", "number", "lowest score", needed=True),
                _col("high", "number", "highest score", needed=True),
                _col("step", "number", "smallest step of a score", 0),
                _col("low_words", "text", "what the lowest score means"),
                _col("high_words", "text", "what the highest score means"),
                _col("key", "yes_no", "one of at most three declared before tasting"),
            ),
        ),
        Table(
            "assessors",
            "a taster (this table stays home)",
            ("assessor",),
            "no serving plan and no guard against allergens",
            (
                _col("assessor", "name", "which taster", needed=True),
                _col("allergens", "list", "what the taster must not eat", home=True),
                _col("consent_on", "date", "day of consent", home=True),
                _col("knows_formulas", "yes_no", "knows which dough is which"),
            ),
        ),
        Table(
            "servings",
            "a planned portion; that it is listed means it was planned",
            ("serving",),
            "ratings cannot be traced to pieces",
            (
                _col("serving", "name", "which serving", needed=True),
                _col("tasting", "name", "which tasting", needed=True),
                _col("assessor", "name", "who tastes it", needed=True),
                _col("piece", "name", "what it was cut from", needed=True),
                _col("repeat", "whole", "1, or 2 for a second portion of the same piece", 1, 9),
                _col("position", "whole", "its place in the taster's order", 1, 60),
                _col("code", "name", "three-digit blind code", needed=True),
                _col("served_after_min", "number", "minutes from the oven", 0, 100000),
            ),
        ),
        Table(
            "ratings",
            "one score; an empty score means served, not answered",
            ("serving", "attribute"),
            "there is no texture to explain",
            (
                _col("serving", "name", "which serving", needed=True),
                _col("attribute", "name", "what is rated", needed=True),
                _col("score", "score", "the score as given"),
            ),
        ),
        Table(
            "targets",
            "what is wanted of an attribute or a measured property",
            ("attribute",),
            "nothing can be recommended",
            (
                _col("attribute", "name", "an attribute, or a measured column", needed=True),
                _col("low", "number", "not below (empty: open)"),
                _col("aim", "number", "best value (empty: anywhere between low and high)"),
                _col("high", "number", "not above (empty: open)"),
                _col("weight", "number", "how much it counts", 0),
                _col(
                    "like",
                    "choice",
                    "reference: own minus reference in the same tasting",
                    choices=("reference",),
                ),
            ),
        ),
    )
}
"""Every table a study may hold, in the order of the job."""

GRID_KEY = ("tasting", "assessor", "code")
"""The entry grid for ratings: these three columns, then one column per attribute."""


def unit_of(name: str) -> str:
    """The unit a column's name ends in, or an empty text."""
    for suffix in sorted(UNIT_OF_SUFFIX, key=len, reverse=True):
        if name.endswith(suffix):
            return UNIT_OF_SUFFIX[suffix]
    return ""


def as_sentence(words: str) -> str:
    """With a capital, as a sentence begins; the rest as it stands."""
    return words[:1].upper() + words[1:]


def label(name: str) -> str:
    """A column's name in words with its unit, for axes and headings."""
    unit = unit_of(name)
    words = name
    if unit:
        words = name[
            : -len(
                next(s for s in sorted(UNIT_OF_SUFFIX, key=len, reverse=True) if name.endswith(s))
            )
        ]
    words = words.replace("_", " ")
    return f"{words} [{unit}]" if unit else words


def columns(table: str | None = None) -> pd.DataFrame:
    """List the columns that a study's tables may hold, with unit, meaning and bounds.

    Question: what belongs in which column?

    Parameters
    ----------
    table : str, optional
        One table's name; left out, all tables in the order of the job.

    Returns
    -------
    DataFrame: table, column, kind, unit, low, high, needed, choices, meaning.

    Raises
    ------
    KeyError if there is no table of that name.

    Source: by definition of this library.

    >>> columns("moistures")[["column", "unit", "needed"]].values.tolist()[2]
    ['wet_g', 'g', True]
    """
    import pandas as pd

    if table is not None and table not in TABLES:
        raise KeyError(f"no table '{table}'; the tables are: {', '.join(TABLES)}")
    chosen = TABLES.values() if table is None else [TABLES[table]]
    return pd.DataFrame(
        [
            {
                "table": one.name,
                "column": column.name,
                "kind": column.kind,
                "unit": column.unit,
                "low": column.low,
                "high": column.high,
                "needed": column.needed,
                "choices": " | ".join(column.choices),
                "meaning": column.meaning,
            }
            for one in chosen
            for column in one.columns
        ]
    )
