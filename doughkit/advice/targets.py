"""What is wanted: targets read, the reference's own profile, and how far a texture is from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.advice.desire import FLOOR, degree, refuse_steps
from doughkit.panel.means import piece_means
from doughkit.tables.problems import (
    Problem,
    StudyProblems,
    nearest,
    problem_error,
    require_columns,
    require_unique,
)
from doughkit.texture.reading import measured

POINTS_OF_A_SCALE = 8
"""A distance of one point is an eighth of an attribute's scale: one point on a scale of 1 to 9."""


@dataclass(frozen=True)
class Target:
    """One row of the table `targets`. With `like` the bounds are own minus reference."""

    attribute: str
    low: float
    aim: float
    high: float
    weight: float
    like: bool
    point: float
    """How much of the attribute counts as one point of distance."""
    floor: float = -np.inf
    ceiling: float = np.inf
    """Ends of the declared scale."""

    def distance(self, values: np.ndarray, reference: np.ndarray | float) -> np.ndarray:
        """Points from the aim, or from the range wanted where no aim is given."""
        own = np.clip(values, self.floor, self.ceiling) - (reference if self.like else 0.0)
        if np.isfinite(self.aim):
            return np.abs(own - self.aim) / self.point
        low = -np.inf if np.isnan(self.low) else self.low
        high = np.inf if np.isnan(self.high) else self.high
        return (np.maximum(low - own, 0.0) + np.maximum(own - high, 0.0)) / self.point

    def degree(self, values: np.ndarray, reference: np.ndarray | float) -> np.ndarray:
        """How far it is met, from 0 to 1."""
        own = np.clip(values, self.floor, self.ceiling) - (reference if self.like else 0.0)
        return degree(own, self.low, self.aim, self.high)


@dataclass(frozen=True, eq=False)
class Wanted:
    """Targets, what answers them, and how far a texture is from them.

    values : attribute, piece, mean, tasting, assessors, df; covariance : attribute → piece × piece
    scales : attribute → (low, high) as declared; notes : what the reference leaves open
    goal_is : "distance" or "desirability"
    """

    targets: list[Target]
    values: pd.DataFrame
    covariance: Mapping[str, pd.DataFrame]
    scales: Mapping[str, tuple[float, float]]
    notes: tuple[str, ...]
    goal_is: str

    def goal(self, values: Mapping[str, np.ndarray], references: Mapping[str, np.ndarray]):
        """How far from all that is wanted, 0 is the best: distance in points, or what is lacking
        of a desirability of 1.

        `values` and `references`: attribute → draws × places, and one value a draw.
        """
        total, weight = 0.0, sum(one.weight for one in self.targets)
        for one in self.targets:
            reference = np.asarray(references.get(one.attribute, 0.0)).reshape(-1, 1)
            own = values[one.attribute]
            if self.goal_is == "distance":
                total = total + one.weight * one.distance(own, reference) ** 2
            else:
                total = total + one.weight * np.log(np.maximum(one.degree(own, reference), FLOOR))
        return np.sqrt(total / weight) if self.goal_is == "distance" else 1 - np.exp(total / weight)


GOALS = ("distance", "desirability")


def read_wanted(tables: Mapping[str, pd.DataFrame], goal: str = "distance") -> Wanted:
    """Targets of a study with the panel's means and measurements that answer them."""
    if goal not in GOALS:
        raise problem_error(
            "plan",
            column="goal",
            found=repr(goal),
            expected=" or ".join(GOALS),
            mend="choose one of the two words",
        )
    rows = _rows(tables)
    if goal == "desirability":
        refuse_steps(rows)
    rated = [name for name in rows["attribute"] if _is_rated(name, tables)]
    others = [name for name in rows["attribute"] if name not in rated]
    _refuse_unknown(others, tables)
    parts, covariance = [], {}
    if rated:
        found = piece_means(tables["ratings"], tables["servings"], tables["pieces"])
        covariance = found.covariance
        parts.append(found.means.loc[found.means["attribute"].isin(rated), _VALUES])
    if others:
        parts.append(measured(tables["pieces"], *others))
    values = pd.concat(parts, ignore_index=True)
    targets, notes, scales = [], [], {}
    for row in rows.to_dict("records"):
        name = row["attribute"]
        point, floor, ceiling = _scale(name, name in rated, tables, values)
        if np.isfinite(floor):
            scales[name] = (floor, ceiling)
        target = {one: row[one] for one in ("attribute", "low", "aim", "high", "weight", "like")}
        if row["like"]:
            _require_reference(name, tables, values, notes)
        targets.append(Target(**target, point=point, floor=floor, ceiling=ceiling))
    return Wanted(targets, values, covariance, scales, tuple(dict.fromkeys(notes)), goal)


_VALUES = ["attribute", "piece", "mean", "tasting", "assessors", "df"]


