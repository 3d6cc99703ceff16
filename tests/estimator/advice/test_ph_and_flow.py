"""Chamber pH against flow, from draws that are known."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from estimator.advice.chamber import Held, chamber_of, held_at
from estimator.advice.flow import HORIZON_DAYS, to_l_d
from estimator.advice.ph_and_flow import (
    MUSH_PH,
    PH_AXIS,
    _flow_axis,
    _inside_chance,
    _region,
    chamber_trade,
)
from estimator.fit.forecast import hold_chances
from estimator.inputs.tank import Reactor
from estimator.water import carbonate, chamber_table
from helpers.chambers import NO_FLOW, codes, seen, trade_of
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_tank


def test_co2_use_is_that_of_chemistry() -> None:
    """Grams a day: half the load's equivalents, times CO2 per CaCO3, times 44.01."""
    posterior, made = seen()
    trade = chamber_trade(posterior, example_tank(), made)
    point = next(p for p in trade.points if p.is_present)
    held = held_at(posterior, made, 6.6)
    state = carbonate.effluent_of_alkalinity(
        made.tank, 6.6, made.tank.alkalinity_meq_l + held.increment_meq_l[0]
    )
    grams = 0.5 * 600 / 2 / 1000 * float(state.co2_per_caco3) * 44.009
    assert point.co2_g_d.q50 == pytest.approx(grams, rel=2e-3)
    assert point.effluent_ph.q50 == pytest.approx(6.6)
    assert point.free_co2_mmol_l.q50 == pytest.approx(float(state.free_co2_mmol_l), rel=2e-3)
    assert point.free_co2_g_d.q50 < point.co2_g_d.q50


def test_needed_flow_falls_with_chamber_ph() -> None:
    """A lower chamber pH gives a stronger effluent, so that less flow holds the load."""
    trade = trade_of(known_posterior(log_sd=0.1), example_tank())
    needed = [p.needed_ml_h.q50 for p in trade.points]
    strength = [p.effluent_meq_l.q50 for p in trade.points]
    assert np.all(np.diff(needed) > 0)
    assert np.all(np.diff(strength) < 0)
    assert 5 <= len(trade.points) <= 7
    assert all(p.needed_ml_h.q05 <= p.needed_ml_h.q50 <= p.needed_ml_h.q95 for p in trade.points)


def test_grid_agrees_with_the_needed_flow() -> None:
    """Supply over need passes 1 at the needed flow, rises with flow and falls with chamber pH."""
    posterior, made = seen()
    trade = trade_of(posterior, example_tank())
    assert trade.supply_over_need.shape == (len(PH_AXIS), len(trade.flow_axis_ml_h))
    assert np.all(np.diff(trade.supply_over_need, axis=1) >= 0)
    reached = trade.supply_over_need[:-1] > 0
    assert np.all((np.diff(trade.supply_over_need, axis=0) < 0)[reached])
    at = int(np.flatnonzero(np.isclose(PH_AXIS, 6.6))[0])
    logs = np.log(trade.supply_over_need[at])
    crossing = np.exp(np.interp(0.0, logs, np.log(trade.flow_axis_ml_h)))
    assert to_l_d(crossing) == pytest.approx(held_at(posterior, made, 6.6).needed_l_d[0], rel=1e-3)


def test_holding_is_that_of_the_recommendation() -> None:
    """Without drift, from the middle of the band, the grid's chances are those of the advice."""
    posterior, _ = seen(log_sd=0.02)
    tank = example_tank()
    trade = trade_of(posterior, tank)
    flows = to_l_d(trade.flow_axis_ml_h)
    noise = np.zeros((HORIZON_DAYS, len(posterior.volume_l), 2))
    (wanted,) = hold_chances(posterior.state, flows, tank.targets["alkalinity"], noise)
    at = int(np.flatnonzero(np.isclose(PH_AXIS, 6.6))[0])
    np.testing.assert_allclose(trade.holding[at], wanted, atol=0.005)
    assert trade.holding[at].max() > 0.5


