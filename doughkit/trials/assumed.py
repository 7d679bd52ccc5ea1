"""What is assumed of a model's terms beforehand, as information that counts beside the doughs'."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

from doughkit.fitting.assumptions import read_assumptions
from doughkit.trials.factors import Factor, read_factors
from doughkit.trials.models import TIMES, model_terms
from doughkit.trials.spreads import SCALE

BEND_OFFSET = 1 / 3
"""The mean of a square over −1 … +1: a bend then says nothing of the middle of all."""


def assumed_apart(names: list[str], known: list[Factor]) -> np.ndarray:
    """The combinations of columns (constant first, then terms) whose sizes are assumed apart.

    columns of the model @ this = columns with bends centred and levels of a category evened out.
    """
    apart = np.eye(len(names))
    for place, name in enumerate(names):
        if name.endswith("²"):
            apart[0, place] = -BEND_OFFSET
    for one, other in [*((one, None) for one in known), *combinations(known, 2)]:
        if not one.levels and not (other and other.levels):
            continue
        columns, alike = one.coded_columns, _alike(one)
        if other:
            columns = [f"{left}{TIMES}{right}" for left in columns for right in other.coded_columns]
            alike = np.kron(alike, _alike(other))
        if not set(columns) <= set(names):
            continue
        places = [names.index(column) for column in columns]
        apart[np.ix_(places, places)] = np.linalg.cholesky(alike)
    return apart


def _alike(factor: Factor) -> np.ndarray:
    """Covariance of a factor's columns if beforehand no level of it is set apart from the others.

    Two levels are as far apart as the low and the high of a number.
    """
    count = len(factor.levels)
    return 2 * (np.eye(count - 1) - 1 / count) if count else np.ones((1, 1))


def assumed_information(factors: pd.DataFrame, terms: str, assumptions) -> np.ndarray:
    """What the assumptions count as, in points: the inverse of the variances of the model."""
    listed = model_terms(factors, terms)
    named = read_assumptions(assumptions, {"constant", "linear", "interaction", "bend"})
    size = named["share"].astype(float).to_dict()
    size |= {kind: size["linear"] * size[kind] for kind in ("interaction", "bend")}
    sizes = SCALE * np.array([size[kind] for kind in ("constant", *listed["kind"])])
    apart = assumed_apart(["", *listed["term"]], read_factors(factors))
    return np.linalg.inv(apart @ np.diag(sizes**2) @ apart.T)
