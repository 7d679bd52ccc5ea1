"""Rounds found by search, against designs known to be best and against libraries' errors."""

from __future__ import annotations

from functools import cache, partial
from itertools import combinations_with_replacement

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.linalg import hadamard

from doughkit import trials
from doughkit.trials.models import model_columns
from doughkit.trials.spreads import Spreads
from tests.outside import Check

KIEFER = "J. Kiefer, J. Wolfowitz, Annals of Mathematical Statistics 30, 1959, 271-294"
PUKELSHEIM = "F. Pukelsheim, Optimal Design of Experiments, 1993: quadratic on one factor"
BOX_DRAPER = "M. J. Box, N. R. Draper, Technometrics 13, 1971, 731-742: six runs"
KIEFER_SIMPLEX = "J. Kiefer, Annals of Mathematical Statistics 32, 1961, 298-325: three parts"
KIEFER_CUBE = "J. Kiefer, Proc. 4th Berkeley Symposium 1, 1961, 381-405: quadratic on the square"
MAXIMAL = "largest determinants of matrices of −1 and +1 (J. Hadamard 1893; J. H. E. Cohn's lists)"
SYLVESTER = "scipy.linalg.hadamard"
GLS = "statsmodels GLS"
ALONE = Spreads(dough=0.0, piece=1.0, tasting=0.0)
"""Every piece on its own, error 1."""


def number(count: int, levels: int, pieces: int = 0) -> pd.DataFrame:
    """So many factors from −1 to +1, the last `pieces` of them changed per piece."""
    per = ["dough"] * (count - pieces) + ["piece"] * pieces
    names = [f"f{at}_pct" for at in range(1, count + 1)]
    step = 2 / (levels - 1)
    return pd.DataFrame(
        {"factor": names, "low": -1.0, "high": 1.0, "step": step, "changed_per": per}
    )


@cache
def planned(count, levels, doughs, criterion, terms="quadratic"):
    factors = number(count, levels)
    plan = trials.plan_optimal(
        factors,
        doughs_to_add=doughs,
        pieces_per_dough=1,
        criterion=criterion,
        terms=terms,
        spreads=ALONE,
        seed=1,
    )
    columns = model_columns(plan.doughs, factors, terms).to_numpy()
    return plan, np.column_stack([np.ones(doughs), columns])


def shares(doughs, criterion):
    """How many doughs lie at low, in the middle, at high, at each level that is used."""
    counts = planned(1, 21, doughs, criterion)[0].doughs["f1_pct"].value_counts().sort_index()
    return " ".join(f"{level:g}:{count}" for level, count in counts.items())


def determinant(count, levels, doughs, terms="quadratic"):
    columns = planned(count, levels, doughs, "D", terms)[1]
    return float(np.linalg.det(columns.T @ columns))


def against(count, levels, doughs, best):
    """D-efficiency: per term, against the best determinant of X'X."""
    terms = planned(count, levels, doughs, "D")[1].shape[1]
    return (determinant(count, levels, doughs) / best) ** (1 / terms)


def blend(doughs):
    """Three flours, all blends allowed: how many doughs lie at each share of the three."""
    factors = number(2, 21).assign(low=0.0, high=100.0, step=5.0)
    names = list(factors["factor"])
    limits = pd.DataFrame({"limit": "the rest", "factor": names, "weight": 1.0})
    limits = limits.assign(low=np.nan, high=[100.0, np.nan])
    plan = trials.plan_optimal(
        factors,
        limits=limits,
        doughs_to_add=doughs,
        pieces_per_dough=1,
        criterion="D",
        spreads=ALONE,
        seed=1,
    )
    shares = plan.doughs[names].assign(rest=100 - plan.doughs[names].sum(axis=1))
    kinds = np.sort(shares.to_numpy(), axis=1).astype(int).astype(str)
    counts = pd.Series(["-".join(row) for row in kinds]).value_counts().sort_index()
    return " ".join(f"{kind}:{count}" for kind, count in counts.items())


def mean_variance(doughs, criterion):
    """Mean variance of a prediction times doughs, from what the round tells."""
    plan = planned(1, 21, doughs, criterion)[0]
    told = trials.what_it_tells(*plan, number(1, 21), spreads=ALONE)
    return doughs * told.predicts["average_se"].iloc[0] ** 2


