"""What is read off a regression: each effect and coefficient as a sum of the fitted columns."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.texture.columns import Model
from doughkit.trials.factors import Factor, in_words, read_factors
from doughkit.trials.models import TIMES


def effect_rows(model: Model, rows: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
    """Name every effect and say which sum of coefficients it is.

    A factor's own effect is the change from its low to its high level with everything else as it
    was in the pieces of test doughs, averaged over them.
    """
    test = rows[rows["kind"].eq("test")]
    points = test if len(test) else rows
    known = read_factors(model.factors)
    named, sums = [], []
    means = _means_at(model, known, points)
    for factor in known:
        for name, words, total in _main_effect(factor, means[factor.name]):
            step = factor.step / (factor.high - factor.low) if factor.step else np.nan
            named.append((name, "linear", factor.name, "", step, words))
            sums.append(total)
    of = {factor.name: factor for factor in known}
    listed = model.terms[model.terms["kind"] == "interaction"]
    for one, other in listed[["factor", "with"]].drop_duplicates().itertuples(index=False):
        for name, words, total in _pair_effect(model, of[one], of[other]):
            named.append((name, "interaction", one, other, np.nan, words))
            sums.append(total)
    for term in model.terms[model.terms["kind"] == "bend"].itertuples():
        words = f"{in_words(term.factor)}: how far low and high lie above the middle"
        named.append((term.term, "bend", term.factor, "", np.nan, words))
        sums.append(_unit(model, term.term))
    frame = pd.DataFrame(named, columns=["term", "kind", "factor", "with", "step_share", "words"])
    return frame, np.array(sums)


def _unit(model: Model, name: str) -> np.ndarray:
    return (np.array(model.names) == name).astype(float)


def _means_at(model: Model, known: list[Factor], points: pd.DataFrame) -> dict[str, dict]:
    """Factor → level → mean columns over `points` with that factor set to that level."""
    asked = [
        (factor.name, level)
        for factor in known
        for level in (factor.levels or (factor.low, factor.high))
    ]
    moved = [points.assign(**{name: level}) for name, level in asked]
    columns = model.matrix(pd.concat(moved, ignore_index=True))
    means = columns.reshape(len(asked), len(points), -1).mean(axis=1)
    found: dict[str, dict] = {}
    for (name, level), mean in zip(asked, means, strict=True):
        found.setdefault(name, {})[level] = mean
    return found


def _main_effect(factor: Factor, means: dict) -> list[tuple]:
    said = in_words(factor.name)
    if not factor.levels:
        words = f"{said} from {factor.low:g} to {factor.high:g}"
        return [(factor.name, words, means[factor.high] - means[factor.low])]
    middle = np.mean(list(means.values()), axis=0)
    return [
        (f"{factor.name}: {level}", f"{said} {level} against the mean of its levels", one - middle)
        for level, one in means.items()
    ]


def _contrasts(factor: Factor) -> dict[str, np.ndarray]:
    """Low to high of a number, or each level of a category against their mean, in coded columns."""
    if not factor.levels:
        return {factor.name: np.array([2.0])}
    count = len(factor.levels)
    codes = np.vstack([np.eye(count - 1), -np.ones((1, count - 1))])
    return {f"{factor.name}: {level}": row for level, row in zip(factor.levels, codes, strict=True)}


def _pair_effect(model: Model, one: Factor, other: Factor):
    half = 0.5 if not one.levels and not other.levels else 1.0
    words = (
        f"half of what {in_words(other.name)} from low to high changes in the effect of "
        f"{in_words(one.name)}"
        if half == 0.5
        else f"what {in_words(one.name)} and {in_words(other.name)} do together beyond each alone"
    )
    columns = [
        _unit(model, f"{first}{TIMES}{second}")
        for first in one.coded_columns
        for second in other.coded_columns
    ]
    return [
        (f"{first}{TIMES}{second}", words, half * np.outer(left, right).ravel() @ np.array(columns))
        for first, left in _contrasts(one).items()
        for second, right in _contrasts(other).items()
    ]


def plain_coefficients(model: Model, rows: pd.DataFrame) -> tuple[list[str], np.ndarray]:
    """Coefficients on the −1 … +1 coding of the table `factors`, as sums of the centred ones."""
    plain = model.matrix(rows, raw=True)
    centred = model.matrix(rows)
    blocks = len(model.blocks)
    keep = [0, *range(1 + blocks, plain.shape[1])]
    turn = np.linalg.lstsq(plain[:, keep], centred, rcond=None)[0]
    return [model.names[column] for column in keep], turn
