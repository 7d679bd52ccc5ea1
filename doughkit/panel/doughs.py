"""Do these batches differ? The dough × assessor disagreement is the error that answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.fitting.studentized import range_point, range_sf
from doughkit.panel.answers import Answers, gather
from doughkit.panel.batches import Batches, batches
from doughkit.panel.means import with_interval
from doughkit.panel.power import findable
from doughkit.tables.problems import Problem, StudyProblems

SCOPE = "people_like_these"


@dataclass(frozen=True)
class DoughComparison:
    """Whether the batches tasted differ, per attribute.

    tests: attribute, f, df, df_error, p, findable, doughs, assessors, balanced, about, scope;
        findable: points between two doughs that would be found in 4 tastings of 5.
    means: attribute, dough, mean, se, df, ci_low, ci_high, ci_level, answers, assessors, scope.
    differences: attribute, dough, other_dough, difference, se, df, p, ci_low, ci_high, ci_level,
        pairs, tasted_together, about, scope; p and interval hold for all pairs of an attribute at
        once.
    sources: attribute, source, df, sum_square, mean_square, f, p.
    left_out: attribute, dough, why.
    """

    tests: pd.DataFrame
    means: pd.DataFrame
    differences: pd.DataFrame
    sources: pd.DataFrame
    left_out: pd.DataFrame

    def summary(self) -> str:
        """Which attributes tell these batches apart, and what that does not say."""
        tests = self.tests
        words = [
            f"{row.attribute} (F {row.f:.2f} on {row.df} and {row.df_error}, {p_words(row.p)})"
            for row in tests.itertuples()
        ]
        apart = [word for word, p in zip(words, tests["p"], strict=True) if p <= 0.05]
        same = [
            f"{word[:-1]}; {row.findable:.1f} points would be found 4 times in 5)"
            if np.isfinite(row.findable)
            else word
            for word, row in zip(words, tests.itertuples(), strict=True)
            if not row.p <= 0.05
        ]
        said = f"These batches differ in {', '.join(apart)}. " if apart else ""
        said += f"These batches can't be told apart in {', '.join(same)}. " if same else ""
        said += "This is about the batches tasted: a batch's own luck is in each difference, so "
        said += "it says nothing of the formulas unless each had two doughs or more"
        gaps = tests.loc[~tests["balanced"], "attribute"].tolist()
        said += f". With gaps, so by least squares: {', '.join(gaps)}" if gaps else ""
        together = self.differences["tasted_together"]
        if not together.all():
            said += (
                f". {(~together).sum()} of the {together.size} differences are between batches "
                "never tasted together: a shift of the whole panel between tastings is in them"
            )
        return said + f". Attributes looked at, each at p 0.05: {len(tests)}."


def p_words(p: float) -> str:
    """A p value for a sentence, never as 0.000."""
    return "p < 0.001" if p < 0.001 else f"p {p:.3f}"


def compare_doughs(
    ratings: pd.DataFrame, servings: pd.DataFrame, pieces: pd.DataFrame, *, level: float = 0.90
) -> DoughComparison:
    """Test whether the batches tasted differ, with dough × assessor as the error.

    Question: would other people like these tell these batches apart?

    Each assessor's scores of a dough make one cell; portions and pieces never count as people.
    Complete tables: the classical mean squares, and Tukey's intervals for all pairs. Tables with
    gaps: a cell that lacks one of its dough's pieces is adjusted by what the others found between
    those pieces, then dough + assessor is fitted to the cells by least squares and the pairs get
    Tukey's intervals with each pair's own standard error (Kramer); `balanced` says which.

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat.
    pieces : DataFrame
        piece, dough.
    level : float
        Level of the intervals, 0.90 unless said; of the differences: for all pairs at once.

    Returns
    -------
    DoughComparison: tests, means, differences, sources, left_out (their columns stand there) and
        summary(). `about` is "batch" throughout.

    Raises
    ------
    StudyProblems: tables that don't fit; an attribute with fewer than two doughs, fewer than two
        assessors, or too many gaps to leave an error.

    Range: one dough per formula can't tell the formula from the batch; read it as the batch.
        Doughs of different tastings carry what shifted between the tastings (`tasted_together`).
        Sums of squares of tables with gaps are of cell means times the harmonic mean of portions.
        All pairs at once widens the intervals: to read one tasting or round, hand in its rows.

    Source: the mixed two-way analysis, Milliken and Johnson, Analysis of Messy Data, volume 1,
        1992, chapters 22-23 (from memory); Tukey-Kramer: Kramer, Biometrics 12, 1956, 307-310;
        degrees of freedom of a mean: Satterthwaite, Biometrics Bulletin 2, 1946, 110-114.

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": ["A1", "B1"], "dough": ["A", "B"]})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", "T1", who, piece) for who in ("Ann", "Bo", "Cy")
    ...      for piece in ("A1", "B1")], columns=["serving", "tasting", "assessor", "piece"])
    >>> ratings = servings[["serving"]].assign(attribute="chew", score=[3.0, 5, 2, 5, 4, 6])
    >>> found = compare_doughs(ratings, servings, pieces)
    >>> found.tests[["f", "df", "df_error"]].round(2).values.tolist()
    [[49.0, 1.0, 2.0]]
    >>> found.differences[["difference", "ci_low", "ci_high"]].round(2).values.tolist()
    [[-2.33, -3.31, -1.36]]
    """
    found = gather(ratings, servings, pieces)
    tables = [batches(found, at) for at in range(len(found.attributes))]
    _refuse_thin(found, tables)
    parts = [_read(found, at, table, level) for at, table in enumerate(tables)]
    tests, means, differences, sources = (
        pd.concat([part[place] for part in parts], ignore_index=True) for place in range(4)
    )
    left_out = [
        (found.attributes[at], dough, "no answer")
        for at, table in enumerate(tables)
        for dough in table.left_out
    ]
    return DoughComparison(
        tests=tests,
        means=means,
        differences=differences,
        sources=sources,
        left_out=pd.DataFrame(left_out, columns=["attribute", "dough", "why"], dtype="str"),
    )


def _refuse_thin(found: Answers, tables: list[Batches]) -> None:
    problems = []
    for name, table in zip(found.attributes, tables, strict=True):
        doughs, people = table.mask.shape
        if table.fit is None:
            expected = "doughs linked by common assessors"
            found_words = "groups of doughs tasted by different people"
        elif doughs < 2 or people < 2 or table.fit.rest_df < 1:
            expected = "at least two doughs, two assessors and a cell to spare for the error"
            found_words = f"{doughs} doughs × {people} assessors with {table.mask.sum()} cells"
        else:
            continue
        problems.append(
            Problem(
                "ratings",
                key=f"attribute {name}",
                found=found_words,
                expected=expected,
                mend="let the same people taste more of the doughs, or leave this attribute out",
            )
        )
    if problems:
        raise StudyProblems(problems)


def _read(found: Answers, at: int, table: Batches, level: float) -> tuple[pd.DataFrame, ...]:
    name, fit, doughs = found.attributes[at], table.fit, table.doughs
    sources = _sources(table).assign(attribute=name)
    dough = sources.iloc[0]
    tests = pd.DataFrame(
        {
            "attribute": [name],
            "f": dough["f"],
            "df": int(dough["df"]),
            "df_error": fit.rest_df,
            "p": dough["p"],
            "doughs": len(doughs),
            "assessors": fit.column.size,
            "balanced": table.balanced,
            "about": "batch",
            "scope": SCOPE,
        }
    )
    error = np.diag(fit.information) * fit.rest_ms
    spread, df = _spread_of_people(table, error)
    means = pd.DataFrame(
        {
            "attribute": name,
            "dough": doughs,
            "mean": fit.row,
            "se": np.sqrt(error + spread),
            "df": df,
            "answers": table.answers.sum(1),
            "assessors": table.mask.sum(1),
        }
    )
    differences = _pairs(table, level).assign(about="batch", scope=SCOPE)
    tests.insert(5, "findable", findable(differences["se"].median(), dough["df"], fit.rest_df))
    differences.insert(0, "attribute", name)
    first = ["attribute", "source", "df", "sum_square", "mean_square", "f", "p"]
    return tests, with_interval(means, level=level, scope=SCOPE), differences, sources[first]


def _spread_of_people(table: Batches, error: np.ndarray) -> tuple[float, np.ndarray]:
    """What other people's level adds to a mean's variance, and the dof of the sum."""
    fit, people = table.fit, table.fit.column.size
    between = fit.column_ss / (people - 1)
    weight = (people - 1) / (people * fit.column_trace)
    spread = weight * (between - fit.rest_ms)
    if spread <= 0:
        return 0.0, np.full(error.size, float(fit.rest_df))
    rest = error - weight * fit.rest_ms
    total = error + spread
    df = total**2 / ((weight * between) ** 2 / (people - 1) + rest**2 / fit.rest_df)
    return spread, df


def _sources(table: Batches) -> pd.DataFrame:
    fit = table.fit
    rows = [
        ("dough", len(table.doughs) - 1, fit.row_ss * table.portions, "dough × assessor"),
        ("assessor", fit.column.size - 1, fit.column_ss * table.portions, "dough × assessor"),
        ("dough × assessor", fit.rest_df, fit.rest_ss * table.portions, table.next_level),
        ("piece in dough", *table.piece, table.next_level),
        ("piece × assessor", *table.piece_assessor, "portion"),
        ("portion", *table.portion, ""),
    ]
    frame = pd.DataFrame(rows, columns=["source", "df", "sum_square", "against"])
    frame = frame[frame["df"] > 0].reset_index(drop=True)
    frame["mean_square"] = frame["sum_square"] / frame["df"]
    errors = frame.set_index("source")[["df", "mean_square"]].reindex(frame["against"])
    frame["f"] = ratio(frame["mean_square"].to_numpy(), errors["mean_square"].to_numpy())
    frame["p"] = stats.f.sf(frame["f"], frame["df"], errors["df"].to_numpy())
    return frame


def ratio(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    """Mean square over mean square; endless over an error of nothing, empty for 0 over 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(above, dtype=float) / np.asarray(below, dtype=float)


def _pairs(table: Batches, level: float) -> pd.DataFrame:
    fit, doughs = table.fit, table.doughs
    one, other = np.triu_indices(len(doughs), 1)
    info = fit.information
    se = np.sqrt((info[one, one] + info[other, other] - 2 * info[one, other]) * fit.rest_ms)
    difference = fit.row[one] - fit.row[other]
    wide = range_point(level, len(doughs), fit.rest_df) / np.sqrt(2)
    q = np.sqrt(2) * ratio(np.abs(difference), se)
    p = np.where(np.isinf(q), 0.0, np.nan)
    p[np.isfinite(q)] = range_sf(q[np.isfinite(q)], len(doughs), fit.rest_df)
    return pd.DataFrame(
        {
            "dough": [doughs[place] for place in one],
            "other_dough": [doughs[place] for place in other],
            "difference": difference,
            "se": se,
            "df": fit.rest_df,
            "p": p,
            "ci_low": difference - wide * se,
            "ci_high": difference + wide * se,
            "ci_level": level,
            "pairs": len(one),
            "tasted_together": (table.tastings[one] & table.tastings[other]).any(1),
        }
    )
