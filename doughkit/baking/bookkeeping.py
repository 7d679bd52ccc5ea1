"""The hydration that leaves the same water, by exact bookkeeping when both ends are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

from doughkit.tables.problems import Problem, StudyProblems, problem_error, require_columns
from doughkit.tables.register import label, unit_of

NAMES = ("formula", "dough", "piece", "oven", "bake_day", "bake_min")
"""Columns that name an own bake and are kept beside its bracket."""

HOLDS = ("flour per area", "dough mass per piece")
RULES = ("loss as a share", "loss in grams")
OWN = ("hydration_pct", "dry_pct", "water_pct", "loss_pct", "loss_error_pct")
BY_MOISTURE = ("finished_moisture_pct", "finished_moisture_error_pct")
BY_LOSS = ("dry_pct", "water_pct", "loss_pct", "loss_error_pct")


@dataclass(frozen=True)
class Match:
    """The hydration that leaves the reference's water in one's own oven, as a bracket.

    bracket: one row per own bake and rule: the columns that name the bake, hold, rule,
        water_wanted_pct, hydration_now_pct, hydration_pct, change_pct, hydration_error_pct,
        ci_low, ci_high, ci_level, df, scope, share_from_reference_pct
    finished_moisture_pct: what the reference holds, and its error
    """

    bracket: pd.DataFrame
    finished_moisture_pct: float
    finished_moisture_error_pct: float

    def summary(self) -> str:
        """The bracket of the first own bake in words."""
        names = list(self.bracket.columns[: self.bracket.columns.get_loc("hold")])
        first = self.bracket.iloc[: len(RULES)]
        bake = ", ".join(_named(name, first[name].iloc[0]) for name in names)
        low, high = first["hydration_pct"].min(), first["hydration_pct"].max()
        between = f"{low:.1f} %" if high - low < 0.05 else f"{low:.1f} to {high:.1f} %"
        others = len(self.bracket) // len(RULES) - 1
        return (
            f"To leave as much water as the reference holds ({self.finished_moisture_pct:.1f} % "
            f"moisture){' with ' + bake if bake else ''}: hydration {between}, "
            f"{first['ci_level'].iloc[0] * 100:g} % interval {first['ci_low'].min():.1f} to "
            f"{first['ci_high'].max():.1f} %, holding {first['hold'].iloc[0]}; it is now "
            f"{first['hydration_now_pct'].iloc[0]:.1f} %."
            + (f" {others} more bakes stand in the bracket." if others else "")
            + " The same water is not the same crispness: tasting picks the bake."
        )


def _named(name: str, value) -> str:
    """A column that names a bake, as it is spoken: "bake 8 min"."""
    value = f"{value:g}" if isinstance(value, float) else value
    return f"{label(name).split(' [')[0]} {value} {unit_of(name)}".strip()


def match_weighed(
    own: pd.DataFrame, reference: pd.DataFrame, *, hold: str, level: float = 0.90
) -> Match:
    """Find the hydration that leaves the reference's water, when both ends were weighed.

    Question: my oven takes more; by how much must hydration rise to leave the same water?

    Parameters
    ----------
    own : DataFrame
        One row per own bake: hydration_pct, dry_pct and water_pct of the dough as baked (per 100
        flour), loss_pct and loss_error_pct of its bake. The columns formula, dough, piece, oven,
        bake_day and bake_min are kept as its name, all others are not looked at.
    reference : DataFrame
        One row. Either finished_moisture_pct and finished_moisture_error_pct (a dried sample of
        it); or dry_pct, water_pct, loss_pct, loss_error_pct (its formula and its bake loss).
    hold : str
        What you hold as hydration changes, "flour per area" or "dough mass per piece" (on a fixed
        area). There is no default: it changes the answer.
    level : float
        Level of the interval.

    Returns
    -------
    Match, whose `bracket` has two rows per own bake, one per rule for what another hydration
    loses: "loss as a share" of the dough, or "loss in grams" per piece. With the dough mass per
    piece held the two are one and the same. The truth is expected between them.

    Raises
    ------
    StudyProblems if `hold` is not given as one of the two, a number is missing or impossible, or
    the reference is given in both ways or in neither.

    Range: dry matter is conserved; all loss is water; the own loss was measured near the
    hydration asked for. Same water left is not same crispness.
    Source: mass balance. Water left per 100 flour R = D·w/(1−w), D the own dry matter, w the
    reference's moisture.

    >>> own = pd.DataFrame({"hydration_pct": [60.0], "dry_pct": [89.5], "water_pct": [73.5],
    ...     "loss_pct": [14.0], "loss_error_pct": [0.3]})
    >>> reference = own.assign(loss_pct=8.0)
    >>> match = match_weighed(own, reference, hold="flour per area")
    >>> match.bracket.set_index("rule")["hydration_pct"].round(2).to_dict()
    {'loss as a share': 71.37, 'loss in grams': 69.78}
    """
    way = _check(own, reference, hold, level)
    moisture, moisture_error = _reference_moisture(reference.iloc[0], way)
    names = own[[name for name in NAMES if name in own.columns]].reset_index(drop=True)
    parts = []
    for rule in RULES:
        as_share = rule == RULES[0] or hold == HOLDS[1]  # grams per equal piece are a share
        part = _needed(own, moisture, moisture_error, as_share=as_share)
        parts.append(pd.concat([names.assign(hold=hold, rule=rule), part], axis=1))
    bracket = pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)
    half = norm.ppf((1 + level) / 2) * bracket["hydration_error_pct"]
    interval = {
        "ci_low": bracket["hydration_pct"] - half,
        "ci_high": bracket["hydration_pct"] + half,
        "ci_level": level,
        "df": np.inf,
        "scope": "these weighings",
    }
    bracket = pd.concat([bracket, pd.DataFrame(interval, index=bracket.index)], axis=1)
    share = bracket.pop("share_from_reference_pct")
    return Match(
        bracket.assign(share_from_reference_pct=share), 100 * moisture, 100 * moisture_error
    )


def _needed(own: pd.DataFrame, moisture: float, moisture_error: float, *, as_share: bool):
    """The hydration that leaves the water wanted, by one rule, with its error to first order."""
    dry, water, now, loss, loss_error = (
        own[name].to_numpy(float)
        for name in ("dry_pct", "water_pct", "hydration_pct", "loss_pct", "loss_error_pct")
    )
    loss, loss_error = loss / 100, loss_error / 100
    wanted = dry * moisture / (1 - moisture)
    wanted_error = dry / (1 - moisture) ** 2 * moisture_error
    if as_share:
        needed = (wanted + loss * dry) / (1 - loss)
        by_reference = wanted_error / (1 - loss)
        by_own = loss_error * (dry + needed) / (1 - loss)
    else:
        needed = wanted + loss * (dry + water)
        by_reference, by_own = wanted_error, loss_error * (dry + water)
    error = np.hypot(by_reference, by_own)
    return pd.DataFrame(
        {
            "water_wanted_pct": wanted,
            "hydration_now_pct": now,
            "hydration_pct": now + needed - water,
            "change_pct": needed - water,
            "hydration_error_pct": error,
            "share_from_reference_pct": 100 * _share(by_reference, error),
        }
    )


def _share(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Share of the variance; empty where nothing is uncertain."""
    return np.divide(part**2, whole**2, out=np.full_like(whole, np.nan), where=whole > 0)


