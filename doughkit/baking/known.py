"""What is known of a reference: the moisture it has when baked, as the members would have it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.baking.bookkeeping import number_problems
from doughkit.baking.dried import DRYING_ERROR_PCT
from doughkit.baking.ensemble import Members, oven_names, simulate_members, with_ovens
from doughkit.baking.inputs import NEEDED, read_bakes
from doughkit.tables.problems import StudyProblems, problem_error

BY_DRYING = ("finished_moisture_pct", "finished_moisture_error_pct")
BY_LOSS = ("loss_pct", "loss_error_pct", "water_pct", "dry_pct")
DRYING_ERROR = DRYING_ERROR_PCT / 100


@dataclass(frozen=True)
class Moisture:
    """The baked reference's moisture (a share) per member, and where its doubt comes from."""

    would: np.ndarray
    sources: np.ndarray
    """Standard normal columns that belong to the reference alone: (members, sources)."""
    words: str
    dried: bool
    error: float
    """Standard deviation of what was measured; of a drying where nothing was."""


def reference_moisture(
    reference: pd.DataFrame, members: Members, rng: np.random.Generator, tell=None
) -> Moisture:
    """Moisture by drying, by loss, or by simulation: the first for which all is there."""
    given = set(reference.columns[reference.notna().iloc[0]])
    for way in (BY_DRYING, BY_LOSS):
        if set(way) <= given:
            problems = number_problems(reference, way, "reference")
            if problems:
                raise StudyProblems(problems)
            break
    row = reference.iloc[0]
    chance = rng.standard_normal(members.count)
    chance = (chance - chance.mean()) / chance.std(ddof=1)
    if set(BY_DRYING) <= given:
        moisture, error = (row[name] / 100 for name in BY_DRYING)
        words = f"dried: {100 * moisture:.1f} ± {100 * error:.1f} % moisture"
        return Moisture(moisture + error * chance, chance[:, None], words, True, error)
    if set(BY_LOSS) <= given:
        loss = (row["loss_pct"] + row["loss_error_pct"] * chance) / 100
        would = 1 - row["dry_pct"] / ((row["dry_pct"] + row["water_pct"]) * (1 - loss))
        words = f"its bake lost {row['loss_pct']:.1f} ± {row['loss_error_pct']:.1f} %"
        return Moisture(would, chance[:, None], words, False, float(would.std()))
    if set(NEEDED) <= given:
        return _simulated(reference, members, rng, tell)
    raise problem_error(
        "reference",
        found=f"columns {', '.join(sorted(map(str, given)))}",
        expected=f"{', '.join(BY_DRYING)}; or {', '.join(BY_LOSS)}; or {', '.join(NEEDED)}",
        mend="dry 50 g of it (table moistures): neither its formula nor its oven is then needed",
    )


def _simulated(reference, members: Members, rng, tell) -> Moisture:
    table, oven = read_bakes(reference), oven_names(reference)[0]
    if "oven" not in reference.columns:
        oven = "the reference's oven"
    new = oven not in members.owners()
    known = with_ovens(members, [oven], int(rng.integers(2**31)))
    loss = simulate_members(table, [oven], known, tell=tell)[0, 0] / 100
    would = 1 - table["dry_pct"] / ((table["dry_pct"] + table["water_pct"]) * (1 - loss))
    sources = known.matrix([oven]) if new else np.empty((members.count, 0))
    words = f"its bake simulated, loss {100 * np.median(loss):.0f} ± {100 * loss.std():.0f} %"
    return Moisture(would, sources, words, False, DRYING_ERROR)
