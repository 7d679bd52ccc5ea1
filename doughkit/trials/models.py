"""The terms of a model in the factors, and their columns: what a regression or a plan stands on."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns
from doughkit.trials.coding import code
from doughkit.trials.factors import Factor, in_words, read_factors

TERMS = ("linear", "interactions", "quadratic")
TIMES = " × "


def model_terms(factors: pd.DataFrame, terms: str = "quadratic") -> pd.DataFrame:
    """List the terms of a model in the factors.

    Question: which effects would the regression look for?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`.
    terms : str
        "linear": one effect per factor; "interactions": and one per pair of factors;
        "quadratic": and a bend per number.

    Returns
    -------
    DataFrame, one row per column of the model (the intercept is not listed): term (the column's
    name), kind (linear, interaction, bend), factor, with (the second factor of a pair, else
    empty), stratum ("piece" if a factor changed per piece takes part, else "dough" or "day"),
    times (coefficient × times = the effect as told: 2 for linear, from low to high; 2 for a pair,
    half the change in one effect as the other goes from low to high; 1 for a bend, how far low
    and high lie above the middle. Of a category: 1, the level's distance from the levels' mean;
    in a pair with a number 2, how far the effect at that level is from the mean effect), words.

    Raises
    ------
    StudyProblems if `terms` is none of the three words.

    Source: the usual polynomial models of designed trials.

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.6, 5.0],
    ...     "high": [2.6, 8.0], "changed_per": ["dough", "piece"]})
    >>> model_terms(factors, "interactions")["term"].tolist()
    ['salt_pct', 'bake_min', 'salt_pct × bake_min']
    """
    if terms not in TERMS:
        raise problem_error(
            "model",
            column="terms",
            found=repr(terms),
            expected=" or ".join(TERMS),
            mend="choose one of the three words",
        )
    known = read_factors(factors)
    rows = [_row(name, "linear", factor) for factor in known for name in factor.coded_columns]
    if terms != "linear":
        rows += [
            _row(f"{one_name}{TIMES}{other_name}", "interaction", one, other)
            for one, other in combinations(known, 2)
            for one_name in one.coded_columns
            for other_name in other.coded_columns
        ]
    if terms == "quadratic":
        rows += [_row(f"{one.name}²", "bend", one) for one in known if not one.levels]
    return pd.DataFrame(rows)


def _row(term: str, kind: str, factor: Factor, other: Factor | None = None) -> dict:
    pair = [factor] if other is None else [factor, other]
    per = {one.changed_per for one in pair}
    numbers = sum(not one.levels for one in pair)
    return {
        "term": term,
        "kind": kind,
        "factor": factor.name,
        "with": "" if other is None else other.name,
        "stratum": next(level for level in ("piece", "dough", "day") if level in per),
        "times": 2.0 if numbers and kind != "bend" else 1.0,
        "words": _words(term, kind),
    }


def _words(term: str, kind: str) -> str:
    if kind == "bend":
        return f"the bend of {in_words(term.removesuffix('²'))}"
    parts = [part.split(": ", 1) for part in term.split(TIMES)]
    return TIMES.join(" ".join([in_words(part[0]), *part[1:]]) for part in parts)


def model_columns(
    frame: pd.DataFrame, factors: pd.DataFrame, terms: str | pd.DataFrame = "quadratic"
) -> pd.DataFrame:
    """Build the columns of a model from levels: coded factors, their products and squares.

    Question: what stands in the rows of the regression?

    Parameters
    ----------
    frame : DataFrame
        One column per factor, levels as baked.
    factors : DataFrame
        Table `factors`.
    terms : str or DataFrame
        "linear", "interactions", "quadratic", or some rows of what `model_terms` gave.

    Returns
    -------
    DataFrame: same index, one column per term, on the −1 … +1 coding; no intercept column.

    Raises
    ------
    StudyProblems as `code` does, or if a term is not one of the model's.

    Source: by definition.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.6], "high": [2.6],
    ...     "changed_per": ["dough"]})
    >>> model_columns(pd.DataFrame({"salt_pct": [1.6, 2.6]}), factors).values.tolist()
    [[-1.0, 1.0], [1.0, 1.0]]
    """
    listed = model_terms(factors, terms) if isinstance(terms, str) else terms
    require_columns(listed, "term", table="terms")
    coded = code(frame, factors)
    columns = {name: coded[name] for name in coded}
    known = read_factors(factors)
    columns |= {f"{one.name}²": coded[one.name] ** 2 for one in known if not one.levels}
    columns |= {
        f"{one_name}{TIMES}{other_name}": coded[one_name] * coded[other_name]
        for one, other in combinations(known, 2)
        for one_name in one.coded_columns
        for other_name in other.coded_columns
    }
    available = pd.DataFrame(columns, index=frame.index)
    require_columns(available, *listed["term"], table="terms")
    return available[list(listed["term"])]


def level_pairs(known: list[Factor], place: dict[str, int], size: int):
    """Factor, words and contrast for every two levels of a category, averaged over all else.

    `place`: where a coded column stands among the model's `size` columns; a category that has not
    all of its columns there is passed over.
    """
    for factor in known:
        if not factor.levels or not all(name in place for name in factor.coded_columns):
            continue
        codes = np.vstack([np.eye(len(factor.levels) - 1), -np.ones(len(factor.levels) - 1)])
        for one, other in combinations(range(len(factor.levels)), 2):
            contrast = np.zeros(size)
            contrast[[place[name] for name in factor.coded_columns]] = codes[other] - codes[one]
            pair = f"{factor.levels[one]} to {factor.levels[other]}"
            yield factor, f"{in_words(factor.name)} {pair}", contrast
