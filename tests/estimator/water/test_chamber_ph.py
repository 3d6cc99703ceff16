"""How the chamber's pH stands to its setting, as readings show."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.water import chamber_table
from estimator.water.chamber_ph import DAILY_SD, MOST_READINGS, READING_SD, START_SD, departure_of
from estimator.water.settings import settings_of
from helpers.tanks import example_log, example_tank


def at_setting(time_d: float) -> float:
    return 6.6


def test_a_departure_is_believed_by_what_readings_are_worth() -> None:
    """Two readings a day apart, 6.5 and 6.7 at a setting of 6.6: −0.1 and 0.1, each drawn to the
    other by a walk worked by hand."""
    found = departure_of([(1.5, 6.5), (2.5, 6.7)], at_setting)
    start, step = START_SD**2, DAILY_SD**2
    walk = np.array([[start, start], [start, start + step]])
    expected = walk @ np.linalg.inv(walk + READING_SD**2 * np.eye(2)) @ [-0.1, 0.1]
    np.testing.assert_allclose(found.values, expected)
    assert found.at(2.0) == pytest.approx(expected.mean())
    # Level before the first reading and after the last.
    assert (found.at(0.0), found.at(99.0)) == (found.at(1.5), found.at(2.5))


def test_a_lasting_offset_of_the_probe_is_no_departure() -> None:
    """A probe that reads 0.2 too high throughout says nothing of the strength from day to day."""
    found = departure_of([(float(day), 6.8) for day in range(10)], at_setting)
    assert np.abs(found.values).max() < 1e-12


def test_a_drift_of_many_readings_is_believed_whole() -> None:
    """6.57 rising to 7.03 over three weeks, twice a day: the last day stands where it was read,
    as far from the middle one."""
    ph = np.linspace(6.57, 7.03, 42)
    found = departure_of(list(zip(0.25 + np.arange(42) / 2, ph, strict=True)), at_setting)
    assert found.at(20.5) - found.at(10.5) == pytest.approx(0.23, abs=0.02)


def test_a_change_of_the_setting_is_none() -> None:
    """The readings go with the controller: nothing departs."""
    readings = [(float(day), 6.6 if day < 5 else 6.4) for day in range(10)]
    found = departure_of(readings, lambda time: 6.6 if time < 5 else 6.4)
    assert np.abs(found.values).max() < 1e-12


def test_no_reading_no_departure() -> None:
    """0 at any time."""
    assert departure_of([], at_setting).at(3.0) == 0.0


def test_a_probe_read_every_minute_is_thinned() -> None:
    """One figure a day, of so many days at most, first and last among them."""
    days = np.arange(0.0, 1000.0, 0.5)
    found = departure_of([(day, 6.6) for day in days], at_setting)
    assert len(found.times_d) == MOST_READINGS
    assert (found.times_d[0], found.times_d[-1]) == (0.25, 999.25)


def test_the_strength_goes_by_the_table() -> None:
    """A setting gone from 6.6 to 6.4 on day 5: before, the saturated increment was that of 6.6
    over that of 6.4; a departure counts from the setting of its time."""
    read = [(float(day), "alkalinity", "tank", "alk", 2.9) for day in range(11)]
    change = [(0.0, "flow", "", 1000.0), (5.0, "ph_setting", "", 6.4)]
    settings = settings_of(example_log(read, change), example_tank())
    table = chamber_table.saturated_increment_meq_l
    assert settings.log_ph_ratio(2.0) == pytest.approx(np.log(table(6.6) / table(6.4)))
    assert settings.log_ph_ratio(7.0) == 0.0
    assert settings.departure_log_ratio(2.0) == 0.0
    shown = [6.6] * 5 + [6.4] * 3 + [6.3] * 3
    probe = [(float(day), "ph", "chamber", "", value) for day, value in enumerate(shown)]
    settings = settings_of(example_log(read + probe, change), example_tank())
    off = settings.ph_departure.at(10.0)
    assert -0.1 < off < -0.05
    expected = np.log(table(6.4 + off) / table(6.4))
    assert settings.log_ph_ratio(10.0) == pytest.approx(expected)
    assert expected > 0
