"""The demo's script as a module, for tests that need studies made on the spot."""

import importlib.util
import sys
from pathlib import Path

import pandas as pd

FOLDER = Path(__file__).parents[1] / "data_demo"
FACTORS = pd.DataFrame(
    {
        "factor": ["hydration_pct", "salt_pct", "bake_min"],
        "low": [54.0, 1.6, 5.0],
        "high": [70.0, 2.6, 8.0],
        "step": [1.0, 0.1, 0.5],
        "changed_per": ["dough", "dough", "piece"],
    }
)
"""What a small round may change, for tests of planning, reading and advising alike."""


def _load_script():
    spec = importlib.util.spec_from_file_location("make_demo", FOLDER / "make_demo.py")
    module = sys.modules["make_demo"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


make_demo = _load_script()


def long_ratings(tables):
    """The entry grid as one row per serving and attribute, as reading a study gives it."""
    servings, grid = tables["servings"], tables["ratings"]
    key = ["tasting", "assessor", "code"]
    named = grid.merge(servings[["serving", *key]], on=key, how="left", validate="1:1")
    return named.drop(columns=key).melt("serving", var_name="attribute", value_name="score")
