"""What a result was computed with, and where the notebooks and the demo study are."""

from __future__ import annotations

import importlib.metadata
import platform
from pathlib import Path
from typing import NamedTuple

import pandas as pd

import doughkit
from doughkit.study.opening import Study

PROGRAMS = ("pandas", "numpy", "scipy", "statsmodels", "seaborn")
"""What the results rest on, besides Python and this library."""


def provenance(study: Study, *, seed: int | None = None) -> pd.DataFrame:
    """Say what a result was computed with: versions, seed, fingerprints of the input files.

    Question: could somebody else get the same numbers?

    Parameters
    ----------
    study : Study
        As opened.
    seed : int, optional
        The seed that the results used, if any.

    Returns
    -------
    DataFrame: what, value; fingerprints are SHA-256 over each file's bytes as they were read.

    Raises
    ------
    Nothing; a program that is not installed is named as such.

    Source: SHA-256 as in FIPS 180-4 (2015).

    >>> import pathlib, tempfile
    >>> from doughkit.study import open_study
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "ovens.csv").write_text("oven,air_c\\nhome,270\\n")
    >>> provenance(open_study(folder), seed=7)["what"].tolist()[-2:]
    ['seed', 'ovens.csv']
    """
    facts = {"doughkit": doughkit.__version__, "Python": platform.python_version()}
    facts |= {program: _version(program) for program in PROGRAMS}
    facts |= {"seed": "none given" if seed is None else str(seed)}
    return pd.DataFrame(list((facts | study.sha256).items()), columns=["what", "value"])


def _version(program: str) -> str:
    try:
        return importlib.metadata.version(program)
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


class Shipped(NamedTuple):
    """Where the notebooks and the invented demo study are."""

    notebooks: Path
    data_demo: Path


def shipped() -> Shipped:
    """Find the notebooks and the demo study that come with the library.

    Question: where is something to begin with?

    Returns
    -------
    Shipped: `notebooks` and `data_demo`, folders beside the package in a clone, inside it when
    installed from a wheel. They are to be copied, not worked in.

    Raises
    ------
    FileNotFoundError if the installation lacks them.

    Source: by definition of this library.

    >>> shipped().data_demo.name
    'data_demo'
    """
    package = Path(doughkit.__file__).resolve().parent
    for home in (package / "shipped", package.parent):
        found = Shipped(home / "notebooks", home / "data_demo")
        if all(folder.is_dir() for folder in found):
            return found
    raise FileNotFoundError(
        "this installation of doughkit has neither notebooks nor demo study; install it again"
    )
