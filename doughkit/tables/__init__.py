"""The ground: which tables a study has, how they are read, checked and written."""

from doughkit.tables.paper import figure as figure
from doughkit.tables.paper import heading, note, page, shown
from doughkit.tables.problems import OutsideRange, StudyProblems
from doughkit.tables.reading import read_tables as read_tables
from doughkit.tables.register import columns
from doughkit.tables.writing import save_table

__all__ = [
    "OutsideRange",
    "StudyProblems",
    "columns",
    "heading",
    "note",
    "page",
    "save_table",
    "shown",
]
