"""What may come: tanks drawn from the posterior, each with its drift and its errors of the kit."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from estimator.fit.forecast import to_step
from estimator.fit.kit_in_use import kit_in_use
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.posterior import Posterior
from estimator.fit.sampling import thinned
from estimator.fit.state import TankState
from estimator.inputs.tank import Tank
from estimator.water.supply import strength_after

FUTURE_DRAWS = 400


class Futures(NamedTuple):
    """Draws (s,) of the tank at the plan's start, and what drifts or is read from then on.

    Attributes:
        state: the tank at the start.
        uptake_meq_l_d: (days, s) net uptake of each day, at the middle of the band.
        strength: (days, s) of the effluent on each day, see `SupplyLaw`.
        calibration: (s,) reading over level of the kit's bottle.
        error_meq_l: (days + 1, s) of a reading.
        kit_step_meq_l: smallest step of the kit.
    """

    state: TankState
    uptake_meq_l_d: np.ndarray
    strength: np.ndarray
    calibration: np.ndarray
    error_meq_l: np.ndarray
    kit_step_meq_l: float

    def read(self, day: int, level_meq_l: np.ndarray) -> np.ndarray:
        """What the kit shows on a day, meq/L."""
        return to_step(self.calibration * level_meq_l + self.error_meq_l[day], self.kit_step_meq_l)


def futures_of(
    posterior: Posterior,
    tank: Tank,
    state: TankState,
    span: tuple[int, int],
    dosed_meq_d: float,
    rng: np.random.Generator,
) -> Futures:
    """Thinned draws and what may come of them.

    Args:
        posterior: for the kit and the pump.
        tank: for the kit.
        state: all draws.
        span: days from the last entry to the start of the plan, and to its end.
        dosed_meq_d: dosing until the start; the pump, too, goes on as at the last entry.
        rng: for drift and kit errors.
    """
    at = thinned(len(posterior.volume_l), FUTURE_DRAWS)
    state = state.each(lambda draws: draws[at])
    (wait, end), present = span, posterior.present_flow_l_d
    shape = (end, len(at))
    walk = state.uptake_drift_meq_l_d * np.cumsum(rng.standard_normal(shape), 0)
    uptake = state.uptake_meq_l_d + walk
    change = state.effluent_drift * np.cumsum(rng.standard_normal(shape), 0)
    strength = state.law.strength * strength_after(change)
    law, level = state.law, state.level_meq_l
    for day in range(wait):
        net = dosed_meq_d / law.volume_l - uptake[day]
        level = law.advance(level, present, net, strength[day])
    kit = kit_in_use(posterior, tank)
    tests = (end - wait + 1, len(at))
    spread = rng.choice(MISREAD_SPREAD, p=MISREAD_CHANCE, size=tests)
    return Futures(
        state=replace(state, level_meq_l=level),
        uptake_meq_l_d=uptake[wait:],
        strength=strength[wait:],
        calibration=kit.calibration[at],
        error_meq_l=spread * kit.repeatability_meq_l[at] * rng.standard_normal(tests),
        kit_step_meq_l=kit.step_meq_l,
    )
