"""Chamber pH against flow: what each pair supplies, what CO2 it costs, and where to work.

`advice.chamber` says what one chamber pH gives; here the pump, the band and the CO2 decide.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from estimator import units
from estimator.advice.chamber import (
    LEAST_INCREMENT_MEQ_L,
    Chamber,
    Held,
    Range,
    held_at,
    range_of,
)
from estimator.advice.flow import HORIZON_DAYS, is_planned, to_l_d, to_ml_h
from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import Reactor, Tank
from estimator.remark import Remark
from estimator.water import carbonate

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
"""Share of draws that cannot carry the load from which no flow is stated."""
NEAR_SATURATION = 0.2
"""Share of draws at saturation from which it is told that a slower pump makes effluent no
stronger."""


@dataclass(frozen=True)
class WorkingPoint:
    """One chamber pH, the load held.

    Attributes:
        chamber_ph: NBS; `is_present` marks the one that is set now.
        needed_ml_h: flow that holds the middle of the band. All but `inside_chance` are None from
            here on where the chamber may not carry the load at any flow.
        effluent_meq_l: alkalinity of the effluent at that flow.
        effluent_ph: NBS, as it leaves the last chamber.
        co2_g_d: CO2 used, all of which the tank has to pass on to the air; leaks not counted.
        free_co2_mmol_l: dissolved CO2 of the effluent.
        free_co2_g_d: CO2 that reaches the tank as dissolved gas.
        pump_share: median needed flow as a share of the pump's largest; None without a pump.
        inside_chance: chance that the needed flow lies inside the pump's limits.
        cautions: what to know of it.
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
    cautions: tuple[Remark, ...]


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
        co2_g_d: (p,) median CO2 used at the needed flow; infinite where no flow may carry the load.
        points: the short table, by rising pH.
        region: where to work; None where no pH will do.
        reasons: for `region`, or for its absence with the remedy.
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
    reasons: tuple[Remark, ...]
    second: SecondChamber | None
    present_ph: float
    ph_known: bool
    from_priors: bool


def chamber_trade(posterior: Posterior, tank: Tank, chamber: Chamber) -> ChamberTrade:
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
    flows = _flow_axis(held_at(posterior, chamber, chamber.ph), pump)
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
    middle = max(float(np.median(to_ml_h(present.flow_l_d))), 1e-3)
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

    The level starts at the middle of the band.
    """
    law = held.law.each(lambda draws: draws[:, None])
    uptake = posterior.uptake_at_middle_meq_l_d[:, None]
    supply = law.supply_meq_d(flow_l_d, law.middle_meq_l) / law.volume_l
    ratio = np.median(supply / np.maximum(uptake, 1e-9), axis=0)
    level = law.advance(law.middle_meq_l, flow_l_d, -uptake, days=HORIZON_DAYS)
    band = tank.targets[ALKALINITY.name]
    return ratio, np.mean((level >= band.low) & (level <= band.high), axis=0)


def _point(posterior: Posterior, chamber: Chamber, pump: Reactor | None, ph: float) -> WorkingPoint:
    held = held_at(posterior, chamber, ph)
    needed, inside = to_ml_h(held.needed_l_d), _inside_chance(held, pump)
    out_of_reach = _is_out_of_reach(held)

    def shown(draws: np.ndarray) -> Range | None:
        return None if out_of_reach else range_of(draws)

    share = shown(needed / pump.flow_max_ml_h) if pump else None
    return WorkingPoint(
        chamber_ph=ph,
        is_present=ph == round(chamber.ph, 2),
        needed_ml_h=shown(needed),
        effluent_meq_l=shown(posterior.middle_meq_l + held.increment_meq_l),
        effluent_ph=shown(held.effluent_ph),
        co2_g_d=shown(_co2_g_d(held)),
        free_co2_mmol_l=shown(held.free_co2_mmol_l),
        free_co2_g_d=shown(held.free_co2_mmol_d / 1000 * units.CO2_G_MOL),
        pump_share=None if share is None else share.q50,
        inside_chance=inside,
        cautions=tuple(_cautions(held, pump, ph, inside)),
    )


def _cautions(held: Held, pump: Reactor | None, ph: float, inside: float) -> Iterator[Remark]:
    """What to know of one chamber pH."""
    if ph < MUSH_PH:
        yield Remark("chamber_mush", {"ph": MUSH_PH})
    if _is_out_of_reach(held):
        dissolves = np.median(held.law.saturated_meq_l) > LEAST_INCREMENT_MEQ_L
        yield Remark("chamber_cannot_carry" if dissolves else "chamber_hardly_dissolves")
        return
    if np.mean(held.at_ceiling) > NEAR_SATURATION:
        yield Remark("chamber_near_saturation")
    if pump is not None and inside < INSIDE_CHANCE:
        needed = to_ml_h(held.needed_l_d)
        too_large = np.mean(needed > pump.flow_max_ml_h) > np.mean(needed < pump.flow_min_ml_h)
        yield Remark("chamber_needs_above_pump" if too_large else "chamber_needs_below_pump")


def _region(
    chamber: Chamber,
    pump: Reactor | None,
    held: Sequence[Held],
    inside: np.ndarray,
    co2: np.ndarray,
) -> tuple[PhRange | None, tuple[Remark, ...]]:
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
    suggested = float(np.clip(chamber.ph, low, high))
    region = PhRange(low, high, suggested, keep_present=low <= chamber.ph <= high)
    least = {"slack": CO2_SLACK - 1, "least_co2_g_d": float(co2[best])}
    reasons = [Remark("chamber_least_co2", {"low_ph": low, "high_ph": high, **least})]
    if pump is not None:
        reasons.append(Remark("chamber_inside_pump", {"chance": INSIDE_CHANCE}))
    if first > 0 and low <= MUSH_PH:
        reasons.append(Remark("chamber_mush", {"ph": MUSH_PH}))
    stands = "chamber_keep_ph" if region.keep_present else "chamber_change_ph"
    reasons.append(Remark(stands, {"present_ph": chamber.ph, "suggested_ph": suggested}))
    return region, tuple(reasons)


def _no_region(pump: Reactor | None, held: Sequence[Held], co2: np.ndarray) -> Remark:
    """Why no chamber pH will do, with the remedy."""
    span = {"low_ph": MUSH_PH, "high_ph": float(PH_AXIS[-1])}
    if pump is None:
        return Remark("chamber_no_ph_dissolves", span)
    usable = PH_AXIS >= MUSH_PH
    needed = np.array([np.median(to_ml_h(one.needed_l_d)) for one in held])
    code = "chamber_no_ph_is_sure"
    # The needed flow rises with pH: at the lowest it is as small as it gets.
    if needed[usable][0] > pump.flow_max_ml_h:
        code = "chamber_pump_too_small"
    elif needed[np.argmin(np.where(usable, co2, np.inf))] < pump.flow_min_ml_h:
        code = "chamber_pump_too_large"
    limits = {"flow_min_ml_h": pump.flow_min_ml_h, "flow_max_ml_h": pump.flow_max_ml_h}
    return Remark(code, {**span, **limits, "chance": INSIDE_CHANCE})


def _second(posterior: Posterior, chamber: Chamber, ph: float) -> SecondChamber | None:
    """A second chamber at the median of the effluent that holds the load."""
    if chamber.chambers > 1:
        return None
    held = held_at(posterior, chamber, ph)
    if _is_out_of_reach(held):
        return None
    leaves = chamber.tank.alkalinity_meq_l + float(np.median(held.increment_meq_l))
    first = carbonate.effluent_of_alkalinity(chamber.tank, ph, leaves)
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
