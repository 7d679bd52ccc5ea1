"""How fast a study of 200 doughs, 1,000 pieces and 50,000 ratings opens, and what runs on it.

    python3 -m tests.benchmarks.big_study            opens it, beside plain pandas.read_csv
    python3 -m tests.benchmarks.big_study notebooks  and runs every notebook on it

The study is invented: the demo's formulas, ovens and factors, with 125 tastings of eight pieces.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from doughkit import share
from doughkit.formulas import vary, weigh_out
from doughkit.study import convert_study, open_study, shipped
from doughkit.tables import read_tables, save_table

TITLE = "200 doughs, 1,000 pieces, 50,000 ratings: opening them, and what runs"
TASTINGS, TASTERS = 125, 13
TEST, CONTROL = 150, 49
SIZES = (("length_mm", 396.0, 2.0), ("width_mm", 210.0, 2.0), ("thickness_mm", 4.8, 0.2))


def make(folder: Path) -> Path:
    """Write the study; the ratings have a row per score."""
    tables = read_tables(shipped().data_demo)
    draw = np.random.default_rng(1)
    tables["doughs"] = make_doughs(tables["factors"], draw)
    tables["pieces"] = make_pieces(tables["doughs"], draw)
    people = [f"P{number:02d}" for number in range(TASTERS)]
    tables["assessors"] = pd.DataFrame({"assessor": people, "knows_formulas": "no"})
    tables["servings"] = make_servings(tables["pieces"], people, draw)
    tables["ratings"] = make_ratings(tables, draw)
    tables["moistures"] = tables["moistures"].query("of == 'REF'").assign(of="R")
    tables["weighed"] = make_weighed(tables, draw)
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        save_table(folder, name, frame)
    return folder


def make_doughs(factors: pd.DataFrame, draw) -> pd.DataFrame:
    doughs = pd.DataFrame({"dough": [f"D{number:03d}" for number in range(TEST)], "kind": "test"})
    doughs["round"] = 1.0 + doughs.index // 10
    for one in factors[factors["changed_per"] == "dough"].itertuples():
        steps = round((one.high - one.low) / one.step)
        level = one.low + one.step * draw.integers(0, steps + 1, TEST)
        doughs[one.factor] = np.round(np.clip(level, one.low, one.high), 6)
    # the demo's limit: no dough wetter than its whole grain can hold
    ceiling = 70 + 0.1 * doughs["whole_grain_pct"]
    doughs["hydration_pct"] = np.minimum(doughs["hydration_pct"], ceiling)
    middle = {"hydration_pct": 62.0, "salt_pct": 2.1, "whole_grain_pct": 20.0}
    controls = pd.DataFrame({"dough": [f"C{n:02d}" for n in range(CONTROL)], "kind": "control"})
    reference = pd.DataFrame({"dough": ["R"], "kind": ["reference"]})
    doughs = pd.concat([doughs, controls.assign(**middle), reference], ignore_index=True)
    ours = doughs["kind"] != "reference"
    doughs["formula"] = pd.Series("lath base", doughs.index).where(ours)
    doughs["status"] = pd.Series("baked", doughs.index).where(ours)
    return doughs.assign(piece_mass_g=pd.Series(200.0, doughs.index).where(ours))


def make_weighed(tables: dict, draw) -> pd.DataFrame:
    """What went into each of our doughs, to the gram and a little off."""
    ours = tables["doughs"].query("kind != 'reference'")
    varied = vary(tables["formulas"], ours, tables["ingredients"])
    weighed = weigh_out(varied, piece_g=200.0, pieces=5)
    off = np.maximum(np.round(weighed["planned_g"] + draw.normal(0, 0.7, len(weighed))), 0)
    weighed = weighed.assign(weighed_g=off.where(weighed["planned_g"] > 50, weighed["planned_g"]))
    return weighed[["dough", "part", "ingredient", "planned_g", "weighed_g"]]


def make_pieces(doughs: pd.DataFrame, draw) -> pd.DataFrame:
    """Eight pieces a tasting: six of three test doughs, a control's, the reference's."""
    rows = []
    for tasting in range(TASTINGS):
        for place in range(6):
            dough = f"D{(3 * tasting + place // 2) % TEST:03d}"
            rows.append((dough, tasting, (5.0, 8.0)[place % 2]))
        rows += [(f"C{tasting % CONTROL:02d}", tasting, 6.5), ("R", tasting, np.nan)]
    pieces = pd.DataFrame(rows, columns=["dough", "day", "bake_min"])
    number = pieces.groupby("dough").cumcount().map("{:03d}".format)
    pieces["piece"] = pieces["dough"] + "-" + number
    ours = pieces["dough"] != "R"
    pieces["bake_day"] = "B" + pieces["day"].map("{:03d}".format)
    pieces["bake_order"] = (pieces.groupby("day").cumcount() + 1.0).where(ours)
    pieces["oven"] = pd.Series("home steel", pieces.index).where(ours)
    hydration = pieces["dough"].map(doughs.set_index("dough")["hydration_pct"])
    loss = 5 * np.sqrt(pieces["bake_min"]) + 0.2 * hydration + draw.normal(0, 0.6, len(pieces))
    pieces["mass_before_g"] = pd.Series(200.0, pieces.index).where(ours)
    pieces["mass_after_g"] = np.round(200 * (1 - loss / 100)).where(ours)
    droop = 14 - 1.2 * pieces["bake_min"] + draw.normal(0, 0.8, len(pieces))
    pieces["droop_mm"] = np.round(np.maximum(droop, 0.1), 1).fillna(3.0)
    pieces["scale_step_g"] = pd.Series(1.0, pieces.index).where(ours)
    for column, usual, spread in SIZES:
        measured = np.round(usual + draw.normal(0, spread, len(pieces)), 1)
        pieces[column] = pd.Series(measured, pieces.index).where(ours)
    return pieces.drop(columns="day")


def make_servings(pieces: pd.DataFrame, people: list[str], draw) -> pd.DataFrame:
    """Every piece to 12 or 13 tasters, in each taster's own order."""
    rows = []
    for tasting in range(TASTINGS):
        eight = pieces["piece"].iloc[8 * tasting : 8 * tasting + 8].to_numpy()
        for who in people[tasting % 2 :]:
            codes = draw.choice(np.arange(100, 1000), 8, replace=False)
            for position, piece in enumerate(draw.permutation(8), 1):
                rows.append((f"T{tasting:03d}", who, eight[piece], position, str(codes[piece])))
    servings = pd.DataFrame(rows, columns=["tasting", "assessor", "piece", "position", "code"])
    servings["serving"] = [f"S{number:05d}" for number in range(len(servings))]
    return servings.assign(repeat=1.0, position=servings["position"].astype(float))


