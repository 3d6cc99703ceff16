"""Rough figures of load and effluent, before any fit: they place priors, and nothing else.

The prior of a chamber says how much of the most that it can supply the tank's load takes; for that
the load must be known to some ten per cent, which what was supplied tells without any model.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from estimator import units
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.water import chamber_table
from estimator.water.settings import Settings, day_of, origin_of

WINDOW_DAYS = 30.0
"""How far back from the log's end supply and level are looked at."""
USUAL_UPTAKE_MEQ_L_D = 1.2 * units.MEQ_L_PER_DKH
"""Median uptake of a reef tank, see `priors.physical_priors`."""
USUAL_REACH = 0.6
"""Part of saturation that usual effluent reaches, see `priors.physical_priors`."""
LEAST_TESTS, LEAST_DAYS = 4, 5.0
"""A trend of the level is taken from no fewer tests and days."""
LARGEST_PART = 0.5
"""The trend moves the load by at most this part of the supply."""


ROOM = 1.25
"""A reactor is chosen with so much room beyond the load, at least; while no effluent was tested
nothing else speaks against one that cannot carry its tank (common practice, no source)."""


def room_of(log: TankLog) -> float:
    """`ROOM` while no effluent was tested; a test speaks for itself."""
    tested = any(
        (reading.sample, reading.parameter) == ("effluent", ALKALINITY.name)
        for reading in log.readings
    )
    return 1.0 if tested else ROOM


def rough_increment_meq_l(log: TankLog, tank: Tank, settings: Settings) -> float:
    """Increment of the effluent over tank water, meq/L: as tested (median), else as usual."""
    tested = [
        reading.value
        for reading in log.readings
        if (reading.sample, reading.parameter) == ("effluent", ALKALINITY.name)
        and reading.value > 0
    ]
    if tested:
        above = float(np.median(tested)) - tank.targets[ALKALINITY.name].middle
        return max(above, 1.0)
    saturated = chamber_table.saturated_increment_meq_l(settings.chamber_ph.last)
    return USUAL_REACH * saturated


def rough_load_meq_d(log: TankLog, tank: Tank, settings: Settings) -> float:
    """What the tank takes up in a day, meq: what was supplied of late, less what stayed in it.

    Doses are known; the effluent counts with its rough increment; the level's trend is the slope of
    Theil and Sen (Sen 1968, JASA 63:1379), which no single test moves. Where nothing was supplied
    it is the usual uptake.
    """
    origin = origin_of(log)
    end = day_of(log.end, origin)
    start = max(0.0, end - WINDOW_DAYS)
    days = max(end - start, 1.0)
    recent = settings.dose_times_d >= start
    supplied = float(np.sum(settings.dose_alkalinity_meq[recent]))
    supplied += settings.alkalinity_rate_meq_d.integral(start, end)
    litres = settings.flow_l_d.integral(start, end)
    supplied = (supplied + litres * rough_increment_meq_l(log, tank, settings)) / days
    usual = USUAL_UPTAKE_MEQ_L_D * tank.water_volume_l
    if supplied < 0.05 * usual:
        return usual
    levels = np.array(
        [
            (day_of(reading.time, origin), reading.value)
            for reading in log.readings
            if (reading.sample, reading.parameter) == ("tank", ALKALINITY.name)
        ]
    ).reshape(-1, 2)
    levels = levels[levels[:, 0] >= start]
    if len(levels) < LEAST_TESTS or np.ptp(levels[:, 0]) < LEAST_DAYS:
        return supplied
    slope = float(stats.theilslopes(levels[:, 1], levels[:, 0])[0])
    stayed = np.clip(slope * tank.water_volume_l, -LARGEST_PART * supplied, LARGEST_PART * supplied)
    return supplied - float(stayed)
