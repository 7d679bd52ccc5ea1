"""Names that are words of the pages themselves: they can't be looked for in what is handed on."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import doughkit

SHORTEST = 3
"""A shorter name, or one of digits alone, can't be told from ordinary text."""


def is_short(name: str) -> bool:
    """Whether a name can't be looked for in any text."""
    return len(name.strip()) < SHORTEST or name.strip().isdigit()


def is_common(name: str) -> bool:
    """Whether a name is a word that stands in notebooks and pages anyhow, such as Will or May."""
    return not is_short(name) and bool(whole_words([name]).search(own_words()))


def whole_words(names: list[str]) -> re.Pattern:
    """Finds names as whole words, in capitals or not; a group for each, tried in their order."""
    found = "|".join(f"({re.escape(name.strip())})" for name in names)
    return re.compile(rf"(?<!\w)(?:{found})(?!\w)", re.IGNORECASE)


@cache
def own_words() -> str:
    """All that doughkit itself may put on a page: its notebooks, its texts, a page's frame."""
    import nbformat

    from doughkit.share.pages import as_page
    from doughkit.study import shipped

    package = Path(doughkit.__file__).parent
    parts = [as_page(nbformat.v4.new_notebook(), "")]
    parts += [path.read_text("utf8") for path in sorted(shipped().notebooks.glob("*.ipynb"))]
    parts += [path.read_text("utf8") for path in sorted(package.rglob("*.csv"))]
    for path in sorted(package.rglob("*.py")):
        parts += _texts(ast.parse(path.read_text("utf8")))
    return "\n".join(parts)


def _texts(tree: ast.Module) -> list[str]:
    """The texts of a module that may be shown; those that only explain it stand by themselves."""
    explains = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in explains
    ]
