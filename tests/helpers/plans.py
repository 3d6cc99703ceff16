"""Tanks that are known, for plans that can be checked by hand."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np

from estimator import units
from estimator.fit.posterior import Posterior
from helpers.fits import known_posterior

DKH = units.MEQ_L_PER_DKH
START = date(2026, 3, 3)
"""Day of the last entry."""
DOSES = {"soda": 300 / 1.9, "chloride": 150 / 1.84}
"""Put back 0.5 meq/L/day in 600 L."""


def known(draws: int = 200, **changes: Any) -> Posterior:
    """Every draw the same: 0.5 meq/L/day in 600 L, effluent 6 meq/L above the band's middle.

    So strong at any flow: 50 L/day hold the level. Nothing runs and 300 meq/day are dosed unless
    changed.
    """
    stated = {
        "gain": 6.0,
        "reach": 1.0,
        "flow_l_d": None,
        "dosed_meq_d": 300.0,
        "effluent_tested": False,
        "kit_repeatability": {"alk": np.full(draws, 0.2 * DKH)},
    }
    return known_posterior(draws, **{**stated, **changes})


def spread(median: float, log_sd: float, draws: int, seed: int) -> np.ndarray:
    """Lognormal draws."""
    return median * np.exp(log_sd * np.random.default_rng(seed).standard_normal(draws))


def unsure(
    effluent_sd: float = 0.25, kit_sd: float = 0.02, level_dkh: float = 8.2, **changes: Any
) -> Posterior:
    """Effluent, its answer to the flow, kit and level unsure; uptake and effluent drift."""
    draws = 800
    rng = np.random.default_rng(5)
    kit = np.exp(kit_sd * rng.standard_normal(draws))
    stated = {
        "uptake": spread(0.5, 0.02, draws, 1),
        "gain": spread(6.0, effluent_sd, draws, 2),
        "reach": np.clip(0.6 - 0.12 * rng.standard_normal(draws), 0.1, 0.95),
        "drift": np.full(draws, 0.006),
        "effluent_drift": np.full(draws, 0.006),
        "kit_calibration": {("alk", 0): kit},
        "alkalinity_now_meq_l": level_dkh * DKH / kit + 0.05 * DKH * rng.standard_normal(draws),
    }
    return known(draws, **{**stated, **changes})
