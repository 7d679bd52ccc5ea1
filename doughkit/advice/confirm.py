"""Confirming: fresh doughs of the recommendation and of the best so far, judged by themselves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.advice.rounds import laid_out, next_number, require_counts
from doughkit.advice.targets import Target, read_wanted
from doughkit.advice.weighing import require_tables, weigh
from doughkit.fitting.design import checked_level
from doughkit.tables.problems import problem_error, require_columns, so_many
from doughkit.texture.result import t_times
from doughkit.trials.rounds import Round

OTHER = "best so far"


def confirming_round(
    tables: Mapping[str, pd.DataFrame],
    *,
    doughs_each: int = 2,
    pieces_per_dough: int = 2,
    goal: str = "distance",
    seed: int,
) -> Round:
    """Plan fresh doughs of the recommendation beside fresh doughs of the best baked so far.

    Question: does the recommendation hold, and is it better than what we have?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        A study, as `recommend` takes it.
    doughs_each : int
        Fresh doughs of each; one alone can't be told from its own batch.
    pieces_per_dough : int
        Pieces of each dough, all baked alike.
    goal : str
        As in `recommend`.
    seed : int
        Draws the surfaces and the order of mixing.

    Returns
    -------
    Round: unpacks to (doughs, pieces), role "recommended" or "best so far". If the best baked is
    the recommendation itself, only that is mixed.

    Raises
    ------
    StudyProblems as `recommend`, or if a count is below 1.

    Range: as `recommend`. Taste them blind, with the reference if there is one.
    Source: a choice made from data is judged on other data: common sense of trials.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0], "step": [0.5],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEF"), "kind": "test", "round": 1,
    ...     "salt_pct": [1.0, 1.0, 1.5, 2.0, 3.0, 3.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcdef"), "dough": list("ABCDEF"),
    ...     "droop_mm": [9.0, 9.2, 8.1, 7.2, 5.1, 4.9]})
    >>> targets = pd.DataFrame({"attribute": ["droop_mm"], "aim": [6.0]})
    >>> planned = confirming_round({"factors": factors, "doughs": doughs, "pieces": pieces,
    ...     "targets": targets}, seed=1)
    >>> planned.doughs.groupby("role")["salt_pct"].agg(list).to_dict()
    {'best so far': [3.0, 3.0], 'recommended': [2.5, 2.5]}
    """
    require_counts(doughs_each=doughs_each, pieces_per_dough=pieces_per_dough)
    weighed = weigh(tables, goal=goal, seed=seed)
    best = weighed.search.best
    tested = weighed.baked[weighed.found.design["kind"].eq("test").to_numpy()]
    baked = tested if len(tested) else weighed.baked
    other = baked[weighed.drawn.goals(baked).mean(axis=0).argmin()]
    both = [(best, "recommended")]
    both += [] if (other == best).all() else [(other, OTHER)]
    rows = [one for one in both for _ in range(doughs_each)]
    order = np.random.default_rng([seed, 4]).permutation(len(rows))
    places = [np.repeat(rows[at][0][None], pieces_per_dough, axis=0) for at in order]
    number = next_number(tables["doughs"])
    plan = laid_out(weighed, places, [rows[at][1] for at in order], number)
    note = "Judge on these doughs alone: code them, and taste the reference beside them."
    return Round(*plan, notes=(note,))


@dataclass(frozen=True, eq=False)
class Confirmation:
    """What fresh doughs say by themselves.

    against_wanted : attribute, found, se, df, ci_low, ci_high, ci_level, scope, low, aim, high,
        verdict ("inside", "outside" or "can't be told"): the recommendation against the range
        wanted, doughs as error
    against_best : attribute, recommended, best_so_far, difference, ci_low, ci_high, df, p,
        ci_level, scope; a last row "goal" is the distance from all that is wanted
    doughs : dough, role, goal, then the mean of each attribute
    """

    against_wanted: pd.DataFrame
    against_best: pd.DataFrame
    doughs: pd.DataFrame
    sentences: tuple[str, ...]

    def summary(self) -> str:
        """The verdict."""
        return " ".join(self.sentences)


def confirm(
    tables: Mapping[str, pd.DataFrame],
    *,
    round: int,
    goal: str = "distance",
    level: float = 0.90,
) -> Confirmation:
    """Judge the recommendation by its fresh doughs alone.

    Question: did the recommendation hold, and was it better than the best so far?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        The study with the confirming round baked and tasted.
    round : int
        The number of that round; its doughs have role "recommended" or "best so far".
    goal : str
        As in `recommend`.
    level : float
        Share of intervals that should hold.

    Returns
    -------
    Confirmation: against_wanted, against_best, doughs, `summary`. Doughs are the unit: every mean
    is of dough means, every interval is a t interval from how doughs of one formula differ, so it
    speaks of the formula, not of one batch. With `like` the reference of the same tastings is taken
    off. No surface and no assumption enters.

    Raises
    ------
    StudyProblems as `recommend`, or if the round has no rated dough of the recommendation, or the
    reference was not tasted in it.

    Range: with two doughs of each an interval rests on 2 degrees of freedom and is wide; a
    difference of a point is found about 4 times in 10, with four doughs of each 7 times. Scope:
    this panel.

    Source: Student's t on dough means.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCD"), "kind": "test", "round": 2,
    ...     "role": ["recommended"] * 2 + ["best so far"] * 2, "salt_pct": [2.5, 2.5, 2.0, 2.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcd"), "dough": list("ABCD"),
    ...     "droop_mm": [6.1, 6.2, 7.2, 7.1]})
    >>> targets = pd.DataFrame({"attribute": ["droop_mm"], "low": [5.0], "high": [7.0]})
    >>> found = confirm({"factors": factors, "doughs": doughs, "pieces": pieces,
    ...     "targets": targets}, round=2)
    >>> found.against_wanted[["found", "verdict"]].values.tolist()
    [[6.15, 'inside']]
    """
    level = checked_level(level)
    require_tables(tables)
    found, targets = _dough_means(tables, round, goal)
    wanted_of = _against_wanted(found, targets, level)
    best_of = _against_best(found, targets, level)
    return Confirmation(wanted_of, best_of, found, tuple(_verdict(wanted_of, best_of, found)))


def _dough_means(tables, number: int, goal: str):
    doughs = tables["doughs"]
    require_columns(doughs, "round", "role", table="doughs")
    wanted = read_wanted(tables, goal)
    own = doughs[doughs["round"].eq(number) & doughs["role"].isin(["recommended", OTHER])]
    values = wanted.values.merge(tables["pieces"][["piece", "dough"]], on="piece")
    mine = values[values["dough"].isin(own["dough"])].dropna(subset=["mean"])
    table = mine.groupby(["dough", "attribute"])["mean"].mean().unstack()
    names = [one.attribute for one in wanted.targets]
    table = table.reindex(columns=names).dropna()
    role = own.set_index("dough")["role"].reindex(table.index)
    if not role.eq("recommended").any():
        raise problem_error(
            "doughs",
            key=f"round {number}",
            found="no dough of role recommended with a value of every target",
            expected="fresh doughs of the recommendation, baked and tasted",
            mend="plan them with confirming_round, bake and taste them first",
        )
    references = {
        one.attribute: _reference(values, mine, doughs, one.attribute, number)
        for one in wanted.targets
        if one.like
    }
    arrays = {name: table[name].to_numpy()[None] for name in names}
    goals = wanted.goal(arrays, {name: np.array([ref]) for name, ref in references.items()})[0]
    frame = table.reset_index()
    frame.insert(1, "role", role.to_numpy())
    frame.insert(2, "goal", goals)
    shifted = [(one, references.get(one.attribute, 0.0)) for one in wanted.targets]
    return frame, shifted


def _reference(values, mine, doughs, attribute: str, number: int) -> float:
    """The reference's mean in the tastings of these doughs."""
    chosen = doughs.loc[doughs["kind"].eq("reference"), "dough"]
    rows = values[values["dough"].isin(chosen) & values["attribute"].eq(attribute)]
    if "tasting" in rows and mine["tasting"].notna().any():
        rows = rows[rows["tasting"].isin(mine["tasting"].dropna()) | rows["tasting"].isna()]
    if rows["mean"].notna().sum() == 0:
        raise problem_error(
            "servings",
            key=f"round {number}, attribute {attribute}",
            found="no value of the reference beside these doughs",
            expected="the reference tasted in the same sitting",
            mend="taste it beside them, or write low, aim, high into the targets",
        )
    return float(rows["mean"].mean())