def test_a_good_present_ph_is_kept() -> None:
    """Where the pump can serve the present pH and CO2 use is near its least, nothing is changed."""
    trade = trade_of(known_posterior(log_sd=0.1), example_tank())
    assert trade.region is not None
    assert trade.region.low <= 6.6 <= trade.region.high
    assert trade.region.keep_present
    assert trade.region.suggested == 6.6
    assert trade.region.low >= MUSH_PH
    inside = np.clip(PH_AXIS, trade.region.low, trade.region.high) == PH_AXIS
    assert trade.inside_chance[inside].min() >= 0.9
    assert trade.co2_g_d[inside].max() <= 1.1 * trade.co2_g_d[inside].min() + 1e-9
    assert "chamber_keep_ph" in codes(trade.reasons)


def test_a_small_pump_asks_for_a_lower_ph() -> None:
    """Where the pump cannot give the flow at the present pH the nearest pH that will is named."""
    tank = example_tank(reactor=Reactor(0.0, 1800.0, 10.0, chamber_ph=6.6))
    trade = trade_of(known_posterior(log_sd=0.05), tank)
    assert trade.region is not None
    assert trade.region.suggested == trade.region.high < 6.6
    assert not trade.region.keep_present
    assert trade.points[-1].pump_share > 1
    assert "chamber_needs_above_pump" in codes(trade.points[-1].cautions)


@pytest.mark.parametrize(
    ("pump", "remedy"),
    [
        (Reactor(0.0, 100.0, 1.0, chamber_ph=6.6), "chamber_pump_too_small"),
        (Reactor(40_000.0, 41_000.0, 1.0, chamber_ph=6.6), "chamber_pump_too_large"),
    ],
)
def test_no_ph_will_do(pump, remedy) -> None:
    """Where no chamber pH brings the needed flow inside the pump's limits the reply is a remedy.

    Near the pH where media stops dissolving any pump's smallest flow is needed: that is no remedy.
    """
    trade = trade_of(known_posterior(log_sd=0.05), example_tank(reactor=pump))
    assert trade.region is None
    assert codes(trade.reasons) == [remedy]
    assert np.all(trade.flow_axis_ml_h >= pump.flow_min_ml_h * (1 - 1e-9))
    assert np.all(trade.flow_axis_ml_h <= pump.flow_max_ml_h * (1 + 1e-9))


def test_low_ph_carries_the_mush_caution() -> None:
    """A chamber run below about 6.3 is told of media turning to mush, marked as practice."""
    tank = example_tank(reactor=Reactor(0.0, 6000.0, 10.0, chamber_ph=6.1))
    posterior = known_posterior(log_sd=0.05, gain=16.0)
    trade = trade_of(posterior, tank, NO_FLOW)
    point = next(p for p in trade.points if p.is_present)
    assert "chamber_mush" in codes(point.cautions)
    assert trade.region is not None
    assert trade.region.suggested >= MUSH_PH


def test_second_chamber_buys_strength_and_saves_gas() -> None:
    """Each pair is without and with: more alkalinity, higher pH, less free CO2, less per CaCO3."""
    second = trade_of(known_posterior(), example_tank()).second
    assert second is not None
    assert second.effluent_meq_l[1] > second.effluent_meq_l[0]
    assert second.effluent_ph[1] > second.effluent_ph[0] == pytest.approx(6.6)
    assert second.free_co2_mmol_l[1] < second.free_co2_mmol_l[0]
    assert second.co2_per_caco3[1] < second.co2_per_caco3[0]


def test_two_chambers_use_less_gas_for_one_load() -> None:
    """The same effluent from two chambers leaves at a higher pH with less CO2; none is offered."""
    posterior = known_posterior()
    one, two = (
        trade_of(
            posterior,
            example_tank(reactor=replace(example_tank().reactor, chambers=count)),
        )
        for count in (1, 2)
    )
    first, second = (next(p for p in trade.points if p.is_present) for trade in (one, two))
    assert second.needed_ml_h == first.needed_ml_h
    assert second.co2_g_d.q50 < first.co2_g_d.q50
    assert second.effluent_ph.q50 > first.effluent_ph.q50 + 0.05
    assert two.second is None


def test_planned_reactor_says_so() -> None:
    """With no reactor, no flow and no effluent the answer is the priors' and says so."""
    tank = example_tank(reactor=None)
    posterior = known_posterior(log_sd=0.05, flow_l_d=None, effluent_tested=False)
    trade = trade_of(posterior, tank)
    assert trade.from_priors
    assert not trade.ph_known
    assert trade.present_ph == chamber_table.USUAL_CHAMBER_PH
    assert all(p.pump_share is None for p in trade.points)
    made = chamber_of(known_fit(NO_FLOW, tank, posterior), np.random.default_rng(0))
    held = held_at(posterior, made, 6.5)
    np.testing.assert_allclose(held.needed_l_d, posterior.needed_flow_l_d)
    assert not trade_of(known_posterior(), example_tank()).from_priors


