"""Chamber pH readings as evidence of gas, controller and probe."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from estimator.advice.chamber_ph import ChamberShift, _cases, _marginal, _sizes, chamber_shift
from estimator.inputs.records import Action, Reading, TankLog
from helpers.tanks import example_tank

BEGAN = datetime(2026, 3, 1)
SETTING = 6.6


def shift(days: np.ndarray, departures: np.ndarray, **settings: float) -> ChamberShift | None:
    """What readings that depart so from the tank file's 6.6 say."""
    readings = tuple(
        Reading(
            2 + i, BEGAN + timedelta(days=float(d)), "ph", "chamber", "", SETTING + x, "NBS", ""
        )
        for i, (d, x) in enumerate(zip(days, departures, strict=True))
    )
    actions = tuple(
        Action(500 + i, BEGAN + timedelta(days=float(day[1:])), "ph_setting", "", value)
        for i, (day, value) in enumerate(settings.items())
    )
    end = readings[-1].time
    log = TankLog("log", "a", len(readings), 0, readings, actions, BEGAN, end)
    return chamber_shift(log, example_tank())


def noise(days: np.ndarray, seed: int, sd: float = 0.03) -> np.ndarray:
    return sd * np.random.default_rng(seed).standard_normal(len(days))


@pytest.mark.parametrize("every", [1, 3, 7])
@pytest.mark.parametrize("offset", [-0.15, 0.0, 0.15])
def test_a_lasting_offset_of_the_probe_is_no_change(every: int, offset: float) -> None:
    """A probe that always reads a little off its setting says nothing of the gas."""
    days = np.arange(0.0, 91.0, every)
    for seed in range(10):
        found = shift(days, offset + noise(days, seed))
        assert found is None or found.chance < 0.1


def test_a_controller_that_swings_is_no_change() -> None:
    """A chamber whose pH swings by 0.1 about its setting is as it always was."""
    days = np.arange(0.0, 91.0, 3)
    found = [shift(days, noise(days, seed, 0.1)) for seed in range(20)]
    assert sum(one is not None and one.chance >= 0.5 for one in found) == 0


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("every", [1, 3, 7])
def test_a_ramp_over_three_weeks_is_found(every: int, sign: float) -> None:
    """Gas that runs out, or creeps up: side, size and beginning."""
    days = np.arange(0.0, 92.0, every)
    true = sign * 0.4 * np.clip((days - 70) / 21, 0.0, 1.0)
    for seed in range(5):
        found = shift(days, true + noise(days, seed))
        assert found is not None
        assert found.direction == ("up" if sign > 0 else "down")
        assert found.chance > 0.9
        assert np.quantile(found.size, 0.05) <= true[-1] <= np.quantile(found.size, 0.95) or (
            abs(np.median(found.size) - true[-1]) < 0.06
        )
        assert abs((found.since - (BEGAN + timedelta(days=70)).date()).days) <= 10


def test_a_step_is_found_and_goes_with_readings_back_at_the_setting() -> None:
    """The alarm goes once what it asks for speaks against it."""
    days = np.arange(0.0, 85.0, 3)
    moved = np.where(days > 75, 0.3, 0.0)
    found = shift(days, moved + noise(days, 1))
    assert found is not None
    assert found.chance > 0.9
    later = np.append(days, [86.0, 88.0, 90.0])
    back = shift(later, np.append(moved, [0.0, 0.0, 0.0]) + noise(later, 1))
    assert back is None or back.chance < 0.3


def test_one_odd_reading_among_daily_ones_is_a_slip() -> None:
    """A single reading far off is likelier misread than a fault that came with it."""
    days = np.arange(0.0, 60.0)
    found = shift(days, np.where(days == days[-1], 0.3, 0.0) + noise(days, 2))
    assert found is not None
    assert found.chance < 0.5


def test_a_new_setting_is_no_departure() -> None:
    """Readings are held against the setting of their time."""
    days = np.arange(0.0, 60.0, 3)
    found = shift(days, np.where(days >= 45, 0.2, 0.0) + noise(days, 3), d45=6.8)
    assert found is None or found.chance < 0.1


