"""Looking back: what each past round would have been expected to give, from what was known then."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughkit import texture
from doughkit.advice.targets import Wanted, read_wanted
from doughkit.advice.weighing import require_tables
from doughkit.fitting.design import checked_level
from doughkit.tables.problems import problem_error, require_columns
from doughkit.texture.table import piece_table


@dataclass(frozen=True, eq=False)
class LookBack:
    """Predictions made without looking.

    pieces : round, attribute, piece, dough, expected, next_low, next_high, ci_level, scope, found,
        held (whether what was found lay inside)
    rounds : round, attribute, pieces, held, share, mean_error (found less expected)
    """

    pieces: pd.DataFrame
    rounds: pd.DataFrame
    level: float

    def summary(self) -> str:
        """How many of all pieces lay inside, in one sentence."""
        count, held = len(self.pieces), int(self.pieces["held"].sum())
        off = self.pieces["found"] - self.pieces["expected"]
        return (
            f"Predicted from what was known before their round, {held} of {count} values of "
            f"{self.pieces['piece'].nunique()} pieces lay inside their {self.level:.0%} interval "
            f"({100 * held / count:.0f} %); on average they came out {off.mean():+.2f} from what "
            "was expected."
        )


def look_back(tables: Mapping[str, pd.DataFrame], *, level: float = 0.90) -> LookBack:
    """Predict every past round from what was known before it, and count what lay inside.

    Question: did the predictions hold, on our own doughs?

    Parameters
    ----------
    tables : mapping of table name → DataFrame
        A study, as `recommend` takes it; `round` of `doughs` says what came after what.
    level : float
        Share of intervals that should hold.

    Returns
    -------
    LookBack: pieces (one row per later piece and target: what was expected of one piece of a fresh
    dough on another day, and what came), rounds (counts), `summary`.

    Raises
    ------
    StudyProblems as `recommend`, or if there are not two rounds of test doughs with values.

    Range: values within a day share the day's deviation, so a bad day misses several at once; with
    few rounds a share from 70 to 100 % is no surprise.

    Source: as `texture.fit_assuming`; one step ahead, so nothing is used that came later.

    >>> factors = pd.DataFrame({"factor": ["salt_pct"], "low": [1.0], "high": [3.0], "step": [0.5],
    ...     "changed_per": ["dough"]})
    >>> doughs = pd.DataFrame({"dough": list("ABCDEF"), "kind": "test", "round": [1, 1, 1, 1, 2, 2],
    ...     "salt_pct": [1.0, 1.5, 2.5, 3.0, 2.0, 2.0]})
    >>> pieces = pd.DataFrame({"piece": list("abcdef"), "dough": list("ABCDEF"),
    ...     "droop_mm": [9.0, 8.1, 6.2, 5.0, 7.2, 7.0]})
    >>> targets = pd.DataFrame({"attribute": ["droop_mm"], "aim": [6.0]})
    >>> look_back({"factors": factors, "doughs": doughs, "pieces": pieces,
    ...     "targets": targets}).rounds[["round", "pieces", "held"]].values.tolist()
    [[2.0, 2.0, 2.0]]
    """
    level = checked_level(level)
    require_tables(tables)
    wanted = read_wanted(tables)
    doughs = tables["doughs"]
    require_columns(doughs, "round", table="doughs")
    number = _rounds_of(tables, wanted)
    later = sorted(number.dropna().unique())[1:]
    if not later:
        raise problem_error(
            "doughs",
            column="round",
            found=f"{number.nunique()} round of test doughs with values",
            expected="at least two",
            mend="look back once a second round was baked and tasted",
        )
    pieces = pd.concat([_one_round(tables, wanted, number, one, level) for one in later])
    pieces = pieces.reset_index(drop=True)
    by = pieces.groupby(["round", "attribute"], sort=False)
    rounds = pd.DataFrame(
        {"pieces": by.size().astype(float), "held": by["held"].sum().astype(float)}
    )
    rounds["share"] = rounds["held"] / rounds["pieces"]
    rounds["mean_error"] = by["found"].mean() - by["expected"].mean()
    return LookBack(pieces, rounds.reset_index(), level)


def _rounds_of(tables, wanted: Wanted) -> pd.Series:
    """Per value: the round of its test dough; of other breads nothing."""
    doughs = tables["doughs"].set_index("dough")
    dough = wanted.values["piece"].map(tables["pieces"].set_index("piece")["dough"])
    number = dough.map(doughs["round"].where(doughs["kind"].eq("test"))).astype(float)
    failed = dough.map(doughs["status"].eq("failed")) if "status" in doughs else False
    return number.mask(failed | wanted.values["mean"].isna())


def _one_round(tables, wanted: Wanted, number: pd.Series, now: float, level: float):
    values = wanted.values
    days = _days(tables, values)
    before = number < now
    # The reference and controls count as known from the days on which an earlier dough was tasted.
    other = number.isna() & days.isin(set(days[before].dropna()))
    known = values[before | other]
    found = texture.fit_assuming(
        known,
        tables["doughs"],
        tables["pieces"],
        tables["factors"],
        scales=_scales(wanted, known),
        covariance=wanted.covariance,
        level=level,
    )
    came = values[number.eq(now) & values["attribute"].isin(found.attributes)]
    rows = piece_table(came, tables["doughs"], tables["pieces"], tables["factors"], block=None).rows
    columns = found.ground.of_model(found.ground.model.matrix(rows))
    parts = []
    for attribute, part in came.groupby("attribute", sort=False):
        own = found.surfaces[attribute].part.predict(columns, level).assign(piece=rows["piece"])
        own = (
            part[["attribute", "piece", "mean"]]
            .rename(columns={"mean": "found"})
            .merge(own[["piece", "mean", "next_low", "next_high", "ci_level"]], on="piece")
        )
        parts.append(own)
    frame = pd.concat(parts, ignore_index=True).rename(columns={"mean": "expected"})
    frame = frame.merge(rows[["piece", "dough"]], on="piece")
    held = (frame["next_low"] <= frame["found"]) & (frame["found"] <= frame["next_high"])
    frame = frame.assign(round=now, held=held, scope="this_panel")
    order = ["round", "attribute", "piece", "dough", "expected", "next_low", "next_high"]
    return frame[[*order, "ci_level", "scope", "found", "held"]]


def _scales(wanted: Wanted, known: pd.DataFrame) -> dict:
    """Declared scales; a measured property's own is made from what was known then."""
    return {name: scale for name, scale in wanted.scales.items() if name in set(known["attribute"])}


def _days(tables, values: pd.DataFrame) -> pd.Series:
    pieces = tables["pieces"].set_index("piece")
    empty = pd.Series(np.nan, index=values.index, dtype="str")
    day = values["tasting"].astype("str") if "tasting" in values else empty
    day = day.where(values["tasting"].notna()) if "tasting" in values else empty
    if "bake_day" in pieces:
        day = day.where(day.notna(), values["piece"].map(pieces["bake_day"]))
    return day
