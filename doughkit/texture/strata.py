"""Least squares by strata: what varies within a dough is judged there, the rest on dough means.

Pieces of one dough share its error. Differences within a dough are free of it, so a bake time that
varies within doughs is judged on those; what is the same in all pieces of a dough is judged on the
dough's mean, against the spread between doughs. Both are plain least squares. Where rounds are
uneven, what the within-dough step knows imperfectly is carried on to the second, and degrees of
freedom of a mixture are Satterthwaite's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughkit.fitting.solving import Solved, dependencies, least_squares


@dataclass(frozen=True, eq=False)
class Layout:
    """What one set of pieces can be asked, the same for every attribute rated on it."""

    matrix: np.ndarray
    dough: np.ndarray
    count: np.ndarray
    means: np.ndarray
    within: np.ndarray
    inner: list[int]
    """Columns judged within doughs; `outer`: the others, judged on dough means."""
    outer: list[int]
    mixed: np.ndarray
    """What each outer column shows within doughs, as a sum of inner ones."""
    df_piece: int

    @property
    def typical_count(self) -> float:
        return float(len(self.count) / (1 / self.count).sum())


def lay_out(matrix: np.ndarray, dough: np.ndarray) -> Layout:
    """Divide the columns between the strata; `dough` numbers each row's dough from 0."""
    count = np.bincount(dough).astype(float)
    means = np.array([np.bincount(dough, weights=column) for column in matrix.T]).T
    means = means / count[:, None]
    within = matrix - means[dough]
    within[np.abs(within) < 1e-12 * np.abs(matrix).max(axis=0)] = 0.0
    outer = sorted(dependencies(within))
    inner = [column for column in range(matrix.shape[1]) if column not in outer]
    df_piece = len(matrix) - len(count) - len(inner)
    if df_piece < 1 and inner and not dependencies(means):
        # A few second pieces can't judge anything by themselves; dough means still can.
        inner, outer, df_piece = [], list(range(matrix.shape[1])), 0
    mixed = np.linalg.lstsq(within[:, inner], within[:, outer], rcond=None)[0]
    return Layout(matrix, dough, count, means, within, inner, outer, mixed, max(df_piece, 0))


