"""Levels at the stated salinity: what evaporation and top-up do to all solutes alike.

Evaporation, and fresh water to replace it, change alkalinity, calcium, magnesium, nitrate and
salinity by one factor: 8.0 dKH read at 33.6 g/kg is 8.33 dKH at 35. That is no uptake, so readings
of the tank are to be multiplied by stated over present salinity before they are compared.

A salinity reading is itself in error by about as much as salinity swings. It is therefore taken as
a random walk that begins near the stated value: what a reading says counts by its error against
that swing, neighbours support each other, and a departure that every reading shows is believed
whole. It is the tank's salinity (or a meter's lasting error, which shifts levels by one factor and
no rate). The mean of such a walk is a straight line between readings and level before the first and
after the last.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime

import numpy as np
from scipy import linalg

from estimator.inputs.parameters import SALINITY
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.remark import Remark
from estimator.water.settings import day_of, origin_of

READING_ERROR_G_KG = 0.3
"""sd of one salinity reading, of its scale, temperature and handling (common practice, no source).
Readings of one day share the most of it and count as one."""
USUAL_SWING_G_KG = 0.5
"""sd of a tank's salinity about the stated one: keepers hold specific gravities 1.025 to 1.027
(common practice, no source). A single reading thus counts to 0.5²/(0.5² + 0.3²) = 74 %."""
WALK_G_KG = 0.10
"""sd of the change of salinity in a day, times the root of days: 0.3 g/kg in ten days (common
practice, no source)."""
OFF = 0.05
"""Departure from the stated salinity that is worth an alarm, as a part: 1.75 g/kg at 35 (common
practice, no source)."""
HELD_DAYS = 30.0
"""A salinity last read longer ago than this is told of: the last level stands until the end."""


def salinity_factors(log: TankLog, tank: Tank) -> Callable[[datetime], float]:
    """Stated salinity over salinity at a time, by which readings of the tank are multiplied.

    They are those of alkalinity, calcium, magnesium and nitrate; not of effluent or new water. 1
    where the log holds no salinity reading of the tank without a flag.
    """
    times_d, level_g_kg = _path(log, tank)
    if not len(times_d):
        return lambda time: 1.0
    origin = origin_of(log)

    def factor(time: datetime) -> float:
        return float(tank.salinity_g_kg / np.interp(day_of(time, origin), times_d, level_g_kg))

    return factor


def salinity_off(log: TankLog, tank: Tank) -> float | None:
    """Latest salinity less the stated one, as a part of it; None where it was never read.

    It speaks for an alarm beyond `OFF`. A single far reading counts to about three quarters.
    """
    _, level_g_kg = _path(log, tank)
    return float(level_g_kg[-1] / tank.salinity_g_kg - 1) if len(level_g_kg) else None


def salinity_note(log: TankLog, tank: Tank) -> Remark | None:
    """What readings are normalised by, and whether the last salinity reading is old.

    None where the log holds no salinity reading.
    """
    times_d, level_g_kg = _path(log, tank)
    if not len(times_d):
        return None
    age_d = day_of(log.end, origin_of(log)) - float(times_d[-1])
    code = "note_salinity_old" if age_d > HELD_DAYS else "note_salinity"
    return Remark(
        code,
        {
            "stated_g_kg": tank.salinity_g_kg,
            "low_g_kg": float(np.min(level_g_kg)),
            "high_g_kg": float(np.max(level_g_kg)),
            "age_d": age_d,
        },
    )


def _path(log: TankLog, tank: Tank) -> tuple[np.ndarray, np.ndarray]:
    """Days after the log's origin (n,) and salinity (n,) then, g/kg: one a day with readings.

    The mean of a random walk given readings, by its tridiagonal precision.
    """
    by_day: dict[date, list[Reading]] = {}
    for reading in log.readings:
        if (reading.sample, reading.parameter) == ("tank", SALINITY.name) and not reading.flags:
            by_day.setdefault(reading.time.date(), []).append(reading)
    if not by_day:
        return np.zeros(0), np.zeros(0)
    origin = origin_of(log)
    times_d = np.array([np.mean([day_of(r.time, origin) for r in day]) for day in by_day.values()])
    read = np.array([np.mean([r.value for r in day]) for day in by_day.values()])
    joined = 1 / (WALK_G_KG**2 * np.diff(times_d))
    # Rows: above the diagonal, the diagonal, below it.
    precision = np.zeros((3, len(read)))
    precision[1] = READING_ERROR_G_KG**-2
    precision[1, 0] += USUAL_SWING_G_KG**-2
    precision[1, 1:] += joined
    precision[1, :-1] += joined
    precision[0, 1:] = precision[2, :-1] = -joined
    pull = (read - tank.salinity_g_kg) * READING_ERROR_G_KG**-2
    return times_d, tank.salinity_g_kg + linalg.solve_banded((1, 1), precision, pull)
