"""Least squares with what a small trial needs beside it: lack of fit, PRESS, influence."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.design import (
    checked_level,
    design_matrix,
    require_separable,
    response_vector,
)
from doughkit.fitting.solving import Solved, least_squares, pure_error
from doughkit.tables.problems import problem_error


@dataclass(frozen=True, eq=False)
class LinearFit:
    """A least-squares fit.

    coefficients : term, estimate, se, df, t, p, ci_low, ci_high, ci_level
    sources : source, df, sum_square, mean_square, f, p (model, error, lack of fit, pure error)
    figures : one row: s, df, r2, r2_adjusted, press, r2_predicted
    points : observed, fitted, residual, leverage, left_out, standardised, deleted_residual, cook
    covariance : term × term
    """

    coefficients: pd.DataFrame
    sources: pd.DataFrame
    figures: pd.DataFrame
    points: pd.DataFrame
    covariance: pd.DataFrame
    level: float
    _spread: np.ndarray = field(repr=False)
    _constant: bool = field(repr=False)

    def predict(self, design: pd.DataFrame, *, level: float | None = None) -> pd.DataFrame:
        """Predict the mean, and one new observation, at new rows of the design.

        Parameters
        ----------
        design : DataFrame with the columns that the fit was given, in any order.
        level : share of intervals that should hold, default as in the fit.

        Returns
        -------
        DataFrame: mean, se, df, ci_low, ci_high (of the mean), next_low, next_high (of one new
        observation), ci_level; the index is the design's.
        """
        level = self.level if level is None else checked_level(level)
        terms = list(self.coefficients["term"])
        x = design_matrix(design, self._constant)
        missing = [term for term in terms if term not in x.columns]
        if missing or x.shape[1] != len(terms):
            raise problem_error(
                "design",
                found=f"columns {', '.join(map(str, design.columns))}",
                expected=f"the columns of the fit: {', '.join(terms)}",
                mend="give the same terms as in the fit",
            )
        rows = x[terms].to_numpy()
        s, df = self.figures.loc[0, ["s", "df"]]
        mean = rows @ self.coefficients["estimate"].to_numpy()
        se = s * np.linalg.norm(rows @ self._spread, axis=1)
        half = stats.t.ppf((1 + level) / 2, df) if df > 0 else np.nan
        new = np.hypot(se, s)
        return pd.DataFrame(
            {
                "mean": mean,
                "se": se,
                "df": float(df),
                "ci_low": mean - half * se,
                "ci_high": mean + half * se,
                "next_low": mean - half * new,
                "next_high": mean + half * new,
                "ci_level": level,
            },
            index=design.index,
        )

    def summary(self) -> str:
        """Say in one sentence how well the terms describe the response."""
        one = self.figures.iloc[0]
        if one["df"] == 0:
            return (
                "As many terms as observations: the fit is exact and nothing is left to judge by."
            )
        lack = self.sources.set_index("source").loc["lack of fit"]
        text = (
            f"{len(self.coefficients)} terms describe {len(self.points)} observations with a "
            f"residual standard deviation of {one['s']:.4g} on {one['df']:.0f} degrees of freedom "
            f"(R² {one['r2']:.3f}, of points left out {one['r2_predicted']:.3f})"
        )
        if np.isfinite(lack["p"]):
            text += f"; lack of fit against repeats: p = {lack['p']:.3g}"
        return text + "."


def fit_linear(
    design: pd.DataFrame,
    response: pd.Series | np.ndarray,
    *,
    replicates: pd.Series | np.ndarray | None = None,
    constant: bool = True,
    level: float = 0.90,
) -> LinearFit:
    """Fit a sum of terms to a response by least squares, with the checks of fit beside it.

    Question: how much does the response change with each term, and do the terms suffice?

    Parameters
    ----------
    design : DataFrame of numbers, one column per term as it enters the sum (squares and products
        are columns of their own), one row per observation.
    response : one number per row of the design, in the same order.
    replicates : a label per row; rows of one label are repeats of the same settings and give the
        pure error. Left out, rows that are equal in every term count as repeats.
    constant : put a column of ones, named "constant", before the terms.
    level : share of intervals that should hold.

    Returns
    -------
    LinearFit: frames coefficients, sources, figures, points, covariance; `predict`, `summary`.
    `left_out` is the observed value less its prediction from all other rows (PRESS sums its
    squares), `standardised` the residual over its own standard error, `deleted_residual` the same
    with the row left out of that error, `cook` the distance all fitted values move without the row.
    Without a constant, R² is measured from zero.

    Raises
    ------
    StudyProblems if a cell is not a finite number, if terms can't be separated (each is named with
    those it is made of), or if repeats differ in their terms.

    Range: any; digits are lost only where columns nearly coincide (Filip's tenth-degree polynomial
    keeps 7).

    Source: ordinary least squares; N. R. Draper and H. Smith, Applied Regression Analysis.

    >>> import pandas as pd
    >>> fit = fit_linear(pd.DataFrame({"minutes": [5.0, 5, 6, 7, 7]}), [3.0, 3.2, 4.1, 5.1, 4.9])
    >>> fit.coefficients[["term", "estimate"]].round(3).values.tolist()
    [['constant', -1.64], ['minutes', 0.95]]
    """
    level = checked_level(level)
    x = design_matrix(design, constant)
    y = response_vector(response, len(x))
    require_separable(x)
    solved = least_squares(x.to_numpy(), y)
    df = len(x) - x.shape[1]
    error = float(solved.residual @ solved.residual)
    s = np.sqrt(error / df) if df > 0 else np.nan
    covariance = (solved.spread @ solved.spread.T) * s**2
    total = float(((y - y.mean()) ** 2).sum()) if constant else float(y @ y)
    points = influence(y, solved, s, df)
    return LinearFit(
        _coefficients(list(x.columns), solved.coef, np.sqrt(np.diag(covariance)), df, level),
        _sources(x, y, replicates, error, total - error, constant),
        _figures(points, s, df, total, len(y) - int(constant)),
        points,
        pd.DataFrame(covariance, index=x.columns, columns=x.columns),
        level,
        solved.spread,
        constant,
    )


def _coefficients(terms, estimate, se, df, level) -> pd.DataFrame:
    with np.errstate(divide="ignore", invalid="ignore"):
        t = estimate / se
    half = stats.t.ppf((1 + level) / 2, df) if df > 0 else np.nan
    return pd.DataFrame(
        {
            "term": terms,
            "estimate": estimate,
            "se": se,
            "df": float(df),
            "t": t,
            "p": 2 * stats.t.sf(np.abs(t), df) if df > 0 else np.nan,
            "ci_low": estimate - half * se,
            "ci_high": estimate + half * se,
            "ci_level": level,
        }
    )


def _figures(points: pd.DataFrame, s: float, df: int, total: float, df_total: int) -> pd.DataFrame:
    press = float((points["left_out"] ** 2).sum(skipna=False))
    spread = total if total > 0 else np.nan
    return pd.DataFrame(
        {
            "s": [s],
            "df": [float(df)],
            "r2": [1 - float((points["residual"] ** 2).sum()) / spread],
            "r2_adjusted": [1 - s**2 * df_total / spread],
            "press": [press],
            "r2_predicted": [1 - press / spread],
        }
    )


def influence(y: np.ndarray, solved: Solved, s: float, df: int) -> pd.DataFrame:
    """What each observation weighs in a fit: the frame `points` of `fit_linear`."""
    leverage, residual = solved.leverage, solved.residual
    # A row with leverage 1 is fitted whatever it says: nothing can be known of it from the others.
    free = np.where(leverage < 1 - 1e-12, 1 - leverage, np.nan)
    count = len(solved.spread)
    with np.errstate(divide="ignore", invalid="ignore"):
        standardised = residual / (s * np.sqrt(free))
        rest = (df - standardised**2) / (df - 1) if df > 1 else np.full(len(y), np.nan)
        deleted = standardised / np.sqrt(np.where(rest > 0, rest, np.nan))
    return pd.DataFrame(
        {
            "observed": y,
            "fitted": y - residual,
            "residual": residual,
            "leverage": leverage,
            "left_out": residual / free,
            "standardised": standardised,
            "deleted_residual": deleted,
            "cook": standardised**2 * (1 - free) / free / count,
        }
    )


def _sources(x, y, replicates, error: float, model: float, constant: bool) -> pd.DataFrame:
    groups = _replicate_groups(x, replicates)
    df_pure, pure = pure_error(groups, y)
    df_error = len(x) - x.shape[1]
    df_lack = df_error - df_pure
    lack = max(error - pure, 0.0) if df_lack > 0 else 0.0
    frame = pd.DataFrame(
        {
            "source": ["model", "error", "lack of fit", "pure error"],
            "df": np.array([x.shape[1] - int(constant), df_error, df_lack, df_pure], dtype=float),
            "sum_square": [model, error, lack, pure],
        }
    )
    df = frame["df"].where(frame["df"] > 0)
    frame["mean_square"] = frame["sum_square"] / df
    against = [1, None, 3, None]
    f = [
        frame["mean_square"][row] / frame["mean_square"][other] if other else np.nan
        for row, other in enumerate(against)
    ]
    frame["f"] = f
    frame["p"] = [
        stats.f.sf(value, df[row], df[other]) if other else np.nan
        for row, (value, other) in enumerate(zip(f, against, strict=True))
    ]
    return frame


def _replicate_groups(x: pd.DataFrame, replicates) -> np.ndarray:
    own = x.groupby(list(x.columns), sort=False, observed=True).ngroup().to_numpy()
    if replicates is None:
        return own
    given = np.asarray(replicates)
    if len(given) != len(x):
        raise problem_error(
            "replicates",
            found=f"{len(given)} labels",
            expected=f"one label per row, {len(x)}",
            mend="give every row the label of its settings",
        )
    _, label = np.unique(given.astype(str), return_inverse=True)
    mixed = pd.Series(own).groupby(label).nunique()
    if (mixed > 1).any():
        raise problem_error(
            "replicates",
            found="repeats whose terms differ",
            expected="the same settings in all rows of one label",
            mend="label as repeats only rows that were set up alike",
            key=", ".join(str(given[label == one][0]) for one in mixed.index[mixed > 1]),
        )
    return label
