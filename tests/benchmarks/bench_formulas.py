"""How long formulas take to sum up: one call against a plain groupby-apply, and whether linear.

    python -m tests.benchmarks.bench_formulas [formulas]

Both sides get the same text as written and give the same figures. Times are of the processor, so
what else the machine does counts little.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from doughkit import formulas

INGREDIENTS = {
    "bread flour": 400,
    "whole wheat flour": 100,
    "water": 310,
    "salt": 10,
    "instant yeast": 4,
    "olive oil": 12,
    "whole milk": 40,
    "sugar": 15,
    "salted butter": 20,
    "egg": 50,
}
"""Ten lines a formula, with usual grams."""
UNITS = ("g", "g", "g", "kg", "oz", "ml")
GRAMS = {"g": 1.0, "kg": 1000.0, "oz": 28.349523125}
SAME = ("hydration_pct", "salt_pct", "fat_pct", "whole_grain_pct", "dry_pct")


def written(count: int, seed: int = 1) -> pd.DataFrame:
    """So many formulas of ten lines, in mixed units."""
    draw = np.random.default_rng(seed)
    size = (count, len(INGREDIENTS))
    grams = draw.uniform(0.6, 1.4, size) * np.array(list(INGREDIENTS.values()))
    unit = draw.choice(UNITS, size)
    # Only water and milk are poured by volume.
    poured = np.isin(list(INGREDIENTS), ["water", "whole milk"])
    unit = np.where((unit == "ml") & ~poured, "g", unit)
    per = np.vectorize({**GRAMS, "ml": 1.0}.get)(unit)
    return pd.DataFrame(
        {
            "formula": np.repeat([f"F{place}" for place in range(count)], size[1]),
            "part": "",
            "ingredient": np.tile(list(INGREDIENTS), count),
            "amount": [f"{amount:.4g}" for amount in (grams / per).ravel()],
            "unit": unit.ravel(),
        }
    ).astype("str")


def baseline(frame: pd.DataFrame) -> pd.DataFrame:
    """The same figures by the road one would take first: merge, then apply per formula."""
    known = formulas.composition().table
    lines = frame.merge(known, on="ingredient", how="left")
    per = lines["unit"].map(GRAMS).fillna(lines["density_g_ml"])
    lines["grams"] = lines["amount"].astype(float) * per
    return lines.groupby("formula", sort=False).apply(_one).reset_index()


def _one(lines: pd.DataFrame) -> pd.Series:
    grams, role = lines["grams"], lines["role"]
    is_flour = role == "flour"
    flour = grams[is_flour].sum()
    dry_flour = (grams * (1 - lines["moisture_pct"] / 100))[is_flour].sum()
    water = (grams * lines["moisture_pct"] / 100).sum()
    added = ~role.isin(["flour", "yeast"])
    words = sorted({word for text in lines["allergens"] for word in text.split("|") if word})
    return pd.Series(
        {
            "flour_g": flour,
            "dough_g": grams.sum(),
            "hydration_pct": 100 * grams[role == "water"].sum() / flour,
            "effective_hydration_pct": 100 * water * 0.86 / dry_flour - 14,
            "salt_pct": (grams * lines["salt_pct"]).sum() / flour,
            "fat_pct": (grams * lines["fat_pct"])[added].sum() / flour,
            "sugar_pct": (grams * lines["sugar_pct"])[added].sum() / flour,
            "whole_grain_pct": (grams * lines["whole_grain_pct"])[is_flour].sum() / flour,
            "yeast_pct": 100 * grams[role == "yeast"].sum() / flour,
            "dry_pct": 100 * (grams.sum() - water) / flour,
            "water_pct": 100 * water / flour,
            "allergens": "|".join(words),
        }
    )


def seconds(function, *given, times: int = 1) -> float:
    """Shortest processor time of some runs."""
    took = []
    for _ in range(times):
        begun = time.process_time()
        function(*given)
        took.append(time.process_time() - begun)
    return min(took)


def race(count: int) -> dict[str, float]:
    """Seconds of both roads over the same formulas, and how often the one is faster."""
    frame = written(count)
    ours = formulas.overview(frame)
    plain = seconds(baseline, frame)
    once = seconds(formulas.overview, frame, times=3)
    return {"formulas": len(ours), "baseline_s": plain, "ours_s": once, "faster": plain / once}


def growth(counts=(5_000, 10_000, 20_000, 40_000)) -> tuple[list[float], float]:
    """Seconds by number of formulas, and the power by which they grow (1: linear)."""
    took = [seconds(formulas.overview, written(count), times=3) for count in counts]
    return took, float(np.polyfit(np.log(counts), np.log(took), 1)[0])


def same_figures(count: int = 50) -> bool:
    """Both roads lead to the same figures."""
    frame = written(count)
    ours, plain = formulas.overview(frame), baseline(frame)
    return all(np.allclose(ours[name], plain[name], rtol=1e-9) for name in SAME)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    print(f"same figures by both roads: {same_figures()}")
    told = race(count)
    print(f"{told['formulas']} formulas of {len(INGREDIENTS)} lines")
    print(f"one call {told['ours_s']:.2f} s, groupby-apply {told['baseline_s']:.1f} s")
    print(f"ratio {told['faster']:.0f}")
    took, power = growth()
    print("5,000 to 40,000 formulas: " + ", ".join(f"{one:.2f} s" for one in took))
    print(f"time grows as the number of formulas to the power {power:.2f}")


if __name__ == "__main__":
    main()
