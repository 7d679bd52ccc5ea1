"""How far each dough stands from the reference, person by person within a tasting."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.answers import Answers, gather
from doughkit.panel.batches import one_dough
from doughkit.panel.doughs import SCOPE, ratio
from doughkit.panel.means import with_interval
from doughkit.tables.problems import nearest, problem_error, require_columns, require_unique

COLUMNS = [
    *("difference", "se", "df", "p", "ci_low", "ci_high", "ci_level"),
    *("assessors", "tastings", "about", "scope"),
]


@dataclass(frozen=True)
class ReferenceComparison:
    """Own minus reference, per dough and per piece.

    doughs: attribute, dough, difference, se, df, p, ci_low, ci_high, ci_level, assessors,
        tastings, about, scope.
    pieces: the same with piece after dough.
    left_out: attribute, dough, piece, why.
    """

    doughs: pd.DataFrame
    pieces: pd.DataFrame
    left_out: pd.DataFrame

    def summary(self) -> str:
        """Per attribute, which dough stands nearest to the reference."""
        said = []
        for attribute, rows in self.doughs.groupby("attribute", sort=False):
            near = rows.loc[rows["difference"].abs().idxmin()]
            width = (near["ci_high"] - near["ci_low"]) / 2
            sure = f" ± {width:.1f}" if np.isfinite(width) else ", one taster, no interval"
            said.append(f"{attribute} {near['dough']} ({near['difference']:+.1f}{sure})")
        return (
            f"Nearest to the reference among {self.doughs['dough'].nunique()} doughs: "
            f"{', '.join(said)}. Each is picked as the nearest of several, so it is likely to "
            "stand a little further off than it looks."
        )


def compare_to_reference(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    doughs: pd.DataFrame,
    *,
    level: float = 0.90,
) -> ReferenceComparison:
    """Give own minus reference within a tasting, per dough and per piece, with its interval.

    Question: how far is each dough from the reference, as the same people tasted both?

    Each assessor's score of the reference is taken from the same assessor's score of the dough in
    the same tasting, so neither a person's level nor the day's shift is in the difference; those
    differences are averaged over a person's tastings and then over people.

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat.
    pieces : DataFrame
        piece, dough.
    doughs : DataFrame
        dough, kind; the doughs of kind `reference` together are the reference.
    level : float
        Level of each interval, 0.90 unless said; not widened for the number of doughs.

    Returns
    -------
    ReferenceComparison: doughs (attribute, dough, difference, se, df, p, ci_low, ci_high,
        ci_level, assessors, tastings, about, scope), pieces (the same with piece), left_out
        (attribute, dough, piece, why), summary().

    Raises
    ------
    StudyProblems: tables that don't fit, no dough of kind reference, or no tasting in which
        somebody tasted the reference and another dough.

    Range: the interval speaks of other people like these tasting these pieces. What one batch of
        the reference differs from the next is in it only as far as several tastings had different
        ones. One assessor alone gives a difference without an interval.

    Source: the paired t interval, Student, Biometrika 6, 1908, 1-25.

    >>> import pandas as pd
    >>> doughs = pd.DataFrame({"dough": ["A", "R"], "kind": ["test", "reference"]})
    >>> pieces = pd.DataFrame({"piece": ["A1", "R1"], "dough": ["A", "R"]})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", "T1", who, piece) for who in ("Ann", "Bo", "Cy")
    ...      for piece in ("A1", "R1")], columns=["serving", "tasting", "assessor", "piece"])
    >>> ratings = servings[["serving"]].assign(attribute="chew", score=[3.0, 5, 2, 5, 4, 6])
    >>> found = compare_to_reference(ratings, servings, pieces, doughs)
    >>> found.doughs[["dough", "difference", "ci_low", "ci_high"]].round(2).values.tolist()
    [['A', -2.33, -3.31, -1.36]]
    """
    require_columns(doughs, "dough", "kind", table="doughs")
    require_unique(doughs, "dough", table="doughs")
    found = gather(ratings, servings, pieces)
    reference = _is_reference(found, doughs)
    rows, left_out = [], []
    for at, attribute in enumerate(found.attributes):
        for dough, piece, cells in _apart(found, at, reference):
            if np.isfinite(cells).any():
                rows.append((attribute, dough, piece, *_over_people(cells)))
            else:
                why = "nobody tasted it and the reference in one tasting"
                left_out.append((attribute, dough, piece, why))
    if not rows:
        raise problem_error(
            "servings",
            found="no tasting in which somebody scored the reference and another dough",
            expected="the reference among the servings of each tasting",
            mend="serve a piece of the reference to everyone in every tasting",
        )
    names = ["attribute", "dough", "piece", "mean", "se", "df", "assessors", "tastings"]
    frame = _with_p(with_interval(pd.DataFrame(rows, columns=names), level=level, scope=SCOPE))
    whole = frame["piece"] == ""
    first = ["attribute", "dough", *COLUMNS]
    return ReferenceComparison(
        doughs=frame.loc[whole, first].reset_index(drop=True),
        pieces=frame.loc[~whole, [*first[:2], "piece", *first[2:]]].reset_index(drop=True),
        left_out=pd.DataFrame(
            left_out, columns=["attribute", "dough", "piece", "why"], dtype="str"
        ),
    )


def _is_reference(found: Answers, doughs: pd.DataFrame) -> np.ndarray:
    kinds = dict(zip(doughs["dough"], doughs["kind"], strict=True))
    unknown = next((dough for dough in found.dough if dough not in kinds), None)
    if unknown is not None:
        raise problem_error(
            "pieces",
            key=f"dough {unknown}",
            column="dough",
            found=f"'{unknown}'",
            expected="a dough of the table doughs",
            mend=nearest(unknown, kinds) or "add it to doughs, or correct the name",
        )
    reference = np.array([kinds[dough] == "reference" for dough in found.dough])
    if not reference.any():
        raise problem_error(
            "doughs",
            column="kind",
            found="no tasted dough of kind reference",
            expected="the reference as a dough of its own, with its pieces and servings",
            mend="give the reference a row in doughs (kind reference) and serve it",
        )
    return reference


def _apart(found: Answers, at: int, reference: np.ndarray) -> Iterator[tuple[str, str, np.ndarray]]:
    """Each dough (piece "") and each piece: own minus reference, tasting × assessor."""
    tables = [found.tasting_cells(at, tasting) for tasting in range(len(found.tastings))]
    empty = np.full(len(found.assessors), np.nan)
    anchors = [_values(table, reference, empty) for table in tables]
    of_dough = np.array(found.dough)
    for dough in dict.fromkeys(of_dough[~reference]):
        own = of_dough == dough
        units = [("", own)]
        units += [(found.pieces[p], np.arange(own.size) == p) for p in np.flatnonzero(own)]
        for piece, chosen in units:
            cells = [
                _values(table, chosen, empty) - anchor
                for table, anchor in zip(tables, anchors, strict=True)
            ]
            yield str(dough), piece, np.array(cells)


def _values(table, chosen: np.ndarray, empty: np.ndarray) -> np.ndarray:
    """One value per assessor for the chosen pieces of one tasting; NaN where not tasted."""
    values, count = (part[chosen] for part in table)
    if not count.any():
        return empty
    return np.where(count.any(0), one_dough(values, count)[0], np.nan)


def _over_people(cells: np.ndarray) -> tuple[float, float, int, int, int]:
    """Mean, standard error, df, people, tastings of tasting × assessor differences."""
    there = np.isfinite(cells)
    people = there.any(0)
    each = np.where(there, cells, 0).sum(0)[people] / there.sum(0)[people]
    se = each.std(ddof=1) / np.sqrt(each.size) if each.size > 1 else np.nan
    return each.mean(), se, each.size - 1, each.size, int(there.any(1).sum())


def _with_p(frame: pd.DataFrame) -> pd.DataFrame:
    t = np.abs(ratio(frame["mean"].to_numpy(), frame["se"].to_numpy()))
    df = frame["df"].to_numpy(dtype=float)
    p = 2 * stats.t.sf(t, np.where(df > 0, df, np.nan))
    return frame.rename(columns={"mean": "difference"}).assign(p=p, about="batch")
