"""Readings at the stated salinity: how a log's salinity readings are believed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
import statsmodels.api as sm

from estimator.water.salinity import (
    HELD_DAYS,
    OFF,
    READING_ERROR_G_KG,
    USUAL_SWING_G_KG,
    WALK_G_KG,
    salinity_factors,
    salinity_note,
    salinity_off,
)
from helpers.tanks import MIDNIGHT, example_log, example_tank

TANK = example_tank(salinity_g_kg=35.0)


def log_of(days, values, last=40.0):
    """A log with these salinity readings of the tank, which ends on day `last`."""
    read = [(day, "salinity", "tank", "", value) for day, value in zip(days, values, strict=True)]
    return example_log([(0.5, "alkalinity", "tank", "alk", 2.8), *read], [(last, "stock_change")])


def levels(log, days):
    """Salinity that the factors stand for."""
    factor = salinity_factors(log, TANK)
    return np.array([35 / factor(MIDNIGHT + timedelta(days=day)) for day in days])


def test_no_reading_no_change() -> None:
    """A log without salinity, or with readings that are flagged or not the tank's, stays as is."""
    plain = log_of([], [])
    flagged = log_of([3.0], [12.0])
    readings = tuple(
        replace(r, flags=("odd",)) if r.parameter == "salinity" else r for r in flagged.readings
    )
    of_water = example_log([(1.0, "salinity", "water", "", 30.0, "new")])
    for log in (plain, replace(flagged, readings=readings), of_water):
        assert salinity_factors(log, TANK)(MIDNIGHT) == 1.0
        assert salinity_off(log, TANK) is None
        assert salinity_note(log, TANK) is None


def test_one_reading_counts_by_its_error_against_the_usual_swing() -> None:
    """One reading of 34.3 stands for 0.735 of its departure, at all times: no level is thrown."""
    log = log_of([10.0], [34.3])
    weight = USUAL_SWING_G_KG**2 / (USUAL_SWING_G_KG**2 + READING_ERROR_G_KG**2)
    assert weight == pytest.approx(0.735, abs=1e-3)
    np.testing.assert_allclose(levels(log, [0, 10, 35]), 35 - 0.7 * weight)
    # An error of one sd in a tank that is as stated moves no level by more than 0.7 %.
    assert abs(salinity_factors(log_of([10.0], [35.3]), TANK)(MIDNIGHT) - 1) < 0.007


def test_a_lasting_departure_is_the_tanks_salinity() -> None:
    """Twenty readings of 33.6: 8.0 dKH read there is 8.33 at 35, within 0.2 %; 0.6 % at first."""
    log = log_of(np.arange(0.5, 40, 2), np.full(20, 33.6))
    factor = salinity_factors(log, TANK)
    for day, error in ((0, 6e-3), (15.2, 2e-3), (40, 2e-3)):
        assert 8.0 * factor(MIDNIGHT + timedelta(days=day)) == pytest.approx(8.333, rel=error)


def test_between_readings_it_is_a_line_and_outside_level() -> None:
    """Nothing is made up between two readings or beyond them."""
    found = levels(log_of([10.0, 20.0], [35.0, 37.0]), [0, 10, 12.5, 15, 20, 40])
    assert found[0] == found[1]
    assert found[4] == found[5]
    assert found[3] == pytest.approx(0.5 * (found[1] + found[4]))
    assert found[2] == pytest.approx(0.75 * found[1] + 0.25 * found[4])
    assert 35 < found[1] < found[4] < 37


def test_the_path_is_that_of_an_independent_smoother() -> None:
    """Daily readings over two months: statsmodels' Kalman smoother of a local level agrees."""
    rng = np.random.default_rng(4)
    true = 35.5 + np.cumsum(WALK_G_KG * rng.standard_normal(60))
    read = true + 0.3 * rng.standard_normal(60)
    model = sm.tsa.UnobservedComponents(read - 35, "llevel")
    model.ssm.initialize_known(np.zeros(1), np.array([[USUAL_SWING_G_KG**2]]))
    smoothed = model.smooth([READING_ERROR_G_KG**2, WALK_G_KG**2]).smoothed_state[0]
    days = np.arange(60) + 0.25
    found = levels(log_of(days, read, 61.0), days)
    np.testing.assert_allclose(found - 35, smoothed, atol=1e-9)
    assert np.std(found - true) < 0.6 * np.std(read - true)


def test_readings_of_one_day_count_as_one() -> None:
    """A meter that reads every ten minutes is not believed more than one reading a day."""
    many = log_of(10 + np.arange(144) / 144, np.full(144, 34.3))
    assert salinity_off(many, TANK) == pytest.approx(salinity_off(log_of([10], [34.3]), TANK))


def test_off_is_the_latest_departure() -> None:
    """A tank that drifts from 35 to 32.5 is off by more than 5 % in the end, one at 34 is not."""
    drifting = log_of(np.arange(1, 40), np.linspace(35, 32.5, 39))
    assert -0.075 < salinity_off(drifting, TANK) < -OFF
    steady = log_of(np.arange(1, 40), np.full(39, 34.0))
    assert salinity_off(steady, TANK) == pytest.approx(-1 / 35, rel=0.02)


@pytest.mark.parametrize(("last", "code"), [(30.0, "note_salinity"), (41.0, "note_salinity_old")])
def test_what_is_told_of_salinity(last, code) -> None:
    """The range that readings are normalised by is told, and that the last reading is old."""
    note = salinity_note(log_of([5.0, 10.0], [34.0, 34.0], last), TANK)
    assert note.code == code
    assert note.values["age_d"] == pytest.approx(last - 10)
    assert (note.values["age_d"] > HELD_DAYS) == (code == "note_salinity_old")
    assert 34 < note.values["low_g_kg"] <= note.values["high_g_kg"] < 34.3
