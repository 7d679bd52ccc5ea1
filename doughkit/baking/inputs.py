"""Bakes as a baker writes them down, turned into what the simulated bake needs."""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from doughkit.tables.problems import (
    OutsideRange,
    Problem,
    StudyProblems,
    nearest,
    require_columns,
    require_unique,
)

HERE = Path(__file__).parent
USUAL_DENSITY = 500.0
"""Baked piece [kg/m³] where no thickness was measured; engineering judgement, 400-650."""
DEFAULTS = {"altitude_m": 0.0, "piece_c": 22.0, "steam_pct": 2.0}
"""Columns that may be left out: sea level, a piece at room temperature, dry oven air."""
NEEDED = ("air_c", "support", "bake_min", "mass_before_g", "water_pct", "dry_pct")
OVEN_COLUMNS = ("air_c", "support", "support_c", "support_mm", "fan", "altitude_m", "gap_min")
OVEN_COLUMNS += ("air_error_c", "support_error_c")
STATED = {
    "air_factor": ("air_error_c", "air_c"),
    "support_factor": ("support_error_c", "support_c"),
    "time_factor": ("bake_error_min", "bake_min"),
    "mass_factor": ("mass_error_g", "mass_before_g"),
}
"""Unknowns whose spread a column may state, as one standard deviation, and what it is of."""
BOX = {
    "thickness_mm": (3, 30, "a slab of this thickness was never compared with an exact one"),
    "air_c": (120, 520, "steam, flames or slow drying lead there, not the slab's laws"),
    "support_c": (10, 520, "the contact was never tried there"),
    "bake_min": (0.2, 40, "the slab's crust is too thick after a long bake"),
    "mass_kg_m2": (0.7, 15, "thick loaves bake from the sides too, sheets of paper puff and char"),
    "density_kg_m3": (250, 1300, "a puffed piece has a pocket that no slab has"),
}
"""Where the model may be asked, column by column, and why not beyond."""

POSSIBLE = {
    "air_c": (0, 700, "the temperature of air and walls [°C]"),
    "support_c": (0, 700, "the support's temperature [°C]"),
    "piece_c": (0, 60, "the temperature of unfrozen dough [°C]"),
    "altitude_m": (-450, 6000, "the kitchen's altitude [m]"),
    "steam_pct": (0, 100, "steam as a share of the oven's air"),
}
"""What a bake can be at all."""


@cache
def supports() -> pd.DataFrame:
    """What each kind of support is made of."""
    return pd.read_csv(HERE / "supports.csv").set_index("support")


def starting_guesses() -> pd.DataFrame:
    """List what nobody knows about an oven and a dough, and our guess before any weighing.

    Question: what does a forecast rest on before I have weighed anything?

    Returns
    -------
    DataFrame: unknown, typical, spread (of its logarithm where kind is "factor", else plain), kind,
    low and high (never beyond), belongs_to (oven or dough), meaning, source. The typical contact
    stands with each support. Each unknown may be given as a column of the bakes.

    Raises
    ------
    Nothing of its own.

    Source: the last column; most of it is judgement, and says so.

    >>> starting_guesses().set_index("unknown").loc["oven_factor", "typical"]
    np.float64(0.65)
    """
    return pd.read_csv(HERE / "guesses.csv")


@cache
def guesses() -> pd.DataFrame:
    return starting_guesses().set_index("unknown")


