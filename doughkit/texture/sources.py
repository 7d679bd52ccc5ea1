"""Sums of squares by strata, and the checks of one attribute's regression."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.texture.strata import Strata


def source_rows(strata: Strata, sources: list[str]) -> pd.DataFrame:
    """One line per source and stratum, each source with the others held; the error last.

    Sums of squares of the dough stratum count every piece: a dough's mean stands for as many
    pieces as a typical dough has.
    """
    layout = strata.layout
    lines = []
    dough = (strata.s_dough**2 * strata.df_dough) if strata.df_dough else np.nan
    scale = layout.typical_count
    outer_cov = (
        strata.s_dough**2 * strata.dough_part[layout.outer] @ strata.dough_part[layout.outer].T
    )
    if layout.inner and np.isfinite(strata.s_piece):
        carried = strata.piece_part[layout.outer]
        outer_cov = outer_cov + strata.s_piece**2 * carried @ carried.T
    lines += _stratum(
        "dough", strata.solved.coef, outer_cov, layout.outer, sources, strata.df_dough
    )
    for line in lines:
        line["sum_square"] = line["f"] * line["df"] * strata.s_dough**2 * scale
    lines.append(_error("dough", dough * scale, strata.df_dough))
    if layout.inner or layout.df_piece:
        inner = strata.piece_part[layout.inner] + layout.mixed @ strata.piece_part[layout.outer]
        cov = strata.s_piece**2 * inner @ inner.T
        own = _stratum("piece", strata.inner_coef, cov, layout.inner, sources, strata.df_piece)
        for line in own:
            line["sum_square"] = line["f"] * line["df"] * strata.s_piece**2
        lines += [*own, _error("piece", strata.s_piece**2 * strata.df_piece, strata.df_piece)]
    frame = pd.DataFrame(lines)
    frame["mean_square"] = frame["sum_square"] / frame["df"].where(frame["df"] > 0)
    return frame[["stratum", "source", "df", "sum_square", "mean_square", "f", "p"]]


def _stratum(name, coef, cov, columns, sources, df_error) -> list[dict]:
    lines = []
    labels = [sources[column] for column in columns]
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
    response, weights = strata.outer_response, strata.weights
    centre = np.average(response, weights=weights)
    spread = float((weights * (response - centre) ** 2).sum())
    press = float((leftover**2).sum(skipna=False))
    return {
        "s_dough": strata.s_dough,
        "df_dough": float(strata.df_dough),
        "s_piece": strata.s_piece,
        "df_piece": float(strata.df_piece),
        **_lack_of_fit(strata),
        "press": press,
        "r2": 1 - float(((y - fitted) ** 2).sum()) / total if total > 0 else np.nan,
        "r2_predicted": 1 - press / spread if spread > 0 else np.nan,
    }


def _lack_of_fit(strata: Strata) -> dict:
    """Doughs set up alike in every term are repeats; their spread is the pure error."""
    design = np.round(strata.outer_design, 9)
    _, group = np.unique(design, axis=0, return_inverse=True)
    group = group.ravel()
    weights = strata.weights
    mean = np.bincount(group, weights * strata.outer_response) / np.bincount(group, weights)
    pure = float((weights * (strata.outer_response - mean[group]) ** 2).sum())
    df_pure = len(group) - len(mean)
    df_lack = strata.df_dough - df_pure
    error = float(strata.solved.residual @ strata.solved.residual)
    able = df_pure > 0 and df_lack > 0 and pure > 0
    f = max(error - pure, 0) / df_lack / (pure / df_pure) if able else np.nan
    return {
        "lack_of_fit_f": f,
        "lack_of_fit_df": float(df_lack),
        "pure_error_df": float(df_pure),
        "lack_of_fit_p": float(stats.f.sf(f, df_lack, df_pure)) if able else np.nan,
    }
