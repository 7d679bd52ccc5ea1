"""Water temperature for a wanted dough temperature, friction from a trial, ice."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from doughkit.tables.problems import OutsideRange, Problem, StudyProblems, problem_error

ICE_AS_COLD_C = 79.7
"""Melting ice takes up what cooling the same water by this much gives: 333.55 kJ/kg (steam tables,
from memory) over 4.186 kJ/(kg °C)."""
WARMEST_WATER_C = 45.0
"""Warmer water can harm yeast; common practice, no source."""
COLDEST_DOUGH_INPUT_C, WARMEST_DOUGH_INPUT_C = -30.0, 60.0


def water_temperature(
    *, dough_c, flour_c, room_c, friction_c, preferment_c=None, tap_c=None, water_g=None
) -> pd.DataFrame:
    """Say how warm the water must be for the dough to leave the mixer at the temperature wanted.

    Question: how warm must the water be, and how much of it must be ice?

    Parameters
    ----------
    dough_c : float
        Dough wanted at the end of mixing [°C].
    flour_c, room_c : float
        Flour and room [°C].
    friction_c : float
        What mixing adds, from a trial with the same mixer, batch and time (`mixing_friction`).
    preferment_c : float, optional
        Pre-ferment [°C]; counts as a fourth part.
    tap_c : float, optional
        Tap water [°C]; with `water_g` it says how much ice is needed.
    water_g : float, optional
        All water of the dough, ice included [g].

    Returns
    -------
    DataFrame of one row: water_c, ice_g, tap_water_g, note. The two masses are empty where tap_c
    and water_g are not given; ice_g is 0 where the tap is cold enough.

    Raises
    ------
    StudyProblems for a temperature that no kitchen has, or more ice than water.

    Range: the rule gives every part the same weight; it holds near the trial that friction was
    measured in. Warns above 45 °C, where yeast suffers.

    Source: the trade's rule, water = n × dough − (flour + room + pre-ferment) − friction, n = 3, or
    4 with a pre-ferment; ice at 0 °C by heat balance, ice = water × (tap − wanted) / (tap + 79.7).

    >>> water_temperature(dough_c=24, flour_c=21, room_c=22, friction_c=10)["water_c"].tolist()
    [19.0]
    >>> cold = water_temperature(
    ...     dough_c=21, flour_c=22, room_c=23, friction_c=10, tap_c=20, water_g=1000)
    >>> cold[["water_c", "ice_g"]].round(1).values.tolist()
    [[8.0, 120.4]]
    """
    inputs = {"dough_c": dough_c, "flour_c": flour_c, "room_c": room_c, "friction_c": friction_c}
    others = {"preferment_c": preferment_c, "tap_c": tap_c}
    _temperatures("water_temperature", inputs | {k: v for k, v in others.items() if v is not None})
    warm = [flour_c, room_c] + ([] if preferment_c is None else [preferment_c])
    water_c = float((len(warm) + 1) * dough_c - sum(warm) - friction_c)
    ice, tap = _ice(water_c, tap_c, water_g)
    if water_c > WARMEST_WATER_C:
        warnings.warn(
            f"water of {water_c:.1f} °C would harm yeast (above {WARMEST_WATER_C:g} °C): warm the "
            "flour or the bowl instead",
            OutsideRange,
            stacklevel=2,
        )
    row = {"water_c": water_c, "ice_g": ice, "tap_water_g": tap, "note": _note(water_c, ice, tap)}
    return pd.DataFrame([row]).astype({"note": "str"})


def _ice(water_c: float, tap_c, water_g) -> tuple[float, float]:
    """Grams of ice and of tap water."""
    if tap_c is None or water_g is None:
        return np.nan, np.nan
    if not (isinstance(water_g, int | float | np.number) and 0 < water_g < 1e9):
        raise problem_error(
            "water_temperature",
            column="water_g",
            found=f"{water_g}",
            expected="a number above zero",
            mend="give all water of the dough in grams",
        )
    ice = water_g * max(tap_c - water_c, 0.0) / (tap_c + ICE_AS_COLD_C)
    if ice > water_g:
        raise problem_error(
            "water_temperature",
            column="dough_c",
            found=f"{ice:.0f} g of ice wanted in {water_g:g} g of water",
            expected="no more ice than water",
            mend="cool the flour or the bowl, mix for less long, or accept a warmer dough",
        )
    return float(ice), float(water_g - ice)


def _note(water_c: float, ice: float, tap: float) -> str:
    if water_c < 0 and not ice > 0:
        return "colder than any water: ice is needed; give tap_c and water_g"
    if ice > tap:
        return "more ice than tap water, which may not melt in time: cool the flour as well"
    if ice > 0:
        return "weigh the ice as part of the water and let it melt before mixing ends"
    return "warmer than yeast likes: see the warning" if water_c > WARMEST_WATER_C else ""


def mixing_friction(*, dough_c, flour_c, room_c, water_c, preferment_c=None) -> float:
    """Give what a mixing has added to the dough's temperature, from a trial.

    Question: by how much does my mixing warm the dough?

    Parameters
    ----------
    dough_c : float
        Dough as it left the mixer [°C].
    flour_c, room_c, water_c : float
        What went in, and the room [°C].
    preferment_c : float, optional
        Pre-ferment [°C].

    Returns
    -------
    float: the friction that `water_temperature` takes [°C]; it is of this mixer, batch and time.

    Raises
    ------
    StudyProblems for a temperature that no kitchen has.

    Range: that mixer, batch size, speed and time alone.

    Source: the same rule of the trade as `water_temperature`, solved for friction.

    >>> mixing_friction(dough_c=26, flour_c=21, room_c=22, water_c=20)
    15.0
    """
    inputs = {"dough_c": dough_c, "flour_c": flour_c, "room_c": room_c, "water_c": water_c}
    inputs |= {} if preferment_c is None else {"preferment_c": preferment_c}
    _temperatures("mixing_friction", inputs)
    warm = [value for name, value in inputs.items() if name != "dough_c"]
    return float(len(warm) * dough_c - sum(warm))


def _temperatures(table: str, inputs: dict) -> None:
    low, high = COLDEST_DOUGH_INPUT_C, WARMEST_DOUGH_INPUT_C
    problems = [
        Problem(
            table,
            column=name,
            found=f"{value}",
            expected=f"degrees Celsius from {low:g} to {high:g}",
            mend="correct it; degrees Fahrenheit are converted by (°F − 32) / 1.8",
        )
        for name, value in inputs.items()
        if not (isinstance(value, int | float | np.number) and low <= value <= high)
    ]
    if problems:
        raise StudyProblems(problems)