def _against_wanted(found: pd.DataFrame, targets: list[tuple[Target, float]], level: float):
    own = found[found["role"].eq("recommended")]
    rows = []
    for target, shift in targets:
        values = own[target.attribute].to_numpy(float)
        df = len(values) - 1
        se = values.std(ddof=1) / np.sqrt(len(values)) if df else np.nan
        half = float(t_times(level, df)) * se
        low, high = (getattr(target, end) + shift for end in ("low", "high"))
        row = {"attribute": target.attribute, "found": values.mean(), "se": se, "df": float(df)}
        row |= {"ci_low": values.mean() - half, "ci_high": values.mean() + half}
        row |= {"ci_level": level, "scope": "this_panel", "low": low, "aim": target.aim + shift}
        row |= {"high": high, "verdict": _where(row["ci_low"], row["ci_high"], low, high)}
        rows.append(row)
    return pd.DataFrame(rows)


def _where(ci_low: float, ci_high: float, low: float, high: float) -> str:
    """Where an interval lies against the range wanted; an aim alone has no range to be inside."""
    low = -np.inf if np.isnan(low) else low
    high = np.inf if np.isnan(high) else high
    if ci_high < low or ci_low > high:
        return "outside"
    bounded = np.isfinite(low) or np.isfinite(high)
    return "inside" if bounded and low <= ci_low and ci_high <= high else "can't be told"


