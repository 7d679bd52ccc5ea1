"""Run a study's notebooks and lay them down as pages that anyone can open without a network."""

from __future__ import annotations

import asyncio
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import doughkit
from doughkit.share.first_page import index_page, row_of

if TYPE_CHECKING:
    import pandas as pd
    from nbclient import NotebookClient
    from nbformat import NotebookNode

__all__ = ["Pages", "make_pages"]

PACKAGE = Path(doughkit.__file__).resolve().parent

STUDY_OPENED = re.compile(r"""(open_study\()\s*(["']).*?\2\s*(\))""")
"""The one place in a notebook that names the study: the call in the cell tagged "study"."""

METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}
"""What a notebook says of itself, whoever ran it wherever."""

TEMPLATE = """
{%- extends 'lab/index.html.j2' -%}
{%- block html_head_js -%}{%- endblock -%}
{%- block html_head_js_mathjax -%}{%- endblock -%}
{%- block html_head_js_mermaidjs -%}{%- endblock -%}
{%- block jupyter_widgets -%}{%- endblock -%}
{%- block html_head_css -%}{{ resources.head_of_pages }}<style>
nav a { text-decoration: underline }
summary { cursor: pointer; color: var(--soft) }
@media print { details, nav { display: none } }
</style>{%- endblock -%}
{%- block body_header -%}{{ super() }}<nav><a href="index.html">All pages</a></nav>{%- endblock -%}
{%- block input_group -%}
<details><summary>how it is computed</summary>{{ super() }}</details>
{%- endblock -%}
{%- block data_png -%}
<img src="data:image/png;base64,{{ output.data['image/png'] | escape_html }}"
 alt="{{ output.metadata['image/png']['alt'] | escape_html }}">
{%- endblock -%}
"""
"""Nothing in it is asked of a network; the computation is folded away and not printed."""


class NotebookFailed(RuntimeError):
    """A notebook met an error, or wrote what no page may show; names notebook and cell."""


@dataclass(frozen=True)
class Pages:
    """Pages made from notebooks: `index` is the first to open, `made` has a row a page."""

    index: Path
    made: pd.DataFrame

    def summary(self) -> str:
        return f"{len(self.made)} pages, to be opened from {self.index}"


class TableMissing(NotebookFailed):
    """A notebook needs a table that the study lacks."""


def make_pages(
    study_folder: str | os.PathLike,
    *,
    notebooks: Iterable[str | os.PathLike] | None = None,
    out: str | os.PathLike | None = None,
    tell: Callable[[int, int, str], None] | None = None,
) -> Pages:
    """Run notebooks on a study and write a self-contained page for each, and an index.

    Question: how does the whole job read on this study, for somebody without Jupyter?

    Parameters
    ----------
    study_folder : folder that holds the study's tables; the notebooks run beside it and open it,
        whichever study they name themselves.
    notebooks : notebook files in the order wanted; left out, all that doughkit ships.
    out : folder for the pages; left out, `pages` in the study's folder.
    tell : called before each notebook with its number, how many there are, and its title.

    Returns
    -------
    Pages: `.index`, the path of the first page; `.made`, a frame page, title, notebook, answer.

    Raises
    ------
    NotebookFailed if a notebook meets an error, warns, or shows a picture without words; then no
    page is written. FileNotFoundError if there is no such folder or no notebook.

    Source: by definition of this library.

    >>> make_pages("no such folder")
    Traceback (most recent call last):
    FileNotFoundError: no study folder no such folder
    """
    import pandas as pd

    from doughkit.study import shipped

    study_folder = Path(study_folder)
    if not study_folder.is_dir():
        raise FileNotFoundError(f"no study folder {study_folder}")
    if notebooks is None:
        notebooks = sorted(shipped().notebooks.glob("*.ipynb"))
    paths = [Path(one) for one in notebooks]
    if not paths:
        raise FileNotFoundError("no notebooks to run")
    texts: dict[str, str] = {}
    rows = []
    for path, title in one_by_one(paths, tell):
        page = f"{path.stem}.html"
        notebook = run_notebook(path, study_folder)
        texts[page] = as_page(notebook, title)
        rows.append(row_of(path, title, notebook))
    made = pd.DataFrame(rows)
    texts["index.html"] = index_page(made)
    out = Path(out) if out is not None else study_folder / "pages"
    out.mkdir(parents=True, exist_ok=True)
    for page, text in texts.items():
        (out / page).write_text(text, "utf8", newline="\n")
    return Pages((out / "index.html").resolve(), made)


def one_by_one(
    paths: list[Path], tell: Callable[[int, int, str], None] | None
) -> Iterator[tuple[Path, str]]:
    """Each notebook with its title, after `tell` has heard that its turn has come."""
    for number, path in enumerate(paths, start=1):
        title = title_of(path)
        if tell is not None:
            tell(number, len(paths), title)
        yield path, title