def make_ratings(tables: dict, draw) -> pd.DataFrame:
    served = tables["servings"].merge(tables["pieces"], on="piece")
    served = served.merge(tables["doughs"], on="dough")
    bake = served["bake_min"].fillna(7) - 6.5
    wet = served["hydration_pct"].fillna(60) - 62
    mild = dict(zip(tables["assessors"]["assessor"], draw.normal(0, 0.7, TASTERS), strict=True))
    frames = []
    for number, attribute in enumerate(tables["attributes"]["attribute"]):
        score = 5 + 0.8 * bake - 0.08 * wet * (1 + number) - 0.004 * wet**2
        score += served["assessor"].map(mild) + draw.normal(0, 0.9, len(served))
        score = np.clip(np.round(score), 1, 9)
        frames.append(served[["serving"]].assign(attribute=attribute, score=score))
    return pd.concat(frames, ignore_index=True)


def seconds(do, times: int = 5) -> tuple[float, float]:
    """By the clock and of the processor: the best of a few, which other work disturbs least."""
    took = []
    for _ in range(times):
        began, busy = time.perf_counter(), time.process_time()
        do()
        took.append((time.perf_counter() - began, time.process_time() - busy))
    return min(clock for clock, _ in took), min(busy for _, busy in took)


def opening(folder: Path) -> list[str]:
    files = sorted(folder.glob("*.csv"))
    clock, ours = seconds(lambda: open_study(folder))
    _, plain = seconds(lambda: [pd.read_csv(file) for file in files])
    counts = {name: len(frame) for name, frame in open_study(folder).items()}
    told = [
        ", ".join(f"{counts[name]} {name}" for name in ("doughs", "pieces", "servings", "ratings")),
        f"opened and checked as CSV: {clock:.2f} s by the clock, {ours:.2f} s of one processor; "
        f"plain pandas.read_csv of the same files: {plain:.3f} s; ratio {ours / plain:.0f}",
    ]
    convert_study(folder)
    clock, book = seconds(lambda: open_study(folder), times=2)
    convert_study(folder)
    return [*told, f"as one workbook: {clock:.1f} s by the clock, {book:.1f} s of one processor"]


def notebooks(folder: Path) -> list[str]:
    told = []
    for notebook in sorted(shipped().notebooks.glob("*.ipynb")):
        began = time.perf_counter()
        try:
            share.run_notebook(notebook, folder)
            end = "ran"
        except share.NotebookFailed as failed:
            end = str(failed).replace(str(folder), "")[:300]
        told.append(f"{notebook.stem}: {end}, {time.perf_counter() - began:.0f} s")
        print(told[-1], flush=True)
    return told


if __name__ == "__main__":
    from tests import results

    with tempfile.TemporaryDirectory() as place:
        study = make(Path(place) / "big")
        lines = opening(study)
        print("\n".join(lines), flush=True)
        if "notebooks" in sys.argv:
            lines += notebooks(study)
        results.write("big_study", TITLE, lines)
