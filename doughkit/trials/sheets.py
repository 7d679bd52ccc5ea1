"""Sheets for a bake day: clock times worked backwards from the tasting, and places for weights."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import problem_error, require_columns
from doughkit.trials.bench import read_oven
from doughkit.trials.cutting import cutting_plan

MODES = {"fresh": 11.0, "rested": 60.0}
"""Minutes from the oven to the plate: fresh, weighed at 1 min and droop read at 10; rested, an
hour for every piece."""

WEIGH_AFTER_MIN, DROOP_AFTER_MIN = 1.0, 10.0

TO_FILL = (
    "mass_before_g",
    "length_mm",
    "width_mm",
    "mass_after_g",
    "weighed_after_s",
    "thickness_mm",
    "droop_mm",
    "overhang_mm",
    "note",
)
"""Empty cells of the sheet, named as in the table `pieces`."""

CAUTIONS = (
    (
        "oven on",
        "Oven and plate{heat} stay dangerous for an hour after baking: dry gloves, covered arms, "
        "children and pets out of the kitchen.",
    ),
    (
        "load",
        "Steam comes out when the door opens: stand aside, open it slowly, then look. Never pour "
        "water on a hot plate or glass.",
    ),
    (
        "between loads",
        "Brush burnt flour off the plate: it smokes, tastes bitter and goes on browning.",
    ),
    (
        "weigh",
        "Weigh on a rack, never a hot pan on the scale; keep the scale out of the oven's draught.",
    ),
    (
        "before tasting",
        "Raw dough and flour are not ready to eat: no tasting of dough; wash hands, board and "
        "knife before bread is cut.",
    ),
    (
        "before tasting",
        "Leave out pieces with a very dark crust (acrylamide). Check every taster's consent and "
        "allergens: each wheat dough holds gluten.",
    ),
    (
        "tasting",
        "Small portions with water; eight samples can hold half a day's salt. Spitting out is "
        "allowed.",
    ),
    (
        "all day",
        "Doughs with milk, egg or fillings stay cold until shaped. Your local food code comes "
        "first.",
    ),
)


@dataclass(frozen=True)
class BenchSheets:
    """The sheets of the planned bake days.

    bake: one row per piece in baking order: bake_day, bake_order, piece, dough, the piece factors,
        take_out_at, load_at, out_at, weigh_at, droop_at, serve_at, then empty cells named as in
        the table `pieces`
    day: bake_day, at, what: the evening by the clock
    cutting: piece, notch, strip, then the taster of each portion from the notch on
    cautions: at, caution
    hold: what every piece must keep, in a sentence
    """

    bake: pd.DataFrame
    day: pd.DataFrame
    cutting: pd.DataFrame
    cautions: pd.DataFrame
    hold: str = ""

    def to_fill(self) -> pd.DataFrame:
        """The bake-day sheet without its clock times: rows of the table `pieces`, to be saved,
        filled in and read back."""
        return self.bake.drop(columns=[*CLOCKED, "piece_mass_g"], errors="ignore")

    def summary(self) -> str:
        """When each day begins and ends."""
        said = []
        for day, part in self.day.groupby("bake_day", sort=False):
            at = dict(zip(part["what"], part["at"], strict=True))
            said.append(
                f"{day}: doughs out from {at[TAKE_OUT]}, oven on {at[OVEN_ON]}, last piece out "
                f"{at[LAST_OUT]}, tasting {at[TASTING]}."
            )
        return " ".join(said)


CLOCKED = ("take_out_at", "load_at", "out_at", "weigh_at", "droop_at", "serve_at")
TAKE_OUT, OVEN_ON, FIRST_IN = "take the first dough out", "oven on", "first piece in"
LAST_OUT, TASTING = "last piece out", "tasting begins"


def bench_sheets(
    pieces: pd.DataFrame,
    oven,
    *,
    held: pd.DataFrame | None = None,
    tasters: list[str] | None = None,
    tasting_at: str = "19:30",
    mode: str = "fresh",
    after_min: float | None = None,
    temper_min: float = 90.0,
) -> BenchSheets:
    """Lay out each bake day by the clock, with empty cells for every weight.

    Question: when does what go into the oven, so that the tasting can begin in time?

    Parameters
    ----------
    pieces : DataFrame
        As `plan_days` gives it: piece, dough, bake_day, bake_order, bake_min and other piece
        factors. A piece without a bake_order is tasted but not baked.
    oven : row, mapping or one-row DataFrame
        Of the table `ovens`: preheat_min, gap_min; air_c and support_c go into the cautions.
    held : DataFrame, optional
        dough, piece_mass_g and rule, from `held_mass`: printed, and to be kept within ± 3 %.
    tasters : list of str, optional
        Who gets a portion of each piece; left out, six numbered tasters.
    tasting_at : str
        Clock time as HH:MM at which the first sample is served.
    mode : str
        "fresh": each piece is served the same minutes after the oven, so the tasting runs beside
        the bake, in baking order. "rested": all pieces rest, the last one this long.
    after_min : float, optional
        Those minutes [min]; left out, 11 (fresh) or 60 (rested).
    temper_min : float
        Minutes [min] a dough stands out before it is loaded.

    Returns
    -------
    BenchSheets with `bake`, `day`, `cutting`, `cautions` and `hold`; times are texts, HH:MM or
    HH:MM:30. `to_fill()` gives the rows for the table `pieces`.

    Raises
    ------
    StudyProblems if the clock time or the mode cannot be read, or the day would begin before
    midnight.

    Range: one pair of hands; weighing at 1 min and droop at 10 min after the oven.
    Source: by definition.

    >>> pieces = pd.DataFrame({"piece": ["A-1", "A-2"], "dough": "A", "bake_day": "R1D1",
    ...     "bake_order": [1.0, 2.0], "bake_min": [7.0, 5.5]})
    >>> sheets = bench_sheets(pieces, {"preheat_min": 50, "gap_min": 8})
    >>> sheets.bake[["load_at", "out_at", "serve_at"]].values.tolist()
    [['19:12', '19:19', '19:30'], ['19:27', '19:32:30', '19:43:30']]
    """
    needed = ("piece", "dough", "bake_day", "bake_order", "bake_min")
    require_columns(pieces, *needed, table="pieces")
    start = _minutes(tasting_at)
    if mode not in MODES:
        raise problem_error(
            "sheet",
            column="mode",
            found=repr(mode),
            expected=" or ".join(MODES),
            mend="choose how the reference is tasted too",
        )
    after = MODES[mode] if after_min is None else after_min
    one = read_oven(oven)
    bakes, days = [], []
    for day, part in pieces.groupby("bake_day", sort=False):
        load, out = _oven_times(part, one.gap_min)
        first_served = out.min() if mode == "fresh" else out.max()
        load, out = (times + start - after - first_served for times in (load, out))
        by_clock = {
            TAKE_OUT: load.min() - temper_min,
            OVEN_ON: load.min() - one.preheat_min,
            FIRST_IN: load.min(),
            LAST_OUT: out.max(),
            TASTING: start,
        }
        _refuse_yesterday(day, by_clock, tasting_at)
        serve = out + after if mode == "fresh" else pd.Series(start, part.index)
        bakes.append(_bake_rows(part, load, out, serve, temper_min, held))
        by_clock = sorted(by_clock.items(), key=lambda entry: entry[1])
        days += [(day, clock(at), what) for what, at in by_clock]
    bake = pd.concat(bakes, ignore_index=True)
    tasters = [f"taster {place}" for place in range(1, 7)] if tasters is None else list(tasters)
    day = pd.DataFrame(days, columns=["bake_day", "at", "what"])
    cutting = cutting_plan(bake["piece"], tasters)
    return BenchSheets(bake, day, cutting, _cautions(oven), _hold(held))


def _hold(held: pd.DataFrame | None) -> str:
    """The hold rule as a sentence; without one, what must be said all the same."""
    if held is None:
        return "Nothing is held: choose a dough mass per piece, or a wetter dough is also thinner."
    require_columns(held, "dough", "piece_mass_g", "rule", table="held")
    low, high = held["piece_mass_g"].min(), held["piece_mass_g"].max()
    masses = f"{low:.0f} g" if high - low < 0.5 else f"{low:.0f} to {high:.0f} g, by dough"
    return (
        f"Held: {held['rule'].iloc[0]} per piece ({masses}). Roll every piece to one size: dough "
        "per area within ± 3 %."
    )


def _oven_times(part: pd.DataFrame, gap_min: float) -> tuple[pd.Series, pd.Series]:
    """Minutes from the first load at which each piece goes in and comes out; empty if unbaked."""
    longest = part.groupby("bake_order")["bake_min"].max()
    begins = (longest + gap_min).cumsum().shift(fill_value=0.0)
    load = part["bake_order"].map(begins).astype(float)
    return load, load + part["bake_min"]


def _bake_rows(part, load, out, serve, temper_min: float, held) -> pd.DataFrame:
    known = ("piece", "dough", "bake_day", "bake_order", "oven")
    factors = [name for name in part if name not in known and name not in TO_FILL]
    oven = [name for name in ("oven",) if name in part]
    sheet = part[["bake_day", "bake_order", "piece", "dough", *oven, *factors]].copy()
    if held is not None:
        sheet["piece_mass_g"] = sheet["dough"].map(held.set_index("dough")["piece_mass_g"])
    times = {
        "take_out_at": load - temper_min,
        "load_at": load,
        "out_at": out,
        "weigh_at": out + WEIGH_AFTER_MIN,
        "droop_at": out + DROOP_AFTER_MIN,
        "serve_at": serve,
    }
    for name, minutes in times.items():
        sheet[name] = pd.Series([clock(at) for at in minutes], part.index, dtype="str")
    return sheet.assign(**dict.fromkeys(TO_FILL, np.nan))


def clock(minutes: float) -> str:
    """Minutes after midnight as HH:MM, with seconds only where there are some; "" for none."""
    if np.isnan(minutes):
        return ""
    seconds = round(minutes * 60)
    text = f"{seconds // 3600 % 24:02d}:{seconds // 60 % 60:02d}"
    return text + (f":{seconds % 60:02d}" if seconds % 60 else "")


def _minutes(text: str) -> float:
    found = re.fullmatch(r"\s*(\d{1,2}):(\d{2})\s*", str(text))
    if not found or int(found[1]) > 23 or int(found[2]) > 59:
        raise problem_error(
            "sheet",
            column="tasting_at",
            found=repr(text),
            expected="a clock time as 19:30",
            mend="write hours and minutes with a colon",
        )
    return 60.0 * int(found[1]) + int(found[2])


def _refuse_yesterday(day: str, by_clock: dict[str, float], tasting_at: str) -> None:
    early = min(by_clock.values())
    if early < 0:
        raise problem_error(
            "sheet",
            key=f"bake day {day}",
            found=f"a start {-early:g} min before midnight for a tasting at {tasting_at}",
            expected="one day from the first dough out to the tasting",
            mend="taste later, bake fewer pieces, or rest them less",
        )


def _cautions(oven) -> pd.DataFrame:
    row = dict(oven.iloc[0]) if isinstance(oven, pd.DataFrame) else dict(oven)
    heats = [float(row[name]) for name in ("support_c", "air_c") if row.get(name) is not None]
    heats = [heat for heat in heats if np.isfinite(heat)]
    heat = f" at {max(heats):g} °C" if heats else ""
    rows = [(at, text.replace("{heat}", heat)) for at, text in CAUTIONS]
    return pd.DataFrame(rows, columns=["at", "caution"])
