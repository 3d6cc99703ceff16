"""Every prior, with its reason, and the map from standard normal numbers to parameters.

Each prior is normal on a stated scale; `physical_priors` and `_kit_priors` list them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from estimator import units
from estimator.fit.bottles import USUAL_CALIBRATION_SD
from estimator.fit.layout import PHYSICAL
from estimator.fit.schedule import LARGEST_LEVEL_RESPONSE_L_MEQ, Schedule
from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.tank import Tank
from estimator.kernels import kernel, part
from estimator.water import chamber_table
from estimator.water.media import media_ceiling_factor

BOTTLE_CORRELATION = 0.5
"""Of the log calibrations of two bottles of a kit: half kit, half lot (common practice, no
source)."""
DRIFT_PRIOR, EFFLUENT_DRIFT_PRIOR = (0.015, 0.6), (0.010, 0.6)
"""Median and log sd of the drift in a root day, relative, of uptake and of the effluent's strength:
8 and 5 % in 30 days (common practice, no source). What changes faster is a jump (`jumps`)."""


# The scale on which a prior is normal.
IDENTITY, LOG, LOGIT = range(3)


@dataclass(frozen=True)
class Prior:
    """One parameter's prior: normal on a stated scale.

    Attributes:
        name: with its unit, where it has one.
        scale: LOGIT is of the place between `low` and `high`.
        median: on the natural scale.
        sd: on the normal scale.
        low, high: bounds of a LOGIT scale.
    """

    name: str
    scale: int
    median: float
    sd: float
    low: float = 0.0
    high: float = 1.0

    @property
    def centre(self) -> float:
        """Median on the normal scale."""
        if self.scale == LOG:
            return float(np.log(self.median))
        if self.scale == LOGIT:
            return float(np.log((self.median - self.low) / (self.high - self.median)))
        return self.median


def physical_priors(schedule: Schedule, tank: Tank) -> tuple[Prior, ...]:
    """The priors of tank and reactor, in the order of `layout`, canonical units.

    - water volume: the keeper's figure and its stated error.
    - light ratio (mean lit over dark uptake): 2.5, 95 % in 1.25 to 5: measured 1.9 (Anthony et
      al. 2013, Biogeosciences 10:4897), 3.2 (Sandeman 2012), about 3 (Gattuso et al. 1999, from
      memory).
    - uptake at the start: 1.2 dKH/day, 95 % in 0.26 to 5.6 (0.25 to 5.8 with
      `start.START_UPTAKE_SD`), around the 0.2 to 4 dKH/day of home reefs (common practice, no
      source; 0.2 m² of coral at 150 mmol/m²/day in 250 L is 0.67 dKH/day, with rates of Venti et
      al. 2014, Coral Reefs 33:979). With no addition in the log only the net change can be seen, of
      either sign.
    - calcium share (mol of calcium per equivalent taken up): 0.49 within 0.35 to 0.75, 95 % in
      0.41 to 0.60: pure CaCO3 0.5; coral aragonite 0.4935 (Sr/Ca of Hathorne et al. 2013, G-cubed
      14:3730); flux ratios of 2.06 ± 0.19 and 1.60 ± 0.14 eq/mol (Murillo, Jokiel & Atkinson 2014,
      PeerJ 2:e249).
    - saturated increment of the effluent over tank water: by the chamber's pH (`chamber_table`),
      log sd 0.10 for probe and medium (0.05 pH is 10 %, computed); 0.4 where a running reactor's
      chamber pH is not stated.
    - load share: part of the most that the chamber can supply, F0·X_sat, that the tank's load takes
      (`load.rough_load_meq_d`); effluent at the flow that carries the load reaches one less it of
      saturation. 0.4, 90 % in 0.11 to 0.78: effluent of 16 to 41 dKH at pH 6.5, as 15 to 45 dKH are
      usual (common practice, no source). While no effluent was tested the load counts with some
      room (`load.ROOM`), and the median is 0.5: effluent of 20 to 40 dKH.
    - drift of uptake and of effluent strength per root day, relative: see `DRIFT_PRIOR`.
    - level response η: uptake over that at the middle of the band, per alkalinity: 6 % per dKH,
      90 % in 1.7 to 14.5: a rise of 0.15 per unit of aragonite saturation (Chan & Connolly 2013,
      from memory), which rises by 0.55 to 0.94 per dKH (PyCO2SYS), would be 8 to 14 %; Bermuda's
      reefs hardly follow saturation (Venti et al. 2014, Coral Reefs 33:979).
    - response to chamber pH: strength goes with this power of what the table predicts for the pH
      read: 0.7, 90 % in 0.19 to 1.13: the table is for a medium in equilibrium at the pH that the
      probe shows.
    - unlogged calcium: sd of a supply of calcium that is not in the log, over what the load takes,
      beyond `mass_balance.LEAST_UNLOGGED`: 1 %, 95 % in 0.05 to 19 %: small, with a tail for doses
      that nobody wrote down (no source).
    """
    tested = any(reading.sample == "effluent" for reading in schedule.readings)
    # A planned reactor will be held at the usual pH; one that runs at a pH not stated may not be.
    known_ph = tank.reactor is None or schedule.settings.chamber_ph_known
    chamber_ph = schedule.settings.chamber_ph.last
    saturated = chamber_table.saturated_increment_meq_l(chamber_ph) * media_ceiling_factor(tank)
    largest = LARGEST_LEVEL_RESPONSE_L_MEQ
    uptake = Prior("uptake_start_meq_l_d", LOG, 1.2 * units.MEQ_L_PER_DKH, 0.785)
    if not schedule.additions:
        uptake = replace(uptake, scale=IDENTITY, median=0.0, sd=1.19 * units.MEQ_L_PER_DKH)
    return (
        Prior("water_volume_l", LOG, tank.water_volume_l, tank.water_volume_sd_fraction),
        Prior("light_ratio", LOG, 2.5, 0.354),
        uptake,
        Prior("calcium_share", LOGIT, 0.49, 0.55, low=0.35, high=0.75),
        Prior("saturated_increment_meq_l", LOG, saturated, 0.10 if known_ph else 0.40),
        Prior("load_share", LOGIT, 0.4 if tested else 0.5, 1.0),
        Prior("drift_per_root_day", LOG, *DRIFT_PRIOR),
        Prior("effluent_drift_per_root_day", LOG, *EFFLUENT_DRIFT_PRIOR),
        Prior("level_response_l_meq", LOGIT, 0.24 * largest, 0.9, high=largest),
        Prior("ph_response", LOGIT, 0.7, 1.2, high=1.25),
        Prior("unlogged_calcium", LOG, 0.01, 1.5),
    )


def _kit_priors(schedule: Schedule) -> tuple[Prior, ...]:
    """Calibrations of bottles, lasting errors of instruments, then repeatability of kits.

    An instrument's lasting error: sd about the kit's usual repeatability, within a factor of four;
    it lasts three days, 0.4 to 22 (common practice, no source).
    A stated repeatability comes from about eight repeats (log sd 0.27); else 0.7 steps, but at
    least 0.4 of the usual figure, within a factor of e (common practice, no source).
    """
    kits = {kit.name: kit for kit in schedule.kits}
    calibrations = []
    for name, bottle in schedule.bottles:
        stated = kits[name].calibration_sd
        sd = USUAL_CALIBRATION_SD if stated is None else stated
        calibrations.append(Prior(f"calibration {name} {bottle}", LOG, 1.0, sd))
    errors = []
    for name in schedule.layout.instruments:
        usual = PARAMETERS[kits[name].parameter].assumed_repeatability
        errors.append(Prior(f"lasting error {name}", LOG, usual, 0.7))
        errors.append(Prior(f"lasting error {name} days", LOG, 3.0, 1.0))
    repeats = []
    for kit in schedule.kits:
        usual = PARAMETERS[kit.parameter].assumed_repeatability
        median, sd = max(0.7 * kit.step, 0.4 * usual), 0.5
        if kit.repeatability is not None:
            median, sd = kit.repeatability, 0.27
        repeats.append(Prior(f"repeatability {kit.name}", LOG, median, sd))
    return (*calibrations, *errors, *repeats)


class PriorArrays(NamedTuple):
    """All priors as one map from independent standard normal numbers z (p,) to parameters.

    x = centre + root z is normal with the stated spreads (bottles of one kit are correlated); each
    x is then taken to its natural scale.
    """

    centre: np.ndarray
    root: np.ndarray
    scale: np.ndarray
    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True)
class PriorTable:
    """The priors by name, and the same as arrays."""

    priors: tuple[Prior, ...]
    arrays: PriorArrays

    @property
    def physical(self) -> tuple[Prior, ...]:
        """Those of tank and reactor, without the kits'."""
        return self.priors[:PHYSICAL]

    @property
    def size(self) -> int:
        """Number of parameters p."""
        return len(self.priors)

    def natural(self, z: np.ndarray) -> np.ndarray:
        """Parameters (..., p) on their natural scales at z (..., p)."""
        rows = [natural_at(row, self.arrays) for row in z.reshape(-1, self.size)]
        return np.array(rows).reshape(z.shape)