def run_notebook(path: str | os.PathLike, study_folder: str | os.PathLike) -> NotebookNode:
    """Run one notebook on the study in a folder, in this very Python, and give it back run."""
    import nbformat
    from jupyter_client.kernelspec import KernelSpecManager
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    path = Path(path)
    study_folder = Path(study_folder).resolve()
    notebook = nbformat.read(path, as_version=4)
    point_at(notebook, study_folder.name, path.name)
    # no kernel folders: "python3" is then always the Python that runs this
    kernels = AsyncKernelManager(
        kernel_name="python3", kernel_spec_manager=KernelSpecManager(kernel_dirs=[])
    )
    client = NotebookClient(
        notebook,
        km=kernels,
        timeout=600,
        kernel_name="python3",
        record_timing=False,
        # else it warns of a connection that never leaves this machine
        extra_arguments=["--log-level=ERROR"],
        resources={"metadata": {"path": str(study_folder.parent)}},
    )
    with tempfile.TemporaryDirectory(prefix="doughkit-") as own:
        try:
            run_to_its_end(client, kernel_surroundings(own))
        except CellExecutionError as error:
            place = f"{path.name}, cell {cell_in_error(notebook)}"
            kind = TableMissing if error.ename == "MissingTable" else NotebookFailed
            raise kind(f"{place}: {error.ename}: {error.evalue}") from None
        except (CellTimeoutError, DeadKernelError) as error:
            raise NotebookFailed(f"{path.name} did not come to its end: {error}") from error
    refuse_blemishes(notebook, path.name)
    return notebook


def run_to_its_end(client: NotebookClient, surroundings: dict[str, str]) -> None:
    # in a thread, where the client leaves Ctrl-C to us
    with ThreadPoolExecutor(max_workers=1) as thread:
        running = thread.submit(
            asyncio.run, client.async_execute(env=surroundings, cleanup_kc=True)
        )
        try:
            running.result()
        except KeyboardInterrupt:
            if client.km.has_kernel:
                client.km.provisioner.process.kill()
            raise


def cell_in_error(notebook: NotebookNode) -> int:
    kinds = [[one.output_type for one in cell.get("outputs", [])] for cell in notebook.cells]
    return next(number for number, kind in enumerate(kinds, start=1) if "error" in kind)


def kernel_surroundings(own: str) -> dict[str, str]:
    """Variables under which a notebook gives the same page on every machine."""
    unwanted = ("MPLBACKEND", "MATPLOTLIBRC", "SM_FORMULA_ENGINE", "PYTHONWARNINGS")
    kept = {name: value for name, value in os.environ.items() if name not in unwanted}
    paths = [str(PACKAGE.parent), os.environ.get("PYTHONPATH", "")]
    return kept | {
        "PYTHONPATH": os.pathsep.join(filter(None, paths)),
        "PYTHONHASHSEED": "0",
        "IPYTHONDIR": own,  # nobody's start-up files
    }


def point_at(notebook: NotebookNode, study: str, name: str) -> None:
    """Let the cell tagged "study" open the folder of that name beside which the notebook runs."""
    tagged = [cell for cell in notebook.cells if "study" in cell.metadata.get("tags", [])]
    if len(tagged) != 1 or len(STUDY_OPENED.findall(tagged[0].source)) != 1:
        raise NotebookFailed(
            f"{name}: expected one cell tagged 'study' that calls open_study(\"...\") once, and "
            "found none or several"
        )
    named = json.dumps(study, ensure_ascii=False)
    tagged[0].source = STUDY_OPENED.sub(lambda call: call[1] + named + call[3], tagged[0].source)


def refuse_blemishes(notebook: NotebookNode, name: str) -> None:
    """Refuse words on stderr and pictures without words."""
    for number, cell in enumerate(notebook.cells, start=1):
        for output in cell.get("outputs", []):
            if output.output_type == "stream" and output.name == "stderr":
                told = output.text.strip()
                raise NotebookFailed(f"{name}, cell {number} wrote on stderr: {told}")
            if "image/png" in output.get("data", {}) and not (
                output.metadata.get("image/png", {}).get("alt")
            ):
                raise NotebookFailed(
                    f"{name}, cell {number} shows a picture without words: give it its finding "
                    "with charts.picture"
                )


def title_of(path: Path) -> str:
    """A notebook's first heading, or its file name."""
    cells = json.loads(path.read_text("utf8"))["cells"]
    for cell in cells:
        for line in "".join(cell["source"]).splitlines():
            if cell["cell_type"] == "markdown" and line.startswith("# "):
                return line.removeprefix("# ").strip()
    return path.stem


def as_page(notebook: NotebookNode, title: str) -> str:
    """A notebook that was run, as one page that asks the network for nothing."""
    from nbconvert import HTMLExporter

    from doughkit.tables import paper

    exporter = HTMLExporter(
        raw_template=TEMPLATE,
        exclude_anchor_links=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
    )
    resources = {"metadata": {"name": title}, "head_of_pages": paper.head_of_pages()}
    text, _ = exporter.from_notebook_node(notebook, resources=resources)
    return text


def strip(path: Path) -> bool:
    """Write a notebook back without outputs, as Jupyter would; tells whether that changed it."""
    before = path.read_text("utf8")
    notebook = json.loads(before)
    for cell in notebook["cells"]:
        tags = cell["metadata"].get("tags")
        cell["metadata"] = {"tags": tags} if tags else {}
        if cell["cell_type"] == "code":
            cell["outputs"], cell["execution_count"] = [], None
    notebook["metadata"] = METADATA
    after = json.dumps(notebook, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
    if after != before:
        path.write_text(after, "utf8", newline="\n")
    return after != before
