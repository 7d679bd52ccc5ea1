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
    """

    columns: np.ndarray
    contrasts: np.ndarray
    dough: np.ndarray
    day: np.ndarray
    spreads: Spreads
    level: float


@dataclass(frozen=True)
class Judge:
    """Linear rules from piece means to estimates and to what is left over, by strata.

    estimate : effects × pieces; inner_left, outer_left : orthonormal directions of the leftovers
        within doughs (× pieces) and between dough means (× pieces)
    reach_piece, reach_dough : how far a unit spread of each stratum reaches into each estimate
    plain : effects × pieces, least squares that knows of no doughs
    """

    estimate: np.ndarray
    inner_left: np.ndarray
    outer_left: np.ndarray
    reach_piece: np.ndarray
    reach_dough: np.ndarray
    plain: np.ndarray

    @property
    def degrees(self) -> tuple[int, int]:
        return len(self.inner_left), len(self.outer_left)


def judging(bench: Bench) -> Judge:
    """What varies within doughs is judged there, all else on dough means."""
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
    root = np.sqrt(_weights(bench.spreads, count))[:, None]
    design = root * (means[:, outer] - means[:, inner] @ mixed)
    bare = root * averaging
    solve_outer = np.linalg.pinv(design)
    outer_rule = solve_outer @ (bare - root * (means[:, inner] @ solve_inner))
    rule = np.zeros((columns.shape[1], len(dough)))
    rule[outer] = outer_rule
    rule[inner] = solve_inner - mixed @ outer_rule
    # The dough stratum's part of each coefficient, in units of a weighted dough mean.
    of_dough = np.zeros((columns.shape[1], len(count)))
    of_dough[outer] = solve_outer
    of_dough[inner] = -mixed @ solve_outer
    of_piece = rule - of_dough @ bare
    left = root * averaging - root * (means[:, inner] @ solve_inner)
    return Judge(
        bench.contrasts @ rule,
        _left(within[:, inner], centring, df_piece if inner or df_piece > 0 else 0),
        _left(design, np.eye(len(count)), len(count) - len(outer)) @ left,
        ((bench.contrasts @ of_piece) ** 2).sum(axis=1),
        ((bench.contrasts @ of_dough) ** 2).sum(axis=1),
        bench.contrasts @ np.linalg.pinv(columns),
    )


def _weights(spreads: Spreads, count: np.ndarray) -> np.ndarray:
    """Dough means of few pieces weigh less; of even counts all weigh 1."""
    variance = spreads.dough**2 + spreads.of_piece / count
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
    piece, dough = (_mean_square(mean @ left.T) for left in (judge.inner_left, judge.outer_left))
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = [
            np.where(reach < 1e-12, 0.0, square * reach)
            for square, reach in ((piece, judge.reach_piece), (dough, judge.reach_dough))
        ]
        total = parts[0] + parts[1]
        df = total**2 / sum(
            part**2 / max(degrees, 1) for part, degrees in zip(parts, judge.degrees, strict=True)
        )
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
