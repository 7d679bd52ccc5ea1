"""The ground: which tables a study has, how they are read, checked and written."""

from doughkit.tables.problems import OutsideRange, Problem, StudyProblems
from doughkit.tables.register import columns

__all__ = ["OutsideRange", "Problem", "StudyProblems", "columns"]
