"""A column of names: read once, held as the different words and a code per line."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit.tables.problems import Problem, StudyProblems


@dataclass(frozen=True, eq=False)
class Words:
    """Different words, trimmed and single-spaced ("" for what is missing), and a code per line."""

    codes: np.ndarray
    words: np.ndarray

    @functools.cached_property
    def text(self) -> np.ndarray:
        return self.words[self.codes]

    def per_word(self, values: list, kind=None) -> np.ndarray:
        """What is known of each different word, line by line."""
        return np.array(values, dtype=kind)[self.codes]

    def is_empty(self) -> np.ndarray:
        return (self.words == "")[self.codes]


def read_words(column: pd.Series) -> Words:
    """Read a column of names; each different text is tidied once."""
    codes, seen = pd.factorize(column.astype("str"), use_na_sentinel=True)
    tidy = [" ".join(str(one).split()) for one in seen]
    if (codes < 0).any():
        codes = np.where(codes < 0, len(tidy), codes)
        tidy.append("")
    place: dict[str, int] = {}
    again = [place.setdefault(word, len(place)) for word in tidy]
    words = np.array([*place], dtype=object)
    return Words(np.array(again, dtype=np.intp)[codes], words)


def no_words(count: int) -> Words:
    """A column that is not there: nothing on every line."""
    return Words(np.zeros(count, dtype=np.intp), np.array([""], dtype=object))


def plain_text(column: pd.Series) -> pd.Series:
    """Names as text, trimmed and single-spaced; "" for what is missing."""
    return pd.Series(read_words(column).text, index=column.index, dtype="str")


def one_column(frame: pd.DataFrame, name: str, table: str) -> pd.Series:
    """A column that stands once, with a plain index."""
    if (frame.columns == name).sum() > 1:
        problem = Problem(
            table,
            column=name,
            found=f"the heading '{name}' more than once",
            expected="each heading once",
            mend="rename or delete one of them",
        )
        raise StudyProblems([problem])
    return frame[name].reset_index(drop=True)


def words_of(frame: pd.DataFrame, names: tuple[str, ...], table: str) -> dict[str, Words]:
    """Columns of names by heading; nothing on every line where a column is not there."""
    return {
        name: read_words(one_column(frame, name, table))
        if name in frame.columns
        else no_words(len(frame))
        for name in names
    }
