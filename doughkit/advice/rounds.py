"""The next doughs: the recommendation freshly mixed, and what the doughs so far still lack."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doughkit.advice.search import coded_places
from doughkit.advice.weighing import Weighed, weigh
from doughkit.tables.problems import StudyProblems, problem_error
from doughkit.trials.factors import Factor, factors_per, in_words, read_factors
from doughkit.trials.limits import settable
from doughkit.trials.rounds import Round, dough_names
from doughkit.trials.surface import plan_surface

FRESH = 2
"""Doughs of the recommendation: one alone can't be told from its own day."""


def next_round(
    tables: Mapping[str, pd.DataFrame],
    *,
    doughs_to_add: int | None = None,
    pieces_per_dough: int = 2,
    seed: int,
) -> Round:
    """Plan the next round: fresh doughs of the recommendation and what the doughs still lack.

    Question: what should I bake next?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        A study, as `recommend` takes it.
    doughs_to_add : int, optional
        Doughs in all. Left out: two of the recommendation, and the axial doughs if bends of dough
        factors can't be seen yet. More than that goes to further best guesses, each the best of one
        draw and apart from the others.
    pieces_per_dough : int
        Pieces baked of each dough.
    seed : int
        Draws the order of mixing and the best guesses.

    Returns
    -------
    Round: unpacks to (doughs, pieces); role says "recommended" for fresh doughs and best guesses
    alike, "axial" and "centre" for what is lacking. Of a fresh dough the first piece is baked as
    recommended; the next ones show the middle of a bake time whose bend was not seen yet, else they
    repeat the first.

    Raises
    ------
    StudyProblems as `recommend`, or if `doughs_to_add` or `pieces_per_dough` is below 1.

    Range: as `recommend`.
    Source: central composite rounds, Box and Wilson 1951, J. R. Stat. Soc. B 13, 1; best guesses by
    drawing, W. R. Thompson 1933, Biometrika 25, 285.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0], "step": [0.5],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEFGH"), "kind": "test", "round": 1,
    ...     "salt_pct": [1.0, 1.0, 1.5, 2.0, 2.0, 2.5, 3.0, 3.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcdefgh"), "dough": list("ABCDEFGH"),
    ...     "droop_mm": [9.0, 9.2, 8.1, 7.2, 7.0, 6.2, 5.1, 4.9]})
    >>> targets = pd.DataFrame({"attribute": ["droop_mm"], "aim": [6.0]})
    >>> doughs, pieces = next_round({"factors": factors, "doughs": doughs, "pieces": pieces,
    ...     "targets": targets}, seed=1)
    >>> doughs[["dough", "role", "salt_pct"]].values.tolist()
    [['D201', 'recommended', 2.5], ['D202', 'recommended', 2.5]]
    """
    for name, given in (("doughs_to_add", doughs_to_add), ("pieces_per_dough", pieces_per_dough)):
        if given is not None and given < 1:
            raise problem_error(
                "plan",
                column=name,
                found=str(given),
                expected="1 or more",
                mend="ask for at least 1",
            )
    weighed = weigh(tables, seed=seed)
    return round_of(
        weighed, doughs_to_add=doughs_to_add, pieces_per_dough=pieces_per_dough, seed=seed
    )


def round_of(weighed: Weighed, *, doughs_to_add, pieces_per_dough: int, seed: int) -> Round:
    """The round for a study that has been weighed up."""
    tables = weighed.tables
    of_dough = list(factors_per(weighed.factors, "dough", "day")["factor"])
    most = np.inf if doughs_to_add is None else doughs_to_add
    fresh = pd.DataFrame([weighed.best[of_dough]] * int(min(FRESH, most)))
    lacking, pieces, notes = _lacking(weighed, pieces_per_dough, most - len(fresh), seed)
    room = 0 if doughs_to_add is None else doughs_to_add - len(fresh) - len(lacking)
    guesses = _best_guesses(weighed, of_dough, room)
    own = pd.concat([fresh, guesses[of_dough]], ignore_index=True).assign(role="recommended")
    own["place"] = [f"own {number}" for number in range(len(own))]
    at = pd.concat([weighed.best.to_frame().T] * len(fresh) + [guesses], ignore_index=True)
    baked = [
        piece.assign(place=place)
        for place, piece in zip(
            own["place"], _own_pieces(weighed, at, pieces_per_dough), strict=True
        )
    ]
    rows = pd.concat([own, lacking], ignore_index=True)
    rows = rows.iloc[np.random.default_rng(seed).permutation(len(rows))].reset_index(drop=True)
    number = _next_number(tables["doughs"])
    rows["dough"] = dough_names(number, len(rows))
    doughs = rows.assign(kind="test", round=float(number), status="planned")
    doughs = doughs[["dough", "kind", "round", "role", "status", *of_dough]].infer_objects()
    formula = _base_formula(tables["doughs"])
    if formula:
        doughs.insert(5, "formula", formula)
    every = pd.concat([*baked, pieces], ignore_index=True)
    every = rows[["dough", "place"]].merge(every, on="place", how="left").drop(columns="place")
    count = every.groupby("dough").cumcount() + 1
    every.insert(0, "piece", every["dough"] + "-" + count.astype(str))
    own_names = rows.set_index("place")["dough"]
    guessed = [own_names[f"own {at}"] for at in range(len(fresh), len(own))]
    notes = [*notes, *_middle_notes(weighed, pieces_per_dough)]
    if not len(weighed.found.not_seen) and weighed.terms == "quadratic":
        notes = [*notes, "The doughs so far show every bend: nothing else is lacking."]
    if guessed:
        notes = [*notes, f"Further best guesses, each of another draw: {', '.join(guessed)}."]
    return Round(doughs, every.infer_objects(), notes=tuple(notes))


