"""The bake days of a round: doughs spread over evenings that fit, each day's order drawn."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns, require_unique, so_many
from doughkit.tables.register import TABLES
from doughkit.trials.bench import EVENING_MIN, MOST_SAMPLES, Oven, read_oven
from doughkit.trials.factors import read_factors

TRIED = 200
"""Random ways to split a round into days, of which the one least like the factors is taken."""


def plan_days(
    round,
    oven,
    factors: pd.DataFrame | None = None,
    *,
    every_day: pd.DataFrame | None = None,
    evening_min: float = EVENING_MIN,
    samples: int = MOST_SAMPLES,
    most_doughs: float = np.inf,
    days: int | None = None,
    bake_min: float | None = None,
    seed,
) -> pd.DataFrame:
    """Spread a round over bake days that fit, and draw each day's bake order.

    Question: which doughs on which evening, and in which order into the oven?

    Parameters
    ----------
    round : Round, or (doughs, pieces)
        The planned round; its pieces need bake_min, if it is not given below. Where they have
        their bake_day already (as `plan_optimal` gives it where something is set once a day),
        that is kept.
    oven : row, mapping or one-row DataFrame
        Of the table `ovens`: preheat_min, gap_min, pieces_per_bake.
    factors : DataFrame, optional
        Table `factors`; needed where something is set once a day, say the oven's temperature: each
        day then has one level of it, each level two days or more as far as doughs go round.
    every_day : DataFrame, optional
        Doughs of which one piece is tasted each day: dough, bake_min and other piece factors. An
        empty bake_min: not baked here (the reference). Left out, room is kept for one baked
        control and one reference. They need their own rows in the table `doughs`.
    evening_min : float
        Minutes from oven on to the last piece out.
    samples : int
        Samples a person tastes at a sitting, control and reference included.
    most_doughs : float
        Doughs that mixer and fridge hold for one bake day, those of every day included.
    days : int, optional
        Evenings there are; left out, as many as it takes.
    bake_min : float, optional
        Bake time of every piece [min] where the plan has none, since the bake time is no factor.
    seed : int or Generator
        Draws days and orders.

    Returns
    -------
    DataFrame: piece, dough, bake_day (R1D1 …), bake_order, oven, then the piece factors, in
    baking order. Pieces with one bake_order share the oven. A dough's pieces are baked on one
    day, the second pieces in the reverse order of the first, so that no dough is early on the
    whole; which of a dough's bakes comes first changes from dough to dough. Of 200 random splits
    into days the one is taken in which days travel least with the factors.

    Raises
    ------
    StudyProblems if one dough does not fit an evening, or all do not fit `days`: with the numbers
    and with what would fit.

    Range: one oven, one pair of hands.
    Source: by definition; randomisation within days, days as blocks.

    >>> from doughkit.trials.catalogue import plan_two_level
    >>> factors = pd.DataFrame({"factor": ["hydration_pct", "salt_pct", "bake_min"],
    ...     "low": [54, 1.6, 5], "high": [70, 2.6, 8], "changed_per": ["dough", "dough", "piece"]})
    >>> first = plan_two_level(factors, seed=1)
    >>> days = plan_days(first, {"preheat_min": 60, "gap_min": 5}, seed=2)
    >>> days.groupby("bake_day")["dough"].nunique().to_dict()
    {'R1D1': 3, 'R1D2': 3}
    """
    doughs, pieces = round
    if bake_min is not None and "bake_min" not in pieces.columns:
        pieces = pieces.assign(bake_min=float(bake_min))
    require_unique(pieces, "piece", table="pieces")
    require_columns(pieces, "dough", "bake_min", table="pieces")
    one = read_oven(oven)
    draw = np.random.default_rng(seed)
    fitting = _doughs_a_day(pieces, one, every_day, evening_min, samples)
    fitting = _on_the_bench(fitting, every_day, most_doughs)
    names = doughs.loc[doughs["dough"].isin(pieces["dough"]), "dough"].to_numpy()
    groups = _alike_by_day(names, pieces, factors)
    given = _days_given(pieces, fitting)
    counts = [-(-len(group) // fitting) for group in groups]
    if len(groups) > 1:
        counts = [
            max(count, min(2, len(group))) for count, group in zip(counts, groups, strict=True)
        ]
    needed = sum(counts) if given is None else len(given)
    if days is not None and needed > days:
        raise problem_error(
            "plan",
            column="days",
            found=f"{so_many(len(names), 'dough')} for {so_many(days, 'evening')}",
            expected=f"{so_many(fitting, 'dough')} an evening, {so_many(needed, 'evening')}",
            mend=f"bake on {so_many(needed, 'evening')}, "
            f"or plan {so_many(fitting * days, 'dough')}",
        )
    if given is None:
        split = [
            part
            for group, count in zip(groups, counts, strict=True)
            for part in _split(doughs, group, count, draw)
        ]
        split = split if len(groups) == 1 else [split[at] for at in draw.permutation(len(split))]
        number = int(doughs["round"].min()) if "round" in doughs.columns else 1
        given = {f"R{number}D{place}": part for place, part in enumerate(split, start=1)}
    parts = [
        _one_day(pieces[pieces["dough"].isin(part)], every_day, day, one, draw)
        for day, part in given.items()
    ]
    planned = pd.concat(parts, ignore_index=True)
    first = ["piece", "dough", "bake_day", "bake_order", "oven"]
    return planned[[*first, *(name for name in planned if name not in first)]]


def _days_given(pieces: pd.DataFrame, fitting: int) -> dict[str, np.ndarray] | None:
    """The doughs of each bake day, where the plan names it for every piece."""
    if "bake_day" not in pieces.columns or pieces["bake_day"].isna().any():
        return None
    found = {day: part["dough"].unique() for day, part in pieces.groupby("bake_day", sort=False)}
    full = {day: len(part) for day, part in found.items() if len(part) > fitting}
    if full:
        raise problem_error(
            "pieces",
            key=f"bake day {next(iter(full))}",
            column="bake_day",
            found=f"{max(full.values())} doughs on a day",
            expected=f"at most {fitting}, which fit an evening",
            mend=f"plan with doughs_per_day={fitting}, or leave bake_day out",
        )
    return found


def _alike_by_day(names: np.ndarray, pieces: pd.DataFrame, factors) -> list[np.ndarray]:
    """The doughs that may share a day: those with the same levels of what is set once a day."""
    daily = [] if factors is None else [one.name for one in read_factors(factors, per="day")]
    if not daily:
        return [names]
    require_columns(pieces, *daily, table="pieces")
    levels = pieces.drop_duplicates(["dough", *daily]).set_index("dough")[daily]
    if levels.index.has_duplicates:
        twice = levels.index[levels.index.duplicated()][0]
        raise problem_error(
            "pieces",
            key=f"dough {twice}",
            column=daily[0],
            found="several levels in one dough",
            expected="one level, since it is set once a day and a dough is baked on one day",
            mend="mix a dough for each level",
        )
    return [part.index.to_numpy() for _, part in levels.loc[names].groupby(daily, sort=False)]


def _doughs_a_day(pieces, oven: Oven, every_day, evening_min, samples) -> int:
    """How many doughs fit an evening, each counted as the one that takes longest."""
    if every_day is None:
        beside, tasted = [pieces["bake_min"].max()], 2
    else:
        require_columns(every_day, "dough", "bake_min", table="every_day")
        beside, tasted = list(every_day["bake_min"].dropna()), len(every_day)
    by_dough = pieces.groupby("dough")["bake_min"].apply(list)
    longest = max(by_dough, key=lambda bakes: (sum(bakes), len(bakes)))
    most = int(by_dough.map(len).max())

    def minutes(doughs: int) -> float:
        return oven.preheat_min + _oven_minutes([*longest * doughs, *beside], oven)

    fitting = 0
    while minutes(fitting + 1) <= evening_min and (fitting + 1) * most + tasted <= samples:
        fitting += 1
    if not fitting:
        raise problem_error(
            "plan",
            found=f"one dough with {most} pieces and what is tasted beside it: "
            f"{minutes(1):g} min, {most + tasted} samples",
            expected=f"at most {evening_min:g} min and {samples} samples",
            mend=f"allow {minutes(1):g} min and {most + tasted} samples, or bake fewer pieces a "
            "dough",
        )
    return fitting


def _on_the_bench(fitting: int, every_day, most_doughs: float) -> int:
    """The same within what mixer and fridge hold."""
    beside = 1 if every_day is None else int(every_day["bake_min"].notna().sum())
    if most_doughs - beside < 1:
        raise problem_error(
            "plan",
            column="most_doughs",
            found=f"{beside} baked every day and room for {so_many(most_doughs, 'dough')}",
            expected=f"room for {beside + 1} doughs or more",
            mend="mix in two turns, or make room in the fridge",
        )
    return int(min(fitting, most_doughs - beside))


def _oven_minutes(bakes: list[float], oven: Oven) -> float:
    """Minutes of all loads, pieces with the same bake sharing the oven as far as it holds them."""
    times, counts = np.unique(bakes, return_counts=True)
    return float((-(-counts // oven.at_once) * (times + oven.gap_min)).sum())


def _split(doughs: pd.DataFrame, names: np.ndarray, days: int, draw) -> list[np.ndarray]:
    """Doughs of each day: of many random splits the one whose days differ least in the factors."""
    levels = doughs.set_index("dough").loc[names]
    levels = levels[[name for name in levels if name not in TABLES["doughs"].names]]
    columns = pd.get_dummies(levels).to_numpy(float)
    spread = columns.std(axis=0)
    columns = (columns - columns.mean(axis=0))[:, spread > 0] / spread[spread > 0]
    best, least = None, np.inf
    for _ in range(TRIED):
        split = np.array_split(draw.permutation(len(names)), days)
        unlike = sum(len(part) * (columns[part].mean(axis=0) ** 2).sum() for part in split)
        if unlike < least - 1e-9:
            best, least = split, unlike
    return [names[part] for part in best]


def _one_day(today, every_day, day: str, oven: Oven, draw) -> pd.DataFrame:
    """The day's pieces in the order in which they go into the oven."""
    order = _passes(today, draw)
    beside = pd.DataFrame(columns=["piece"])
    if every_day is not None:
        beside = every_day.assign(piece=every_day["dough"].astype(str) + "-" + day)
        for place in np.flatnonzero(beside["bake_min"].notna()):
            spot = int(draw.integers(len(order) + 1))
            order = pd.concat([order.iloc[:spot], beside.iloc[[place]], order.iloc[spot:]])
        beside = beside[beside["bake_min"].isna()]
    baked = order.assign(bake_order=_loads(order["bake_min"].to_numpy(float), oven.at_once))
    baked = baked.assign(oven=oven.name).sort_values("bake_order", kind="stable")
    if len(beside):
        baked = pd.concat([baked, beside.assign(bake_order=np.nan)])
    return baked.assign(bake_day=day)


def _passes(today: pd.DataFrame, draw) -> pd.DataFrame:
    """First pieces in a drawn order of doughs, second pieces in reverse, and so on."""
    groups = [part for _, part in today.groupby("dough", sort=False)]
    groups = [groups[place] for place in draw.permutation(len(groups))]
    most = max(len(part) for part in groups)
    turns = draw.permutation((np.arange(len(groups)) + draw.integers(most)) % most)
    rows = []
    for number in range(most):
        this_pass = [
            part.iloc[[(number + turn) % len(part)]]
            for part, turn in zip(groups, turns, strict=True)
            if number < len(part)
        ]
        rows += this_pass[::-1] if number % 2 else this_pass
    return pd.concat(rows)


def _loads(bakes: np.ndarray, at_once: int) -> np.ndarray:
    """Number of the load of each piece: the next piece takes along later ones of its bake time."""
    load = np.zeros(len(bakes))
    number = 0
    for place in range(len(bakes)):
        if load[place] == 0:
            number += 1
            along = [
                p for p in range(place, len(bakes)) if not load[p] and bakes[p] == bakes[place]
            ]
            load[along[:at_once]] = number
    return load
