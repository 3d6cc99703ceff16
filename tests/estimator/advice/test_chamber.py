"""The reactor's chamber at another pH or flow, from draws that are known."""

from __future__ import annotations

import numpy as np
import pytest

from estimator import units
from estimator.advice.chamber import (
    Chamber,
    chamber_of,
    co2_at,
    co2_per_caco3,
    held_at,
    leaving,
    table_at,
)
from estimator.water import carbonate, chamber_table
from estimator.water.supply import LARGEST_FLOW_L_D
from helpers.chambers import LOG, codes, seen, trade_of
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_tank

DKH = units.MEQ_L_PER_DKH


def test_present_ph_needs_what_the_posterior_needs() -> None:
    """At the present chamber pH the trade and the recommendation speak of one flow."""
    posterior, made = seen(log_sd=0.1)
    held = held_at(posterior, made, made.ph)
    np.testing.assert_allclose(held.needed_l_d, posterior.needed_flow_l_d)
    supplied = held.needed_l_d * held.increment_meq_l
    np.testing.assert_allclose(supplied, posterior.uptake_now_meq_l_d * posterior.volume_l)


@pytest.mark.parametrize("response", [0.0, 0.7, 1.0])
def test_another_ph_moves_what_saturated_effluent_has(response: float) -> None:
    """9 meq/L at pH 6.6 go by the table to the power that the log has taught; F0, the medium's,
    stays as it is, so that at 300 meq/day y = 300/X_sat and F = y / (1 − y/75)."""
    posterior, made = seen(ph_response=np.full(400, response))
    table = chamber_table.saturated_increment_meq_l
    saturated = 9.0 * (table(6.5) / table(6.6)) ** response
    held = held_at(posterior, made, 6.5)
    np.testing.assert_allclose(held.law.saturated_meq_l, saturated)
    np.testing.assert_allclose(held.law.half_flow_l_d, 75.0)
    litres = 300 / saturated
    np.testing.assert_allclose(held.needed_l_d, litres / (1 - litres / 75), rtol=1e-6)
    assert held.reached.all()


def test_a_chamber_too_small_for_the_load_is_told_at_a_flow_that_makes_sense() -> None:
    """9 meq/L and F0 30 L/day carry 270 of 300 meq/day at most: no flow is needed that could be
    given, and the gas is that of four half flows, where the effluent has a fifth of saturation."""
    posterior, made = seen(reach=0.375, gain=9 * 0.375)
    held = held_at(posterior, made, 6.6)
    assert not held.reached.any()
    assert np.all(held.needed_l_d == LARGEST_FLOW_L_D)
    np.testing.assert_allclose(held.flow_l_d, 120.0)
    np.testing.assert_allclose(held.increment_meq_l, 1.8)
    np.testing.assert_allclose(held.co2_mmol_d[0], co2_at(posterior, made, 6.6, 120.0))
    ratio = co2_per_caco3(posterior, made)
    np.testing.assert_allclose(ratio, held.co2_mmol_d / (0.5 * 120.0 * 1.8))
    trade = trade_of(posterior, example_tank())
    present = next(point for point in trade.points if point.is_present)
    assert present.needed_ml_h is None
    assert codes(present.cautions) == ["chamber_cannot_carry"]
    # A lower pH carries it.
    assert trade.points[0].needed_ml_h is not None
    assert trade.flow_axis_ml_h.max() < 100_000


@pytest.mark.parametrize("ph", [6.2, 6.5, 6.8, 7.1])
@pytest.mark.parametrize("chambers", [1, 2])
def test_interpolation_is_within_two_parts_in_a_thousand(ph, chambers) -> None:
    """CO2, free CO2 and pH between tabulated increments meet the direct computation."""
    feed = carbonate.TankWater(8.2 * DKH, 10.5, 8.1)
    made = Chamber(feed, ph, True, chambers, np.zeros(1), np.ones(1))
    table = table_at(made, ph)
    omega = np.random.default_rng(0).uniform(0.3, 1.5, 200)
    exact = leaving(made, ph, omega)
    increment = 2 * exact.dissolved_mmol_l
    dissolves = increment > 0.02
    for column, direct in (
        (table.co2_mmol_l, exact.co2_mmol_l),
        (table.free_co2_mmol_l, exact.free_co2_mmol_l),
        (table.ph_nbs, exact.ph_nbs * np.ones(200)),
    ):
        read = np.interp(increment, table.increment_meq_l, column)
        np.testing.assert_allclose(read[dissolves], direct[dissolves], rtol=2e-3)


def test_no_flow_is_stronger_than_saturation() -> None:
    """A slow flow of saturated effluent is told so: at 0.97 of 10.3 meq/L, saturation at pH 6.6 by
    chemistry, a lower pH and less flow still give no more than saturation does there."""
    posterior, made = seen(gain=10.0, reach=0.97, ph_response=np.ones(400))
    for ph in (6.3, 6.6):
        held = held_at(posterior, made, ph)
        ceiling = 2 * carbonate.effluent(made.tank, ph, 1.0).dissolved_mmol_l
        assert held.at_ceiling.all()
        assert np.all(held.increment_meq_l < 1.01 * ceiling)
        assert np.all(held.increment_meq_l > 0.93 * ceiling)
    trade = trade_of(posterior, example_tank())
    assert "chamber_near_saturation" in codes(trade.points[0].cautions)


def test_co2_at_a_flow() -> None:
    """At the needed flow it is the CO2 that holds the load; with the pump off it is none."""
    posterior, made = seen()
    held = held_at(posterior, made, 6.6)
    found = co2_at(posterior, made, 6.6, float(held.needed_l_d[0]))
    assert found == pytest.approx(float(held.co2_mmol_d[0]), rel=1e-9)
    assert co2_at(posterior, made, 6.6, 0.0) == 0.0


def test_another_ph_is_less_sure() -> None:
    """A step of 0.1 in pH spreads the increment by a tenth, as `ph_setting` does; less does less.

    At the present pH nothing is added, and one seed gives one answer.
    """
    posterior = known_posterior(draws=4000)
    rng = np.random.default_rng(0)
    made = chamber_of(known_fit(LOG, example_tank(), posterior), rng)
    spread = [
        float(np.std(np.log(held_at(posterior, made, ph).law.saturated_meq_l)))
        for ph in (6.6, 6.65, 6.5, 6.4)
    ]
    np.testing.assert_allclose(spread, [0, 0.05, 0.10, 0.10], atol=0.005)
    one, two = (trade_of(posterior, example_tank()) for _ in range(2))
    assert one.points == two.points
