"""The light of a day: which part of it is lit, and how uptake follows it.

The light shape is a dark rate plus a half-sine over the lit hours, its mean over the day 1. A
forcing m(t) over a span that ends at t1 is kept as its moments M_j / j!, M_j = ∫ (t1 − t)^j m(t) dt
(`fit.schedule`).
"""

from __future__ import annotations

from math import factorial

import numpy as np

from estimator import units
from estimator.inputs.tank import Tank

TERMS = 14
"""Terms of a series of moments that are kept."""
FACTORIALS = np.array([factorial(j) for j in range(TERMS)], dtype=float)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


def light_share(light_ratio: np.ndarray, lit_fraction: float) -> np.ndarray:
    """φ, the share of the daily uptake that follows the light pulse.

    From mean lit rate = L × dark rate and a daily mean of 1:
    φ = (L − 1)f / (1 + f(L − 1)).
    """
    return (light_ratio - 1) * lit_fraction / (1 + lit_fraction * (light_ratio - 1))


def lit_fraction(tank: Tank) -> float:
    """Lit fraction of the day; lights may cross midnight."""
    return ((tank.lights_off_h - tank.lights_on_h) % units.HOURS_PER_DAY) / units.HOURS_PER_DAY


def pulse_moments(start_d: np.ndarray, end_d: np.ndarray, tank: Tank) -> np.ndarray:
    """∫ (end − t)^j p(t) dt / j! over each span, for the light pulse p of daily mean 1.

    p is a half-sine over the lit hours. Gauss-Legendre with 24 nodes on each lit piece is exact
    to rounding for spans of a day or less.

    Args:
        start_d, end_d: (n,) days after a local midnight, end_d − start_d <= 1.
        tank: for its lit hours.

    Returns:
        (n, TERMS), days^(j+1).
    """
    on = tank.lights_on_h / units.HOURS_PER_DAY
    lit = lit_fraction(tank)
    moments = np.zeros((len(start_d), TERMS))
    for shift in (-1, 0, 1):
        rise = np.floor(start_d) + shift + on
        low = np.maximum(start_d, rise)
        high = np.minimum(end_d, rise + lit)
        some = np.flatnonzero(high > low)
        half = 0.5 * (high - low)[some, None]
        at = low[some, None] + half * (_NODES + 1)
        height = 0.5 * np.pi / lit * np.sin(np.pi * (at - rise[some, None]) / lit)
        back, part = end_d[some, None] - at, half * _WEIGHTS * height
        for j in range(TERMS):
            moments[some, j] += part.sum(axis=1)
            part *= back
    return moments / FACTORIALS


def day_shape(tank: Tank, share: np.ndarray, time_d: float) -> np.ndarray:
    """∫ (s − 1) from midnight to each time of day, less its mean over the day, in days.

    A level under steady supply stands this many days of uptake below its daily mean.

    Args:
        tank: for its lit hours.
        share: φ, any shape.
        time_d: time of day as a fraction of a day, a scalar.
    """
    grid = np.linspace(0.0, 1.0, 289)
    pulse = np.concatenate([[0.0], np.cumsum(pulse_moments(grid[:-1], grid[1:], tank)[:, 0])])
    running = pulse - grid
    centred = running - np.trapezoid(running, grid)
    return share * np.interp(time_d, grid, centred)
