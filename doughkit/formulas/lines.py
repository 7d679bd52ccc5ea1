"""A frame of formulas, checked line by line and held as arrays; all faults are told at once."""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.formulas.known import HERE, Known
from doughkit.formulas.naming import INGREDIENT, Naming, read_naming
from doughkit.formulas.units import (
    COUNT,
    OTHER_SPREAD,
    PERCENT,
    VOLUME,
    VOLUME_SPREAD,
    Mend,
    read_amounts,
    unit_mend,
    unit_of_amount,
)
from doughkit.formulas.words import Words, one_column, words_of
from doughkit.tables.problems import Problem, StudyProblems, require_columns

NOTHING = {"", "nan", "None", "<NA>", "NaT"}
"""How an empty cell reads once it is text."""
TEXT = ("formula", "part", "ingredient", "unit", "flour_lot")


@dataclass(frozen=True, eq=False)
class Lines:
    """Formula lines as arrays.

    `amount` has three rows, low, middle and high: grams, or percent of flour where `percent` is
    set. `place` is the ingredient's place in `known`, −1 for a part or formula.
    """

    known: Known
    naming: Naming
    part: np.ndarray
    ingredient: np.ndarray
    lot: Words
    place: np.ndarray
    amount: np.ndarray
    percent: np.ndarray

    def __len__(self) -> int:
        return len(self.place)


def read_lines(formulas: pd.DataFrame, known: Known) -> Lines:
    """Check a frame of formulas and hold it as arrays."""
    require_columns(formulas, "formula", "ingredient", "amount", "unit", table="formulas")
    words = words_of(formulas, TEXT, "formulas")
    written = one_column(formulas, "amount", "formulas")
    low, high, amount_faults = read_amounts(written)
    naming = read_naming(words["formula"], words["part"], words["ingredient"])
    places = [known.place(name) for name in words["ingredient"].words]
    is_ingredient = naming.names_a == INGREDIENT
    place = np.where(is_ingredient, words["ingredient"].per_word(places, int), -1)
    kind, size, counted = _units(words["unit"])
    per = _grams_per_unit(place, kind, size, counted, known)
    faults = _Faults(words, written, known)
    faults.tell("formula", words["formula"].is_empty(), faults.no_formula)
    faults.tell("ingredient", is_ingredient & (place < 0), faults.unknown)
    faults.tell("amount", np.isin(np.arange(len(low)), list(amount_faults)), amount_faults.get)
    faults.tell("unit", kind < 0, faults.no_unit)
    weighable = np.isnan(per[1]) & (kind >= 0) & ((place >= 0) | ~is_ingredient)
    faults.tell("unit", weighable, faults.no_mass)
    faults.raise_all()
    return Lines(
        known=known,
        naming=naming,
        part=words["part"].text,
        ingredient=words["ingredient"].text,
        lot=words["flour_lot"],
        place=place,
        amount=np.array([low, (low + high) / 2, high]) * per,
        percent=kind == PERCENT,
    )


def _units(unit: Words) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Kind (−1 for an unknown unit), size and counted unit of every line."""
    found = [unit_of_amount(word) or (-1, 0.0, "") for word in unit.words]
    kind, size, counted = zip(*found, strict=True) if found else ((), (), ())
    return (
        unit.per_word(kind, int),
        unit.per_word(size, float),
        unit.per_word(counted, object),
    )


@functools.cache
def counted_masses() -> dict[tuple[str, str], tuple[float, float, float]]:
    """Low, middle and high mass of one counted thing, by ingredient and unit."""
    with (HERE / "counts.csv").open(encoding="utf8", newline="") as file:
        return {
            (row["ingredient"], row["unit"]): tuple(
                float(row[name]) for name in ("low", "grams", "high")
            )
            for row in csv.DictReader(file)
        }


def _grams_per_unit(place, kind, size, counted, known) -> np.ndarray:
    """Grams (or percent) in one unit of each line: low, middle, high; nan where not known."""
    per = np.array([size, size, size])
    named = place >= 0
    volume = kind == VOLUME
    if volume.any():
        misses = np.array([VOLUME_SPREAD.get(role, OTHER_SPREAD) for role in known.role])
        density = np.where(named, known.density[place], np.nan)
        miss = misses[place]
        per[:, volume] *= (density * np.array([1 - miss, np.ones(len(miss)), 1 + miss]))[:, volume]
    for line in np.flatnonzero(kind == COUNT):
        thing = (known.names[place[line]] if named[line] else "", counted[line])
        per[:, line] = counted_masses().get(thing, (np.nan,) * 3)
    return per


class _Faults:
    """Gathers the faults of formula lines, to tell them in the order of the lines."""

    def __init__(self, words: dict[str, Words], written: pd.Series, known: Known):
        self.words, self.written = words, written
        self.problems: list[tuple[int, Problem]] = []
        # The nearest names of a word are looked for once, however often it stands.
        self.mend_of = functools.cache(known.mend)
        self.unit_mend_of = functools.cache(unit_mend)

    def tell(self, column: str, bad: np.ndarray, about) -> None:
        """`about(line)` gives what has `expected` and `mend`, for every line that is bad."""
        for line in map(int, np.flatnonzero(bad)):
            fault = about(line)
            cell = self.written.iloc[line] if column == "amount" else self._cell(column, line)
            problem = Problem(
                "formulas",
                key=self._key(line),
                column=column,
                found="nothing" if str(cell) in NOTHING else f"'{cell}'",
                expected=fault.expected,
                mend=fault.mend,
            )
            self.problems.append((line, problem))

    def _cell(self, column: str, line: int) -> str:
        words = self.words[column]
        return words.words[words.codes[line]]

    def _key(self, line: int) -> str:
        named = [(what, self._cell(what, line)) for what in ("formula", "part", "ingredient")]
        return ", ".join(f"{what} {name}" for what, name in named if name) or f"row {line + 1}"

    def raise_all(self) -> None:
        if self.problems:
            ordered = sorted(self.problems, key=lambda one: one[0])
            raise StudyProblems([problem for _, problem in ordered], about="the formulas")

    def no_formula(self, line: int) -> Mend:
        return Mend("the formula's name", "name the formula this line belongs to")

    def unknown(self, line: int) -> Mend:
        return Mend(
            "a known ingredient, a part or another formula",
            self.mend_of(self._cell("ingredient", line)),
        )

    def no_unit(self, line: int) -> Mend:
        return Mend("a known unit", self.unit_mend_of(self._cell("unit", line)))

    def no_mass(self, line: int) -> Mend:
        counted = unit_of_amount(self._cell("unit", line))[0] == COUNT
        return Mend(
            f"a unit by which '{self._cell('ingredient', line)}' can be weighed",
            "weigh one and write g"
            if counted
            else "write g, or give density_g_ml in the table ingredients",
        )
