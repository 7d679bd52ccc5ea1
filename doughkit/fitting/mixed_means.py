"""Adjusted means of a mixed fit, and differences between them for many at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.mixed_design import Design
from doughkit.fitting.mixed_fit import Fitted
from doughkit.fitting.mixed_small import Small
from doughkit.fitting.studentized import control_point, control_sf, range_point, range_sf
from doughkit.tables.problems import nearest, problem_error


def means_of(
    design: Design, fits: list[Fitted], smalls: list[Small], names: Sequence[str], level: float
) -> pd.DataFrame:
    places = [_category(design, name) for name in names]
    rows = design.averaged(places)
    levels = [design.factors[at].levels for at in places]
    labels = pd.MultiIndex.from_product(levels, names=list(names)).to_frame(index=False)
    parts = []
    for one, own in zip(fits, smalls, strict=True):
        mean, se, df = own.single(rows)
        mean = mean + one.centre
        half = stats.t.ppf((1 + level) / 2, df) * se
        part = labels.assign(mean=mean, se=se, df=df, ci_low=mean - half, ci_high=mean + half)
        part.insert(0, "response", one.name)
        parts.append(part.assign(ci_level=level))
    return pd.concat(parts, ignore_index=True)


def differences_of(
    design: Design,
    fits: list[Fitted],
    smalls: list[Small],
    name: str,
    against: str | None,
    level: float,
) -> pd.DataFrame:
    factor = _category(design, name)
    levels = design.factors[factor].levels
    one, other = _pairs(levels, against, name)
    rows = design.averaged([factor])
    contrasts = rows[one] - rows[other]
    parts = []
    for fit, own in zip(fits, smalls, strict=True):
        difference, se, df = own.single(contrasts)
        p, wide = _at_once(
            own.covariance, contrasts, np.abs(difference) / se, df, level, against, len(levels)
        )
        parts.append(
            pd.DataFrame(
                {
                    "response": fit.name,
                    name: [levels[at] for at in one],
                    f"other_{name}": [levels[at] for at in other],
                    "difference": difference,
                    "se": se,
                    "df": df,
                    "p": p,
                    "ci_low": difference - wide * se,
                    "ci_high": difference + wide * se,
                    "ci_level": level,
                    "pairs": len(one),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def contrasts_of(design: Design, name: str, weights: pd.DataFrame) -> np.ndarray:
    """Model rows of sums of a factor's adjusted means."""
    at = _category(design, name)
    levels = design.factors[at].levels
    unknown = [str(one) for one in weights.columns if str(one) not in levels]
    if unknown:
        raise problem_error(
            "options",
            column="weights",
            found=f"'{unknown[0]}'",
            expected=f"levels of {name}: {', '.join(levels)}",
            mend=nearest(unknown[0], levels) or "name the columns as the levels",
        )
    full = weights.rename(columns=str).reindex(columns=levels, fill_value=0.0)
    return full.to_numpy(dtype=float) @ design.averaged([at])


def combined_of(
    design: Design, fits: list[Fitted], smalls: list[Small], name: str, weights: pd.DataFrame
) -> pd.DataFrame:
    rows = contrasts_of(design, name, weights)
    total = weights.to_numpy(dtype=float).sum(1)
    parts = []
    for one, own in zip(fits, smalls, strict=True):
        estimate, se, df = own.single(rows)
        names = {"response": one.name, "combination": [str(name) for name in weights.index]}
        values = {"estimate": estimate + total * one.centre, "se": se, "df": df}
        parts.append(pd.DataFrame({**names, **values}))
    return pd.concat(parts, ignore_index=True)


def covariance_of(
    design: Design, fits: list[Fitted], smalls: list[Small], name: str
) -> dict[str, pd.DataFrame]:
    at = _category(design, name)
    rows, levels = design.averaged([at]), design.factors[at].levels
    return {
        one.name: pd.DataFrame(rows @ own.covariance @ rows.T, index=levels, columns=levels)
        for one, own in zip(fits, smalls, strict=True)
    }


def _at_once(covariance, contrasts, t, df, level, against, levels) -> tuple[np.ndarray, np.ndarray]:
    """p and half width (in standard errors) that hold for all differences together."""
    if len(t) == 1:
        return 2 * stats.t.sf(t, df), stats.t.ppf((1 + level) / 2, df)
    p, wide = np.empty_like(t), np.empty_like(t)
    if against is not None:
        between = contrasts @ covariance @ contrasts.T
        scale = np.sqrt(np.diag(between))
        shared = float((between / np.outer(scale, scale))[np.triu_indices(len(t), 1)].mean())
    # Degrees of freedom that differ in the ninth digit only would be worked out anew.
    for each in np.unique(np.round(df, 8)):
        at = np.round(df, 8) == each
        if against is None:
            p[at] = range_sf(np.sqrt(2) * t[at], levels, each)
            wide[at] = range_point(level, levels, each) / np.sqrt(2)
        else:
            p[at] = control_sf(t[at], len(t), each, shared)
            wide[at] = control_point(level, len(t), each, shared)
    return p, wide


def _pairs(levels: list[str], against: str | None, name: str) -> tuple[np.ndarray, np.ndarray]:
    if against is None:
        one, other = np.triu_indices(len(levels), 1)
        return one, other
    if against not in levels:
        raise problem_error(
            "options",
            column="against",
            found=f"'{against}'",
            expected=f"a level of {name}: {', '.join(levels)}",
            mend=nearest(against, levels) or "choose one of them",
        )
    control = levels.index(against)
    one = np.array([at for at in range(len(levels)) if at != control])
    return one, np.full(one.size, control)


def _category(design: Design, name: str) -> int:
    names = [factor.name for factor in design.factors if not factor.is_number]
    if name not in names:
        raise problem_error(
            "options",
            column="factor",
            found=f"'{name}'",
            expected=f"a factor of the fit that has levels ({', '.join(names) or 'there is none'})",
            mend=nearest(name, names) or "a number has a slope: see coefficients",
        )
    return [factor.name for factor in design.factors].index(name)
