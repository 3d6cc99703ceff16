"""Chamber pH and flow together: what each pair supplies, and what CO2 it costs.

The posterior knows the effluent's gain over tank water at the present chamber pH and the reference
flow. That gain means a degree of saturation Ω (`carbonate`), and two rules carry it elsewhere:

- another pH at the reference flow: Ω stays, so the gain follows the chemistry, as it does in the
  prior of the gain and after a `ph_setting` of the log. A rate that depended on undersaturation
  alone would follow by the power 1 − ε of that; rates that rise with CO2 too (Plummer, Wigley &
  Parkhurst 1978, from memory) lie between. A step of pH by 0.1 or more adds the spread that the
  log's `ph_setting` adds (`schedule.PH_STEP_SD`).
- another flow at one pH: the gain goes as F^(−ε), as in `mass_balance`, but away from the present
  pH never above saturation (or above the Ω that was seen, where that is higher).

With two chambers the second is taken to go half of the way from the first's Ω to saturation, for
want of a measurement (no source); the posterior's gain is what leaves the last one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from estimator import units
from estimator.advice.flow import CO2_PER_CACO3, HORIZON_DAYS, is_planned, to_l_d, to_ml_h
from estimator.fit.posterior import Posterior
from estimator.fit.priors import USUAL_CALIBRATION_SD
from estimator.fit.schedule import EFFLUENT_SCATTER, PH_STEP_SD
from estimator.fit.start import START_CALCIUM
from estimator.inputs.parameters import ALKALINITY, CALCIUM, PH
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Reactor, Tank
from estimator.water import carbonate
from estimator.water.carbonate import Effluent, EffluentCheck, TankWater
from estimator.water.settings import Settings, day_of, origin_of

PH_AXIS = np.round(np.arange(6.2, 7.2001, 0.05), 2)
FLOWS = 24
TABLE_PH = (6.3, 6.4, 6.5, 6.6, 6.7, 6.8)
"""Rows of the short table, beside the present pH."""
MUSH_PH = 6.3
"""Below about this chamber pH media turns to mush and clogs (common practice, no source)."""
INSIDE_CHANCE = 0.9
"""Chance that a chamber pH must give for the needed flow to lie inside the pump's limits."""
CO2_SLACK = 1.1
"""CO2 use within this factor of the least counts as equal: a bubble counter reads no finer."""
OUT_OF_REACH = 0.05
"""Share of draws that cannot dissolve anything from which no flow is stated."""
SECOND_CHAMBER_WAY = 0.5
"""Part of the way from the first chamber's Ω to saturation that a second one goes (no source)."""
FULL_PH_STEP = 0.1
"""Step of chamber pH from which the whole of `PH_STEP_SD` is added."""
CO2_ERROR = (0.07, 0.11)
"""Mean and sd of the log error of the CO2 used: PHREEQC's pitzer database uses 3 to 11 % more than
PyCO2SYS, and a probe off by 0.1 pH changes it by about 9 % (computed); leaks not counted."""
CEILING_SD = 0.10
"""Log sd of the gain at saturation: a probe off by 0.05 pH changes it by 10 % (computed)."""

# Saturations over which a chamber's response is tabulated: chords err by less than 0.2 %.
_SATURATIONS = np.geomspace(0.01, 4.0, 240)
_LEAST_GAIN = 0.02
"""Effluent gain (meq/L) below which a chamber counts as dissolving nothing."""


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
class Response:
    """What one chamber pH gives at each saturation, as a table to interpolate in (n,).

    Attributes:
        saturation: Ω of the first chamber, rising from that of acidified tank water.
        gain_meq_l: effluent alkalinity less the tank's, rising.
        co2_mmol_l, free_co2_mmol_l, ph_nbs: of the effluent, see `carbonate.Effluent`.
    """

    saturation: np.ndarray
    gain_meq_l: np.ndarray
    co2_mmol_l: np.ndarray
    free_co2_mmol_l: np.ndarray
    ph_nbs: np.ndarray

    def gain_at(self, saturation: np.ndarray) -> np.ndarray:
        """Gain at a saturation; 0 where acidified tank water is above it already."""
        return np.interp(np.log(saturation), np.log(self.saturation), self.gain_meq_l)

    def saturation_at(self, gain_meq_l: np.ndarray) -> np.ndarray:
        """The inverse."""
        return np.exp(np.interp(gain_meq_l, self.gain_meq_l, np.log(self.saturation)))


