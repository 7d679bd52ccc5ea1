"""What a shrinkage fit takes for granted before it has seen a bake, and its even sample of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.stats import norm, qmc

from doughkit.tables.problems import Problem, StudyProblems, require_columns, require_unique

SAMPLE = 64
"""Sets of spreads that stand for all; twice or half as many give the same answers."""

_ROWS = [
    # assumption, share, log_sd, of, words; a point on a scale of 1 to 9 is an eighth of it
    ("constant", 1.5 / 8, 0.0, "scale", "how far the middle of all lies from the scale's middle"),
    ("linear", 0.12, 0.4, "scale", "half of what a factor does from low to high"),
    ("interaction", 0.55, 0.5, "linear", "what two factors do together"),
    ("bend", 0.9, 0.5, "linear", "how far low and high lie above the middle"),
    ("level", 3.0 / 8, 0.0, "scale", "how far a bread of unknown levels lies from the middle"),
    ("day", 0.2 / 8, 0.6, "scale", "spread of days"),
    ("dough", 0.35 / 8, 0.5, "scale", "spread of doughs of one formula"),
    ("piece", 0.25 / 8, 0.5, "scale", "spread of pieces of one dough"),
    ("misfit", 0.2 / 8, 0.0, "scale", "how far the true surface strays from a quadratic"),
]
ERRORS = ("piece", "misfit")
"""Assumptions that belong to every single observation, not to a term or to a group."""
SPREADS_OF_EFFECTS = ("constant", "linear", "level")


def starting_assumptions(*, times: float = 1.0) -> pd.DataFrame:
    """List what a shrinkage fit assumes before any data: typical sizes and how sure they are.

    Question: what is our starting guess, not your doughs?

    Parameters
    ----------
    times : float
        All assumed effects so many times as large: 0.5 and 2 show what rests on them. The spreads
        of days, doughs and pieces stay.

    Returns
    -------
    DataFrame: assumption, share (typical size, a standard deviation, as a share of what `of`
    names), log_sd (how far its logarithm may be off; 0: taken as known), of ("scale", the declared
    scale from low to high, or "linear"), words.

    Raises
    ------
    ValueError if `times` is not above 0.

    Range: guesses for ratings on a scale that the breads fill by about two thirds.
    Source: chosen for this library; their effect is shown by halving and doubling them.

    >>> float(starting_assumptions().set_index("assumption").loc["linear", "share"])
    0.12
    """
    if not times > 0:
        raise ValueError(f"times {times}: give a number above 0")
    frame = pd.DataFrame(_ROWS, columns=["assumption", "share", "log_sd", "of", "words"])
    effects = frame["assumption"].isin(SPREADS_OF_EFFECTS)
    return frame.assign(share=frame["share"].where(~effects, frame["share"] * times))


def read_assumptions(assumptions: pd.DataFrame | None, needed: set[str]) -> pd.DataFrame:
    """The table of assumptions, checked, indexed by name."""
    frame = starting_assumptions() if assumptions is None else assumptions
    require_columns(frame, "assumption", "share", "log_sd", "of", table="assumptions")
    require_unique(frame, "assumption", table="assumptions")
    named = frame.set_index("assumption")
    problems = [
        Problem(
            "assumptions",
            key=f"assumption {name}",
            found="no row",
            expected="its typical size",
            mend="begin from starting_assumptions()",
        )
        for name in sorted(needed | set(ERRORS))
        if name not in named.index
    ]
    sizes = named[["share", "log_sd"]].astype(float)
    wrong = ~(sizes["share"] >= 0) | ~(sizes["log_sd"] >= 0) | ~np.isfinite(sizes).all(axis=1)
    problems += [
        Problem(
            "assumptions",
            key=f"assumption {name}",
            found=f"share {sizes.loc[name, 'share']}, log_sd {sizes.loc[name, 'log_sd']}",
            expected="numbers not below 0",
            mend="correct them",
        )
        for name in sizes.index[wrong]
    ]
    if problems:
        raise StudyProblems(problems)
    return named


@dataclass(frozen=True, eq=False)
class Sample:
    """Sets of spreads that stand for all that are likely.

    places : set × loose assumption, in standard deviations of what is assumed
    sizes : set × assumption, as shares of the scale
    log_chance : what a set counts beforehand, beside how well it explains the data
    """

    places: np.ndarray
    sizes: pd.DataFrame
    log_chance: np.ndarray


@dataclass(frozen=True, eq=False)
class Assumed:
    """The assumptions of one fit: which are loose, and how sets of them are drawn evenly."""

    named: pd.DataFrame
    names: list[str]

    @property
    def loose(self) -> list[str]:
        return [name for name in self.names if self.named.loc[name, "log_sd"] > 0]

    def even(self, count: int = SAMPLE) -> Sample:
        """As likely as they are assumed to be; nothing is random, every call gives the same."""
        if not self.loose:
            return self._at(np.zeros((1, 0)), np.zeros(1))
        return self._at(_even_normals(len(self.loose), count), np.zeros(count))

    def around(self, middle: np.ndarray, root: np.ndarray, count: int = SAMPLE) -> Sample:
        """Denser where the data point to; what that favours is taken off again by `log_chance`."""
        even = _even_normals(len(self.loose), count)
        places = middle + even @ root.T
        log_size = np.log(np.abs(np.diag(root))).sum()
        log_chance = -0.5 * (places**2).sum(axis=1) + 0.5 * (even**2).sum(axis=1) + log_size
        return self._at(places, log_chance)

    def _at(self, places: np.ndarray, log_chance: np.ndarray) -> Sample:
        moved = np.zeros((len(places), len(self.names)))
        moved[:, [self.names.index(name) for name in self.loose]] = places
        chosen = self.named.loc[self.names]
        sizes = chosen["share"].to_numpy(float) * np.exp(moved * chosen["log_sd"].to_numpy(float))
        sizes = pd.DataFrame(sizes, columns=self.names)
        for name in self.names:
            if self.named.loc[name, "of"] == "linear" and "linear" in self.names:
                sizes[name] = sizes[name] * sizes["linear"]
        return Sample(places, sizes, log_chance)


@lru_cache(maxsize=16)
def _even_normals(dimensions: int, count: int) -> np.ndarray:
    points = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(64)).random(count)
    return norm.ppf(points)
