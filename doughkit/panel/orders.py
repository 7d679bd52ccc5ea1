"""Orders of tasting in which each piece follows each other equally often, and how even they are."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns, require_unique


def williams_rows(count: int) -> np.ndarray:
    """Orders of `count` pieces balanced for place and for what came just before.

    `count` rows if even, twice as many if odd (the mirrored rows are needed too). Source:
    Williams, Australian Journal of Scientific Research A 2, 1949, 149-168.
    """
    first = [0]
    for step in range(1, count):
        first.append((step + 1) // 2 if step % 2 else count - step // 2)
    square = (np.array(first) + np.arange(count)[:, None]) % count
    return square if count % 2 == 0 or count == 1 else np.vstack([square, square[:, ::-1]])


def balanced_rows(count: int, wanted: int, draw: np.random.Generator) -> np.ndarray:
    """`wanted` orders of `count` pieces: whole balanced sets, then the most even part of one."""
    rows = williams_rows(count)
    parts = [draw.permutation(rows) for _ in range(wanted // len(rows))]
    left = wanted % len(rows)
    if left:
        parts.append(draw.permutation(rows[_most_even(rows, left, draw)]))
    return draw.permutation(count)[np.vstack(parts)]


def _most_even(rows: np.ndarray, left: int, draw: np.random.Generator) -> np.ndarray:
    every = np.array(list(combinations(draw.permutation(len(rows)), left)))
    follows, places = zip(*(tally(row[None], rows.shape[1]) for row in rows), strict=True)
    marks = np.hstack([np.reshape(follows, (len(rows), -1)), np.reshape(places, (len(rows), -1))])
    uneven = (marks[every].sum(1) ** 2).sum(1)
    return every[np.argmin(uneven)]


def tally(orders: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """How often piece a comes right before b, and piece a in place p; -1 fills short orders."""
    follows, places = np.zeros((count, count), int), np.zeros((count, orders.shape[1]), int)
    before, after = orders[:, :-1].ravel(), orders[:, 1:].ravel()
    both = (before >= 0) & (after >= 0)
    np.add.at(follows, (before[both], after[both]), 1)
    place = np.broadcast_to(np.arange(orders.shape[1]), orders.shape)
    there = orders >= 0
    np.add.at(places, (orders[there], place[there]), 1)
    return follows, places


def dealt(orders: np.ndarray, people: int, draw: np.random.Generator) -> np.ndarray:
    """Orders dealt as pass × person, so that a person's passes differ where they can."""
    passes = orders.reshape(-1, people, orders.shape[1])
    best, fewest = passes, _same(passes)
    for _ in range(200):
        if not fewest:
            break
        tried = np.array([draw.permutation(one) for one in passes])
        if _same(tried) < fewest:
            best, fewest = tried, _same(tried)
    return best


def _same(passes: np.ndarray) -> int:
    equal = (passes[:, None] == passes[None]).all(-1).sum()
    return int(equal - passes.shape[0] * passes.shape[1])


def order_balance(servings: pd.DataFrame) -> pd.DataFrame:
    """Count how evenly pieces follow one another and share the places of each tasting.

    Question: can what was tasted just before, or the place in the row, pass for a difference?

    Parameters
    ----------
    servings : DataFrame
        tasting, assessor, piece, position, and repeat if there were second portions; each round
        of portions counts as an order of its own.

    Returns
    -------
    DataFrame, two rows per tasting: tasting, what ("a piece right after another", "a piece in a
        place"), fewest, most (times over all ordered pairs of pieces, over all pieces and places).
        Where nobody tasted all, two more: "a piece served" and "two pieces to one person" (people).
        Fewest = most: fully balanced.

    Raises
    ------
    StudyProblems: a missing column, or a doubled or empty position.

    Source: the three properties of a balanced order: Williams 1949 (see `serving_plan`).

    >>> import pandas as pd
    >>> servings = pd.DataFrame(
    ...     [("T1", who, piece, place) for who, row in zip("123", ("ABC", "BCA", "CAB"))
    ...      for place, piece in enumerate(row)],
    ...     columns=["tasting", "assessor", "piece", "position"])
    >>> order_balance(servings)[["fewest", "most"]].values.tolist()
    [[0, 2], [1, 1]]
    """
    require_columns(servings, "tasting", "assessor", "piece", "position", table="servings")
    if servings["position"].isna().any():
        raise problem_error(
            "servings",
            column="position",
            found=f"{int(servings['position'].isna().sum())} empty cells",
            expected="the place of each portion in its taster's order",
            mend="fill in the positions",
        )
    require_unique(servings, "tasting", "assessor", "position", table="servings")
    portion = servings["repeat"].fillna(1) if "repeat" in servings else 1
    rows = []
    for tasting, one in servings.assign(repeat=portion).groupby("tasting", sort=False):
        piece, names = pd.factorize(one["piece"])
        passes = [
            piece_at.loc[group["position"].sort_values().index].tolist()
            for piece_at in [pd.Series(piece, index=one.index)]
            for _, group in one.groupby(["assessor", "repeat"], sort=False)
        ]
        longest = max(map(len, passes))
        orders = np.array([row + [-1] * (longest - len(row)) for row in passes])
        follows, places = tally(orders, len(names))
        pairs = follows[~np.eye(len(names), dtype=bool)]
        counted = [
            ("a piece right after another", pairs if pairs.size else np.zeros(1, int)),
            ("a piece in a place", places),
        ]
        tasted = pd.crosstab(one["assessor"], one["piece"]).to_numpy() > 0
        if not tasted.any(axis=0).all() or not tasted.all(axis=1).any():
            met = tasted.T.astype(int) @ tasted.astype(int)
            both = met[np.triu_indices(len(met), 1)]
            counted += [("a piece served", np.diag(met)), ("two pieces to one person", both)]
        for what, counts in counted:
            rows.append((tasting, what, int(counts.min()), int(counts.max())))
    return pd.DataFrame(rows, columns=["tasting", "what", "fewest", "most"])
