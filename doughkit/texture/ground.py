"""What attributes share in a regression with starting assumptions: columns, days, own levels."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doughkit.texture.columns import Model
from doughkit.texture.table import PieceTable
from doughkit.trials.assumed import assumed_apart
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import Factor, read_factors
from doughkit.trials.models import model_terms

OWN_LEVEL = "level of "


@dataclass(frozen=True, eq=False)
class Ground:
    """The columns of the regression.

    model : the whole quadratic on the coding of the table `factors`
    turn : columns of the model @ turn = columns of the fit (bends centred, levels of a category
        evened out); kinds : column of the fit → assumption
    values : attribute, piece, mean and what else is known of it, pieces without levels too
    pieces : piece, dough (empty for the reference), day; columns : its rows, all columns of the fit
    """

    model: Model
    turn: np.ndarray
    kinds: dict[str, str]
    values: pd.DataFrame
    pieces: pd.DataFrame
    columns: np.ndarray

    @property
    def own_levels(self) -> list[str]:
        """Breads without levels: "reference", "control"."""
        return [
            name.removeprefix(OWN_LEVEL) for name, kind in self.kinds.items() if kind == "level"
        ]

    def rows(self, part: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Design and groups of the values in `part`; a tasting, if known, is their common day."""
        place = pd.Index(self.pieces["piece"]).get_indexer(part["piece"])
        chosen = self.pieces.iloc[place].set_index(part.index)
        day = chosen["day"]
        if "tasting" in part.columns:
            tasting = part["tasting"].astype("str")
            day = tasting.where(part["tasting"].notna() & tasting.ne(""), day)
        design = pd.DataFrame(self.columns[place, 1:], columns=list(self.kinds), index=part.index)
        return design, pd.DataFrame({"day": day, "dough": chosen["dough"]})

    def of_model(self, matrix: np.ndarray) -> np.ndarray:
        """Columns of the fit for columns of the model (or for sums of its coefficients)."""
        return np.hstack([matrix @ self.turn, np.zeros((len(matrix), len(self.own_levels)))])

    def row_of(self, own: str) -> np.ndarray:
        """The sum of coefficients that is the level of a bread without levels."""
        row = np.zeros(1 + len(self.kinds))
        row[[0, 1 + list(self.kinds).index(OWN_LEVEL + own)]] = 1.0
        return row


def bare_ground(factors: pd.DataFrame) -> Ground:
    """The columns of the regression before anything was baked."""
    known = read_factors(factors)
    terms = model_terms(factors, "quadratic")
    nothing = pd.DataFrame(columns=["term", "words", "why"], dtype="str")
    model = Model(factors, factors, terms, nothing, (), {})
    kinds = dict(zip(terms["term"], terms["kind"], strict=True))
    pieces = pd.DataFrame(columns=["piece", "dough", "day"])
    values = pd.DataFrame(columns=["attribute", "piece", "mean"])
    return Ground(
        model,
        assumed_apart(model.names, known),
        kinds,
        values,
        pieces,
        np.zeros((0, 1 + len(kinds))),
    )


def ground_of(table: PieceTable, values, doughs, pieces, factors) -> Ground:
    """Lay out pieces with levels, and breads without them (reference, control) beside."""
    bare = bare_ground(factors)
    seen = {one.name: _seen(table.rows[one.name], one) for one in read_factors(factors)}
    model, turn = replace(bare.model, seen=seen), bare.turn
    own = _own_levels(table.left_out, values, doughs, pieces)
    names = list(dict.fromkeys(own["own"]))
    kinds = bare.kinds | {OWN_LEVEL + name: "level" for name in names}
    beside = own.drop_duplicates("piece")
    with_levels = table.rows[["piece", "dough"]].assign(own="")
    every = pd.concat([with_levels, beside[["piece", "dough", "own"]]], ignore_index=True)
    every["day"] = _days(every, doughs, pieces)
    # One lot of the reference is what is to be matched: how another would differ is not asked.
    every["dough"] = every["dough"].mask(every["own"].eq("reference"))
    columns = np.zeros((len(every), 1 + len(kinds)))
    columns[:, 0] = 1.0
    columns[: len(with_levels), : turn.shape[1]] = model.matrix(table.rows) @ turn
    for place, name in enumerate(names):
        columns[every["own"].eq(name), turn.shape[1] + place] = 1.0
    return Ground(model, turn, kinds, _values(table, own, values), every, columns)


def _seen(column: pd.Series, factor: Factor) -> list:
    levels = as_levels(column) if factor.levels else column.astype(float)
    return sorted(levels.unique())


def _own_levels(left_out: pd.DataFrame, values, doughs, pieces) -> pd.DataFrame:
    """Values of breads without levels: attribute, piece, mean, dough, own."""
    why = left_out["why"]
    usable = left_out[why.str.startswith(("the reference", "no level"))]
    own = usable.merge(values[["attribute", "piece", "mean"]], on=["attribute", "piece"])
    own = own[own["mean"].notna()].merge(pieces[["piece", "dough"]], on="piece", how="left")
    reference = own["why"].str.startswith("the reference")
    return own.assign(own=np.where(reference, "reference", "control"))


def _values(table: PieceTable, own: pd.DataFrame, values: pd.DataFrame) -> pd.DataFrame:
    rated = table.values["attribute"].unique()
    kept = own.loc[own["attribute"].isin(rated), ["attribute", "piece", "mean"]]
    every = pd.concat([table.values, kept], ignore_index=True)
    more = [one for one in ("tasting", "assessors", "df") if one in values.columns]
    return every.merge(values[["attribute", "piece", *more]], on=["attribute", "piece"], how="left")


def _days(rows: pd.DataFrame, doughs: pd.DataFrame, pieces: pd.DataFrame) -> pd.Series:
    """The best that is known of the day each piece was baked."""
    at_piece, at_dough = pieces.set_index("piece"), doughs.set_index("dough")
    day = pd.Series(np.nan, index=rows.index, dtype="str")
    for frame, key, name in (
        (at_piece, "piece", "bake_day"),
        (at_dough, "dough", "mixed_on"),
        (at_dough, "dough", "round"),
    ):
        if name in frame.columns:
            found = rows[key].map(frame[name])
            day = day.where(day.notna(), found.astype("str").where(found.notna()))
    return day
