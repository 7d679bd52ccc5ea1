"""Before a tasting: which levels of error a serving plan tells apart, and which it merges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.linalg.lapack import dpstrf as pstrf
from scipy.sparse import csc_array, csr_array, hstack
from scipy.sparse.csgraph import connected_components

from doughkit.panel.answers import piece_levels, traced
from doughkit.tables.problems import problem_error

LEVELS = {
    "bake day": "what shifts all pieces of one bake day",
    "tasting": "what shifts all scores of one tasting",
    "dough": "one dough's luck in mixing and ferment",
    "piece": "one piece's luck in shaping and baking",
    "assessor": "a taster's own level on the scale",
    "assessor × tasting": "how a taster's level moves from tasting to tasting",
    "assessor × dough": "a taster's own view of a dough",
    "assessor × piece": "a taster's own view of a piece",
    "single score": "how far a taster repeats himself on one piece",
}
"""Level → what it holds, from the coarse to the fine."""

SINGLE = "single score"

MEANT = {
    frozenset(["assessor × piece", SINGLE]): "nobody tastes a piece twice, so how far a taster "
    "repeats himself is not measured",
    frozenset(["dough", "piece"]): "one piece a dough, so the luck of a piece passes for the "
    "dough's",
    frozenset(["assessor × dough", "assessor × piece"]): "no taster meets two pieces of a dough",
    frozenset(["bake day", "tasting"]): "each bake day has its own tasting, so they are one level",
}
"""Sets of merged levels → what that means at the table."""

OWN_PIECES = "each taster has pieces of his own, so a piece's luck passes for a taster's error"

MOST = 12_000
"""Groups (of people, doughs, pieces) beyond which a plan should be looked at a round at a time."""


@dataclass(frozen=True)
class WhatSpreads:
    """Which levels of error a serving plan tells apart.

    levels: level, holds, groups, df, told_apart, together_with.
    notes: note; a sentence for each merged set.
    """

    levels: pd.DataFrame
    notes: pd.DataFrame

    def summary(self) -> str:
        """How many levels are told apart, and what the merged ones mean."""
        levels = self.levels
        alone = levels.loc[levels["told_apart"], "level"].tolist()
        said = f"Told apart: {len(alone)} of {len(levels)} levels of error"
        said += f" ({', '.join(alone)})." if alone else "."
        return " ".join([said, *self.notes["note"]])


def what_spreads(
    servings: pd.DataFrame, pieces: pd.DataFrame, *, adjust_for: Sequence[str] | None = None
) -> WhatSpreads:
    """Find which levels of error a serving plan can tell apart, with their degrees of freedom.

    Question: before anybody tastes, which kinds of luck will the scores be able to separate?

    Parameters
    ----------
    servings : DataFrame
        serving, tasting, assessor, piece, and repeat if there are second portions.
    pieces : DataFrame
        piece, dough, bake_day where known, and the columns to adjust for.
    adjust_for : list of str, optional
        Columns of `pieces` in which the pieces of one dough differ on purpose, taken to act alike
        on every dough; left out: bake_min if `pieces` has it.

    Returns
    -------
    WhatSpreads: levels (level, holds, groups, df, told_apart, together_with), notes (note),
        summary(). `df` of a level is what it adds to all levels that don't lie within it; merged
        levels share one number. A level with a single group is left out.

    Raises
    ------
    StudyProblems: tables that don't fit, fewer than two servings, or more than 12,000
        groups to tell apart.

    Range: what could be told apart with every planned portion answered. Few degrees of freedom
        tell a level apart and still measure it poorly: 3 leave its size open by a factor of four.

    Source: which variances a layout estimates: Searle, Casella and McCulloch, Variance Components,
        Wiley 1992, chapter 11 (from memory).

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": ["A1", "A2", "B1", "B2"], "dough": list("AABB")})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", "T1", who, piece) for who in ("Ann", "Bo", "Cy")
    ...      for piece in pieces["piece"]], columns=["serving", "tasting", "assessor", "piece"])
    >>> found = what_spreads(servings, pieces)
    >>> found.levels.loc[~found.levels["told_apart"], ["level", "df"]].values.tolist()
    [['assessor × piece', 4.0], ['single score', 4.0]]
    """
    servings = traced(servings, pieces)
    if len(servings) < 2:
        raise problem_error(
            "servings",
            found=f"{len(servings)} servings",
            expected="two or more",
            mend="plan a tasting first",
        )
    codes = _codes(servings, pieces)
    fixed = _fixed(servings, pieces, adjust_for)
    names, every = list(codes), list(codes.values())
    group = merged(every, fixed)
    rows = [
        (
            name,
            LEVELS[name],
            int(codes[name].max()) + 1,
            _df(at, group, every, fixed),
            int((group == group[at]).sum()) == 1,
            ", ".join(names[b] for b in np.flatnonzero(group == group[at]) if b != at),
        )
        for at, name in enumerate(names)
    ]
    columns = ["level", "holds", "groups", "df", "told_apart", "together_with"]
    notes = [_note([names[at] for at in np.flatnonzero(group == one)]) for one in np.unique(group)]
    return WhatSpreads(
        levels=pd.DataFrame(rows, columns=columns),
        notes=pd.DataFrame({"note": pd.Series([one for one in notes if one], dtype="str")}),
    )


def _codes(servings: pd.DataFrame, pieces: pd.DataFrame) -> dict[str, np.ndarray]:
    """Each level's group of every serving; levels of one group say nothing and are left out."""
    known = pieces.set_index("piece").loc[servings["piece"]]
    columns = {
        "tasting": servings["tasting"].to_numpy(),
        "dough": known["dough"].to_numpy(),
        "piece": servings["piece"].to_numpy(),
        "assessor": servings["assessor"].to_numpy(),
    }
    if "bake_day" in known.columns and known["bake_day"].notna().all():
        columns["bake day"] = known["bake_day"].to_numpy()
    columns = {name: column for name, column in columns.items() if len(pd.unique(column)) > 1}
    found = {}
    for level in LEVELS:
        parts = level.split(" × ")
        if level == SINGLE:
            found[level] = np.arange(len(servings))
        elif all(part in columns for part in parts):
            key = pd.MultiIndex.from_arrays([columns[part] for part in parts])
            found[level] = pd.factorize(key)[0]
    return found