def _rows(tables) -> pd.DataFrame:
    """The table of targets, checked: each with an aim or a bound, weights filled with 1."""
    targets = tables.get("targets")
    if targets is None or targets.empty:
        raise problem_error(
            "targets",
            found="no targets",
            expected="a row for each attribute or measured property that matters",
            mend="write what is wanted: low, aim, high, or like = reference",
        )
    require_unique(targets, "attribute", table="targets")
    every = ("low", "aim", "high", "weight")
    rows = targets.assign(
        **{name: targets[name].astype(float) if name in targets else np.nan for name in every}
    )
    like = targets["like"] if "like" in targets else pd.Series(np.nan, index=targets.index)
    rows = rows.assign(like=like.eq("reference"), weight=rows["weight"].fillna(1.0))
    bare = rows[["low", "aim", "high"]].isna().all(axis=1)
    # Like the reference and nothing more: the same as the reference.
    rows["aim"] = rows["aim"].mask(bare & rows["like"], 0.0)
    problems = [
        _problem(row.attribute, "neither low, aim nor high", "at least one of them", "fill one in")
        for row in rows[bare & ~rows["like"]].itertuples()
    ]
    problems += [
        _problem(row.attribute, f"low {row.low:g} above high {row.high:g}", "low below high",
                 "swap them")
        for row in rows[rows["low"] > rows["high"]].itertuples()
    ]  # fmt: skip
    if not (rows["weight"] > 0).any() or (rows["weight"] < 0).any():
        problems.append(
            _problem("", "weights that say nothing", "a weight above 0", "correct them")
        )
    if problems:
        raise StudyProblems(problems)
    return rows[rows["weight"] > 0].reset_index(drop=True)


def _problem(attribute: str, found: str, expected: str, mend: str) -> Problem:
    key = f"attribute {attribute}" if attribute else ""
    return Problem("targets", key=key, found=found, expected=expected, mend=mend)


def _is_rated(name: str, tables) -> bool:
    return any(
        name in set(tables[table]["attribute"])
        for table in ("ratings", "attributes")
        if table in tables and "attribute" in tables[table].columns
    )


def _refuse_unknown(names: list[str], tables) -> None:
    problems = []
    known = list(tables["pieces"].columns)
    known += [one for one in tables.get("attributes", pd.DataFrame({"attribute": []}))["attribute"]]
    for name in names:
        if name in tables["pieces"].columns and pd.api.types.is_numeric_dtype(
            tables["pieces"][name]
        ):
            continue
        mend = nearest(name, known) or "rate it, measure it, or take the target out"
        wanted = "an attribute with ratings, or a measured column of pieces"
        problems.append(_problem(name, "neither rated nor measured", wanted, mend))
    if problems:
        raise StudyProblems(problems)


def _scale(name: str, rated: bool, tables, values) -> tuple[float, float, float]:
    """One point of distance and the ends of the scale; a measured property spans what it showed."""
    attributes = tables.get("attributes")
    if rated and attributes is not None and name in set(attributes["attribute"]):
        require_columns(attributes, "attribute", "low", "high", table="attributes")
        low, high = attributes.set_index("attribute").loc[name, ["low", "high"]].astype(float)
        if high > low:
            return (high - low) / POINTS_OF_A_SCALE, low, high
    own = _of_kind(values[values["attribute"] == name], tables, reference=False)["mean"]
    span = float(own.max() - own.min())
    return (span / POINTS_OF_A_SCALE if span > 0 else 1.0), -np.inf, np.inf


def _of_kind(values: pd.DataFrame, tables, *, reference: bool) -> pd.DataFrame:
    doughs, pieces = tables["doughs"], tables["pieces"]
    chosen = doughs.loc[doughs["kind"].eq("reference"), "dough"]
    names = pieces.loc[pieces["dough"].isin(chosen), "piece"]
    return values[values["piece"].isin(names) == reference].dropna(subset=["mean"])


def _require_reference(name: str, tables, values: pd.DataFrame, notes: list[str]) -> None:
    """Refuse a reference that was never tasted; say in which tastings it was missing."""
    rows = values[values["attribute"] == name]
    own = _of_kind(rows, tables, reference=True)
    if own.empty:
        raise StudyProblems(
            [
                _problem(
                    name,
                    "like = reference, and no value of a reference piece",
                    "the reference as a dough of kind reference, tasted or measured beside ours",
                    "taste the reference in every sitting, or write low, aim, high",
                )
            ]
        )
    if len(own) == 1:
        notes.append(f"{name} of the reference is known from one piece only.")
    if "tasting" in rows and rows["tasting"].notna().any():
        there = _tastings(own)
        alone = [one for one in _tastings(_of_kind(rows, tables, reference=False))
                 if one not in there]  # fmt: skip
        if alone:
            notes.append(f"The reference was not tasted in {', '.join(alone)}.")


def _tastings(rows: pd.DataFrame) -> list[str]:
    named = rows["tasting"].dropna().str.split(" | ", regex=False).explode()
    return list(dict.fromkeys(named))
