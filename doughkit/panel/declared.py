"""Few attributes declared before tasting speak; the others are for looking around."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, require_columns, require_unique

MOST_KEYS = 3
"""Key attributes that may be declared: with more, what is left of each one's risk finds nothing."""

KEY, AROUND = "key", "looking around"


def key_answers(tests: pd.DataFrame, attributes: pd.DataFrame) -> pd.DataFrame:
    """Mark which answers were declared beforehand, and correct those for being several.

    Question: which of these p values may be believed as they stand?

    Parameters
    ----------
    tests : DataFrame
        One row per attribute with its p, as `compare_doughs(...).tests` or another answer's.
    attributes : DataFrame
        attribute, key (yes: declared before the tasting; at most three).

    Returns
    -------
    DataFrame: the columns of tests, then standing ("key" or "looking around"), p_holm (of key
        attributes, corrected by Holm for their number; empty for the others) and looked_at (how
        many attributes of that standing).

    Raises
    ------
    StudyProblems: two rows of one attribute, an attribute that is not listed, or more than three
        keys.

    Range: only what was declared before anybody tasted. Attributes looked around in are worth a
        new tasting, not a claim: one in twenty falls below 0.05 by chance.

    Source: Holm, Scandinavian Journal of Statistics 6, 1979, 65-70.

    >>> import pandas as pd
    >>> tests = pd.DataFrame({"attribute": ["crispness", "chew", "droop"], "p": [0.03, 0.01, 0.02]})
    >>> attributes = tests[["attribute"]].assign(key=["yes", "yes", "no"])
    >>> key_answers(tests, attributes)[["standing", "p_holm"]].values.tolist()
    [['key', 0.03], ['key', 0.02], ['looking around', nan]]
    """
    require_columns(tests, "attribute", "p", table="tests")
    require_columns(attributes, "attribute", "key", table="attributes")
    require_unique(tests, "attribute", table="tests")
    require_unique(attributes, "attribute", table="attributes")
    _refuse(tests, attributes)
    declared = attributes.set_index("attribute")["key"].loc[tests["attribute"]].to_numpy() == "yes"
    p = tests["p"].to_numpy(dtype=float)
    holm = np.full(len(tests), np.nan)
    holm[declared] = _holm(p[declared])
    return tests.assign(
        standing=np.where(declared, KEY, AROUND),
        p_holm=holm,
        looked_at=np.where(declared, declared.sum(), (~declared).sum()),
    )


def _refuse(tests: pd.DataFrame, attributes: pd.DataFrame) -> None:
    problems = [
        Problem(
            "tests",
            key=f"attribute {name}",
            found="an attribute that is not listed",
            expected="an attribute of the table attributes",
            mend="list it with its scale, and key yes or no",
        )
        for name in tests["attribute"]
        if name not in set(attributes["attribute"])
    ]
    keys = attributes.loc[attributes["key"] == "yes", "attribute"].tolist()
    if len(keys) > MOST_KEYS:
        problems.append(
            Problem(
                "attributes",
                column="key",
                found=f"{len(keys)} key attributes ({', '.join(keys)})",
                expected=f"at most {MOST_KEYS}",
                mend="keep those that decide, and look around in the others",
            )
        )
    if problems:
        raise StudyProblems(problems)


def _holm(p: np.ndarray) -> np.ndarray:
    """Smallest p times all, next times one fewer ...; never falling. An empty p keeps its place."""
    order = np.argsort(p)
    times = np.arange(p.size, 0, -1)
    raised = np.minimum(1, np.fmax.accumulate(p[order] * times))
    out = np.empty_like(p)
    out[order] = np.where(np.isnan(p[order]), np.nan, raised)
    return out
