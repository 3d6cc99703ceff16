"""What the logged flows have dissolved, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.advice.dissolved import Dissolved
from estimator.water import chamber_table
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_log, example_tank

READ = [(0.5, "alkalinity", "tank", "alk", 2.9), (10.0, "alkalinity", "tank", "alk", 2.9)]


def dissolved(actions, readings=(), **changes) -> Dissolved:
    """Of a chamber that reaches 0.6 of 9 meq/L at 50 L/day, F0 75 L/day."""
    log = example_log([*READ, *readings], actions)
    return Dissolved(known_fit(log, example_tank(), known_posterior(20, 11, **changes)))


def test_carbonate_is_half_of_what_the_flow_brought() -> None:
    """Nothing before the pump runs on day 2; 25 L/day bring 25 · 9 / (1 + 25/75) = 168.75 meq/day,
    150 L/day from day 6 on 450; between entries in proportion to time."""
    found = dissolved([(2.0, "flow", "", 25_000 / 24), (6.0, "flow", "", 150_000 / 24)])
    at = found.carbonate_mol(np.array([1.0, 2.0, 4.0, 6.0, 10.0]))
    assert at.shape == (20, 5)
    np.testing.assert_allclose(at[0], np.array([0, 0, 337.5, 675, 675 + 4 * 450]) / 2000)
    np.testing.assert_allclose(found.carbonate_g_since(6.0), 4 * 450 / 2000 * 100.0869, rtol=1e-4)


def test_a_reactor_that_never_ran_has_dissolved_nothing() -> None:
    """No flow, no carbonate."""
    found = dissolved([(2.0, "dose_rate", "soda", 50.0)], flow_l_d=None)
    assert np.all(found.carbonate_mol(np.array([0.0, 10.0])) == 0)


def test_the_present_strength_counts_throughout() -> None:
    """An effluent that stands at 0.8 of its strength: four fifths of the carbonate."""
    actions = [(0.0, "flow", "", 50_000 / 24)]
    whole = dissolved(actions).carbonate_g_since(0.0)
    law = known_posterior(20, 11).law
    weaker = dissolved(actions, law=law._replace(strength=np.full(20, 0.8)))
    np.testing.assert_allclose(weaker.carbonate_g_since(0.0), 0.8 * whole)


def test_a_chamber_that_ran_lower_dissolved_more() -> None:
    """Its probe read 6.4 where 6.6 was set until day 5, as the smoothed departure has it."""
    probe = [(float(day), "ph", "chamber", "", 6.4 if day < 5 else 6.6) for day in range(11)]
    actions = [(0.0, "flow", "", 50_000 / 24)]
    found = dissolved(actions, probe, ph_response=np.full(20, 1.0))
    first, whole = found.carbonate_mol(np.array([4.0, 10.0]))[0]
    usual = 4 * 50 * 5.4 / 2000
    table = chamber_table.saturated_increment_meq_l
    assert first / usual == pytest.approx(table(6.42) / table(6.6), rel=0.05)
    assert whole < 2.5 * usual * table(6.4) / table(6.6)
    deaf = dissolved(actions, probe, ph_response=np.zeros(20))
    assert deaf.carbonate_mol(np.array([4.0]))[0, 0] == pytest.approx(usual)


def test_a_draw_has_its_own_chamber() -> None:
    """Two draws at 25 L/day, saturated at any flow and far from it: 5.4 and 27 / (1 + 25/12.5)."""
    posterior = known_posterior(2, 11, reach=np.array([1.0, 0.2]))
    log = example_log(READ, [(0.0, "flow", "", 25_000 / 24)])
    fitted = known_fit(log, example_tank(), replace(posterior, present_flow_l_d=25.0))
    day = Dissolved(fitted).carbonate_mol(np.array([1.0]))[:, 0]
    np.testing.assert_allclose(day, [25 * 5.4 / 2000, 25 * 9.0 / 2000])
