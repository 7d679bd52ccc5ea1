"""How many doughs until the texture is right? Ways of going on, compared in simulated kitchens.

    python -m tests.benchmarks.practice --kitchens 60

prints the table, holds it against its bars and draws `tests/results/practice.png`. A gap is how far
the true texture of what would be handed on lies from the best that any levels attain: in points for
the distance from a profile, as a share of the best for desirability.
"""

from __future__ import annotations

import argparse
import platform
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from doughkit.advice.rounds import shortfall
from tests.benchmarks.kitchens import ATTRIBUTES, FAMILIES, FOUR, Setting, best_goal, new_kitchen
from tests.benchmarks.strategies import (
    composite,
    least_squares,
    one_at_a_time,
    optimal,
    place_of,
    with_advice,
)

RESULTS = Path(__file__).parents[1] / "results"
GOALS = ("distance", "desirability")
STOPS = (6, 10, 14, 18, 22)
SESSIONS = tuple(range(4, 84, 4))
NEAR_ENOUGH = 0.35
LEVEL = 0.90
BASE = Setting()
STRESS = {
    "noise × 1.5": Setting(noise=1.5),
    "effects halved": Setting(effects=0.5),
    "five factors": Setting(factors=(*FOUR[:3], "fat_pct", "bake_min")),
    "drift .1 a day": Setting(drift=0.1),
    "crispness −.5 in a tasting": Setting(age=0.5),
    "one of six absent": Setting(absent=True),
    "reference tasted": Setting(reference_tasted=True),
}
OURS, OAT, HUNCH = "advice", "one at a time, careful", "good hunch, best re-baked"
CCD, IOPT = "composite, least squares", "I-optimal, least squares"


def one_kitchen(task: tuple[int, str, str, int]) -> list[dict]:
    """Every way of going on in one kitchen: one row per way and number of doughs."""
    number, condition, goal, offset = task
    setting = STRESS.get(condition, BASE)
    kitchen = new_kitchen(number, setting, offset=offset)
    least, _ = best_goal(kitchen, goal)
    rows = []

    def note(way, doughs, x, **more):
        true = float(kitchen.goal(kitchen.truth(x[None]), goal)[0])
        gap = (true - least) / (1.0 if goal == "distance" else 1 - least)
        key = {"kitchen": number, "family": kitchen.family, "condition": condition, "goal": goal}
        rows.append(key | {"way": way, "doughs": doughs, "gap": gap, "true": true} | more)

    for doughs, weighed, bench in with_advice(kitchen, goal, STOPS):
        x = place_of(weighed)
        left = shortfall(weighed.drawn, weighed.search)
        sure = _intervals(weighed, bench, kitchen, x)
        note(OURS, doughs, x, claimed=weighed.search.goal, left=left, **sure)
    if condition != "base":
        return rows
    for doughs, x, _ in one_at_a_time(kitchen, goal, SESSIONS):
        note(OAT, doughs, x)
    for doughs, x, _ in one_at_a_time(kitchen, goal, SESSIONS, several=True):
        note(HUNCH, doughs, x)
    x, claimed = least_squares(kitchen, goal, composite(FOUR), "composite")
    note(CCD, 16, x, claimed=claimed)
    for doughs in (12, 16, 24):
        plan = optimal(FOUR, doughs, number % 3)
        x, claimed = least_squares(kitchen, goal, plan, f"optimal {doughs}")
        note(IOPT, doughs, x, claimed=claimed)
    return rows


def _intervals(weighed, bench, kitchen, x) -> dict:
    """Whether the intervals at the recommended levels hold, how wide, and their score."""
    true, fresh = kitchen.truth(x[None])[0], bench.fresh(x)
    row = weighed.space.rows(weighed.search.best[None])
    held, following, width, score = [], [], [], []
    for at, name in enumerate(ATTRIBUTES):
        one = weighed.found.surfaces[name].part.predict(row, LEVEL).iloc[0]
        low, high = one["ci_low"], one["ci_high"]
        held.append(low <= true[at] <= high)
        following.append(one["next_low"] <= fresh[at] <= one["next_high"])
        width.append(high - low)
        missed = max(low - true[at], 0) + max(true[at] - high, 0)
        score.append(high - low + 2 / (1 - LEVEL) * missed)
    means = map(np.mean, (held, following, width, score))
    return dict(zip(("held", "next_held", "width", "score"), map(float, means), strict=True))


