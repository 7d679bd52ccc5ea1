"""Formula lines → grams of every ingredient and the flour they are reckoned on.

A starter, a part or a formula named as an ingredient brings flour with it, so each line has a
share of flour between 0 and 1 and percentages are of all flour wherever it stands.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from doughkit.formulas.basis import LEAST_FLOUR_G, Basis
from doughkit.formulas.known import WETTEST_FLOUR_PCT, Known
from doughkit.formulas.lines import Lines, read_lines
from doughkit.formulas.naming import FORMULA, PART
from doughkit.formulas.own import known_ingredients
from doughkit.tables.problems import Problem, StudyProblems, problem_error

TAKES_AT_MOST = 1.02
"""A line may take this share of what a part makes before the two are held to contradict."""


MOST_LINES = 2_000_000
"""Formulas within formulas may not come to more lines than this."""


@dataclass(frozen=True, eq=False)
class Account:
    """Every ingredient line with its formula, `grams` and `percent` (rows low, middle, high).

    Lines that name a part or another formula have given way to what is in it. `flour_g` has one
    place per formula (0: no flour); `share` is the flour in a gram of each line; `inside` names
    the other formula that a line came with, `row` is its row in the frame it was read from.
    """

    known: Known
    formulas: np.ndarray
    formula: np.ndarray
    part: np.ndarray
    inside: np.ndarray
    row: np.ndarray
    final: np.ndarray
    ingredient: np.ndarray
    place: np.ndarray
    moisture: np.ndarray
    share: np.ndarray
    grams: np.ndarray
    percent: np.ndarray
    flour_g: np.ndarray
    dried_lot: np.ndarray

    def per_formula(self, weights: np.ndarray) -> np.ndarray:
        """Sum of something over the lines of each formula."""
        return np.bincount(self.formula, weights, minlength=len(self.formulas))


def account(formulas, ingredients=None, moistures=None) -> Account:
    """Read a frame of formulas and reckon every line in grams and percent of flour."""
    known = known_ingredients(ingredients, moistures)
    lines = read_lines(formulas, known)
    basis = Basis(lines)
    basis.solve()
    where = _expand(lines, basis)
    return _reckon(lines, basis, where)


@dataclass(frozen=True, eq=False)
class _Where:
    """For every line of the account: its line, its formula, the formula it came with (`prefix`),
    how many times its grams, and where it stands (`first`, then `second`)."""

    line: np.ndarray
    formula: np.ndarray
    prefix: np.ndarray
    times: np.ndarray
    first: np.ndarray
    second: np.ndarray

    def pick(self, which: np.ndarray) -> _Where:
        return _Where(*(getattr(self, one.name)[..., which] for one in fields(self)))

    @staticmethod
    def joined(parts: list[_Where]) -> _Where:
        columns = ([getattr(part, one.name) for part in parts] for one in fields(_Where))
        return _Where(*(np.concatenate(column, axis=-1) for column in columns))


def _expand(lines: Lines, basis: Basis) -> _Where:
    """Put what is in a part or formula in the place of the line that names it."""
    naming = lines.naming
    outer = np.flatnonzero(naming.basis < len(naming.formulas))
    empty = np.full(len(outer), "", dtype=object)
    times = np.ones((3, len(outer)))
    now = _Where(outer, naming.formula[outer], empty, times, outer, np.zeros_like(outer))
    if not (naming.basis_named >= 0).any():
        return now
    _check_taken(lines, basis)
    done = []
    while len(now.line):
        names = naming.basis_named[now.line] >= 0
        done.append(now.pick(~names))
        now = _inside(now.pick(names), lines, basis)
    found = _Where.joined(done)
    return found.pick(np.lexsort((found.second, found.first)))


def _inside(now: _Where, lines: Lines, basis: Basis) -> _Where:
    """The lines of what each of these lines names, times the share of it that is taken."""
    naming = lines.naming
    order = np.argsort(naming.basis, kind="stable")
    size = np.bincount(naming.basis, minlength=len(naming.bases))
    named = naming.basis_named[now.line]
    count = size[named]
    if count.sum() > MOST_LINES:
        raise problem_error(
            "formulas",
            key=naming.bases[named[0]],
            column="ingredient",
            found=f"formulas within formulas that come to {count.sum()} lines",
            expected=f"no more than {MOST_LINES}",
            mend="write the innermost formulas out",
        )
    again = np.repeat(np.arange(len(named)), count)
    start = (np.cumsum(size) - size)[named] - (np.cumsum(count) - count)
    child = order[start[again] + np.arange(len(again))]
    is_formula = (naming.names_a[now.line] == FORMULA)[again]
    called = naming.formulas[naming.formula[child]]
    share = now.times * basis.grams[:, now.line] / basis.mass[named]
    # What came with another formula stands where that was named, a part where it was written.
    inside = is_formula | (now.prefix[again] != "")
    return _Where(
        line=child,
        formula=now.formula[again],
        prefix=np.where(is_formula, called, now.prefix[again]),
        times=share[:, again],
        first=np.where(inside, now.first[again], child),
        second=np.where(inside, child, 0),
    )


def _check_taken(lines: Lines, basis: Basis) -> None:
    naming = lines.naming
    taking = np.flatnonzero(naming.basis_named >= 0)
    named = naming.basis_named[taking]
    count = len(naming.bases)
    empty = np.isin(np.arange(count), named) & (basis.mass < LEAST_FLOUR_G)
    of_part = taking[naming.names_a[taking] == PART]
    taken = np.bincount(naming.basis_named[of_part], basis.grams[1, of_part], minlength=count)
    in_percent = np.bincount(naming.basis[lines.percent], minlength=count) > 0
    over = (taken > TAKES_AT_MOST * basis.mass) & ~in_percent & ~empty
    problems = [
        Problem(
            "formulas",
            key=naming.bases[one],
            column="amount",
            found="nothing in it" if empty[one] else f"{taken[one]:g} g of it taken",
            expected="something to take from"
            if empty[one]
            else f"no more than the {basis.mass[one]:g} g that it makes",
            mend="correct the amounts of the part, or the line that takes from it",
        )
        for one in np.flatnonzero(empty | over)
    ]
    if problems:
        raise StudyProblems(problems)


def _reckon(lines: Lines, basis: Basis, where: _Where) -> Account:
    naming, line, formula = lines.naming, where.line, where.formula
    flour = basis.flour[:, : len(naming.formulas)]
    _check_flour(lines, flour[1])
    grams = basis.grams[:, line] * where.times
    part, prefix = lines.part[line], where.prefix
    inner = prefix != ""
    part = np.where(
        inner & ~naming.final[line], prefix + ": " + part, np.where(inner, prefix, part)
    )
    moisture, dried = _moisture(lines, line)
    return Account(
        known=lines.known,
        formulas=naming.formulas,
        formula=formula,
        part=part,
        inside=prefix,
        row=line,
        final=naming.final[line] & ~inner,
        ingredient=lines.ingredient[line],
        place=lines.place[line],
        moisture=moisture,
        share=basis.share[line],
        grams=grams,
        percent=_percent(lines, basis, where, grams),
        flour_g=flour[1],
        dried_lot=dried,
    )


def _percent(lines: Lines, basis: Basis, where: _Where, grams: np.ndarray) -> np.ndarray:
    """Percent of all flour; a line's own flour cannot be low while all flour is high."""
    flour, left = basis.flour[:, where.formula], basis.left[:, where.formula]
    own = basis.share[where.line] * grams
    with np.errstate(divide="ignore", invalid="ignore"):
        low = grams[0] / (flour[2] - (own[2] - own[0]) / left[2])
        high = grams[2] / (flour[0] + (own[2] - own[0]) / left[0])
        weighed = 100 * np.array([low, grams[1] / flour[1], high])
        written = lines.amount[:, where.line] * (basis.unit_flour[where.formula] / flour[1])
    outer = lines.naming.basis[where.line] == where.formula
    percent = np.where(outer & lines.percent[where.line], written, weighed)
    return np.where(flour[1] < LEAST_FLOUR_G, np.nan, percent)


