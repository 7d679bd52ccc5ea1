"""Cells that were usually filled and are not, and whether the control is as it usually is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy import stats

from doughkit.baking import bake_loss
from doughkit.tables.problems import StudyProblems

USUAL = 0.5
"""A column filled for more than this share of the baked rows is one that is usually filled."""

FEWEST_BEFORE = 3
"""Earlier tastings without which no usual range can be told."""

LEVEL = 0.95

Tables = Mapping[str, pd.DataFrame]


def is_there(tables: Tables, name: str) -> bool:
    return name in tables and len(tables[name]) > 0


def baked_pieces(tables: Tables) -> pd.DataFrame:
    """Our own pieces that have been baked: weighed after the oven, scored, or of a baked dough."""
    pieces, doughs = own_pieces(tables), tables["doughs"]
    done = set(doughs.loc[doughs["status"] == "baked", "dough"])
    return pieces[
        pieces["mass_after_g"].notna()
        | pieces["dough"].isin(done)
        | pieces["piece"].isin(scored_pieces(tables))
    ]


def own_pieces(tables: Tables) -> pd.DataFrame:
    """Pieces of test and control doughs that did not fail."""
    pieces, doughs = tables["pieces"], tables["doughs"]
    ours = doughs[(doughs["kind"] != "reference") & (doughs["status"] != "failed")]
    return pieces[pieces["dough"].isin(ours["dough"])]


def scored_pieces(tables: Tables) -> set[str]:
    if not (is_there(tables, "ratings") and is_there(tables, "servings")):
        return set()
    ratings = tables["ratings"].dropna(subset=["score"])
    servings = tables["servings"]
    return set(servings.loc[servings["serving"].isin(ratings["serving"]), "piece"])


def missing_cells(tables: Tables) -> pd.DataFrame:
    """One row per gap: table, row, column."""
    found: list[tuple] = []
    if is_there(tables, "doughs") and is_there(tables, "pieces"):
        baked = baked_pieces(tables)
        doughs = tables["doughs"]
        doughs = doughs[doughs["dough"].isin(baked["dough"])]
        found += _gaps("doughs", doughs[doughs["kind"] == "test"], "dough")
        found += _gaps("pieces", baked, "piece")
        if is_there(tables, "weighed"):
            mixed = tables["weighed"]
            mixed = mixed[mixed["dough"].isin(doughs["dough"]) & mixed["weighed_g"].isna()]
            rows = zip(mixed["dough"], mixed["ingredient"], strict=True)
            found += [("weighed", f"dough {one}, {what}", "weighed_g") for one, what in rows]
    found += _unanswered(tables)
    return pd.DataFrame(found, columns=["table", "row", "column"])


def _gaps(table: str, rows: pd.DataFrame, key: str) -> list[tuple]:
    numbers = rows.select_dtypes("number")
    usual = numbers.columns[numbers.notna().mean() > USUAL]
    return [
        (table, f"{key} {name}", column)
        for column in usual
        for name in rows.loc[rows[column].isna(), key]
    ]


def _unanswered(tables: Tables) -> list[tuple]:
    """Tasters who have servings but not one score in a tasting that others have scored."""
    if not (is_there(tables, "ratings") and is_there(tables, "servings")):
        return []
    servings = tables["servings"]
    ratings = tables["ratings"].dropna(subset=["score"])
    answered = servings["serving"].isin(ratings["serving"])
    held = servings[servings["tasting"].isin(servings.loc[answered, "tasting"])]
    any_score = answered[held.index].groupby([held["tasting"], held["assessor"]]).any()
    absent = any_score.index[~any_score]
    return [("ratings", f"tasting {tasting}, taster {who}", "score") for tasting, who in absent]


def control_in_range(tables: Tables) -> tuple[pd.DataFrame, list[str]]:
    """The control's last tasting and bake beside the earlier ones.

    what, at, value, usual_low, usual_high, before, within (yes, no, or empty for too few before);
    and notes on what could not be told.
    """
    rows: list[tuple] = []
    notes: list[str] = []
    if is_there(tables, "doughs") and is_there(tables, "pieces"):
        doughs, pieces = tables["doughs"], tables["pieces"]
        controls = pieces[pieces["dough"].isin(doughs.loc[doughs["kind"] == "control", "dough"])]
        rows += _scores(tables, controls)
        try:
            loss = bake_loss(controls)["loss_pct"]
            rows += _last_against_before("loss_pct", controls["bake_day"], loss)
        except StudyProblems as told:
            notes.append(f"The control's bake loss is not told: {str(told).rstrip('.')}.")
    names = ["what", "at", "value", "usual_low", "usual_high", "before", "within"]
    return pd.DataFrame(rows, columns=names), notes


def _scores(tables: Tables, controls: pd.DataFrame) -> list[tuple]:
    if not (is_there(tables, "ratings") and is_there(tables, "servings")):
        return []
    servings = tables["servings"][["serving", "tasting", "piece"]]
    servings = servings[servings["piece"].isin(controls["piece"])]
    scored = servings.merge(tables["ratings"], on="serving", how="inner")
    rows = []
    for attribute, part in scored.groupby("attribute", sort=False):
        rows += _last_against_before(attribute, part["tasting"], part["score"])
    return rows


def _last_against_before(what: str, at: pd.Series, values: pd.Series) -> list[tuple]:
    """Means by tasting or day, in the order of the table; the last against all before it."""
    means = values.groupby(at, sort=False).mean().dropna()
    if not len(means):
        return []
    before, last = means.iloc[:-1], means.iloc[-1]
    low = high = np.nan
    within = None
    spread = before.std()
    if len(before) >= FEWEST_BEFORE and spread > 0:
        reach = stats.t.ppf((1 + LEVEL) / 2, len(before) - 1) * spread
        reach *= np.sqrt(1 + 1 / len(before))
        low, high = before.mean() - reach, before.mean() + reach
        within = "yes" if low <= last <= high else "no"
    return [(what, str(means.index[-1]), float(last), low, high, len(before), within)]