def run(kitchens: int, stress: int, workers: int, offset: int) -> pd.DataFrame:
    """All rows; kitchens that share a number share their truth."""
    tasks = [(at, "base", goal, offset) for at in range(kitchens) for goal in GOALS]
    tasks += [(at, name, "distance", offset) for name in STRESS for at in range(stress)]
    if workers < 2:
        parts = list(map(one_kitchen, tasks))
    else:
        with ProcessPoolExecutor(workers) as pool:
            parts = list(pool.map(one_kitchen, tasks, chunksize=4))
    return pd.DataFrame([row for part in parts for row in part])


# --- the table -----------------------------------------------------------------------------------


def table(rows: pd.DataFrame) -> pd.DataFrame:
    """Gaps and calibration by way and number of doughs."""
    keep = rows["doughs"].isin([*STOPS, 8, 12, 16, 24, 28, 32, 40, 60, 80])
    keep &= rows["condition"].eq("base")
    found = []
    key = ["goal", "way", "doughs"]
    for names, part in rows[keep].groupby(key, sort=False):
        gap = part["gap"]
        line = dict(zip(key, names, strict=True))
        line |= {"median": gap.median(), "p10": gap.quantile(0.1), "p90": gap.quantile(0.9)}
        line |= {"within .35": (gap <= NEAR_ENOUGH).mean(), "within .10": (gap <= 0.1).mean()}
        line["claimed − true"] = -(part["claimed"] - part["true"]).mean()
        line |= {name: part[name].mean() for name in ("held", "next_held", "width", "score")}
        found.append(line)
    return pd.DataFrame(found).sort_values(key, kind="stable", ignore_index=True)


def under_stress(rows: pd.DataFrame) -> pd.DataFrame:
    """Our way in every condition at 10, 14 and 22 doughs."""
    ours = rows[rows["way"].eq(OURS) & rows["goal"].eq("distance")]
    ours = ours[ours["doughs"].isin([10, 14, 22])]
    by = ours.groupby(["condition", "doughs"], sort=False)
    frame = by[["held", "next_held", "width", "score"]].mean()
    frame.insert(0, "median", by["gap"].median())
    frame.insert(1, "p90", by["gap"].quantile(0.9))
    return frame.reset_index()


# --- the bars ------------------------------------------------------------------------------------


class Sample:
    """Arrays by kitchen, so that kitchens can be drawn again."""

    def __init__(self, rows: pd.DataFrame):
        base = rows[rows["condition"].eq("base")]
        self.of = {
            (goal, way, int(doughs)): part.sort_values("kitchen").reset_index(drop=True)
            for (goal, way, doughs), part in base.groupby(["goal", "way", "doughs"])
        }
        self.count = base["kitchen"].nunique()

    def gaps(self, goal, way, doughs, chosen):
        return self.of[goal, way, doughs]["gap"].to_numpy()[chosen]

    def column(self, name, doughs, chosen, goal="distance"):
        return self.of[goal, OURS, doughs][name].to_numpy()[chosen]

    def stops(self, way, goal="distance"):
        return sorted(doughs for g, w, doughs in self.of if (g, w) == (goal, way))


def crossing(doughs, values, limit: float, *, rising: bool) -> float:
    """Where a curve first reaches a limit, straight between the stops; not reached: the last."""
    values = np.asarray(values) if rising else -np.asarray(values)
    limit = limit if rising else -limit
    over = np.flatnonzero(values >= limit)
    if not len(over):
        return float(doughs[-1])
    at = int(over[0])
    if at == 0:
        return float(doughs[0])
    share = (limit - values[at - 1]) / (values[at] - values[at - 1])
    return float(doughs[at - 1] + share * (doughs[at] - doughs[at - 1]))


def half_within(sample: Sample, way: str, chosen) -> float:
    stops = sample.stops(way)
    share = [(sample.gaps("distance", way, one, chosen) <= NEAR_ENOUGH).mean() for one in stops]
    return crossing(stops, share, 0.5, rising=True)