def _against_best(found: pd.DataFrame, targets, level: float) -> pd.DataFrame:
    names = [target.attribute for target, _ in targets]
    groups = [found[found["role"].eq(role)] for role in ("recommended", OTHER)]
    rows = []
    for name in [*names, "goal"]:
        one, other = (group[name].to_numpy(float) for group in groups)
        df = len(one) + len(other) - 2
        enough = min(len(one), len(other)) > 0
        row = {"attribute": name, "recommended": one.mean()}
        row["best_so_far"] = other.mean() if enough else np.nan
        row["difference"] = row["recommended"] - row["best_so_far"]
        squares = sum(((each - each.mean()) ** 2).sum() for each in (one, other) if len(each))
        se = np.nan
        if enough and df > 0:
            se = np.sqrt(squares / df * (1 / len(one) + 1 / len(other)))
        half = float(t_times(level, df)) * se if df > 0 else np.nan
        row |= {"ci_low": row["difference"] - half, "ci_high": row["difference"] + half}
        with np.errstate(divide="ignore", invalid="ignore"):
            p = 2 * stats.t.sf(abs(row["difference"] / se), df) if df > 0 else np.nan
        rows.append(row | {"df": float(df), "p": p, "ci_level": level, "scope": "this_panel"})
    return pd.DataFrame(rows)


def _verdict(wanted_of, best_of, found: pd.DataFrame) -> list[str]:
    count = int(found["role"].eq("recommended").sum())
    lines = [f"By {so_many(count, 'fresh dough')} alone:"]
    for word in ("inside", "outside", "can't be told"):
        names = wanted_of.loc[wanted_of["verdict"].eq(word), "attribute"]
        if len(names):
            said = {"inside": "inside what is wanted", "outside": "outside it"}.get(
                word, "can't be told yet"
            )
            lines.append(f"{', '.join(names)}: {said}.")
    goal = best_of.iloc[-1]
    if np.isfinite(goal["difference"]):
        better = "nearer to" if goal["difference"] < 0 else "farther from"
        sure = goal["ci_high"] < 0 or goal["ci_low"] > 0
        lines.append(
            f"It lies {abs(goal['difference']):.2f} {better} what is wanted than the best so far"
            + ("." if sure else ", a difference that these doughs can't tell from none.")
        )
    if count < 2:
        lines.append("One dough can't be told from its batch: mix it again.")
    return lines
