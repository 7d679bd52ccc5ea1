"""From wanted levels to a round: steps kept, limits held, mixing order drawn, pieces crossed in."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems, problem_error
from doughkit.trials.coding import to_steps
from doughkit.trials.factors import Factor, factors_per, in_words, read_factors
from doughkit.trials.limits import check_limits, settable
from doughkit.trials.rounds import ROUNDED, Round, dough_names

FAILED = "failed"


@dataclass(frozen=True)
class Kitchen:
    """What every plan shares: the factors, their limits, pieces a dough, the draw."""

    factors: pd.DataFrame
    limits: pd.DataFrame | None
    pieces_per_dough: int
    draw: np.random.Generator

    def per(self, level: str) -> list[Factor]:
        """Factors of this level; what is set once a day is planned as if it were of the dough."""
        levels = ("dough", "day") if level == "dough" else (level,)
        return [one for one in read_factors(self.factors) if one.changed_per in levels]


def open_kitchen(factors, limits, pieces_per_dough: int, seed, *, by_day=False) -> Kitchen:
    """Check what can be checked before a plan is laid."""
    draw = np.random.default_rng(seed)
    kitchen = Kitchen(factors, limits, pieces_per_dough, draw)
    daily = kitchen.per("day")
    if daily and not by_day:
        raise problem_error(
            "factors",
            key=f"factor {daily[0].name}",
            column="changed_per",
            found="changed per day",
            expected="dough or piece",
            mend="let plan_optimal add days to what was baked (pieces=, doughs_per_day=), or leave "
            "it out of these factors",
        )
    if len(kitchen.per("dough")) == len(daily):
        raise problem_error(
            "factors",
            column="changed_per",
            found="no factor changed per dough",
            expected="at least one",
            mend="one dough baked in several ways needs no plan: bake each way in random order",
        )
    return kitchen


def once_a_day(kitchen: Kitchen) -> list[str]:
    """What must be heeded where a plan does not lay out the days itself."""
    return [
        f"{in_words(one.name)} is set once a day: bake each level on two days or more."
        for one in kitchen.per("day")
    ]


def at_sign(factor: Factor, sign: float):
    """The level at −1 … +1; of a category, its first level below 0 and its second above."""
    if factor.levels:
        return factor.levels[0] if sign < 0 else factor.levels[1]
    return factor.middle + sign * factor.half


def wanted_levels(kitchen: Kitchen, signs: np.ndarray, role: str, round_number: int):
    """Levels as wanted, one row per row of `signs`, with role and round."""
    columns = {
        factor.name: [at_sign(factor, sign) for sign in signs[:, place]]
        for place, factor in enumerate(kitchen.per("dough"))
    }
    return pd.DataFrame(columns).assign(role=role, round=round_number)


def centres(kitchen: Kitchen, count: int, round_number: int) -> pd.DataFrame:
    """Centre doughs; a category has no middle, so they take its levels in turn.

    So do they with what is set once a day: a middle would ask for bake days of its own.
    """
    turns = np.where(np.arange(count) % 2, 1.0, -1.0)
    signs = np.column_stack(
        [
            turns if factor.levels or factor.changed_per == "day" else np.zeros(count)
            for factor in kitchen.per("dough")
        ]
    )
    return wanted_levels(kitchen, signs, "centre", round_number)


def assemble(
    kitchen: Kitchen, wanted: pd.DataFrame, notes: list[str], taken=(), own_pieces=None
) -> Round:
    """Draw the mixing order, keep steps and limits, and cross the pieces into every dough.

    A column bake_day of `wanted` (numbers) keeps the doughs of a day together, and goes with the
    pieces. own_pieces: place (of the dough in `wanted`) and levels, if each dough has pieces of
    its own.
    """
    wanted = wanted.reset_index(drop=True).iloc[kitchen.draw.permutation(len(wanted))]
    by_day = ["bake_day"] if "bake_day" in wanted.columns else []
    wanted = wanted.sort_values(["round", *by_day], kind="stable")
    order = wanted.index
    wanted = wanted.reset_index(drop=True)
    factors = factors_per(kitchen.factors, "dough", "day")
    daily = [factor.name for factor in kitchen.per("day")]
    names = list(factors["factor"])
    levels = to_steps(wanted[names], factors)
    dough = [
        name
        for number, rows in wanted.groupby("round")
        for name in dough_names(int(number), len(rows))
    ]
    _refuse_taken(dough, taken)
    dough = pd.Series(dough, dtype="str")
    doughs = pd.DataFrame({"dough": dough, "kind": "test", "round": wanted["round"].astype(float)})
    doughs = doughs.assign(role=wanted["role"], status="planned", **levels)
    if own_pieces is None:
        pieces = cross_pieces(doughs["dough"], kitchen)
    else:
        pieces = _named_pieces(own_pieces, dict(zip(order, dough, strict=True)))
    _hold_limits(doughs, pieces, kitchen)
    moved = _moved(doughs, wanted, names)
    if daily:
        if by_day:
            number = pd.factorize(wanted["bake_day"])[0] + 1
            names_of_days = [
                f"R{one}D{day}" for one, day in zip(wanted["round"], number, strict=True)
            ]
            doughs = doughs.assign(bake_day=names_of_days)
        pieces = pieces.merge(doughs[["dough", *by_day, *daily]], on="dough")
        doughs = doughs.drop(columns=[*by_day, *daily])
    return Round(doughs, pieces, moved, tuple(notes))


def _refuse_taken(dough: pd.Series, taken) -> None:
    twice = sorted(set(dough) & set(taken))
    if twice:
        raise problem_error(
            "doughs",
            key=f"dough {twice[0]}",
            found="a dough of that name in the records",
            expected="a new round's own names",
            mend="give the next round's number as `round`",
        )


def _moved(doughs: pd.DataFrame, wanted: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    rows = [
        (dough, name, asked, level)
        for name in names
        for dough, asked, level in zip(doughs["dough"], wanted[name], doughs[name], strict=True)
        if asked != level and (isinstance(asked, str) or abs(asked - level) > 1e-9)
    ]
    return pd.DataFrame(rows, columns=list(ROUNDED))


def cross_pieces(dough: pd.Series, kitchen: Kitchen) -> pd.DataFrame:
    """Every dough gets the same set of pieces: all low and high levels of the piece factors."""
    levels = _piece_levels(kitchen.per("piece"), kitchen.pieces_per_dough)
    each = levels.assign(place=range(1, len(levels) + 1))
    pieces = pd.DataFrame({"dough": dough}).merge(each, how="cross")
    names = pieces["dough"] + "-" + pieces["place"].astype(str)
    return pd.concat([names.rename("piece"), pieces.drop(columns="place")], axis=1)


def _named_pieces(own: pd.DataFrame, dough: dict[int, str]) -> pd.DataFrame:
    """Each dough's own pieces, in the order of the doughs."""
    pieces = own.assign(dough=own["place"].map(dough).astype("str"))
    pieces = pieces.sort_values("dough", kind="stable", ignore_index=True)
    number = pieces.groupby("dough").cumcount() + 1
    pieces.insert(0, "piece", pieces["dough"] + "-" + number.astype(str))
    rest = [name for name in pieces if name not in ("piece", "dough", "place")]
    return pieces[["piece", "dough", *rest]]


