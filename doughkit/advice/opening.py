"""The first doughs: those that make every surface surest on average, given what is assumed."""

from __future__ import annotations

import pandas as pd

from doughkit.advice.rounds import require_counts
from doughkit.fitting.assumptions import starting_assumptions
from doughkit.texture.assuming import TASTE
from doughkit.trials.factors import read_factors
from doughkit.trials.optimal import plan_optimal
from doughkit.trials.rounds import Round
from doughkit.trials.spreads import SCALE, Spreads

TASTERS = 6


def first_round(
    factors: pd.DataFrame,
    limits: pd.DataFrame | None = None,
    *,
    doughs: int = 6,
    pieces_per_dough: int = 2,
    seed: int,
) -> Round:
    """Plan the first round: few doughs from which the most is learnt of all textures at once.

    Question: what should I bake first?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`.
    limits : DataFrame, optional
        Table `limits`.
    doughs : int
        Doughs in all; six are enough to begin with.
    pieces_per_dough : int
        Pieces baked of each dough, each in its own way as far as it pays.
    seed : int
        Draws the search and the order of mixing.

    Returns
    -------
    Round: unpacks to (doughs, pieces); role "promising". The plan makes the expected variance of a
    quadratic surface, averaged over all levels allowed, as small as can be, with the starting
    assumptions counted in; so fewer doughs than terms will do.

    Raises
    ------
    StudyProblems if a factor or limit can't be used, nothing is allowed, no factor belongs to the
    dough, or a count is below 1.

    Range: as `trials.plan_optimal`, which searches.
    Source: I-optimal designs, G. E. P. Box and N. R. Draper 1959, J. Am. Stat. Assoc. 54, 622 (from
    memory).

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.0, 5.0],
    ...     "high": [3.0, 9.0], "step": [0.5, 1.0], "changed_per": ["dough", "piece"]})
    >>> doughs, pieces = first_round(factors, doughs=3, seed=1)
    >>> sorted(doughs["salt_pct"]), len(pieces)
    ([1.0, 2.0, 3.0], 6)
    """
    require_counts(doughs=doughs, pieces_per_dough=pieces_per_dough)
    read_factors(factors)
    # What is set once a day is chosen as if it were of the dough.
    of_day = factors.loc[factors["changed_per"] == "day", "factor"].tolist()
    factors = factors.assign(changed_per=factors["changed_per"].replace("day", "dough"))
    plan = plan_optimal(
        factors,
        None,
        limits,
        doughs_to_add=doughs,
        pieces_per_dough=pieces_per_dough,
        assumptions=starting_assumptions(),
        spreads=Spreads(tasting=SCALE * TASTE, tasters=TASTERS),
        seed=seed,
    )
    note = "Each piece of a dough has its own bake; mix and bake in the order listed."
    pieces = plan.pieces.merge(plan.doughs[["dough", *of_day]], on="dough", how="left")
    mixed = plan.doughs.drop(columns=of_day).assign(role="promising")
    return Round(mixed, pieces, notes=(note,))
