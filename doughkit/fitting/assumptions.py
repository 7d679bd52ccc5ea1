"""What a shrinkage fit takes for granted before it has seen a bake, and its even sample of it."""

from __future__ import annotations

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


def sample_assumptions(named: pd.DataFrame, names: list[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """An even sample of the sizes (draw × assumption, as shares of the scale) and its z values.

    Nothing is random: the points of the sample are the same at every call.
    """
    loose = [name for name in names if named.loc[name, "log_sd"] > 0]
    z = pd.DataFrame(0.0, index=range(SAMPLE if loose else 1), columns=names)
    if loose:
        z[loose] = _even_normals(len(loose))
    sizes = named.loc[names, "share"].to_numpy(float) * np.exp(
        z.to_numpy() * named.loc[names, "log_sd"].to_numpy(float)
    )
    sizes = pd.DataFrame(sizes, columns=names)
    linear = sizes.get("linear")
    for name in names:
        if named.loc[name, "of"] == "linear" and linear is not None:
            sizes[name] = sizes[name] * linear
    return sizes, z


@lru_cache(maxsize=16)
def _even_normals(dimensions: int) -> np.ndarray:
    points = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(64)).random(SAMPLE)
    return norm.ppf(points)
