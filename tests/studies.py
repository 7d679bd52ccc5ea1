"""The demo's script as a module, for tests that need studies made on the spot."""

import importlib.util
import sys
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "data_demo"


def _load_script():
    spec = importlib.util.spec_from_file_location("make_demo", FOLDER / "make_demo.py")
    module = sys.modules["make_demo"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


make_demo = _load_script()
