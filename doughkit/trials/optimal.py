"""Rounds found by search: the doughs and pieces that make a model, or a prediction, surest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, so_many
from doughkit.trials.assemble import assemble, open_kitchen
from doughkit.trials.assumed import assumed_information
from doughkit.trials.catalogue import usable_doughs
from doughkit.trials.choices import Choices, open_choices
from doughkit.trials.daily import (
    by_day,
    doughs_of,
    of_dough,
    require_doughs_per_day,
    said_of_days,
    whitening,
)
from doughkit.trials.exchange import Task, search
from doughkit.trials.factors import read_factors
from doughkit.trials.models import TERMS, model_columns, model_terms
from doughkit.trials.records import bake_days, join_records
from doughkit.trials.rounds import Round
from doughkit.trials.spreads import Spreads
from doughkit.trials.strata import Layout, groups_together, never_baked, rank
from doughkit.trials.tells import MEAN

CRITERIA = ("I", "D")
TRIED = 50
"""Sets of doughs drawn at random, of which one must be able to tell every term."""

RIDGE = 1e-4
"""Of the information of one piece: lets a search begin where not every term is known yet."""


def plan_optimal(
    factors: pd.DataFrame,
    doughs: pd.DataFrame | None = None,
    limits: pd.DataFrame | None = None,
    *,
    doughs_to_add: int,
    pieces: pd.DataFrame | None = None,
    pieces_per_dough: int = 2,
    doughs_per_day: int | None = None,
    criterion: str = "I",
    terms: str = "quadratic",
    assumptions: pd.DataFrame | None = None,
    spreads: Spreads | None = None,
    round: int = 1,
    seed,
) -> Round:
    """Search for the doughs and pieces from which most is learnt, as many as you can bake.

    Question: I can bake so many doughs: which ones tell most?

    Parameters
    ----------
    factors : DataFrame
        Table `factors`; categories take part.
    doughs : DataFrame, optional
        Table `doughs`: what was baked is kept and counts; no dough is planned near one that
        failed (a quarter of the range in every factor).
    limits : DataFrame, optional
        Table `limits`; no piece lies outside them. A blend of three flours is two factors, their
        shares in percent (rye_flour_pct …), and a limit on their sum; the third flour gives way.
    doughs_to_add : int
        New doughs.
    pieces : DataFrame, optional
        Table `pieces` of `doughs`; needed with them.
    pieces_per_dough : int
        Pieces baked of each new dough, each in its own way as far as that pays.
    doughs_per_day : int, optional
        Doughs that one bake day holds (see `capacity`); needed where something is set once a day,
        and of no matter elsewhere. New pieces then have a bake_day, which `plan_days` keeps.
    criterion : str
        "I": the error of a predicted panel mean, averaged over all levels allowed, is least.
        "D": the terms of the model, taken together, are known best.
    terms : str
        "linear", "interactions" or "quadratic" (see `model_terms`).
    assumptions : DataFrame, optional
        As `fitting.starting_assumptions()` gives them: then they count as if known, and fewer
        doughs than terms will do. Left out: the doughs alone must tell every term.
    spreads : Spreads, optional
        How far doughs and pieces differ by chance, in points of a scale of 1 to 9; left out,
        `Spreads()`.
    formula : str, optional
        Base formula of the new doughs, so that `formulas.vary` can follow at once.
    round : int
        Number of the new round.
    seed : int or Generator
        Draws the starts of the search, and the order of mixing.

    Returns
    -------
    Round: the new doughs (role "chosen") and their pieces, with notes on what was kept and on the
    error to expect.

    Raises
    ------
    StudyProblems if the terms could not be told by so many doughs (saying how many it takes, or
    which terms no number of doughs would tell), nothing is allowed, or `pieces` is missing.

    Range: levels that can be set, at most 41 a factor. The best of 48 starts, stirred and bettered
    again; now and then another plan is better by a hundredth.
    Source: coordinate exchange, R. K. Meyer and C. J. Nachtsheim, Technometrics 37, 1995, 60-69;
    doughs as whole plots, P. Goos and M. Vandebroek, Technometrics 45, 2003, 235-245 (from memory).

    >>> factors = pd.DataFrame({"factor": ["salt_pct", "bake_min"], "low": [1.6, 5.0],
    ...     "high": [2.6, 8.0], "step": [0.5, 0.5], "changed_per": ["dough", "piece"]})
    >>> doughs, pieces = plan_optimal(factors, doughs_to_add=4, seed=1)
    >>> sorted(doughs["salt_pct"])
    [1.6, 2.1, 2.1, 2.6]
    """
    _require_counts(doughs_to_add, pieces_per_dough, criterion)
    kitchen = open_kitchen(factors, limits, pieces_per_dough, seed, by_day=True)
    daily = kitchen.per("day")
    require_doughs_per_day(daily, doughs_per_day)
    spreads = spreads or Spreads()
    before, days = _baked(factors, doughs, pieces, terms, spreads)
    choices = open_choices(factors, limits, doughs, terms)
    known = RIDGE / spreads.of_piece * np.eye(before.shape[1])
    if assumptions is not None:
        known = assumed_information(factors, terms, assumptions)
    whiten = whitening(of_dough(pieces_per_dough, spreads))
    moments = choices.moments() if criterion == "I" else None
    task = Task(choices, doughs_to_add, whiten, known + before.T @ before, moments)

    def spread_out(count: int) -> Task:
        more = replace(task, doughs=count)
        return by_day(more, doughs_per_day, spreads) if daily else more

    if assumptions is None:
        _require_told(spread_out, before, doughs_to_add, (factors, terms))
    task = spread_out(doughs_to_add)
    plan = search(task, seed=kitchen.draw, wide=assumptions is None)
    averaged = replace(task, moments=choices.moments())
    error = float(np.sqrt(averaged.badness(plan[None])[0]))
    notes = _notes(error, criterion, spreads, len(before), len(choices.failed))
    notes += said_of_days(daily, days + task.doughs, model_terms(factors, terms))
    plan, day = doughs_of(task, plan)
    wanted, own = _as_levels(choices, plan, round)
    if day is not None:
        wanted["bake_day"] = kitchen.draw.permutation(task.doughs)[day]
    taken = () if doughs is None else doughs["dough"]
    return assemble(kitchen, wanted, notes, taken=taken, own_pieces=own)


def _require_counts(doughs_to_add: int, pieces_per_dough: int, criterion: str) -> None:
    for name, given in (("doughs_to_add", doughs_to_add), ("pieces_per_dough", pieces_per_dough)):
        if given < 1:
            raise problem_error(
                "plan",
                column=name,
                found=f"{given}",
                expected="1 or more",
                mend="ask for at least 1",
            )
    if criterion not in CRITERIA:
        raise problem_error(
            "plan",
            column="criterion",
            found=repr(criterion),
            expected='"I" (predictions) or "D" (terms)',
            mend="choose what is to be surest",
        )


def _baked(factors, doughs, pieces, terms: str, spreads: Spreads) -> tuple[np.ndarray, int]:
    """The columns of the doughs there already, in units of their error, and how many bake days.

    No rows if there are no doughs. Failed doughs tell nothing here, nor do doughs whose pieces are
    not listed. Days have an error of their own only where something is set once a day.
    """
    known = read_factors(factors)
    nothing = np.zeros((0, 1 + len(model_terms(factors, terms))))
    if doughs is None or usable_doughs(doughs, read_factors(factors, per="dough")).empty:
        return nothing, 0
    if pieces is None:
        raise problem_error(
            "pieces",
            found="no pieces of the doughs given",
            expected="the table pieces, or the pieces of the planned rounds",
            mend="give them as pieces=",
        )
    table, _ = join_records(doughs, pieces, factors)
    columns = model_columns(table, factors, terms).to_numpy(float)
    columns = np.hstack([np.ones((len(table), 1)), columns])
    number = pd.factorize(table["dough"])[0]
    daily = any(one.changed_per == "day" for one in known)
    day = bake_days(table, known) if daily else None
    layout = Layout(columns, number, spreads.dough**2, spreads.of_piece, day, spreads.day**2)
    return layout.white(), 0 if day is None else int(day.max()) + 1


def _require_told(spread_out, before, doughs: int, model) -> None:
    """Refuse terms that the doughs, however chosen, could not tell; model: factors, terms.

    spread_out: number of doughs → the search for so many.
    """
    size = before.shape[1]

    def told(count: int, tries: int) -> list[np.ndarray]:
        """The columns of some sets of doughs drawn at random."""
        task = spread_out(count)
        plans = task.draw(np.random.default_rng(count), tries)
        rows = task.choices.rows(plans)[:, task.there]
        return [np.vstack([before, one]) for one in rows]

    def will_do(count: int) -> bool:
        return any(rank(one) == size for one in told(count, TRIED))

    if will_do(doughs):
        return
    enough = next((count for count in range(doughs + 1, 2 * size + 1) if will_do(count)), None)
    if enough is None:
        raise _never_told(told(4 * size, 1)[0], *model)
    task, terms = spread_out(doughs), model[1]
    pieces = task.of_dough or task.pieces
    simpler = TERMS[: TERMS.index(terms)]
    fewer = f', or ask for terms="{simpler[-1]}"' if simpler else ""
    raise problem_error(
        "plan",
        column="doughs_to_add",
        found=f"{doughs} doughs of {pieces} pieces for {size} numbers "
        f'(the mean and terms="{terms}")',
        expected=f"{enough} doughs, and a few more to judge by",
        mend=f"plan {enough + 2}{fewer}, or count the starting assumptions in (assumptions=)",
    )


def _never_told(columns: np.ndarray, factors: pd.DataFrame, terms: str):
    names = [MEAN, *model_terms(factors, terms)["words"]]
    groups = groups_together(never_baked(columns))
    lost = "; ".join(" and ".join(names[one] for one in group) for group, _ in groups)
    return problem_error(
        "plan",
        column="terms",
        found=f'terms="{terms}"',
        expected="terms that the levels and limits allow to be told",
        mend=f"no number of doughs tells {lost}: widen limits, take smaller steps, or ask for "
        "fewer terms",
    )


def _notes(error: float, criterion: str, spreads: Spreads, kept: int, failed: int) -> list[str]:
    surest = "predictions" if criterion == "I" else "terms"
    said = [
        f"Chosen so that {surest} are surest: a predicted panel mean will be off by {error:.2f} "
        "points on average (one standard error), if doughs differ by chance by "
        f"{spreads.dough:.2g} and pieces by {spreads.of_piece**0.5:.2g}."
    ]
    if kept:
        said.append(f"{so_many(kept, 'piece')} there already are counted in.")
    if failed:
        where = "the one that failed" if failed == 1 else f"the {failed} that failed"
        said.append(f"No dough is planned near {where}.")
    return said


def _as_levels(choices: Choices, plan: np.ndarray, number: int):
    """The plan as a table of doughs, and one of their pieces (`place`: of which dough)."""
    doughs, pieces, size = plan.shape
    per = {
        kind: [s.factor.name for s in choices.slots if (s.factor.changed_per == "piece") == kind]
        for kind in (False, True)
    }
    wanted = choices.frame(plan[:, 0])[per[False]].assign(role="chosen", round=number)
    own = choices.frame(plan.reshape(-1, size))[per[True]]
    own = own.assign(place=np.repeat(np.arange(doughs), pieces))
    return wanted, own.sort_values(["place", *per[True]], ignore_index=True)
