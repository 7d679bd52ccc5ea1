"""Sums of squares by strata, and the checks of one attribute's regression."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.texture.strata import Strata, Stratum


def source_rows(strata: Strata, sources: list[str]) -> pd.DataFrame:
    """One line per source and stratum, each source with the others held; the error last.

    Sums of squares of doughs and days count every piece: a dough's mean stands for as many pieces
    as a typical dough has.
    """
    spreads = {one.name: one.s for one in strata.strata}
    lines = []
    for one in reversed(strata.strata):
        if one.name == "piece" and not one.columns and not one.df:
            continue
        covariance = sum(
            spreads[name] ** 2 * part @ part.T
            for name, part in one.parts.items()
            if name == one.name or (part.size and np.isfinite(spreads[name]))
        )
        own = _stratum(one, covariance, sources)
        square = one.s**2 * one.scale
        for line in own:
            line["sum_square"] = line["f"] * line["df"] * square
        lines += [*own, _error(one.name, square * one.df if one.df else np.nan, one.df)]
    frame = pd.DataFrame(lines)
    frame["mean_square"] = frame["sum_square"] / frame["df"].where(frame["df"] > 0)
    return frame[["stratum", "source", "df", "sum_square", "mean_square", "f", "p"]]


def _stratum(stratum: Stratum, cov, sources: list[str]) -> list[dict]:
    lines = []
    name, coef, df_error = stratum.name, stratum.coef, stratum.df
    labels = [sources[column] for column in stratum.columns]
    for source in dict.fromkeys(label for label in labels if label):
        at = [place for place, label in enumerate(labels) if label == source]
        block = cov[np.ix_(at, at)]
        f = np.nan
        if df_error > 0 and np.isfinite(block).all() and np.abs(block).max() > 0:
            f = float(coef[at] @ np.linalg.solve(block, coef[at])) / len(at)
        p = float(stats.f.sf(f, len(at), df_error)) if np.isfinite(f) else np.nan
        lines.append({"stratum": name, "source": source, "df": float(len(at)), "f": f, "p": p})
    return lines


def _error(stratum: str, sum_square: float, df: int) -> dict:
    return {
        "stratum": stratum, "source": "error", "df": float(df), "sum_square": sum_square,
        "f": np.nan, "p": np.nan,
    }  # fmt: skip


def check_row(strata: Strata, y: np.ndarray, leftover: pd.Series) -> dict:
    """Spreads, lack of fit against repeated doughs, PRESS of dough means, shares explained."""
    fitted = strata.layout.matrix @ strata.beta
    total = float(((y - y.mean()) ** 2).sum())
    response, weights = strata.means.response, strata.means.weights
    centre = np.average(response, weights=weights)
    spread = float((weights * (response - centre) ** 2).sum())
    press = float((leftover**2).sum(skipna=False))
    return {
        **{f"s_{one}": strata[one].s for one in ("dough", "piece")},
        **{f"df_{one}": float(strata[one].df) for one in ("dough", "piece")},
        **_lack_of_fit(strata),
        "press": press,
        "r2": 1 - float(((y - fitted) ** 2).sum()) / total if total > 0 else np.nan,
        "r2_predicted": 1 - press / spread if spread > 0 else np.nan,
        "s_day": strata["day"].s if strata.days else np.nan,
        "df_day": float(strata["day"].df) if strata.days else np.nan,
    }


def _lack_of_fit(strata: Strata) -> dict:
    """Doughs set up alike in every term are repeats; their spread is the pure error."""
    design = np.round(strata.means.design, 9)
    _, group = np.unique(design, axis=0, return_inverse=True)
    group = group.ravel()
    weights, response = strata.means.weights, strata.means.response
    mean = np.bincount(group, weights * response) / np.bincount(group, weights)
    pure = float((weights * (response - mean[group]) ** 2).sum())
    df_pure = len(group) - len(mean)
    df_lack = strata["dough"].df - df_pure
    error = float(strata.means.solved.residual @ strata.means.solved.residual)
    able = df_pure > 0 and df_lack > 0 and pure > 0
    f = max(error - pure, 0) / df_lack / (pure / df_pure) if able else np.nan
    return {
        "lack_of_fit_f": f,
        "lack_of_fit_df": float(df_lack),
        "pure_error_df": float(df_pure),
        "lack_of_fit_p": float(stats.f.sf(f, df_lack, df_pure)) if able else np.nan,
    }