def _reference_moisture(row: pd.Series, way: tuple[str, ...]) -> tuple[float, float]:
    """Moisture of the baked reference and its error, as shares."""
    if way == BY_MOISTURE:
        return row[BY_MOISTURE[0]] / 100, row[BY_MOISTURE[1]] / 100
    dry, dough = row["dry_pct"], row["dry_pct"] + row["water_pct"]
    loss, error = row["loss_pct"] / 100, row["loss_error_pct"] / 100
    return 1 - dry / (dough * (1 - loss)), dry / (dough * (1 - loss) ** 2) * error


def _check(own: pd.DataFrame, reference: pd.DataFrame, hold: str, level: float) -> tuple[str, ...]:
    """Refuse what cannot be matched; give the way in which the reference is known."""
    if hold not in HOLDS or not 0 < level < 1:
        raise problem_error(
            "match",
            column="hold",
            found=f"hold {hold!r}, level {level}",
            expected=" or ".join(repr(one) for one in HOLDS) + ", a level between 0 and 1",
            mend="say what is the same on your peel when hydration changes",
        )
    require_columns(own, *OWN, table="own bakes")
    if len(reference) != 1:
        raise problem_error(
            "reference",
            found=f"{len(reference)} rows",
            expected="one row",
            mend="pool its samples first (pooled_moisture)",
        )
    given = reference.columns[reference.notna().iloc[0]]
    ways = [way for way in (BY_MOISTURE, BY_LOSS) if set(way) <= set(given)]
    if len(ways) != 1:
        raise problem_error(
            "reference",
            found=f"columns {', '.join(given)}",
            expected=f"either {', '.join(BY_MOISTURE)}; or {', '.join(BY_LOSS)}",
            mend="give the dried sample, or its formula and loss: not both",
        )
    problems = [
        *number_problems(own, OWN, "own bakes"),
        *number_problems(reference, ways[0], "reference"),
    ]
    if problems:
        raise StudyProblems(problems)
    return ways[0]


def number_problems(frame: pd.DataFrame, names: tuple[str, ...], table: str) -> list[Problem]:
    """Percentages below 0, missing, or at 100 where all would be water or lost."""
    problems = []
    for name in names:
        below = 100 if name in ("loss_pct", "finished_moisture_pct") else np.inf
        values = frame[name].to_numpy(float)
        above = values > 0 if name == "dry_pct" else values >= 0
        for place in np.flatnonzero(~(above & (values < below))):
            bound = f"from 0 to below {below:g}" if np.isfinite(below) else "0 or more"
            problems.append(
                Problem(
                    table,
                    key=f"row {frame.index[place]}",
                    column=name,
                    found=f"{values[place]:g}",
                    expected=f"a number {bound}",
                    mend="give the measured value, with its error as a standard deviation",
                )
            )
    if {"dry_pct", "water_pct", "loss_pct"} <= set(names) and not problems:
        water_share = 100 * frame["water_pct"] / (frame["dry_pct"] + frame["water_pct"])
        problems += [
            Problem(
                table,
                key=f"row {frame.index[place]}",
                column="loss_pct",
                found=f"{frame['loss_pct'].iloc[place]:g} % lost",
                expected=f"at most the dough's water, {water_share.iloc[place]:.1f} %",
                mend="check the weights and the formula",
            )
            for place in np.flatnonzero(frame["loss_pct"] > water_share)
        ]
    return problems
