"""How strong the effluent of an acidified chamber can be, as a table by chamber pH.

It serves the priors without a heavy import. Tank water of S = 35, 25 °C, alkalinity 8 dKH, calcium
420 mg/L, pH 8.2 NBS is brought to each chamber pH (NBS) with CO2 while aragonite dissolves up to a
degree of saturation; `tests/published/test_chamber_table.py` computes it again with PyCO2SYS, by
the formulas of `water.carbonate`. The saturation that real chambers reach was not found published:
0.5 is taken as the middle, since 15 to 45 dKH (common practice, no source) spans about 0.3 to 1.
"""

from __future__ import annotations

import numpy as np

from estimator import units

TABLE_TANK_DKH = 8.0
CHAMBER_PH = np.array([6.3, 6.4, 6.5, 6.6, 6.7, 6.8, 6.9, 7.0])
HALF_SATURATED_DKH = np.array([38.2, 32.5, 27.5, 23.1, 19.4, 16.2, 13.4, 11.1])
"""Effluent alkalinity at half saturation with aragonite."""
SATURATED_DKH = np.array([60.9, 52.4, 44.9, 38.3, 32.6, 27.6, 23.3, 19.5])
"""Effluent alkalinity at saturation: the ceiling."""

USUAL_CHAMBER_PH = 6.5
"""Taken where none is stated: media dissolves usefully near it (common practice, no source)."""


def half_saturated_increment_meq_l(chamber_ph: float) -> float:
    """Effluent alkalinity less tank alkalinity (meq/L) at half saturation and this NBS pH."""
    return _increment(HALF_SATURATED_DKH, chamber_ph)


def saturated_increment_meq_l(chamber_ph: float) -> float:
    """The same at saturation: chemistry gives no more from aragonite at this NBS pH."""
    return _increment(SATURATED_DKH, chamber_ph)


def _increment(column_dkh: np.ndarray, chamber_ph: float) -> float:
    """Interpolate the increment over tank water in log space; the ends continue their slope."""
    log_increment = np.log(column_dkh - TABLE_TANK_DKH)
    inside = min(max(chamber_ph, CHAMBER_PH[0]), CHAMBER_PH[-1])
    end = slice(0, 2) if chamber_ph < CHAMBER_PH[0] else slice(-2, None)
    slope = np.diff(log_increment[end])[0] / np.diff(CHAMBER_PH[end])[0]
    log_value = np.interp(inside, CHAMBER_PH, log_increment) + slope * (chamber_ph - inside)
    return float(np.exp(log_value)) * units.MEQ_L_PER_DKH