def _fixed(servings: pd.DataFrame, pieces: pd.DataFrame, adjust_for) -> np.ndarray:
    """An orthonormal base of the mean and of what pieces were meant to differ by."""
    _, levels = piece_levels(list(servings["piece"]), pieces, adjust_for)
    design = np.column_stack([np.ones(len(servings)), levels])
    left, value, _ = np.linalg.svd(design, full_matrices=False)
    return left[:, value > 1e-10 * value[0]]


def merged(codes: list[np.ndarray], fixed: np.ndarray) -> np.ndarray:
    """Number levels so that those share a number whose spreads only add up in these servings.

    -1: all of the level is in `fixed`, orthonormal columns.
    """
    held = [_sums(code, fixed) for code in codes]
    square = np.array(
        [
            [_alike(one, other, left, right) for other, right in zip(codes, held, strict=True)]
            for one, left in zip(codes, held, strict=True)
        ]
    )
    seen = np.array([len(fixed) - (one**2).sum() > 1e-9 * len(fixed) for one in held])
    scale = np.sqrt(np.diag(square)[seen])
    value, vector = np.linalg.eigh(square[np.ix_(seen, seen)] / np.outer(scale, scale))
    unseen = vector[:, value < 1e-9]
    together = (np.abs(unseen @ unseen.T) > 1e-6) | np.eye(int(seen.sum()), dtype=bool)
    group = np.full(len(codes), -1)
    group[seen] = connected_components(together, directed=False)[1]
    return group


def _sums(code: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Sum of each column in each group: groups × columns."""
    groups = csr_array((np.ones(len(code)), (code, np.arange(len(code)))))
    return groups @ columns


def _alike(one: np.ndarray, other: np.ndarray, left: np.ndarray, right: np.ndarray) -> float:
    """What two levels' groups, less what the fixed columns hold, share: a sum of squares.

    Of the table that counts how often each group meets each, only the meetings are looked at.
    """
    pairs, count = np.unique(one * (other.max() + 1) + other, return_counts=True)
    at, beside = np.divmod(pairs, other.max() + 1)
    crossed = count @ (count - 2 * (left[at] * right[beside]).sum(axis=1))
    return float(crossed + ((left.T @ left) * (right.T @ right)).sum())


def _df(at: int, group: np.ndarray, codes: list[np.ndarray], fixed: np.ndarray) -> float:
    own = np.flatnonzero(group == group[at])
    others = [
        code
        for one, code in enumerate(codes)
        if one not in own and not any(_within(code, codes[mine]) for mine in own)
    ]
    mine = [codes[one] for one in own]
    return float(_rank([*others, *mine], fixed) - _rank(others, fixed))


def _within(fine: np.ndarray, coarse: np.ndarray) -> bool:
    """Every group of `fine` lies in one group of `coarse`."""
    first = np.zeros(fine.max() + 1, dtype=coarse.dtype)
    first[fine] = coarse
    return bool((first[fine] == coarse).all())


def _rank(codes: list[np.ndarray], fixed: np.ndarray) -> int:
    """How many independent columns the groups of all levels and the fixed columns make."""
    finest = []
    for code in sorted(codes, key=lambda one: -one.max()):
        if not any(_within(fine, code) for fine in finest):
            finest.append(code)
    if finest and finest[0].max() + 1 == len(fixed):
        return len(fixed)
    groups = [csc_array((np.ones(len(one)), (np.arange(len(one)), one))) for one in finest]
    columns = hstack([csc_array(fixed), *groups], format="csc")
    if columns.shape[1] > MOST:
        raise problem_error(
            "servings",
            found=f"{columns.shape[1]} groups of people, doughs and pieces",
            expected=f"{MOST} at most",
            mend="hand in the servings of one round or tasting",
        )
    square = (columns.T @ columns).toarray()
    size = np.sqrt(np.diag(square))
    return int(pstrf(square / np.outer(size, size), tol=1e-9, lower=1)[2])


def _note(levels: list[str]) -> str:
    if len(levels) < 2:
        return ""
    known = frozenset(levels)
    meant = [why for merged, why in MEANT.items() if merged <= known]
    if {"piece", "assessor × piece"} <= known:
        meant = [OWN_PIECES, *(why for why in meant if "passes for the dough" in why)]
    why = f": {'; '.join(meant)}" if meant else ""
    return f"Not told apart: {' and '.join(levels)}{why}."
