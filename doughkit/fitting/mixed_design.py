"""The model's terms: factors as columns, and the contrasts that test a term or compare levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    problem_error,
    require_columns,
)

TERMS = ("linear", "interactions")


@dataclass(frozen=True, eq=False)
class Factor:
    """One factor: `levels` and each row's level, or (a number) no levels and centred values."""

    name: str
    levels: list[str]
    code: np.ndarray
    centre: float

    @property
    def is_number(self) -> bool:
        return not self.levels

    @property
    def table(self) -> np.ndarray:
        """Columns of each level; the first level has none of its own."""
        return np.eye(len(self.levels))[:, 1:]

    @property
    def columns(self) -> list[str]:
        return [self.name] if self.is_number else [f"{self.name} {one}" for one in self.levels[1:]]

    def rows(self, rows: np.ndarray) -> np.ndarray:
        return self.code[rows][:, None] if self.is_number else self.table[self.code[rows]]

    @property
    def average(self) -> np.ndarray:
        return np.zeros((1, 1)) if self.is_number else self.table.mean(0, keepdims=True)

    @property
    def each(self) -> np.ndarray:
        """A row per level; of a number: its mean and one unit more."""
        return np.array([[0.0], [1.0]]) if self.is_number else self.table

    @property
    def apart(self) -> np.ndarray:
        """Orthonormal contrasts between those rows (Helmert's)."""
        count = len(self.each)
        if self.is_number:
            return np.array([[-1.0, 1.0]])
        helmert = np.zeros((count - 1, count))
        for at in range(1, count):
            helmert[at - 1, :at], helmert[at - 1, at] = -1.0, at
            helmert[at - 1] /= np.sqrt(at * (at + 1))
        return helmert


@dataclass(frozen=True, eq=False)
class Design:
    """Factors, and the terms as tuples of places in their list."""

    factors: list[Factor]
    terms: list[tuple[int, ...]]

    @property
    def columns(self) -> list[str]:
        names = ["constant"]
        for term in self.terms:
            made = [""]
            for at in term:
                made = [f"{a} × {b}" if a else b for a in made for b in self.factors[at].columns]
            names += made
        return names

    def name(self, term: tuple[int, ...]) -> str:
        return " × ".join(self.factors[at].name for at in term)

    def matrix(self, parts: list[np.ndarray]) -> np.ndarray:
        """Model rows from each factor's own rows (as many, or one for all)."""
        rows = max((len(part) for part in parts), default=1)
        blocks = [np.ones((rows, 1))]
        for term in self.terms:
            made = np.ones((1, 1))
            for at in term:
                one = parts[at]
                made = (made[:, :, None] * one[:, None, :]).reshape(max(len(made), len(one)), -1)
            blocks.append(np.broadcast_to(made, (rows, made.shape[1])))
        return np.hstack(blocks)

    def rows(self, rows: np.ndarray) -> np.ndarray:
        if not self.factors:
            return np.ones((rows.size, 1))
        return self.matrix([factor.rows(rows) for factor in self.factors])

    def averaged(self, chosen: Sequence[int]) -> np.ndarray:
        """A row per combination of the chosen factors' levels, averaged over all others."""
        parts = [factor.average for factor in self.factors]
        if not chosen:
            return self.matrix(parts)
        sizes = [len(self.factors[at].each) for at in chosen]
        places = np.unravel_index(np.arange(np.prod(sizes)), sizes)
        for at, place in zip(chosen, places, strict=True):
            parts[at] = self.factors[at].each[place]
        return self.matrix(parts)

    def test_of(self, term: tuple[int, ...]) -> np.ndarray:
        """Contrasts that are zero when the term does nothing, averaged over the other factors."""
        apart = np.ones((1, 1))
        for at in term:
            apart = np.kron(apart, self.factors[at].apart)
        return apart @ self.averaged(term)


def read_factors(frame: pd.DataFrame, names: Sequence[str], terms: str) -> Design:
    """Factors of the frame: numbers as slopes, anything else as categories."""
    if terms not in TERMS:
        raise problem_error(
            "options",
            column="terms",
            found=f"'{terms}'",
            expected=" or ".join(TERMS),
            mend=nearest(terms, TERMS) or "choose one of them",
        )
    names = [names] if isinstance(names, str) else list(names)
    require_columns(frame, *names, table="frame")
    refuse_gaps(frame, names)
    factors = [_factor(frame[name], name) for name in names]
    alone = [(at,) for at in range(len(factors))]
    pairs = list(combinations(range(len(factors)), 2)) if terms == "interactions" else []
    return Design(factors, alone + pairs)


def _factor(values: pd.Series, name: str) -> Factor:
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        numbers = values.to_numpy(dtype=float)
        if np.ptp(numbers) == 0:
            raise problem_error(
                "frame",
                column=name,
                found=f"{numbers[0]:g} in every row",
                expected="at least two values",
                mend=f"leave '{name}' out",
            )
        return Factor(name, [], numbers - numbers.mean(), float(numbers.mean()))
    code, levels = pd.factorize(values)
    if len(levels) < 2:
        raise problem_error(
            "frame",
            column=name,
            found=f"'{levels[0]}' in every row",
            expected="at least two levels",
            mend=f"leave '{name}' out",
        )
    return Factor(name, [str(one) for one in levels], code, 0.0)


def refuse_gaps(frame: pd.DataFrame, names: Sequence[str]) -> None:
    """Refuse empty or endless cells in columns that place a row."""
    problems = []
    for name in names:
        bad = frame[name].isna().to_numpy()
        if pd.api.types.is_float_dtype(frame[name]):
            bad = bad | np.isinf(frame[name].to_numpy(dtype=float))
        if bad.any():
            problems.append(
                Problem(
                    "frame",
                    key=f"row {frame.index[np.argmax(bad)]}",
                    column=name,
                    found=f"{int(bad.sum())} empty or endless cells, the first here",
                    expected="a level or a finite number in every row",
                    mend="fill them in, or leave those rows out on purpose",
                )
            )
    if problems:
        raise StudyProblems(problems)
