"""What stands for the fit inside the futures: a Kalman filter of the middle tank.

Three states for each future: the level, the net supply, and the part of it that the reactor
gives, all as the kit has them. A test of the tank shows the first, one of the effluent the third: a
reactor that weakens shows there at once, in the tank only as the level falls.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from estimator.water.supply import SupplyLaw

LEVEL, NET, GIVEN = range(3)
"""The states: meq/L, meq/L/day, meq/L/day."""
TANK, EFFLUENT = "tank", "effluent"
SHOWS = {TANK: LEVEL, EFFLUENT: GIVEN}
"""The state that a test of each sample shows."""


class Belief(NamedTuple):
    """What a report would go by, numbers of the middle tank.

    Attributes:
        law: supply law.
        level_meq_l: now.
        uptake_meq_l_d: at the middle of the band.
        calibration, below_mean_meq_l: of the tests.
        spread: (c, 3, 3) covariance of the three states, by course where the settings decide.
        uptake_drift: sd of the uptake's change in a day, meq/L/day.
        effluent_drift: the same of the effluent's strength, relative.
        reading_sd: of one titration.
        aim_meq_l: level aimed at.
    """

    law: SupplyLaw
    level_meq_l: float
    uptake_meq_l_d: float
    calibration: float
    below_mean_meq_l: float
    spread: np.ndarray
    uptake_drift: float
    effluent_drift: float
    reading_sd: float
    aim_meq_l: float

    @property
    def load_meq_d(self) -> float:
        """What the tank takes up at the middle of the band; nothing where it gives off."""
        return max(self.uptake_meq_l_d, 0.0) * float(self.law.volume_l)

    def noise(self, sample: str, repeats: int, flow_l_d: np.ndarray) -> np.ndarray:
        """Sd of what repeated titrations of a sample tell of the state that it shows."""
        alone = self.reading_sd / np.sqrt(repeats) / self.calibration * np.ones(flow_l_d.shape)
        return alone if sample == TANK else alone * flow_l_d / float(self.law.volume_l)


class Visit(NamedTuple):
    """One sample tested on a day, so many days from the start."""

    day: int
    sample: str
    repeats: int


def gains(
    belief: Belief, visits: Sequence[Visit], flow_l_d: np.ndarray, days: int
) -> list[np.ndarray]:
    """Kalman gains (c, 3) of the states at each visit, in order of their days.

    Args:
        belief: what is known at the start.
        visits: by day.
        flow_l_d: (c,) of the pump, as it is today.
        days: to look ahead.
    """
    p = belief.spread
    supply = np.asarray(belief.law.supply_meq_d(flow_l_d, belief.law.middle_meq_l))
    weaker = (belief.effluent_drift * supply / float(belief.law.volume_l)) ** 2
    change = np.zeros((len(weaker), 3, 3))
    change[:, NET, NET] = belief.uptake_drift**2 + weaker
    change[:, NET, GIVEN] = change[:, GIVEN, NET] = change[:, GIVEN, GIVEN] = weaker
    ahead = np.eye(3)
    ahead[LEVEL, NET] = 1.0
    found: list[np.ndarray] = []
    waiting = list(visits)
    for day in range(days):
        while waiting and waiting[0].day == day:
            visit = waiting.pop(0)
            at = SHOWS[visit.sample]
            noise = belief.noise(visit.sample, visit.repeats, flow_l_d)
            gain = p[:, :, at] / np.maximum(p[:, at, at] + noise**2, 1e-18)[:, None]
            found.append(gain)
            p = p - gain[:, :, None] * p[:, at, None, :]
        p = ahead @ p @ ahead.T + change
    return found