def test_media_that_would_not_dissolve_gets_no_flow() -> None:
    """A medium that gives nothing worth the name: no figure is stated, and nothing overflows."""
    posterior = known_posterior(gain=0.006, ph_response=np.ones(400))
    trade = trade_of(posterior, example_tank())
    assert trade.points[-1].needed_ml_h is None
    assert codes(trade.points[-1].cautions) == ["chamber_hardly_dissolves"]
    assert np.isfinite(trade.supply_over_need).all()
    assert np.isinf(trade.co2_g_d[-1])


def test_no_uptake_needs_no_flow() -> None:
    """A tank that takes up nothing gets zeros, not errors."""
    posterior = known_posterior(uptake_meq_l_d=np.zeros((400, 3)))
    trade = trade_of(posterior, example_tank())
    assert all(p.needed_ml_h.q95 == 0 and p.co2_g_d.q95 == 0 for p in trade.points)
    assert np.isfinite(trade.holding).all()


@pytest.mark.parametrize("ph", [5.5, 7.4, 8.0])
@pytest.mark.parametrize("chambers", [1, 2])
@pytest.mark.filterwarnings("error")
def test_odd_chamber_ph_gives_no_nonsense(ph, chambers) -> None:
    """Any chamber pH that the tank file accepts is answered without warnings or NaN."""
    tank = example_tank(reactor=Reactor(0.0, 6000.0, 10.0, chamber_ph=ph, chambers=chambers))
    trade = trade_of(known_posterior(log_sd=0.1), tank)
    assert not np.isnan(trade.supply_over_need).any()
    assert not np.isnan(trade.co2_g_d).any()
    point = next(p for p in trade.points if p.is_present)
    assert point.needed_ml_h is not None
    assert np.isfinite(point.needed_ml_h.q95)
    assert np.isfinite(point.co2_g_d.q95)


def test_a_load_near_the_limit_is_told_where_it_can_be_carried() -> None:
    """270 meq/day at most at pH 6.6, where 300 are taken up: only lower pH values, at which the
    chamber gives more, come with a flow, and one of them is advised."""
    chamber = {"reach": 0.375, "gain": 9 * 0.375, "ph_response": np.ones(400)}
    posterior = known_posterior(log_sd=0.02, **chamber)
    trade = trade_of(posterior, example_tank())
    told = {point.chamber_ph: point for point in trade.points}
    assert told[6.6].needed_ml_h is None
    assert told[6.3].needed_ml_h is not None
    assert np.isinf(trade.co2_g_d[np.isclose(PH_AXIS, 6.6)]).all()
    assert trade.region is not None
    assert trade.region.high < 6.6
    assert codes(trade.reasons)[-1] == "chamber_change_ph"
    # More flow at the present pH brings no more than nine tenths of the need.
    at = int(np.flatnonzero(np.isclose(PH_AXIS, 6.6))[0])
    assert 0.6 < trade.supply_over_need[at].max() < 0.9


def test_a_low_tank_is_judged_by_what_it_takes_at_the_middle() -> None:
    """Uptake that answers to the level: a tank 0.4 meq/L low needs the flow of its middle, and the
    days to come are helped by the answer."""
    response = {"level_response_l_meq": 0.25}
    usual = known_posterior(log_sd=0.02, **response)
    low = replace(
        usual,
        alkalinity_now_meq_l=usual.alkalinity_now_meq_l - 0.4,
        uptake_meq_l_d=0.9 * usual.uptake_meq_l_d,
    )
    first, second = (trade_of(posterior, example_tank()) for posterior in (usual, low))
    present = [next(p for p in trade.points if p.is_present) for trade in (first, second)]
    assert present[0].needed_ml_h.q50 == pytest.approx(present[1].needed_ml_h.q50, rel=1e-6)
    np.testing.assert_allclose(first.holding, second.holding, atol=0.01)
    deaf = trade_of(known_posterior(log_sd=0.02), example_tank())
    assert first.holding.sum() > 1.1 * deaf.holding.sum()