def test_no_reading_of_late_says_nothing() -> None:
    """Readings that are a month old are no evidence of today."""
    days = np.arange(0.0, 30.0)
    readings = shift(days, noise(days, 4))
    assert readings is None or readings.chance < 0.1
    log = TankLog("log", "a", 0, 0, (), (), BEGAN, BEGAN + timedelta(days=30))
    assert chamber_shift(log, example_tank()) is None


def test_the_marginal_is_that_of_the_normal_distribution() -> None:
    """Offset and change integrated out: the density of the departures under the covariance
    σ² + 0.1² + 0.25² v v', and c v_n given them, by the textbook formulas (scipy)."""
    rng = np.random.default_rng(4)
    departures, variance = 0.2 * rng.standard_normal(5), np.array([1, 1, 4, 1, 90]) * 0.03**2
    shape = np.array([[0, 0, 0, 0, 0], [0, 0, 1, 1, 1], [0, 0.2, 0.5, 0.8, 1.0], [0, 1, 0.5, 0, 0]])
    log_likelihood, mean, sd = _marginal(departures, shape, variance)
    for k, v in enumerate(shape):
        covariance = np.diag(variance) + 0.1**2 + 0.25**2 * np.outer(v, v)
        density = stats.multivariate_normal(np.zeros(5), covariance).logpdf(departures)
        assert log_likelihood[k] - log_likelihood[0] == pytest.approx(
            density
            - stats.multivariate_normal(np.zeros(5), np.diag(variance) + 0.1**2).logpdf(departures)
        )
        gain = 0.25**2 * v[-1] * v @ np.linalg.inv(covariance)
        assert mean[k] == pytest.approx(gain @ departures)
        assert sd[k] ** 2 == pytest.approx(0.25**2 * v[-1] ** 2 - gain @ v * 0.25**2 * v[-1])


def test_sizes_are_even_quantiles_beyond_the_least() -> None:
    """A normal that lies well beyond 0.1 comes back with its quantiles, on either side; one that
    straddles it is cut off there; two of them share by their weight."""
    points = [0.05, 0.5, 0.95]
    for sign in (1.0, -1.0):
        found = _sizes(np.array([sign * 0.5]), np.array([0.05]), np.array([1.0]), sign)
        expected = stats.norm(sign * 0.5, 0.05).ppf(points)
        assert np.quantile(found, points) == pytest.approx(expected, abs=0.002)
    cut = _sizes(np.array([0.1]), np.array([0.05]), np.array([0.4]), 1.0)
    half = stats.norm(0.1, 0.05).ppf([0.525, 0.75, 0.975])
    assert np.quantile(cut, points) == pytest.approx(half, abs=0.002)
    two = _sizes(np.array([0.3, 0.6]), np.full(2, 0.01), np.array([0.3, 0.1]), 1.0)
    assert np.mean(two < 0.45) == pytest.approx(0.75)


def test_ways_a_change_may_have_come_share_its_chance() -> None:
    """Read on days 0, 4 and 6: gaps of four and two days, each a step or a ramp at 0.05/14/2 a day,
    lasting or mended on a later day with readings, half of it each."""
    cases = _cases(np.array([0, 4, 6]), 0)
    a_day = 0.5 * 0.05 / 14
    chance = np.exp(cases.log_prior)
    assert chance.sum() == pytest.approx(1.0)
    assert chance[0] == pytest.approx(1.0 - 2 * a_day * 6)
    rows = sorted(
        (day, *shape, round(float(part) / a_day, 6))
        for day, shape, part in zip(cases.day[1:], cases.shape[1:], chance[1:], strict=True)
    )
    assert rows == [
        (1, 0.0, pytest.approx(4 / 6), 1.0, 2.0),
        (1, 0.0, 1.0, 0.0, 2.0),
        (4, 0.0, 1.0, 0.0, 2.0),
        (4, 0.0, 1.0, 1.0, 2.0),
        (5, 0.0, 0.0, 1.0, 2.0),
        (6, 0.0, 0.0, 1.0, 2.0),
    ]
    assert _cases(np.array([0, 4, 6]), 5).day.tolist() == [6, 6, 6]
