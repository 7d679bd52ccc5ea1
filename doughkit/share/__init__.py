"""Run notebooks on a study, lay them down as pages, hand the study on, check what was handed on."""

from __future__ import annotations

from doughkit.share.pages import NotebookFailed, Pages, make_pages, run_notebook, strip

__all__ = [
    "Bundle",
    "NotebookFailed",
    "Pages",
    "Verified",
    "bundle",
    "make_pages",
    "run_notebook",
    "strip",
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
