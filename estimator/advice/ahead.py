"""The days to come at a flow: the chance that they are in the band, and that they read so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from estimator.fit.forecast import TankTests, hold_chances, read_chances
from estimator.fit.kit_in_use import kit_in_use, usual_interval_d, usual_time_d
from estimator.fit.posterior import Posterior
from estimator.fit.state import TankState
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import Tank, Target
from estimator.water.light import day_shape


@dataclass(frozen=True)
class Ahead:
    """What may come, the same for every flow, so that differences between flows are not noise.

    Attributes:
        state: the tank now, (s,).
        band: of alkalinity.
        noise: (days, s, 2) standard normal, for uptake and effluent.
        tests: of the tank meanwhile, by the keeper's kit, hour and rhythm.
    """

    state: TankState
    band: Target
    noise: np.ndarray
    tests: TankTests

    def holds(self, flows_l_d: np.ndarray, dosed_meq_d: float = 0.0) -> np.ndarray:
        """(f,) chance that every daily mean is in the band, at each flow."""
        found = hold_chances(self.state, flows_l_d, self.band, self.noise, dosed_meq_d=dosed_meq_d)
        return np.asarray(found[0])

    def reads(self, flow_l_d: float, dosed_meq_d: float = 0.0) -> float:
        """Chance that every test reads inside the band, at one flow."""
        return read_chances(
            self.state, flow_l_d, self.band, self.noise, self.tests, dosed_meq_d=dosed_meq_d
        )


def ahead_of(
    posterior: Posterior, tank: Tank, days: int, seed: int | np.random.SeedSequence
) -> Ahead:
    """The days after the last entry.

    Where the tank's alkalinity was hardly ever tested, it is taken to be tested daily.

    Args:
        posterior: draws (s,).
        tank: for band, kit and light.
        days: how many.
        seed: for drift and errors of the kit.
    """
    rng, draws = np.random.default_rng(seed), len(posterior.volume_l)
    noise = rng.standard_normal((days, 2, draws)).transpose(0, 2, 1).copy()
    kit = kit_in_use(posterior, tank)
    tests = TankTests(
        every_d=min(usual_interval_d(posterior) or 1, days),
        below_mean_d=day_shape(tank, posterior.light_share, usual_time_d(posterior)),
        calibration=kit.calibration,
        error_meq_l=kit.repeatability_meq_l * rng.standard_normal((days, draws)),
        step_meq_l=kit.step_meq_l,
    )
    return Ahead(posterior.state, tank.targets[ALKALINITY.name], noise, tests)
