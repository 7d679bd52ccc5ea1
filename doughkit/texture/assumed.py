"""A surface per attribute that began from starting assumptions, and what can be asked of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from doughkit.fitting.design import checked_level
from doughkit.fitting.posterior import mixture_quantile
from doughkit.fitting.shrunk import CONFLICT, ShrinkageFit
from doughkit.tables.problems import problem_error
from doughkit.texture.effects import effect_rows
from doughkit.texture.ground import Ground
from doughkit.texture.result import SCOPE, TextureFit, matrix_at
from doughkit.trials.factors import in_words


@dataclass(frozen=True, eq=False)
class AssumedSurface:
    """One attribute's fit."""

    ground: Ground
    fitted: ShrinkageFit
    attribute: str
    scale: tuple[float, float]

    @property
    def part(self):
        """Its posterior, with the way back to units."""
        return self.fitted.parts[self.attribute]

    def effects(self, named: pd.DataFrame, sums: np.ndarray, level: float) -> pd.DataFrame:
        """Each effect as `texture.fit` names it, with the share that rests on assumptions."""
        part, rows = self.part, self.ground.of_model(sums)
        mean, sd = part.posterior.moments(rows)
        centre, variance = part.posterior.at(rows)
        weight = part.posterior.weight
        ends = [
            mixture_quantile(at, centre, np.sqrt(np.maximum(variance, 0)), weight) * part.length
            for at in ((1 - level) / 2, (1 + level) / 2)
        ]
        before = weight @ (part.prior @ (rows**2).T)
        frame = named[["term", "kind", "factor", "with"]].assign(
            low_to_high=mean * part.length,
            sd=sd * part.length,
            ci_low=ends[0],
            ci_high=ends[1],
            per_step=mean * part.length * named["step_share"],
            ci_level=level,
            scope=SCOPE,
            assumed_sd=np.sqrt(before) * part.length,
            share_from_assumptions=(weight @ variance) / before,
            words=named["words"],
        )
        frame.insert(0, "attribute", self.attribute)
        return frame


@dataclass(frozen=True, eq=False)
class AssumedFit:
    """Texture by the factors, begun from starting assumptions.

    effects : attribute, term, kind, factor, with, low_to_high, sd, ci_low, ci_high, per_step,
        ci_level, scope, assumed_sd, share_from_assumptions, words
    spreads : attribute, assumption, assumed, assumed_low, assumed_high, found, found_low,
        found_high, in points of the attribute
    figures : attribute, observations, log_likelihood, conflict
    left_out : attribute, piece, why; breads without levels have a level of their own
    design : the pieces with levels: piece, dough, kind, one column per factor
    """

    left_out: pd.DataFrame
    design: pd.DataFrame
    level: float
    surfaces: dict[str, AssumedSurface] = field(repr=False)

    @cached_property
    def effects(self) -> pd.DataFrame:
        named, sums = effect_rows(self.ground.model, self.design)
        parts = [one.effects(named, sums, self.level) for one in self.surfaces.values()]
        return pd.concat(parts, ignore_index=True)

    @cached_property
    def spreads(self) -> pd.DataFrame:
        return self._of_fits("spreads")

    @cached_property
    def figures(self) -> pd.DataFrame:
        return self._of_fits("figures")

    def _of_fits(self, name: str) -> pd.DataFrame:
        parts = [getattr(one.fitted, name) for one in self.surfaces.values()]
        return pd.concat(parts, ignore_index=True).rename(columns={"response": "attribute"})

    @property
    def attributes(self) -> list[str]:
        return list(self.surfaces)

    @property
    def ground(self) -> Ground:
        return next(iter(self.surfaces.values())).ground

    def predict(self, levels: pd.DataFrame, *, level: float | None = None) -> pd.DataFrame:
        """Predict each attribute at rows of levels.

        Question: what would this panel say of a piece made so?

        Parameters
        ----------
        levels : DataFrame
            One column per factor, one row per piece asked for.
        level : float, optional
            Share of intervals that should hold; as in the fit, unless said.

        Returns
        -------
        DataFrame, a row per attribute and row of `levels`: attribute, mean, sd, ci_low, ci_high (of
        this panel's long-run mean), next_low, next_high (of one piece of a dough yet to be mixed,
        on another day), ci_level, scope, share_from_assumptions, then the levels.

        Raises
        ------
        StudyProblems if a factor has no column or a level can't be read. Warns OutsideRange
        beyond the levels that were baked.

        Source: as `fit_assuming`.
        """
        level = self.level if level is None else checked_level(level)
        rows = self.ground.of_model(matrix_at(self.ground.model, levels))
        parts = []
        for attribute, surface in self.surfaces.items():
            frame = surface.part.predict(rows, level)
            frame.insert(0, "attribute", attribute)
            frame.insert(frame.columns.get_loc("ci_level") + 1, "scope", SCOPE)
            parts.append(pd.concat([frame, levels.reset_index(drop=True)], axis=1))
        return pd.concat(parts, ignore_index=True)

    def draw_values(self, levels: pd.DataFrame, *, n: int, seed: int) -> dict[str, np.ndarray]:
        """Long-run means as they may be: attribute → draws × rows of levels."""
        rng = np.random.default_rng(seed)
        rows = self.ground.of_model(matrix_at(self.ground.model, levels))
        return {name: one.part.draw(n, rng) @ rows.T for name, one in self.surfaces.items()}

    def summary(self) -> str:
        """Say what was told apart, and how much of it rests on assumptions."""
        own = self.effects[self.effects["kind"] == "linear"]
        sure = own[(own["ci_low"] > 0) | (own["ci_high"] < 0)]
        told = "; ".join(
            f"{in_words(name)}: "
            + ", ".join(f"{row.words} {row.low_to_high:+.2g}" for row in part.itertuples())
            for name, part in sure.groupby("attribute", sort=False)
        )
        share = 100 * own["share_from_assumptions"].median()
        said = (
            f"{self.design['piece'].nunique()} pieces of {self.design['dough'].nunique()} doughs. "
            f"Effects whose {self.level:.0%} interval does not reach zero: {told or 'none'}. "
            f"Of what was assumed of an effect, {share:.0f} % is as unsure as before (middle one)."
        )
        against = self.figures.loc[self.figures["conflict"] > CONFLICT, "attribute"]
        if len(against):
            said += (
                " The starting assumptions don't suit these doughs: "
                f"{', '.join(map(in_words, against))}."
            )
        return said


