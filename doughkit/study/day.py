"""The sheets of the day: what to weigh out, when what goes into the oven, the ballots."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from doughkit.formulas import vary, weigh_out
from doughkit.panel import ballots
from doughkit.study.gaps import Tables, baked_pieces, is_there, own_pieces
from doughkit.tables.problems import StudyProblems
from doughkit.trials import bench_sheets


@dataclass
class Sheets:
    """The day's sheets that could be laid out, by caption, and why others could not."""

    frames: dict[str, pd.DataFrame] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def lay(self, caption: str, make, *words) -> None:
        try:
            frame = make(*words)
        except StudyProblems as problems:
            told = problems.problems[0]
            self.notes.append(f"No sheet '{caption}': {str(told).rstrip('.')}.")
        else:
            if len(frame):
                self.frames[caption] = frame


def unbaked_pieces(tables: Tables) -> pd.DataFrame:
    """Our own pieces that are planned and not yet baked."""
    own = own_pieces(tables)
    return own[~own["piece"].isin(baked_pieces(tables)["piece"])]


def bake_day_sheets(tables: Tables) -> Sheets:
    """The sheets of the first bake day that has not been baked."""
    sheets, pieces = Sheets(), unbaked_pieces(tables)
    days = pieces["bake_day"].dropna()
    if not len(days):
        sheets.notes.append("No bake day is planned yet: notebook 3 spreads pieces over evenings.")
        return sheets
    day = days.iloc[0]
    today = pieces[pieces["bake_day"] == day]
    doughs = tables["doughs"]
    doughs = doughs[doughs["dough"].isin(today["dough"])]
    sheets.lay(f"Weigh out for bake day {day}", _weighing, tables, doughs, today)
    if is_there(tables, "ovens"):
        sheets.lay(f"Bake day {day} by the clock", _clock, tables, today)
        sheets.lay("At the bench", _cautions, tables, today)
    else:
        sheets.notes.append("No clock times without the table 'ovens'.")
    return sheets


def _weighing(tables: Tables, doughs: pd.DataFrame, pieces: pd.DataFrame) -> pd.DataFrame:
    named = doughs.dropna(subset=["formula", "piece_mass_g"])
    varied = vary(tables["formulas"], named, tables.get("ingredients"))
    masses = named.set_index("dough")["piece_mass_g"].to_dict()
    counts = pieces.groupby("dough")["piece"].count().to_dict()
    sheet = weigh_out(varied, piece_g=masses, pieces=counts, extra_pct=3)
    weighed = sheet[sheet["percent"] > 0]  # none of it goes into the bowl
    return weighed[["dough", "part", "ingredient", "percent", "planned_g", "weighed_g"]]


def _bench(tables: Tables, pieces: pd.DataFrame):
    ovens, used = tables["ovens"], pieces["oven"].dropna()
    named = ovens[ovens["oven"].isin(used)] if len(used) else ovens
    return bench_sheets(pieces, (named if len(named) else ovens).head(1), mode="rested")


def _clock(tables: Tables, pieces: pd.DataFrame) -> pd.DataFrame:
    sheet = _bench(tables, pieces).bake
    times = ["take_out_at", "load_at", "out_at", "weigh_at"]
    fill = ["mass_before_g", "mass_after_g", "droop_mm"]
    return sheet[["bake_order", "piece", "bake_min", *times, *fill]]


def _cautions(tables: Tables, pieces: pd.DataFrame) -> pd.DataFrame:
    return _bench(tables, pieces).cautions


def tasting_sheets_of(tables: Tables, tasting: str) -> Sheets:
    """The ballots of one tasting, to be filled in."""
    sheets, servings = Sheets(), tables["servings"]
    if not is_there(tables, "attributes"):
        sheets.notes.append("No ballots without the table 'attributes'.")
        return sheets
    of_it = servings[servings["tasting"] == tasting]
    sheets.lay(f"Ballots of tasting {tasting}", ballots, of_it, tables["attributes"])
    return sheets
