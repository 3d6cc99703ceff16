"""The reactor's chamber as chemistry sees it: its effluent, and its CO2, at another pH or flow.

The posterior knows the effluent's increment over tank water at the present chamber pH and the
reference flow. That increment means a degree of saturation Ω (`water.carbonate`), and two rules
carry it elsewhere:

- another pH at the reference flow: Ω stays, so the increment follows the chemistry, as it does in
  its prior and after a `ph_setting` of the log. A rate that depended on undersaturation alone would
  follow by the power 1 − ε of that; rates that rise with CO2 too (Plummer, Wigley & Parkhurst 1978,
  from memory) lie between. A step of pH by 0.1 or more adds the spread that the log's `ph_setting`
  adds (`schedule.PH_STEP_SD`).
- another flow at one pH: `water.supply`, but away from the present pH never above saturation (or
  above the Ω that was seen, where that is higher).

With two chambers the second is taken to go half of the way from the first's Ω to saturation, for
want of a measurement (no source); the posterior's increment is what leaves the last one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from estimator.advice.flow import CO2_PER_CACO3
from estimator.fit.fitting import Fit
from estimator.fit.posterior import Posterior
from estimator.fit.schedule import PH_STEP_SD
from estimator.fit.start import START_CALCIUM
from estimator.inputs.parameters import CALCIUM, PH
from estimator.water import carbonate
from estimator.water.carbonate import Effluent, TankWater
from estimator.water.supply import SupplyLaw

SECOND_CHAMBER_WAY = 0.5
"""Part of the way from the first chamber's Ω to saturation that a second one goes (no source)."""
FULL_PH_STEP = 0.1
"""Step of chamber pH from which the whole of `PH_STEP_SD` is added."""
CO2_ERROR = (0.07, 0.11)
"""Mean and sd of the log error of the CO2 used: PHREEQC's pitzer database uses 3 to 11 % more than
PyCO2SYS, and a probe off by 0.1 pH changes it by about 9 % (computed); leaks not counted."""
CEILING_SD = 0.10
"""Log sd of the increment at saturation: a probe off by 0.05 pH changes it by 10 % (computed)."""

# Saturations at which a chamber is tabulated: chords err by less than 0.2 %.
_SATURATIONS = np.geomspace(0.01, 4.0, 240)
_LEAST_INCREMENT = 0.02
"""Increment (meq/L) below which a chamber counts as dissolving nothing."""


@dataclass(frozen=True)
class Range:
    """A quantity's 5, 50 and 95 % points."""

    q05: float
    q50: float
    q95: float


def range_of(draws: np.ndarray) -> Range:
    """The points of draws (s,)."""
    return Range(*(float(q) for q in np.quantile(draws, [0.05, 0.5, 0.95])))


@dataclass(frozen=True)
class Chamber:
    """The chamber as it stands at the last entry.

    Attributes:
        tank: the feed, at the middle of the alkalinity band.
        ph: present chamber pH (NBS); `ph_known` is False where it is only usual.
        chambers: how many in a row.
        surprise: (s,) standard normal, of the step to any other pH.
        co2_factor, ceiling_factor: (s,) what chemistry leaves open of the CO2 used (`CO2_ERROR`)
            and of the most that can be dissolved (`CEILING_SD`).
    """

    tank: TankWater
    ph: float
    ph_known: bool
    chambers: int
    surprise: np.ndarray
    co2_factor: np.ndarray
    ceiling_factor: np.ndarray


def chamber_of(fitted: Fit, rng: np.random.Generator) -> Chamber:
    """The chamber of a fitted log; `rng` for what chemistry leaves open."""
    posterior, tank = fitted.posterior, fitted.tank
    settings = fitted.schedule.settings
    draws = len(posterior.volume_l)
    ph_read = [r.value for r in fitted.log.readings if (r.parameter, r.sample) == (PH.name, "tank")]
    calcium = START_CALCIUM[0]
    if posterior.calcium_now_mmol_l is not None:
        calcium = float(np.median(posterior.calcium_now_mmol_l))
    elif CALCIUM.name in tank.targets:
        calcium = tank.targets[CALCIUM.name].middle
    return Chamber(
        tank=TankWater(
            alkalinity_meq_l=posterior.middle_meq_l,
            calcium_mmol_l=calcium,
            ph_nbs=float(np.median(ph_read)) if ph_read else carbonate.USUAL_TANK_PH,
            salinity_g_kg=tank.salinity_g_kg,
            temperature_c=tank.temperature_c,
        ),
        ph=settings.chamber_ph.last,
        ph_known=settings.chamber_ph_known,
        chambers=tank.reactor.chambers if tank.reactor else 1,
        surprise=rng.standard_normal(draws),
        co2_factor=np.exp(CO2_ERROR[0] + CO2_ERROR[1] * rng.standard_normal(draws)),
        ceiling_factor=np.exp(CEILING_SD * rng.standard_normal(draws)),
    )


def second_effluent(tank: TankWater, first: Effluent) -> Effluent:
    """What leaves a second chamber without gas, fed with the effluent of the first."""
    way = SECOND_CHAMBER_WAY * np.clip(1.0 - first.saturation, 0.0, None)
    return carbonate.second_chamber(tank, first, first.saturation + way)


def leaving(chamber: Chamber, ph: float, saturation: np.ndarray | float) -> Effluent:
    """What leaves the last chamber, the first held at `ph` and reaching `saturation`."""
    first = carbonate.effluent(chamber.tank, ph, saturation)
    return first if chamber.chambers == 1 else second_effluent(chamber.tank, first)


