"""Too little, right, too much: how many said so, and what it costs in liking."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.panel.scored import RATED, score
from doughkit.tables.problems import nearest, problem_error, require_columns, require_unique

ANSWERS = ("too little", "right", "too much")


def just_about_right(
    ratings: pd.DataFrame,
    servings: pd.DataFrame,
    pieces: pd.DataFrame,
    attributes: pd.DataFrame,
    *,
    liking: str | None = None,
    level: float = 0.90,
) -> pd.DataFrame:
    """Count who found each dough's attribute too little, right or too much, and the drop in liking.

    Question: in which direction is a dough off, and does that matter to those who say so?

    Parameters
    ----------
    ratings : DataFrame
        serving, attribute, score.
    servings : DataFrame
        serving, tasting, assessor, piece, repeat.
    pieces : DataFrame
        piece, dough.
    attributes : DataFrame
        attribute, kind, low, high; those of kind "just about right" are read, the middle of their
        scale being right.
    liking : str, optional
        The attribute that says how well the portion is liked; left out: the one of kind liking.
    level : float
        Level of the intervals, 0.90 unless said.

    Returns
    -------
    DataFrame, a row per attribute, dough and answer (too little, right, too much): attribute,
        dough, answer, answers (portions), people, share_pct (of the dough's answers), liking
        (mean over people), drop (liking of those who say right, less this group's), se, df,
        ci_low, ci_high, ci_level, scope. An empty cell: nobody, or one person, which gives no
        interval.

    Raises
    ------
    StudyProblems: tables that don't fit, no attribute of that kind, or no liking to be found.

    Range: with a dozen people a group of a fifth is two or three: read counts and direction; there
        is no p on purpose. That those who miss salt like a dough less does not say that salt would
        mend it. A person with several portions counts once in a group, with his mean.

    Source: Rothman and Parker, Just-About-Right Scales, ASTM MNL63, 2009 (from memory); intervals:
        Welch, Biometrika 34, 1947, 28-35.

    >>> import pandas as pd
    >>> pieces = pd.DataFrame({"piece": ["A1"], "dough": ["A"]})
    >>> servings = pd.DataFrame({"serving": list("12345"), "tasting": "T1", "piece": "A1",
    ...                          "assessor": ["Ann", "Bo", "Cy", "Di", "Ed"]})
    >>> ratings = pd.DataFrame({"serving": list("12345") * 2,
    ...     "attribute": ["salt"] * 5 + ["liked"] * 5, "score": [2.0, 3, 3, 1, 3, 5, 7, 8, 4, 7]})
    >>> attributes = pd.DataFrame({"attribute": ["salt", "liked"], "low": [1.0, 1],
    ...     "high": [5.0, 9], "kind": ["just about right", "liking"]})
    >>> found = just_about_right(ratings, servings, pieces, attributes)
    >>> found[["answer", "people", "drop"]].round(2).values.tolist()
    [['too little', 2, 2.83], ['right', 3, 0.0], ['too much', 0, nan]]
    """
    require_columns(attributes, "attribute", "kind", "low", "high", table="attributes")
    require_unique(attributes, "attribute", table="attributes")
    liking = _liking(attributes, liking)
    asked = attributes[attributes["kind"] == "just about right"]
    if asked.empty:
        raise problem_error(
            "attributes",
            column="kind",
            found="no attribute of kind just about right",
            expected="at least one",
            mend="mark it in the table attributes",
        )
    data = score(ratings, servings, pieces, adjust_for=[])
    scored = data.frame.rename(columns={RATED + name: name for name in data.attributes})
    if liking not in data.attributes:
        scored[liking] = np.nan
    rows = []
    for one in asked[asked["attribute"].isin(data.attributes)].itertuples():
        side = np.sign(scored[one.attribute] - (one.low + one.high) / 2)
        here = scored.assign(side=side)[scored[one.attribute].notna()]
        for dough, part in here.groupby("dough", sort=False):
            rows += _of_dough(one.attribute, dough, part, liking, level)
    found = pd.DataFrame(rows)
    return found.assign(ci_level=level, scope="people_like_these")


def _liking(attributes: pd.DataFrame, name: str | None) -> str:
    liked = attributes.loc[attributes["kind"] == "liking", "attribute"].tolist()
    if name is None and len(liked) == 1:
        return liked[0]
    if name in attributes["attribute"].tolist():
        return name
    raise problem_error(
        "attributes",
        column="kind",
        found=f"'{name}'" if name else f"{len(liked)} attributes of kind liking",
        expected="one attribute that says how well a portion is liked",
        mend=nearest(name, attributes["attribute"]) if name else "name it with liking=...",
    )


def _of_dough(attribute: str, dough: str, part: pd.DataFrame, liking: str, level: float) -> list:
    groups = [
        part.loc[part["side"] == side].groupby("assessor")[liking].mean().dropna().to_numpy()
        for side in (-1, 0, 1)
    ]
    right = groups[1]
    rows = []
    for side, answer, group in zip((-1, 0, 1), ANSWERS, groups, strict=True):
        chosen = part["side"] == side
        rows.append(
            {
                "attribute": attribute,
                "dough": dough,
                "answer": answer,
                "answers": int(chosen.sum()),
                "people": int(part.loc[chosen, "assessor"].nunique()),
                "share_pct": 100 * chosen.mean(),
                "liking": group.mean() if group.size else np.nan,
                **_drop(right, group, level, same=side == 0),
            }
        )
    return rows


def _drop(right: np.ndarray, group: np.ndarray, level: float, *, same: bool) -> dict[str, float]:
    drop = right.mean() - group.mean() if right.size and group.size else np.nan
    se = df = half = np.nan
    if not same and min(right.size, group.size) > 1:
        parts = np.array([one.var(ddof=1) / one.size for one in (right, group)])
        se = float(np.sqrt(parts.sum()))
        if se > 0:
            df = float(
                se**4 / (parts[0] ** 2 / (right.size - 1) + parts[1] ** 2 / (group.size - 1))
            )
            half = stats.t.ppf((1 + level) / 2, df) * se
    return {"drop": drop, "se": se, "df": df, "ci_low": drop - half, "ci_high": drop + half}
