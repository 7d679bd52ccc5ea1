"""Bake analysis for test bakers: formulas, water lost, rounds of doughs, tasting, texture.

>>> import doughkit as dk
>>> dk.tables.columns("doughs")["column"].iloc[0]
'dough'

The rooms load when first used, so importing doughkit costs nothing and works before anything
is installed.
"""

__version__ = "0.1.0"

ROOMS = (
    "tables",
    "fitting",
    "formulas",
    "baking",
    "trials",
    "panel",
    "texture",
    "advice",
    "charts",
    "study",
    "share",
)
"""The rooms in import order: a room imports only from rooms named before it."""

__all__ = list(ROOMS) + ["__version__"]  # noqa: RUF005  an old Python must get past this line


def __getattr__(name):
    if name in ROOMS:
        import importlib

        return importlib.import_module("doughkit." + name)
    raise AttributeError("module 'doughkit' has no attribute %r" % name)


def __dir__():
    return sorted(__all__)
