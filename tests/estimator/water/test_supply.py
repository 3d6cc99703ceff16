"""The law of a reactor's supply against the differential equation that it solves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

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
