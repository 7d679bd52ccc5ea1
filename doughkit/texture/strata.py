"""Least squares by strata: what varies within a dough is judged there, the rest on dough means.

Pieces of one dough share its error. Differences within a dough are free of it, so a bake time that
varies within doughs is judged on those; what is the same in all pieces of a dough is judged on the
dough's mean, against the spread between doughs. Where a factor is set once a day, doughs share
their day's error in the same way, and a third stratum judges it on the means of days. Each is plain
least squares. Where rounds are uneven, what a stratum knows imperfectly is carried on to the next,
and degrees of freedom of a mixture are Satterthwaite's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from doughkit.fitting.solving import Solved, least_squares
from doughkit.texture.layout import Layout, lay_out

NAMES = ("piece", "dough", "day")


@dataclass(frozen=True, eq=False)
class Stratum:
    """What is judged on one kind of difference.

    columns : places in the whole matrix; coef : of these, what the strata within took along set
        aside; turn : columns of the matrix × columns here, the coefficients are Σ turn @ coef
    parts : stratum → what a unit of its error does to `coef`; rule : from the rows to `coef`
    s, df : the spread of a row of weight 1, and its degrees of freedom
    scale : pieces that such a row stands for
    """

    name: str
    columns: list[int]
    coef: np.ndarray
    turn: np.ndarray
    parts: dict[str, np.ndarray]
    rule: np.ndarray
    s: float
    df: int
    scale: float = 1.0

    def carried_within(self, layout: Layout, within: Stratum) -> Stratum:
        """The same where its rows are the means of a layout whose inner columns are known."""
        inner = layout.means[:, layout.inner]
        turn = np.zeros((layout.matrix.shape[1], len(self.columns)))
        turn[layout.outer] = self.turn
        turn[layout.inner] = -layout.mixed @ self.turn
        parts = {within.name: -self.rule @ inner @ within.parts[within.name], **self.parts}
        averaging = layout.averaged(np.eye(len(layout.matrix)))
        return replace(
            self,
            columns=[layout.outer[one] for one in self.columns],
            turn=turn,
            parts=parts,
            rule=self.rule @ (averaging - inner @ within.rule),
        )


@dataclass(frozen=True, eq=False)
class Means:
    """The means of doughs as a regression of their own (within days, where days count)."""

    design: np.ndarray
    response: np.ndarray
    weights: np.ndarray
    """1 / relative variance of a dough mean."""
    solved: Solved


@dataclass(frozen=True, eq=False)
class Strata:
    """One attribute's regression: a coefficient per column, and the strata, from within to without.

    The error of the coefficients is Σ s · part @ z over the strata, z independent and normal.
    """

    layout: Layout
    beta: np.ndarray
    strata: list[Stratum]
    means: Means
    days: Layout | None
    """Of doughs on their days; None: days are no matter."""

    def __getitem__(self, name: str) -> Stratum:
        return next(one for one in self.strata if one.name == name)

    @property
    def parts(self) -> list[np.ndarray]:
        """Per stratum, what a unit of its error does to the coefficients."""
        return [
            sum(one.turn @ one.parts[name] for one in self.strata if name in one.parts)
            for name in (one.name for one in self.strata)
        ]

    def variances(self, functionals: np.ndarray) -> np.ndarray:
        """Strata × sums of coefficients: the variance that each stratum brings."""
        found = []
        for one, part in zip(self.strata, self.parts, strict=True):
            reach = ((functionals @ part) ** 2).sum(axis=1)
            # A part that is not there must not spoil the others by being unknown.
            found.append(np.where(reach < 1e-18, 0.0, one.s**2 * reach))
        return np.array(found)

    def error(self, functionals: np.ndarray, *, next_piece: bool = False):
        """Standard error and degrees of freedom of sums of coefficients.

        `next_piece` adds what one more piece of a dough (and day) yet to come would stray.
        """
        variances = self.variances(functionals)
        if next_piece:
            variances = variances + self._of_next()[:, None]
        df = satterthwaite(list(variances), [one.df for one in self.strata])
        return np.sqrt(variances.sum(axis=0)), df

    def judged_by(self, functionals: np.ndarray) -> list[str]:
        """What rests on several strata is named after the one that makes it less sure."""
        variances = self.variances(functionals)
        reached = np.array(
            [np.abs(functionals @ part).max(axis=1, initial=0) > 1e-9 for part in self.parts]
        )
        unknown = (np.isnan(variances) & reached).any(axis=0)
        variances = np.where(unknown | np.isnan(variances), 0.0, variances)
        weight = np.where(reached, variances, -1.0)[::-1]
        return [NAMES[len(weight) - 1 - place] for place in weight.argmax(axis=0)]

    def _of_next(self) -> np.ndarray:
        """The variance of a lone piece: of its day and dough as means show them, and its own."""
        layouts = [self.layout, self.days][: len(self.strata) - 1]
        variances, below = [], None
        for one, layout in zip(self.strata, [*layouts, None], strict=True):
            square = one.s**2 if below is None else max(one.s**2, below)
            if layout is None:
                variances.append(square)
            elif one.df < 1:
                variances.append(0.0)
                below = None
            else:
                share = 1 - 1 / layout.typical_count
                variances.append(share * square)
                below = square - share * square
        return np.array(variances)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Coefficients as they may be, given the data: one row a draw (t in each stratum)."""
        out = np.tile(self.beta, (count, 1))
        for one, part in zip(self.strata, self.parts, strict=True):
            if part.shape[1]:
                # Nothing left to judge a spread by: how far it may be off is not known.
                unknown = np.full(count, np.nan)
                known = one.df > 0
                wide = one.s * np.sqrt(one.df / rng.chisquare(one.df, count)) if known else unknown
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