def _next_number(doughs: pd.DataFrame) -> int:
    rounds = doughs["round"].dropna() if "round" in doughs.columns else pd.Series(dtype=float)
    return int(rounds.max()) + 1 if len(rounds) else 1


def _base_formula(doughs: pd.DataFrame) -> str:
    if "formula" not in doughs.columns:
        return ""
    used = doughs.loc[doughs["kind"].eq("test"), "formula"].dropna().unique()
    return str(used[0]) if len(used) == 1 else ""


def _lacking(weighed: Weighed, pieces_per_dough: int, room, seed: int):
    """Axial and centre doughs if the bends of dough factors can't be seen yet; else nothing."""
    names = list(factors_per(weighed.factors, "dough")["factor"])
    empty = pd.DataFrame(columns=["place", "role", *names]), pd.DataFrame(columns=["place"])
    unseen = weighed.found.not_seen["term"]
    bends = [name for name in names if f"{name}²" in set(unseen)] or (
        names if weighed.terms != "quadratic" else []
    )
    if not bends or room < 1:
        return *empty, []
    try:
        plan = plan_surface(
            weighed.factors,
            weighed.tables["doughs"],
            weighed.tables.get("limits"),
            pieces_per_dough=_crossed(weighed, pieces_per_dough),
            round=_next_number(weighed.tables["doughs"]),
            seed=seed,
        )
    except StudyProblems as refused:
        why = refused.problems[0]
        return *empty, [f"Axial doughs can't be planned: {why.found} ({why.expected})."]
    # Centre doughs come last: where room is short the faces matter more.
    order = plan.doughs["role"].map({"corner": 0, "axial": 1, "centre": 2}).sort_values().index
    doughs = plan.doughs.loc[order].head(int(min(room, len(plan.doughs))))
    if len(doughs) < len(plan.doughs):
        left = f"{len(plan.doughs) - len(doughs)} doughs that are lacking found no room this time."
        plan = Round(plan.doughs, plan.pieces, plan.rounded, (*plan.notes, left))
    pieces = plan.pieces[plan.pieces["dough"].isin(doughs["dough"])]
    pieces = pieces.rename(columns={"dough": "place"}).drop(columns="piece")
    why = f"Added, since these doughs can't show the bend of {', '.join(map(in_words, bends))}."
    doughs = doughs.rename(columns={"dough": "place"})
    return doughs[["place", "role", *names]], pieces, [why, *plan.notes]


def _crossed(weighed: Weighed, pieces_per_dough: int) -> int:
    """Pieces a dough for the crossed plan: all ends of the piece factors, at least as asked."""
    ends = [len(one.levels) or 2 for one in read_factors(weighed.factors, per="piece")]
    count = int(np.prod(ends)) if ends else 1
    return count * -(-pieces_per_dough // count)


def _best_guesses(weighed: Weighed, of_dough: list[str], count: int) -> pd.DataFrame:
    """Doughs that would be best if one draw were true, each as far as can be from those chosen."""
    drawn = weighed.best_of_draws
    if count < 1 or not of_dough:
        return drawn.head(0)
    known = [one for one in read_factors(weighed.factors) if one.name in of_dough]
    places = coded_places(drawn, known)
    chosen = [coded_places(weighed.best.to_frame().T.infer_objects(), known)[0]]
    picked = []
    for _ in range(count):
        apart = np.min([np.abs(places - one).max(axis=1) for one in chosen], axis=0)
        # Of the draws that lie apart, the middle one: the farthest would be the least likely.
        away = np.flatnonzero(apart >= np.median(apart))
        picked.append(int(away[np.argsort(apart[away], kind="stable")[len(away) // 2]]))
        chosen.append(places[picked[-1]])
    return drawn.iloc[picked].reset_index(drop=True)


def _own_pieces(weighed: Weighed, at: pd.DataFrame, count: int) -> list[pd.DataFrame]:
    """Pieces of each fresh dough: as recommended, then the middles not seen, then again."""
    known = read_factors(weighed.factors, per="piece")
    names = [one.name for one in known]
    unseen = set(weighed.found.not_seen["term"])
    found = []
    for _, row in at.iterrows():
        pieces = [row[names]]
        for one in known:
            middle = _middle(one)
            if f"{one.name}²" in unseen and row[one.name] != middle:
                pieces.append(row[names].where(row[names].index != one.name, middle))
        pieces = [pieces[place % len(pieces)] for place in range(count)]
        found.append(pd.DataFrame(pieces, columns=names, index=range(count)))
    return found


def _middle_notes(weighed: Weighed, pieces_per_dough: int) -> list[str]:
    unseen = set(weighed.found.not_seen["term"])
    bent = [
        in_words(one.name)
        for one in read_factors(weighed.factors, per="piece")
        if f"{one.name}²" in unseen and weighed.best[one.name] != _middle(one)
    ]
    if not bent or pieces_per_dough < 2:
        return []
    return [f"Fresh doughs get a piece at the middle of {', '.join(bent)}, to show its bend."]


def _middle(factor: Factor):
    if factor.levels or not factor.step:
        return factor.middle
    return settable(factor, 3)[1]
