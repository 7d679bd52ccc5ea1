"""Each assessor: tells doughs apart, repeats himself, agrees with the others."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.answers import Answers, gather
from doughkit.panel.doughs import ratio


def assessor_performance(
    ratings: pd.DataFrame, servings: pd.DataFrame, pieces: pd.DataFrame, *, level: float = 0.90
) -> pd.DataFrame:
    """Describe each assessor: tells doughs apart, repeats, agrees, level, use of the scale.

    Question: whose scores tell the doughs apart, whose repeat, and whose agree with the rest?

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat.
    pieces : DataFrame
        piece, dough.
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    DataFrame, a row per attribute and assessor:
        n, mean: scores given and their mean;
        tells_apart_f, _df, _df_error, _p: one-way test of the assessor's own scores over doughs;
        tells_apart_f_low, _f_high: interval of what F estimates, 1 = doughs look no more
        different than two scores of one dough;
        repeats_sd, repeats_df, repeats_sd_low, _high: sd of one score (points), from second
        portions of a piece in one tasting where there are any, else from the scores within a
        dough; repeats_from says which ("second portions" or "within a dough");
        agrees_r, agrees_r_low, _high, agrees_pieces: correlation of the assessor's piece means
        with the mean of the others', over the pieces that both tasted;
        level: own mean minus the others' on the same pieces (points);
        scale_use: sd of own piece means (points); ci_level.
        An empty cell: too few scores to say.

    Raises
    ------
    StudyProblems: tables that don't fit.

    Range: where the pieces of a dough were baked differently, "within a dough" holds that
        difference too and tells_apart is the harder; serve second portions to part them. One p in
        twenty falls below 0.05 by chance: read the column with the number of its rows in mind.
        Where doughs hardly differ nobody can tell them apart, and agreement is near nothing for
        all. The interval of F is exact when each dough has equally many scores, that of r is
        Fisher's.

    Source: the three properties as in ISO 11132 (from memory); intervals: Searle, Casella and
        McCulloch, Variance Components, Wiley 1992 (from memory); Fisher, Metron 1, 1921.

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": list("ABC"), "dough": list("ABC")})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}{portion}", "T1", who, piece, portion) for who in ("Ann", "Bo")
    ...      for piece in "ABC" for portion in (1, 2)],
    ...     columns=["serving", "tasting", "assessor", "piece", "repeat"])
    >>> ratings = servings[["serving"]].assign(
    ...     attribute="chew", score=[2.0, 3, 5, 5, 8, 7, 5, 2, 4, 6, 4, 6])
    >>> found = assessor_performance(ratings, servings, pieces)
    >>> found[["assessor", "tells_apart_f", "repeats_sd", "agrees_r"]].round(2).values.tolist()
    [['Ann', 37.5, 0.58, 0.87], ['Bo', 0.53, 1.68, 0.87]]
    """
    found = gather(ratings, servings, pieces)
    rows = []
    for at, attribute in enumerate(found.attributes):
        means, count = found.cells(at)
        means = np.where(count > 0, means, np.nan)
        for who, assessor in enumerate(found.assessors):
            own = (found.attribute == at) & (found.assessor == who)
            if own.any():
                rows.append(
                    {
                        "attribute": attribute,
                        "assessor": assessor,
                        "n": int(own.sum()),
                        "mean": found.score[own].mean(),
                        **_tells_apart(found, own, level),
                        **_repeats(found, own, level),
                        **_agrees(means, who, level),
                    }
                )
    return pd.DataFrame(rows).assign(ci_level=level)


def _within(score: np.ndarray, *names: np.ndarray) -> tuple[float, int, int]:
    """Sum of squares within the groups of equal names, its df, and how many groups."""
    _, group = np.unique(np.stack(names), axis=1, return_inverse=True)
    group = group.ravel()
    size = np.bincount(group)
    centred = score - score.mean()
    mean = np.bincount(group, weights=centred) / size
    square = float(((centred - mean[group]) ** 2).sum())
    rounding = (1e-13 * np.abs(score).max(initial=0)) ** 2 * score.size
    return (0.0 if square <= rounding else square), score.size - size.size, size.size


def _tells_apart(found: Answers, own: np.ndarray, level: float) -> dict:
    score = found.score[own]
    dough = np.unique(found.dough, return_inverse=True)[1][found.piece[own]]
    rest, df_error, doughs = _within(score, dough)
    whole = _within(score, np.zeros(score.size))[0]
    if doughs < 2 or df_error < 1:
        f = p = low = high = np.nan
    else:
        f = float(ratio(max(whole - rest, 0) / (doughs - 1), rest / df_error))
        p = float(stats.f.sf(f, doughs - 1, df_error))
        tails = stats.f.ppf([(1 + level) / 2, (1 - level) / 2], doughs - 1, df_error)
        low, high = f / tails
    return {
        "tells_apart_f": f,
        "tells_apart_df": doughs - 1,
        "tells_apart_df_error": df_error,
        "tells_apart_p": p,
        "tells_apart_f_low": low,
        "tells_apart_f_high": high,
    }


def _repeats(found: Answers, own: np.ndarray, level: float) -> dict:
    square, df, _ = _within(found.score[own], found.piece[own], found.tasting[own])
    source = "second portions"
    if not df:
        dough = np.unique(found.dough, return_inverse=True)[1][found.piece[own]]
        square, df, _ = _within(found.score[own], dough)
        source = "within a dough"
    if not df:
        sd = low = high = np.nan
        source = ""
    else:
        tails = stats.chi2.ppf([(1 + level) / 2, (1 - level) / 2], df)
        sd, (low, high) = np.sqrt(square / df), np.sqrt(square / tails)
    return {
        "repeats_sd": sd,
        "repeats_df": df,
        "repeats_sd_low": low,
        "repeats_sd_high": high,
        "repeats_from": source,
    }


def _agrees(means: np.ndarray, who: int, level: float) -> dict:
    own, others = means[:, who], np.delete(means, who, axis=1)
    tasted = np.isfinite(own)
    both = tasted & np.isfinite(others).any(1)
    own_mean, other_mean = own[both], _mean_there(others[both])
    count = int(both.sum())
    varies = count > 2 and np.ptp(own_mean) > 0 and np.ptp(other_mean) > 0
    r = float(np.corrcoef(own_mean, other_mean)[0, 1]) if varies else np.nan
    low = high = np.nan
    if varies and count > 3:
        half = stats.norm.ppf((1 + level) / 2) / np.sqrt(count - 3)
        with np.errstate(divide="ignore"):  # r of exactly 1 is endless in Fisher's scale
            low, high = np.tanh(np.arctanh(np.clip(r, -1, 1)) + np.array([-half, half]))
    return {
        "agrees_r": r,
        "agrees_r_low": low,
        "agrees_r_high": high,
        "agrees_pieces": count,
        "level": float((own_mean - other_mean).mean()) if count else np.nan,
        "scale_use": float(own[tasted].std(ddof=1)) if tasted.sum() > 1 else np.nan,
    }


def _mean_there(table: np.ndarray) -> np.ndarray:
    there = np.isfinite(table)
    return np.where(there, table, 0).sum(1) / there.sum(1)