def oven_bakes(pieces: pd.DataFrame, ovens: pd.DataFrame, overview: pd.DataFrame) -> pd.DataFrame:
    """Put beside each piece the oven it was baked in and the water of its dough.

    Question: what do the bakes look like that I want simulated?

    Parameters
    ----------
    pieces : DataFrame
        Table `pieces`: piece, dough, oven, bake_min, mass_before_g, diameter_mm (or length_mm and
        width_mm); thickness_mm where measured.
    ovens : DataFrame
        Table `ovens`: oven, air_c, support, support_c; support_mm, fan, altitude_m where known.
    overview : DataFrame
        Per dough (column dough, or `formula` holding the dough's name): water_pct, dry_pct per 100
        flour, and hydration_pct, as `formulas.overview` gives them.

    Returns
    -------
    DataFrame: the rows and columns of pieces, the oven's columns and water_pct, dry_pct and
    hydration_pct beside them; ready for `simulate`, `calibrate` and `match_hydration`.

    Raises
    ------
    StudyProblems naming every piece whose oven or dough is not listed.

    Source: a join; by definition.

    >>> pieces = pd.DataFrame({"piece": ["a"], "dough": ["A"], "oven": ["home"], "bake_min": 6.0,
    ...     "mass_before_g": 250.0, "diameter_mm": 290.0})
    >>> ovens = pd.DataFrame({"oven": ["home"], "air_c": 250.0, "support": ["steel"],
    ...     "support_c": 270.0})
    >>> overview = pd.DataFrame({"dough": ["A"], "water_pct": 76.0, "dry_pct": 88.0})
    >>> oven_bakes(pieces, ovens, overview)[["support", "water_pct"]].values.tolist()
    [['steel', 76.0]]
    """
    require_columns(pieces, "piece", "dough", "oven", table="pieces")
    require_unique(ovens, "oven", table="ovens")
    key = "dough" if "dough" in overview.columns else "formula"
    require_unique(overview, key, table="overview")
    doughs = overview.rename(columns={key: "dough"})
    problems = [
        Problem(
            "pieces",
            key=f"piece {piece}",
            column=column,
            found=f"{column} {value!r}",
            expected=f"one of the {table}",
            mend=nearest(value, known[column]) or f"list it among the {table}",
        )
        for column, known, table in (("oven", ovens, "ovens"), ("dough", doughs, "doughs"))
        for piece, value in zip(pieces["piece"], pieces[column], strict=True)
        if value not in set(known[column])
    ]
    if problems:
        raise StudyProblems(problems)
    oven_columns = [name for name in OVEN_COLUMNS if name in ovens.columns]
    dough_columns = [
        name for name in ("water_pct", "dry_pct", "hydration_pct") if name in doughs.columns
    ]
    own = pieces.drop(columns=[c for c in (*oven_columns, *dough_columns) if c in pieces.columns])
    joined = own.merge(ovens[["oven", *oven_columns]], on="oven", how="left")
    joined = joined.merge(doughs[["dough", *dough_columns]], on="dough", how="left")
    return joined.set_axis(pieces.index)


def read_bakes(bakes: pd.DataFrame, *, warn: bool = True) -> dict[str, np.ndarray]:
    """Check a frame of bakes, fill what may be left out; every number as an array, SI where named.

    Raises StudyProblems for what cannot be, warns (OutsideRange) for what the model never saw.
    """
    require_columns(bakes, *NEEDED, table="bakes")
    table = {name: _numbers(bakes, name) for name in NEEDED if name != "support"}
    table["support"] = bakes["support"].to_numpy(dtype=object)
    for name, usual in DEFAULTS.items():
        table[name] = _filled(_numbers(bakes, name), usual)
    table |= {name: _text(bakes, name) == "yes" for name in ("fan", "puffed")}
    table["area_m2"] = _area(bakes)
    table["support_c"], table["support_mm"] = _numbers(bakes, "support_c"), _support_mm(bakes)
    table["mass_kg_m2"] = table["mass_before_g"] / 1e3 / table["area_m2"]
    guessed = 1e3 * table["mass_kg_m2"] / USUAL_DENSITY
    table["thickness_mm"] = _filled(_numbers(bakes, "thickness_mm"), guessed)
    table["density_kg_m3"] = 1e3 * table["mass_kg_m2"] / table["thickness_mm"]
    for name, row in guesses().iterrows():
        given = np.nan if name in STATED else _numbers(bakes, name)
        table[name] = np.broadcast_to(_filled(given, row["typical"]), len(bakes)).copy()
    for name, (column, of) in STATED.items():
        table[f"{name}_spread"] = _numbers(bakes, column) / table[of]
    contact = supports()["contact_w_m2k"].reindex(table["support"]).to_numpy()
    table["contact_w_m2k"] = _filled(table["contact_w_m2k"], contact)
    table["contact_fade_min"] = _filled(_numbers(bakes, "contact_fade_min"), np.inf)
    _refuse_impossible(bakes, table)
    if warn:
        _warn_outside(bakes, table)
    return table


