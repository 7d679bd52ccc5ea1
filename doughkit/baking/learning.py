"""Members bent to what was observed: linear conditioning, perturbed observations, two passes.

The first pass takes in a third of the evidence and moves the unknowns; the second starts from what
the moved members simulate. Together they weigh exactly as much as the evidence does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from doughkit.baking.ensemble import Members, independent

PASSES = (3.0, 1.5)
"""By how much each pass inflates the errors' variance; their inverses add up to one."""


@dataclass(frozen=True)
class Evidence:
    """Observations as the members would have made them: (members, observations)."""

    simulated: np.ndarray
    observed: np.ndarray
    error: np.ndarray
    noise: np.ndarray
    """Standard normal: the perturbations of the observations, one set a member."""

    def bend(self, targets: np.ndarray) -> np.ndarray:
        """Members' values of `targets` (members, anything) after the observations."""
        if not self.observed.size:
            return targets
        flat = targets.reshape(len(targets), -1)
        away = self.simulated - self.simulated.mean(axis=0)
        spread = away.T @ away / (len(away) - 1) + np.diag(self.error**2)
        gain = np.linalg.solve(spread, away.T @ (flat - flat.mean(axis=0)) / (len(away) - 1))
        missing = self.observed + self.error * self.noise - self.simulated
        return (flat + missing @ gain).reshape(targets.shape)


@dataclass(frozen=True)
class Learnt:
    """Members after the first pass, the evidence of the second, and where all doubt comes from."""

    drawn: Members
    members: Members
    evidence: Evidence
    noise: np.ndarray

    def bend(self, targets: np.ndarray) -> np.ndarray:
        """Targets simulated with `members`, after all that was observed."""
        return self.evidence.bend(targets)


def learn(
    drawn: Members,
    simulate: Callable[[Members], np.ndarray],
    observed: np.ndarray,
    error: np.ndarray,
    rng: np.random.Generator,
    *,
    df: float,
) -> Learnt:
    """Bend drawn members to observations that `simulate` would give in each member's truth.

    `df`: on how many repeats the errors rest; few give the members' errors long tails.
    """
    members, noises = drawn, []
    tails = np.sqrt(df / rng.chisquare(df, drawn.count))[:, None]
    for inflated in PASSES:
        beside = np.hstack([drawn.matrix(), *noises])
        noise = tails * independent(rng, drawn.count, len(observed), beside=beside)
        seen = Evidence(simulate(members), observed, error * np.sqrt(inflated), noise)
        noises.append(noise)
        if inflated != PASSES[-1]:
            members = members.moved_to(seen.bend(members.matrix()))
    return Learnt(drawn, members, seen, np.hstack(noises))


def width_after(target: np.ndarray, candidate: np.ndarray, error: float) -> float:
    """By which factor the spread of `target` shrinks once `candidate` is observed with `error`."""
    together = np.cov(target, candidate)
    if together[0, 0] <= 0:
        return 1.0
    known = together[0, 1] ** 2 / (together[1, 1] + error**2) / together[0, 0]
    return float(np.sqrt(max(1 - known, 0)))
