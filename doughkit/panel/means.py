"""What the panel says of each piece: means adjusted for absent tasters, with covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.answers import Answers, gather
from doughkit.panel.two_way import fit_two_way, islands
from doughkit.tables.problems import Problem, StudyProblems


@dataclass(frozen=True)
class PieceMeans:
    """The panel's mean of each piece and attribute.

    means: attribute, piece, dough, tasting, mean, se, answers, assessors, df, ci_low, ci_high,
        ci_level, scope.
    covariance: attribute → frame piece × piece of the means' covariance.
    left_out: attribute, piece, why; pieces that were served but got no answer.
    """

    means: pd.DataFrame
    covariance: dict[str, pd.DataFrame]
    left_out: pd.DataFrame

    def summary(self) -> str:
        """One sentence: how many pieces, how many tasters, how sure."""
        means = self.means
        typical = means.groupby("attribute", sort=False)["se"].median()
        sure = ", ".join(
            f"{name} ± {value:.2f}" if np.isfinite(value) else f"{name} with no error to be had"
            for name, value in typical.items()
        )
        fewest, most = means["assessors"].min(), means["assessors"].max()
        people = f"{most}" if fewest == most else f"{fewest} to {most}"
        left = f"; {len(self.left_out)} without any answer left out" if len(self.left_out) else ""
        return (
            f"{means['piece'].nunique()} pieces, each tasted by {people} people of this panel; "
            f"a typical mean is known (standard error) to: {sure}{left}."
        )


def piece_means(
    ratings: pd.DataFrame, servings: pd.DataFrame, pieces: pd.DataFrame, *, level: float = 0.90
) -> PieceMeans:
    """Give the panel's mean of each piece, adjusted for absent tasters, with full covariance.

    Question: what did this panel say of each piece, and how sure is that?

    Per attribute, piece + taster is fitted by least squares, so that a mild or severe taster who
    missed a piece does not shift its mean; the mean is the one that the whole panel would have
    given. Second portions of a piece, and portions in further tastings, are the same person's
    repeated measure: they are averaged into that person's one opinion and never count as people.

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score; an empty score or an absent row: not answered.
    servings : DataFrame
        serving, tasting, assessor, piece, and repeat if there were second portions.
    pieces : DataFrame
        piece, dough.
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    PieceMeans: means (attribute, piece, dough, tasting, mean, se, answers, assessors, df, ci_low,
        ci_high, ci_level, scope), covariance (attribute → piece × piece), left_out (attribute,
        piece, why), summary(). A piece of several tastings names them parted by |. `answers`
        counts scores, `assessors` people.

    Raises
    ------
    StudyProblems: columns, keys or names that don't fit; a doubled score; pieces that no common
        taster links to the others.

    Range: the error is what piece + taster leaves, so it holds each taster's own view of a piece
        and the portion; a shift of the whole panel from one tasting to the next is not in it. One
        taster alone gives means without error (se empty, df 0). Scope: this panel, its level
        taken as it is.

    Source: least squares for a two-way table with gaps: Searle, Linear Models, Wiley 1971,
        chapter 7 (from memory).

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": ["A1", "B1"], "dough": ["A", "B"]})
    >>> servings = pd.DataFrame(
    ...     [("1", "Ann", "A1"), ("2", "Ann", "B1"), ("3", "Bo", "A1"), ("4", "Bo", "B1"),
    ...      ("5", "Cy", "A1")], columns=["serving", "assessor", "piece"]).assign(tasting="T1")
    >>> ratings = pd.DataFrame({"serving": list("12345"), "attribute": "crispness",
    ...                         "score": [4.0, 6, 5, 8, 9]})
    >>> found = piece_means(ratings, servings, pieces)
    >>> found.means[["piece", "mean", "answers"]].values.tolist()
    [['A1', 6.0, 3], ['B1', 8.5, 2]]
    """
    found = gather(ratings, servings, pieces)
    cells = [found.cells(at) for at in range(len(found.attributes))]
    refuse_unlinked(found, [count > 0 for _, count in cells])
    parts, covariance, left_out = [], {}, []
    for at, name in enumerate(found.attributes):
        values, count = cells[at]
        rows, columns = count.any(1), count.any(0)
        left_out += [(name, found.pieces[row], "no answer") for row in np.flatnonzero(~rows)]
        if not rows.any():
            continue
        fit = fit_two_way(values[np.ix_(rows, columns)], count[np.ix_(rows, columns)] > 0)
        cov = fit.rest_ms * fit.information
        names = [found.pieces[row] for row in np.flatnonzero(rows)]
        covariance[name] = pd.DataFrame(cov, index=names, columns=names)
        parts.append(
            {
                "attribute": [name] * len(names),
                "piece": names,
                "dough": [found.dough[row] for row in np.flatnonzero(rows)],
                "tasting": _tastings(found, at, rows),
                "mean": fit.row,
                "se": np.sqrt(np.diag(cov)),
                "answers": count[rows].sum(1),
                "assessors": (count[rows] > 0).sum(1),
                "df": np.full(len(names), fit.rest_df),
            }
        )
    means = pd.DataFrame({key: np.concatenate([p[key] for p in parts]) for key in parts[0]})
    return PieceMeans(
        means=with_interval(means, level=level, scope="this_panel"),
        covariance=covariance,
        left_out=pd.DataFrame(left_out, columns=["attribute", "piece", "why"], dtype="str"),
    )


def with_interval(frame: pd.DataFrame, *, level: float, scope: str) -> pd.DataFrame:
    """Add ci_low, ci_high, ci_level and scope from columns mean, se and df."""
    df = frame["df"].to_numpy(dtype=float)
    times = stats.t.ppf((1 + level) / 2, np.where(df > 0, df, np.nan))
    half = times * frame["se"].to_numpy(dtype=float)
    mean = frame["mean"].to_numpy(dtype=float)
    return frame.assign(ci_low=mean - half, ci_high=mean + half, ci_level=level, scope=scope)


def refuse_unlinked(found: Answers, masks: list[np.ndarray]) -> None:
    """Refuse attributes whose pieces fall into groups that no common taster links."""
    problems = []
    for name, mask in zip(found.attributes, masks, strict=True):
        groups = [group for group in islands(mask) if len(group[0]) and len(group[1])]
        if len(groups) > 1:
            problems.append(
                Problem(
                    "ratings",
                    key=f"attribute {name}",
                    found="; ".join(
                        f"pieces {_listed(found.pieces, rows)} tasted only by "
                        f"{_listed(found.assessors, columns)}"
                        for rows, columns in groups
                    ),
                    expected="every group of pieces linked to the others by a common taster",
                    mend="read the groups apart, or let one person taste pieces of each",
                )
            )
    if problems:
        raise StudyProblems(problems)


def _listed(names: list[str], places: np.ndarray) -> str:
    shown = ", ".join(str(names[at]) for at in places[:6])
    return shown + (f" and {len(places) - 6} more" if len(places) > 6 else "")


def _tastings(found: Answers, attribute: int, rows: np.ndarray) -> list[str]:
    chosen = found.attribute == attribute
    met = np.zeros((len(found.pieces), len(found.tastings)), dtype=bool)
    met[found.piece[chosen], found.tasting[chosen]] = True
    return [
        " | ".join(found.tastings[at] for at in np.flatnonzero(met[row]))
        for row in np.flatnonzero(rows)
    ]
