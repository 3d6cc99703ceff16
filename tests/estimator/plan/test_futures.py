"""Futures drawn from a fit that is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.plan.futures import FUTURE_DRAWS, MOST_REPEATS, futures_of
from helpers.plans import known, unsure
from helpers.tanks import example_tank

TANK = example_tank()


def futures(posterior, span=(0, 20), seed: int = 1):
    """As a plan draws them."""
    return futures_of(posterior, TANK, span, np.random.default_rng(seed))


@pytest.fixture
def no_jumps(monkeypatch):
    """Nothing changes at once."""
    monkeypatch.setattr("estimator.plan.futures.DAILY_CHANCE", 0.0)


def test_futures_answer_to_the_flow_as_the_fit_has_learned() -> None:
    """5 meq/L at 10 L/day, a quarter to nine tenths of saturation: three times the flow brings each
    future 3 / (1 + 2 (1 − r)) times as much, and at the present flow all supply the same."""
    reach = np.linspace(0.25, 0.9, 800)
    posterior = unsure(
        effluent_sd=0.0, gain=5.0, reach=reach, flow_l_d=10.0, at_l_d=10.0, effluent_tested=True
    )
    law = futures(posterior).state.law
    now, then = (law.supply_meq_d(flow, posterior.middle_meq_l) for flow in (10.0, 30.0))
    assert now == pytest.approx(np.full(FUTURE_DRAWS, 50.0))
    of_draw = 1 / (1 + 10.0 / law.half_flow_l_d)
    assert (of_draw.min(), of_draw.max()) == pytest.approx((0.25, 0.9), abs=0.01)
    assert then / now == pytest.approx(3 / (1 + 2 * (1 - of_draw)))


@pytest.mark.usefixtures("no_jumps")
def test_uptake_and_strength_walk_from_what_they_are_now() -> None:
    """Steps of 0.01 of an uptake of 0.5 and of 0.02 of the strength: after 25 days five times as
    wide, relative to a strength that stands at 0.8; a strength never falls below a twentieth."""
    drift, effluent_drift = np.full(800, 0.01), np.full(800, 0.02)
    posterior = unsure(uptake=0.5, drift=drift, effluent_drift=effluent_drift)
    law = posterior.law._replace(strength=np.full(800, 0.8))
    found = futures(replace(posterior, law=law), (0, 25))
    assert found.uptake_meq_l_d.shape == found.strength.shape == (25, FUTURE_DRAWS)
    for walk, start, step in ((found.uptake_meq_l_d, 0.5, 0.005), (found.strength, 0.8, 0.016)):
        assert walk[0].std() == pytest.approx(step, rel=0.1)
        assert walk[24].std() == pytest.approx(5 * step, rel=0.15)
        assert walk[24].mean() == pytest.approx(start, abs=step)
    wild = futures(unsure(effluent_drift=np.full(800, 1.0)), (0, 25))
    assert wild.strength.min() == pytest.approx(0.05)


@pytest.mark.usefixtures("no_jumps")
def test_until_the_start_everything_goes_on() -> None:
    """Three days at 30 L/day of 6 meq/L, 60 meq/day dosed, 300 taken up: 60 short a day in 600 L,
    while the effluent, the same at any level, brings more as the level falls."""
    posterior = known(flow_l_d=30.0, dosed_meq_d=60.0)
    found = futures(posterior, (3, 20))
    short, kappa = 60.0 / 600, 30.0 / 600
    fallen = short / kappa * (1 - np.exp(-3 * kappa))
    level = np.full(200, posterior.middle_meq_l - fallen)
    np.testing.assert_allclose(found.state.level_meq_l, level)
    assert len(found.uptake_meq_l_d) == 17
    assert len(found.error_meq_l) == 18


def test_uptake_and_effluent_may_change_at_once() -> None:
    """Each on one day in 280, by a quarter of what it is (sd): in 40 days one future in seven."""
    still = np.zeros(800)
    found = futures(unsure(uptake=0.5, drift=still, effluent_drift=still), (0, 40))
    for path, usual in ((found.uptake_meq_l_d, 0.5), (found.strength, 1.0)):
        moved = np.abs(np.diff(path, axis=0)) > 1e-9
        assert moved.any(axis=0).mean() == pytest.approx(1 - (1 - 0.05 / 14) ** 39, abs=0.06)
        assert np.diff(path, axis=0)[moved].std() == pytest.approx(0.25 * usual, rel=0.35)


def test_a_titration_reads_the_level_at_the_keepers_hour() -> None:
    """In kit steps, the bottle's calibration on it, below the daily mean by the day's light."""
    found = futures(known(kit_calibration={("alk", 0): np.full(200, 1.04)}))
    found = found._replace(
        error_meq_l=np.zeros_like(found.error_meq_l), below_mean_d=np.full(200, 0.2)
    )
    level = np.full(200, 3.0)
    shown = found.titrations(4, level)
    then = 1.04 * (3.0 - 0.2 * found.uptake_meq_l_d[4])
    step = found.kit_step_meq_l
    assert shown.shape == (MOST_REPEATS + 1, 200)
    np.testing.assert_allclose(shown, np.tile(np.round(then / step) * step, (4, 1)))


def test_an_effluent_titration_reads_what_the_chamber_adds_as_the_kit_has_it() -> None:
    """The level at the keeper's hour, and the increment at the flow and the strength
    of that day, times a calibration of 1.1; the errors are the effluent's own."""
    found = futures(known())
    strength = found.strength.copy()
    strength[3] = 0.8
    exact = found._replace(
        calibration=np.full(len(found.calibration), 1.1),
        strength=strength,
        effluent_error_meq_l=np.full_like(found.effluent_error_meq_l, 0.05),
        kit_step_meq_l=1e-9,
    )
    level, flow = found.state.level_meq_l, np.full(len(found.calibration), 40.0)
    law = found.state.law._replace(strength=0.8)
    then = level - found.below_mean_d * found.uptake_meq_l_d[3]
    expected = 1.1 * (then + law.increment_at(flow, level)) + 0.05
    shown = exact.effluent_titrations(3, level, flow)
    assert len(shown) == MOST_REPEATS + 1
    np.testing.assert_allclose(shown[0], expected, rtol=1e-6)
    assert not np.allclose(found.effluent_error_meq_l, found.error_meq_l)
