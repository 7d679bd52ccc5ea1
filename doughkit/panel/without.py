"""Leaving a taster out: only with a reason, and never without the answer of everyone beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from doughkit.panel.doughs import compare_doughs, p_words
from doughkit.tables.problems import Problem, StudyProblems, nearest, require_columns
from doughkit.tables.register import as_sentence

EVERYONE = "everyone"


@dataclass(frozen=True)
class WithAndWithout:
    """The answer of everyone, and the answer without those left out.

    tests, means: as of `compare_doughs`, with panel ("everyone" or "without ...") after
        attribute.
    reasons: assessor, reason.
    """

    tests: pd.DataFrame
    means: pd.DataFrame
    reasons: pd.DataFrame

    def summary(self) -> str:
        """Both answers per attribute, and whether leaving out changes one."""
        said, changed = [], []
        for attribute, rows in self.tests.groupby("attribute", sort=False):
            of = dict(zip(rows["panel"], rows["p"], strict=True))
            parts = [f"{panel} {p_words(p)}" for panel, p in of.items()]
            said.append(f"in {attribute} {', '.join(parts)}")
            if len({p <= 0.05 for p in of.values()}) > 1:
                changed.append(attribute)
        why = "; ".join(f"{row.assessor} ({row.reason})" for row in self.reasons.itertuples())
        text = f"Left out: {why}. {as_sentence('; '.join(said))}. "
        if changed:
            return text + f"The answer changes in {', '.join(changed)}: give both."
        return text + "No answer changes."


def with_and_without(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    *,
    left_out: Mapping[str, str],
    level: float = 0.90,
) -> WithAndWithout:
    """Compare batches with everyone and without some tasters, side by side.

    Question: does the answer hang on one taster?

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat.
    pieces : DataFrame
        piece, dough.
    left_out : dict
        assessor → reason, one that was known before the scores were read ("head cold, said at the
        door").
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    WithAndWithout: tests, means (as `compare_doughs`, with panel after attribute), reasons
        (assessor, reason), summary(). Everyone's answer always stands first.

    Raises
    ------
    StudyProblems: no name, an unknown name, no reason, or what `compare_doughs` refuses.

    Range: a taster who repeats badly widens everyone's interval; leaving that one out after the
        scores were seen narrows it falsely.

    Source: by definition of this library; sensitivity as ISO 13299 asks the report to say who was
        left out and when that was decided (from memory).

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": ["A1", "B1"], "dough": ["A", "B"]})
    >>> servings = pd.DataFrame(
    ...     [(f"{who}{piece}", "T1", who, piece) for who in ("Ann", "Bo", "Cy")
    ...      for piece in ("A1", "B1")], columns=["serving", "tasting", "assessor", "piece"])
    >>> ratings = servings[["serving"]].assign(attribute="chew", score=[3.0, 5, 2, 5, 6, 5])
    >>> with_and_without(ratings, servings, pieces, left_out={"Cy": "head cold"}).summary()
    'Left out: Cy (head cold). In chew everyone p 0.383, without Cy p 0.126. No answer changes.'
    """
    require_columns(servings, "assessor", "serving", table="servings")
    _refuse(left_out, servings)
    stay = servings[~servings["assessor"].isin(list(left_out))]
    panels = {
        EVERYONE: (ratings, servings),
        f"without {', '.join(left_out)}": (
            ratings[~ratings["serving"].isin(set(servings["serving"]) - set(stay["serving"]))],
            stay,
        ),
    }
    tests, means = [], []
    for name, (scores, served) in panels.items():
        found = compare_doughs(scores, served, pieces, level=level)
        for frames, frame in ((tests, found.tests), (means, found.means)):
            frame.insert(1, "panel", name)
            frames.append(frame)
    reasons = pd.DataFrame({"assessor": list(left_out), "reason": list(left_out.values())})
    return WithAndWithout(
        pd.concat(tests, ignore_index=True), pd.concat(means, ignore_index=True), reasons
    )


def _refuse(left_out: Mapping[str, str], servings: pd.DataFrame) -> None:
    people = servings["assessor"].unique().tolist()
    problems = [
        Problem(
            "options",
            column="left_out",
            found=f"no reason for {name}",
            expected="why, as it was known before the scores were read",
            mend="give the reason, or keep everyone in",
        )
        for name, reason in left_out.items()
        if not isinstance(reason, str) or not reason.strip()
    ]
    problems += [
        Problem(
            "options",
            column="left_out",
            found=f"'{name}'",
            expected="an assessor of the servings",
            mend=nearest(name, people) or f"one of {', '.join(map(str, people))}",
        )
        for name in left_out
        if name not in people
    ]
    if not left_out:
        problems.append(
            Problem(
                "options",
                column="left_out",
                found="nobody",
                expected="at least one assessor with a reason",
                mend="compare the doughs with everyone",
            )
        )
    if problems:
        raise StudyProblems(problems)