DOUGH, PIECE = 0.8, 1.3


def best_of_doughs_and_pieces(doughs, terms, own_mix=False):
    """Log determinant if Sylvester's columns are taken: 3 factors of the dough, 1 of the piece."""
    signs = hadamard(2 * doughs)[:, [2, 4, 8, 1]].astype(float)
    frame = pd.DataFrame(signs, columns=list(number(4, 2, 1)["factor"]))
    number_of = np.arange(len(signs)) if own_mix else np.arange(len(signs)) // 2
    return log_determinant(frame, number_of, terms)


def log_determinant(frame, dough, terms):
    columns = model_columns(frame, number(4, 2, 1), terms).to_numpy()
    columns = np.column_stack([np.ones(len(frame)), columns])
    same = dough[:, None] == dough
    sigma = DOUGH**2 * same + PIECE**2 * np.eye(len(frame))
    fit = sm.GLS(np.zeros(len(frame)), columns, sigma=sigma).fit()
    return -float(np.linalg.slogdet(fit.normalized_cov_params)[1])


@cache
def doughs_and_pieces(doughs, terms):
    plan = trials.plan_optimal(
        number(4, 2, 1),
        doughs_to_add=doughs,
        criterion="D",
        terms=terms,
        spreads=Spreads(dough=DOUGH, piece=PIECE, tasting=0.0),
        seed=1,
    )
    rows = plan.pieces.merge(plan.doughs, on="dough")
    return log_determinant(rows, rows["dough"].to_numpy(), terms)


LEVELS = np.linspace(-1, 1, 5)
EVERYWHERE = (np.arange(4000) + 0.5) / 2000 - 1


def of_mixes(plan):
    """Mean variance of a prediction by a library; two pieces in each dough, baked alike."""
    x = np.repeat(np.array(plan), 2)
    dough = np.arange(len(x)) // 2
    sigma = DOUGH**2 * (dough[:, None] == dough) + PIECE**2 * np.eye(len(x))
    columns, rows = (np.column_stack([one**0, one, one**2]) for one in (x, EVERYWHERE))
    if np.linalg.matrix_rank(columns) < 3:
        return np.inf
    covariance = sm.GLS(np.zeros(len(x)), columns, sigma=sigma).fit().normalized_cov_params
    return float(np.einsum("np,pq,nq->n", rows, covariance, rows).mean())


@cache
def least_of_all(doughs):
    """The least of all plans of so many doughs at five levels."""
    return min(of_mixes(one) for one in combinations_with_replacement(LEVELS, doughs))


def least_found(doughs):
    plan = trials.plan_optimal(
        number(1, 5),
        doughs_to_add=doughs,
        spreads=Spreads(dough=DOUGH, piece=PIECE, tasting=0.0),
        seed=1,
    )
    return of_mixes(plan.doughs["f1_pct"])


def mixes_told(levels):
    names = [f"D{at}" for at in range(len(levels))]
    doughs = pd.DataFrame({"dough": names, "kind": "test", "f1_pct": levels})
    pieces = pd.DataFrame({"dough": np.repeat(names, 2)})
    pieces.insert(0, "piece", [f"P{at}" for at in range(len(pieces))])
    spreads = Spreads(dough=DOUGH, piece=PIECE, tasting=0.0)
    told = trials.what_it_tells(doughs, pieces, number(1, 5), spreads=spreads)
    return told.predicts["average_se"].iloc[0] ** 2


MEMORY, LIBRARY = "from memory", "reference library"

