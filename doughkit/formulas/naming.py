"""What a formula line names: an ingredient, a part of the same formula, or another formula.

A part that some line takes from, and a formula, is a *basis*: percentages written in it are of its
own flour, and the line that takes from it says how much of it goes in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.formulas.words import Words

FINAL_DOUGH = frozenset({"", "final", "final dough", "main dough", "dough"})
"""Names under which a part is the final dough itself."""

INGREDIENT, PART, FORMULA = range(3)


@dataclass(frozen=True, eq=False)
class Naming:
    """Per line: `names_a` (INGREDIENT, PART, FORMULA), its `basis`, the `basis_named` or −1.

    The first bases are the formulas in order of appearance (`formula` counts them), then come the
    parts that are taken from. `final` marks lines of the final dough.
    """

    formulas: np.ndarray
    formula: np.ndarray
    final: np.ndarray
    names_a: np.ndarray
    basis: np.ndarray
    basis_named: np.ndarray
    bases: list[str]


def read_naming(formula_words: Words, part_words: Words, ingredient_words: Words) -> Naming:
    """Sort out what every line names; capitals make no difference between names."""
    formula, formulas = formula_words.codes, formula_words.words
    count = len(formulas)
    place: dict[str, int] = {}
    fold = [
        np.array([place.setdefault(word.casefold(), len(place)) for word in each.words], dtype=int)
        for each in (formula_words, part_words, ingredient_words)
    ]
    words, of_formula = list(place), fold[0]
    of_part, of_ingredient = fold[1][part_words.codes], fold[2][ingredient_words.codes]
    final = np.isin(of_part, [code for code, word in enumerate(words) if word in FINAL_DOUGH])
    # The first of two formulas that differ only in capitals is the one that is meant.
    first = np.full(len(words), -1)
    first[of_formula[::-1]] = np.arange(count)[::-1]
    asked_formula = first[of_ingredient]
    # A part is known by its formula and its name together.
    part_key, asked_key = (formula * len(words) + code for code in (of_part, of_ingredient))
    names_a = np.full(len(formula), INGREDIENT)
    names_a[(asked_formula >= 0) & (asked_formula != formula)] = FORMULA
    names_a[np.isin(asked_key, part_key[~final]) & (asked_key != part_key)] = PART

    is_part = names_a == PART
    taken, rows = np.unique(asked_key[is_part], return_index=True)
    labels = [f"formula {name}" for name in formulas]
    labels += [
        f"formula {formulas[formula[row]]}, part {ingredient_words.text[row]}"
        for row in np.flatnonzero(is_part)[rows]
    ]
    basis = np.where(
        np.isin(part_key, taken) & ~final, count + np.searchsorted(taken, part_key), formula
    )
    named = np.where(names_a == FORMULA, asked_formula, -1)
    named[is_part] = count + np.searchsorted(taken, asked_key[is_part])
    return Naming(formulas, formula, final, names_a, basis, named, labels)
