"""Which changes travelled together, pair by pair, in any set of doughs and pieces."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

from doughkit.tables.register import as_sentence
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import Factor, in_words

DOUGH_RECORDS = ("round", "mixed_on", "ferment_h", "ferment_c", "dough_c", "flour_lot")
PIECE_RECORDS = ("bake_day", "bake_order", "oven")
CATEGORIES = {"round", "flour_lot", "bake_day", "oven"}
"""Things that may differ beside the factors; those that are names count as categories."""

WORDS = ((1 - 1e-9, "exactly"), (0.8, "almost"), (0.5, "partly"), (0.2, "a little"), (-1, "not"))
COLUMNS = ("one", "other", "kind", "over", "count", "correlation", "together", "sentence")


def travels_together(table: pd.DataFrame, factors: list[Factor]) -> pd.DataFrame:
    """Every pair of factors, and every factor with what else differed, most alike first.

    `table`: one row per piece, with the columns of its dough. A pair of things that belong to the
    dough is counted over doughs, any other over pieces. Between numbers the plain correlation;
    where a category takes part, the largest correlation that any scoring of it can reach.
    """
    of_pieces = {factor.name for factor in factors if factor.changed_per != "dough"}
    of_pieces |= set(PIECE_RECORDS)
    names = [factor.name for factor in factors]
    records = [
        name
        for name in (*DOUGH_RECORDS, *PIECE_RECORDS)
        if name in table.columns and name not in names and table[name].notna().all()
    ]
    categories = CATEGORIES | {factor.name for factor in factors if factor.levels}
    pairs = [(*pair, "factors") for pair in combinations(names, 2)]
    pairs += [(name, record, "beside") for name in names for record in records]
    rows = []
    for one, other, kind in pairs:
        per_piece = bool({one, other} & of_pieces)
        part = table if per_piece else table.drop_duplicates("dough")
        found = likeness(part[one], part[other], {one, other} & categories)
        if np.isfinite(found):
            over = "pieces" if per_piece else "doughs"
            rows.append(_row(one, other, kind, over, len(part), found))
    pairs_found = pd.DataFrame(rows, columns=list(COLUMNS))
    order = pairs_found["correlation"].abs().sort_values(ascending=False, kind="stable").index
    return pairs_found.loc[order].reset_index(drop=True)


def _row(one: str, other: str, kind: str, over: str, count: int, found: float) -> dict:
    together = next(word for limit, word in WORDS if abs(found) >= limit)
    against = " (against each other)" if found < 0 and together != "not" else ""
    sentence = f"{in_words(one)} and {in_words(other)} did {together} travel together"
    if together != "not":
        sentence = f"{in_words(one)} and {in_words(other)} travelled {together} together{against}"
    shown = f"{as_sentence(sentence)} ({found:+.2f} over {count} {over})."
    return dict(zip(COLUMNS, (one, other, kind, over, count, found, together, shown), strict=True))


def likeness(one: pd.Series, other: pd.Series, categories: set[str]) -> float:
    """Correlation of two columns; NaN where one of them never changed."""
    left, right = (_centred(column, column.name in categories) for column in (one, other))
    if not left.size or not right.size:
        return np.nan
    if left.shape[1] == right.shape[1] == 1 and not categories:
        return float(np.clip(left[:, 0] @ right[:, 0], -1, 1))
    return float(np.clip(np.linalg.svd(left.T @ right, compute_uv=False)[0], 0, 1))


def _centred(column: pd.Series, category: bool) -> np.ndarray:
    """Orthonormal columns spanning what the column's levels can say beside their mean."""
    date = pd.api.types.is_datetime64_any_dtype(column)
    if category or not (date or pd.api.types.is_numeric_dtype(column)):
        raw = pd.get_dummies(as_levels(column)).to_numpy(float)
    elif date:
        raw = ((column - column.min()) / pd.Timedelta(days=1)).to_numpy(float)[:, None]
    else:
        raw = column.to_numpy(float)[:, None]
    centred = raw - raw.mean(axis=0)
    if not category and raw.shape[1] == 1:
        size = np.linalg.norm(centred)
        return centred / size if size > 1e-12 * max(np.abs(raw).max(), 1) else np.empty((0, 0))
    directions, sizes, _ = np.linalg.svd(centred, full_matrices=False)
    return directions[:, sizes > 1e-9 * max(sizes[0], 1.0)]