def side_by_side(found: TextureFit, assumed: AssumedFit) -> pd.DataFrame:
    """Set effects from the data alone beside those with starting assumptions.

    Question: how much of what is said of an effect do the doughs say themselves?

    Parameters
    ----------
    found : TextureFit
        What `fit` gave.
    assumed : AssumedFit
        What `fit_assuming` gave for the same pieces.

    Returns
    -------
    DataFrame: attribute, term, words, data_low_to_high, data_ci_low, data_ci_high, data_df (from
    the data alone; empty where these doughs can't tell), low_to_high, ci_low, ci_high (with
    starting assumptions), ci_level, share_from_assumptions, scope.

    Raises
    ------
    StudyProblems if the two don't have an attribute in common or differ in their level.

    Source: as `fit` and `fit_assuming`.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCD"), "salt_pct": [1.0, 1.0, 3.0, 3.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcd"), "dough": list("ABCD")})
    >>> values = pd.DataFrame({"attribute": "crispness", "piece": list("abcd"),
    ...     "mean": [3.0, 3.4, 6.0, 6.4]})
    >>> from doughkit.texture import fit, fit_assuming
    >>> both = side_by_side(fit(values, doughs, pieces, factors),
    ...     fit_assuming(values, doughs, pieces, factors))
    >>> both[["term", "data_low_to_high", "low_to_high"]].round(1).values.tolist()[0]
    ['salt_pct', 3.0, 2.8]
    """
    common = set(found.attributes) & set(assumed.attributes)
    if not common or found.level != assumed.level:
        raise problem_error(
            "effects",
            found=f"levels {found.level} and {assumed.level}, {len(common)} attributes in common",
            expected="the same level, and an attribute that both have",
            mend="fit both to the same values with the same level",
        )
    alone = found.effects[["attribute", "term", "low_to_high", "ci_low", "ci_high", "df"]]
    alone = alone.rename(columns={name: f"data_{name}" for name in alone.columns[2:]})
    kept = ["attribute", "term", "words", "low_to_high", "ci_low", "ci_high", "ci_level"]
    own = assumed.effects.loc[
        assumed.effects["attribute"].isin(common), [*kept, "share_from_assumptions", "scope"]
    ]
    both = own.merge(alone, on=["attribute", "term"], how="left")
    return both[[*kept[:3], *alone.columns[2:], *kept[3:], "share_from_assumptions", "scope"]]
