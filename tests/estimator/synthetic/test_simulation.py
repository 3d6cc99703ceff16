"""The simulator: closed-form cases, kits, and what it leaves alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator import units
from estimator.synthetic.simulation import (
    read_with_kit,
    round_to_step,
    simulate_levels,
    simulate_log,
)
from helpers.tanks import example_log, example_tank, example_truth

DKH = units.MEQ_L_PER_DKH


def times_of(log, days):
    """Datetimes of days after the first midnight."""
    return [log.start.replace(hour=0, minute=0) + timedelta(days=d) for d in days]


def test_constant_uptake_lowers_the_level_by_a_day_each_day():
    """Without supply, whole days cost whole days of uptake, alkalinity 1 and calcium ρ."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")])
    truth = example_truth(5, uptake_meq_l_d=np.full(6, 0.3), calcium_share=0.5)
    levels = simulate_levels(example_tank(), log, truth, times_of(log, [0, 1, 3]))
    start = truth.start
    np.testing.assert_allclose(
        levels.alkalinity_meq_l, start["alkalinity"] - 0.3 * np.array([0, 1, 3]), rtol=1e-7
    )
    np.testing.assert_allclose(
        levels.calcium_mmol_l, start["calcium"] - 0.15 * np.array([0, 1, 3]), rtol=1e-7
    )


def test_most_uptake_falls_in_the_light() -> None:
    """The lit ten hours take L f / (1 + f(L − 1)) of the day's uptake."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")])
    truth = example_truth(2, uptake_meq_l_d=np.full(3, 0.3), light_ratio=3.0)
    before, after = simulate_levels(
        example_tank(), log, truth, times_of(log, [10 / 24, 20 / 24])
    ).alkalinity_meq_l
    lit = 10 / 24
    assert before - after == pytest.approx(0.3 * 3 * lit / (1 + lit * 2), rel=1e-6)


def test_a_water_change_mixes() -> None:
    """Ten per cent new water moves the level a tenth of the way to the new water's."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")], [(1.0, "water_change", "new", 58.0)])
    truth = example_truth(3, uptake_meq_l_d=np.zeros(4), volume_l=580.0)
    before, after = simulate_levels(
        example_tank(), log, truth, times_of(log, [1.0, 1.0 + 1e-6])
    ).alkalinity_meq_l
    assert before == pytest.approx(truth.start["alkalinity"])
    new = truth.waters["new"]["alkalinity"]
    assert after == pytest.approx(before + 0.1 * (new - before), rel=1e-6)


def test_long_run_reaches_the_steady_level() -> None:
    """At ε = 0 the level settles at A_e − U V / F."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")], [(0.0, "flow", "", 2000.0)])
    tank = example_tank()
    truth = example_truth(
        200,
        uptake_meq_l_d=np.full(201, 0.4),
        increment_meq_l=np.full(201, 6.0),
        exponent=0.0,
        light_ratio=1.0,
    )
    level = simulate_levels(tank, log, truth, times_of(log, [200.0])).alkalinity_meq_l[0]
    effluent = tank.targets["alkalinity"].middle + 6.0
    assert level == pytest.approx(effluent - 0.4 * truth.volume_l / 48.0, rel=1e-5)


def test_kits_show_multiples_of_their_step(everything) -> None:
    """Every simulated figure is a whole number of steps and never negative."""
    log = simulate_log(everything.tank, everything.log, everything.truth, np.random.default_rng(0))
    for reading in log.readings:
        steps = reading.value / everything.tank.kits[reading.kit].step
        assert steps == pytest.approx(round(steps), abs=1e-9)
        assert reading.value >= 0


def test_only_values_change_and_the_seed_fixes_them(everything) -> None:
    """The same seed gives the same log; actions, times and rows stay as they were."""
    make = [
        simulate_log(everything.tank, everything.log, everything.truth, np.random.default_rng(s))
        for s in (3, 3, 4)
    ]
    assert make[0] == make[1]
    assert make[0] != make[2]
    blank = [replace(r, value=0.0) for r in make[0].readings]
    assert blank == [replace(r, value=0.0) for r in everything.log.readings]
    assert make[0].actions == everything.log.actions


def test_gain_and_misread_act_on_the_reading(everything) -> None:
    """A kit reads gain × level, a misread adds to it, and the step rounds the result."""
    reading = next(r for r in everything.log.readings if r.kit == "alk")
    truth = replace(
        everything.truth,
        kit_calibration={("alk", 0): 1.1},
        kit_repeatability={},
        misread={reading.row: 2 * DKH},
    )
    rng = np.random.default_rng(0)
    shown = read_with_kit(reading, 8.0 * DKH, 0, everything.tank, truth, rng)
    assert shown / DKH == pytest.approx(10.8)  # 8.8 + 2, a multiple of 0.3


def test_rounding_is_to_the_nearest_step() -> None:
    """8.26 with a step of 0.5 shows 8.5."""
    assert round_to_step(8.26, 0.5) == pytest.approx(8.5)
    assert round_to_step(8.24, 0.5) == pytest.approx(8.0)