def solve_strata(layout: Layout, y: np.ndarray, day: np.ndarray | None = None) -> Strata:
    """Fit one attribute: within doughs first, then what is left of the dough means.

    `day` numbers each dough's day from 0; then dough means are fitted within days, and what is
    left of the means of days comes last.
    """
    pieces = _within(layout, y, "piece")
    response = _left_of_means(layout, pieces, y)
    weights = _weights(layout, response, pieces.s, day)
    if day is None:
        days, rest = None, [_between(layout.design, response, weights, "dough")]
    else:
        days = lay_out(layout.design, day, weights)
        doughs = _within(days, response, "dough")
        of_days = _left_of_means(days, doughs, response)
        last = _between(days.design, of_days, _weights(days, of_days, doughs.s, None), "day")
        rest = [doughs, replace(last.carried_within(days, doughs), scale=days.typical_count)]
    carried = [one.carried_within(layout, pieces) for one in rest]
    strata = [pieces, *(replace(one, scale=one.scale * layout.typical_count) for one in carried)]
    beta = sum(one.turn @ one.coef for one in strata)
    return Strata(layout, beta, strata, _of_doughs(layout, response, weights, day, days), days)


def _within(layout: Layout, y: np.ndarray, name: str) -> Stratum:
    """The inner columns on differences within groups."""
    inner, size = layout.inner, layout.matrix.shape[1]
    root = np.sqrt(layout.weights)
    left = (y - layout.averaged(y)[layout.group]) * root
    coef, spread, rule = np.zeros(0), np.zeros((0, 0)), np.zeros((0, len(y)))
    if inner:
        columns = layout.within[:, inner]
        solved = least_squares(columns, left)
        coef, spread, left = solved.coef, solved.spread, solved.residual
        rule = spread @ (spread.T @ columns.T) * root
    s = float(np.sqrt(left @ left / layout.df)) if layout.df else np.nan
    return Stratum(name, inner, coef, np.eye(size)[:, inner], {name: spread}, rule, s, layout.df)


def _left_of_means(layout: Layout, within: Stratum, y: np.ndarray) -> np.ndarray:
    return layout.averaged(y) - layout.means[:, layout.inner] @ within.coef


def _between(design: np.ndarray, response: np.ndarray, weights: np.ndarray, name: str) -> Stratum:
    """Plain weighted least squares: the last stratum."""
    root, size, df = np.sqrt(weights), design.shape[1], len(design) - design.shape[1]
    solved = least_squares(design * root[:, None], response * root)
    s = float(np.sqrt(solved.residual @ solved.residual / df)) if df > 0 else np.nan
    rule = (solved.spread @ solved.spread.T) @ (design * weights[:, None]).T
    return Stratum(
        name, list(range(size)), solved.coef, np.eye(size), {name: solved.spread}, rule, s, df
    )


def _of_doughs(layout: Layout, response, weights, day, days: Layout | None) -> Means:
    design = layout.design
    if days is not None:
        design = np.hstack([np.eye(day.max() + 1)[day], design[:, days.inner]])
    root = np.sqrt(weights)
    return Means(design, response, weights, least_squares(design * root[:, None], response * root))


def _weights(layout: Layout, response: np.ndarray, s_within: float, day) -> np.ndarray:
    """Means of few rows weigh less, by the spreads that the data themselves show."""
    design = layout.design
    if day is not None:
        design = np.hstack([np.eye(day.max() + 1)[day], design])
    weights = np.ones(len(response))
    df = len(response) - (design.shape[1] if day is None else np.linalg.matrix_rank(design))
    even = np.ptp(layout.count) < 1e-12 * layout.count.max()
    even = even or not np.isfinite(s_within) or s_within == 0 or df < 1
    typical = 1 / layout.typical_count
    for _ in range(0 if even else 20):
        root = np.sqrt(weights)
        coef = np.linalg.lstsq(design * root[:, None], response * root, rcond=None)[0]
        square = float((weights * (response - design @ coef) ** 2).sum() / df)
        ratio = max(square / s_within**2 - typical, 0.0)
        before, weights = weights, (ratio + typical) / (ratio + 1 / layout.count)
        if np.abs(weights - before).max() < 1e-10:
            break
    return weights
