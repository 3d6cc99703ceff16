"""Futures drawn from a fit that is known."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.plan.futures import futures_of
from estimator.plan.present import FlowAnswer
from helpers.plans import unsure
from helpers.tanks import example_tank


def test_half_the_futures_answer_as_the_effluent_last_did() -> None:
    """Three times the flow: supply by 3^0.9 where the fit's ε of 0.1 holds, by 3^0.05 in the rest.

    At the present flow all supply the same.
    """
    posterior = unsure(
        effluent_sd=0.0, exponent=np.full(800, 0.1), reference_flow_l_d=10.0,
        present_flow_l_d=10.0, dosed_meq_d=240.0, effluent_tested=True,
    )  # fmt: skip
    tank = example_tank()
    state = posterior.state
    rng, answer = np.random.default_rng(1), FlowAnswer(0.95, 0.0)
    law = futures_of(posterior, tank, state, (0, 20), 240.0, answer, rng).state.law
    now, then = (law.supply_meq_d(flow, posterior.middle_meq_l) for flow in (10.0, 30.0))
    assert now == pytest.approx(np.full(len(now), 60.0), rel=1e-6)
    ratio = then / now
    assert np.sort(np.unique(np.round(ratio, 3))) == pytest.approx([3**0.05, 3**0.9], abs=1e-3)
    assert np.mean(ratio < 2) == pytest.approx(0.5, abs=0.08)
