"""Water as vapour: saturation, boiling point at a height, heat of evaporation."""

from __future__ import annotations

import numpy as np
import pandas as pd

WATER_HEAT = 4190.0
"""Specific heat of liquid water [J/(kg K)], mean of 0-100 °C; handbook value."""
VAPOUR_GAS = 461.5
"""Gas constant of water vapour [J/(kg K)]."""
SEA_LEVEL_PA = 101325.0
# IAPWS Industrial Formulation 1997, region 4: coefficients n1 ... n10 of the saturation line
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def saturation_pa(temperature_c):
    """Vapour pressure [Pa] over pure water at a temperature [°C]."""
    kelvin = temperature_c + 273.15
    v = kelvin + _N[8] / (kelvin - _N[9])
    a = (v + _N[0]) * v + _N[1]
    b = (_N[2] * v + _N[3]) * v + _N[4]
    c = (_N[5] * v + _N[6]) * v + _N[7]
    return 1e6 * (2 * c / (np.sqrt(b * b - 4 * a * c) - b)) ** 4


def saturation_c(pressure_pa):
    """Temperature [°C] at which pure water boils under a pressure [Pa]."""
    beta = (pressure_pa / 1e6) ** 0.25
    e = (beta + _N[2]) * beta + _N[5]
    f = (_N[0] * beta + _N[3]) * beta + _N[6]
    g = (_N[1] * beta + _N[4]) * beta + _N[7]
    d = 2 * g / (-f - np.sqrt(f * f - 4 * e * g))
    return (_N[9] + d - np.sqrt((_N[9] + d) ** 2 - 4 * (_N[8] + _N[9] * d))) / 2 - 273.15


def evaporation_heat(temperature_c):
    """Heat [J/kg] that turns water into vapour at a temperature [°C].

    A parabola through the steam table at 20, 60 and 100 °C, within 0.06 % of it from 0 to 120 °C.
    """
    return 2.49956e6 - (2265.0 + 1.65625 * temperature_c) * temperature_c


def pressure_pa(altitude_m):
    """Air pressure [Pa] of the standard atmosphere at a height [m] (ISO 2533, troposphere)."""
    return SEA_LEVEL_PA * (1 - 2.25577e-5 * altitude_m) ** 5.25588


def steam(temperatures_c) -> pd.DataFrame:
    """Tabulate saturated water vapour at given temperatures.

    Question: what does evaporating a gram of water cost, and at which pressure does it boil?

    Parameters
    ----------
    temperatures_c : float or sequence of float [°C]

    Returns
    -------
    DataFrame: temperature_c, saturation_kpa [kPa], evaporation_kj_kg [kJ/kg].

    Raises
    ------
    Nothing of its own: the numbers are taken as given.

    Range: 0-120 °C for the heat of evaporation, 0-373 °C for the pressure.

    Source: IAPWS Industrial Formulation 1997, region 4; the heat is a parabola through its table.

    >>> steam(100.0).round(2).to_dict("records")
    [{'temperature_c': 100.0, 'saturation_kpa': 101.42, 'evaporation_kj_kg': 2256.5}]
    """
    at = np.atleast_1d(np.asarray(temperatures_c, float))
    return pd.DataFrame(
        {
            "temperature_c": at,
            "saturation_kpa": saturation_pa(at) / 1e3,
            "evaporation_kj_kg": evaporation_heat(at) / 1e3,
        }
    )


def boiling_c(altitude_m: float) -> float:
    """Say at which temperature water boils at a height above the sea.

    Question: how far does the crumb heat up before it dries, where I bake?

    Parameters
    ----------
    altitude_m : float [m] above the sea

    Returns
    -------
    float [°C]

    Raises
    ------
    Nothing of its own: the numbers are taken as given.

    Range: -430 to 5500 m.

    Source: ISO 2533 standard atmosphere; IAPWS Industrial Formulation 1997, region 4.

    >>> round(boiling_c(1500), 1)
    95.0
    """
    return float(saturation_c(pressure_pa(altitude_m)))
