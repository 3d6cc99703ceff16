"""Chances that every test reads inside the band, against plain daily steps."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.fit.forecast import TankTests, hold_chances, read_chances
from estimator.fit.state import TankState
from estimator.inputs.tank import Target
from helpers.fits import MIDDLE, known_posterior
from helpers.levels import levels_ahead

BAND = Target(MIDDLE - 0.3, MIDDLE + 0.3, "meq/L")
DRAWS, DAYS, FLOW_L_D = 400, 14, 58.0
NOISE = np.random.default_rng(3).standard_normal((DAYS, DRAWS, 2))


def drifting_state() -> TankState:
    """A tank whose uptake and effluent drift."""
    drift = {"drift": np.full(DRAWS, 0.02), "effluent_drift": np.full(DRAWS, 0.01)}
    return known_posterior(DRAWS, log_sd=0.05, **drift).state


def kit_tests(
    every_d: int = 1,
    calibration: float = 1.0,
    error_meq_l: float = 0.0,
    step_meq_l: float = 1e-6,
    below_mean_d: float = 0.0,
) -> TankTests:
    errors = error_meq_l * np.random.default_rng(5).standard_normal((DAYS, DRAWS))
    ones = np.ones(DRAWS)
    return TankTests(every_d, below_mean_d * ones, calibration * ones, errors, step_meq_l)


def chance(tests: TankTests, dosed_meq_d: float = 0.0) -> float:
    return read_chances(drifting_state(), FLOW_L_D, BAND, NOISE, tests, dosed_meq_d=dosed_meq_d)


@pytest.mark.parametrize("dosed", [0.0, 12.0])
def test_a_kit_without_error_reads_what_is(dosed: float) -> None:
    """Read daily by a perfect kit, the two chances are one, from the same random numbers."""
    held = hold_chances(drifting_state(), np.array([FLOW_L_D]), BAND, NOISE, dosed_meq_d=dosed)
    assert chance(kit_tests(), dosed) == pytest.approx(held[0, 0])
    assert 0.1 < held[0, 0] < 0.9


def test_errors_steps_and_rhythm_are_those_of_plain_steps() -> None:
    """Every third day, 2 % high, with an error and a coarse step, at an hour below the mean."""
    tests = kit_tests(3, 1.02, 0.05, 0.1, 0.04)
    state = drifting_state()
    levels = levels_ahead(state, np.array([FLOW_L_D]), NOISE)[:, :, 0]
    uptake = state.uptake_meq_l_d + state.uptake_drift_meq_l_d * np.cumsum(NOISE[:, :, 0], axis=0)
    inside = np.ones(DRAWS, dtype=bool)
    for day in (3, 6, 9, 12):
        level = levels[day - 1] - 0.04 * uptake[day - 1]
        shown = np.round((1.02 * level + tests.error_meq_l[day - 1]) / 0.1) * 0.1
        inside &= (shown > BAND.low - 1e-6) & (shown < BAND.high + 1e-6)
    assert chance(tests) == pytest.approx(np.mean(inside))
    assert 0.1 < chance(tests) < 0.9


def test_fewer_tests_see_less_and_errors_see_what_is_not() -> None:
    """A rarer test finds the level out less often; errors read out a level that is in."""
    assert chance(kit_tests(3)) > chance(kit_tests())
    assert chance(kit_tests(error_meq_l=0.15)) < chance(kit_tests()) - 0.1


def test_a_reading_at_the_edge_is_inside() -> None:
    """A kit of steps as wide as half the band reads its very ends, which are inside."""
    steady = known_posterior(DRAWS, uptake=0.5).state
    edge = Target(MIDDLE, MIDDLE + 0.3, "meq/L")
    tests = kit_tests(step_meq_l=MIDDLE)
    needed = float(np.median(steady.needed_flow_l_d))
    assert read_chances(steady, needed, edge, 0.0 * NOISE, tests) == 1.0
