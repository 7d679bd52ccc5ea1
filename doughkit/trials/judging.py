"""Rounds drawn with their errors and judged: by doughs and pieces, or wrongly by scores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import t

from doughkit.trials.spreads import Spreads
from doughkit.trials.strata import dough_means


@dataclass(frozen=True)
class Bench:
    """What is drawn and how it is judged, small enough to send to another process.

    columns : pieces × columns of the model; contrasts : effects × columns
    dough, day : number of the dough and of the bake day of each piece
    by_day : judge between days what the doughs of a day share
    """

    columns: np.ndarray
    contrasts: np.ndarray
    dough: np.ndarray
    day: np.ndarray
    spreads: Spreads
    level: float
    by_day: bool = False


@dataclass(frozen=True)
class Judge:
    """Linear rules from piece means to estimates and to what is left over, by strata.

    estimate : effects × pieces
    left : stratum → orthonormal directions of its leftovers (× pieces): within doughs, between
        the means of doughs, of days
    reach : stratum → how far a unit spread of it reaches into each estimate
    plain : effects × pieces, least squares that knows of no doughs
    """

    estimate: np.ndarray
    left: dict[str, np.ndarray]
    reach: dict[str, np.ndarray]
    plain: np.ndarray

    @property
    def degrees(self) -> dict[str, int]:
        return {name: len(rows) for name, rows in self.left.items()}

    def judged_by(self, variances: dict[str, float]) -> list[str]:
        """The stratum of each effect: of doughs and days reached, the one that brings most."""
        brought = {name: self.reach[name] * variances[name] for name in self.reach}
        outer = [name for name in brought if name != "piece"]
        return [
            max(outer, key=lambda name: brought[name][at])
            if any(self.reach[name][at] > 1e-12 for name in outer)
            else "piece"
            for at in range(len(self.estimate))
        ]


@dataclass(frozen=True)
class _Means:
    """How coefficients follow from weighted means, by strata.

    rule : columns × means; parts : stratum → columns × its units; left : stratum → rows × means
    """

    rule: np.ndarray
    parts: dict[str, np.ndarray]
    left: dict[str, np.ndarray]


def judging(bench: Bench) -> Judge:
    """What varies within doughs is judged there, all else on dough means (within days, if so)."""
    columns, dough = bench.columns, bench.dough
    count = np.bincount(dough)
    averaging = np.eye(len(count))[dough].T / count[:, None]
    within = columns - dough_means(columns, dough)
    inner = _independent(within)
    centring = np.eye(len(dough)) - averaging[dough]
    df_piece = len(dough) - len(count) - len(inner)
    if df_piece < 1 and inner and np.linalg.matrix_rank(averaging @ columns) == columns.shape[1]:
        inner = []  # a few second pieces can't judge anything by themselves; dough means still can
    outer = [one for one in range(columns.shape[1]) if one not in inner]
    solve_inner = np.linalg.pinv(within[:, inner]) @ centring
    mixed = np.linalg.lstsq(within[:, inner], within[:, outer], rcond=None)[0]
    means = averaging @ columns
    root = np.sqrt(_weights(bench.spreads.dough**2, bench.spreads.of_piece / count))[:, None]
    design = root * (means[:, outer] - means[:, inner] @ mixed)
    bare = root * averaging
    heard = bare - root * (means[:, inner] @ solve_inner)
    day = bench.day[np.unique(dough, return_index=True)[1]]
    found = _by_days(bench, design, root[:, 0], day) if bench.by_day else _plainly(design, "dough")

    def whole(of_outer: np.ndarray) -> np.ndarray:
        """Of all columns, once the outer ones are known."""
        every = np.zeros((columns.shape[1], of_outer.shape[1]))
        every[outer], every[inner] = of_outer, -mixed @ of_outer
        return every

    rule = whole(found.rule @ heard)
    rule[inner] += solve_inner
    parts = {"piece": rule - whole(found.rule) @ bare}
    parts |= {name: whole(part) for name, part in found.parts.items()}
    left = {"piece": _left(within[:, inner], centring, df_piece if inner or df_piece > 0 else 0)}
    left |= {name: rows @ heard for name, rows in found.left.items()}
    reach = {name: ((bench.contrasts @ part) ** 2).sum(axis=1) for name, part in parts.items()}
    plain = bench.contrasts @ np.linalg.pinv(columns)
    return Judge(bench.contrasts @ rule, left, reach, plain)


def _plainly(design: np.ndarray, name: str) -> _Means:
    rule = np.linalg.pinv(design)
    left = _left(design, np.eye(len(design)), len(design) - design.shape[1])
    return _Means(rule, {name: rule}, {name: left})


def _by_days(bench: Bench, design: np.ndarray, root: np.ndarray, day: np.ndarray) -> _Means:
    """Weighted dough means first within their day, then what is left of the means of days."""
    of_day = root[:, None] * np.eye(day.max() + 1)[day]
    size = (of_day**2).sum(axis=0)
    centring = np.eye(len(design)) - of_day @ (of_day / size).T
    within = centring @ design
    inner = _independent(within)
    outer = [one for one in range(design.shape[1]) if one not in inner]
    solve_inner = np.linalg.pinv(within[:, inner]) @ centring
    mixed = np.linalg.lstsq(within[:, inner], within[:, outer], rcond=None)[0]
    spreads, count = bench.spreads, np.bincount(bench.dough)
    alone = (spreads.dough**2 + spreads.of_piece / count).mean()
    averaging = np.sqrt(_weights(spreads.day**2, alone / size))[:, None] * (of_day / size).T
    means = averaging @ design
    last = _plainly(means[:, outer] - means[:, inner] @ mixed, "day")
    heard = averaging - means[:, inner] @ solve_inner
    rule = np.zeros((design.shape[1], len(design)))
    days = np.zeros((design.shape[1], len(size)))
    days[outer], days[inner] = last.rule, -mixed @ last.rule
    rule[outer] = last.rule @ heard
    rule[inner] = solve_inner - mixed @ rule[outer]
    degrees = len(design) - len(size) - len(inner)
    left = {"dough": _left(within[:, inner], centring, degrees), "day": last.left["day"] @ heard}
    return _Means(rule, {"dough": rule - days @ averaging, "day": days}, left)


def _weights(shared: float, own: np.ndarray) -> np.ndarray:
    """Means of few weigh less; of even counts all weigh 1."""
    variance = shared + own
    return variance.mean() / variance


def _independent(columns: np.ndarray) -> list[int]:
    """Columns taken one by one as long as each adds something."""
    kept: list[int] = []
    for one in range(columns.shape[1]):
        size = np.linalg.norm(columns[:, one])
        if size < 1e-9:
            continue
        basis = np.linalg.qr(columns[:, kept])[0] if kept else np.zeros((len(columns), 0))
        rest = columns[:, one] - basis @ (basis.T @ columns[:, one])
        if np.linalg.norm(rest) > 1e-7 * size:
            kept.append(one)
    return kept


def _left(design: np.ndarray, allowed: np.ndarray, degrees: int) -> np.ndarray:
    """Orthonormal rows spanning what is allowed and the design leaves over."""
    if degrees < 1:
        return np.zeros((0, len(allowed)))
    basis = np.linalg.qr(design)[0] if design.shape[1] else np.zeros((len(allowed), 0))
    directions, sizes, _ = np.linalg.svd(allowed - basis @ (basis.T @ allowed))
    return directions[:, sizes > 0.5].T


def count_found(bench: Bench, judge: Judge, changes, size: int, seed) -> np.ndarray:
    """(doughs respected, scores counted) × effects × changes: how often each was found."""
    draw = np.random.default_rng(seed)
    spreads, pieces = bench.spreads, len(bench.dough)
    common = spreads.dough * draw.normal(size=(size, bench.dough.max() + 1))[:, bench.dough]
    common += spreads.day * draw.normal(size=(size, bench.day.max() + 1))[:, bench.day]
    common += spreads.piece * draw.normal(size=(size, pieces))
    scores = spreads.tasting * draw.normal(size=(size, spreads.tasters, pieces))
    mean = common + scores.mean(axis=1)
    shift = np.asarray(changes, dtype=float)
    estimate, error, df = by_strata(mean, judge)
    found = _found(estimate, error, df, bench.level, shift)
    own = (common[:, None] + scores) @ judge.plain.T
    with np.errstate(invalid="ignore"):
        own_error = own.std(axis=1, ddof=1) / np.sqrt(spreads.tasters)
    by_scores = _found(own.mean(axis=1), own_error, spreads.tasters - 1.0, bench.level, shift)
    return np.stack([found, by_scores])


def by_strata(mean: np.ndarray, judge: Judge):
    """Estimates, their standard errors and Satterthwaite's degrees of freedom, a row a round."""
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = {
            name: np.where(reach < 1e-12, 0.0, _mean_square(mean @ judge.left[name].T) * reach)
            for name, reach in judge.reach.items()
        }
        total = sum(parts.values())
        degrees = judge.degrees
        df = total**2 / sum(part**2 / max(degrees[name], 1) for name, part in parts.items())
    return mean @ judge.estimate.T, np.sqrt(total), df


def _mean_square(leftovers: np.ndarray) -> np.ndarray:
    """Of each round's leftovers, as a column; NaN where there are none."""
    if not leftovers.shape[1]:
        return np.full((len(leftovers), 1), np.nan)
    return (leftovers**2).mean(axis=1, keepdims=True)


def _found(estimate, error, df, level: float, shift) -> np.ndarray:
    """Effects × changes: rounds whose interval lies off zero. No error known: never found."""
    with np.errstate(invalid="ignore"):
        limit = t.ppf((1 + level) / 2, df) * error
        return (np.abs(estimate[:, :, None] + shift) > limit[:, :, None]).sum(axis=0)
