"""The regression of texture on the factors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.design import checked_level
from doughkit.fitting.linear import influence
from doughkit.fitting.sizes import FEWEST, stand_out
from doughkit.tables.problems import problem_error
from doughkit.texture.columns import Model, build_model
from doughkit.texture.effects import effect_rows, plain_coefficients
from doughkit.texture.layout import Layout, lay_out
from doughkit.texture.result import SCOPE, Surface, TextureFit, t_times
from doughkit.texture.sources import check_row, source_rows
from doughkit.texture.strata import Strata, solve_strata
from doughkit.texture.table import piece_table
from doughkit.trials.factors import read_factors


def fit(
    values: pd.DataFrame,
    doughs: pd.DataFrame,
    pieces: pd.DataFrame,
    factors: pd.DataFrame,
    *,
    terms: str = "quadratic",
    block: str | None = None,
    level: float = 0.90,
) -> TextureFit:
    """Fit each attribute as a surface over the factors, every factor against its own error.

    Question: what does hydration, salt, whole grain or bake time do to texture, and how sure is
    that?

    Parameters
    ----------
    values : DataFrame
        attribute, piece, mean: one value per piece and attribute (`panel.piece_means(...).means`,
        or measured columns through `measured`).
    doughs : DataFrame
        Table `doughs`: dough, kind, status, one column per dough factor.
    pieces : DataFrame
        Table `pieces`: piece, dough, one column per piece factor; bake_day, and a column for each
        factor set once a day, where there is one.
    factors : DataFrame
        Table `factors`: what may change, low, high, step, changed_per, levels.
    terms : str
        "linear", "interactions" or "quadratic".
    block : str, optional
        A column of doughs or pieces (round, bake day, replicate) whose levels may differ.
    level : float
        Share of intervals that should hold.

    Returns
    -------
    TextureFit: effects, coefficients, sources, checks, points, doughs, not_seen, left_out, design;
    `predict`, `draws`, `summary`. What varies within doughs is judged on differences within
    doughs, the rest on dough means; each t and F has its own stratum's degrees of freedom. Where a
    factor is set once a day, doughs are compared within their day, and that factor is judged on
    the means of days (checks and lack of fit then are of doughs within their days). Where as many
    terms as doughs leave no degree of freedom, `by_size` says whether an effect stands out among
    the others (see `fitting.stand_out`).
    A factor's low_to_high is averaged over the pieces of test doughs; of a pair it is half the
    difference of one effect between low and high of the other; of a bend, how far the two ends lie
    above the middle. A control dough whose levels are known counts as a dough; the reference and
    failed doughs are listed in `left_out`.

    Raises
    ------
    StudyProblems if names don't fit, a level is missing, factors always moved together, a
    consequence of the bake (loss, water left, droop) stands beside its causes, or there are too few
    bake days for what is set once a day.

    Range: exact where every dough was baked alike; with uneven rounds the degrees of freedom are
    Satterthwaite's and doughs weigh by the spreads found. The interval is of this panel's mean:
    tasters are not a sample here. A shift of the whole panel between tastings counts as spread of
    doughs unless it is the block.

    Lack of fit and PRESS are for rounds planned beforehand: doughs chosen by looking at earlier
    ones crowd where the surface is best, and the two then flatter it.

    Source: split-plot analysis by strata, W. G. Cochran and G. M. Cox, Experimental Designs;
    F. E. Satterthwaite 1946, Biometrics Bulletin 2, 110.

    >>> import pandas as pd
    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.0, 5.0],
    ...     "high": [3.0, 7.0], "changed_per": ["dough", "piece"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCD"), "salt_pct": [1.0, 1.0, 3.0, 3.0]})
    >>> pieces = pd.DataFrame({"piece": range(8), "dough": list("AABBCCDD"),
    ...     "bake_min": [5.0, 7.0] * 4})
    >>> values = pd.DataFrame({"attribute": "crispness", "piece": range(8),
    ...     "mean": [4.0, 6.0, 4.4, 6.4, 5.0, 7.2, 5.6, 7.4]})
    >>> found = fit(values, doughs, pieces, factors, terms="linear")
    >>> found.effects[["term", "stratum", "low_to_high", "df"]].values.tolist()
    [['salt_pct', 'dough', 1.1, 2.0], ['bake_min', 'piece', 2.0, 3.0]]
    """
    level = checked_level(level)
    table = piece_table(values, doughs, pieces, factors, block=block)
    found: dict[str, list[pd.DataFrame]] = {
        name: []
        for name in ("effects", "coefficients", "sources", "checks", "points", "doughs", "not_seen")
    }
    surfaces = {}
    shared: dict[tuple, _Ground] = {}
    for attribute, part in table.values.groupby("attribute", sort=False, observed=True):
        key = tuple(part["piece"])
        if key not in shared:
            shared[key] = _ground(table.rows, part["piece"], factors, terms)
        ground = shared[key]
        strata = solve_strata(ground.layout, part["mean"].to_numpy(float), ground.day)
        surfaces[attribute] = Surface(ground.model, strata)
        for name, frame in _frames(ground, strata, part["mean"].to_numpy(float), level).items():
            frame.insert(0, "attribute", attribute)
            found[name].append(frame)
    frames = {name: pd.concat(parts, ignore_index=True) for name, parts in found.items()}
    design = table.rows.drop(columns="status", errors="ignore")
    return TextureFit(
        **frames, left_out=table.left_out, design=design, level=level, surfaces=surfaces
    )


@dataclass(frozen=True, eq=False)
class _Ground:
    """What attributes rated on the same pieces share."""

    rows: pd.DataFrame
    model: Model
    layout: Layout
    doughs: list[str]
    day: np.ndarray | None
    effects: pd.DataFrame
    effect_sums: np.ndarray
    plain: list[str]
    plain_sums: np.ndarray


def _ground(rows, pieces, factors, terms) -> _Ground:
    own = rows.set_index("piece", drop=False).loc[list(pieces)].reset_index(drop=True)
    model = build_model(own, factors, terms)
    number, names = pd.factorize(own["dough"])
    layout = lay_out(model.matrix(own, own["block"]), number)
    effects, sums = effect_rows(model, own)
    plain, plain_sums = plain_coefficients(model, own)
    day = _days(own, model, layout)
    return _Ground(own, model, layout, list(names), day, effects, sums, plain, plain_sums)


def _days(rows, model: Model, layout: Layout) -> np.ndarray | None:
    """Number of each dough's day where a factor is set once a day; refuses too few days.

    Where every day has one dough, the dough stands for its day and there is nothing more to part.
    """
    if "day" not in rows.columns or rows["day"].nunique() == rows["dough"].nunique():
        return None
    day = pd.factorize(rows["day"].groupby(rows["dough"], sort=False).first())[0]
    between = lay_out(layout.design, day).outer
    number = int(day.max()) + 1
    if number <= len(between):
        judged = [model.names[layout.outer[one]] for one in between]
        raise problem_error(
            "pieces",
            column="bake_day",
            found=f"{number} bake days for what only days can tell: {', '.join(judged)}",
            expected=f"{len(between) + 1} bake days or more, so that one is left to judge by",
            mend="bake each level of what is set once a day on two days, ask for fewer terms, or "
            "leave that factor out",
        )
    return day


def _frames(ground: _Ground, strata: Strata, y: np.ndarray, level: float) -> dict:
    root, doughs = np.sqrt(strata.means.weights), strata["dough"]
    of_dough = influence(strata.means.response * root, strata.means.solved, doughs.s, doughs.df)
    for column in ("observed", "fitted", "residual", "left_out"):
        of_dough[column] = of_dough[column] / root
    of_dough.insert(0, "dough", ground.doughs)
    fitted = strata.layout.matrix @ strata.beta
    points = ground.rows[["piece", "dough"]].assign(mean=y, fitted=fitted, residual=y - fitted)
    checks = pd.DataFrame([check_row(strata, y, of_dough["left_out"] * root)])
    coefficients = _estimates(strata, ground.plain_sums, level)
    coefficients.insert(0, "term", ground.plain)
    return {
        "effects": _effects(ground, strata, level),
        "coefficients": coefficients,
        "sources": source_rows(strata, ground.model.sources),
        "checks": checks,
        "points": points,
        "doughs": of_dough,
        "not_seen": ground.model.not_seen.copy(),
    }


def _estimates(strata: Strata, sums: np.ndarray, level: float) -> pd.DataFrame:
    estimate = sums @ strata.beta
    se, df = strata.error(sums)
    half = t_times(level, df) * se
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.abs(estimate / se)
    return pd.DataFrame(
        {
            "estimate": estimate,
            "se": se,
            "df": df,
            "p": 2 * stats.t.sf(t, df),
            "ci_low": estimate - half,
            "ci_high": estimate + half,
            "ci_level": level,
        }
    )


def _effects(ground: _Ground, strata: Strata, level: float) -> pd.DataFrame:
    numbers = _estimates(strata, ground.effect_sums, level)
    named = ground.effects
    stratum = np.array(strata.judged_by(ground.effect_sums))
    return pd.DataFrame(
        {
            **named[["term", "kind", "factor", "with"]],
            "stratum": stratum,
            "low_to_high": numbers["estimate"],
            **numbers[["se", "df", "ci_low", "ci_high", "p"]],
            "per_step": numbers["estimate"] * named["step_share"],
            "ci_level": level,
            "scope": SCOPE,
            "words": named["words"],
            "by_size": _by_size(ground, strata, numbers["estimate"], stratum, level),
        }
    )


def _by_size(ground: _Ground, strata: Strata, estimate, stratum, level: float) -> pd.Series:
    """Whether an effect stands out among its like, where no degree of freedom is left to ask."""
    said = pd.Series("", index=estimate.index, dtype="str")
    if any(factor.levels for factor in read_factors(ground.model.factors)):
        return said
    for one, part in zip(strata.strata, strata.parts, strict=True):
        own = np.flatnonzero(stratum == one.name)
        if one.df == 0 and len(own) >= FEWEST and part.shape[1]:
            exact = np.linalg.norm(ground.effect_sums[own] @ part, axis=1)
            sizes = pd.Series(estimate.to_numpy()[own] / exact)
            if np.median(sizes.abs()) > 0:
                said.iloc[own] = stand_out(sizes, level=level)["stands_out"].to_numpy()
    return said
