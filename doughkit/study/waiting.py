"""What a study waits for: the next step of the job, the day's sheets, gaps, the next decision."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pandas as pd

from doughkit.study.day import Sheets, bake_day_sheets, tasting_sheets_of, unbaked_pieces
from doughkit.study.gaps import (
    Tables,
    baked_pieces,
    control_in_range,
    is_there,
    missing_cells,
    scored_pieces,
)
from doughkit.tables import paper
from doughkit.tables.problems import so_many
from doughkit.tables.register import as_sentence, label

WAITS_FOR = {
    "formulas": "Write down the formulas as they are, in grams, cups or percent (table formulas).",
    "factors": "Say what a round may change, from where to where, in which steps (table factors).",
    "plan": "Plan the first round (notebook 3), and save its doughs and pieces.",
    "pieces": "List the pieces of each planned dough (table pieces; notebook 3 plans them).",
    "bake": "Bake the next bake day, and write down what was weighed.",
    "serve": "Plan the tasting of what was baked (tables attributes, assessors and servings; "
    "notebook 4), with consent and allergens checked.",
    "taste": "Hold the tasting, and type the ballots (table ratings).",
    "targets": "Say what is wanted of each attribute (table targets).",
    "decide": "Read what the doughs say (notebooks 4 and 5), and choose (notebook 6).",
}
"""The steps of the job, in order, and what each asks for."""


@dataclass(frozen=True, eq=False)
class Today:
    """What a study waits for.

    step: the next step in one word, one of formulas, factors, plan, pieces, bake, serve, taste,
        targets, decide; `asks` says it in a sentence.
    steps: step, state ("done", "now" or "later"), asks.
    sheets: caption → frame, the day's sheets; `notes` say why others could not be laid out.
    missing: table, row, column; cells that are usually filled and are not.
    control: what, at, value, usual_low, usual_high, before, within.
    decision: what is to be decided next, and with what.
    """

    step: str
    steps: pd.DataFrame
    sheets: dict[str, pd.DataFrame]
    notes: list[str]
    missing: pd.DataFrame
    control: pd.DataFrame
    decision: str

    @property
    def asks(self) -> str:
        return WAITS_FOR[self.step]

    def control_said(self) -> str:
        told = self.control.dropna(subset=["within"])
        if not len(self.control):
            return "No control has been baked or tasted."
        if not len(told):
            return "Too few control doughs so far to know their usual range (4 are needed)."
        out = told[told["within"] == "no"]
        if not len(out):
            return f"The control lies in its usual range ({len(told)} values looked at)."
        named = ", ".join(label(what) for what in out["what"])
        return f"The control lies outside its usual range in {named}: look for what changed."

    def summary(self) -> str:
        """The gist in a few sentences."""
        gaps = len(self.missing)
        cells = f"{so_many(gaps, 'missing cell')}." if gaps else "No cell is missing."
        return f"{self.asks} {cells} {self.control_said()} Next decision: {self.decision}"


def today(study: Tables) -> Today:
    """Say what a study waits for, lay out the day's sheets, and look for gaps.

    Question: what is to be done next?

    Parameters
    ----------
    study : Study, or mapping of table name to frame
        As opened; any table may be missing or partly filled.

    Returns
    -------
    Today: `step`, `asks`, `steps`, `sheets`, `notes`, `missing`, `control`, `decision`,
    `summary()`.

    Raises
    ------
    Nothing; what cannot be laid out is said in `notes`.

    Range: the control's usual range holds 19 of 20 values if nothing changed and its means are
    about normal; it needs three earlier tastings or bake days.
    Source: prediction interval of one more value, e.g. NIST/SEMATECH e-Handbook of Statistical
    Methods, 7.1 and 7.2 (from memory).

    >>> from doughkit.study import open_study, shipped
    >>> today(open_study(shipped().data_demo)).step
    'decide'
    """
    step = _next_step(study)
    sheets = Sheets()
    if step == "bake":
        sheets = bake_day_sheets(study)
    elif step == "taste":
        sheets = tasting_sheets_of(study, _untasted(study)[0])
    names = list(WAITS_FOR)
    place = names.index(step)
    control, untold = control_in_range(study)
    state = ["done"] * place + ["now"] + ["later"] * (len(names) - place - 1)
    steps = pd.DataFrame({"step": names, "state": state, "asks": list(WAITS_FOR.values())})
    return Today(
        step,
        steps,
        sheets.frames,
        [*sheets.notes, *untold],
        missing_cells(study),
        control,
        _decision(study, step),
    )


def _next_step(study: Tables) -> str:
    if not is_there(study, "formulas"):
        return "formulas"
    if not is_there(study, "factors"):
        return "factors"
    doughs = study["doughs"] if is_there(study, "doughs") else None
    if doughs is None or not (doughs["kind"] == "test").any():
        return "plan"
    due = doughs[(doughs["kind"] == "test") & (doughs["status"] != "failed")]
    if not is_there(study, "pieces") or not due["dough"].isin(study["pieces"]["dough"]).all():
        return "pieces"
    if len(unbaked_pieces(study)):
        return "bake"
    return _step_at_the_table(study, due)


def _step_at_the_table(study: Tables, due: pd.DataFrame) -> str:
    """The next step once everything planned is baked."""
    baked = baked_pieces(study)
    served = study["servings"]["piece"] if is_there(study, "servings") else []
    if not due["dough"].isin(baked.loc[baked["piece"].isin(served), "dough"]).all():
        return "taste" if _untasted(study) else "serve"
    if _untasted(study):
        return "taste"
    return "decide" if is_there(study, "targets") else "targets"


def _untasted(study: Tables) -> list[str]:
    """Tastings that are planned and have no score at all."""
    if not is_there(study, "servings"):
        return []
    servings = study["servings"]
    scored = set()
    if is_there(study, "ratings"):
        given = study["ratings"].dropna(subset=["score"])["serving"]
        scored = set(servings.loc[servings["serving"].isin(given), "tasting"])
    return [one for one in servings["tasting"].unique() if one not in scored]


def _decision(study: Tables, step: str) -> str:
    if step in ("formulas", "factors", "plan"):
        return "which formula to start from, and what the first round may change."
    if step in ("pieces", "bake", "serve", "taste"):
        rounds = study["doughs"]["round"].dropna()
        named = f"round {int(rounds.max())}" if len(rounds) else "this round"
        return f"after {named}: is what it found enough to choose, or which doughs come next?"
    if step == "targets":
        return "what is wanted: low, aim and high of each attribute, or like the reference."
    doughs = study["doughs"]
    tasted = study["pieces"]["piece"].isin(scored_pieces(study))
    sure = doughs["role"].isin(["recommended", "best so far"]) & doughs["dough"].isin(
        study["pieces"].loc[tasted, "dough"]
    )
    if sure.any():
        return "does the recommended dough keep its promise (notebook 6), or is one more round due?"
    return "choose the recommended formula and confirm it on fresh doughs, or bake another round."


def today_page(found: Today, name: str) -> str:
    """The page of the day, to be printed or read on a phone."""
    parts = [
        paper.note(f"{found.asks}", kind="answer"),
        paper.shown(found.steps, "The steps of the job, and where the study stands"),
        *([found.notes] if found.notes else []),
    ]
    for caption, frame in found.sheets.items():
        empty = [column for column in frame if frame[column].isna().all()]
        parts.append(paper.shown(frame, caption, digits=1, fill=empty))
    if found.step in ("bake", "taste"):
        parts.append(paper.note(_CAUTION))
    parts += [paper.heading("Missing cells")]
    if len(found.missing):
        parts.append(paper.shown(found.missing, "Cells that are usually filled and are not"))
    else:
        parts.append("No cell is missing.")
    parts += [paper.heading("The control"), found.control_said()]
    if len(found.control):
        control = found.control.rename(columns={"what": "attribute"})
        parts.append(
            paper.shown(control, "The control's last value beside its usual range (19 of 20)")
        )
    parts += [paper.heading("Next decision"), as_sentence(found.decision)]
    return paper.page(f"{name}: {date.today().isoformat()}", parts)


_CAUTION = (
    "Hot plates and steam burn. Raw dough is not tasted. Before a tasting: consent, allergens, no "
    "pieces with a very dark crust. Local codes come first."
)
