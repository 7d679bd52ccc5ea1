"""The columns of a regression that these doughs can tell apart, and the terms that they can't."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, problem_error
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import read_factors
from doughkit.trials.models import model_columns, model_terms
from doughkit.trials.strata import never_baked


@dataclass(frozen=True, eq=False)
class Model:
    """The terms kept, centred on what was baked.

    factors : table of the factors that were varied; `centred` the same, moved so that 0 is the
        mean of what was baked: effects then are read in the middle of the doughs
    terms : rows of `model_terms` that are kept, not_seen : term, words, why
    blocks : labels of the blocks but the last; seen : the levels baked of every factor
    """

    factors: pd.DataFrame
    centred: pd.DataFrame
    terms: pd.DataFrame
    not_seen: pd.DataFrame
    blocks: tuple[str, ...]
    seen: dict[str, list]

    @property
    def names(self) -> list[str]:
        return ["constant", *(f"block {one}" for one in self.blocks), *self.terms["term"]]

    @property
    def sources(self) -> list[str]:
        """For every column the line of the table of sources that it belongs to."""
        pairs = zip(self.terms["factor"], self.terms["with"], self.terms["kind"], strict=True)
        own = [
            f"{one} × {other}" if other else one + ("²" if kind == "bend" else "")
            for one, other, kind in pairs
        ]
        return ["", *("block" for _ in self.blocks), *own]

    def matrix(self, levels: pd.DataFrame, block: pd.Series | None = None, *, raw=False):
        """Columns for rows of levels; without `block` the mean of the blocks is meant."""
        body = model_columns(levels, self.factors if raw else self.centred, self.terms)
        blocks = np.zeros((len(levels), len(self.blocks)))
        if block is not None and self.blocks:
            labels = np.asarray(block)[:, None]
            blocks = (labels == np.array(self.blocks)).astype(float)
            blocks[~np.isin(labels[:, 0], self.blocks)] = -1.0
        return np.column_stack([np.ones(len(levels)), blocks, body.to_numpy(float)])


def build_model(rows: pd.DataFrame, factors: pd.DataFrame, terms: str) -> Model:
    """Keep the terms that `rows` can tell apart; a main effect that can't be told is refused."""
    own, seen, unseen = _varied(rows, factors)
    listed = model_terms(own, terms)
    labels = list(dict.fromkeys(rows["block"]))
    centred = _centred(own, rows)
    model = Model(own, centred, listed, pd.DataFrame(), tuple(labels[:-1]), seen)
    matrix = model.matrix(rows, rows["block"])
    first = 1 + len(model.blocks)
    kept = _require_apart(list(range(first)), matrix, model.names, rows, kind="block")
    kinds = np.array([""] * first + list(listed["kind"]))
    for kind in ("linear", "interaction", "bend"):
        new = np.flatnonzero(kinds == kind)
        if kind == "linear":
            kept = _require_apart([*kept, *new], matrix, model.names, rows, kind=kind)
            continue
        together = _inseparable(matrix[:, kept], matrix[:, new])
        together = _whole_groups(together, [model.sources[column] for column in new])
        for place, others in together.items():
            term = listed.iloc[new[place] - first]
            partners = [model.names[new[one]] for one in others]
            unseen.append((term["term"], term["words"], _why(term, partners, rows)))
        kept = [*kept, *(column for place, column in enumerate(new) if place not in together)]
    keep = [column - first for column in sorted(kept) if column >= first]
    not_seen = pd.DataFrame(unseen, columns=["term", "words", "why"], dtype="str")
    return Model(
        own, centred, listed.iloc[keep].reset_index(drop=True), not_seen, model.blocks, seen
    )


def _varied(rows, factors) -> tuple[pd.DataFrame, dict[str, list], list[tuple]]:
    """Factors with at least two levels among `rows`, categories cut to the levels that occur."""
    keep, seen, unseen = [], {}, []
    numbers = [name for name in ("low", "high", "step") if name in factors.columns]
    table = factors.astype(dict.fromkeys(numbers, float))
    for place, factor in enumerate(read_factors(factors)):
        column = rows[factor.name]
        if factor.levels:
            there = set(as_levels(column))
            levels = [level for level in factor.levels if level in there]
            absent = [level for level in factor.levels if level not in there]
            unseen += [
                (f"{factor.name}: {one}", one, "no dough was baked with it") for one in absent
            ]
            table.iloc[place, table.columns.get_loc("levels")] = "|".join(levels)
        else:
            levels = sorted(column.astype(float).unique())
        seen[factor.name] = levels
        if len(levels) > 1:
            keep.append(place)
        else:
            only = f"it was {levels[0]} in every piece" if levels else "no level is known"
            unseen.append((factor.name, factor.name, only))
    if not keep:
        raise problem_error(
            "factors",
            found="no factor with two levels among the pieces",
            expected="at least one factor that was varied",
            mend="bake doughs that differ, or name the factors that did",
        )
    return table.iloc[keep].reset_index(drop=True), seen, unseen


def _centred(factors, rows) -> pd.DataFrame:
    table = factors.copy()
    for place, factor in enumerate(read_factors(factors)):
        if not factor.levels:
            middle = rows[factor.name].astype(float).mean()
            for column, side in (("low", -1), ("high", 1)):
                table.iloc[place, table.columns.get_loc(column)] = middle + side * factor.half
    # The moved ends need keep no step.
    return table.drop(columns="step", errors="ignore")


def _inseparable(before: np.ndarray, new: np.ndarray) -> dict[int, list[int]]:
    """Places in `new` that can't be told from each other or from `before`, with their partners."""
    if new.shape[1] == 0:
        return {}
    left = new - before @ np.linalg.lstsq(before, new, rcond=None)[0]
    length = np.linalg.norm(new, axis=0)
    unknown = np.abs(never_baked(left / np.where(length > 0, length, 1.0))) > 1e-6
    return {
        int(place): [int(one) for one in np.flatnonzero(unknown[place]) if one != place]
        for place in np.flatnonzero(unknown.any(axis=0))
    }


def _whole_groups(together: dict[int, list[int]], sources: list[str]) -> dict[int, list[int]]:
    """Where one level of a category is lost in a product, the whole product goes."""
    lost = {sources[place] for place in together}
    return {place: together.get(place, []) for place, name in enumerate(sources) if name in lost}


def _require_apart(columns, matrix, names, rows, *, kind: str) -> list[int]:
    lost = _inseparable(np.ones((len(matrix), 1)), matrix[:, columns[1:]])
    if lost:
        raise StudyProblems(
            Problem(
                "doughs",
                column=names[columns[1 + place]],
                found="levels that travel together with "
                + (" and ".join(names[columns[1 + one]] for one in others) or "nothing else"),
                expected=f"levels that part among the {rows['dough'].nunique()} doughs",
                mend="leave one of them out of the factors, or bake doughs where they part"
                if kind == "linear"
                else "give another block",
            )
            for place, others in lost.items()
        )
    return columns


def _why(term: pd.Series, partners: list[str], rows: pd.DataFrame) -> str:
    levels = rows[term["factor"]].nunique()
    if term["kind"] == "bend" and levels == 2:
        low, high = sorted(rows[term["factor"]].unique())
        return f"only {low:g} and {high:g} were baked; a level between them would show it"
    if partners:
        return f"it travels together with {', '.join(partners)}"
    return "what it would do is already told by the effects of single factors"
