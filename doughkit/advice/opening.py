"""The first doughs: those that make every surface surest on average, given what is assumed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.advice.rounds import require_counts
from doughkit.advice.space import Space, open_space
from doughkit.fitting.assumptions import read_assumptions
from doughkit.texture.assuming import TASTE
from doughkit.texture.ground import bare_ground
from doughkit.trials.factors import factors_per
from doughkit.trials.rounds import Round, dough_names

LEVELS = 5
STARTS = 24
PASSES = 12
EVERYWHERE = 1024
TASTERS = 6


def first_round(
    factors: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    doughs: int = 6,
    pieces_per_dough: int = 2,
    seed: int,
) -> Round:
    """Plan the first round: few doughs from which the most is learnt of all textures at once.

    Question: what should I bake first?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`.
    limits : DataFrame, optional
        Table `limits`.
    doughs : int
        Doughs in all; six are enough to begin with.
    pieces_per_dough : int
        Pieces baked of each dough, each in its own way as far as it pays.
    seed : int
        Draws the search and the order of mixing.

    Returns
    -------
    Round: unpacks to (doughs, pieces); role "promising". The plan makes the expected variance of a
    quadratic surface, averaged over all levels allowed, as small as can be, with the starting
    assumptions counted in; so fewer doughs than terms will do.

    Raises
    ------
    StudyProblems if a factor or limit can't be used, nothing is allowed, or a count is below 1.

    Range: the search may miss the very best plan by about a hundredth.
    Source: I-optimal designs, G. E. P. Box and N. R. Draper 1959, J. Am. Stat. Assoc. 54, 622 (from
    memory); coordinate exchange, R. K. Meyer and C. J. Nachtsheim 1995, Technometrics 37, 60.

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.0, 5.0],
    ...     "high": [3.0, 9.0], "step": [0.5, 1.0], "changed_per": ["dough", "piece"]})
    >>> doughs, pieces = first_round(factors, doughs=3, seed=1)
    >>> sorted(doughs["salt_pct"]), len(pieces)
    ([1.0, 2.0, 3.0], 6)
    """
    require_counts(doughs=doughs, pieces_per_dough=pieces_per_dough)
    space = open_space(factors, limits, None, bare_ground(factors), None)
    rng = np.random.default_rng(seed)
    places = best_plan(space, doughs, pieces_per_dough, *assumed(space), rng=rng)
    places = places[rng.permutation(doughs)]
    of_dough = list(factors_per(factors, "dough")["factor"])
    of_piece = list(factors_per(factors, "piece", "day")["factor"])
    names = dough_names(1, doughs)
    mixed = pd.DataFrame(
        {"dough": names, "kind": "test", "round": 1.0, "role": "promising", "status": "planned"}
    )
    mixed = pd.concat([mixed, space.frame(places[:, 0])[of_dough]], axis=1)
    baked = space.frame(places.reshape(doughs * pieces_per_dough, -1))[of_piece]
    dough = np.repeat(names, pieces_per_dough)
    count = np.tile(np.arange(1, pieces_per_dough + 1), doughs)
    baked.insert(0, "piece", [f"{name}-{at}" for name, at in zip(dough, count, strict=True)])
    baked.insert(1, "dough", pd.Series(dough, dtype="str"))
    note = "Each piece of a dough has its own bake; mix and bake in the order listed."
    return Round(mixed, baked, notes=(note,))


def assumed(space: Space) -> tuple[np.ndarray, float, float]:
    """Variances of the columns beforehand, of a dough, and of one tasted piece, in scale shares."""
    named = read_assumptions(None, {"dough"})["share"].astype(float)
    size = {name: float(named[name]) for name in ("constant", "linear")}
    size |= {kind: size["linear"] * float(named[kind]) for kind in ("interaction", "bend")}
    prior = np.array([size["constant"], *(size[kind] for kind in space.ground.kinds.values())])
    return prior**2, float(named["dough"]) ** 2, float(named["piece"]) ** 2 + TASTE**2 / TASTERS


def best_plan(space: Space, doughs: int, pieces: int, prior, dough, piece, *, rng) -> np.ndarray:
    """Places dough × piece × factor of the plan with the least average variance of a surface.

    All starts are bettered together, one factor of one dough (or piece) at a time.
    """
    coarse = [
        np.unique(np.rint(np.linspace(0, size - 1, LEVELS)).astype(int)) for size in space.sizes
    ]
    everywhere = space.rows(space.spread_out(EVERYWHERE, rng))
    moments = everywhere.T @ everywhere / len(everywhere)
    plans = _starts(space, coarse, doughs, pieces, rng)
    within = np.eye(pieces) / piece - dough / (piece * (piece + pieces * dough))

    def told(places):
        rows = space.rows(places.reshape(-1, places.shape[-1]))
        rows = rows.reshape(*places.shape[:-1], rows.shape[-1])
        return np.swapaxes(rows, -1, -2) @ within @ rows

    known = np.diag(1 / prior) + told(plans).sum(axis=1)
    now = _variance(known, moments)
    for _ in range(PASSES):
        before = now.copy()
        for at in range(doughs):
            own = told(plans[:, at])
            for factor, piece_at in _turns(space, pieces):
                tried = np.repeat(plans[:, None, at], len(coarse[factor]), axis=1)
                tried[:, :, piece_at, factor] = coarse[factor][None, :, None]
                new = told(tried)
                variance = _variance((known - own)[:, None] + new, moments)
                flat = tried.reshape(-1, tried.shape[-1])
                allowed = space.allowed(flat).reshape(tried.shape[:3]).all(axis=2)
                variance = np.where(allowed, variance, np.inf)
                chosen = variance.argmin(axis=1)
                rows = np.arange(len(plans))
                better = variance[rows, chosen] < now - 1e-12
                plans[better, at] = tried[rows, chosen][better]
                known[better] += (new[rows, chosen] - own)[better]
                own[better] = new[rows, chosen][better]
                now = np.where(better, variance[rows, chosen], now)
        if (before - now).max() < 1e-9:
            break
    return plans[now.argmin()]


def _turns(space: Space, pieces: int):
    """Each factor of the whole dough, then each of each piece."""
    for factor, of_piece in enumerate(space.of_piece):
        if not of_piece:
            yield factor, list(range(pieces))
        else:
            for one in range(pieces):
                yield factor, [one]


def _starts(space: Space, coarse, doughs: int, pieces: int, rng) -> np.ndarray:
    """Plans drawn at random among the coarse levels that are allowed."""
    drawn = [rng.choice(each, 4096) for each in coarse]
    free = np.column_stack(drawn)
    free = free[space.allowed(free)]
    if not len(free):
        free = space.spread_out(EVERYWHERE, rng)
    picked = free[rng.integers(len(free), size=(STARTS, doughs))]
    plans = np.repeat(picked[:, :, None], pieces, axis=2)
    for factor in np.flatnonzero(space.of_piece):
        moved = plans.copy()
        moved[..., factor] = rng.choice(coarse[factor], size=plans.shape[:-1])
        fits = space.allowed(moved.reshape(-1, moved.shape[-1])).reshape(moved.shape[:-1])
        plans[..., factor] = np.where(fits, moved[..., factor], plans[..., factor])
    return plans


def _variance(known: np.ndarray, moments: np.ndarray) -> np.ndarray:
    return (np.linalg.inv(known) * moments).sum(axis=(-1, -2))
