"""The REML criterion with exact derivatives, and the search for its lowest point."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from doughkit.fitting.mixed_layout import Compressed
from doughkit.fitting.mixed_pieces import Pieces, pieces

STEPS = 200
CLOSE = 1e-7
"""A step that promises less of the criterion is the last: it leaves the square of that."""

ROUNDING = 1e-12
NOTHING = 1e-150
"""Stands for no error at all, so that its square is still a number."""

OTHER_STARTS = (1.0, 10.0)


@dataclass(frozen=True, eq=False)
class State:
    """REML at variance ratios `ratio`; P is V⁻¹ less its part along the model's columns.

    projected[k]: tr PZZ'; coupled[k, l]: tr PZZ'PZZ'; felt[k]: y'PZZ'Py; felt_twice[k, l]:
    y'PZZ'PZZ'Py, all for one row's variance taken as 1.
    """

    ratio: np.ndarray
    criterion: float
    slope: np.ndarray
    curve: np.ndarray
    beta: np.ndarray
    unscaled: np.ndarray
    """Covariance of beta over the variance of one row."""
    rest: float
    """y'Py."""
    df: int
    projected: np.ndarray
    coupled: np.ndarray
    felt: np.ndarray
    felt_twice: np.ndarray
    pieces: Pieces
    steps: int = 0

    @property
    def variance(self) -> float:
        return self.rest / self.df


def state(data: Compressed, ratio: np.ndarray) -> State:
    """The criterion (twice the negative log restricted likelihood) and its derivatives."""
    found = pieces(data, ratio)
    p = data.terms
    x, whole = slice(0, p), found.whole
    inverse = np.linalg.inv(whole[x, x])
    beta = inverse @ whole[x, p]
    rest = max(float(whole[p, p] - whole[x, p] @ beta), NOTHING)
    df = data.rows - p
    out = np.append(-beta, 1.0)
    along = found.first @ out
    felt = along @ out
    felt_twice = (found.second @ out) @ out - along[:, x] @ inverse @ along[:, x].T
    fixed = inverse @ found.first[:, x, x]
    projected = found.trace - np.trace(fixed, axis1=1, axis2=2)
    coupled = (
        found.size
        - 2 * np.einsum("ij,klji->kl", inverse, found.second[:, :, x, x])
        + np.einsum("kij,lji->kl", fixed, fixed)
    )
    log_x = np.linalg.slogdet(whole[x, x])[1]
    return State(
        ratio=ratio,
        criterion=found.log_det + log_x + df * (1 + np.log(2 * np.pi * rest / df)),
        slope=projected - df * felt / rest,
        curve=-coupled + df * (2 * felt_twice / rest - np.outer(felt, felt) / rest**2),
        beta=beta,
        unscaled=inverse,
        rest=rest,
        df=df,
        projected=projected,
        coupled=coupled,
        felt=felt,
        felt_twice=felt_twice,
        pieces=found,
    )


def moment_ratio(start: State) -> np.ndarray:
    """Variance ratios by matching y'Py and y'PZZ'Py to their means, from the state at zero."""
    left = np.empty((len(start.felt) + 1,) * 2)
    left[0, 0], left[0, 1:], left[1:, 0] = start.df, start.projected, start.projected
    left[1:, 1:] = start.coupled
    found = np.linalg.solve(left, np.append(start.rest, start.felt))
    scale = found[0] if found[0] > 0 else start.rest / start.df
    return np.clip(found[1:] / scale, 0, 1e4)


def search(data: Compressed, zero: State) -> State:
    """The lowest REML criterion: a small panel's can have more than one valley, so three starts."""
    best = lowest(data, state(data, moment_ratio(zero)))
    if best.steps == 0 and best.ratio.all():
        return best  # balanced rows: the mean squares are the answer
    for ratio in OTHER_STARTS:
        start = state(data, np.full(best.ratio.size, ratio))
        found = lowest(data, start, beat=best.criterion)
        if found.criterion < best.criterion:
            best = found
    return best


def lowest(data: Compressed, here: State, *, beat: float = np.inf) -> State:
    """The lowest point downhill of `here`, by Newton steps that stop at zero ratios.

    Gives up near a lowest point that can't lie below `beat`.
    """
    for _ in range(STEPS):
        free = (here.ratio > 0) | (here.slope < 0)
        if not free.any():
            return here
        step = _step(here, free)
        gain = -float(here.slope[free] @ step)
        if gain < 0.1 and here.criterion - gain >= beat:
            return here
        after = _along(data, here, free, step, close=gain <= CLOSE)
        if after is None:
            return here
        if gain <= CLOSE:
            return replace(after, steps=here.steps)
        here = replace(after, steps=here.steps + 1)
    return here


def _step(here: State, free: np.ndarray) -> np.ndarray:
    """Newton's step where the criterion curves upward, else one by its mean curvature."""
    slope = here.slope[free]
    mean = here.coupled - np.outer(here.projected, here.projected) / here.df
    for curve in (here.curve, mean):
        chosen = curve[np.ix_(free, free)]
        try:
            half = np.linalg.cholesky(chosen)
        except np.linalg.LinAlgError:
            continue
        return -np.linalg.solve(half.T, np.linalg.solve(half, slope))
    return -slope / np.diag(mean)[free]


def _along(data: Compressed, here: State, free, step, *, close: bool) -> State | None:
    """The first of ever shorter steps that lowers the criterion enough; None if none does."""
    for share in 3.0 ** -np.arange(1 if close else 30):
        ratio = here.ratio.copy()
        ratio[free] = np.clip(ratio[free] + share * step, 0, 30 * ratio[free] + 1)
        after = state(data, ratio)
        promised = min(0.0, float(here.slope @ (ratio - here.ratio)))
        # So near the lowest point the gain itself drowns in rounding.
        room = ROUNDING * abs(here.criterion) if close else 1e-4 * promised
        if after.criterion <= here.criterion + room:
            return after
    return None
