"""After a tasting: what else differed, how much it moved the scores, and which effect it bends."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import t

from doughkit.tables.problems import require_columns
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import in_words, read_factors
from doughkit.trials.judging import Bench, by_strata, judging
from doughkit.trials.models import model_columns, model_terms
from doughkit.trials.records import days_to_judge_by, join_records
from doughkit.trials.spreads import Spreads
from doughkit.trials.strata import can_be_told, never_baked
from doughkit.trials.together import CATEGORIES, DOUGH_RECORDS, PIECE_RECORDS, travels_together

COLUMNS = (
    "attribute", "beside", "per", "slope", "se", "df", "ci_low", "ci_high", "ci_level", "scope",
    "travels_with", "correlation", "moves", "moved_by",
)  # fmt: skip
ALIKE = 1e-9
"""Effects moved this nearly as far count as one; the first is named, on any machine."""


def beside_the_factors(
    means: pd.DataFrame,
    doughs: pd.DataFrame,
    pieces: pd.DataFrame,
    factors: pd.DataFrame,
    *,
    terms: str = "linear",
    level: float = 0.90,
) -> pd.DataFrame:
    """Say what else that differed (dough age, bake order, flour lot, day) did to the scores.

    Question: was it the salt, or the hour at which it was baked?

    Parameters
    ----------
    means : DataFrame
        attribute, piece, mean: the panel's mean of each piece.
    doughs, pieces, factors : DataFrame
        Tables of those names; read are the columns ferment_h, dough_c, ferment_c, mixed_on,
        flour_lot, bake_day, bake_order and oven, where they are filled and not all alike.
    terms : str
        The effects that are set aside: "linear", "interactions" or "quadratic".
    level : float
        Level of the intervals.

    Returns
    -------
    DataFrame, one row per attribute and thing that differed (each by itself beside the factors),
    the widest interval off zero first: attribute, beside, per ("1" of its unit, "1 day", or one
    level against the first), slope, se, df, ci_low, ci_high, ci_level, scope, travels_with (the
    factor most like it) and their correlation, moves (the factor whose effect changes most if
    this is let in) and moved_by (how much, low to high). A slope that can't be told from the
    factors is empty.

    Raises
    ------
    StudyProblems as `what_it_tells`, or if a column of `means` is missing.

    Range: one thing at a time; with many of them one in ten lies off zero by chance.
    Source: least squares by strata, pieces within doughs.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0],
    ...     "changed_per": "dough"})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEF"), "kind": "test",
    ...     "salt_pct": [1.0, 3.0, 1.0, 3.0, 1.0, 3.0], "ferment_h": [20.0, 20, 24, 24, 28, 28]})
    >>> pieces = pd.DataFrame({"piece": list("abcdef"), "dough": list("ABCDEF")})
    >>> means = pd.DataFrame({"attribute": "crispness", "piece": list("abcdef"),
    ...     "mean": [4.0, 5.1, 4.9, 6.0, 6.1, 7.0]})
    >>> found = beside_the_factors(means, doughs, pieces, factors).iloc[0]
    >>> found["beside"], round(float(found["slope"]), 2)
    ('ferment_h', 0.25)
    """
    require_columns(means, "attribute", "piece", "mean", table="means")
    table, _ = join_records(doughs, pieces, factors)
    together = travels_together(table, read_factors(factors))
    rows = []
    for attribute, part in means.dropna(subset=["mean"]).groupby("attribute", sort=False):
        there = table.merge(part[["piece", "mean"]], on="piece", validate="1:1")
        for name in _differing(there, factors):
            rows += [
                {"attribute": attribute, "beside": name, **row, **_nearest(name, together)}
                for row in _slopes(name, there, factors, terms, level)
            ]
    found = pd.DataFrame(rows, columns=list(COLUMNS))
    order = (found["slope"] / found["se"]).abs().sort_values(ascending=False, kind="stable").index
    return found.loc[order].reset_index(drop=True)


def _differing(table: pd.DataFrame, factors: pd.DataFrame) -> list[str]:
    """Records that were filled in throughout and not all alike."""
    names = [name for name in (*DOUGH_RECORDS, *PIECE_RECORDS) if name in table.columns]
    return [
        name
        for name in names
        if name not in set(factors["factor"])
        and table[name].notna().all()
        and len(table[name].unique()) > 1
    ]


def nuisance_columns(column: pd.Series) -> dict[str, np.ndarray]:
    """A record as columns, by what a step of each means (`per` of `beside_the_factors`)."""
    if column.name in CATEGORIES:
        text = as_levels(column)
        levels = sorted(text.unique())
        return {f"{one} against {levels[0]}": (text == one).to_numpy(float) for one in levels[1:]}
    if pd.api.types.is_datetime64_any_dtype(column):
        return {"1 day": ((column - column.min()) / pd.Timedelta(days=1)).to_numpy(float)}
    values = column.to_numpy(float)
    return {"1": values - values.mean()}


def _slopes(name, table, factors, terms, level):
    listed = model_terms(factors, terms)
    model = model_columns(table, factors, listed).to_numpy(float)
    model = np.column_stack([np.ones(len(model)), model])
    extra = nuisance_columns(table[name])
    both = np.column_stack([model, *extra.values()])
    linear = listed.index[listed["kind"] == "linear"] + 1
    contrasts = np.eye(both.shape[1])[[*linear, *range(model.shape[1], both.shape[1])]]
    contrasts[: len(linear)] *= listed.loc[linear - 1, "times"].to_numpy()[:, None]
    unknown = never_baked(both)
    known = [can_be_told(one, unknown) for one in contrasts]
    y = table["mean"].to_numpy(float)[None]
    factor_list = read_factors(factors)
    with_it = _estimates(both, contrasts, table, y, factor_list, name)
    alone = contrasts[: len(linear), : model.shape[1]]
    without = _estimates(model, alone, table, y, factor_list, name)
    shift = np.where(known[: len(linear)], with_it[0][: len(linear)] - without[0], np.nan)
    moved = ("", np.nan)
    if np.isfinite(shift).any():
        size = np.nan_to_num(np.abs(shift))
        most = int(np.flatnonzero(size >= size.max() * (1 - ALIKE))[0])
        moved = (listed["words"][linear[most] - 1], shift[most])
    for at, per in enumerate(extra, start=len(linear)):
        slope, se, df = (float(one[at]) if known[at] else np.nan for one in with_it)
        half = t.ppf((1 + level) / 2, df) * se
        row = {"per": per, "slope": slope, "se": se, "df": df}
        row |= {"ci_low": slope - half, "ci_high": slope + half, "ci_level": level}
        yield row | {"scope": "this_panel", "moves": moved[0], "moved_by": moved[1]}


def _estimates(columns, contrasts, table, y, known, beside):
    day, by_day = days_to_judge_by(table, known, beside)
    number = pd.factorize(table["dough"])[0]
    bench = Bench(columns, contrasts, number, day, Spreads(), 0.9, by_day)
    return [one[0] for one in by_strata(y, judging(bench))]


def _nearest(name: str, together: pd.DataFrame) -> dict:
    pairs = together[(together["other"] == name) & (together["kind"] == "beside")]
    if pairs.empty:
        return {"travels_with": "", "correlation": np.nan}
    first = pairs.iloc[0]
    return {"travels_with": in_words(first["one"]), "correlation": first["correlation"]}
