"""Amounts as written and units as written → numbers with low and high.

Mass units are exact. A volume goes through the ingredient's density and carries a spread, since
a cup of flour is not one mass; a counted thing (an egg) has a mass with low and high of its own.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import nearest

MASS, VOLUME, COUNT, PERCENT = range(4)

OUNCE_G = 28.349523125
"""Avoirdupois ounce: 1/16 of the international pound of 0.45359237 kg (exact)."""
FLUID_OUNCE_ML = 29.5735295625
"""US fluid ounce: 1/128 of the US gallon of 231 cubic inches (exact)."""

_WORDS = {
    (MASS, 1.0): "g gr gm gram grams gramme grammes",
    (MASS, 1000.0): "kg kilo kilos kilogram kilograms",
    (MASS, 0.001): "mg milligram milligrams",
    (MASS, OUNCE_G): "oz ounce ounces",
    (MASS, 16 * OUNCE_G): "lb lbs pound pounds",
    (VOLUME, 1.0): "ml millilitre millilitres milliliter milliliters cc",
    (VOLUME, 10.0): "cl centilitre centilitres centiliter centiliters",
    (VOLUME, 100.0): "dl decilitre decilitres deciliter deciliters",
    (VOLUME, 1000.0): "l litre litres liter liters",
    (VOLUME, FLUID_OUNCE_ML / 6): "tsp tsps teaspoon teaspoons",
    (VOLUME, FLUID_OUNCE_ML / 2): "tbsp tbsps tablespoon tablespoons",
    (VOLUME, FLUID_OUNCE_ML): "floz",
    (VOLUME, 8 * FLUID_OUNCE_ML): "cup cups",
    (VOLUME, 16 * FLUID_OUNCE_ML): "pint pints pt",
    (VOLUME, 32 * FLUID_OUNCE_ML): "quart quarts qt",
    (PERCENT, 1.0): "% percent pct",
}
_PHRASES = {
    "fl oz": FLUID_OUNCE_ML,
    "fl. oz.": FLUID_OUNCE_ML,
    "fluid ounce": FLUID_OUNCE_ML,
    "fluid ounces": FLUID_OUNCE_ML,
    "metric cup": 250.0,
    "metric cups": 250.0,
    "metric tsp": 5.0,
    "metric tbsp": 15.0,
    "imperial pint": 568.26125,
    "imperial pints": 568.26125,
}
_COUNTED = {
    "piece": "piece pieces pc pcs each whole",
    "small": "small",
    "medium": "medium",
    "large": "large",
    "stick": "stick sticks",
    "packet": "packet packets sachet sachets",
    "cube": "cube cubes",
}

UNITS: dict[str, tuple[int, float, str]] = {
    **{word: (kind, size, "") for (kind, size), words in _WORDS.items() for word in words.split()},
    **{phrase: (VOLUME, size, "") for phrase, size in _PHRASES.items()},
    **{word: (COUNT, 1.0, unit) for unit, words in _COUNTED.items() for word in words.split()},
}
"""Unit as written → (kind, grams or millilitres, counted unit). Cup, spoons, pint: US customary."""

KNOWN_UNITS = "g, kg, mg, oz, lb, ml, cl, dl, l, tsp, tbsp, cup, fl oz, pint, quart, piece, %"

VOLUME_SPREAD = {"flour": 0.15, "water": 0.02, "dairy": 0.03, "egg": 0.03, "leaven": 0.30}
"""Share by which a measured-out volume misses its mass, by role (see SPREAD_SOURCE)."""
OTHER_SPREAD = 0.10
SPREAD_SOURCE = (
    "from memory: flour by the cup varies by 15 % and more with filling; the other spreads are a "
    "judgement of this library (jug of water 2 %, of milk or egg 3 %, spoon or cup of anything "
    "else 10 %, starter with its gas 30 %)"
)

LARGEST = 1e9
"""Amounts above a thousand tonnes are taken for slips."""

_VULGAR = "¼½¾⅐⅑⅒⅓⅔⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞"
_ONE = r"[0-9]+\s+[0-9]+/[0-9]+|[0-9]+/[0-9]+|(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_AMOUNT = re.compile(rf"({_ONE})(?:\s*(?:-|to)\s*({_ONE}))?")
_NUMBER_AND_MORE = re.compile(r"([0-9][0-9./]*)\s*([^\W\d_].*)")


@dataclass(frozen=True)
class Mend:
    """What was expected of a cell, and how to mend it."""

    expected: str
    mend: str


def parse_amount(text: str) -> tuple[float, float] | Mend:
    """One amount as written → its low and high (equal unless a range was written).

    >>> parse_amount("1 1/2"), parse_amount("½"), parse_amount("300-320")
    ((1.5, 1.5), (0.5, 0.5), (300.0, 320.0))
    """
    spaced = "".join(f" {ch}" if ch in _VULGAR else ch for ch in text)
    plain = unicodedata.normalize("NFKC", spaced).replace("\N{FRACTION SLASH}", "/")
    plain = re.sub("[‐‑‒–—−]", "-", plain).strip()
    found = _AMOUNT.fullmatch(plain)
    if not found:
        return _no_amount(plain)
    try:
        low, high = (_value(one) for one in (found[1], found[2] or found[1]))
    except ZeroDivisionError:
        return Mend("a fraction such as 1/2", "correct what stands under the stroke")
    if low > high:
        return Mend(
            "a range from low to high",
            f"write {plain.split('-')[0].strip()} {found[2]} with a space if one amount is meant"
            if "/" in (found[2] or "")
            else "write the smaller amount first",
        )
    if not math.isfinite(high) or high > LARGEST:
        return Mend(f"an amount up to {LARGEST:g}", "correct the amount or its unit")
    return low, high


def _value(text: str) -> float:
    *whole, last = text.split()
    if "/" in last:
        above, below = last.split("/")
        return sum(map(float, whole)) + float(above) / float(below)
    return float(last)


def _no_amount(plain: str) -> Mend:
    expected = "an amount such as 500, 1 1/2, ½ or 300-320"
    if not plain or plain.casefold() in ("nan", "none", "<na>"):
        return Mend(expected, "fill the amount; weigh it if none was written down")
    if plain.startswith("-"):
        return Mend(expected, "an amount cannot be below nothing: correct the sign")
    if "," in plain:
        point, none = plain.replace(",", "."), plain.replace(",", "")
        return Mend("an amount with a decimal point", f"write {point} or {none}")
    if more := _NUMBER_AND_MORE.fullmatch(plain):
        return Mend(expected, f"write {more[1]} alone, and the unit in its own column")
    return Mend(expected, "write the amount in figures")


def read_amounts(amounts: pd.Series) -> tuple[np.ndarray, np.ndarray, dict[int, Mend]]:
    """Low and high of every amount, and the faults by row; each different text is read once."""
    if pd.api.types.is_numeric_dtype(amounts) and not pd.api.types.is_bool_dtype(amounts):
        values = amounts.to_numpy(dtype=float, na_value=np.nan, copy=True)
        bad = ~(np.isfinite(values) & (values >= 0) & (values <= LARGEST))
        faults = {row: parse_amount(f"{values[row]:.17g}") for row in np.flatnonzero(bad)}
        values[bad] = np.nan
        return values, values.copy(), faults
    codes, seen = pd.factorize(amounts.astype("str"), use_na_sentinel=True)
    seen = [*map(str, seen), ""]
    low = pd.to_numeric(pd.Series(seen, dtype="str"), errors="coerce").to_numpy(float, copy=True)
    high = low.copy()
    hard = np.flatnonzero(~((low >= 0) & (low <= LARGEST)))
    unread = {}
    for place in hard:
        read = parse_amount(seen[place])
        if isinstance(read, Mend):
            unread[place] = read
            low[place] = high[place] = np.nan
        else:
            low[place], high[place] = read
    codes = np.where(codes < 0, len(seen) - 1, codes)
    faults = {}
    if unread:
        for row in np.flatnonzero(np.isin(codes, list(unread))):
            faults[int(row)] = unread[codes[row]]
    return low[codes], high[codes], faults


def unit_of_amount(word: str) -> tuple[int, float, str] | None:
    """Kind and size of a unit as written, or None if it is not known.

    >>> unit_of_amount("Cups")[1]
    236.5882365
    """
    key = word.casefold().strip()
    return UNITS.get(key) or UNITS.get(key.rstrip("."))


def unit_mend(word: str) -> str:
    """How to mend an unknown unit: the nearest known ones, and the way round."""
    close = nearest(word.casefold(), UNITS)
    return (close + " " if close else "") + f"known units: {KNOWN_UNITS}; or weigh it and write g"