@kernel
def natural_at(z, arrays):  # type: ignore[no-untyped-def]
    """Parameters (p,) on their natural scales at z (p,)."""
    value = np.empty(len(z))
    for a in range(len(z)):
        value[a] = arrays.centre[a]
        for b in range(a + 1):
            value[a] += arrays.root[a, b] * z[b]
        if arrays.scale[a] == LOG:
            value[a] = np.exp(value[a])
        elif arrays.scale[a] == LOGIT:
            part = 0.5 * (1.0 + np.tanh(0.5 * value[a]))
            value[a] = arrays.low[a] + (arrays.high[a] - arrays.low[a]) * part
    return value


@part
def pull_to_z(gradient, natural, arrays):  # type: ignore[no-untyped-def]
    """Gradient by z (p,) from that by the natural parameters (p,)."""
    slope = gradient.copy()
    for a in range(len(natural)):
        if arrays.scale[a] == LOG:
            slope[a] *= natural[a]
        elif arrays.scale[a] == LOGIT:
            slope[a] *= (
                (natural[a] - arrays.low[a])
                * (arrays.high[a] - natural[a])
                / (arrays.high[a] - arrays.low[a])
            )
    pulled = np.zeros(len(natural))
    for a in range(len(natural)):
        for b in range(a + 1):
            pulled[b] += arrays.root[a, b] * slope[a]
    return pulled


def prior_table(schedule: Schedule, tank: Tank) -> PriorTable:
    """All priors of one log and tank."""
    table = (*physical_priors(schedule, tank), *_kit_priors(schedule))
    sd = np.array([prior.sd for prior in table])
    correlation = np.eye(len(table))
    first = PHYSICAL
    names = [name for name, _ in schedule.bottles]
    block = np.where(np.equal.outer(names, names), BOTTLE_CORRELATION, 0.0)
    np.fill_diagonal(block, 1.0)
    last = first + len(names)
    correlation[first:last, first:last] = block
    arrays = PriorArrays(
        centre=np.array([prior.centre for prior in table]),
        root=sd[:, None] * np.linalg.cholesky(correlation),
        scale=np.array([prior.scale for prior in table]),
        low=np.array([prior.low for prior in table]),
        high=np.array([prior.high for prior in table]),
    )
    return PriorTable(priors=table, arrays=arrays)
