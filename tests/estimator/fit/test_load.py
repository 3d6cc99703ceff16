"""Rough figures of load and effluent, against what was put in."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.fit.load import (
    LARGEST_PART,
    ROOM,
    USUAL_REACH,
    USUAL_UPTAKE_MEQ_L_D,
    room_of,
    rough_increment_meq_l,
    rough_load_meq_d,
)
from estimator.synthetic.simulation import simulate_log
from estimator.water import chamber_table
from estimator.water.settings import settings_of
from helpers.tanks import DKH, example_log, example_tank, example_truth

TANK = example_tank()
MIDDLE = TANK.targets["alkalinity"].middle


def rough(log) -> float:
    """The rough load of a log, meq/day."""
    return rough_load_meq_d(log, TANK, settings_of(log, TANK))


def levels(slope_meq_l_d: float, days: int = 20, every: float = 1.0):
    """Tank readings on a straight line."""
    return [
        (t, "alkalinity", "tank", "alk", MIDDLE + slope_meq_l_d * t)
        for t in np.arange(0.4, days, every)
    ]


SODA = [(0.0, "dose_rate", "soda", 160.0)]
DOSED = 160.0 * 1.9


def test_a_steady_tank_takes_what_it_is_given() -> None:
    """Level as it was: the load is what was dosed, by rate and at once alike."""
    assert rough(example_log(levels(0.0), SODA)) == pytest.approx(DOSED)
    by_hand = [(j + 0.3, "dose", "soda", 160.0) for j in range(19)]
    days = 19.4
    found = rough(example_log(levels(0.0), by_hand))
    assert found == pytest.approx(19 * DOSED / days, rel=1e-6)


@pytest.mark.parametrize("slope", [0.05, -0.05])
def test_what_stays_in_a_rising_tank_is_no_load(slope) -> None:
    """A level that rises keeps some of what was dosed, one that falls gave some of its own."""
    found = rough(example_log(levels(slope), SODA))
    assert found == pytest.approx(DOSED - slope * TANK.water_volume_l, rel=1e-6)


def test_a_wild_trend_moves_the_load_by_half_at_most() -> None:
    """A level that rises by more than all that was dosed leaves half of it as load."""
    for slope in (1.0, -1.0):
        found = rough(example_log(levels(slope), SODA))
        assert found == pytest.approx(DOSED * (1 - LARGEST_PART * np.sign(slope)))


def test_one_misread_test_does_not_move_the_trend() -> None:
    """The slope of Theil and Sen hardly heeds a reading 4 dKH too high."""
    readings = levels(0.0)
    readings[-2] = (*readings[-2][:4], MIDDLE + 4 * DKH)
    assert rough(example_log(readings, SODA)) == pytest.approx(DOSED, rel=0.02)


@pytest.mark.parametrize(("days", "every"), [(4, 0.5), (20, 7.0)])
def test_few_days_or_tests_tell_no_trend(days, every) -> None:
    """Within five days, or from three tests, no slope is taken: the load is the supply."""
    log = example_log(levels(0.05, days, every), SODA)
    assert rough(log) == pytest.approx(DOSED)


def test_only_the_last_month_counts() -> None:
    """What was dosed and how the level moved before it says nothing of now."""
    early = [(t, "alkalinity", "tank", "alk", MIDDLE - 0.02 * (60 - t)) for t in range(60)]
    late = [(float(t), "alkalinity", "tank", "alk", MIDDLE) for t in range(60, 91)]
    actions = [(0.0, "dose_rate", "soda", 400.0), (60.0, "dose_rate", "soda", 160.0)]
    assert rough(example_log([*early, *late], actions)) == pytest.approx(DOSED)


def test_a_reactor_counts_with_its_tested_effluent() -> None:
    """Litres times the median of what the tests are above the middle of the band."""
    flow = [(0.0, "flow", "", 2000.0)]
    tests = [
        (j + 0.5, "alkalinity", "effluent", "alk", MIDDLE + x)
        for j, x in enumerate((5.8, 6.0, 30.0))
    ]
    log = example_log([*levels(0.0), *tests], flow)
    settings = settings_of(log, TANK)
    assert rough_increment_meq_l(log, TANK, settings) == pytest.approx(6.0)
    assert rough(log) == pytest.approx(48.0 * 6.0)


def test_an_untested_effluent_counts_as_usual() -> None:
    """Without a test: the usual part of what saturates at the chamber's pH."""
    log = example_log(levels(0.0), [(0.0, "flow", "", 2000.0)])
    usual = USUAL_REACH * chamber_table.saturated_increment_meq_l(6.6)
    assert rough(log) == pytest.approx(48.0 * usual)
    assert room_of(log) == ROOM
    tested = example_log([*levels(0.0), (3.0, "alkalinity", "effluent", "alk", 9.0)])
    assert room_of(tested) == 1.0


def test_no_supply_leaves_the_usual_uptake() -> None:
    """Nothing added, or next to nothing: the load is that of a usual tank of this size."""
    usual = USUAL_UPTAKE_MEQ_L_D * TANK.water_volume_l
    assert rough(example_log(levels(-0.3))) == pytest.approx(usual)
    drops = [(3.0, "dose", "soda", 5.0)]
    assert rough(example_log(levels(-0.3), drops)) == pytest.approx(usual)


def test_simulated_loads_are_found_within_some_ten_per_cent() -> None:
    """A tank that a tested reactor feeds; readings with the error and the calibration of a kit."""
    truth = example_truth(40)
    readings = [(j + 0.4, "alkalinity", "tank", "alk") for j in range(0, 40, 2)]
    readings += [(j + 0.6, "alkalinity", "effluent", "alk") for j in (8, 15, 22, 31, 38)]
    for seed in range(4):
        log = example_log(readings, [(0.1, "flow", "", 2300.0)])
        log = simulate_log(TANK, log, truth, np.random.default_rng(seed))
        true = float(truth.uptake_meq_l_d[10:40].mean()) * truth.volume_l
        assert rough(log) == pytest.approx(true, rel=0.12)
