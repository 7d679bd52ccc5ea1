"""A fitted surface per attribute, and what can be asked of it."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.design import checked_level
from doughkit.tables.problems import (
    OutsideRange,
    Problem,
    StudyProblems,
    nearest,
    require_columns,
)
from doughkit.texture.columns import Model
from doughkit.texture.strata import Strata
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import read_factors

SCOPE = "this_panel"


@dataclass(frozen=True, eq=False)
class Surface:
    """One attribute's regression with the model it stands on."""

    model: Model
    strata: Strata


@dataclass(frozen=True, eq=False)
class TextureFit:
    """Texture by the factors, by strata.

    effects : attribute, term, kind, factor, with, stratum, low_to_high, se, df, ci_low, ci_high,
        p, per_step, ci_level, scope, words, by_size
    coefficients : attribute, term, estimate, se, df, p, ci_low, ci_high, ci_level, on the coding
        −1 … +1
    sources : attribute, stratum, source, df, sum_square, mean_square, f, p
    checks : attribute, s_dough, df_dough, s_piece, df_piece, lack_of_fit_f, lack_of_fit_df,
        pure_error_df, lack_of_fit_p, press, r2, r2_predicted, s_day, df_day (empty unless
        something is set once a day)
    points : attribute, piece, dough, mean, fitted, residual
    doughs : attribute, dough, and what `fit_linear` says of each point, here of each dough's mean
    not_seen : attribute, term, words, why: terms left out since these doughs can't show them
    left_out : attribute, piece, why
    design : the pieces used: piece, dough, kind, block, one column per factor
    """

    effects: pd.DataFrame
    coefficients: pd.DataFrame
    sources: pd.DataFrame
    checks: pd.DataFrame
    points: pd.DataFrame
    doughs: pd.DataFrame
    not_seen: pd.DataFrame
    left_out: pd.DataFrame
    design: pd.DataFrame
    level: float
    surfaces: dict[str, Surface] = field(repr=False)

    @property
    def attributes(self) -> list[str]:
        return list(self.surfaces)

    def predict(self, levels: pd.DataFrame, *, level: float | None = None) -> pd.DataFrame:
        """Predict each attribute at rows of levels.

        Question: what would this panel say of a piece made so?

        Parameters
        ----------
        levels : DataFrame
            One column per factor that was varied, one row per piece asked for.
        level : float, optional
            Share of intervals that should hold; as in the fit, unless said.

        Returns
        -------
        DataFrame, a row per attribute and row of `levels`: attribute, mean, se, df, ci_low,
        ci_high (of this panel's long-run mean), next_low, next_high (of one piece of a dough yet
        to be mixed, with the spread of doughs and pieces), ci_level, scope, then the levels.

        Raises
        ------
        StudyProblems if a factor has no column or a level can't be read. Warns OutsideRange
        beyond the levels that were baked.

        Source: as `fit`.
        """
        level = self.level if level is None else checked_level(level)
        parts = []
        for attribute, surface in self.surfaces.items():
            rows = matrix_at(surface.model, levels)
            mean = rows @ surface.strata.beta
            se, df = surface.strata.error(rows)
            next_se, next_df = surface.strata.error(rows, next_piece=True)
            half, wide = t_times(level, df) * se, t_times(level, next_df) * next_se
            frame = pd.DataFrame(
                {
                    "mean": mean,
                    "se": se,
                    "df": df,
                    "ci_low": mean - half,
                    "ci_high": mean + half,
                    "next_low": mean - wide,
                    "next_high": mean + wide,
                    "ci_level": level,
                    "scope": SCOPE,
                }
            )
            frame.insert(0, "attribute", attribute)
            parts.append(pd.concat([frame, levels.reset_index(drop=True)], axis=1))
        return pd.concat(parts, ignore_index=True)

    def draws(self, levels: pd.DataFrame, *, n: int, seed: int) -> pd.DataFrame:
        """Draw long-run means as they may be, given the data, at rows of levels.

        Parameters
        ----------
        levels : DataFrame
            As in `predict`.
        n : int
            Number of draws.
        seed : int
            The same seed gives the same draws.

        Returns
        -------
        DataFrame: attribute, draw, row (of `levels`, from 0), value.

        Raises
        ------
        StudyProblems as `predict`.

        Source: independent t distributions of the two strata's estimates.
        """
        values = self.draw_values(levels, n=n, seed=seed)
        rows = np.tile(np.arange(len(levels)), n)
        return pd.concat(
            [
                pd.DataFrame(
                    {
                        "attribute": attribute,
                        "draw": np.repeat(np.arange(n), len(levels)),
                        "row": rows,
                        "value": drawn.ravel(),
                    }
                )
                for attribute, drawn in values.items()
            ],
            ignore_index=True,
        )

    def draw_values(self, levels: pd.DataFrame, *, n: int, seed: int) -> dict[str, np.ndarray]:
        """The same as arrays: attribute → draws × rows of levels."""
        rng = np.random.default_rng(seed)
        found = {}
        cache: dict[int, np.ndarray] = {}
        for attribute, surface in self.surfaces.items():
            key = id(surface.model)
            if key not in cache:
                cache[key] = matrix_at(surface.model, levels)
            found[attribute] = surface.strata.draw(n, rng) @ cache[key].T
        return found

    def summary(self) -> str:
        """Say in two sentences what was told apart and what could not be."""
        count = self.effects[self.effects["kind"] == "linear"]
        sure = count[(count["ci_low"] > 0) | (count["ci_high"] < 0)]
        told = "; ".join(
            f"{attribute}: " + ", ".join(f"{row.words} {row.low_to_high:+.2g}" for row in rows)
            for attribute, rows in (
                (name, list(part.itertuples()))
                for name, part in sure.groupby("attribute", sort=False)
            )
        )
        design = self.design
        said = (
            f"{design['piece'].nunique()} pieces of {design['dough'].nunique()} doughs. Effects "
            f"whose {self.level:.0%} interval does not reach zero: {told or 'none'}."
        )
        if self.checks["df_dough"].eq(0).any():
            said += " As many terms as doughs: nothing is left to judge the dough factors by."
            large = self.effects[self.effects["by_size"].eq("yes")]
            if len(large):
                listed = [f"{row.words} ({row.attribute})" for row in large.itertuples()]
                said += f" By size alone these stand out: {', '.join(listed)}."
        unseen = self.not_seen["words"].drop_duplicates()
        if len(unseen):
            said += f" These doughs can't show: {', '.join(unseen)}."
        return said


