"""Before the first bake: what the starting assumptions hold possible."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.fitting.assumptions import Assumed, read_assumptions
from doughkit.fitting.design import checked_level
from doughkit.tables.problems import problem_error
from doughkit.texture.ground import bare_ground
from doughkit.trials.factors import in_words, read_factors

DRAWS, SETS = 2048, 256
SHOWN = 40
"""Surfaces of which the curves are kept, to be drawn."""
ALONG = 25


@dataclass(frozen=True, eq=False)
class BeforeBaking:
    """What is held possible before any dough.

    effects : factor, words, typical (half of all breads change less from low to high), most (so
        many in `level` change less), level; in points of the scale
    curves : factor, at, bread, rating: an attribute of imagined breads along each numeric factor,
        the others in the middle
    scale : low and high of the attribute
    """

    effects: pd.DataFrame
    curves: pd.DataFrame
    scale: tuple[float, float]

    def summary(self) -> str:
        """The assumptions in the baker's words."""
        moved, level = self.effects[["typical", "most"]].max(), self.effects["level"].iloc[0]
        return (
            "Our starting guess, not your doughs: a factor alone changes a rating from its low to "
            f"its high level by some {moved['typical']:.1f} points (half of all breads less, half "
            f"more), and {10 * level:g} times in 10 by less than {moved['most']:.1f}. Every dough "
            "takes weight from the guess."
        )


def before_baking(
    factors: pd.DataFrame,
    *,
    scale: tuple[float, float],
    assumptions: pd.DataFrame | None = None,
    level: float = 0.90,
    seed: int,
) -> BeforeBaking:
    """Show what the starting assumptions hold possible, before anything is baked.

    Question: what is guessed of my bread before its first dough, and can I live with that?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`.
    scale : (low, high)
        The attribute's declared scale.
    assumptions : DataFrame, optional
        As `fitting.starting_assumptions` gives.
    level : float
        Share of breads that change less than `most`.
    seed : int
        Draws the imagined breads.

    Returns
    -------
    BeforeBaking: effects (factor, words, typical, most, level), curves (factor, at, bread, rating),
    scale, `summary`.

    Raises
    ------
    StudyProblems if the scale is upside down, or the factors or assumptions can't be read.

    Range: what `fit_assuming`, `plan_optimal` with assumptions and the advice begin from; every
    dough takes weight from it.

    Source: draws from the assumptions of `fitting.starting_assumptions`.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0],
    ...     "changed_per": ["dough"]})
    >>> found = before_baking(factors, scale=(1, 9), seed=1)
    >>> found.effects[["words", "typical", "most"]].round(1).values.tolist()
    [['salt from 1 to 3', 1.2, 3.5]]
    """
    level = checked_level(level)
    low, high = map(float, scale)
    if not low < high:
        raise problem_error(
            "attributes",
            column="low",
            found=f"a scale from {low:g} to {high:g}",
            expected="low before high",
            mend="look whether the two were swapped",
        )
    ground = bare_ground(factors)
    drawn = _drawn(["constant", *ground.kinds.values()], assumptions, np.random.default_rng(seed))
    known = read_factors(factors)
    middle = {one.name: one.levels[0] if one.levels else one.middle for one in known}
    effects, curves = [], []
    for factor in known:
        at = list(factor.levels) or np.linspace(factor.low, factor.high, ALONG).tolist()
        rows = pd.DataFrame([middle] * len(at)).assign(**{factor.name: at})
        rows = ground.of_model(ground.model.matrix(rows))
        rated = (low + high) / 2 + (high - low) * (rows @ drawn.T)
        moved = np.quantile(np.abs(rated[-1] - rated[0]), [0.5, level])
        words = f"{at[0]} to {at[-1]}" if factor.levels else f"from {at[0]:g} to {at[-1]:g}"
        effects.append((factor.name, f"{in_words(factor.name)} {words}", *moved, level))
        if not factor.levels:
            curves.append(_curves(factor.name, at, rated[:, :SHOWN]))
    found = pd.DataFrame(effects, columns=["factor", "words", "typical", "most", "level"])
    return BeforeBaking(found, pd.concat([_curves("", [], np.zeros((0, 0))), *curves]), (low, high))


def _drawn(kinds: list[str], assumptions: pd.DataFrame | None, rng) -> np.ndarray:
    """Coefficients of imagined breads, as shares of the scale."""
    named = read_assumptions(assumptions, set(kinds))
    sizes = Assumed(named, list(dict.fromkeys(kinds))).even(SETS).sizes[kinds].to_numpy()
    return sizes[rng.integers(len(sizes), size=DRAWS)] * rng.normal(size=(DRAWS, len(kinds)))


def _curves(factor: str, at: list[float], rated: np.ndarray) -> pd.DataFrame:
    breads = rated.shape[1]
    frame = {
        "factor": factor,
        "at": np.repeat(at, breads),
        "bread": np.tile(range(breads), len(at)),
    }
    return pd.DataFrame(frame | {"rating": rated.ravel()})
