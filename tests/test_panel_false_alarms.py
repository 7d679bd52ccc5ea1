"""How often alike batches and formulas are told apart, and how often unlike ones are found."""

from __future__ import annotations

import platform
import time
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doughkit.panel import compare_doughs, compare_formulas

RESULT = Path(__file__).parent / "results" / "panel_false_alarms.txt"
SEED = 20_260_307
AT_ONCE = 250
"""Panels handed in together, each as an attribute of its own."""


def panels_of(count, seed, *, people, luck, own_view=0.5, of_formula=0.0, apart=0.0):
    """Ratings of `count` panels: 6 doughs of 3 formulas, everybody twice; and the other tables."""
    draw = np.random.default_rng(seed)
    shape = (3, 2, people, 2)
    f, d, a, k = (one.ravel() for one in np.indices(shape))
    dough = np.char.add(np.char.add("D", f.astype(str)), d.astype(str))
    servings = pd.DataFrame({"assessor": a.astype(str), "piece": dough, "repeat": k + 1.0})
    servings = servings.assign(serving=[f"s{at}" for at in range(a.size)], tasting="T1")
    servings = servings.astype({"assessor": "str", "piece": "str"})
    score = (
        draw.normal(0, 1, (count, people))[:, a]
        + own_view * draw.normal(size=(count, 3, 2, people))[:, f, d, a]
        + of_formula * draw.normal(size=(count, 3, people))[:, f, a]
        + luck * draw.normal(size=(count, 3, 2))[:, f, d]
        + draw.normal(0, 0.9, (count, a.size))
        + apart * (f == 1)
    )
    ratings = pd.DataFrame(
        {
            "serving": np.tile(servings["serving"].to_numpy(), count),
            "attribute": np.repeat([f"panel {at}" for at in range(count)], a.size),
            "score": score.ravel(),
        }
    )
    pieces = servings[["piece"]].drop_duplicates(ignore_index=True)
    pieces = pieces.assign(dough=pieces["piece"])
    doughs = pieces[["dough"]].assign(kind="test", formula="F" + pieces["dough"].str[1])
    return ratings, servings, pieces, doughs


def share(count, about, **truth):
    """Share of panels with p ≤ 0.05."""
    found = []
    for start in range(0, count, AT_ONCE):
        tables = panels_of(min(AT_ONCE, count - start), SEED + start, **truth)
        answer = compare_doughs(*tables[:3]) if about == "batch" else compare_formulas(*tables)
        found.append(answer.tests["p"].to_numpy() <= 0.05)
    return float(np.concatenate(found).mean())


KINDS = {
    "batches": [
        ("6 × 6 × 2, alike", "batch", {"people": 6, "luck": 0.0}),
        ("6 × 4 × 2, alike", "batch", {"people": 4, "luck": 0.0}),
        (
            "6 × 4 × 2, alike, hardly any own view",
            "batch",
            {"people": 4, "luck": 0.0, "own_view": 0.1},
        ),
    ],
    "formulas": [
        ("6 × 6 × 2, alike, doughs 0.35", "formula", {"people": 6, "luck": 0.35}),
        ("6 × 4 × 2, alike, doughs 0.35", "formula", {"people": 4, "luck": 0.35}),
        (
            "6 × 6 × 2, alike, doughs 0.35, own views of formulas 0.5",
            "formula",
            {"people": 6, "luck": 0.35, "own_view": 0.2, "of_formula": 0.5},
        ),
        ("6 × 6 × 2, alike, doughs alike too", "formula", {"people": 6, "luck": 0.0}),
    ],
    "found": [
        ("6 × 6 × 2, one pair of batches 1.5 points apart", "batch", {"people": 6, "luck": 0.0}),
        ("6 × 6 × 2, one formula 1.5 points apart, doughs 0.35", "formula", {"people": 6}),
    ],
    "misread": [
        ("6 × 6 × 2, batches read as formulas, doughs 0.35", "batch", {"people": 6, "luck": 0.35}),
    ],
}
"""Doughs × people × portions; the doughs are 3 formulas × 2."""


def test_a_few_hundred_alike_panels_raise_few_alarms():
    assert share(200, "batch", people=6, luck=0.0) <= 0.10
    assert share(100, "formula", people=6, luck=0.35) <= 0.10


def test_batches_read_as_formulas_would_raise_many():
    assert share(100, "batch", people=6, luck=0.35) > 0.12


@pytest.mark.long
def test_false_alarms_stay_within_their_risk_over_ten_thousand_panels():
    begun, lines, shares = time.perf_counter(), [], {}
    for kind, cases in KINDS.items():
        count = 10_000 if kind in ("batches", "formulas") else 2_000
        for name, about, truth in cases:
            apart = 1.5 if kind == "found" else 0.0
            truth = {"luck": 0.35, "apart": apart, **truth}
            shares[name] = share(count, about, **truth)
            lines.append(f"{kind}: {name}: {100 * shares[name]:.2f} % of {count}")
    machine = f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"
    head = [
        "Share of simulated panels called different at p 0.05 (batches by compare_doughs, formulas",
        "by compare_formulas); doughs × people × portions, the six doughs being 3 formulas × 2.",
        "Wanted: at most 5.8 % where all are alike.",
        f"date {date.today()}, {machine}, "
        + ", ".join(f"{name} {version(name)}" for name in ("numpy", "pandas", "scipy"))
        + f"; seed {SEED}, {time.perf_counter() - begun:.0f} s",
        "",
    ]
    RESULT.parent.mkdir(exist_ok=True)
    RESULT.write_text("\n".join([*head, *lines]) + "\n", encoding="utf8")
    print("\n".join(lines))
    for kind in ("batches", "formulas"):
        for name, *_ in KINDS[kind]:
            assert shares[name] <= 0.058, name