def matched(sample: Sample, way: str, doughs: int, chosen) -> float:
    """Doughs at which our median gap equals that of a one-shot design."""
    goal = np.median(sample.gaps("distance", way, doughs, chosen))
    stops = sample.stops(OURS)
    ours = [np.median(sample.gaps("distance", OURS, one, chosen)) for one in stops]
    return crossing(stops, ours, goal, rising=False)


def bars() -> list[tuple]:
    """name, statistic of (sample, chosen kitchens), low, high: what is asked of it."""

    def median(way, doughs, goal="distance"):
        return lambda s, c: np.median(s.gaps(goal, way, doughs, c))

    def upper(doughs):
        return lambda s, c: np.quantile(s.gaps("distance", OURS, doughs, c), 0.9)

    def within(doughs):
        return lambda s, c: (s.gaps("distance", OURS, doughs, c) <= NEAR_ENOUGH).mean()

    def mean(name, goal="distance", stops=STOPS):
        return lambda s, c: np.mean([s.column(name, one, c, goal).mean() for one in stops])

    def optimism(doughs):
        return lambda s, c: (s.column("true", doughs, c) - s.column("claimed", doughs, c)).mean()

    def stopped(s, c):
        some = [(s.column("left", one, c) <= 0.2, s.column("gap", one, c)) for one in STOPS]
        told, gap = (np.concatenate(part) for part in zip(*some, strict=True))
        return (gap[told] <= NEAR_ENOUGH).mean() if told.any() else np.nan

    listed = [
        ("gate: one at a time, 30 doughs", _at_30, 0.32, 0.44),
        ("gate: composite, 16 doughs", median(CCD, 16), 0.28, 0.38),
        *[(f"median gap at {n}", median(OURS, n), None, b)
          for n, b in ((10, 0.31), (14, 0.25), (22, 0.20))],
        *[(f"90th percentile at {n}", upper(n), None, b) for n, b in ((10, 0.58), (14, 0.47))],
        *[(f"share within .35 at {n}", within(n), b, None) for n, b in ((14, 0.75), (22, 0.88))],
        *[(f"desirability lost at {n}", median(OURS, n, "desirability"), None, b)
          for n, b in ((10, 0.11), (14, 0.09))],
        ("doughs until half within .35", lambda s, c: half_within(s, OURS, c), None, None),
        ("the same, one at a time", lambda s, c: half_within(s, OAT, c), None, None),
        ("the same, good hunch", lambda s, c: half_within(s, HUNCH, c), None, None),
        ("how many times fewer", _times_fewer, 5.0, None),
        ("doughs that match the 16-dough composite", lambda s, c: matched(s, CCD, 16, c), None, 9),
        ("doughs that match 24 I-optimal doughs", lambda s, c: matched(s, IOPT, 24, c), None, 14),
        ("long-run mean held, all", mean("held"), 0.86, 0.95),
        ("new dough held, all", mean("next_held"), 0.86, 0.95),
        ("long-run mean held, desirability", mean("held", "desirability"), 0.86, 0.95),
        ("width at 14", mean("width", stops=(14,)), None, 1.4),
        *[(f"long-run mean held, {family}", _of_family("held", family), 0.80, None)
          for family in FAMILIES],
        *[(f"new dough held, {family}", _of_family("next_held", family), 0.80, None)
          for family in FAMILIES],
        ("claimed − true at 6", optimism(6), -0.20, 0.03),
        *[(f"claimed − true at {n}", optimism(n), -0.12, 0.03) for n in STOPS[1:]],
        *[(f"claimed − true, {family}", _optimism_of(family), None, 0.05) for family in FAMILIES],
        ("gap ≤ .35 when little is said to be left", stopped, 0.80, None),
    ]  # fmt: skip
    return listed


def _at_30(sample: Sample, chosen) -> float:
    """Between the stops at 28 and 32."""
    both = [np.median(sample.gaps("distance", OAT, one, chosen)) for one in (28, 32)]
    return float(np.mean(both))


def _times_fewer(sample: Sample, chosen) -> float:
    return half_within(sample, OAT, chosen) / half_within(sample, OURS, chosen)