def _numbers(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    numbers = pd.to_numeric(frame[name], errors="coerce").to_numpy(float, na_value=np.nan)
    text = np.flatnonzero(np.isnan(numbers) & frame[name].notna().to_numpy())
    if len(text):
        raise StudyProblems(
            Problem(
                "bakes",
                key=bake_name(frame, place),
                column=name,
                found=repr(frame[name].iloc[place]),
                expected="a number",
                mend="give it as measured, in the unit of the column's name",
            )
            for place in text
        )
    return numbers


def _filled(values: np.ndarray, usual) -> np.ndarray:
    return np.where(np.isnan(values), usual, values)


def _text(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame.columns:
        return np.full(len(frame), "", object)
    return frame[name].astype("object").where(frame[name].notna(), "").to_numpy(dtype=object)


def _area(bakes: pd.DataFrame) -> np.ndarray:
    disc = np.pi / 4 * _numbers(bakes, "diameter_mm") ** 2
    sheet = _numbers(bakes, "length_mm") * _numbers(bakes, "width_mm")
    return _filled(disc, sheet) / 1e6


def _support_mm(bakes: pd.DataFrame) -> np.ndarray:
    usual = supports()["usual_mm"].reindex(bakes["support"]).to_numpy()
    return _filled(_numbers(bakes, "support_mm"), usual)


def bake_name(bakes: pd.DataFrame, place: int) -> str:
    for name in ("piece", "bake"):
        if name in bakes.columns:
            return f"{name} {bakes[name].iloc[place]}"
    return f"row {bakes.index[place]}"


def _refuse_impossible(bakes: pd.DataFrame, table: dict) -> None:
    known = list(supports().index)
    on_plate = table["support"] != "rack"
    asked = [("support", np.isin(table["support"], known), f"one of {', '.join(known)}")]
    asked += [
        (name, table[name] > 0, "a number above 0")
        for name in ("bake_min", "mass_before_g", "water_pct", "dry_pct", "thickness_mm")
    ]
    yes_no = ["yes", "no", ""]
    asked += [
        ("support_mm", ~on_plate | (table["support_mm"] > 0), "the support's thickness"),
        ("diameter_mm", table["area_m2"] > 0, "a diameter, or a length and a width"),
        ("fan", np.isin(_text(bakes, "fan"), yes_no), "yes or no"),
        ("puffed", np.isin(_text(bakes, "puffed"), yes_no), "yes or no"),
    ]
    for name, (low, high, what) in POSSIBLE.items():
        fine = (table[name] >= low) & (table[name] <= high)
        fine = fine | ~on_plate if name == "support_c" else fine
        asked.append((name, fine, f"{what}, {low:g} to {high:g}"))
    asked += [
        (
            name,
            # whoever states it may go beyond our guess; a rack's contact is empty
            ~((table[name] < row["low"]) & (table[name] <= 0)),
            f"{row['meaning']}, our guess {row['low']:g} to {row['high']:g}",
        )
        for name, row in guesses().iterrows()
        if name in bakes.columns
    ]
    problems = [
        Problem(
            "bakes",
            key=bake_name(bakes, place),
            column=column,
            found=str(bakes[column].iloc[place]) if column in bakes.columns else "nothing",
            expected=expected,
            mend=nearest(str(bakes[column].iloc[place]), known) or "write the one it is most like"
            if column == "support"
            else "give it as measured, in the unit of the column's name",
        )
        for column, fine, expected in asked
        for place in np.flatnonzero(~fine)
    ]
    if problems:
        raise StudyProblems(problems)


def _warn_outside(bakes: pd.DataFrame, table: dict) -> None:
    said = []
    for name, (low, high, why) in BOX.items():
        values = table[name]
        beyond = np.flatnonzero((values < low) | (values > high))
        if len(beyond):
            more = f" and {len(beyond) - 1} more" if len(beyond) > 1 else ""
            place = f"{bake_name(bakes, beyond[0])}{more}"
            said.append(
                f"{name} {values[beyond[0]]:g} ({place}), outside {low:g} to {high:g}: {why}"
            )
    for odd, words, why in (
        (_numbers(bakes, "topping_g") > 0, "a topping", "it wets and shields the top"),
        (table["puffed"], "a pocket", "two thin layers bake otherwise"),
    ):
        if odd.any():
            said.append(f"{words} ({bake_name(bakes, int(odd.argmax()))}): {why}")
    if said:
        text = f"the simulated bake is asked beyond its range: {'; '.join(said)}"
        warnings.warn(text, OutsideRange, stacklevel=4)
