"""Ratings traced to their pieces: checked once, then held as arrays for every question."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    problem_error,
    require_columns,
    require_unique,
)

FEW_LEVELS = 3
"""A number with more levels than this is adjusted for as a straight line, else level by level."""


@dataclass(frozen=True)
class Answers:
    """Every answered score, as places in the lists of names.

    An absent row and an empty score mean the same: nothing was answered.
    `pieces` are the served pieces in the order of the table, `dough` gives the dough of each.
    """

    score: np.ndarray
    attribute: np.ndarray
    piece: np.ndarray
    assessor: np.ndarray
    tasting: np.ndarray
    attributes: list[str]
    pieces: list[str]
    dough: list[str]
    assessors: list[str]
    tastings: list[str]

    def cells(self, attribute: int) -> tuple[np.ndarray, np.ndarray]:
        """Piece × assessor: the mean of each one's portions, and how many there were.

        A second portion is the same person's repeated measure: it makes the cell surer, it is
        no further person.
        """
        return self._cells(self.attribute == attribute)

    def tasting_cells(self, attribute: int, tasting: int) -> tuple[np.ndarray, np.ndarray]:
        """The same within one tasting."""
        return self._cells((self.attribute == attribute) & (self.tasting == tasting))

    def _cells(self, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        shape = len(self.pieces), len(self.assessors)
        place = np.ravel_multi_index((self.piece[chosen], self.assessor[chosen]), shape)
        size = shape[0] * shape[1]
        count = np.bincount(place, minlength=size).reshape(shape)
        total = np.bincount(place, weights=self.score[chosen], minlength=size).reshape(shape)
        return total / np.maximum(count, 1), count


def gather(ratings: pd.DataFrame, servings: pd.DataFrame, pieces: pd.DataFrame) -> Answers:
    """Trace each answered score to its piece, dough, assessor and tasting, or say what hinders."""
    _raise_together(
        lambda: require_columns(ratings, "serving", "attribute", "score", table="ratings"),
        *_columns_there(servings, pieces),
    )
    servings = _with_repeat(servings)
    _raise_together(
        lambda: _no_gaps(ratings, "serving", "attribute", table="ratings"),
        lambda: require_unique(ratings, "serving", "attribute", table="ratings"),
        lambda: _known(ratings, "serving", servings, table="ratings", other="servings"),
        lambda: _numbers(ratings),
        *_keys_fit(servings, pieces),
    )
    return _as_arrays(ratings, servings, pieces)


def traced(servings: pd.DataFrame, pieces: pd.DataFrame) -> pd.DataFrame:
    """Servings, each with its repeat, once every one is traced to a piece and its dough."""
    _raise_together(*_columns_there(servings, pieces))
    servings = _with_repeat(servings)
    _raise_together(*_keys_fit(servings, pieces))
    return servings


def piece_columns(
    names: list[str], pieces: pd.DataFrame, adjust_for: Sequence[str] | None
) -> pd.DataFrame:
    """What pieces of one dough were meant to differ by, piece by piece: numbers or words.

    Left out, that is bake_min if there is such a column. A number with few levels becomes words,
    so that no straight line is asked of it.
    """
    if adjust_for is None:
        adjust_for = ["bake_min"] if "bake_min" in pieces.columns else []
    require_columns(pieces, *adjust_for, table="pieces")
    known = pieces.set_index("piece").loc[names].reset_index(drop=True)
    found = pd.DataFrame(index=known.index)
    for name in adjust_for:
        value = known[name]
        if pd.api.types.is_numeric_dtype(value) and value.nunique() > FEW_LEVELS:
            found[name] = value.fillna(value.mean()).astype(float)
            continue
        # A dough without any level (the reference) stands on the first: its own mean holds it.
        empty = value.isna().groupby(known["dough"]).transform("all")
        words = value.map(str, na_action="ignore").astype("str").fillna("not noted")
        first = words[value.notna()].iloc[0] if value.notna().any() else "not noted"
        found[name] = words.mask(empty, first)
    return found


def piece_levels(
    names: list[str], pieces: pd.DataFrame, adjust_for: Sequence[str] | None
) -> tuple[str, np.ndarray]:
    """The same as columns of numbers for least squares, a category's first level without one."""
    found = piece_columns(names, pieces, adjust_for)
    parts = [np.zeros((len(names), 0))]
    for value in (found[name] for name in found):
        if pd.api.types.is_numeric_dtype(value):
            parts.append(value.to_numpy()[:, None])
        else:
            code, levels = pd.factorize(value)
            parts.append(np.eye(len(levels))[code][:, 1:])
    return ", ".join(found.columns), np.hstack(parts)


