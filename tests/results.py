"""Where long tests leave what they measured: one text per subject in tests/results/."""

from __future__ import annotations

import platform
from datetime import date
from pathlib import Path

import numpy as np
import scipy

FOLDER = Path(__file__).parent / "results"


def machine() -> str:
    """The processor and the libraries that speed depends on; no name of the machine."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = [line for line in info.read_text().splitlines() if line.startswith("model name")]
        model = lines[0].split(":")[1].strip() if lines else model
    return (
        f"{model}, {platform.system()}, Python {platform.python_version()}, "
        f"numpy {np.__version__}, scipy {scipy.__version__}"
    )


def write(name: str, title: str, lines: list[str]) -> None:
    """Replace tests/results/<name>.txt."""
    FOLDER.mkdir(exist_ok=True)
    head = [title, f"{date.today().isoformat()}, {machine()}", ""]
    (FOLDER / f"{name}.txt").write_text("\n".join([*head, *lines, ""]), "utf8")