def of_need(needed_ml_h: list[float], **changes) -> Held:
    """A chamber whose draws need these flows."""
    posterior = known_posterior(len(needed_ml_h))
    held = seen(draws=len(needed_ml_h))
    found = held_at(posterior, held[1], held[1].ph)
    flow = to_l_d(np.array(needed_ml_h))
    return replace(found, **({"needed_l_d": flow, "flow_l_d": flow} | changes))


def test_the_pump_gives_what_lies_between_its_ends() -> None:
    """Ends included: 60, 1000 and 3000 of 60 to 3000 mL/h, not 59 nor 3001, nor what no flow
    reaches."""
    pump = Reactor(60.0, 3000.0, 10.0)
    need = [60.0, 1000.0, 3000.0, 59.0, 3001.0]
    assert _inside_chance(of_need(need), pump) == pytest.approx(0.6)
    reached = np.array([True, False, True, True, True])
    assert _inside_chance(of_need(need, reached=reached), pump) == pytest.approx(0.4)
    assert _inside_chance(of_need(need, reached=reached), None) == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("pump", "low", "high"),
    [
        (None, 200.0, 7200.0),
        (Reactor(60.0, 3000.0, 10.0), 200.0, 3000.0),
        (Reactor(500.0, 9000.0, 10.0), 500.0, 7200.0),
        # What is needed lies beyond the pump but for a little: all that the pump can give.
        (Reactor(1.0, 399.0, 1.0), 3.99, 399.0),
        (Reactor(1.0, 401.0, 1.0), 200.0, 401.0),
        (Reactor(10.0, 390.0, 1.0), 10.0, 390.0),
    ],
)
def test_flows_are_about_the_needed_one(pump: Reactor | None, low: float, high: float) -> None:
    """A sixth to six times 1200 mL/h, inside the pump's limits, by equal factors."""
    flows = _flow_axis(of_need([600.0, 1200.0, 5000.0]), pump)
    assert (flows[0], flows[-1]) == pytest.approx((low, high))
    assert np.diff(np.log(flows)) == pytest.approx(np.log(high / low) / (len(flows) - 1))


def test_the_present_ph_is_told_to_hundredths() -> None:
    """6.55 stands among the tenths."""
    tank = example_tank(reactor=Reactor(60.0, 6000.0, 10.0, chamber_ph=6.55))
    trade = trade_of(known_posterior(20), tank)
    assert [point.chamber_ph for point in trade.points if point.is_present] == [6.55]


def region_of(co2: np.ndarray, inside: np.ndarray, ph: float = 6.6, pump: Reactor | None = None):
    """Where gas is used so and the pump serves with these chances: (low, high, what is told)."""
    chamber = cast(Any, SimpleNamespace(ph=ph))
    region, reasons = _region(chamber, pump, [], inside, co2)
    assert region is not None
    return round(region.low, 2), round(region.high, 2), codes(reasons)


def test_the_region_is_the_run_of_ph_about_the_least_gas() -> None:
    """Least at 6.7: as far as a little more is used and the pump serves; what lies beyond a gap is
    another run. It ends at 6.3, where media turn to mush, and that is told only where it does."""
    ones, far = np.ones(len(PH_AXIS)), np.abs(PH_AXIS - 6.7)
    co2 = np.where(far < 0.11, 10.0, 20.0) + far
    found = region_of(co2, ones)
    assert found == (6.6, 6.8, ["chamber_least_co2", "chamber_keep_ph"])
    gap = np.where(np.isclose(PH_AXIS, 6.65), 0.0, ones)
    assert region_of(co2, gap)[:2] == (6.7, 6.8)
    acid = region_of(10.0 + np.abs(PH_AXIS - MUSH_PH), ones, pump=Reactor(60.0, 3000.0, 10.0))
    assert acid[0] == MUSH_PH
    assert acid[2][:3] == ["chamber_least_co2", "chamber_inside_pump", "chamber_mush"]
    assert region_of(co2, ones, ph=7.0)[2][-1] == "chamber_change_ph"


def test_flows_of_a_tank_that_needs_none_are_small() -> None:
    """Never nothing, whose logarithm has no place on the axis."""
    flows = _flow_axis(of_need([0.0, 0.0, 0.0]), None)
    assert (flows[0], flows[-1]) == pytest.approx((1e-3 / 6, 6e-3))
