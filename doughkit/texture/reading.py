"""Reading a fitted surface: where it is highest or lowest; measured columns as values."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns, require_unique
from doughkit.texture.result import SCOPE, Surface, TextureFit, t_times
from doughkit.trials.factors import read_factors
from doughkit.trials.models import TIMES

FLAT = 1e-9


def stationary(found: TextureFit) -> pd.DataFrame:
    """Find where each fitted surface is level, and whether that is a height, a hollow or a saddle.

    Question: does this attribute have a best or a worst point, and was it inside what was baked?

    Parameters
    ----------
    found : TextureFit
        What `fit` gave, with terms="quadratic".

    Returns
    -------
    DataFrame, a row per attribute: attribute, nature ("highest", "lowest", "saddle", or "ridge":
    level in some direction), inside (of the levels baked), mean, se, df, ci_low, ci_high, ci_level,
    scope, one column per number among the factors, then bend_1, bend_2 ...: the bends along the
    surface's own directions on the −1 … +1 coding, from the most negative on. Categories stand at
    the mean of their levels. On a ridge the point is not known and stays empty.

    Raises
    ------
    StudyProblems if no number among the factors has a bend in the fit.

    Range: the point is an estimate; near a ridge it may lie anywhere along it.

    Source: canonical analysis, G. E. P. Box and K. B. Wilson 1951, J. R. Stat. Soc. B 13, 1.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCDE"), "salt_pct": [1.0, 1.5, 2.0, 2.5, 3.0]})
    >>> pieces = pd.DataFrame({"piece": range(5), "dough": list("ABCDE")})
    >>> values = pd.DataFrame({"attribute": "flavour", "piece": range(5),
    ...     "mean": [3.0, 4.6, 5.0, 4.6, 3.0]})
    >>> from doughkit.texture import fit
    >>> stationary(fit(values, doughs, pieces, factors))[["nature", "salt_pct"]].values.tolist()
    [['highest', 2.0]]
    """
    rows = [_level_point(name, one, found.level) for name, one in found.surfaces.items()]
    return pd.DataFrame(rows)


def _level_point(attribute: str, surface: Surface, level: float) -> dict:
    model, strata = surface.model, surface.strata
    numbers = [factor for factor in read_factors(model.centred) if not factor.levels]
    slope, curve = _slopes_and_bends(model, strata.beta, numbers)
    if not np.abs(curve).max(initial=0.0) > 0:
        raise problem_error(
            "effects",
            key=f"attribute {attribute}",
            found="a surface without bends or products",
            expected='terms="quadratic" and doughs that can show a bend',
            mend="bake levels between low and high first",
        )
    bends = np.linalg.eigvalsh(curve)
    row = {"attribute": attribute, "nature": _nature(bends)}
    point = np.full(len(numbers), np.nan)
    if row["nature"] != "ridge":
        point = np.linalg.solve(-2 * curve, slope)
    levels = {
        factor.name: factor.middle + factor.half * place
        for factor, place in zip(numbers, point, strict=True)
    }
    seen = [(model.seen[name][0], model.seen[name][-1]) for name in levels]
    row["inside"] = all(
        low <= at <= high for (low, high), at in zip(seen, levels.values(), strict=True)
    )
    sums = _row_at(model, numbers, point)[None]
    mean = float((sums @ strata.beta)[0])
    se, df = (float(one[0]) for one in strata.error(sums))
    half = float(t_times(level, df)) * se
    row |= {"mean": mean, "se": se, "df": df, "ci_low": mean - half, "ci_high": mean + half}
    row |= {"ci_level": level, "scope": SCOPE, **levels}
    return row | {f"bend_{place}": float(bend) for place, bend in enumerate(bends, 1)}


def _nature(bends: np.ndarray) -> str:
    if np.abs(bends).min() < FLAT * np.abs(bends).max():
        return "ridge"
    if bends.max() < 0:
        return "highest"
    return "lowest" if bends.min() > 0 else "saddle"


def _slopes_and_bends(model, beta, numbers) -> tuple[np.ndarray, np.ndarray]:
    of = dict(zip(model.names, beta, strict=True))
    slope = np.array([of[one.name] for one in numbers])
    curve = np.diag([of.get(f"{one.name}²", 0.0) for one in numbers])
    for i, one in enumerate(numbers):
        for j, other in enumerate(numbers[i + 1 :], i + 1):
            curve[i, j] = curve[j, i] = of.get(f"{one.name}{TIMES}{other.name}", 0.0) / 2
    return slope, curve


def _row_at(model, numbers, point) -> np.ndarray:
    at = {"constant": 1.0}
    for i, one in enumerate(numbers):
        at[one.name] = point[i]
        at[f"{one.name}²"] = point[i] ** 2
        for j, other in enumerate(numbers[i + 1 :], i + 1):
            at[f"{one.name}{TIMES}{other.name}"] = point[i] * point[j]
    return np.array([at.get(name, 0.0) for name in model.names])


def measured(pieces: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Give measured columns of the pieces as values to fit, like rated attributes.

    Question: what do the factors do to droop, thickness or loss?

    Parameters
    ----------
    pieces : DataFrame
        Table `pieces`, or any frame with a row per piece.
    columns : str
        Names of measured columns.

    Returns
    -------
    DataFrame: attribute, piece, mean; a piece that was not measured has an empty mean, which `fit`
    lists as left out.

    Raises
    ------
    StudyProblems if a column is missing or a piece stands twice.

    Source: by definition.

    >>> measured(pd.DataFrame({"piece": ["A1"], "droop_mm": [7.5]}), "droop_mm").values.tolist()
    [['droop_mm', 'A1', 7.5]]
    """
    require_unique(pieces, "piece", table="pieces")
    require_columns(pieces, *columns, table="pieces")
    long = pieces[["piece", *columns]].melt("piece", var_name="attribute", value_name="mean")
    return long[["attribute", "piece", "mean"]].astype({"mean": float})
