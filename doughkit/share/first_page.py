"""The page to open first: every other page with the answer that it came to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

ANSWER = "Answer: "
"""How the words of a note begin that answers a notebook's question."""


def index_page(made: pd.DataFrame) -> str:
    """The page to open first."""
    from doughkit.tables import paper

    listed = (list(made[name]) for name in ("page", "title", "answer"))
    return paper.page("The study in pages", [paper.links(*listed)])


def row_of(path: Path, title: str, notebook) -> dict[str, str]:
    """A notebook's row among the pages: its file, its title, and the answer that it came to."""
    told = (
        "".join(output.get("data", {}).get("text/plain", ""))
        for cell in notebook.cells
        for output in cell.get("outputs", [])
    )
    answer = next((one.removeprefix(ANSWER) for one in told if one.startswith(ANSWER)), "")
    page = f"{path.stem}.html"
    return {"page": page, "title": title, "notebook": path.name, "answer": answer}