def _check_flour(lines: Lines, flour: np.ndarray) -> None:
    """Only what another formula takes from may do without flour."""
    naming = lines.naming
    bad = (flour < LEAST_FLOUR_G) & ~np.isin(np.arange(len(flour)), naming.basis_named)
    if bad.any():
        raise StudyProblems(
            Problem(
                "formulas",
                key=f"formula {naming.formulas[one]}",
                column="ingredient",
                found="no flour",
                expected="at least one flour, since percentages are of flour",
                mend="add the flour, or give its role in the table ingredients",
            )
            for one in np.flatnonzero(bad)
        )


def _moisture(lines: Lines, line: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Moisture of every line, and which of it was dried from the line's own flour lot."""
    known = lines.known
    moisture = known.moisture[lines.place[line]]
    if not known.lots:
        return moisture, np.full(len(line), False)
    lots = [known.lots.get(lot, np.nan) for lot in lines.lot.words]
    dried = lines.lot.per_word(lots, float)[line]
    use = ~np.isnan(dried) & (known.role[lines.place[line]] == "flour")
    if (wet := use & (dried > WETTEST_FLOUR_PCT)).any():
        raise StudyProblems(
            Problem(
                "moistures",
                key=f"flour lot {lot}",
                column="dry_g",
                found=f"{known.lots[lot]:.1f} % water",
                expected=f"a flour with at most {WETTEST_FLOUR_PCT:g} % water",
                mend="look whether the sample is of that flour",
            )
            for lot in dict.fromkeys(lines.lot.text[line[wet]])
        )
    return np.where(use, dried, moisture), use
