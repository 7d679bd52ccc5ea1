"""Real data: four of fifteen replicates of chocolate cakes predict the mean of the other eleven.

    python -m tests.benchmarks.replay --draws 500

Noise and truth are nobody's assumption here. Beside the library's intervals stand those of a plain
residual spread, which forgets that the cakes of a day are alike: the negative control.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from scipy import stats

from doughkit import texture
from doughkit.fitting.posterior import mixture_quantile
from doughkit.trials.coding import as_levels
from tests import results
from tests.outside import DATA

LEVEL = 0.90
FACTORS = pd.DataFrame(
    [
        {"factor": "recipe", "changed_per": "dough", "levels": "A|B|C"},
        {"factor": "oven_c", "changed_per": "piece", "low": 175.0, "high": 225.0},
    ]
)


def cakes() -> pd.DataFrame:
    """One row per cake: replicate, recipe, oven_c, angle, dough, piece."""
    frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype={"replicate": str})
    return pd.DataFrame(
        {
            "replicate": frame["replicate"],
            "recipe": as_levels(frame["recipe"]),
            "oven_c": frame["temp"].astype(float),
            "angle": frame["angle"].astype(float),
            "dough": frame["recipe"] + frame["replicate"],
            "piece": [f"P{at}" for at in range(len(frame))],
        }
    )


def fitted(rows: pd.DataFrame):
    """The library's fit of some cakes."""
    doughs = rows[["dough", "recipe"]].drop_duplicates("dough").assign(kind="test")
    pieces = rows[["piece", "dough", "oven_c"]].assign(bake_day=rows["replicate"])
    values = texture.measured(rows, "angle")
    return texture.fit_assuming(values, doughs, pieces, FACTORS)


def one_draw(rows: pd.DataFrame, chosen) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of 18 cells: held by ours, held by the naive interval, our width."""
    known, rest = (rows[rows["replicate"].isin(chosen) == seen] for seen in (True, False))
    cells = rest.groupby(["recipe", "oven_c"])["angle"].mean().reset_index()
    count = rest["replicate"].nunique()
    found = fitted(known)
    columns = found.ground.of_model(found.ground.model.matrix(cells))
    part = found.surfaces["angle"].part
    mean, variance = part.posterior.at(columns)
    # The mean of so many other days is no long-run mean: it strays by a share of all spreads.
    sd = np.sqrt(variance + part.misfit**2 + part.next_variance[:, None] / count)
    low, high = (
        part.middle + part.length * mixture_quantile(at, mean, sd, part.posterior.weight)
        for at in ((1 - LEVEL) / 2, (1 + LEVEL) / 2)
    )
    ours = (low <= cells["angle"]) & (cells["angle"] <= high)
    return ours.to_numpy(), naive(known, cells, count), np.asarray(high - low)


def naive(known: pd.DataFrame, cells: pd.DataFrame, count: int) -> np.ndarray:
    """Cell means with the spread of all cakes around recipe and temperature, days forgotten."""
    by = known.groupby(["recipe", "oven_c"])["angle"]
    day = known.groupby("dough")["angle"].transform("mean") - known.groupby("recipe")[
        "angle"
    ].transform("mean")
    residual = known["angle"] - by.transform("mean") - day
    df = len(known) - 18 - known["dough"].nunique() + 3
    s = np.sqrt((residual**2).sum() / df)
    half = stats.t.ppf((1 + LEVEL) / 2, df) * s * np.sqrt(1 / by.size().iloc[0] + 1 / count)
    return np.abs(by.mean().to_numpy() - cells["angle"].to_numpy()) <= half


def replay(draws: int, seed: int = 1) -> pd.DataFrame:
    """draw, held, naive, width: shares over the 18 cells."""
    rows, rng = cakes(), np.random.default_rng(seed)
    names = rows["replicate"].unique()
    found = [one_draw(rows, rng.choice(names, 4, replace=False)) for _ in range(draws)]
    frame = pd.DataFrame([tuple(np.mean(one) for one in row) for row in found])
    return frame.set_axis(["held", "naive", "width"], axis=1)


def main() -> None:
    """Run and print."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--draws", type=int, default=100)
    given = ask.parse_args()
    began = time.process_time()
    found = replay(given.draws)
    lines = [
        f"{given.draws} draws of 4 of 15 replicates, means of the other 11 inside their "
        f"90 % interval in 18 cells: {found['held'].mean():.3f} (asked .85 to .96), mean width "
        f"{found['width'].mean():.1f} degrees; naive residual spread {found['naive'].mean():.3f}; "
        f"{time.process_time() - began:.0f} s CPU",
        "The starting assumptions were once weighed on these same cakes, so this is no fresh proof "
        "of them; what it shows is that they hold there, and that the naive spread does not.",
    ]
    print("\n".join(lines))
    results.write("replay", "Chocolate cakes: a few replicates foretell the rest", lines)


if __name__ == "__main__":
    main()
