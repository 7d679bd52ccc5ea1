"""A study without its people: names become codes, what belongs to the home stays there."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from doughkit.share.common import is_common, is_short, whole_words
from doughkit.tables.problems import problem_error
from doughkit.tables.register import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

SECRET = ".secret"
"""The file in a study's folder from which codes are made; no bundle ever holds it."""
PERSON = "assessor"


@dataclass(frozen=True, eq=False)
class Coded:
    """The tables with codes for names; `codes` stays with whoever coded them."""

    tables: dict[str, pd.DataFrame]
    codes: dict[str, str]
    left_home: list[str]
    short: list[str]
    common: list[str]
    replaced: int

    @property
    def looked_for(self) -> list[str]:
        """Names that can be told from other words."""
        return [name for name in self.codes if name not in (*self.short, *self.common)]

    def words(self) -> list[str]:
        """What was done, for whoever hands the study on."""
        said = [f"{len(self.codes)} tasters go by codes."]
        if self.left_home:
            said.append(f"Left at home: {', '.join(self.left_home)}.")
        if self.replaced:
            said.append(f"Names were found in {self.replaced} other cells, and coded there too.")
        for why, names in (
            ("Too short to be looked for in other text", self.short),
            ("Words of the pages themselves, so not looked for in other text", self.common),
        ):
            if names:
                listed = ", ".join(f"'{name}'" for name in names)
                said.append(f"{why}: {listed}. Read the pages before you hand them on.")
        return said


def secret_of(folder: Path) -> bytes:
    """The study's secret, made once, for its owner's eyes only."""
    path = folder / SECRET
    if not path.exists():
        # exclusive, so that two at once can't make two secrets
        try:
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            return secret_of(folder)
        except OSError as error:
            raise problem_error(
                folder.name,
                found=f"a folder that takes no file '{SECRET}' ({error.strerror})",
                expected="a place for the secret that codes are made from",
                mend="make the study's folder writable, or copy it to where you may write",
            ) from None
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_hex(32) + "\n")
    text = path.read_text("ascii", errors="replace").strip()
    if len(text) < 32:
        raise problem_error(
            SECRET,
            found=f"{len(text)} characters",
            expected="the 64 that were written when it was made",
            mend="put the file back from a copy; or delete it, and tasters get new codes",
        )
    return text.encode("ascii")


def code_names(names: list[str], secret: bytes) -> dict[str, str]:
    """A code for each name: the same for the same secret, and not to be undone without it."""
    marks = {
        name: hmac.new(secret, name.encode("utf8"), hashlib.sha256).hexdigest() for name in names
    }
    for length in range(4, 65):
        codes = {name: f"taster-{mark[:length]}" for name, mark in marks.items()}
        if len(set(codes.values())) == len(codes):
            return codes
    raise AssertionError("two names of one fingerprint")


def hide_order(tables: dict[str, pd.DataFrame]) -> None:
    """Sort and number anew whatever stands in the order of names, which would tell who is who."""
    for table, frame in tables.items():
        if PERSON in frame:
            by = [name for name in ("tasting", PERSON, "position") if name in frame]
            tables[table] = frame.sort_values(by, ignore_index=True)
    if "servings" not in tables:
        return
    servings = tables["servings"]["serving"]
    anew = {one: f"S{place:04d}" for place, one in enumerate(servings, start=1)}
    for table, frame in tables.items():
        if "serving" in frame:
            frame = frame.assign(serving=frame["serving"].map(anew).fillna(frame["serving"]))
            tables[table] = frame.sort_values("serving", kind="stable", ignore_index=True)


def code_study(tables: Mapping[str, pd.DataFrame], secret: bytes) -> Coded:
    """Codes for names in every table and every text; private columns are taken out."""
    names = sorted(
        {
            name
            for frame in tables.values()
            if PERSON in frame
            for name in frame[PERSON].dropna().unique()
        }
    )
    codes = code_names(names, secret)
    short = [name for name in names if is_short(name)]
    common = [name for name in names if is_common(name)]
    sought = sorted({*names} - {*short, *common}, key=lambda name: -len(name.strip()))
    pattern = whole_words(sought) if sought else None
    made, left_home, replaced = {}, [], 0
    for table, frame in tables.items():
        private = [
            one.name for one in TABLES[table].columns if one.stays_home and one.name in frame
        ]
        filled = [name for name in private if frame[name].notna().any()]
        left_home += [f"{name} of {table}" for name in filled]
        frame = frame.drop(columns=private)
        for column in frame.columns:
            if column == PERSON:
                frame[column] = frame[column].map(codes)
            elif pattern is not None and frame[column].dtype == "str":
                coded = frame[column].str.replace(
                    pattern, lambda found: codes[sought[found.lastindex - 1]], regex=True
                )
                replaced += int((coded != frame[column]).sum() - frame[column].isna().sum())
                frame[column] = coded
        made[table] = frame
    hide_order(made)
    return Coded(made, codes, left_home, short, common, replaced)
