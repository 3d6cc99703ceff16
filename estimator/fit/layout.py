"""What stands where: the parameter vector, the states, the columns of a step.

One layout serves priors, mass balance, posterior and tests ahead; compiled kernels and Python read
the same places.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from estimator.inputs.parameters import ALKALINITY, CALCIUM, NITRATE

# Places in the parameter vector theta; after them come one calibration per bottle of a kit, two
# numbers of the error of each instrument that reads many times a day (its sd, then the days over
# which it lasts), and one repeatability per kit.
(
    VOLUME,
    LIGHT_RATIO,
    UPTAKE,
    CALCIUM_SHARE,
    SATURATED_INCREMENT,
    LOAD_SHARE,
    DRIFT,
    EFFLUENT_DRIFT,
    LEVEL_RESPONSE,
    PH_RESPONSE,
    UNLOGGED_CALCIUM,
) = range(11)
PHYSICAL = 11
"""Parameters of tank and reactor, which stand first."""

# What a reading is of.
(
    NOTHING,
    TANK_ALKALINITY,
    TANK_CALCIUM,
    EFFLUENT_ALKALINITY,
    EFFLUENT_CALCIUM,
    TANK_NITRATE,
    WATER_ALKALINITY,
    WATER_CALCIUM,
    KNOWN_SOLUTION,
) = range(9)

# Where a used reading finds its kind, by (sample, parameter).
KIND_OF = {
    ("tank", ALKALINITY.name): TANK_ALKALINITY,
    ("tank", CALCIUM.name): TANK_CALCIUM,
    ("tank", NITRATE.name): TANK_NITRATE,
    ("effluent", ALKALINITY.name): EFFLUENT_ALKALINITY,
    ("effluent", CALCIUM.name): EFFLUENT_CALCIUM,
    ("water", ALKALINITY.name): WATER_ALKALINITY,
    ("water", CALCIUM.name): WATER_CALCIUM,
    ("reference", ALKALINITY.name): KNOWN_SOLUTION,
    ("reference", CALCIUM.name): KNOWN_SOLUTION,
}


@dataclass(frozen=True)
class Layout:
    """Which state stands where. `moving` rows come first; −1 marks a state the log has no use for.

    States: alkalinity A, Z = C − αA, nitrate, the lasting error of each instrument that reads many
    times a day, relative uptake change w, relative effluent change q, nitrate production n, the
    unlogged supply of calcium in its own sd, the share of magnesium in what dissolves less what is
    expected, the relative shift of the calibration of the alkalinity kit's bottle in use
    (`bottles`), then alkalinity and calcium of each new salt water.
    """

    alkalinity: int
    z: int
    nitrate: int
    instruments: tuple[str, ...]
    first_instrument: int
    uptake: int
    effluent: int
    nitrate_rate: int
    unlogged: int
    magnesium: int
    kit_shift: int
    waters: tuple[str, ...]
    first_water: int
    size: int

    @property
    def moving(self) -> int:
        """Number of rows of the transition that differ from the identity."""
        return self.first_instrument + len(self.instruments)


STEP = np.dtype(
    [
        ("span_d", float),
        ("flow_l_d", float),
        ("shown_flow_l_d", float),
        ("log_ph_ratio", float),
        ("dose_calcium_mmol", float),
        ("dissolved_meq_l", float),
        ("shown_increment_meq_l", float),
        ("change_l", float),
        ("drift_d", float),
        ("effluent_drift_d", float),
        ("uptake_step", float),
        ("effluent_step", float),
        ("value", float),
        ("known", float),
        ("rounding", float),
        ("scatter", float),
        ("shown_meq_l", float),
        ("kit_wander", float),
        ("change_water", np.int64),
        ("kind", np.int64),
        ("water", np.int64),
        ("bottle", np.int64),
        ("kit", np.int64),
        ("instrument", np.int64),
    ]
)
"""One step: a span of time, then an event or a reading.

span_d in days; flow_l_d during the span; shown_flow_l_d that a reading of the effluent speaks of;
log_ph_ratio: log of the saturated increment at the chamber's pH over that at its last setting;
dose_calcium_mmol within the span; dissolved_meq_l, shown_increment_meq_l: rough figures of what the
reactor added within the span and of the effluent's increment, for what magnesium of the media takes
of them (`load.rough_increment_meq_l`); change_l of water renewed at the end of the step,
change_water its index; drift_d, effluent_drift_d days of drift entering after the step;
uptake_step, effluent_step variances of steps allowed; then of the reading: kind, value (canonical),
known value of a reference solution, rounding variance, scatter (factor on the kit's repeatability),
shown_meq_l, how a shift of the bottle in use shows in it (`bottles.shown_before`); kit_wander,
variance by which that shift wanders after the step; indices of
water, bottle and kit; instrument: place of its lasting error among the states, −1 for a
kit without one.
"""

UNIT, PULSE, DOSE = range(3)
"""Second index of `Schedule.moments`: of 1 (days), of the light pulse (days), of dosed
alkalinity (meq)."""


class Shape(NamedTuple):
    """The numbers that the compiled kernels need beside the steps (see `Layout`).

    `media_calcium` is α, `middle` the middle of the alkalinity band, `lit` the lit fraction of the
    day; `net_change`: no addition is in the log, so that uptake is the net change; `load_meq_d`, a
    rough figure of what the tank takes (`load.rough_load_meq_d`), with some room (`load.room_of`);
    `uptake_scale`, the figure without it, meq/L/day of the stated volume; `first_error`,
    `first_repeatability`: places in theta.
    """

    z: int
    nitrate: int
    first_instrument: int
    instruments: int
    uptake: int
    effluent: int
    nitrate_rate: int
    unlogged: int
    magnesium: int
    kit_shift: int
    first_water: int
    size: int
    moving: int
    bottles: int
    first_error: int
    first_repeatability: int
    chambers: int
    media_calcium: float
    middle: float
    lit: float
    net_change: bool
    load_meq_d: float
    uptake_scale: float
