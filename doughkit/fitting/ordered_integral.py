"""Chance of ordered answers, with what people (and people's own views) add integrated out.

A row's answer lies between two bounds of a logistic variable; people shift all their bounds alike.
Each integral is Gauss-Hermite, centred and scaled on its own integrand (Pinheiro and Bates, Journal
of Computational and Graphical Statistics 4, 1995, 12-35), so few points do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

NEWTON_STEPS = 30


@dataclass(frozen=True, eq=False)
class Integrated:
    """Per group (and column): the log of the integral; per row: what the gradient is made of.

    up, down: mean slope of the log chance with the upper and the lower bound.
    moved: mean of node × slope, what the group's spread does.
    """

    log: np.ndarray
    up: np.ndarray
    down: np.ndarray
    moved: np.ndarray


def log_chance(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Log of the logistic chance between two bounds, without cancellation in the tails."""
    with np.errstate(over="ignore", divide="ignore"):
        between = np.log(-np.expm1(low - high))
    return between - np.logaddexp(0, -high) - np.logaddexp(0, low)


def slopes(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slopes of the log chance with the upper and with the lower bound."""
    with np.errstate(over="ignore", divide="ignore"):
        both = 1 / np.expm1(high - low)
    return expit(-high) + both, -expit(low) - both


def integrate(
    low: np.ndarray, high: np.ndarray, group: np.ndarray, spread: float, points: int
) -> Integrated:
    """Integrate a standard normal variable times `spread` out of each group's rows.

    Bounds are rows × columns; columns are apart from one another.
    """
    nodes = _nodes(low, high, group, spread, points)
    shift = spread * nodes.at[group]
    log = log_chance(low[..., None] - shift, high[..., None] - shift)
    value, share = nodes.weighted(_summed(log, group))
    share = share[group]
    up, down = slopes(low[..., None] - shift, high[..., None] - shift)
    return Integrated(
        log=value,
        up=(share * up).sum(-1),
        down=(share * down).sum(-1),
        moved=(share * (up + down) * nodes.at[group]).sum(-1),
    )


def integrate_twice(
    low: np.ndarray, high: np.ndarray, groups: list[np.ndarray], spread: np.ndarray, points: int
) -> tuple[float, np.ndarray, np.ndarray, list[float]]:
    """Integrate a finer level within each group too: value, slopes with the bounds and spreads."""
    outer, inner = groups
    # What the finer level adds blurs a logistic variable about as much as shrinking it does.
    blur = np.sqrt(1 + 0.346 * spread[1] ** 2)
    nodes = _nodes(low[:, None] / blur, high[:, None] / blur, outer, spread[0] / blur, points)
    at = nodes.at[:, 0]
    shift = spread[0] * at[outer]
    within = integrate(low[:, None] - shift, high[:, None] - shift, inner, spread[1], points)
    first = np.unique(inner, return_index=True)[1]
    value, share = nodes.weighted(_summed(within.log, outer[first])[:, None])
    share = share[outer, 0]
    moved = (share * (within.up + within.down) * at[outer]).sum(), (share * within.moved).sum()
    up, down = (share * within.up).sum(-1), (share * within.down).sum(-1)
    return float(value.sum()), up, down, [-one for one in moved]


@dataclass(frozen=True, eq=False)
class Nodes:
    """Points of each group's integral (the last axis) and the log of their weights."""

    at: np.ndarray
    log_weight: np.ndarray

    def weighted(self, log: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Log of each integral of exp(log) over a standard normal, and each point's share in it."""
        total = log + self.log_weight
        most = total.max(-1, keepdims=True)
        part = np.exp(total - most)
        inside = part.sum(-1, keepdims=True)
        return (most + np.log(inside))[..., 0], part / inside


def _nodes(low, high, group, spread: float, points: int) -> Nodes:
    centre, scale = _centred(low, high, group, spread)
    x, weight = np.polynomial.hermite.hermgauss(points)
    at = centre[..., None] + np.sqrt(2) * scale[..., None] * x
    log_weight = np.log(scale)[..., None] - at**2 / 2 + x**2 + np.log(weight / np.sqrt(np.pi))
    return Nodes(at, log_weight)


def _centred(low, high, group, spread: float) -> tuple[np.ndarray, np.ndarray]:
    """Where each group's integrand is highest, and how wide it is there."""
    at = np.zeros((group.max() + 1, low.shape[1]))
    for _ in range(NEWTON_STEPS):
        below, above = low - spread * at[group], high - spread * at[group]
        up, down = expit(-above), expit(below)
        slope = -spread * _summed(up - down, group) - at
        bend = up * (1 - up) + down * (1 - down)
        curve = 1 + spread**2 * _summed(bend, group)
        step = np.clip(slope / curve, -2, 2)
        at = at + step
        if np.abs(step).max() < 1e-9:
            break
    return at, 1 / np.sqrt(curve)


def _summed(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    out = np.zeros((group.max() + 1, *values.shape[1:]))
    np.add.at(out, group, values)
    return out
