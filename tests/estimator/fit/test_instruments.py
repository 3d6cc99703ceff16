"""Averages of instruments that read many times a day."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from estimator.fit.instruments import LEAST_READINGS, condense, instruments_of
from estimator.inputs.tank import Kit
from helpers.tanks import DKH, example_log, example_tank

MIDNIGHT = datetime(2026, 3, 1)


def every(hours: float, days: int, kit: str = "alk", first_h: float = 0.5):
    """Readings of the tank's alkalinity every so many hours, each with a value of its own."""
    times = np.arange(first_h, 24 * days, hours) / 24
    return [
        (float(t), "alkalinity", "tank", kit, 2.9 + 0.01 * i + 0.0003 * i * i)
        for i, t in enumerate(times)
    ]


def test_readings_of_half_a_day_become_one() -> None:
    """Mean value at the mean time, in the row of the first; noon and midnight part the windows."""
    rows = every(3, 4)
    found = condense(example_log(rows)).readings
    assert len(found) == 8
    for window, reading in enumerate(found):
        inside = [row for row in rows if int(row[0] * 2) == window]
        assert reading.averaged == len(inside) == 4
        assert reading.value == pytest.approx(np.mean([row[4] for row in inside]))
        mean_d = float(np.mean([row[0] for row in inside]))
        assert abs(reading.time - MIDNIGHT - timedelta(days=mean_d)) <= timedelta(seconds=1)
        assert reading.row == 2 + rows.index(inside[0])
    assert instruments_of(found) == ("alk",)


def test_what_is_read_rarely_stays_as_it_is() -> None:
    """Two readings a day, a burst of repeats on one day, and another kit's readings are untouched.

    Only the instrument's own are averaged, and all stay in time order.
    """
    twice = example_log(every(12, 20))
    assert condense(twice).readings == twice.readings
    burst = example_log(every(1, 1)[: LEAST_READINGS - 1])
    assert condense(burst).readings == burst.readings
    rare = [(j + 0.3, "alkalinity", "tank", "alk", 2.8) for j in range(6)]
    rare += [(j + 0.3, "calcium", "tank", "ca", 10.4) for j in range(6)]
    tank = example_tank()
    probe = Kit("probe", "alkalinity", "dKH", 0.01 * DKH)
    tank = replace(tank, kits={**tank.kits, "probe": probe})
    log = example_log([*rare, *every(2, 6, "probe")])
    found = condense(log).readings
    kept = [reading for reading in found if reading.kit != "probe"]
    assert kept == [reading for reading in log.readings if reading.kit != "probe"]
    assert sum(reading.kit == "probe" for reading in found) == 12
    assert [r.time for r in found] == sorted(r.time for r in found)
    assert instruments_of(found) == ("probe",)


def test_days_without_readings_do_not_make_it_a_rare_one() -> None:
    """The count is of days with readings: an instrument that ran for a week of a year is one."""
    week = [(t + 300, *rest) for t, *rest in every(4, 7)]
    log = example_log([(0.5, "calcium", "tank", "ca", 10.0), *week])
    found = condense(log).readings
    assert len(found) == 1 + 14


def test_effluent_and_tank_are_averaged_apart() -> None:
    """One instrument that reads two waters in turn gives averages of each."""
    tank = every(2, 5)
    effluent = [(t + 1 / 24, "alkalinity", "effluent", "alk", 12.0) for t, *_ in tank]
    found = condense(example_log([*tank, *effluent])).readings
    assert sum(reading.sample == "effluent" for reading in found) == 10
    assert {reading.value for reading in found if reading.sample == "effluent"} == {12.0}


def test_a_chambers_probe_is_left_alone() -> None:
    """Readings without a kit are of no titration: they are not averaged here."""
    log = example_log([(j / 24, "ph", "chamber", "", 6.6 + 0.01 * (j % 3)) for j in range(100)])
    assert condense(log).readings == log.readings


def test_averaging_twice_changes_nothing_more() -> None:
    """What was averaged counts as rare, and keeps what it is of."""
    once = condense(example_log(every(2, 30)))
    assert condense(once).readings == once.readings