@dataclass(frozen=True, eq=False)
class Strata:
    """One attribute's regression.

    beta : a coefficient per column; piece_part, dough_part: its error is
        s_piece · piece_part @ z + s_dough · dough_part @ z' with independent normal z, z'
    s_piece : spread of a piece within its dough; s_dough : spread of a dough's mean around the
        surface, the pieces' share in it included; weights: 1 / relative variance of a dough mean
    """

    layout: Layout
    beta: np.ndarray
    piece_part: np.ndarray
    dough_part: np.ndarray
    s_piece: float
    s_dough: float
    df_piece: int
    df_dough: int
    outer_design: np.ndarray
    outer_response: np.ndarray
    weights: np.ndarray
    solved: Solved
    """Of the weighted dough means."""
    inner_coef: np.ndarray

    def error(self, functionals: np.ndarray, *, next_piece: bool = False):
        """Standard error, degrees of freedom and the dough stratum's share of the variance.

        `next_piece` adds what one more piece of a dough yet to be mixed would stray.
        """
        reach = [((functionals @ part) ** 2).sum(axis=1) for part in self.parts]
        # A part that is not there must not spoil the other by being unknown.
        piece, dough = (
            np.where(one < 1e-18, 0.0, spread**2 * one)
            for one, spread in zip(reach, (self.s_piece, self.s_dough), strict=True)
        )
        if next_piece:
            of_piece, of_dough = self._of_next()
            piece, dough = piece + of_piece, dough + of_dough
        df = satterthwaite([piece, dough], [self.df_piece, self.df_dough])
        total = piece + dough
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.sqrt(total), df, np.where(total > 0, dough / total, np.nan)

    @property
    def parts(self) -> tuple[np.ndarray, np.ndarray]:
        return self.piece_part, self.dough_part

    def _of_next(self) -> tuple[float, float]:
        """The variance of a lone piece: of its dough as means show it, and the rest of its own."""
        if self.df_piece < 1:
            return 0.0, self.s_dough**2
        alone = self.s_piece**2
        share = 1 - 1 / self.layout.typical_count
        return share * alone, max(self.s_dough**2, alone - share * alone)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Coefficients as they may be, given the data: one row a draw (t in each stratum)."""
        out = np.tile(self.beta, (count, 1))
        for part, s, df in (
            (self.piece_part, self.s_piece, self.df_piece),
            (self.dough_part, self.s_dough, self.df_dough),
        ):
            if part.shape[1]:
                # Nothing left to judge a spread by: how far it may be off is not known.
                wide = (
                    s * np.sqrt(df / rng.chisquare(df, count)) if df > 0 else np.full(count, np.nan)
                )
                out += wide[:, None] * (rng.normal(size=(count, part.shape[1])) @ part.T)
        return out


def satterthwaite(variances, dfs) -> np.ndarray:
    """Degrees of freedom of a sum of independent variances, each with its own.

    >>> satterthwaite([np.array([1.0]), np.array([1.0])], [4, 4])
    array([8.])
    """
    total = sum(variances)
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = sum(
            np.where(variance > 0, variance**2 / (df if df > 0 else np.nan), 0.0)
            for variance, df in zip(variances, dfs, strict=True)
        )
        return np.where(parts > 0, total**2 / parts, np.nan)


def solve_strata(layout: Layout, y: np.ndarray) -> Strata:
    """Fit one attribute: within doughs first, then what is left of the dough means."""
    inner, outer = layout.inner, layout.outer
    mean = np.bincount(layout.dough, weights=y) / layout.count
    columns = layout.matrix.shape[1]
    spread, coef, s_piece = np.zeros((0, 0)), np.zeros(0), np.nan
    if inner:
        solved = least_squares(layout.within[:, inner], y - mean[layout.dough])
        spread, coef, left = solved.spread, solved.coef, solved.residual
        s_piece = np.sqrt(left @ left / layout.df_piece) if layout.df_piece else np.nan
    elif layout.df_piece:
        left = y - mean[layout.dough]
        s_piece = np.sqrt(left @ left / layout.df_piece)
    design = layout.means[:, outer] - layout.means[:, inner] @ layout.mixed
    response = mean - layout.means[:, inner] @ coef
    df_dough = len(mean) - len(outer)
    weights, outer_fit, s_dough = _weighted(layout, design, response, s_piece, df_dough)
    beta = np.zeros(columns)
    beta[outer] = outer_fit.coef
    beta[inner] = coef - layout.mixed @ outer_fit.coef
    dough_part = np.zeros((columns, len(outer)))
    dough_part[outer] = outer_fit.spread
    dough_part[inner] = -layout.mixed @ outer_fit.spread
    # An error of the inner coefficients moves the dough means, and with them the outer ones.
    root = np.sqrt(weights)[:, None]
    carried = -(outer_fit.spread @ outer_fit.spread.T) @ (design * root).T
    carried = carried @ ((layout.means[:, inner] @ spread) * root)
    piece_part = np.zeros((columns, len(inner)))
    piece_part[outer] = carried
    piece_part[inner] = spread - layout.mixed @ carried
    return Strata(
        layout, beta, piece_part, dough_part, float(s_piece), s_dough, layout.df_piece, df_dough,
        design, response, weights, outer_fit, coef,
    )  # fmt: skip


def _weighted(layout, design, response, s_piece: float, df: int):
    """Dough means of few pieces weigh less, by the spreads that the data themselves show."""
    weights = np.ones(len(response))
    even = np.ptp(layout.count) == 0 or not np.isfinite(s_piece) or s_piece == 0 or df < 1
    typical = 1 / layout.typical_count
    for _ in range(0 if even else 20):
        root = np.sqrt(weights)
        coef = np.linalg.lstsq(design * root[:, None], response * root, rcond=None)[0]
        square = float((weights * (response - design @ coef) ** 2).sum() / df)
        ratio = max(square / s_piece**2 - typical, 0.0)
        before, weights = weights, (ratio + typical) / (ratio + 1 / layout.count)
        if np.abs(weights - before).max() < 1e-10:
            break
    root = np.sqrt(weights)
    solved = least_squares(design * root[:, None], response * root)
    s = float(np.sqrt(solved.residual @ solved.residual / df)) if df > 0 else np.nan
    return weights, solved, s
