"""What may come: tanks drawn from the posterior, each with its drift and its errors of the kit."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.posterior import Posterior
from estimator.fit.sampling import thinned
from estimator.fit.state import TankState
from estimator.inputs.parameters import ALKALINITY
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
        shown = self.calibration * level_meq_l + self.error_meq_l[day]
        return np.round(shown / self.kit_step_meq_l) * self.kit_step_meq_l


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
    calibration, repeatability, step = kit_of(posterior, tank)
    tests = (end - wait + 1, len(at))
    spread = rng.choice(MISREAD_SPREAD, p=MISREAD_CHANCE, size=tests)
    return Futures(
        state=replace(state, level_meq_l=level),
        uptake_meq_l_d=uptake[wait:],
        strength=strength[wait:],
        calibration=calibration[at],
        error_meq_l=spread * repeatability[at] * rng.standard_normal(tests),
        kit_step_meq_l=step,
    )


def last_kit(posterior: Posterior) -> str | None:
    """The kit that read the tank's alkalinity last; None where none did."""
    used = [
        check.reading.kit
        for check in posterior.checks
        if (check.reading.sample, check.reading.parameter) == ("tank", ALKALINITY.name)
    ]
    return used[-1] if used else None


def kit_of(posterior: Posterior, tank: Tank) -> tuple[np.ndarray, np.ndarray, float]:
    """Calibration (s,), repeatability (s,) and step of `last_kit`, else of the first declared."""
    ones = np.ones_like(posterior.volume_l)
    declared = (kit.name for kit in tank.kits.values() if kit.parameter == ALKALINITY.name)
    name = last_kit(posterior) or next(declared, "")
    bottles = [bottle for kit, bottle in posterior.kit_calibration if kit == name]
    calibration = posterior.kit_calibration[name, max(bottles)] if bottles else ones
    kit = tank.kits.get(name)
    step = kit.step if kit is not None and kit.step > 0 else ALKALINITY.assumed_step
    stated = kit.repeatability if kit is not None else None
    usual = ALKALINITY.assumed_repeatability if stated is None else stated
    return calibration, posterior.kit_repeatability.get(name, usual * ones), float(step or 1e-6)
