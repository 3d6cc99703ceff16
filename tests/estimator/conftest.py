"""Draws of a posterior that are known, for tests of what follows from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.posterior import Diagnostics, Posterior

MIDDLE = 8.2 * units.MEQ_L_PER_DKH
GOOD = Diagnostics(1.001, 1500.0, 1200.0, "uptake now", 0, 4, 500, ())


def known_posterior(
    draws: int = 400, days: int = 3, log_sd: float = 0.0, **changes: Any
) -> Posterior:
    """Uptake 0.5 meq/L/day in 600 L, effluent 5.4 meq/L above the band's middle at 50 L/day, ε 0.4.

    `log_sd` spreads uptake and gain; 55.6 L/day at the reference strength would hold the level.
    """
    rng = np.random.default_rng(1)
    ones = np.ones(draws)
    uptake = 0.5 * np.exp(log_sd * rng.standard_normal(draws))
    posterior = Posterior(
        chains=4,
        volume_l=600.0 * ones,
        light_share=0.4 * ones,
        calcium_share=0.5 * ones,
        exponent=0.4 * ones,
        drift=0.0 * ones,
        effluent_drift=0.0 * ones,
        uptake_scale=uptake,
        days=tuple(date(2026, 3, 1) + timedelta(days=j) for j in range(days)),
        uptake_meq_l_d=np.repeat(uptake[:, None], days, axis=1),
        calcium_uptake_mmol_l_d=0.5 * np.repeat(uptake[:, None], days, axis=1),
        alkalinity_meq_l=MIDDLE * np.ones((draws, days)),
        calcium_mmol_l=None,
        alkalinity_now_meq_l=MIDDLE * ones,
        calcium_now_mmol_l=None,
        nitrate_loss_meq_l_d=None,
        effluent_gain_meq_l=5.4 * np.exp(log_sd * rng.standard_normal(draws)),
        effluent_meq_l=MIDDLE + 5.4 * ones,
        middle_meq_l=MIDDLE,
        reference_flow_l_d=50.0,
        present_flow_l_d=50.0,
        dosed_meq_d=0.0,
        effluent_tested=True,
        kit_gain={},
        kit_repeatability={},
        checks=(),
        net_change=False,
        diagnostics=GOOD,
    )
    return replace(posterior, **changes)


@pytest.fixture(scope="session")
def make_posterior() -> Callable[..., Posterior]:
    """`known_posterior`."""
    return known_posterior
