"""Formulas compared with a spread of doughs that was measured elsewhere."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.scored import RATED, Modelled
from doughkit.tables.problems import Problem, StudyProblems, nearest, require_columns

FROM = "carried over"


def carried_means(
    model: Modelled,
    label: pd.Series,
    chosen: list[str],
    pairs: np.ndarray,
    spread: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Tests, formula means and pairs from the fit of single doughs and each one's own luck.

    label: the formula of each dough; pairs: weights of the chosen formulas' means.
    """
    names = [name.removeprefix(RATED) for name in model.fit.figures["response"]]
    known = _checked(spread, names)
    tests, means, found = [], [], []
    for name, between in model.fit.covariance("dough").items():
        attribute = name.removeprefix(RATED)
        sd, sd_df = known.loc[attribute, ["sd", "df"]]
        kept = [dough for dough in between.index if label[dough] in chosen]
        one = _Carried(model, name, kept, between.loc[kept, kept].to_numpy(), sd**2, sd_df)
        weights = one.weights([label[dough] for dough in kept], chosen)
        part = {"attribute": attribute, "formula": chosen}
        means.append(pd.DataFrame({**part, **one.read(weights, "mean")}))
        found.append(
            pd.DataFrame({"attribute": attribute, **one.read(pairs @ weights, "estimate")})
        )
        first = pairs[pairs[:, 0] == 1] @ weights
        tests.append({"attribute": attribute, **one.test(first)})
        tests[-1] |= {"dough_sd": sd, "dough_df": sd_df, "dough_sd_from": FROM}
    return pd.DataFrame(tests), pd.concat(means, ignore_index=True), pd.concat(found)


class _Carried:
    """One response's dough means with two sources of error: the panel's and the doughs' own."""

    def __init__(self, model: Modelled, name: str, doughs, between, luck: float, luck_df: float):
        self.model, self.name, self.doughs = model, name, doughs
        self.between, self.luck, self.luck_df = between, luck, luck_df
        self.whole = between + luck * np.eye(len(doughs))

    def weights(self, formula: list[str], chosen: list[str]) -> np.ndarray:
        """Generalised least squares: how each dough's mean counts in each formula's."""
        member = np.array([[one == name for name in chosen] for one in formula], dtype=float)
        inside = np.linalg.solve(self.whole, member)
        return np.linalg.solve(member.T @ inside, inside.T)

    def read(self, weights: np.ndarray, estimate: str) -> dict[str, np.ndarray]:
        """Estimate, standard error and Satterthwaite's degrees of freedom of each row."""
        found = self.model.fit.combined("dough", pd.DataFrame(weights, columns=self.doughs))
        found = found[found["response"] == self.name]
        panel = np.einsum("ij,jk,ik->i", weights, self.between, weights)
        luck = self.luck * (weights**2).sum(1)
        df = (panel + luck) ** 2 / (panel**2 / found["df"].to_numpy() + luck**2 / self.luck_df)
        return {estimate: found["estimate"].to_numpy(), "se": np.sqrt(panel + luck), "df": df}

    def test(self, weights: np.ndarray) -> dict[str, float]:
        """F of several rows at once, its degrees of freedom from their independent axes."""
        value, axes = np.linalg.eigh(weights @ self.whole @ weights.T)
        along = self.read(axes.T @ weights, "estimate")
        q = len(value)
        f = float((along["estimate"] ** 2 / value).sum() / q)
        if np.ptp(along["df"]) < 1e-8:
            df = float(along["df"].mean())
        elif (along["df"] <= 2).any():
            df = 2.0
        else:
            gathered = (along["df"] / (along["df"] - 2)).sum()
            df = float(2 * gathered / (gathered - q))
        return {"f": f, "df": float(q), "df_error": df, "p": float(stats.f.sf(f, q, df))}


def _checked(spread: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    require_columns(spread, "attribute", "sd", "df", table="dough_spread")
    problems = []
    for name in names:
        rows = spread[spread["attribute"] == name]
        if len(rows) != 1:
            found, mend = f"{len(rows)} rows", nearest(name, spread["attribute"])
        elif not (rows["sd"].iloc[0] > 0 and rows["df"].iloc[0] > 0):
            found = f"sd {rows['sd'].iloc[0]:g} on {rows['df'].iloc[0]:g} degrees of freedom"
            mend = "a spread of zero claims that every dough comes out alike: give one from more"
            mend += " doughs, or compare batches"
        else:
            continue
        problems.append(
            Problem(
                "dough_spread",
                key=f"attribute {name}",
                found=found,
                expected="one row with sd and df above zero",
                mend=mend or "measure it with dough_spread, or leave the attribute out",
            )
        )
    if problems:
        raise StudyProblems(problems)
    return spread.set_index("attribute")