_ROWS = [
    # says, source, kind, printed, within, get, wrong
    ("one factor, D: a third each at low, middle, high", KIEFER, MEMORY, "-1:2 0:2 1:2", 0,
     partial(shares, 6, "D"), False),
    ("one factor, I: a quarter, a half, a quarter", PUKELSHEIM, MEMORY, "-1:2 0:4 1:2", 0,
     partial(shares, 8, "I"), False),
    ("one factor, I: not a third each", KIEFER, MEMORY, "-1:2 0:2 1:2", 0,
     partial(shares, 6, "I"), True),
    ("one factor, D: determinant for one dough", KIEFER, MEMORY, 4 / 27, 1e-9,
     lambda: determinant(1, 21, 6) / 6**3, False),
    ("one factor, I: mean variance for one dough", PUKELSHEIM, MEMORY, 32 / 15, 1e-9,
     partial(mean_variance, 8, "I"), False),
    ("one factor, D: its mean variance for one dough", PUKELSHEIM, MEMORY, 2.4, 1e-9,
     partial(mean_variance, 6, "D"), False),
    ("one factor, D: its mean variance is not the least", PUKELSHEIM, MEMORY, 32 / 15, 0.1,
     partial(mean_variance, 6, "D"), True),
    ("three flours, D: the three alone and the three halves of two", KIEFER_SIMPLEX, MEMORY,
     "0-0-100:3 0-50-50:3", 0, partial(blend, 6), False),
    ("three flours, D: each of the six again", KIEFER_SIMPLEX, MEMORY, "0-0-100:6 0-50-50:6", 0,
     partial(blend, 12), False),
    ("three flours, D: not a third of each among them", KIEFER_SIMPLEX, MEMORY,
     "0-0-100:3 0-50-50:3 30-35-35:1", 0, partial(blend, 7), True),
    ("two factors, six doughs at 21 levels: as good as the best", BOX_DRAPER, MEMORY, 1.0, 5e-4,
     partial(against, 2, 21, 6, 267.73722), False),
    ("two factors, six doughs at 3 levels: not as good", BOX_DRAPER, MEMORY, 1.0, 5e-4,
     partial(against, 2, 3, 6, 267.73722), True),
    ("two factors, nine doughs: every combination of three levels", KIEFER_CUBE, MEMORY, 5184.0,
     1e-6, partial(determinant, 2, 21, 9), False),
    ("two factors, 13 doughs: near the best of all shares", KIEFER_CUBE, MEMORY, 1.0, 0.0025,
     lambda: against(2, 21, 13, 0.0114270 * 13**6), False),
    *[
        (f"{doughs} doughs, {count} factors, straight lines: largest determinant", source, kind,
         float(printed), 1e-9 * printed, partial(determinant, count, 2, doughs, "linear"), False)
        for doughs, count, printed, source, kind in (
            (4, 3, np.linalg.det(hadamard(4)) ** 2, SYLVESTER, LIBRARY),
            (5, 4, 48**2, MAXIMAL, MEMORY),
            (6, 5, 160**2, MAXIMAL, MEMORY),
            (7, 6, 576**2, MAXIMAL, MEMORY),
            (8, 7, np.linalg.det(hadamard(8)) ** 2, SYLVESTER, LIBRARY),
        )
    ],
    ("six doughs, five factors: no orthogonal round exists", MAXIMAL, MEMORY, 6.0**6, 1.0,
     partial(determinant, 5, 2, 6, "linear"), True),
    *[
        (f"{doughs} doughs of two pieces, {terms}: as large as with Sylvester's columns",
         f"{SYLVESTER}, {GLS}", LIBRARY, best_of_doughs_and_pieces(doughs, terms), 1e-9,
         partial(doughs_and_pieces, doughs, terms), False)
        for doughs in (8, 16) for terms in ("linear", "interactions")
    ],
    ("8 doughs of two pieces: not as if every piece were its own mix", f"{SYLVESTER}, {GLS}",
     LIBRARY, best_of_doughs_and_pieces(8, "interactions", own_mix=True), 0.1,
     partial(doughs_and_pieces, 8, "interactions"), True),
    *[
        (f"{doughs} doughs of two pieces, one factor: least mean variance of all plans", GLS,
         LIBRARY, least_of_all(doughs), 1e-9, partial(least_found, doughs), False)
        for doughs in (3, 5, 6)
    ],
]  # fmt: skip

CHECKS = [
    Check("trials.plan_optimal", says, source, kind, printed, get, within, wrong)
    for says, source, kind, printed, within, get, wrong in _ROWS
] + [
    Check(
        "trials.what_it_tells",
        f"{len(levels)} doughs of two pieces, one factor: mean variance of a prediction",
        GLS,
        LIBRARY,
        of_mixes(levels),
        partial(mixes_told, levels),
        1e-6,
    )
    for levels in (LEVELS[[0, 2, 4]], LEVELS[[0, 2, 4, 0, 1, 2]])
]
