"""Does a measured property beside the ratings lower the doughs needed?

    python -m tests.benchmarks.physics --kitchens 96

In these kitchens a piece's droop follows its own true rigidity and its water left its own true
crispness (the day's, the dough's and the piece's deviation included): the less, the more of it.
No taster stands between. So what is left over of the property, its own surface taken off, tells how
far that piece strayed; what each rating shares of it is taken off before the ratings are fitted.
The same doughs are read with and without it, by the same way of going on.

Both are read to a fifth of a point, which is kind to them: a scale of 1 g would allow it, but other
things than water make a crust crisp. So water is read loosely too, to half a point. How much any
property could give at most is seen where a piece's straying in crispness is taken off outright.
Water left as a calibrated bake foretells it was not tried: no bake goes on in these kitchens.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doughkit import texture
from doughkit.advice.weighing import weigh_wanted
from tests import results
from tests.benchmarks.kitchens import ATTRIBUTES, Bench, best_goal, new_kitchen
from tests.benchmarks.strategies import place_of, with_advice

STOPS = (6, 10, 14)
BOUND = "crispness"
PRIOR = 0.5
"""How far, in points per point, a rating may follow the property left over."""


@dataclass(frozen=True)
class Property:
    """Measured on every piece: more of it where `attribute` is less, to `reading` points."""

    words: str
    column: str
    attribute: str
    reading: float

    def __str__(self) -> str:
        return f"{self.words}, to {self.reading:g} points"

    def measured(self, bench: Bench) -> np.ndarray:
        true = np.array(bench.true)[:, ATTRIBUTES.index(self.attribute)]
        rng = np.random.default_rng(len(bench.pieces))
        return 10 - true + self.reading * rng.normal(size=len(true))


OUTRIGHT = "straying known outright"
PROPERTIES = (
    Property("droop", "droop_mm", "rigidity", 0.2),
    Property("water left", "water_left_pct", "crispness", 0.2),
    Property("water, loosely", "water_left_pct", "crispness", 0.5),
)


def corrected(weighed, bench: Bench, taken: Property) -> pd.DataFrame:
    """The ratings less what each shares with the property left over from its own surface."""
    tables = weighed.tables
    pieces = tables["pieces"].assign(**{taken.column: taken.measured(bench)})
    pieces["bake_day"] = bench.tasting
    measured = texture.measured(pieces, taken.column)
    found = texture.fit_assuming(measured, tables["doughs"], pieces, tables["factors"])
    left = pieces[taken.column].to_numpy() - _fitted(found, taken.column)
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


def straying_known(weighed, bench: Bench) -> pd.DataFrame:
    """The ratings less what each piece truly strays in crispness: no measurement can do more."""
    kitchen = bench.kitchen
    own = np.array(bench.true) - kitchen.truth(np.array(bench.coded))
    off = pd.Series(own[:, ATTRIBUTES.index(BOUND)], index=weighed.tables["pieces"]["piece"])
    values = weighed.wanted.values.copy()
    at = values["attribute"].eq(BOUND)
    values.loc[at, "mean"] -= values.loc[at, "piece"].map(off).to_numpy()
    return values


def _fitted(found, attribute: str) -> np.ndarray:
    columns = found.ground.of_model(found.ground.model.matrix(found.design))
    part = found.surfaces[attribute].part
    return part.middle + part.length * part.posterior.moments(columns)[0]


def compare(kitchens: int, offset: int) -> pd.DataFrame:
    """kitchen, doughs, the gap without, and one column per property: the gap with it."""
    rows = []
    for number in range(kitchens):
        kitchen = new_kitchen(number, offset=offset)
        least, _ = best_goal(kitchen, "distance")

        def gap(weighed, kitchen=kitchen, least=least):
            x = place_of(weighed)
            return float(kitchen.goal(kitchen.truth(x[None]), "distance")[0]) - least

        for doughs, weighed, bench in with_advice(kitchen, "distance", STOPS):
            row = {"kitchen": number, "doughs": doughs, "without": gap(weighed)}
            ways = {str(one): corrected(weighed, bench, one) for one in PROPERTIES}
            ways[OUTRIGHT] = straying_known(weighed, bench)
            for words, values in ways.items():
                wanted = replace(weighed.wanted, values=values)
                row[words] = gap(weigh_wanted(weighed.tables, wanted, seed=weighed.seed))
            rows.append(row)
    return pd.DataFrame(rows)


def differences(rows: pd.DataFrame) -> pd.DataFrame:
    """with, doughs, the two median gaps, the mean difference and its standard error."""
    found = []
    for words in (*map(str, PROPERTIES), OUTRIGHT):
        for doughs, part in rows.groupby("doughs"):
            better = part[words] - part["without"]
            found.append(
                {
                    "with": words,
                    "doughs": doughs,
                    "median without": part["without"].median(),
                    "median with": part[words].median(),
                    "mean difference": better.mean(),
                    "its error": better.std() / np.sqrt(len(part)),
                }
            )
    return pd.DataFrame(found)


def main() -> None:
    """Run, print, and with `--keep` write tests/results/physics.txt."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--kitchens", type=int, default=96)
    ask.add_argument("--offset", type=int, default=0)
    ask.add_argument("--keep", action="store_true", help="write tests/results/physics.txt")
    given = ask.parse_args()
    began = time.process_time()
    table = differences(compare(given.kitchens, given.offset))
    lines = [
        f"Gaps in {given.kitchens} simulated kitchens (set {given.offset}), the same doughs read "
        "with a measured property and without it; below nought it helps.",
        table.round(3).to_string(index=False),
        verdict(table),
        f"'{OUTRIGHT}': each piece's deviation in {BOUND} taken off, as no measurement can. Water "
        "left as a calibrated bake foretells it was not tried: no bake goes on in these kitchens.",
        f"{time.process_time() - began:.0f} s CPU.",
    ]
    print("\n".join(lines))
    if given.keep:
        results.write("physics", "Does a measured property lower the doughs needed?", lines)


def verdict(table: pd.DataFrame) -> str:
    """Which rows lie more than two standard errors below nought."""
    table = table[table["with"].ne(OUTRIGHT)]
    lower = table[table["mean difference"] < -2 * table["its error"]]
    if lower.empty:
        return "No measured property lowers the doughs needed, so the library does not use it so."
    said = ", ".join(f"{row['with']} at {row['doughs']} doughs" for _, row in lower.iterrows())
    return f"Lower by more than two standard errors, of {len(table)} looks: {said}."


if __name__ == "__main__":
    main()
