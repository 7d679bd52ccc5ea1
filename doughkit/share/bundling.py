"""A study handed on: data, notebooks run, pages, what it was made with; nobody's name in it."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import re
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import doughkit
from doughkit.share.coding import SECRET, Coded, code_study, secret_of
from doughkit.share.common import whole_words
from doughkit.share.first_page import index_page, row_of
from doughkit.share.pages import (
    METADATA,
    NotebookFailed,
    TableMissing,
    as_page,
    one_by_one,
    point_at,
    run_notebook,
)

if TYPE_CHECKING:
    from nbformat import NotebookNode

MANIFEST = "manifest.json"
STUDY, NOTEBOOKS = "study", "notebooks"
SAME_DAY = (1980, 1, 1, 0, 0, 0)
"""The date of every file in a zip: the same bundle, the same bytes."""
PICTURE = re.compile(rb"data:image/png;base64,[A-Za-z0-9+/=\\n]+")
SIGNATURE = bytes([137, 80, 78, 71, 13, 10, 26, 10])
WORDS_IN_PNG = (b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME")


@dataclass(frozen=True)
class Bundle:
    """What was handed on: where it lies, its files, and what was said of it."""

    path: Path
    files: tuple[str, ...]
    said: tuple[str, ...]

    def summary(self) -> str:
        return f"{self.path}: {len(self.files)} files. {' '.join(self.said)}"


def bundle(
    study_folder: str | os.PathLike,
    out: str | os.PathLike | None = None,
    *,
    tell: Callable[[int, int, str], None] | None = None,
) -> Bundle:
    """Hand a study on: its data, notebooks that were run, pages, and how to rerun it.

    Question: how does a colleague get my study, and the same numbers, without the tasters' names?

    Names of tasters become codes, made from a secret that is kept in the study's folder
    (`.secret`) and is in no bundle; notes, consent and allergies stay home. The notebooks run on
    the coded tables, so no output can hold a name.

    Parameters
    ----------
    study_folder : folder of the study, or its workbook. Its own notebooks (`notebooks/*.ipynb`)
        are run if there are any, else those that doughkit ships; one that needs a table the study
        lacks is left out and named.
    out : folder or `.zip` to be made; left out, `<study>_bundle.zip` beside the study's folder.
    tell : called before each notebook with its number, how many there are, and its title.

    Returns
    -------
    Bundle: `.path`, `.files`, `.said` (what was coded, left at home, left out), `summary()`.

    Raises
    ------
    StudyProblems if the study can't be read, there is something at `out` already, or a name or a
    path of this machine is left in a file: then nothing is written. NotebookFailed as
    `make_pages`. FileNotFoundError if there is no such folder.

    Source: keyed codes by HMAC-SHA-256, RFC 2104 (1997) and FIPS 180-4 (2015).

    >>> bundle("no such folder")
    Traceback (most recent call last):
    FileNotFoundError: no study folder no such folder
    """
    from doughkit.study import open_study, shipped

    given = Path(study_folder)
    if not given.exists():
        raise FileNotFoundError(f"no study folder {given}")
    given = given.resolve()
    folder = given if given.is_dir() else given.parent
    out = Path(out) if out is not None else folder.parent / f"{given.stem}_bundle.zip"
    refuse_what_is_there(out)
    coded = code_study(open_study(given), secret_of(folder))
    own = sorted((folder / NOTEBOOKS).glob("*.ipynb"))
    with tempfile.TemporaryDirectory(prefix="doughkit-") as place:
        files, left_out = run_all(
            coded, own or sorted(shipped().notebooks.glob("*.ipynb")), Path(place), tell
        )
    refuse_names(files, coded.looked_for, folder)
    lay_down(files, out)
    return Bundle(out, tuple(sorted(files)), (*coded.words(), *left_out))


def refuse_what_is_there(out: Path) -> None:
    from doughkit.tables.problems import problem_error

    if out.exists() or out.is_symlink():
        raise problem_error(
            out.name,
            found="something of that name",
            expected="a new folder or .zip",
            mend="name another, or delete that one yourself",
        )
    if not out.resolve().parent.is_dir():
        raise problem_error(
            out.name,
            found="no folder to put it in",
            expected="a folder that is there",
            mend=f"make the folder of {out} first",
        )


def run_all(
    coded: Coded, notebooks: list[Path], place: Path, tell
) -> tuple[dict[str, bytes], list[str]]:
    """The files of a bundle from coded tables and notebooks, and which notebooks were left out."""
    import nbformat
    import pandas as pd

    from doughkit.study import open_study, provenance
    from doughkit.tables import save_table

    study = place / STUDY
    study.mkdir()
    for table, frame in coded.tables.items():
        save_table(study, table, frame)
    files = {f"{STUDY}/{path.name}": path.read_bytes() for path in study.glob("*.csv")}
    rows, left_out = [], []
    for path, title in one_by_one(notebooks, tell):
        try:
            notebook = run_notebook(path, study)
        except TableMissing as missing:
            left_out.append(f"Not run: {missing}.")
            continue
        page = f"{path.stem}.html"
        rows.append(row_of(path, title, notebook))
        files[page] = as_page(notebook, title).encode("utf8")
        tidy(notebook)
        point_at(notebook, f"../{STUDY}", path.name)
        files[f"{NOTEBOOKS}/{path.name}"] = (nbformat.writes(notebook) + "\n").encode("utf8")
    if not rows:
        raise NotebookFailed("no notebook could be run: " + " ".join(left_out))
    files["index.html"] = index_page(pd.DataFrame(rows)).encode("utf8")
    made_with = provenance(open_study(study)).set_index("what")["value"].to_dict()
    made_with = {name: value for name, value in made_with.items() if "." not in name}
    files["README.md"] = read_me(coded, left_out).encode("utf8")
    files[MANIFEST] = manifest(files, made_with)
    return files, left_out


def tidy(notebook: NotebookNode) -> None:
    """Nothing in a notebook that differs from run to run, or tells of the machine."""
    notebook.metadata = METADATA
    for cell in notebook.cells:
        tags = cell.metadata.get("tags")
        cell.metadata = {"tags": tags} if tags else {}


def read_me(coded: Coded, left_out: list[str]) -> str:
    said = "\n".join(f"- {line}" for line in [*coded.words(), *left_out])
    return f"""# A study, handed on

