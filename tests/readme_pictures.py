"""Draw the README's pictures anew, from the demo's notebooks: python3 -m tests.readme_pictures."""

from __future__ import annotations

import base64
import re
import tempfile
from pathlib import Path

from doughkit import share, study

PICTURES = {
    "formulas": ("01_formulas_on_one_footing", 0),
    "surface": ("05_what_drives_texture", 1),
    "target": ("06_the_formula_and_the_next_round", 0),
}
"""File name → notebook, and which of its pictures."""


def pictures_of(book) -> list[bytes]:
    """Every picture a run notebook shows, in order."""
    shown = [
        "".join(output.data.get("text/html", ""))
        for cell in book.cells
        for output in cell.get("outputs", [])
        if "data" in output
    ]
    found = re.findall(r'src="data:image/png;base64,([^"]+)"', "\n".join(shown))
    return [base64.b64decode(one) for one in found]


def main() -> None:
    notebooks, demo = study.shipped()
    place = notebooks / "pictures"
    place.mkdir(exist_ok=True)
    for name, (stem, number) in PICTURES.items():
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / "study"
            copy.mkdir()
            for table in demo.glob("*.csv"):
                (copy / table.name).write_bytes(table.read_bytes())
            book = share.run_notebook(notebooks / f"{stem}.ipynb", copy)
        (place / f"{name}.png").write_bytes(pictures_of(book)[number])


if __name__ == "__main__":
    main()
