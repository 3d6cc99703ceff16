"""Chambers of which nothing is left open, and what is told of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from estimator import units
from estimator.advice.chamber import Chamber, chamber_of
from estimator.advice.ph_and_flow import ChamberTrade, chamber_trade
from estimator.fit.posterior import Posterior
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.remark import Remark
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_log, example_tank

_READ = (0, "alkalinity", "tank", "alk", 8.2 * units.MEQ_L_PER_DKH)
LOG = example_log([_READ], [(0, "flow", "", 50_000 / 24)])
"""A reactor at 50 L/day, chamber pH 6.6 by the tank file."""
NO_FLOW = example_log([_READ])


def trade_of(posterior: Posterior, tank: Tank, log: TankLog = LOG) -> ChamberTrade:
    """The trade of a chamber of unknown surprises."""
    made = chamber_of(known_fit(log, tank, posterior), np.random.default_rng(3))
    return chamber_trade(posterior, tank, made)


def seen(**changes: Any) -> tuple[Posterior, Chamber]:
    """Posterior, and its chamber with the tank at pH 8.1, of which nothing is left open."""
    posterior = known_posterior(**changes)
    made = chamber_of(known_fit(LOG, example_tank(), posterior), np.random.default_rng(0))
    none = np.zeros_like(made.surprise)
    return posterior, replace(made, surprise=none, co2_factor=none + 1)


def codes(remarks: Iterable[Remark]) -> list[str]:
    """What is meant by each."""
    return [remark.code for remark in remarks]
