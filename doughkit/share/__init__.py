"""Run notebooks on a study, lay them down as pages, hand the study on, check what was handed on."""

from __future__ import annotations

from doughkit.share.pages import NotebookFailed, make_pages
from doughkit.share.pages import run_notebook as run_notebook
from doughkit.share.pages import strip as strip

__all__ = [
    "NotebookFailed",
    "bundle",
    "make_pages",
    "verify",
]


def __getattr__(name: str):
    # what these need is heavy, and the first lines of a command come before it
    if name == "bundle":
        from doughkit.share import bundling

        return bundling.bundle
    if name == "verify":
        from doughkit.share import verifying

        return verifying.verify
    raise AttributeError(f"module 'doughkit.share' has no attribute '{name}'")
