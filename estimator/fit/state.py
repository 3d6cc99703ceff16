"""The tank as it stands: what a posterior, tests ahead and futures all speak of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from estimator.water.supply import SupplyLaw


@dataclass(frozen=True)
class TankState:
    """One state of the tank, a value per draw (s,).

    Level, uptake and strength may carry further axes in front, (…, s): one state for each of
    several outcomes.

    Attributes:
        law: of the reactor's supply and of how the tank answers to its level, as of now.
        level_meq_l: alkalinity, daily mean.
        uptake_meq_l_d: net uptake at the middle of the band.
        uptake_drift_meq_l_d: sd of its change in a day.
        effluent_drift: sd of the effluent's change in a day, relative.
    """

    law: SupplyLaw
    level_meq_l: np.ndarray
    uptake_meq_l_d: np.ndarray
    uptake_drift_meq_l_d: np.ndarray
    effluent_drift: np.ndarray

    @property
    def load_meq_d(self) -> np.ndarray:
        """Alkalinity taken up in a day; a tank that gives some off takes none."""
        return np.clip(self.uptake_meq_l_d, 0.0, None) * self.law.volume_l

    @property
    def needed_flow_l_d(self) -> np.ndarray:
        """Flow that would hold the middle of the band, nothing being dosed."""
        return self.law.flow_for(self.load_meq_d)

    def each(self, change: Callable[[np.ndarray], np.ndarray]) -> TankState:
        """The state with a change made to the draws of everything."""
        parts: dict[str, Any] = {
            "level_meq_l": self.level_meq_l,
            "uptake_meq_l_d": self.uptake_meq_l_d,
            "uptake_drift_meq_l_d": self.uptake_drift_meq_l_d,
            "effluent_drift": self.effluent_drift,
        }
        changed = {name: change(draws) for name, draws in parts.items()}
        return replace(self, law=self.law.each(change), **changed)
