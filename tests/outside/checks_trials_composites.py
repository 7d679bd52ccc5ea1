"""Central composites: points, and the variance at the middle by which their authors chose them."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pandas as pd

from doughkit import trials
from doughkit.fitting import fit_linear
from doughkit.trials.surface import axial_distance
from tests.outside import Check

BOX_HUNTER = "G. E. P. Box, J. S. Hunter, Annals of Mathematical Statistics 28, 1957, 195-241"
NIST = "NIST/SEMATECH e-Handbook of Statistical Methods, table 5.3.3.6.1"
MEMORY = "from memory"


@cache
def plan(factors: int, centre: int, kind: str = "rotatable") -> pd.DataFrame:
    """The levels planned, in units in which the axial doughs lie at −1 and +1."""
    names = [f"f{number}_pct" for number in range(1, factors + 1)]
    table = pd.DataFrame({"factor": names, "low": -1.0, "high": 1.0, "changed_per": "dough"})
    return trials.plan_surface(
        table, kind=kind, centre_doughs=centre, pieces_per_dough=1, round=1, seed=1
    ).doughs[names]


def beside_the_centre(factors: int) -> int:
    return len(plan(factors, 0))


def quadratic(levels: pd.DataFrame) -> pd.DataFrame:
    names = list(levels)
    columns = {name: levels[name] for name in names}
    for place, one in enumerate(names):
        columns |= {f"{one}{other}": levels[one] * levels[other] for other in names[place:]}
    return pd.DataFrame(columns)


def scaled_variance(levels: pd.DataFrame, points: pd.DataFrame) -> np.ndarray:
    """Doughs times the variance of a quadratic's mean at the points, the error's variance being 1.

    What is fitted has nothing to do with it; the standard errors are read from a fit.
    """
    fit = fit_linear(quadratic(levels), np.arange(len(levels)) % 3.0)
    return len(levels) * (fit.predict(quadratic(points))["se"] / fit.figures.loc[0, "s"]) ** 2


def in_the_middle(factors: int, centre: int, kind: str = "rotatable") -> float:
    """The plan gives both its rounds as many centre doughs; an odd one is left out here."""
    half = -(-centre // 2)
    levels = plan(factors, half, kind)
    at_centre = levels.index[(levels == 0).all(axis=1)]
    levels = levels.drop(at_centre[: 2 * half - centre]).reset_index(drop=True)
    return float(scaled_variance(levels, levels.head(1) * 0).iloc[0])


def unevenness(factors: int, kind: str = "rotatable") -> float:
    """Largest over smallest variance on the sphere through the corners, at points drawn on it."""
    levels = plan(factors, 3, kind)
    drawn = np.random.default_rng(1).normal(size=(200, factors))
    drawn *= 0.5 / np.linalg.norm(drawn, axis=1, keepdims=True)
    variance = scaled_variance(levels, pd.DataFrame(drawn, columns=list(levels)))
    return float(variance.max() / variance.min())


def check(says, where, printed, within, how, *given, wrong=False, about="trials.plan_surface"):
    return Check(about, says, where, MEMORY, printed, partial(how, *given), within, wrong)


CHECKS = [
    *[
        check(f"composite, {factors} factors{half}: {runs} runs of which {centre} in the middle",
              NIST, runs - centre, 0, beside_the_centre, factors)
        for factors, half, runs, centre in (
            (2, "", 13, 5), (3, "", 20, 6), (4, "", 30, 6), (5, ", half of the corners", 33, 7),
            (6, ", half of the corners", 54, 10),
        )
    ],
    check("composite, 5 factors: not the 42 points of the whole cube", NIST, 52 - 10, 0,
          beside_the_centre, 5, wrong=True),
    *[
        check(f"rotatable, {factors} factors, half of the corners", NIST, printed, 6e-4,
              partial(axial_distance, factors, kind="rotatable", fraction=0.5),
              about="trials.axial_distance")
        for factors, printed in ((5, 2.000), (6, 2.378))
    ],
    check("rotatable, 5 factors: half of the corners lie nearer than all", NIST, 2.378, 0.1,
          partial(axial_distance, 5, kind="rotatable", fraction=0.5), wrong=True,
          about="trials.axial_distance"),
    *[
        check(f"rotatable, {factors} factors, {centre} centre doughs: doughs × variance there",
              BOX_HUNTER, printed, within, in_the_middle, factors, centre)
        for factors, centre, printed, within in (
            (2, 5, 2.6, 1e-9), (3, 6, 3.3268, 6e-5), (4, 6, 5.0, 1e-9),
        )
    ],
    check("faces do not share the variance of the rotatable plan", BOX_HUNTER, 3.3268, 0.05,
          in_the_middle, 3, 6, "face-centred", wrong=True),
    *[
        check(f"rotatable, {factors} factors: only the distance from the middle counts",
              BOX_HUNTER, 1.0, 1e-9, unevenness, factors)
        for factors in (2, 3, 4, 5, 6)
    ],
    check("faces: the direction counts too", BOX_HUNTER, 1.0, 1e-3, unevenness, 3, "face-centred",
          wrong=True),
]  # fmt: skip