Open `index.html` in any browser: nothing is asked of a network, and nothing in it runs.

- `study/` holds the tables, `notebooks/` the notebooks as they were run on them.
- `{MANIFEST}` names the versions it was made with, and each file's fingerprint (SHA-256).

To get the same numbers again, with doughkit {doughkit.__version__}:

```
python3 -m doughkit verify THIS_FOLDER_OR_ZIP
```

It runs the notebooks anew and says, table by table, whether they agree.

{said}
"""


def manifest(files: dict[str, bytes], made_with: dict[str, str]) -> bytes:
    """Versions, and each file's fingerprint."""
    made = {
        "made_with": made_with,
        "files": {name: hashlib.sha256(files[name]).hexdigest() for name in sorted(files)},
    }
    return (json.dumps(made, indent=1, ensure_ascii=False) + "\n").encode("utf8")


def refuse_names(files: dict[str, bytes], names: list[str], folder: Path) -> None:
    """The last look: no taster's name, no path of this machine, in any file."""
    from doughkit.tables.problems import Problem, StudyProblems

    person = whole_words(names) if names else None
    paths = [
        str(one) for one in {folder, folder.parent, Path.home(), Path.cwd()} if len(one.parts) > 1
    ]
    problems = []
    for name, content in files.items():
        text = words_in(content)
        found = [match[0] for match in person.finditer(text)] if person else []
        found += [path for path in paths if re.search(re.escape(path) + r"(?![\w-])", text)]
        if found or SECRET in name:
            problems.append(
                Problem(
                    name,
                    found=f"'{found[0] if found else SECRET}'",
                    expected="no name of a taster and no path of this machine",
                    mend="take it out of the table or notebook it comes from; nothing was written",
                )
            )
    if problems:
        raise StudyProblems(problems, about="the bundle")


def words_in(content: bytes) -> str:
    """All words of a file; pictures count with what is written inside them, not with their dots."""
    pictures = [match[0].split(b",", 1)[1] for match in PICTURE.finditer(content)]
    plain = PICTURE.sub(b"", content)
    inside = [words_of_picture(base64.b64decode(one.replace(b"\\n", b""))) for one in pictures]
    return b"\n".join([plain, *inside]).decode("utf8", errors="replace")


def words_of_picture(png: bytes) -> bytes:
    """What a PNG file says in words."""
    found, at = [], len(SIGNATURE)
    while png.startswith(SIGNATURE) and at + 8 <= len(png):
        length = int.from_bytes(png[at : at + 4], "big")
        if png[at + 4 : at + 8] in WORDS_IN_PNG:
            found.append(png[at + 8 : at + 8 + length])
        at += length + 12
    return b"\n".join(found)


def lay_down(files: dict[str, bytes], out: Path) -> None:
    """Write the files as a folder or as a zip, whole or not at all."""
    beside = out.resolve().parent
    if out.suffix.lower() == ".zip":
        data = io.BytesIO()
        with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as packed:
            for name in sorted(files):
                entry = zipfile.ZipInfo(name, SAME_DAY)
                entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                entry.create_system = 3
                packed.writestr(entry, files[name])
        with tempfile.TemporaryDirectory(prefix=".doughkit-", dir=beside) as place:
            half = Path(place) / out.name
            half.write_bytes(data.getvalue())
            os.replace(half, out)
        return
    with tempfile.TemporaryDirectory(prefix=".doughkit-", dir=beside) as place:
        half = Path(place) / out.name
        for name, content in files.items():
            (half / name).parent.mkdir(parents=True, exist_ok=True)
            (half / name).write_bytes(content)
        os.replace(half, out)
