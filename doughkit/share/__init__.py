"""Run notebooks on a study, lay them down as pages, hand the study on, check what was handed on."""

from __future__ import annotations

from doughkit.share.pages import NotebookFailed, Pages, make_pages
from doughkit.share.pages import run_notebook as run_notebook
from doughkit.share.pages import strip as strip

__all__ = [
    "Bundle",
    "NotebookFailed",
    "Pages",
    "Verified",
    "bundle",
    "make_pages",
    "verify",
]


def __getattr__(name: str):
    # what these need is heavy, and the first lines of a command come before it
    if name in ("Bundle", "bundle"):
        from doughkit.share import bundling

        return getattr(bundling, name)
    if name in ("Verified", "verify"):
        from doughkit.share import verifying

        return getattr(verifying, name)
    raise AttributeError(f"module 'doughkit.share' has no attribute '{name}'")
