"""How long a next round and a forecast of doughs take.

    python -m tests.benchmarks.bench_advice

The next round is that of a study of 10 doughs in four factors; beside it, as the baseline of the
same run, one plain least-squares quadratic of every attribute on the same pieces. The forecast
imagines 100 kitchens on one core.
"""

from __future__ import annotations

import time

import pandas as pd

from doughkit import advice, panel, texture
from tests import results
from tests.studies import long_ratings, make_demo


def seconds(call) -> float:
    """CPU seconds, the least of three calls."""
    found = []
    for _ in range(3):
        began = time.process_time()
        call()
        found.append(time.process_time() - began)
    return min(found)


def small_study() -> dict[str, pd.DataFrame]:
    """The first round of a made study, 10 doughs, one score a row."""
    tables, _ = make_demo.make_study(3)
    tables["ratings"] = long_ratings(tables)
    doughs = tables["doughs"]
    early = doughs[(doughs["round"] == 1) | (doughs["kind"] != "test")]
    pieces = tables["pieces"][tables["pieces"]["dough"].isin(early["dough"])]
    servings = tables["servings"][tables["servings"]["piece"].isin(pieces["piece"])]
    ratings = tables["ratings"][tables["ratings"]["serving"].isin(servings["serving"])]
    early = early[early["dough"].isin(pieces["dough"]) | (early["status"] == "failed")]
    changed = {"doughs": early, "pieces": pieces, "servings": servings, "ratings": ratings}
    return {name: table.reset_index(drop=True) for name, table in {**tables, **changed}.items()}


def main() -> None:
    """Measure, print and keep."""
    tables = small_study()
    first = seconds(lambda: advice.next_round(tables, doughs_to_add=4, pieces_per_dough=2, seed=1))
    rated = panel.piece_means(tables["ratings"], tables["servings"], tables["pieces"])
    plain = seconds(
        lambda: texture.fit(rated.means, tables["doughs"], tables["pieces"], tables["factors"])
    )
    began = time.process_time()
    forecast = advice.doughs_needed(tables["factors"], tables.get("limits"), kitchens=100, seed=1)
    taken = time.process_time() - began
    lines = [
        f"a whole next round: {first:.2f} s CPU, {first / plain:.1f} times a plain regression of "
        f"the same study ({plain:.2f} s)",
        f"doughs_needed over 100 kitchens of {int(forecast.curve['doughs'].max())} doughs: "
        f"{taken:.1f} s CPU on one core",
        forecast.summary(),
    ]
    print("\n".join(lines))
    results.write("advice_speed", "Seconds of the advice, one core", lines)


if __name__ == "__main__":
    main()
