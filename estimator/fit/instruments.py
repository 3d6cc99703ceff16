"""Instruments that read many times a day.

Readings an hour apart share most of their error: counted one by one they would promise what they
cannot know. Such an instrument's readings are averaged over half days, and its error has a part
that lasts, a stationary first-order autoregression (`mass_balance`), beside the part that does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import groupby

import numpy as np

from estimator.inputs.records import Reading, TankLog

MANY_A_DAY = 2.0
"""Mean readings a day, of days with any, above which a kit counts as such an instrument."""
LEAST_READINGS = 10
WINDOWS_A_DAY = 2
"""Averages a day, so that day and night are told apart."""
RECENT_DAYS, EVERY = 60, 3
"""Of averages older than that one in three is kept, day and night in turn: their errors hang
together over days, and a fit's cost grows with each."""


def condense(log: TankLog) -> TankLog:
    """The log with the readings of each such instrument averaged over half days.

    An average stands at the mean time, in the row of its first reading, and knows how many readings
    it is of (`Reading.averaged`). Old averages are thinned (`RECENT_DAYS`).
    """
    series: dict[tuple[str, str, str, str], list[Reading]] = {}
    for reading in log.readings:
        key = (reading.sample, reading.parameter, reading.of, reading.kit)
        series.setdefault(key, []).append(reading)
    kept: list[Reading] = []
    for readings in series.values():
        kept.extend(_averages(readings, log.end) if _is_many(readings) else readings)
    return replace(log, readings=tuple(sorted(kept, key=lambda r: (r.time, r.row))))


def _is_many(readings: Sequence[Reading]) -> bool:
    days = {reading.time.date() for reading in readings}
    kit = readings[0].kit
    return bool(kit) and len(readings) >= max(LEAST_READINGS, MANY_A_DAY * len(days) + 1)


def _averages(readings: Sequence[Reading], end: datetime) -> list[Reading]:
    def window(reading: Reading) -> int:
        part = reading.time.hour * WINDOWS_A_DAY // 24
        return reading.time.toordinal() * WINDOWS_A_DAY + part

    recent = (end.toordinal() - RECENT_DAYS) * WINDOWS_A_DAY
    found = []
    for number, group in groupby(sorted(readings, key=lambda r: r.time), key=window):
        if number < recent and number % EVERY:
            continue
        one = list(group)
        since = [(reading.time - one[0].time) / timedelta(seconds=1) for reading in one]
        time = one[0].time + timedelta(seconds=round(float(np.mean(since))))
        value = float(np.mean([reading.value for reading in one]))
        found.append(replace(one[0], time=time, value=value, averaged=len(one)))
    return found


def instruments_of(readings: Sequence[Reading]) -> tuple[str, ...]:
    """Names of the kits with averaged readings, in the order of their first."""
    return tuple(dict.fromkeys(reading.kit for reading in readings if reading.averaged > 1))