def _columns_there(servings: pd.DataFrame, pieces: pd.DataFrame) -> list[Callable[[], None]]:
    return [
        lambda: require_columns(
            servings, "serving", "tasting", "assessor", "piece", table="servings"
        ),
        lambda: require_columns(pieces, "piece", "dough", table="pieces"),
    ]


def _with_repeat(servings: pd.DataFrame) -> pd.DataFrame:
    if "repeat" not in servings.columns:
        servings = servings.assign(repeat=1.0)
    return servings.assign(repeat=servings["repeat"].fillna(1.0))


def _keys_fit(servings: pd.DataFrame, pieces: pd.DataFrame) -> list[Callable[[], None]]:
    return [
        lambda: _no_gaps(servings, "serving", "tasting", "assessor", "piece", table="servings"),
        lambda: _no_gaps(pieces, "piece", "dough", table="pieces"),
        lambda: require_unique(servings, "serving", table="servings"),
        lambda: require_unique(
            servings, "tasting", "assessor", "piece", "repeat", table="servings"
        ),
        lambda: require_unique(pieces, "piece", table="pieces"),
        lambda: _known(servings, "piece", pieces, table="servings", other="pieces"),
    ]


def _as_arrays(ratings, servings, pieces) -> Answers:
    scores = ratings["score"].to_numpy(dtype=float)
    attribute, attributes = pd.factorize(ratings["attribute"])
    answered = ~np.isnan(scores)
    if not answered.any():
        raise problem_error(
            "ratings",
            column="score",
            found="no answered score",
            expected="at least one score",
            mend="type in the ballots",
        )
    row = pd.Index(servings["serving"]).get_indexer(ratings["serving"])[answered]
    served = pieces.loc[pieces["piece"].isin(servings["piece"])]
    names = pd.Index(served["piece"])
    assessor, assessors = pd.factorize(servings["assessor"])
    tasting, tastings = pd.factorize(servings["tasting"])
    return Answers(
        score=scores[answered],
        attribute=attribute[answered],
        piece=names.get_indexer(servings["piece"])[row],
        assessor=assessor[row],
        tasting=tasting[row],
        attributes=list(attributes),
        pieces=list(names),
        dough=list(served["dough"]),
        assessors=list(assessors),
        tastings=list(tastings),
    )


def _raise_together(*checks: Callable[[], None]) -> None:
    problems: list[Problem] = []
    for check in checks:
        try:
            check()
        except StudyProblems as error:
            problems += error.problems
    if problems:
        raise StudyProblems(problems)


def _no_gaps(frame: pd.DataFrame, *names: str, table: str) -> None:
    problems = [
        Problem(
            table,
            key=f"row {frame.index.get_loc(at) if frame.index.is_unique else at}",
            column=name,
            found="an empty cell",
            expected="a name",
            mend="fill it in, or delete the row",
        )
        for name in names
        if frame[name].isna().any()
        for at in frame.index[frame[name].isna()]
    ]
    if problems:
        raise StudyProblems(problems)


def _known(frame, name: str, others: pd.DataFrame, *, table: str, other: str) -> None:
    unknown = frame.loc[~frame[name].isin(others[name]) & frame[name].notna(), name].unique()
    if len(unknown):
        raise StudyProblems(
            Problem(
                table,
                key=f"{name} {one}",
                column=name,
                found=f"'{one}'",
                expected=f"a {name} of the table {other}",
                mend=nearest(one, others[name]) or f"add it to {other}, or correct the name",
            )
            for one in unknown
        )


def _numbers(ratings: pd.DataFrame) -> None:
    if not pd.api.types.is_numeric_dtype(ratings["score"]):
        found, what = "text", "numbers (an empty cell for no answer)"
    elif np.isinf(ratings["score"].to_numpy(dtype=float)).any():
        found, what = "an endless number", "finite numbers"
    else:
        return
    raise problem_error(
        "ratings",
        column="score",
        found=found,
        expected=what,
        mend="read the table with doughkit, or turn the column into numbers",
    )