def _piece_levels(factors: list[Factor], pieces_per_dough: int) -> pd.DataFrame:
    names = [factor.name for factor in factors]
    ends = [list(factor.levels) or [factor.low, factor.high] for factor in factors]
    count = int(np.prod([len(levels) for levels in ends]))
    three = pieces_per_dough == 3 and len(factors) == 1 and not factors[0].levels
    if three:
        ends, count = [settable(factors[0], 3)], 3
    if pieces_per_dough < 1 or pieces_per_dough % count:
        raise problem_error(
            "plan",
            column="pieces_per_dough",
            found=f"{pieces_per_dough} pieces a dough for {', '.join(map(in_words, names))}",
            expected=f"{count} or a multiple of it, so that every dough gets every combination",
            mend=f"plan {count} pieces a dough, or leave a piece factor for the next round",
        )
    repeats = pieces_per_dough // count
    combinations = [one for one in product(*ends) for _ in range(repeats)]
    return pd.DataFrame(combinations, columns=names, index=range(pieces_per_dough))


def _hold_limits(doughs: pd.DataFrame, pieces: pd.DataFrame, kitchen: Kitchen) -> None:
    """Refuse a plan with a level outside a limit, naming each such dough by its levels."""
    if kitchen.limits is None or kitchen.limits.empty:
        return
    levels = pieces.merge(doughs, on="dough", suffixes=("", "_of_dough"))
    held = check_limits(levels, kitchen.limits)
    broken = held[~held["met"].astype(bool)]
    names = [factor.name for factor in read_factors(kitchen.factors)]
    problems = {}
    for case in broken.itertuples():
        row = levels.loc[case.row]
        limited = kitchen.limits.loc[kitchen.limits["limit"] == case.limit, "factor"]
        place = ", ".join(
            f"{in_words(name)} {row[name]:g}" for name in names if name in set(limited)
        )
        problems[row["role"], place, case.limit] = Problem(
            "limits",
            key=f"{row['role']} dough at {place}",
            found=f"{case.limit} {case.sum:g}",
            expected=_between(case.low, case.high),
            mend="narrow a factor's low or high, or widen the limit if such a dough can be handled",
        )
    if problems:
        raise StudyProblems(problems.values(), about="the plan")


def _between(low: float, high: float) -> str:
    if np.isnan(low):
        return f"at most {high:g}"
    return f"at least {low:g}" if np.isnan(high) else f"{low:g} to {high:g}"


def same_levels(records: pd.DataFrame, points: pd.DataFrame, factors: list[Factor]) -> np.ndarray:
    """Records × points: True where a recorded dough stands at a planned point.

    Within half a step: what the scale cannot part is one level.
    """
    same = np.ones((len(records), len(points)), dtype=bool)
    for factor in factors:
        have, want = records[factor.name].to_numpy(), points[factor.name].to_numpy()
        if factor.levels:
            same &= have[:, None] == want[None, :]
            continue
        near = max(factor.step / 2, 1e-6 * factor.half)
        apart = np.abs(have.astype(float)[:, None] - want.astype(float)[None, :])
        same &= apart <= near * (1 + 1e-9)
    return same
