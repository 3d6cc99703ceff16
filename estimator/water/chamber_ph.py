"""How far the chamber's pH is from its controller's setting, as readings show."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

READING_SD = 0.03
"""Of one reading of a chamber's pH about its true value, NBS (common practice, no source)."""
DAILY_SD = 0.03
"""Of what gas, controller and probe change in a day (common practice, no source)."""
START_SD = 0.05
"""Of the departure at the first reading, a lasting offset taken off."""
MOST_READINGS = 400
"""So many days with readings are smoothed at most, evenly chosen."""


@dataclass(frozen=True)
class Departure:
    """Departure of the chamber's pH from its setting, straight between times, level outside."""

    times_d: np.ndarray
    values: np.ndarray

    def at(self, time_d: float) -> float:
        """Departure at a time, 0 where nothing was read."""
        if not len(self.times_d):
            return 0.0
        return float(np.interp(time_d, self.times_d, self.values))


def departure_of(
    readings: Sequence[tuple[float, float]], setting_at: Callable[[float], float]
) -> Departure:
    """The smoothed departure, freed of the offset that lasts.

    A probe may read off for good, and a medium may give more or less than the table says: neither
    changes the strength from day to day, and the prior of the saturated increment covers both. So
    the median departure is taken off. What is left is a random walk seen through reading errors:
    its best linear estimate is straight between readings.

    Args:
        readings: (days, pH) of the chamber.
        setting_at: pH that the controller was set to at a time.
    """
    if not readings:
        return Departure(np.empty(0), np.empty(0))
    times, ph = np.array(sorted(readings)).T
    off = ph - [setting_at(time) for time in times]
    days = np.unique(np.floor(times))
    chosen = days[np.unique(np.linspace(0, len(days) - 1, MOST_READINGS).astype(int))]
    at = np.array([times[np.floor(times) == day].mean() for day in chosen])
    daily = np.array([np.median(off[np.floor(times) == day]) for day in chosen])
    count = np.array([np.sum(np.floor(times) == day) for day in chosen])
    daily = daily - np.median(daily)
    walk = START_SD**2 + DAILY_SD**2 * np.minimum.outer(at - at[0], at - at[0])
    seen = walk + np.diag(READING_SD**2 / np.minimum(count, 4))
    return Departure(at, walk @ np.linalg.solve(seen, daily))