@dataclass(frozen=True)
class ChamberTable:
    """What a chamber at one pH gives at each saturation, to interpolate in (n,).

    Attributes:
        saturation: Ω of the first chamber, rising from that of acidified tank water.
        increment_meq_l: effluent alkalinity less the tank's, rising.
        co2_mmol_l, free_co2_mmol_l, ph_nbs: of the effluent, see `carbonate.Effluent`.
    """

    saturation: np.ndarray
    increment_meq_l: np.ndarray
    co2_mmol_l: np.ndarray
    free_co2_mmol_l: np.ndarray
    ph_nbs: np.ndarray

    def increment_at(self, saturation: np.ndarray) -> np.ndarray:
        """Increment at a saturation; 0 where acidified tank water is above it already."""
        return np.interp(np.log(saturation), np.log(self.saturation), self.increment_meq_l)

    def saturation_at(self, increment_meq_l: np.ndarray) -> np.ndarray:
        """The inverse."""
        return np.exp(np.interp(increment_meq_l, self.increment_meq_l, np.log(self.saturation)))


def table_at(chamber: Chamber, ph: float) -> ChamberTable:
    """Tabulate the chamber at one pH."""
    # Below the saturation of acidified tank water media give nothing: the table begins there.
    least = carbonate.effluent(chamber.tank, ph, 0.0).saturation
    saturation = np.append(least, _SATURATIONS[least < _SATURATIONS])
    found = leaving(chamber, ph, saturation)
    return ChamberTable(
        saturation=saturation,
        increment_meq_l=2 * found.dissolved_mmol_l,
        co2_mmol_l=found.co2_mmol_l,
        free_co2_mmol_l=found.free_co2_mmol_l,
        ph_nbs=found.ph_nbs,
    )


@dataclass(frozen=True)
class Held:
    """The load held at one chamber pH, draws (s,).

    Attributes:
        law: of the supply at this pH, up to saturation.
        needed_l_d: flow that puts back the uptake.
        reached: whether the chamber dissolves anything at all.
        increment_meq_l: effluent over tank at the needed flow.
        co2_mmol_d: CO2 used, all of which has to leave the tank again.
        free_co2_mmol_l, free_co2_mmol_d: dissolved CO2 of the effluent, and what it brings beyond
            the tank's own.
        effluent_ph: NBS, as it leaves.
        at_ceiling: whether the answer to flow alone would take the effluent beyond saturation.
    """

    law: SupplyLaw
    needed_l_d: np.ndarray
    reached: np.ndarray
    increment_meq_l: np.ndarray
    co2_mmol_d: np.ndarray
    free_co2_mmol_l: np.ndarray
    free_co2_mmol_d: np.ndarray
    effluent_ph: np.ndarray
    at_ceiling: np.ndarray


def held_at(posterior: Posterior, chamber: Chamber, ph: float) -> Held:
    """Hold the middle of the band at another chamber pH, nothing being dosed beside.

    At the present pH the needed flow is the posterior's, whatever chemistry says of saturation. The
    CO2 that an increment costs is interpolated between saturations.
    """
    state, present, other = posterior.state, table_at(chamber, chamber.ph), table_at(chamber, ph)
    increment = np.asarray(state.law.increment_meq_l)
    saturation = present.saturation_at(increment)
    moved = ph != chamber.ph
    if moved:
        spread = PH_STEP_SD * min(1.0, abs(ph - chamber.ph) / FULL_PH_STEP)
        increment = other.increment_at(saturation) * np.exp(spread * chamber.surprise)
    most = other.increment_at(np.maximum(saturation, 1.0)) * chamber.ceiling_factor
    most = np.maximum(most, _LEAST_INCREMENT)
    free_law = state.law._replace(increment_meq_l=increment)
    with np.errstate(divide="ignore"):
        law = free_law._replace(strongest=most / increment)
    load = state.load_meq_d
    by_flow = free_law.flow_for(load)
    needed = law.flow_for(load) if moved else by_flow
    with np.errstate(invalid="ignore", divide="ignore"):
        leaves = np.where(needed > 0, load / needed, increment)
    co2, free, effluent_ph = (
        np.interp(leaves, other.increment_meq_l, column)
        for column in (other.co2_mmol_l, other.free_co2_mmol_l, other.ph_nbs)
    )
    return Held(
        law=law,
        needed_l_d=needed,
        reached=increment > _LEAST_INCREMENT,
        increment_meq_l=leaves,
        co2_mmol_d=needed * co2 * chamber.co2_factor,
        free_co2_mmol_l=free,
        free_co2_mmol_d=needed * (free - chamber.tank.free_co2_mmol_l),
        effluent_ph=effluent_ph,
        at_ceiling=by_flow * most < load,
    )


def co2_per_caco3(posterior: Posterior, chamber: Chamber) -> np.ndarray:
    """CO2 used per CaCO3 dissolved (s,), mol/mol, at the present chamber pH and the needed flow.

    Usual (`flow.CO2_PER_CACO3`) where nothing is taken up.
    """
    held = held_at(posterior, chamber, chamber.ph)
    dissolved = 0.5 * held.needed_l_d * held.increment_meq_l
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = held.co2_mmol_d / dissolved
    return np.where(dissolved > 0, ratio, CO2_PER_CACO3[0] * chamber.co2_factor)


def co2_at(posterior: Posterior, chamber: Chamber, ph: float, flow_l_d: float) -> float:
    """Median CO2 used (mmol/day) at a chamber pH and a flow (L/day) that may not hold the load."""
    if flow_l_d <= 0 or posterior.reference_flow_l_d is None:
        return 0.0
    table = table_at(chamber, ph)
    increment = held_at(posterior, chamber, ph).law.increment_at(flow_l_d, posterior.middle_meq_l)
    used = np.interp(increment, table.increment_meq_l, table.co2_mmol_l) * chamber.co2_factor
    return flow_l_d * float(np.median(used))
