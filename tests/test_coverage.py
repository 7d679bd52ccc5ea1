"""Over studies made anew, intervals of the factors' effects hold the hidden truth as claimed.

The whole path is gone through each time: scores with rounding, absent tasters and one who hardly
tells doughs apart → piece means → regression by strata. The truth it is held to is the panel's
expected score (`Truth.expected` of the demo's script), with one factor moved from low to high and
the others as they were in the pieces of test doughs, averaged over those pieces.
"""

from __future__ import annotations

import platform
import time
from datetime import date
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doughkit import panel, texture
from tests.studies import long_ratings, make_demo

RESULT = Path(__file__).parent / "results" / "coverage.txt"
FIRST_SEED = 1000


def one_study(seed: int, base=make_demo.DEMO) -> pd.DataFrame:
    """Each factor's effect with its interval beside the truth, and the processor's seconds."""
    tables, truth = make_demo.make_study(seed, base)
    ratings = long_ratings(tables)
    begun = time.process_time()
    means = panel.piece_means(ratings, tables["servings"], tables["pieces"]).means
    fit = texture.fit(means, tables["doughs"], tables["pieces"], tables["factors"])
    seconds = time.process_time() - begun
    baked = tables["pieces"].merge(tables["doughs"].query("kind == 'test'"), on="dough")
    points = baked[list(tables["factors"]["factor"])]
    own = fit.effects[fit.effects["kind"] == "linear"]
    found = own.merge(truth.low_to_high(points), on=["factor", "attribute"], suffixes=("", "_true"))
    assert len(found) == 4 * len(base.attributes)
    return found.assign(seed=seed, seconds=seconds)


@cache
def many(count: int, base=make_demo.DEMO) -> pd.DataFrame:
    found = pd.concat([one_study(FIRST_SEED + more, base) for more in range(count)])
    covers = found["low_to_high_true"].between(found["ci_low"], found["ci_high"])
    error = found["low_to_high"] - found["low_to_high_true"]
    width = found["ci_high"] - found["ci_low"]
    return found.assign(covers=covers, error=error, width=width)


def standard_error(found: pd.DataFrame) -> float:
    """Of the share covered: intervals of one study share its luck, so studies are counted."""
    of_study = found.groupby("seed")["covers"].mean()
    return of_study.std() / np.sqrt(len(of_study))


def by(found: pd.DataFrame, *names: str) -> pd.DataFrame:
    """Share covered, mean truth, mean error, spread of the error, mean width."""
    return found.groupby(list(names)).agg(
        covered=("covers", "mean"),
        truth=("low_to_high_true", "mean"),
        error=("error", "mean"),
        error_sd=("error", "std"),
        width=("width", "mean"),
        df=("df", "mean"),
    )


def report(runs: dict[str, pd.DataFrame]) -> str:
    lines = [
        "Share of 90 % intervals of a factor's effect (low to high, averaged over the pieces of",
        "test doughs) that hold the truth, over studies made anew. Wanted: 0.86 to 0.94.",
        f"date {date.today()}, {platform.system()} {platform.machine()}, "
        f"Python {platform.python_version()}, "
        + ", ".join(f"{name} {version(name)}" for name in ("numpy", "pandas", "scipy")),
    ]
    for name, found in runs.items():
        lines += [
            "",
            f"{name}: {found['seed'].nunique()} studies from seed {FIRST_SEED}, {len(found)} "
            f"intervals: {found['covers'].mean():.3f} ± {standard_error(found):.3f} "
            f"(standard error); {found['seconds'].median() * 1000:.0f} ms a study",
            by(found, "factor").round(3).to_string(),
            by(found, "attribute", "factor").round(3).to_string(),
        ]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("base", [make_demo.DEMO, make_demo.SECOND], ids=["demo", "second"])
def test_intervals_of_a_dozen_studies_are_not_far_off(base):
    found = many(12, base)
    assert 0.78 <= found["covers"].mean() <= 0.99
    assert found["seconds"].median() < 0.3


def test_intervals_half_as_wide_would_be_caught():
    found = many(12, make_demo.DEMO)
    half = found["width"] / 4
    assert (found["error"].abs() <= half).mean() < 0.78


@pytest.mark.long
def test_nine_of_ten_intervals_hold_the_truth_over_two_hundred_studies():
    runs = {"demo": many(200, make_demo.DEMO), "second study": many(200, make_demo.SECOND)}
    RESULT.parent.mkdir(exist_ok=True)
    text = report(runs)
    RESULT.write_text(text, encoding="utf8")
    print("\n".join(line for line in text.splitlines() if "studies" in line))
    for name, found in runs.items():
        assert 0.86 <= found["covers"].mean() <= 0.94, name
        assert by(found, "factor")["covered"].between(0.82, 0.97).all(), name
