"""Published panels as the three tables of a tasting: ratings, servings, pieces."""

from __future__ import annotations

from functools import cache

import pandas as pd

from tests.outside import DATA

COMPLETE = ("10", "16", "19", "51", "52", "63", "78")
"""Assessors of the french fries who missed no week."""


def study(frame):
    """Ratings, servings, pieces of a frame with assessor, dough, score and what else it has."""
    frame = frame.reset_index(drop=True)
    frame = frame.assign(serving=[f"s{at}" for at in range(len(frame))])
    for name, instead in (("tasting", "T1"), ("piece", frame["dough"]), ("attribute", "score")):
        if name not in frame:
            frame[name] = instead
    if "repeat" not in frame:
        frame["repeat"] = 1.0
    return (
        frame[["serving", "attribute", "score"]],
        frame[["serving", "tasting", "assessor", "piece", "repeat"]],
        frame[["piece", "dough"]].drop_duplicates(ignore_index=True),
    )


def grid(table, people=None, doughs=None):
    """A frame of scores from a table dough × assessor."""
    table = pd.DataFrame(table, index=doughs, columns=people)
    long = table.rename_axis(index="dough").reset_index().melt("dough", var_name="assessor")
    return long.rename(columns={"value": "score"}).astype({"dough": "str", "assessor": "str"})


@cache
def machines(*, piece="one"):
    """Machines as doughs, workers as assessors; the three scores as portions or as pieces."""
    frame = pd.read_csv(DATA / "machines.csv", dtype={"Worker": "str"})
    frame = frame.rename(columns={"Machine": "dough", "Worker": "assessor"})
    count = frame.groupby(["dough", "assessor"]).cumcount() + 1
    if piece == "one":
        return study(frame.assign(repeat=count.astype(float)))
    names = frame["dough"] + count.astype(str)
    return study(frame.assign(piece=names + frame["assessor"] if piece == "own" else names))


@cache
def stools():
    frame = pd.read_csv(DATA / "stools.csv", dtype={"Subject": "str"})
    names = {"Type": "dough", "Subject": "assessor", "effort": "score"}
    return study(frame.rename(columns=names))


@cache
def cakes():
    """Recipes as doughs, replicates as assessors, the six oven temperatures as pieces."""
    frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype={"replicate": "str"})
    frame = frame.rename(columns={"recipe": "dough", "replicate": "assessor", "angle": "score"})
    return study(frame.assign(piece=frame["dough"] + frame["temperature"].astype(str)))


@cache
def fries(attributes=("potato", "buttery", "grassy", "rancid", "painty"), assessors=None):
    """Oils as doughs, a piece per oil and week, two portions."""
    frame = pd.read_csv(DATA / "french_fries.csv").rename(columns={"rep": "repeat"})
    oil = "oil " + frame["treatment"].astype(str)
    frame = frame.assign(
        serving=[f"s{at}" for at in range(len(frame))],
        tasting=frame["time"].astype(str),
        week=frame["time"].astype(str),
        assessor=frame["subject"].astype(str),
        dough=oil,
        piece=oil + " week " + frame["time"].astype(str),
    )
    if assessors:
        frame = frame[frame["assessor"].isin(assessors)]
    return (
        frame.melt("serving", list(attributes), "attribute", "score"),
        frame[["serving", "tasting", "assessor", "piece", "repeat"]],
        frame[["piece", "dough", "week"]].drop_duplicates(ignore_index=True),
    )


@cache
def catalyst():
    """Four catalysts, each tried on three of four batches."""
    scores = {"1": "73 74 - 71", "2": "- 75 67 72", "3": "73 75 68 -", "4": "75 - 72 75"}
    frame = grid([text.split() for text in scores.values()], list("abcd"), list(scores))
    return study(frame[frame["score"] != "-"].astype({"score": float}))


@cache
def apples():
    frame = pd.read_csv(DATA / "apple_taste.csv", dtype={"product": "str"})
    names = {"product": "dough", "panelist": "assessor", "aftertaste": "score"}
    return study(frame.rename(columns=names))


JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
"""Shrout and Fleiss 1979, table 2: six targets × four judges."""

BIRDS = [
    [10.4, 10.8, 11.1, 10.2, 10.3, 10.2, 10.7, 10.5, 10.8, 11.2, 10.6, 11.4],
    [7.4, 7.6, 7.9, 7.2, 7.4, 7.1, 7.4, 7.2, 7.8, 7.7, 7.8, 8.3],
    [17, 17, 20, 14.5, 15.5, 13, 19.5, 16, 21, 20, 18, 22],
]
"""Zar, Biostatistical Analysis, example 20.5: wing, tail and bill of twelve birds."""

SLEEP = {
    "dextro": [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    "laevo": [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
}
"""Student 1908: additional hours of sleep of ten patients under two drugs."""
