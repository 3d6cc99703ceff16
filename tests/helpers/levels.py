"""The days to come by plain steps, to check compiled forecasts against."""

from __future__ import annotations

import numpy as np

from estimator.fit.state import TankState
from estimator.water.supply import strength_after


def levels_ahead(
    state: TankState, flows_l_d: np.ndarray, noise: np.ndarray, dosed_meq_d: float = 0.0
) -> np.ndarray:
    """Level at the end of each day (days, s, f), uptake and effluent drifting.

    Args:
        state: the tank now, (s,).
        flows_l_d: (f,).
        noise: (days, s, 2) standard normal, for uptake and effluent.
        dosed_meq_d: beside the reactor.
    """
    law = state.law.each(lambda draws: draws[:, None])
    flows = np.asarray(flows_l_d, dtype=float)[None, :]
    level, uptake, change = state.level_meq_l[:, None], state.uptake_meq_l_d[:, None], 0.0
    levels = []
    for of_uptake, of_effluent in noise.transpose(0, 2, 1):
        uptake = uptake + (state.uptake_drift_meq_l_d * of_uptake)[:, None]
        change = change + (state.effluent_drift * of_effluent)[:, None]
        net = dosed_meq_d / law.volume_l - uptake
        level = law.advance(level, flows, net, law.strength * strength_after(change))
        levels.append(level)
    return np.array(levels)
