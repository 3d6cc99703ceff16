"""The reactor's chamber as chemistry sees it: its effluent, and its CO2, at another pH or flow.

The posterior knows the increment of saturated effluent over tank water at the present chamber pH,
and how near the effluent comes to it at a flow (`water.supply`). Another pH moves the saturated
increment as chemistry says, to the power that the log has taught (`Posterior.ph_response`); a step
of pH by 0.1 or more adds the spread that the log's `ph_setting` adds (`schedule.PH_STEP_SD`).

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
from estimator.water import carbonate, chamber_table
from estimator.water.carbonate import Effluent, TankWater
from estimator.water.supply import LARGEST_FLOW_L_D, SupplyLaw

SECOND_CHAMBER_WAY = 0.5
"""Part of the way from the first chamber's Ω to saturation that a second one goes (no source)."""
FULL_PH_STEP = 0.1
"""Step of chamber pH from which the whole of `PH_STEP_SD` is added."""
CO2_ERROR = (0.07, 0.11)
"""Mean and sd of the log error of the CO2 used: PHREEQC's pitzer database uses 3 to 11 % more than
PyCO2SYS, and a probe off by 0.1 pH changes it by about 9 % (computed); leaks not counted."""
AT_CEILING = 0.95
"""Part of saturation from which a chamber counts as saturated."""
FASTEST = 4.0
"""Flow in half flows at which the CO2 counts at most: a chamber gives four fifths of its limit
there, and a litre more brings ever less alkalinity for the same CO2 (no source)."""

# Saturations at which a chamber is tabulated: chords err by less than 0.2 %.
_SATURATIONS = np.geomspace(0.01, 4.0, 240)
LEAST_INCREMENT_MEQ_L = 0.02
"""Saturated increment below which a chamber counts as dissolving nothing."""


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
        co2_factor: (s,) what chemistry leaves open of the CO2 used (`CO2_ERROR`).
    """

    tank: TankWater
    ph: float
    ph_known: bool
    chambers: int
    surprise: np.ndarray
    co2_factor: np.ndarray


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
        law: of the supply at this pH.
        needed_l_d: flow that puts back the uptake.
        reached: whether the chamber can carry the load at any flow.
        flow_l_d: the needed one, `FASTEST` half flows at most; what follows is at it.
        increment_meq_l: effluent over tank.
        co2_mmol_d: CO2 used, all of which has to leave the tank again.
        free_co2_mmol_l, free_co2_mmol_d: dissolved CO2 of the effluent, and what it brings beyond
            the tank's own.
        effluent_ph: NBS, as it leaves.
        at_ceiling: whether the effluent is saturated, or nearly so.
    """

    law: SupplyLaw
    needed_l_d: np.ndarray
    reached: np.ndarray
    flow_l_d: np.ndarray
    increment_meq_l: np.ndarray
    co2_mmol_d: np.ndarray
    free_co2_mmol_l: np.ndarray
    free_co2_mmol_d: np.ndarray
    effluent_ph: np.ndarray
    at_ceiling: np.ndarray


def _law_at(posterior: Posterior, chamber: Chamber, ph: float) -> SupplyLaw:
    """The supply at another chamber pH."""
    if ph == chamber.ph:
        return posterior.law
    moved = np.log(
        chamber_table.saturated_increment_meq_l(ph)
        / chamber_table.saturated_increment_meq_l(chamber.ph)
    )
    spread = PH_STEP_SD * min(1.0, abs(ph - chamber.ph) / FULL_PH_STEP)
    factor = np.exp(posterior.ph_response * moved + spread * chamber.surprise)
    return posterior.law._replace(saturated_meq_l=posterior.law.saturated_meq_l * factor)


def held_at(posterior: Posterior, chamber: Chamber, ph: float) -> Held:
    """Hold the middle of the band at another chamber pH, nothing being dosed beside.

    The CO2 that an increment costs is interpolated between saturations.
    """
    state, table = posterior.state, table_at(chamber, ph)
    law = _law_at(posterior, chamber, ph)
    needed = law.flow_for(state.load_meq_d)
    flow = np.minimum(needed, FASTEST * law.half_flow_l_d)
    leaves = law.increment_at(flow, law.middle_meq_l)
    co2, free, effluent_ph = (
        np.interp(leaves, table.increment_meq_l, column)
        for column in (table.co2_mmol_l, table.free_co2_mmol_l, table.ph_nbs)
    )
    return Held(
        law=law,
        needed_l_d=needed,
        reached=(law.saturated_meq_l > LEAST_INCREMENT_MEQ_L) & (needed < LARGEST_FLOW_L_D),
        flow_l_d=flow,
        increment_meq_l=leaves,
        co2_mmol_d=flow * co2 * chamber.co2_factor,
        free_co2_mmol_l=free,
        free_co2_mmol_d=flow * (free - chamber.tank.free_co2_mmol_l),
        effluent_ph=effluent_ph,
        at_ceiling=law.reach(flow) * law.strength > AT_CEILING,
    )


def co2_per_caco3(posterior: Posterior, chamber: Chamber) -> np.ndarray:
    """CO2 used per CaCO3 dissolved (s,), mol/mol, at the present chamber pH and `Held.flow_l_d`.

    Usual (`flow.CO2_PER_CACO3`) where nothing is taken up.
    """
    held = held_at(posterior, chamber, chamber.ph)
    dissolved = 0.5 * held.flow_l_d * held.increment_meq_l
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = held.co2_mmol_d / dissolved
    return np.where(dissolved > 0, ratio, CO2_PER_CACO3[0] * chamber.co2_factor)


def co2_at(posterior: Posterior, chamber: Chamber, ph: float, flow_l_d: float) -> float:
    """Median CO2 used (mmol/day) at a chamber pH and a flow (L/day) that may not hold the load."""
    if flow_l_d <= 0 or posterior.last_run_flow_l_d is None:
        return 0.0
    table = table_at(chamber, ph)
    increment = held_at(posterior, chamber, ph).law.increment_at(flow_l_d, posterior.middle_meq_l)
    used = np.interp(increment, table.increment_meq_l, table.co2_mmol_l) * chamber.co2_factor
    return flow_l_d * float(np.median(used))
