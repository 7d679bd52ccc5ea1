"""What is wanted: targets read, the reference's own profile, and how far a texture is from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.panel.means import PieceMeans, piece_means
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
    reference: float = 0.0
    reference_se: float = 0.0
    reference_df: float = np.inf

    def distance(self, values: np.ndarray, reference: np.ndarray | float) -> np.ndarray:
        """Points from the aim, or from the range wanted where no aim is given."""
        own = np.clip(values, self.floor, self.ceiling) - (reference if self.like else 0.0)
        if np.isfinite(self.aim):
            return np.abs(own - self.aim) / self.point
        low = -np.inf if np.isnan(self.low) else self.low
        high = np.inf if np.isnan(self.high) else self.high
        return (np.maximum(low - own, 0.0) + np.maximum(own - high, 0.0)) / self.point

    def draw_reference(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """The reference's level as it may be, one value a draw."""
        if not self.like:
            return np.zeros(count)
        if not self.reference_se > 0:
            return np.full(count, self.reference)
        if np.isfinite(self.reference_df):
            return self.reference + self.reference_se * rng.standard_t(self.reference_df, count)
        return self.reference + self.reference_se * rng.normal(size=count)


@dataclass(frozen=True, eq=False)
class Wanted:
    """Targets with the values to fit them by; `notes` say what the reference leaves open."""

    targets: list[Target]
    values: pd.DataFrame
    notes: tuple[str, ...]

    def goal(self, values: dict[str, np.ndarray], references: dict[str, np.ndarray]) -> np.ndarray:
        """Weighted distance from all targets in points (root mean square): 0 is all that is wanted.

        `values` and `references`: attribute → draws × places, and one value a draw.
        """
        total, weight = 0.0, 0.0
        for target in self.targets:
            reference = np.asarray(references[target.attribute])[:, None]
            distance = target.distance(values[target.attribute], reference)
            total = total + target.weight * distance**2
            weight += target.weight
        return np.sqrt(total / weight)

    def draw_references(self, count: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
        return {one.attribute: one.draw_reference(count, rng) for one in self.targets}


def read_wanted(tables: Mapping[str, pd.DataFrame]) -> Wanted:
    """Targets of a study with the panel's means and measurements that answer them."""
    rows = _rows(tables)
    rated = [name for name in rows["attribute"] if _is_rated(name, tables)]
    others = [name for name in rows["attribute"] if name not in rated]
    _refuse_unknown(others, tables)
    parts, means = [], None
    if rated:
        means = piece_means(tables["ratings"], tables["servings"], tables["pieces"])
        parts.append(means.means.loc[means.means["attribute"].isin(rated), _VALUES])
    if others:
        parts.append(measured(tables["pieces"], *others))
    values = pd.concat(parts, ignore_index=True)
    targets, notes = [], []
    for row in rows.to_dict("records"):
        point, floor, ceiling = _scale(row["attribute"], row["attribute"] in rated, tables, values)
        target = {name: row[name] for name in ("attribute", "low", "aim", "high", "weight", "like")}
        if row["like"]:
            target |= _reference(row["attribute"], tables, values, means, notes)
        targets.append(Target(**target, point=point, floor=floor, ceiling=ceiling))
    return Wanted(targets, values, tuple(dict.fromkeys(notes)))


_VALUES = ["attribute", "piece", "mean"]


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


def _reference(name: str, tables, values, means: PieceMeans | None, notes: list[str]) -> dict:
    """The reference's own level of one attribute, with its error."""
    own = _of_kind(values[values["attribute"] == name], tables, reference=True)
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
    if means is None or name not in set(means.means["attribute"]):
        count = len(own)
        spread = float(own["mean"].std(ddof=1)) if count > 1 else np.nan
        if count == 1:
            notes.append(f"{name} of the reference was measured once: its error is not known.")
        se = spread / np.sqrt(count) if count > 1 else 0.0
        return _level(own["mean"].mean(), se, count - 1)
    return _tasted_reference(name, tables, means.means, notes)


def _level(mean: float, se: float, df: float) -> dict:
    return {
        "reference": float(mean),
        "reference_se": float(se),
        "reference_df": float(df) if df > 0 else np.inf,
    }


def _tasted_reference(name: str, tables, means: pd.DataFrame, notes: list[str]) -> dict:
    """Mean over tastings, each counting as many of our pieces as it held.

    So the level of the panel on a day falls out of own minus reference. The error is what the
    reference's tastings differ by; it holds the panel, the piece and the day.
    """
    rows = means[means["attribute"] == name]
    single = rows.assign(tasting=rows["tasting"].str.split(" | ", regex=False)).explode("tasting")
    reference = _of_kind(single, tables, reference=True)
    ours = _of_kind(single, tables, reference=False)
    level = reference.groupby("tasting")["mean"].mean()
    count = ours.groupby("tasting").size()
    alone = [one for one in count.index if one not in level.index]
    if alone:
        notes.append(f"The reference was not tasted in {', '.join(alone)}.")
    share = count.reindex(level.index).fillna(0.0)
    share = share / share.sum() if share.sum() > 0 else share + 1 / len(share)
    mean = float((share * level).sum())
    by_panel = float(reference["se"].fillna(0.0).mean() / np.sqrt(reference["piece"].nunique()))
    if len(level) == 1:
        notes.append("The reference was tasted once: what its pieces differ by is not known.")
        return _level(mean, by_panel, float(reference["df"].iloc[0]))
    between = float(level.std(ddof=1) * np.sqrt((share**2).sum()))
    return _level(mean, max(between, by_panel), len(level) - 1)
