"""Would what differed beside the factors change what is recommended?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doughkit.advice.saying import more_than_a_step, said
from doughkit.advice.targets import Wanted
from doughkit.advice.weighing import NO_DIFFERENCE, Weighed, weigh, weigh_wanted
from doughkit.fitting.assumptions import starting_assumptions
from doughkit.tables.register import as_sentence
from doughkit.trials.coding import as_levels
from doughkit.trials.factors import in_words
from doughkit.trials.nuisances import beside_the_factors, nuisance_columns
from doughkit.trials.records import join_records
from doughkit.trials.together import DOUGH_RECORDS, PIECE_RECORDS

KNOWN_ANYWAY = ("bake_day",)
"""Days have their own spread in every fit, so they are allowed for already."""
COLUMNS = ("beside", "travels_with", "correlation", "moves", "worse", "changes", "sentence")


@dataclass(frozen=True, eq=False)
class Allowing:
    """What differed beside the factors, each allowed for by itself.

    found : beside, travels_with, correlation, moves (levels that would move by more than a step),
        worse (by how much the present recommendation would then fall short of the best), changes
        ("yes", "no", or "can't be told"), sentence
    """

    found: pd.DataFrame

    def summary(self) -> str:
        """What would change, or that nothing would."""
        if self.found.empty:
            return "Nothing else that was written down differed beside the factors."
        changed = self.found[self.found["changes"].ne("no")]
        same = [in_words(name) for name in self.found.loc[self.found["changes"].eq("no"), "beside"]]
        lines = list(changed["sentence"])
        if same:
            each = ", each by itself," if len(same) > 1 else ""
            lines.append(f"Allowing for {', '.join(same)}{each} changes nothing.")
        return " ".join(lines)


def allowing_for(
    tables: Mapping[str, pd.DataFrame], *, goal: str = "distance", seed: int
) -> Allowing:
    """Say whether dough age, bake order, flour lot and the like would change the recommendation.

    Question: was it the hydration, or the age of the dough, and would I then bake another formula?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        A study, as `recommend` takes it; what else differed as `trials.beside_the_factors` reads
        it: ferment_h, dough_c, ferment_c, mixed_on, flour_lot, bake_order, oven.
    goal : str
        As in `recommend`.
    seed : int
        The same as `recommend` was given.

    Returns
    -------
    Allowing: found (beside, travels_with, correlation, moves, worse, changes, sentence),
    `summary`. `worse` is in points of the goal, as the surfaces see it once this is allowed for.

    Raises
    ------
    StudyProblems as `recommend` and `trials.beside_the_factors`.

    Range: one thing at a time, taken off the ratings by its slope beside the factors' own effects;
    the slope is pulled towards nought as any effect is that few doughs tell, and only one whose
    interval leaves out nought changes anything. The bake day is allowed for in every fit. With
    many things one in ten looks clear by chance.

    Source: least squares by strata, shrunk by a normal prior (any text on Bayesian regression).

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0], "step": [0.5],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEFGH"), "kind": "test",
    ...     "salt_pct": [1.0, 1.0, 1.5, 2.0, 2.0, 2.5, 3.0, 3.0],
    ...     "ferment_h": [20.0, 22.0, 20.0, 22.0, 20.0, 22.0, 20.0, 22.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcdefgh"), "dough": list("ABCDEFGH"),
    ...     "droop_mm": [9.0, 9.2, 8.1, 7.2, 7.0, 6.2, 5.1, 4.9]})
    >>> targets = pd.DataFrame({"attribute": ["droop_mm"], "aim": [6.0]})
    >>> print(allowing_for({"factors": factors, "doughs": doughs, "pieces": pieces,
    ...     "targets": targets}, seed=1).summary())
    Allowing for ferment time changes nothing.
    """
    weighed = weigh(tables, goal=goal, seed=seed)
    doughs, pieces, factors = (tables[name] for name in ("doughs", "pieces", "factors"))
    slopes = beside_the_factors(weighed.wanted.values, doughs, pieces, factors)
    records, _ = join_records(doughs, pieces, factors)
    records = records.set_index("piece", drop=False)
    rows = _not_filled(records, factors)
    for name, own in slopes.groupby("beside", sort=False):
        if name in KNOWN_ANYWAY:
            continue
        row = {"beside": name, **own.iloc[0][["travels_with", "correlation"]]}
        if own["slope"].isna().all():
            words = f"{as_sentence(in_words(name))} moved together with the factors"
            row |= {"moves": "", "worse": np.nan, "changes": "can't be told"}
            rows.append(row | {"sentence": f"{words}: it can't be allowed for."})
            continue
        allowed = replace(weighed.wanted, values=_without(weighed.wanted, records, own, name))
        again = weigh_wanted(tables, allowed, seed=seed)
        clear = bool(((own["ci_low"] > 0) | (own["ci_high"] < 0)).any())
        rows.append(row | _change(name, weighed, again, clear))
    return Allowing(pd.DataFrame(rows, columns=list(COLUMNS)))


def _without(wanted: Wanted, records: pd.DataFrame, own: pd.DataFrame, name: str) -> pd.DataFrame:
    """The values as they would be, had this been alike everywhere."""
    columns = pd.DataFrame(nuisance_columns(records[name]), index=records.index)
    columns -= columns.mean()
    assumed = starting_assumptions().set_index("assumption").loc["linear", "share"]
    values = wanted.values.copy()
    for row in own.dropna(subset=["slope", "se"]).itertuples():
        if row.per in columns:
            along = columns[row.per]
        else:  # another first level, since this attribute was not asked of some pieces
            along = as_levels(records[name]).eq(row.per.split(" against ")[0]).astype(float)
            along -= along.mean()
        points = 8 * {one.attribute: one.point for one in wanted.targets}[row.attribute]
        usual = assumed * points / max(float(along.abs().max()), 1e-9)
        slope = row.slope * usual**2 / (usual**2 + row.se**2)
        here = values["attribute"].eq(row.attribute)
        off = slope * values.loc[here, "piece"].map(along).fillna(0.0)
        values.loc[here, "mean"] = values.loc[here, "mean"] - off
    return values


def _not_filled(records: pd.DataFrame, factors: pd.DataFrame) -> list[dict]:
    """Records of some pieces only, which can't be allowed for."""
    rows = []
    for name in (*DOUGH_RECORDS, *PIECE_RECORDS):
        known = name in KNOWN_ANYWAY or name == "round" or name in set(factors["factor"])
        if known or name not in records:
            continue
        empty = int(records[name].isna().sum())
        if empty and len(records[name].dropna().unique()) > 1:
            words = f"{as_sentence(in_words(name))} is missing for {empty} pieces: fill it in, and"
            row = {"beside": name, "travels_with": "", "correlation": np.nan, "moves": ""}
            row |= {"worse": np.nan, "changes": "can't be told"}
            rows.append(row | {"sentence": f"{words} it can be allowed for."})
    return rows


def _change(name: str, weighed: Weighed, again: Weighed, clear: bool) -> dict:
    moved = [
        f"{said(factor, again.best[factor.name])} instead of {weighed.best[factor.name]}"
        if factor.levels
        else f"{said(factor, again.best[factor.name])} instead of {weighed.best[factor.name]:g}"
        for factor in weighed.space.factors
        if more_than_a_step(factor, weighed.best[factor.name], again.best[factor.name])
    ]
    here = again.drawn.goals(weighed.search.best[None]).mean()
    worse = max(0.0, float(here - again.search.goal))
    changes = bool(moved) and worse > NO_DIFFERENCE and clear
    words = f"Allowing for {in_words(name)}, choose {', '.join(moved)}: what is chosen now would "
    sentence = f"{words}be {worse:.2f} points worse." if changes else f"{words}be as good."
    if moved and not clear:
        sentence = f"{as_sentence(in_words(name))} has no slope that is clear of nought."
    if not moved:
        sentence = f"Allowing for {in_words(name)} changes nothing."
    told = {"moves": ", ".join(moved), "worse": worse, "changes": "yes" if changes else "no"}
    return told | {"sentence": sentence}
