"""Small known laws of ovens: contact of two bodies, radiation, browning of a crust."""

from __future__ import annotations

import numpy as np

from doughkit.baking.slab import BROWNING_ENERGY, BROWNING_RATE, GAS
from doughkit.baking.slab_step import KELVIN, STEFAN_BOLTZMANN


def contact_temperature(
    dough_c: float,
    floor_c: float,
    *,
    dough: tuple[float, float, float],
    floor: tuple[float, float, float],
) -> float:
    """Give the temperature at which dough and floor touch, if they touched perfectly.

    Question: why does a steel plate at 270 °C burn what a brick at 270 °C does not?

    Parameters
    ----------
    dough_c, floor_c : float [°C] before they meet
    dough, floor : (conductivity [W/(m K)], density [kg/m³], specific heat [J/(kg K)])

    Returns
    -------
    float [°C]

    Raises
    ------
    Nothing of its own: the numbers are taken as given.

    Range: both bodies thick beside the depth that heat reaches; no water boiling off, which holds
    a real bottom far lower; no gap of air, which flour and blisters make.

    Source: two half-spaces in contact, in any book of heat conduction.

    >>> round(contact_temperature(20, 330, dough=(0.5, 600, 2500), floor=(0.86, 2500, 880)), 1)
    210.2
    """
    weight = [np.sqrt(np.prod(body)) for body in (dough, floor)]
    return float((weight[0] * dough_c + weight[1] * floor_c) / (weight[0] + weight[1]))


def radiation_kw_m2(oven_c: float, surface_c: float, *, emissivity: float = 1.0) -> float:
    """Give the heat that an oven's walls radiate onto a surface.

    Question: how much does the glow of a 400 °C dome bring?

    Parameters
    ----------
    oven_c : float [°C] of walls all around
    surface_c : float [°C] of what they shine on; -273.15 for what a black wall sends out
    emissivity : float, 0 to 1, of the surface

    Returns
    -------
    float [kW/m²]

    Raises
    ------
    Nothing of its own: the numbers are taken as given.

    Range: walls all around, much larger than the piece.

    Source: Stefan and Boltzmann's law, constant of CODATA.

    >>> round(radiation_kw_m2(400, 100, emissivity=0.9), 2)
    9.49
    """
    fourth = (oven_c + KELVIN) ** 4 - (surface_c + KELVIN) ** 4
    return emissivity * STEFAN_BOLTZMANN * fourth / 1e3


def half_browned_s(surface_c: float) -> float:
    """Give the time in which a crust at a steady temperature browns halfway.

    Question: how much faster does a hotter crust colour?

    Parameters
    ----------
    surface_c : float [°C] of the crust's surface

    Returns
    -------
    float [s]

    Raises
    ------
    Nothing of its own: the numbers are taken as given.

    Range: 140-250 °C, a dry surface heated by contact. Halfway is half of a colour difference of
    52 from the raw surface.

    Source: B. Zanoni, C. Peri, D. Bruno 1995, browning kinetics of bread crust during baking.

    >>> round(half_browned_s(200))
    200
    """
    rate = BROWNING_RATE * np.exp(-BROWNING_ENERGY / (GAS * (surface_c + KELVIN)))
    return float(np.log(2) / rate)
