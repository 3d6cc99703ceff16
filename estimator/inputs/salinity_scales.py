"""Practical salinity from specific gravity and conductivity, both at 25 °C and one atmosphere.

The number of practical salinity stands for g/kg throughout. Conductivity: PSS-78 (UNESCO 1983,
Technical Papers in Marine Science 44; coefficients from memory, held in
`tests/published/test_salinity_scales.py` to values of TEOS-10's toolbox). Density: EOS-80 at one
atmosphere (Millero & Poisson 1981, Deep-Sea Research 28A:625, in the same report; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable

_T68_C = 25.0 * 1.00024
"""25 °C on the scale of both formulas, IPTS-68."""
_STANDARD_MS_CM = 42.914
"""Conductivity of sea water of salinity 35 at 15 °C."""
_MOST_G_KG = 250.0
"""Far beyond both formulas (42 g/kg); only a bound for turning them round."""


def _polynomial(coefficients: tuple[float, ...], at: float) -> float:
    return sum(one * at**power for power, one in enumerate(coefficients))


_WATER_KG_M3 = _polynomial(
    (999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9), _T68_C
)
_PER_S = _polynomial((8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9), _T68_C)
_PER_S_1_5 = _polynomial((-5.72466e-3, 1.0227e-4, -1.6546e-6), _T68_C)
_PER_S_2 = 4.8314e-4

_RATIO = _polynomial((0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9), _T68_C)
"""Conductivity at 25 °C over that at 15 °C, both of salinity 35."""
_WARMER = (_T68_C - 15) / (1 + 0.0162 * (_T68_C - 15))
_AT_15_C = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
_AND_PER_WARMER = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)


def specific_gravity(salinity_g_kg: float) -> float:
    """Density at 25 °C over that of pure water at 25 °C; 1.0264 at 35 g/kg."""
    s = salinity_g_kg
    if not s >= 0:
        return math.nan
    return 1 + (_PER_S * s + _PER_S_1_5 * s**1.5 + _PER_S_2 * s**2) / _WATER_KG_M3


def salinity_of_specific_gravity(gravity: float) -> float:
    """The inverse of `specific_gravity`, g/kg; infinite outside what salt water has."""
    return _inverse(specific_gravity, gravity)


def salinity_of_conductivity(conductivity_ms_cm: float) -> float:
    """Salinity, g/kg, from conductivity at 25 °C, or brought to it by the meter; 35 at 53.1."""
    if not conductivity_ms_cm >= 0:
        return -math.inf if conductivity_ms_cm < 0 else math.nan
    root = math.sqrt(conductivity_ms_cm / (_STANDARD_MS_CM * _RATIO))
    salinity = _polynomial(_AT_15_C, root) + _WARMER * _polynomial(_AND_PER_WARMER, root)
    return max(salinity, 0.0)


def conductivity_ms_cm(salinity_g_kg: float) -> float:
    """The inverse of `salinity_of_conductivity`, mS/cm."""
    return _inverse(salinity_of_conductivity, max(salinity_g_kg, salinity_of_conductivity(0.0)))


def _inverse(rising: Callable[[float], float], value: float) -> float:
    """Where a function that rises from 0 on has this value; infinite outside, NaN for NaN."""
    low, high = 0.0, _MOST_G_KG
    if math.isnan(value):
        return math.nan
    if not rising(low) <= value <= rising(high):
        return math.copysign(math.inf, value - rising(low))
    for _ in range(60):
        middle = 0.5 * (low + high)
        if rising(middle) < value:
            low = middle
        else:
            high = middle
    return high