def t_times(level: float, df) -> np.ndarray:
    """How many standard errors an interval reaches; empty without degrees of freedom."""
    df = np.asarray(df, dtype=float)
    return stats.t.ppf((1 + level) / 2, np.where(df > 0, df, np.nan))


def matrix_at(model: Model, levels: pd.DataFrame) -> np.ndarray:
    """Columns for levels asked for; refuses what can't be read, warns beyond what was baked."""
    known = {factor.name: factor for factor in read_factors(model.factors)}
    require_columns(levels, *known, table="levels")
    problems, beyond = [], []
    for name, seen in model.seen.items():
        if name not in levels.columns:
            continue
        column = levels[name]
        problems += [
            _no_level(name, "an empty cell", "a level", "fill it in", key=f"row {index}")
            for index in levels.index[column.isna()]
            if name in known
        ]
        if isinstance(seen[0], str):
            problems += [
                _no_level(name, repr(one), " or ".join(seen), nearest(one, seen) or "ask for those")
                for one in sorted(set(as_levels(column.dropna())) - set(seen))
            ]
        elif column.min() < seen[0] - 1e-9 or column.max() > seen[-1] + 1e-9:
            beyond.append(
                f"{name} {column.min():g} to {column.max():g} (baked: {seen[0]:g} to {seen[-1]:g})"
            )
    if problems:
        raise StudyProblems(problems)
    if beyond:
        text = "asked beyond what was baked: " + ", ".join(beyond)
        warnings.warn(text, OutsideRange, stacklevel=4)
    return model.matrix(levels)


def _no_level(name: str, found: str, expected: str, mend: str, key: str = "") -> Problem:
    return Problem("levels", column=name, found=found, expected=expected, mend=mend, key=key)
