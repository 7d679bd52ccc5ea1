"""Outside checks: published statements that doughkit's own public functions must reproduce.

Each file `checks_<room>.py` beside this one holds a list `CHECKS`. A check's `get` calls a public
function of doughkit and returns one number or text; it is compared with what the source printed.
`python3 -m doughkit test --checks` lists them all.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

KINDS = (
    "standard",
    "handbook",
    "open data",
    "reference library",
    "common practice, no source",
    "from memory",
)
"""Where a printed value comes from; "from memory": recalled, not seen, confirmed by computing."""

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True)
class Check:
    """One published statement.

    about: the public function, as `room.function`
    says: the statement in words
    source: author or body, title, year, place in it
    kind: one of KINDS
    printed: the value as printed (a number or a text)
    within: absolute tolerance (half a unit of the last printed digit, unless said)
    get: gives our value
    wrong: a negative control: a known wrong value that we must NOT return
    """

    about: str
    says: str
    source: str
    kind: str
    printed: float | str
    get: Callable[[], float | str]
    within: float = 0.0
    wrong: bool = False

    def __post_init__(self):
        if self.kind not in KINDS:
            raise ValueError(f"{self.says}: kind '{self.kind}' is none of {KINDS}")

    def holds(self, ours) -> bool:
        if isinstance(self.printed, str):
            near = ours == self.printed
        else:
            near = abs(float(ours) - self.printed) <= self.within
        return near != self.wrong


def all_checks() -> list[Check]:
    """Every outside check, in the order of the files."""
    rooms = sorted(path.stem for path in Path(__file__).parent.glob("checks_*.py"))
    return [
        check for room in rooms for check in importlib.import_module(f"{__name__}.{room}").CHECKS
    ]
