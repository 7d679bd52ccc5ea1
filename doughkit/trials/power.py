"""How often a true change would be found, by drawing the round many times with its errors."""

from __future__ import annotations

import joblib
import numpy as np
import pandas as pd
from scipy.stats import beta

from doughkit.tables.problems import problem_error
from doughkit.trials.factors import read_factors
from doughkit.trials.judging import Bench, count_found, judging
from doughkit.trials.models import level_pairs, model_columns, model_terms
from doughkit.trials.records import days_to_judge_by, join_records
from doughkit.trials.spreads import Spreads
from doughkit.trials.strata import can_be_told, groups_together, never_baked

A_CHUNK = 250
"""Rounds drawn from one seed; the answer hangs on it, never on how many chunks run at a time."""

SURE = 0.95
"""Level of the interval that says how far the simulation itself may be off."""


def power(
    doughs: pd.DataFrame,
    pieces: pd.DataFrame,
    factors: pd.DataFrame,
    *,
    changes: tuple[float, ...] = (0.0, 0.5, 1.0, 1.5),
    terms: str = "linear",
    block: str | None = None,
    spreads: Spreads | None = None,
    level: float = 0.95,
    simulations: int = 4000,
    seed: int,
) -> pd.DataFrame:
    """Say how often a true change would be found, by baking and tasting the plan many times over.

    Question: if whole grain really moves crispness by a point, what chance have I to see it?

    Parameters
    ----------
    doughs, pieces, factors : DataFrame
        Tables of those names, as planned or as baked; read as `what_it_tells` reads them.
    changes : tuple of float
        True changes, in points of the scale: of a number from low to high, of a category from
        level to level. 0 gives the false alarms.
    terms : str
        The model: "linear", "interactions" or "quadratic".
    block : str, optional
        A column of doughs or pieces whose differences are set aside, say "bake_day".
    spreads : Spreads, optional
        Assumed spreads by chance; left out, `Spreads()`. Days differ only where pieces have a
        bake_day or something is set once a day.
    level : float
        Level of the interval that must lie off zero; 0.95 is a test at 5 %.
    simulations : int
        Rounds drawn. Chunks of 250 have their own seeds and go through joblib: on one core, or on
        what the caller's `joblib.parallel_config` names, with the same answer.
    seed : int
        Draws the errors.

    Returns
    -------
    DataFrame, one row per effect and change: effect, stratum (day, dough or piece: what judges
    it), df, change, found_pct (times in 100 that it is found; empty where nothing is left over to
    judge it by, df 0), found_low_pct, found_high_pct (the simulation's own 95 % interval),
    scores_pct (times in 100 that one would cry "found" by counting each taster's scores as if every
    dough were a world of its own), simulations.

    Raises
    ------
    StudyProblems if changes moved together so that an effect can't be told.

    Range: normal errors, spreads as assumed, each piece tasted by all tasters.
    Source: drawn and judged by strata as texture is; the wrong way beside it is the paired test
    on tasters.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.6], "high": [2.6],
    ...     "changed_per": "dough"})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEFGH"), "kind": "test",
    ...     "salt_pct": [1.6, 2.6] * 4})
    >>> pieces = pd.DataFrame({"piece": list("abcdefgh"), "dough": list("ABCDEFGH")})
    >>> found = power(doughs, pieces, factors, changes=(0.0, 2.0), seed=1)
    >>> found["df"].tolist(), (found["found_pct"] > 50).tolist()
    ([6, 6], [False, True])
    """
    spreads = Spreads() if spreads is None else spreads
    _refuse_counts(changes, simulations, level)
    table, _ = join_records(doughs, pieces, factors, block)
    contrasts, columns = _model(table, factors, terms, block)
    day, by_day = days_to_judge_by(table, read_factors(factors), block)
    bench = Bench(
        columns,
        np.vstack(list(contrasts.values())),
        pd.factorize(table["dough"])[0],
        day,
        spreads,
        level,
        by_day,
    )
    judge = judging(bench)
    sizes = [A_CHUNK] * (simulations // A_CHUNK) + [simulations % A_CHUNK]
    sizes = [size for size in sizes if size]
    seeds = np.random.SeedSequence(seed).spawn(len(sizes))
    counted = joblib.Parallel()(
        joblib.delayed(count_found)(bench, judge, tuple(changes), size, one)
        for size, one in zip(sizes, seeds, strict=True)
    )
    found, by_scores = np.sum(counted, axis=0)
    return _rows(list(contrasts), bench, changes, found, by_scores, simulations)


def _refuse_counts(changes, simulations: int, level: float) -> None:
    if simulations < 1 or not 0 < level < 1 or not len(changes):
        raise problem_error(
            "power",
            found=f"{simulations} simulations at level {level:g} of {len(changes)} changes",
            expected="a change, a simulation or more, a level between 0 and 1",
            mend="leave them out to take the defaults",
        )


def _model(table, factors, terms, block) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Contrasts of the effects by their names in words, and the columns: mean, block, terms."""
    listed = model_terms(factors, terms)
    parts = [np.ones((len(table), 1))]
    if block is not None:
        parts.append(pd.get_dummies(table[block]).to_numpy(float)[:, 1:])
    first = sum(part.shape[1] for part in parts)
    columns = np.hstack([*parts, model_columns(table, factors, listed).to_numpy(float)])
    place = {term: first + number for number, term in enumerate(listed["term"])}
    categories = [one for one in read_factors(factors) if one.levels]
    coded = {name for one in categories for name in one.coded_columns}
    contrasts = {}
    for term in listed.itertuples():
        if term.term not in coded:
            contrasts[term.words] = np.zeros(columns.shape[1])
            contrasts[term.words][place[term.term]] = term.times
    for _, words, contrast in level_pairs(categories, place, columns.shape[1]):
        contrasts[words] = contrast
    _refuse_untold(contrasts, columns, list(listed["words"]), first)
    return contrasts, columns


def _refuse_untold(contrasts, columns, words, first) -> None:
    unknown = never_baked(columns)
    lost = [name for name, one in contrasts.items() if not can_be_told(one, unknown)]
    if lost:
        names = ["the mean or the block"] * first + words
        mixed = groups_together(unknown)[0][0]
        raise problem_error(
            "doughs and pieces",
            found=f"{lost[0]} can't be told apart"
            + (f", nor can {len(lost) - 1} more effects" if len(lost) > 1 else ""),
            expected="doughs in which every effect of the model can be told",
            mend=f"{' and '.join(dict.fromkeys(names[one] for one in mixed))} moved together: ask "
            "for fewer terms, or see what_it_tells",
        )


def _rows(names, bench: Bench, changes, found, by_scores, simulations: int) -> pd.DataFrame:
    judge, spreads = judging(bench), bench.spreads
    variances = {"piece": spreads.of_piece, "dough": spreads.dough**2 + spreads.of_piece / 2}
    strata = judge.judged_by(variances | {"day": spreads.day**2 + variances["dough"] / 2})
    rows = []
    for at, (name, stratum) in enumerate(zip(names, strata, strict=True)):
        degrees = judge.degrees[stratum]
        for number, change in enumerate(changes):
            hits = found[at, number]
            low = beta.ppf((1 - SURE) / 2, hits, simulations - hits + 1) if hits else 0.0
            high = beta.ppf((1 + SURE) / 2, hits + 1, simulations - hits)
            pct = [
                100 * hits / simulations,
                100 * low,
                100 * (1.0 if hits == simulations else high),
            ]
            known = pct if degrees else [np.nan] * 3
            scores = 100 * by_scores[at, number] / simulations
            rows.append((name, stratum, degrees, change, *known, scores, simulations))
    return pd.DataFrame(
        rows,
        columns=[
            "effect", "stratum", "df", "change", "found_pct", "found_low_pct", "found_high_pct",
            "scores_pct", "simulations",
        ],
    )  # fmt: skip
