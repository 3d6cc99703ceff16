"""The law of a reactor's supply against the differential equation that it solves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from estimator.water.supply import law_of
from helpers.fits import known_posterior
from helpers.levels import levels_ahead


@pytest.mark.parametrize("exponent", [0.0, 0.4])
@pytest.mark.parametrize("flow", [0.0, 20.0, 70.0])
def test_future_levels_are_the_exact_solution(exponent, flow) -> None:
    """With constant uptake the daily steps land on the solution of the differential equation.

    0.5 meq/L/day in 600 L, effluent 6 meq/L above the middle at 30 L/day, 45 meq/day dosed.
    """
    posterior = known_posterior(1, gain=6.0, exponent=np.array([exponent]), reference_flow_l_d=30.0)
    levels = levels_ahead(posterior.state, np.array([flow]), np.zeros((14, 1, 2)), 45.0)
    middle = posterior.middle_meq_l

    def slope(_, level):
        increment = (6.0 - (1 - exponent) * (level - middle)) * (flow / 30.0) ** -exponent
        return flow / 600 * increment + 45.0 / 600 - 0.5

    if flow == 0:
        expected = middle + (45.0 / 600 - 0.5) * np.arange(1, 15)
    else:
        solved = integrate.solve_ivp(
            slope, (0, 14), [middle], t_eval=np.arange(1, 15), rtol=1e-10, atol=1e-12
        )
        expected = solved.y[0]
    np.testing.assert_allclose(levels[:, 0, 0], expected, rtol=1e-8)


def planned(exponent: float, increment, load, ceiling: float = np.inf):
    """The law of a reactor that never ran, in 600 L."""
    volume, exponents = np.full(len(load), 600.0), np.full(len(load), exponent)
    return law_of(volume, exponents, increment, None, 3.0, load, ceiling)


def test_a_planned_reactor_has_its_increment_at_the_flow_of_its_load() -> None:
    """300 and 240 meq/day at 6 and 8 meq/L: 50 and 30 L/day, whatever ε; slower it is stronger."""
    increment, load = np.array([6.0, 8.0]), np.array([300.0, 240.0])
    for exponent in (0.0, 0.5):
        law = planned(exponent, increment, load)
        np.testing.assert_allclose(law.flow_for(load), [50.0, 30.0])
        np.testing.assert_allclose(law.increment_at(law.reference_l_d, 3.0), increment)
        assert law.amplification == pytest.approx(1.0)
    # A quarter of the flow at ε = ½ brings twice the increment.
    np.testing.assert_allclose(law.increment_at(np.array([12.5, 7.5]), 3.0), 2 * increment)


def test_no_load_leaves_a_planned_reactor_a_law() -> None:
    """A draw that takes nothing up needs no flow, and its supply at any flow is finite."""
    load = np.array([-20.0, 300.0, 300.0])
    law = planned(0.4, np.full(3, 6.0), load)
    assert law.flow_for(load)[0] == 0.0
    assert np.isfinite(law.supply_meq_d(50.0, 3.0)).all()


@pytest.mark.parametrize(("ceiling", "strongest"), [(9.0, 1.5), (5.0, 1.0)])
def test_effluent_is_no_stronger_than_its_ceiling(ceiling, strongest) -> None:
    """Saturation caps what a slow flow brings; an effluent seen above it stays as it was seen."""
    law = planned(0.5, np.array([6.0]), np.array([300.0]), ceiling)
    assert law.increment_at(0.5, 3.0) == pytest.approx(6.0 * strongest)