@dataclass(frozen=True)
class Chamber:
    """The reactor as far as chemistry sees it.

    `tank` is the feed at the middle of the alkalinity band; `ph` the present chamber pH (NBS),
    `ph_known` False where it is only usual. Draws (s,) say what chemistry leaves open: `surprise`,
    standard normal, of the step to any other pH; `co2_factor` on the CO2 used (`CO2_ERROR`), and
    `ceiling_factor` on the most that can be dissolved (`CEILING_SD`).
    """

    tank: TankWater
    ph: float
    ph_known: bool
    chambers: int
    surprise: np.ndarray
    co2_factor: np.ndarray
    ceiling_factor: np.ndarray


def usual_tank_ph(log: TankLog) -> float:
    """Median of the tank's pH readings; usual where there is none."""
    read = [r.value for r in log.readings if (r.parameter, r.sample) == (PH.name, "tank")]
    return float(np.median(read)) if read else carbonate.USUAL_TANK_PH


def chamber_of(
    posterior: Posterior,
    tank: Tank,
    settings: Settings,
    tank_ph: float,
    rng: np.random.Generator,
) -> Chamber:
    """The chamber as it stands at the last entry; `rng` for what chemistry leaves open."""
    draws = len(posterior.volume_l)
    if posterior.calcium_now_mmol_l is not None:
        calcium = float(np.median(posterior.calcium_now_mmol_l))
    elif CALCIUM.name in tank.targets:
        calcium = tank.targets[CALCIUM.name].middle
    else:
        calcium = START_CALCIUM[0]
    return Chamber(
        tank=TankWater(
            alkalinity_meq_l=posterior.middle_meq_l,
            calcium_mmol_l=calcium,
            ph_nbs=tank_ph,
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


@dataclass(frozen=True)
class OddEffluent:
    """An effluent reading that chemistry cannot give, errors allowed for."""

    reading: Reading
    check: EffluentCheck


def odd_effluents(
    chamber: Chamber, tank: Tank, log: TankLog, settings: Settings
) -> tuple[OddEffluent, ...]:
    """Effluent alkalinity readings that no aragonite gives at the chamber pH of their time.

    None are named where the chamber's pH is not known. The error is that of the kit in effluent
    (`schedule.EFFLUENT_SCATTER`) and of its bottle.
    """
    found = []
    for reading in log.readings if chamber.ph_known else ():
        if (reading.parameter, reading.sample) != (ALKALINITY.name, "effluent"):
            continue
        kit = tank.kits[reading.kit]
        repeat = kit.repeatability or ALKALINITY.assumed_repeatability
        gain_sd = USUAL_CALIBRATION_SD if kit.calibration_sd is None else kit.calibration_sd
        check = carbonate.check_effluent(
            chamber.tank,
            settings.chamber_ph.at(day_of(reading.time, origin_of(log))),
            reading.value,
            float(np.hypot(EFFLUENT_SCATTER * repeat, gain_sd * reading.value)),
        )
        if check.remark:
            found.append(OddEffluent(reading, check))
    return tuple(found)


def leaving(chamber: Chamber, ph: float, saturation: np.ndarray | float) -> Effluent:
    """What leaves the last chamber, the first held at `ph` and reaching `saturation`."""
    first = carbonate.effluent(chamber.tank, ph, saturation)
    if chamber.chambers == 1:
        return first
    way = SECOND_CHAMBER_WAY * np.clip(1.0 - first.saturation, 0.0, None)
    return carbonate.second_chamber(chamber.tank, first, first.saturation + way)


def response_at(chamber: Chamber, ph: float) -> Response:
    """Tabulate the chamber at one pH."""
    # Below the saturation of acidified tank water media give nothing: the table begins there.
    least = carbonate.effluent(chamber.tank, ph, 0.0).saturation
    saturation = np.append(least, _SATURATIONS[least < _SATURATIONS])
    found = leaving(chamber, ph, saturation)
    return Response(
        saturation=saturation,
        gain_meq_l=2 * found.dissolved_mmol_l,
        co2_mmol_l=found.co2_mmol_l,
        free_co2_mmol_l=found.free_co2_mmol_l,
        ph_nbs=found.ph_nbs,
    )


@dataclass(frozen=True)
class Held:
    """The load held at one chamber pH, draws (s,).

    Attributes:
        gain_meq_l: effluent over tank at the reference flow.
        needed_l_d: flow that puts back the uptake.
        reached: whether the chamber dissolves anything at all.
        effluent_gain_meq_l: effluent over tank at the needed flow.
        co2_mmol_d: CO2 used, all of which has to leave the tank again.
        free_co2_mmol_l, free_co2_mmol_d: dissolved CO2 of the effluent, and what it brings beyond
            the tank's own.
        effluent_ph: NBS, as it leaves.
        most_gain_meq_l: the gain that no flow exceeds.
        at_ceiling: whether the flow law asks for more than that.
    """

    gain_meq_l: np.ndarray
    needed_l_d: np.ndarray
    reached: np.ndarray
    effluent_gain_meq_l: np.ndarray
    co2_mmol_d: np.ndarray
    free_co2_mmol_l: np.ndarray
    free_co2_mmol_d: np.ndarray
    effluent_ph: np.ndarray
    most_gain_meq_l: np.ndarray
    at_ceiling: np.ndarray


def held_at(posterior: Posterior, chamber: Chamber, ph: float) -> Held:
    """Hold the middle of the band at another chamber pH, nothing being dosed beside.

    The CO2 that a needed gain costs is interpolated between saturations.
    """
    present, other = response_at(chamber, chamber.ph), response_at(chamber, ph)
    saturation = present.saturation_at(posterior.effluent_gain_meq_l)
    moved = ph != chamber.ph
    gain = posterior.effluent_gain_meq_l
    if moved:
        spread = PH_STEP_SD * min(1.0, abs(ph - chamber.ph) / FULL_PH_STEP)
        gain = other.gain_at(saturation) * np.exp(spread * chamber.surprise)
    most = other.gain_at(np.maximum(saturation, 1.0)) * chamber.ceiling_factor
    most = np.maximum(most, _LEAST_GAIN)
    state = posterior.state
    load = state.load_meq_d
    needed = state.law._replace(increment_meq_l=gain).flow_for(load)
    at_ceiling = needed * most < load
    if moved:
        needed = np.maximum(needed, load / most)
    with np.errstate(invalid="ignore", divide="ignore"):
        leaves = np.where(needed > 0, load / needed, gain)
    co2, free, effluent_ph = (
        np.interp(leaves, other.gain_meq_l, column)
        for column in (other.co2_mmol_l, other.free_co2_mmol_l, other.ph_nbs)
    )
    return Held(
        gain_meq_l=gain,
        needed_l_d=needed,
        reached=gain > _LEAST_GAIN,
        effluent_gain_meq_l=leaves,
        co2_mmol_d=needed * co2 * chamber.co2_factor,
        free_co2_mmol_l=free,
        free_co2_mmol_d=needed * (free - chamber.tank.free_co2_mmol_l),
        effluent_ph=effluent_ph,
        most_gain_meq_l=most,
        at_ceiling=at_ceiling,
    )


def co2_per_caco3(posterior: Posterior, chamber: Chamber) -> np.ndarray:
    """CO2 used per CaCO3 dissolved (s,), mol/mol, at the present chamber pH and the needed flow.

    Usual (`recommendation.CO2_PER_CACO3`) where nothing is taken up.
    """
    held = held_at(posterior, chamber, chamber.ph)
    dissolved = 0.5 * held.needed_l_d * held.effluent_gain_meq_l
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = held.co2_mmol_d / dissolved
    return np.where(dissolved > 0, ratio, CO2_PER_CACO3[0] * chamber.co2_factor)


def co2_at(posterior: Posterior, chamber: Chamber, ph: float, flow_l_d: float) -> float:
    """Median CO2 used (mmol/day) at a chamber pH and a flow (L/day) that may not hold the load."""
    reference = posterior.reference_flow_l_d
    if flow_l_d <= 0 or reference is None:
        return 0.0
    other = response_at(chamber, ph)
    held = held_at(posterior, chamber, ph)
    gain = held.gain_meq_l * (flow_l_d / reference) ** -posterior.exponent
    gain = np.minimum(gain, held.most_gain_meq_l)
    used = np.interp(gain, other.gain_meq_l, other.co2_mmol_l) * chamber.co2_factor
    return flow_l_d * float(np.median(used))


@dataclass(frozen=True)
class WorkingPoint:
    """One chamber pH, the load held.

    Attributes:
        chamber_ph: NBS; `is_present` marks the one that is set now.
        needed_ml_h: flow that holds the middle of the band. All but `inside_chance` are None from
            here on where media would hardly dissolve.
        effluent_meq_l: alkalinity of the effluent at that flow.
        effluent_ph: NBS, as it leaves the last chamber.
        co2_g_d: CO2 used, all of which the tank has to pass on to the air; leaks not counted.
        free_co2_mmol_l: dissolved CO2 of the effluent.
        free_co2_g_d: CO2 that reaches the tank as dissolved gas.
        pump_share: median needed flow as a share of the pump's largest; None without a pump.
        inside_chance: chance that the needed flow lies inside the pump's limits.
        cautions: plain sentences.
    """

    chamber_ph: float
    is_present: bool
    needed_ml_h: Range | None
    effluent_meq_l: Range | None
    effluent_ph: Range | None
    co2_g_d: Range | None
    free_co2_mmol_l: Range | None
    free_co2_g_d: Range | None
    pump_share: float | None
    inside_chance: float
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class SecondChamber:
    """What a closed second chamber without gas would buy at one pH of the first; medians.

    It is taken to reach saturation, which is the most that it can do. Each pair is without and
    with it.
    """

    chamber_ph: float
    effluent_meq_l: tuple[float, float]
    effluent_ph: tuple[float, float]
    free_co2_mmol_l: tuple[float, float]
    co2_per_caco3: tuple[float, float]


@dataclass(frozen=True)
class PhRange:
    """The chamber pH to work at, and the one to set: the present one where it lies inside."""

    low: float
    high: float
    suggested: float
    keep_present: bool


@dataclass(frozen=True)
class ChamberTrade:
    """Chamber pH against flow.

    Attributes:
        ph_axis: (p,) NBS.
        flow_axis_ml_h: (f,) rising by equal factors.
        supply_over_need: (p, f) median of alkalinity supplied over alkalinity taken up.
        holding: (p, f) chance that the level, from the middle of the band, stays within it over
            `HORIZON_DAYS` at today's uptake.
        inside_chance: (p,) chance that the needed flow is inside the pump's limits.
        co2_g_d: (p,) median CO2 used at the needed flow; infinite where media hardly dissolves.
        points: the short table, by rising pH.
        region: where to work; None where no pH will do.
        reasons: plain sentences for `region`, or for its absence with the remedy.
        second: what a second chamber would buy; None where there is one, or nothing dissolves.
        present_ph: `ph_known` is False where nothing states it and the usual is taken.
        from_priors: the reactor was never run: all of it is what chambers usually do.
    """

    ph_axis: np.ndarray
    flow_axis_ml_h: np.ndarray
    supply_over_need: np.ndarray
    holding: np.ndarray
    inside_chance: np.ndarray
    co2_g_d: np.ndarray
    points: tuple[WorkingPoint, ...]
    region: PhRange | None
    reasons: tuple[str, ...]
    second: SecondChamber | None
    present_ph: float
    ph_known: bool
    from_priors: bool


def chamber_trade(
    posterior: Posterior,
    tank: Tank,
    chamber: Chamber,
) -> ChamberTrade:
    """Lay out chamber pH against flow for the load that the tank takes up now.

    Args:
        posterior: draws.
        tank: for the pump and the band.
        chamber: as it stands, see `chamber_of`.
    """
    pump = tank.reactor
    held = [held_at(posterior, chamber, float(ph)) for ph in PH_AXIS]
    inside = np.array([_inside_chance(one, pump) for one in held])
    co2 = np.array([_median_co2_g_d(one) for one in held])
    present = held_at(posterior, chamber, chamber.ph)
    flows = _flow_axis(present, pump)
    grids = [_along_flows(posterior, tank, one, to_l_d(flows)) for one in held]
    region, reasons = _region(chamber, pump, held, inside, co2)
    shown = sorted({*TABLE_PH, round(chamber.ph, 2)})
    return ChamberTrade(
        ph_axis=PH_AXIS,
        flow_axis_ml_h=flows,
        supply_over_need=np.array([ratio for ratio, _ in grids]),
        holding=np.array([holds for _, holds in grids]),
        inside_chance=inside,
        co2_g_d=co2,
        points=tuple(_point(posterior, chamber, pump, ph) for ph in shown),
        region=region,
        reasons=reasons,
        second=_second(posterior, chamber, region.suggested if region else chamber.ph),
        present_ph=chamber.ph,
        ph_known=chamber.ph_known,
        from_priors=is_planned(posterior),
    )


def _inside_chance(held: Held, pump: Reactor | None) -> float:
    """Chance that the needed flow is one that the pump can give."""
    if pump is None:
        return float(np.mean(held.reached))
    needed = to_ml_h(held.needed_l_d)
    fits = (needed >= pump.flow_min_ml_h) & (needed <= pump.flow_max_ml_h)
    return float(np.mean(fits & held.reached))


def _is_out_of_reach(held: Held) -> bool:
    return float(np.mean(held.reached)) < 1 - OUT_OF_REACH


def _co2_g_d(held: Held) -> np.ndarray:
    return held.co2_mmol_d / 1000 * units.CO2_G_MOL


def _median_co2_g_d(held: Held) -> float:
    return np.inf if _is_out_of_reach(held) else float(np.median(_co2_g_d(held)))


def _flow_axis(present: Held, pump: Reactor | None) -> np.ndarray:
    """Flows around the needed one, by equal factors, inside the pump's limits."""
    middle = max(float(np.median(to_ml_h(present.needed_l_d))), 1e-3)
    low, high = middle / 6, middle * 6
    if pump is not None:
        low, high = max(low, pump.flow_min_ml_h), min(high, pump.flow_max_ml_h)
        if high < 2 * low:
            low, high = max(pump.flow_min_ml_h, pump.flow_max_ml_h / 100), pump.flow_max_ml_h
    return np.geomspace(low, high, FLOWS)


def _along_flows(
    posterior: Posterior, tank: Tank, held: Held, flow_l_d: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Median of supply over uptake and the chance of holding the band, at each flow (f,).

    With κ = (F/V)(F/F_ref)^(−ε) and k = κ(1 − ε) the level moves from the middle of the band by
    (κX − U)(1 − e^(−kt))/k (`mass_balance`).
    """
    exponent, reference = posterior.exponent[:, None], posterior.reference_flow_l_d
    if reference is None:
        # A planned reactor's strength is the same at whatever flow it will be set to.
        exponent, reference = np.zeros_like(exponent), 1.0
    kappa = flow_l_d / posterior.volume_l[:, None] * (flow_l_d / reference) ** -exponent
    most = flow_l_d / posterior.volume_l[:, None] * held.most_gain_meq_l[:, None]
    supply = np.minimum(kappa * held.gain_meq_l[:, None], most)
    uptake = posterior.uptake_now_meq_l_d[:, None]
    ratio = np.median(supply / np.maximum(uptake, 1e-9), axis=0)
    k = np.maximum(kappa * (1 - exponent), 1e-12)
    moved = (supply - uptake) * -np.expm1(-k * HORIZON_DAYS) / k
    band = tank.targets[ALKALINITY.name]
    level = posterior.middle_meq_l + moved
    return ratio, np.mean((level >= band.low) & (level <= band.high), axis=0)


def _point(posterior: Posterior, chamber: Chamber, pump: Reactor | None, ph: float) -> WorkingPoint:
    held = held_at(posterior, chamber, ph)
    needed = to_ml_h(held.needed_l_d)
    is_present = ph == round(chamber.ph, 2)
    cautions = []
    if ph < MUSH_PH:
        cautions.append(
            f"Below about pH {MUSH_PH} media may turn to mush and clog (common practice, no "
            "source)."
        )
    out_of_reach = _is_out_of_reach(held)
    if out_of_reach:
        cautions.append("Media would hardly dissolve at this pH.")
    elif np.mean(held.at_ceiling) > 0.2:
        cautions.append(
            "At so low a flow the effluent comes near saturation: how much less flow will do is "
            "least sure here."
        )
    inside = _inside_chance(held, pump)
    if pump is not None and not out_of_reach and inside < INSIDE_CHANCE:
        too_large = np.mean(needed > pump.flow_max_ml_h) > np.mean(needed < pump.flow_min_ml_h)
        side = "above the pump's largest" if too_large else "below the pump's smallest"
        cautions.append(f"The needed flow may lie {side}.")

    def shown(draws: np.ndarray) -> Range | None:
        return None if out_of_reach else range_of(draws)

    share = shown(needed / pump.flow_max_ml_h) if pump else None
    return WorkingPoint(
        chamber_ph=ph,
        is_present=is_present,
        needed_ml_h=shown(needed),
        effluent_meq_l=shown(posterior.middle_meq_l + held.effluent_gain_meq_l),
        effluent_ph=shown(held.effluent_ph),
        co2_g_d=shown(_co2_g_d(held)),
        free_co2_mmol_l=shown(held.free_co2_mmol_l),
        free_co2_g_d=shown(held.free_co2_mmol_d / 1000 * units.CO2_G_MOL),
        pump_share=None if share is None else share.q50,
        inside_chance=inside,
        cautions=tuple(cautions),
    )


def _region(
    chamber: Chamber,
    pump: Reactor | None,
    held: Sequence[Held],
    inside: np.ndarray,
    co2: np.ndarray,
) -> tuple[PhRange | None, tuple[str, ...]]:
    """The run of pH values around the least CO2 that the pump can serve, and why."""
    usable = (inside >= INSIDE_CHANCE) & (PH_AXIS >= MUSH_PH) & np.isfinite(co2)
    if not usable.any():
        return None, (_no_region(pump, held, co2),)
    best = int(np.argmin(np.where(usable, co2, np.inf)))
    good = usable & (co2 <= CO2_SLACK * co2[best])
    first = last = best
    while first > 0 and good[first - 1]:
        first -= 1
    while last + 1 < len(good) and good[last + 1]:
        last += 1
    low, high = float(PH_AXIS[first]), float(PH_AXIS[last])
    keep = low <= chamber.ph <= high
    suggested = float(np.clip(chamber.ph, low, high))
    reasons = [
        f"From pH {low:.2f} to {high:.2f} the CO2 used, all of which the tank has to pass on to "
        f"the air, stays within {CO2_SLACK - 1:.0%} of its least, {co2[best]:.2g} g a day."
    ]
    if pump is not None:
        reasons.append(
            f"There the needed flow lies inside the pump's limits with a chance of at least "
            f"{INSIDE_CHANCE:.0%}."
        )
    if first > 0 and PH_AXIS[first] <= MUSH_PH:
        reasons.append(
            f"Below about pH {MUSH_PH} media may turn to mush and clog (common practice, no "
            "source)."
        )
    place = "inside: keep it." if keep else f"outside: {suggested:.2f} is the least change."
    reasons.append(f"The present pH of {chamber.ph:.2f} lies {place}")
    return PhRange(low, high, suggested, keep), tuple(reasons)


def _no_region(pump: Reactor | None, held: Sequence[Held], co2: np.ndarray) -> str:
    """Why no chamber pH will do, with the remedy."""
    where = f"At no chamber pH from {MUSH_PH} to {PH_AXIS[-1]}"
    if pump is None:
        return f"{where} does media dissolve surely enough to plan with. Test an effluent first."
    needed = np.array([np.median(to_ml_h(one.needed_l_d)) for one in held])
    usable = PH_AXIS >= MUSH_PH
    text = (
        f"{where} does the needed flow lie inside the pump's limits ({pump.flow_min_ml_h:g} to "
        f"{pump.flow_max_ml_h:g} mL/h) with a chance of {INSIDE_CHANCE:.0%}. "
    )
    # The needed flow rises with pH: at the lowest it is as small as it gets.
    if needed[usable][0] > pump.flow_max_ml_h:
        return text + "Use a larger pump or a second chamber, or go on dosing part of the load."
    if needed[np.argmin(np.where(usable, co2, np.inf))] < pump.flow_min_ml_h:
        return text + "Use a smaller pump."
    return text + "Narrow the needed flow first: test tank and effluent again."


def _second(posterior: Posterior, chamber: Chamber, ph: float) -> SecondChamber | None:
    """A second chamber at the median of the effluent that holds the load."""
    if chamber.chambers > 1:
        return None
    held = held_at(posterior, chamber, ph)
    if _is_out_of_reach(held):
        return None
    gain = float(np.median(held.effluent_gain_meq_l))
    first = carbonate.effluent_of_alkalinity(chamber.tank, ph, chamber.tank.alkalinity_meq_l + gain)
    second = carbonate.second_chamber(chamber.tank, first)

    def pair(name: str) -> tuple[float, float]:
        return float(getattr(first, name)), float(getattr(second, name))

    return SecondChamber(
        chamber_ph=ph,
        effluent_meq_l=pair("alkalinity_meq_l"),
        effluent_ph=pair("ph_nbs"),
        free_co2_mmol_l=pair("free_co2_mmol_l"),
        co2_per_caco3=pair("co2_per_caco3"),
    )
