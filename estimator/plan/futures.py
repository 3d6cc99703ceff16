"""What may come: tanks drawn from the posterior, each with its drift and its errors of the kit."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from estimator.fit.forecast import to_step
from estimator.fit.jumps import DAILY_CHANCE, EFFLUENT, SIZE_SD, UPTAKE
from estimator.fit.kit_in_use import kit_in_use, usual_time_d
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.posterior import Posterior
from estimator.fit.state import TankState
from estimator.fit.trace import thinned
from estimator.inputs.tank import Tank
from estimator.water.light import day_shape
from estimator.water.supply import strength_after

FUTURE_DRAWS = 400
"""Futures that courses are compared in."""
TOLD_DRAWS = 1200
"""Futures that the chances of the chosen course are told from: one of a half errs by 1.4 in a
hundred."""
MOST_REPEATS = 3
"""Repeats of one test at one time, the one that a surprising reading asks for not counted."""


class Futures(NamedTuple):
    """Draws (s,) of the tank at the plan's start, and what drifts or is read from then on.

    Attributes:
        state: the tank at the start.
        uptake_meq_l_d: (days, s) net uptake of each day, at the middle of the band.
        strength: (days, s) of the effluent on each day, see `SupplyLaw`.
        calibration: (s,) reading over level of the kit's bottle.
        below_mean_d: (s,) how far the level stands below its daily mean at the hour of the tests,
            in days of uptake.
        error_meq_l, effluent_error_meq_l: (days + 1, MOST_REPEATS + 1, s) of each titration of a
            day's test of tank and effluent.
        repeatability_meq_l: (s,) sd of an ordinary one.
        kit_step_meq_l: smallest step of the kit.
    """

    state: TankState
    uptake_meq_l_d: np.ndarray
    strength: np.ndarray
    calibration: np.ndarray
    below_mean_d: np.ndarray
    error_meq_l: np.ndarray
    effluent_error_meq_l: np.ndarray
    repeatability_meq_l: np.ndarray
    kit_step_meq_l: float

    def titrations(self, day: int, level_meq_l: np.ndarray) -> np.ndarray:
        """What the kit shows so many days after the start (MOST_REPEATS + 1, …, s), meq/L, at
        levels (…, s), daily means."""
        return self._read(self.error_meq_l, day, self._then(day, level_meq_l))

    def effluent_titrations(
        self, day: int, level_meq_l: np.ndarray, flow_l_d: np.ndarray
    ) -> np.ndarray:
        """The same of the effluent, at flows (…, s)."""
        law = self.state.law._replace(strength=self.strength[min(day, len(self.strength) - 1)])
        above = law.increment_at(flow_l_d, level_meq_l)
        return self._read(self.effluent_error_meq_l, day, self._then(day, level_meq_l) + above)

    def _then(self, day: int, level_meq_l: np.ndarray) -> np.ndarray:
        """Levels at the hour of the tests."""
        taken = self.uptake_meq_l_d[min(day, len(self.uptake_meq_l_d) - 1)]
        return level_meq_l - self.below_mean_d * taken

    def _read(self, errors: np.ndarray, day: int, then: np.ndarray) -> np.ndarray:
        shape = (MOST_REPEATS + 1, *(1,) * (then.ndim - 1), then.shape[-1])
        shown = self.calibration * then + errors[day].reshape(shape)
        return to_step(shown, self.kit_step_meq_l)


def futures_of(
    posterior: Posterior,
    tank: Tank,
    span: tuple[int, int],
    rng: np.random.Generator,
    draws: int = FUTURE_DRAWS,
) -> Futures:
    """Thinned draws and what may come of them.

    Beside the walk of uptake and effluent each may change at once on any day, as the model has it
    of the days past (`fit.jumps`).

    Args:
        posterior: draws, pump and dosing.
        tank: for the kit and the light.
        span: days from the last entry to the start of the plan, and to its end; until the start
            everything goes on as at the last entry.
        rng: for drift and kit errors.
        draws: at most.
    """
    at = thinned(len(posterior.volume_l), draws)
    state = posterior.state.each(lambda draws: draws[at])
    (wait, end), present = span, posterior.present_flow_l_d
    shape = (end, len(at))

    def changed(drift: np.ndarray, jump_sd: np.ndarray | float) -> np.ndarray:
        jumps = jump_sd * (rng.random(shape) < DAILY_CHANCE) * rng.standard_normal(shape)
        return np.cumsum(drift * rng.standard_normal(shape) + jumps, axis=0)

    usual = np.abs(state.uptake_meq_l_d)
    uptake = state.uptake_meq_l_d + changed(state.uptake_drift_meq_l_d, SIZE_SD[UPTAKE] * usual)
    strength = state.law.strength * strength_after(changed(state.effluent_drift, SIZE_SD[EFFLUENT]))
    law, level = state.law, state.level_meq_l
    for day in range(wait):
        net = posterior.dosed_meq_d / law.volume_l - uptake[day]
        level = law.advance(level, present, net, strength[day])
    kit = kit_in_use(posterior, tank)
    repeatability = kit.repeatability_meq_l[at]

    def errors() -> np.ndarray:
        tests = (end - wait + 1, MOST_REPEATS + 1, len(at))
        spread = rng.choice(MISREAD_SPREAD, p=MISREAD_CHANCE, size=tests)
        return spread * repeatability * rng.standard_normal(tests)

    return Futures(
        state=replace(state, level_meq_l=level),
        uptake_meq_l_d=uptake[wait:],
        strength=strength[wait:],
        calibration=kit.calibration[at],
        below_mean_d=day_shape(tank, posterior.light_share[at], usual_time_d(posterior)),
        error_meq_l=errors(),
        effluent_error_meq_l=errors(),
        repeatability_meq_l=repeatability,
        kit_step_meq_l=kit.step_meq_l,
    )
