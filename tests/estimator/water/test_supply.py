"""The law of a reactor's supply: its closed forms, and the differential equation that it solves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from estimator import units
from estimator.water import carbonate
from estimator.water.carbonate import TankWater
from estimator.water.supply import LARGEST_FLOW_L_D, LEAST_STRENGTH, SupplyLaw, strength_after
from helpers.fits import known_posterior
from helpers.levels import levels_ahead

FLOWS = np.geomspace(0.01, 1e5, 40)
LEVELS = np.array([[1.5], [3.0], [4.5]])
CHAMBERS = pytest.mark.parametrize("chambers", [1, 2])


def law_of(**changes) -> SupplyLaw:
    """600 L, saturated at 10 meq/L over a middle of 3, half of it reached at 60 L/day."""
    stated = {"volume_l": 600.0, "saturated_meq_l": 10.0, "half_flow_l_d": 60.0}
    return SupplyLaw(**{**stated, "middle_meq_l": 3.0, **changes})


def test_what_is_supplied_is_what_dissolves() -> None:
    """F X = F0 (X_sat − X): half of saturation at F0, all of it at rest, F0 X_sat at most."""
    law = law_of()
    increment = law.increment_at(FLOWS, 3.0)
    np.testing.assert_allclose(FLOWS * increment, 60.0 * (10.0 - increment), rtol=1e-9)
    assert law.increment_at(60.0, 3.0) == pytest.approx(5.0)
    assert law.increment_at(0.0, 3.0) == 10.0
    assert np.all(np.diff(law.supply_meq_d(FLOWS, 3.0)) > 0)
    assert law.supply_meq_d(1e9, 3.0) == pytest.approx(600.0, rel=1e-6)


def test_saturated_effluent_does_not_follow_the_tank() -> None:
    """A tank lower by 1 meq/L: slow, the effluent stays where it is; fast, it goes down as well."""
    law = law_of()
    slow, half, fast = (
        4.0 + law.increment_at(flow, 4.0) - 3.0 - law.increment_at(flow, 3.0)
        for flow in (1e-6, 60.0, 1e9)
    )
    assert (slow, half, fast) == pytest.approx((0.0, 0.5, 1.0), abs=1e-6)


@pytest.mark.parametrize("ph", [6.3, 6.5, 6.7])
def test_a_second_chamber_is_that_of_chemistry(ph: float) -> None:
    """It goes r of the way to the saturation that the first's spare CO2 allows, the effluent of
    the first closed to Ω = 1 (PyCO2SYS): the law is within 0.02 of it."""
    tank = TankWater(alkalinity_meq_l=8 * units.MEQ_L_PER_DKH, calcium_mmol_l=10.48)
    whole = carbonate.effluent(tank, ph, 1.0).dissolved_mmol_l
    first = carbonate.effluent(tank, ph, np.array([0.2, 0.3, 0.5, 0.7, 0.9]))
    second = carbonate.second_chamber(tank, first)
    reached, allowed = first.dissolved_mmol_l / whole, second.dissolved_mmol_l / whole
    law = law_of(chambers=2)
    found = law.reach(60.0 * (1 / reached - 1))
    np.testing.assert_allclose(found, reached + (allowed - reached) * reached, atol=0.02)
    # One chamber would be off by more.
    assert np.max(found - reached) > 0.05


@CHAMBERS
def test_no_effluent_is_above_saturation(chambers: int) -> None:
    """Whatever the flow, the level and the strength: a stronger chamber only gets there sooner."""
    law = law_of(chambers=chambers, strength=np.array([0.3, 1.0, 1.7, 40.0])[:, None, None])
    effluent = LEVELS + law.increment_at(FLOWS, LEVELS)
    assert np.all(effluent <= 3.0 + 10.0 + 1e-9)
    assert effluent[-1].max() == pytest.approx(13.0)
    # Below saturation the strength counts in full.
    weak = law_of(chambers=chambers, strength=0.5)
    assert weak.increment_at(60.0, 3.0) == pytest.approx(0.5 * law.increment_at(60.0, 3.0)[1, 0])


@CHAMBERS
@pytest.mark.parametrize("strength", [0.4, 1.0, 3.0])
def test_the_flow_for_a_load_supplies_it(chambers: int, strength: float) -> None:
    """`flow_for` is the inverse of `supply_meq_d`, at the middle and off it, up to the limit."""
    law = law_of(chambers=chambers, strength=strength)
    limit = float(law.supply_meq_d(1e9, 3.0))
    load = limit * np.array([0.001, 0.1, 0.5, 0.8, 0.95])
    np.testing.assert_allclose(law.supply_meq_d(law.flow_for(load), 3.0), load, rtol=1e-4)
    for level in (2.0, 3.5):
        part = float(law.supply_meq_d(1e9, level)) * np.array([0.1, 0.5, 0.9])
        flow = law.flow_for(part, level)
        np.testing.assert_allclose(law.supply_meq_d(flow, level), part, rtol=1e-4)


@CHAMBERS
def test_no_flow_carries_more_than_the_limit(chambers: int) -> None:
    """A load beyond the most that the chamber gives has no flow, no load or a negative one needs
    none; all of it without a warning."""
    law = law_of(chambers=chambers)
    limit = float(law.supply_meq_d(1e9, 3.0))
    flows = law.flow_for(np.array([-50.0, 0.0, 0.99 * limit, 1.01 * limit, 1e9]))
    assert flows[:2].tolist() == [0.0, 0.0]
    assert flows[2] > 30 * 60.0
    assert flows[3:].tolist() == [LARGEST_FLOW_L_D, LARGEST_FLOW_L_D]


def test_elasticity_is_the_part_of_saturation_reached() -> None:
    """d log supply / d log flow = r with one chamber: 1 where slow effluent is saturated, 0 where
    the chamber gives all that it can; with two it lies above that of one."""
    one, two = law_of(), law_of(chambers=2)
    np.testing.assert_allclose(one.elasticity(FLOWS), one.reach(FLOWS), rtol=1e-6)
    assert one.elasticity(1e-6) == pytest.approx(1.0, abs=1e-6)
    step = 1e-4
    log_supply = np.log(two.supply_meq_d(FLOWS * np.array([[1 - step], [1 + step]]), 3.0))
    slope = (log_supply[1] - log_supply[0]) / np.log((1 + step) / (1 - step))
    np.testing.assert_allclose(two.elasticity(FLOWS), slope, atol=1e-5)
    assert np.all(two.elasticity(FLOWS) > 0)
    assert two.elasticity(30.0) > one.elasticity(30.0)


def test_an_effluent_that_does_not_change_gives_the_stirred_tank() -> None:
    """V 250 L, F 25 L/day, A_e 28, U 2, A_0 7: 7.0952, 7.2592, 7.5034 dKH on days 1, 3, 7, and 8.0.

    The balance of a stirred tank, A_∞ = A_e − UV/F, A = A_∞ + (A_0 − A_∞) e^(−Ft/V) (Levenspiel,
    Chemical Reaction Engineering; worked by hand). It is the law's limit of a chamber so large that
    its effluent is saturated at any flow, 20 dKH over a middle of 8.
    """
    law = SupplyLaw(250.0, 20.0, 1e12, 8.0)
    for days, level in ((1.0, 7.0952), (3.0, 7.2592), (7.0, 7.5034), (1e4, 8.0)):
        assert law.advance(7.0, 25.0, -2.0, days=days) == pytest.approx(level, abs=5e-5)
    assert law.self_regulation_days(25.0) == pytest.approx(10.0)


@CHAMBERS
@pytest.mark.parametrize("response", [0.0, 0.04])
@pytest.mark.parametrize("flow", [0.0, 20.0, 300.0])
def test_a_level_ahead_is_the_exact_solution(chambers: int, response: float, flow: float) -> None:
    """dA/dt = F X/V − λ (A − A_m) + net, the uptake answering to the level, from above the middle.

    45 meq/day dosed less 0.5 meq/L/day of uptake at the middle; strength 0.9.
    """
    law = law_of(chambers=chambers, level_response_per_d=response, strength=0.9)
    net = 45.0 / 600 - 0.5

    def slope(_, level):
        return law.supply_meq_d(flow, level) / 600 - response * (level - 3.0) + net

    solved = integrate.solve_ivp(
        slope, (0, 14), [3.4], t_eval=[0.25, 1, 6, 14], rtol=1e-10, atol=1e-12
    )
    found = [float(law.advance(3.4, flow, net, days=days)) for days in solved.t]
    np.testing.assert_allclose(found, solved.y[0], rtol=1e-7)
    steady = law.advance(3.4, flow, net, strength=0.9)
    assert steady == pytest.approx(found[1])


@pytest.mark.parametrize("flow", [0.0, 20.0, 70.0])
def test_future_levels_are_the_exact_solution(flow: float) -> None:
    """With constant uptake the daily steps land on the solution of the differential equation.

    0.5 meq/L/day in 600 L, effluent 6 meq/L above the middle at 30 L/day, half of saturation, 45
    meq/day dosed.
    """
    posterior = known_posterior(
        1, gain=6.0, reach=0.5, level_response_l_meq=0.04, flow_l_d=30.0, at_l_d=30.0
    )
    levels = levels_ahead(posterior.state, np.array([flow]), np.zeros((14, 1, 2)), 45.0)
    middle = posterior.middle_meq_l

    def slope(_, level):
        increment = (12.0 - (level - middle)) / (1 + flow / 30.0)
        return flow / 600 * increment + 45.0 / 600 - 0.5 - 0.02 * (level - middle)

    solved = integrate.solve_ivp(
        slope, (0, 14), [middle], t_eval=np.arange(1, 15), rtol=1e-10, atol=1e-12
    )
    np.testing.assert_allclose(levels[:, 0, 0], solved.y[0], rtol=1e-8)


def test_a_tank_that_answers_evens_itself_out_sooner() -> None:
    """1/(κ + λ): 40 days at 30 L/day in 600 L at half of saturation, 22.2 with λ = 0.02; without
    any flow λ alone, 50 days."""
    law = law_of(half_flow_l_d=30.0)
    answers = law._replace(level_response_per_d=0.02)
    assert law.self_regulation_days(30.0) == pytest.approx(40.0)
    assert answers.self_regulation_days(30.0) == pytest.approx(1 / 0.045)
    assert answers.self_regulation_days(0.0) == pytest.approx(50.0)


def test_an_effluent_keeps_a_rest_of_its_strength() -> None:
    """A walk that went below nothing leaves a twentieth: no effluent is weaker than the tank."""
    np.testing.assert_allclose(strength_after(np.array([0.1, -0.5, -3.0])), [1.1, 0.5, 0.05])
    assert LEAST_STRENGTH == 0.05


def test_a_reactor_that_never_ran_has_room_for_its_load() -> None:
    """F0 was placed by a limit of 400 meq/day: loads of 300 and 500 with room 1.25 leave the first
    chamber as it is and make the second's limit 625."""
    law = law_of(half_flow_l_d=np.full(2, 40.0)).with_room(np.array([300.0, 500.0]), 1.25, 400.0)
    np.testing.assert_allclose(law.supply_meq_d(1e9, 3.0), [400.0, 625.0], rtol=1e-6)
    assert np.all(law.flow_for(np.array([300.0, 500.0])) < LARGEST_FLOW_L_D)
