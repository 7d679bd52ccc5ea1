"""Effects judged by one another, where nothing is left over to judge them by."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.design import checked_level
from doughkit.tables.problems import problem_error

FEWEST = 3
WITHOUT = 2.5
"""Effects beyond so many first spreads are left out of the second."""
TIMES = 1.5
"""From the middle size of normal errors to their spread, nearly."""


def stand_out(effects: pd.Series, *, level: float = 0.90) -> pd.DataFrame:
    """Judge effects by the size of the small ones among them.

    Question: every dough went into an effect and none is left over; which effects are more than
    chance?

    Parameters
    ----------
    effects : Series
        One round's effects of the same exactness, their names as index: all that a two-level round
        gives, main effects and joint ones, on one scale (all of them low to high).
    level : float
        Share of effects of nothing that should stay inside the margin.

    Returns
    -------
    DataFrame, a row per effect: effect, size, se (one spread for all, from the small ones), df (a
    third of their number), margin (an effect looked at alone), margin_of_all (none of them stands
    out by chance), stands_out ("yes", "perhaps" between the margins, "no"), level.

    Raises
    ------
    StudyProblems for fewer than three effects, an empty or doubled one, or all of them zero.

    Range: most effects must be small, or the margin is too wide and nothing stands out. A round
    with doughs left over, or with centre doughs, has a better yardstick: `texture.fit` uses it.

    Source: R. V. Lenth 1989, Quick and easy analysis of unreplicated factorials, Technometrics
    31, 469 (from memory).

    >>> names = ["water", "salt", "grain", "water × salt", "water × grain", "salt × grain", "all"]
    >>> found = stand_out(pd.Series([-2.4, 0.3, -0.2, 0.1, 0.2, -0.1, 0.2], index=names))
    >>> found[["effect", "stands_out"]].values.tolist()[:2]
    [['water', 'yes'], ['salt', 'no']]
    """
    level = checked_level(level)
    sizes = _checked(effects)
    small = TIMES * np.median(np.abs(sizes))
    se = TIMES * np.median(np.abs(sizes)[np.abs(sizes) < WITHOUT * small])
    count = len(sizes)
    df = count / 3
    alone, of_all = (
        float(stats.t.ppf((1 + share) / 2, df) * se) for share in (level, level ** (1 / count))
    )
    clear = np.select([np.abs(sizes) > of_all, np.abs(sizes) > alone], ["yes", "perhaps"], "no")
    return pd.DataFrame(
        {
            "effect": pd.Series([str(name) for name in effects.index], dtype="str"),
            "size": sizes,
            "se": se,
            "df": df,
            "margin": alone,
            "margin_of_all": of_all,
            "stands_out": pd.Series(clear, dtype="str"),
            "level": level,
        }
    )


def _checked(effects: pd.Series) -> np.ndarray:
    sizes = effects.to_numpy(float)
    fault = None
    if len(sizes) < FEWEST:
        fault = (f"{len(sizes)} effects", "three or more", "give all effects of the round")
    elif not np.isfinite(sizes).all():
        name = effects.index[~np.isfinite(sizes)][0]
        fault = (f"no number for {name}", "a number for each", "leave out what was not told")
    elif effects.index.has_duplicates:
        name = effects.index[effects.index.duplicated()][0]
        fault = (f"{name} twice", "each effect once", "give one attribute's effects at a time")
    elif np.median(np.abs(sizes)) == 0:
        fault = ("at least half of the effects exactly zero", "sizes", "look for a column copied")
    if fault:
        found, expected, mend = fault
        raise problem_error("effects", found=found, expected=expected, mend=mend)
    return sizes
