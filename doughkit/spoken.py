"""A command's words: which may follow it, and what is said if they do not fit.

Standard library only: words are read before anything is installed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches


class Refused(Exception):
    """The words after `doughkit` ask for nothing we know; the text says what is near."""


@dataclass(frozen=True)
class Command:
    """One word after `doughkit`; `options` are its own, each with its meaning.

    `takes` says which words may follow: `FOLDER [TABLE ...]`; those in brackets may be left out.
    `do` gets the options given, then these words.
    """

    name: str
    meaning: str
    do: Callable[..., int]
    options: dict[str, str] = field(default_factory=dict)
    takes: str = ""
    needs_nothing: bool = False

    def refuse(self, words: list[str]) -> None:
        """Refuse options that are unknown, and more or fewer words than it takes."""
        for option in words:
            if option.startswith("-") and option not in self.options:
                raise Refused(f"'{self.name}' takes no '{option}'; {near(option, self.options)}")
        plain = [word for word in words if not word.startswith("-")]
        wanted = re.sub(r"\[.*\]", "", self.takes).split()
        most = len(plain) if "..." in self.takes else len(re.findall(r"\w+", self.takes))
        if len(plain) > most:
            raise Refused(f"'{self.name}' takes no '{plain[most]}'; say 'help' for all words")
        if len(plain) < len(wanted):
            raise Refused(f"say: python3 -m doughkit {self.name} {self.takes}")


@dataclass(frozen=True)
class Order:
    """A command with the options and words given."""

    command: Command
    options: frozenset[str]
    words: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return self.command.name

    @property
    def needs_nothing(self) -> bool:
        return self.command.needs_nothing

    def run(self) -> int:
        return self.command.do(self.options, *self.words)


def near(word: str, known: Iterable[str]) -> str:
    # the tables have the like of this, but may not be imported before anything is installed
    close = get_close_matches(word, list(known), n=1)
    return f"did you mean '{close[0]}'?" if close else "say 'help' for all words"
