"""Does a measured property beside the ratings lower the doughs needed?

    python -m tests.benchmarks.physics --kitchens 60

In these kitchens every piece's droop follows its own true rigidity (its day's, dough's and piece's
deviation included) and is read to a fifth of a point. So the droop left over from its own surface
tells how far that piece strayed; what each rating shares of it is taken off before the ratings are
fitted. The same doughs are read with and without it, by the same way of going on.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
import pandas as pd

from doughkit import texture
from doughkit.advice.weighing import weigh_wanted
from tests import results
from tests.benchmarks.kitchens import ATTRIBUTES, Bench, best_goal, new_kitchen
from tests.benchmarks.strategies import place_of, with_advice

STOPS = (6, 10, 14)
READING = 0.2
RIGIDITY = ATTRIBUTES.index("rigidity")
PRIOR = 0.5
"""How far, in points per point, a rating may follow the droop left over."""


def droop(bench: Bench) -> np.ndarray:
    """One measured droop per piece, in points, the more the less rigid."""
    rng = np.random.default_rng(len(bench.pieces))
    true = np.array(bench.true)[:, RIGIDITY]
    return 10 - true + READING * rng.normal(size=len(true))


def corrected(weighed, bench: Bench) -> pd.DataFrame:
    """The ratings less what each shares with the droop left over from its own surface."""
    tables = weighed.tables
    pieces = tables["pieces"].assign(droop_mm=droop(bench))
    pieces["bake_day"] = bench.tasting
    measured = texture.measured(pieces, "droop_mm")
    found = texture.fit_assuming(measured, tables["doughs"], pieces, tables["factors"])
    left = pieces["droop_mm"].to_numpy() - _fitted(found, "droop_mm")
    values = weighed.wanted.values.copy()
    place = pd.Index(pieces["piece"])
    for name in ATTRIBUTES:
        own = values["attribute"].eq(name)
        at = place.get_indexer(values.loc[own, "piece"])
        off = values.loc[own, "mean"].to_numpy() - _fitted(weighed.found, name)[at]
        noise = max(float(off.var()), 1e-6)
        slope = left[at] @ off / (left[at] @ left[at] + noise / PRIOR**2)
        values.loc[own, "mean"] -= slope * left[at]
    return values


def _fitted(found, attribute: str) -> np.ndarray:
    columns = found.ground.of_model(found.ground.model.matrix(found.design))
    part = found.surfaces[attribute].part
    return part.middle + part.length * part.posterior.moments(columns)[0]


def compare(kitchens: int, offset: int) -> pd.DataFrame:
    """kitchen, doughs, gap without, gap with the droop."""
    rows = []
    for number in range(kitchens):
        kitchen = new_kitchen(number, offset=offset)
        least, _ = best_goal(kitchen, "distance")

        def gap(weighed, kitchen=kitchen, least=least):
            x = place_of(weighed)
            return float(kitchen.goal(kitchen.truth(x[None]), "distance")[0]) - least

        for doughs, weighed, bench in with_advice(kitchen, "distance", STOPS):
            wanted = replace(weighed.wanted, values=corrected(weighed, bench))
            again = weigh_wanted(weighed.tables, wanted, seed=weighed.seed)
            rows.append((number, doughs, gap(weighed), gap(again)))
    return pd.DataFrame(rows, columns=["kitchen", "doughs", "without", "with droop"])


def main() -> None:
    """Run, print, and with `--keep` write tests/results/physics.txt."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--kitchens", type=int, default=60)
    ask.add_argument("--offset", type=int, default=0)
    ask.add_argument("--keep", action="store_true", help="write tests/results/physics.txt")
    given = ask.parse_args()
    began = time.process_time()
    rows = compare(given.kitchens, given.offset)
    better = rows["with droop"] - rows["without"]
    by = rows.assign(difference=better).groupby("doughs")
    table = by[["without", "with droop"]].median()
    table["mean difference"] = by["difference"].mean()
    table["its error"] = by["difference"].std() / np.sqrt(given.kitchens)
    helps = (table["mean difference"] < -2 * table["its error"]).any()
    lines = [
        f"Median gap in {given.kitchens} simulated kitchens (set {given.offset}), with droop read "
        f"to {READING} points and without it.",
        table.round(3).to_string(),
        f"Droop as a further response {'lowers' if helps else 'does not lower'} the doughs needed"
        + ("." if helps else ", so the library does not use it so."),
        "Water left was not tried as a further response.",
        f"{time.process_time() - began:.0f} s CPU.",
    ]
    print("\n".join(lines))
    if given.keep:
        results.write("physics", "Does a measured property lower the doughs needed?", lines)


if __name__ == "__main__":
    main()