def _of_family(name: str, family: str):
    def statistic(sample, chosen):
        own = np.asarray(chosen) % len(FAMILIES) == FAMILIES.index(family)
        return np.mean([sample.column(name, one, np.asarray(chosen)[own]) for one in STOPS])

    return statistic


def _optimism_of(family: str):
    def statistic(sample, chosen):
        own = np.asarray(chosen)[np.asarray(chosen) % len(FAMILIES) == FAMILIES.index(family)]
        off = [sample.column("true", n, own) - sample.column("claimed", n, own) for n in STOPS]
        return np.mean(off)

    return statistic


def hold(rows: pd.DataFrame, draws: int = 1000) -> pd.DataFrame:
    """Every bar with its figure and the 95 % interval over kitchens drawn again."""
    sample, rng = Sample(rows), np.random.default_rng(1)
    everyone = np.arange(sample.count)
    again = [rng.integers(sample.count, size=sample.count) for _ in range(draws)]
    found = []
    for name, statistic, low, high in bars():
        figure = float(statistic(sample, everyone))
        ends = np.nanquantile([statistic(sample, one) for one in again], (0.025, 0.975))
        met = (low is None or figure >= low) and (high is None or figure <= high)
        line = {"bar": name, "figure": figure, "low95": ends[0], "high95": ends[1]}
        line |= {"asked low": low, "asked high": high}
        word = "" if low is None and high is None else "met" if met else "missed"
        found.append(line | {"": word})
    return pd.DataFrame(found)


def picture(rows: pd.DataFrame, path: Path) -> None:
    """Median gap by doughs, with the middle eight of ten kitchens for our way."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    base = rows[rows["condition"].eq("base")]
    fig, axes = plt.subplots(1, 2, figsize=(10, 4), layout="constrained")
    looks = {OURS: "o-", OAT: "s--", HUNCH: "^--", CCD: "D", IOPT: "v:"}
    for ax, goal in zip(axes, GOALS, strict=True):
        for way, look in looks.items():
            own = base[base["way"].eq(way) & base["goal"].eq(goal)].groupby("doughs")["gap"]
            middle = own.median()
            ax.plot(middle.index, middle, look, label=way, markersize=5)
            if way == OURS:
                ax.fill_between(middle.index, own.quantile(0.1), own.quantile(0.9), alpha=0.2)
        unit = "points" if goal == "distance" else "share of the best"
        ax.set(
            xlabel="doughs", ylabel=f"gap to the best attainable [{unit}]", title=goal, xlim=(0, 62)
        )
        ax.set_ylim(bottom=0)
    axes[0].legend()
    fig.savefig(path, dpi=110)


def main() -> None:
    """Run, print, and with `--keep` write the result files."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--kitchens", type=int, default=60)
    ask.add_argument("--stress", type=int, default=24)
    ask.add_argument("--workers", type=int, default=1)
    ask.add_argument("--offset", type=int, default=0, help="another number: other kitchens")
    ask.add_argument("--keep", action="store_true", help="write tests/results/practice.*")
    given = ask.parse_args()
    began = time.time()
    rows = run(given.kitchens, given.stress, given.workers, given.offset)
    text = report(rows, given, time.time() - began)
    print(text)
    if given.keep:
        RESULTS.mkdir(exist_ok=True)
        (RESULTS / "practice.txt").write_text(text + "\n", encoding="utf8")
        picture(rows, RESULTS / "practice.png")


def report(rows: pd.DataFrame, given, seconds: float) -> str:
    """The tables as text, with date and machine."""
    shown = {"index": False, "na_rep": "–", "float_format": "{:.3f}".format}
    machine = f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}"
    parts = [
        f"In simulated kitchens ({given.kitchens}; {given.stress} in each stress; set "
        f"{given.offset}), {date.today().isoformat()}, {machine}, {given.workers} at a time, "
        f"{seconds:.0f} s",
        "Spreads in points: day .25, dough .35, piece .25, tasters' level .7, use 15 %, repeat .9; "
        "6 tasters, 2 pieces a dough, 6 doughs first, then 4 a day; 90 % intervals.",
        table(rows).to_string(**shown),
        under_stress(rows).to_string(**shown),
        hold(rows).to_string(**shown),
    ]
    return "\n\n".join(parts)


if __name__ == "__main__":
    main()
