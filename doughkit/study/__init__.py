"""A study of one's own: begun, opened, checked, converted, and what it waits for."""

from doughkit.study.beginning import begin_study
from doughkit.study.converting import convert_study
from doughkit.study.opening import check_study, open_study
from doughkit.study.sources import provenance, shipped
from doughkit.study.waiting import today

__all__ = [
    "begin_study",
    "check_study",
    "convert_study",
    "open_study",
    "provenance",
    "shipped",
    "today",
]
