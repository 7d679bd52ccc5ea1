"""Each assessor: tells doughs apart, repeats himself, agrees with the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.answers import Answers, gather, piece_levels
from doughkit.panel.doughs import ratio


def assessor_performance(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    *,
    adjust_for: Sequence[str] | None = None,
    level: float = 0.90,
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
        piece, dough, and the columns to adjust for.
    adjust_for : list of str, optional
        Columns of `pieces` in which the pieces of one dough were made different on purpose; left
        out: bake_min if `pieces` has it. Such a difference must not pass for a person's error.
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    DataFrame, a row per attribute and assessor:
        n, mean: scores given and their mean;
        tells_apart_f, _df, _df_error, _p: test of the assessor's own scores over doughs, adjusted
        for the columns that adjusted_for names (none: one-way);
        tells_apart_f_low, _f_high: interval of what F estimates, 1 = doughs look no more
        different than two scores of one dough;
        repeats_sd, repeats_df, repeats_sd_low, _high: sd of one score (points), from second
        portions of a piece in one tasting where there are any, else from the scores within a
        dough, adjusted too; repeats_from says which ("second portions" or "within a dough");
        agrees_r, agrees_r_low, _high, agrees_pieces: correlation of the assessor's piece means
        with the mean of the others', over the pieces that both tasted;
        level: own mean minus the others' on the same pieces (points);
        scale_use: sd of own piece means (points); ci_level.
        An empty cell: too few scores to say.

    Raises
    ------
    StudyProblems: tables that don't fit, or a column to adjust for that is not there.

    Range: "within a dough" holds what pieces differ by unplanned as well as the taster's own error;
        serve second portions to part them. One p in twenty falls below 0.05 by chance: read the
        column with the number of its rows in mind. Where doughs hardly differ nobody can tell them
        apart, and agreement is near nothing for all. The interval of F is exact when each dough
        has equally many scores, that of r is Fisher's.

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
    names, levels = piece_levels(found.pieces, pieces, adjust_for)
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
                        "adjusted_for": names,
                        **_tells_apart(found, own, levels, level),
                        **_repeats(found, own, levels, level),
                        **_agrees(means, who, level),
                    }
                )
    return pd.DataFrame(rows).assign(ci_level=level)


def _left_over(score: np.ndarray, design: np.ndarray) -> tuple[float, int]:
    """Sum of squares that a least-squares fit leaves, and its rank."""
    centred = score - score.mean()
    fitted, _, rank, _ = np.linalg.lstsq(design, centred)
    square = float(((centred - design @ fitted) ** 2).sum())
    rounding = (1e-12 * np.abs(score).max(initial=0)) ** 2 * score.size
    return (0.0 if square <= rounding else square), int(rank)


def _by_dough(found: Answers, own: np.ndarray, levels: np.ndarray) -> tuple[np.ndarray, ...]:
    """Own scores, the levels of their pieces with a constant, and their doughs as columns."""
    piece = found.piece[own]
    dough = np.unique(found.dough, return_inverse=True)[1][piece]
    dough = np.unique(dough, return_inverse=True)[1]
    base = np.hstack([np.ones((piece.size, 1)), levels[piece]])
    return found.score[own], base, np.eye(dough.max() + 1)[dough]


def _tells_apart(found: Answers, own: np.ndarray, levels: np.ndarray, level: float) -> dict:
    score, base, doughs = _by_dough(found, own, levels)
    rest, rank = _left_over(score, np.hstack([base, doughs]))
    whole, less = _left_over(score, base)
    df, df_error = rank - less, score.size - rank
    if df < 1 or df_error < 1:
        f = p = low = high = np.nan
    else:
        f = float(ratio(max(whole - rest, 0) / df, rest / df_error))
        p = float(stats.f.sf(f, df, df_error))
        low, high = f / stats.f.ppf([(1 + level) / 2, (1 - level) / 2], df, df_error)
    return {
        "tells_apart_f": f,
        "tells_apart_df": df,
        "tells_apart_df_error": df_error,
        "tells_apart_p": p,
        "tells_apart_f_low": low,
        "tells_apart_f_high": high,
    }


def _repeats(found: Answers, own: np.ndarray, levels: np.ndarray, level: float) -> dict:
    portion = np.stack([found.piece[own], found.tasting[own]])
    group = np.unique(portion, axis=1, return_inverse=True)[1].ravel()
    square, rank = _left_over(found.score[own], np.eye(group.max() + 1)[group])
    source = "second portions"
    if rank == own.sum():
        score, base, doughs = _by_dough(found, own, levels)
        square, rank = _left_over(score, np.hstack([base, doughs]))
        source = "within a dough"
    df = int(own.sum()) - rank
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
