"""Members bent to what was observed: linear conditioning, perturbed observations, two passes.

The first pass takes in a third of the evidence and moves the unknowns; the second starts from what
the moved members simulate. Together they weigh exactly as much as the evidence does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from doughkit.baking.ensemble import Members, independent
from doughkit.baking.scatter import Scatter

PASSES = (3.0, 1.5)
"""By how much each pass inflates the errors' variance; their inverses add up to one."""
ABSURD = 0.95
"""What less than one kitchen in twenty of the guesses would show counts as a misfit."""
WIDEST = 3.0


@dataclass(frozen=True)
class Evidence:
    """Observations as the members would have made them: (members, observations).

    error: of the observations, a row for each possible spread from bake to bake
    level: which row is each member's
    noise: standard normal, the perturbations of the observations, one set a member
    """

    simulated: np.ndarray
    observed: np.ndarray
    error: np.ndarray
    level: np.ndarray
    noise: np.ndarray

    def bend(self, targets: np.ndarray) -> np.ndarray:
        """Members' values of `targets` (members, anything) after the observations."""
        if not self.observed.size:
            return targets
        flat = targets.reshape(len(targets), -1)
        away = self.simulated - self.simulated.mean(axis=0)
        spread = away.T @ away / (len(away) - 1)
        shared = away.T @ (flat - flat.mean(axis=0)) / (len(away) - 1)
        missing = self.observed + self.error[self.level] * self.noise - self.simulated
        bent = np.empty_like(flat)
        for level, error in enumerate(self.error):
            own = self.level == level
            gain = np.linalg.solve(spread + np.diag(error**2), shared)
            bent[own] = flat[own] + missing[own] @ gain
        return bent.reshape(targets.shape)


@dataclass(frozen=True)
class Learnt:
    """Members after the first pass, the evidence of the second, and where all doubt comes from."""

    drawn: Members
    members: Members
    evidence: Evidence
    noise: np.ndarray
    scatter: Scatter
    wider: float
    """By which factor the guesses were widened because the observations surprised them."""

    def bend(self, targets: np.ndarray) -> np.ndarray:
        """Targets simulated with `members`, after all that was observed."""
        return self.evidence.bend(targets)


def learn(
    drawn: Members,
    simulate: Callable[[Members], np.ndarray],
    weighed: tuple[np.ndarray, np.ndarray],
    scatter: Scatter,
    rng: np.random.Generator,
) -> Learnt:
    """Bend drawn members to observations that `simulate` would give in each member's truth.

    `weighed`: what was observed, and the error of weighing; `scatter` is from bake to bake.
    """
    observed, weighing = weighed
    guessed = simulate(drawn)
    error = np.hypot(scatter.typical, weighing)
    wider = _surprise(drawn.matrix(), guessed, observed, error)
    members, noises = drawn.moved_to(wider * drawn.matrix()), []
    would = guessed.mean(axis=0) + wider * (guessed - guessed.mean(axis=0))
    errors = np.hypot(scatter.levels[:, None], weighing)
    for inflated in PASSES:
        beside = np.hstack([drawn.matrix(), *noises])
        noise = independent(rng, drawn.count, len(observed), beside=beside)
        seen = Evidence(would, observed, errors * np.sqrt(inflated), scatter.level, noise)
        noises.append(noise)
        if inflated != PASSES[-1] and observed.size:
            members = members.moved_to(seen.bend(members.matrix()))
            would = simulate(members)
    return Learnt(drawn, members, seen, np.hstack(noises), scatter, wider)


def _surprise(scores, guessed, observed, error) -> float:
    """How much wider the guesses must be for what was observed not to be absurd; mostly 1.

    The members' mean scores after the observations, squared and summed, against what chance allows
    in as many directions as the observations tell of.
    """
    if not observed.size:
        return 1.0
    alike = np.zeros(len(guessed), int)
    seen = Evidence(guessed, observed, error[None], alike, np.zeros_like(guessed))
    bent = seen.bend(scores)
    told = max(float(np.clip(1 - bent.var(axis=0, ddof=1), 0, 1).sum()), 0.5)
    off = float((bent.mean(axis=0) ** 2).sum())
    return float(np.sqrt(np.clip(off / chi2.ppf(ABSURD, told), 1, WIDEST**2)))


def width_after(target: np.ndarray, candidate: np.ndarray, error: float) -> float:
    """By which factor the spread of `target` shrinks once `candidate` is observed with `error`."""
    together = np.cov(target, candidate)
    if together[0, 0] <= 0:
        return 1.0
    known = together[0, 1] ** 2 / (together[1, 1] + error**2) / together[0, 0]
    return float(np.sqrt(max(1 - known, 0)))
