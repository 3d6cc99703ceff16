"""From draws to advice: the flow range, the setting, dose rates, media and CO2, or why not.

All of it is computed from the same draws, so ranges carry every source of uncertainty at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from estimator import units
from estimator.advice.ahead import Ahead, ahead_of
from estimator.advice.fit_failure import lacking
from estimator.fit.posterior import Posterior
from estimator.fit.state import TankState
from estimator.inputs.parameters import ALKALINITY, CALCIUM
from estimator.inputs.tank import Reactor, Tank
from estimator.remark import Remark
from estimator.unknowns import Unknown
from estimator.water.supply import LARGEST_FLOW_L_D

HORIZON_DAYS = 14
RANGE_RATIO_LIMIT = 4.0
"""The data cannot say what to set where the 95 % point of the needed flow is more than this many
times its 5 % point: a pump set anywhere in such a range can be off by a factor of two."""
PLANNED_RATIO_LIMIT = 8.0
"""The same for a reactor that is only planned: its effluent cannot be tested yet, and the range
serves to choose a pump, not to set one."""
LEAST_ELASTICITY = 0.1
"""Of supply by flow: a chamber at its limit would amplify without bound."""
FLOWS_TRIED = 60
"""Flows tried across the recommended range, at most about so many."""
NEAR_BEST = 0.005
"""Settings within this of the best probability count as equal (Monte Carlo error)."""
HOLDING_LIMIT = 0.2
"""No setting is recommended where even the best one stays in the band less surely than this,
though today's level is more likely in it than not."""
CO2_PER_CACO3 = (1.9, 0.2)
"""Moles of CO2 used per mole of CaCO3 dissolved: median and log sd of a lognormal. 1.5 to 2.5 over
saturations of 0.3 to 1 and chamber pH 6.3 to 6.7 (PyCO2SYS, see `carbonate`); leaks not counted."""
PLANNED_PUMP = Reactor(flow_min_ml_h=0.0, flow_max_ml_h=1e6, flow_step_ml_h=10.0)
"""Stands for the pump while the tank has no reactor."""

Forecast = Callable[[np.ndarray], np.ndarray]
"""From flows (f,), L/day, nothing being dosed, to the chance that each holds the band."""


@dataclass(frozen=True)
class Setting:
    """The recommended range and setting, mL/h, multiples of the pump's step."""

    low_ml_h: float
    high_ml_h: float
    set_to_ml_h: float


@dataclass(frozen=True)
class FlowAdvice:
    """All about the flow.

    Attributes:
        needed_ml_h: (s,) flow that would hold the middle of the band, nothing being dosed.
        current_ml_h: the pump's setting at the last entry; None where no reactor is logged.
        setting: None where withheld.
        in_band_probability: chance that every daily mean of the horizon is in the band at the
            recommended setting; None where withheld.
        dosed_beside_meq_d: alkalinity dosed meanwhile, which is none unless the setting is held
            back.
        current_probability: the same if everything goes on as now; None without a reactor.
        in_band_as_kit_reads, current_as_kit_reads: chances that every test of the tank in the
            horizon reads inside the band, by the kit, the hour and the rhythm of the log; misread
            tests are left out.
        read_every_days: that rhythm.
        level_in_band: chance that today's level is in the band.
        horizon_days: days ahead.
        shares: part of the variance of log needed flow by source; see `variance_shares`.
    """

    needed_ml_h: np.ndarray
    current_ml_h: float | None
    setting: Setting | None
    in_band_probability: float | None
    dosed_beside_meq_d: float
    current_probability: float | None
    in_band_as_kit_reads: float | None
    current_as_kit_reads: float | None
    read_every_days: int
    level_in_band: float
    horizon_days: int
    shares: Mapping[Unknown, float]


@dataclass(frozen=True)
class Recommendation:
    """What to tell the keeper.

    Attributes:
        status: "recommended" or "withheld".
        reasons: why it is withheld; empty otherwise.
        notes: what the keeper must know to use the advice.
        flow: see `FlowAdvice`.
        dose_ml_d: (s,) by solution: the rate that would hold the level without any reactor.
        dosed_meq_d: alkalinity being dosed at the last entry, lasting rates and recent doses.
        media_g_d, co2_g_d: (s,) use at the needed flow.
    """

    status: str
    reasons: tuple[Remark, ...]
    notes: tuple[Remark, ...]
    flow: FlowAdvice
    dose_ml_d: Mapping[str, np.ndarray]
    dosed_meq_d: float
    media_g_d: np.ndarray
    co2_g_d: np.ndarray


def to_ml_h(flow_l_d: np.ndarray) -> np.ndarray:
    """Pump setting from L/day."""
    return flow_l_d * 1000 / units.HOURS_PER_DAY


def to_l_d(flow_ml_h: np.ndarray) -> np.ndarray:
    """L/day from a pump setting."""
    return np.asarray(flow_ml_h) * units.HOURS_PER_DAY / 1000


def is_planned(posterior: Posterior) -> bool:
    """Whether the reactor has neither run nor had its effluent tested: nothing of it is known."""
    return posterior.last_run_flow_l_d is None and not posterior.effluent_tested


def calcium_is_high(posterior: Posterior, tank: Tank) -> bool:
    """Whether calcium is more likely above its band than not."""
    band, calcium = tank.targets.get(CALCIUM.name), posterior.calcium_now_mmol_l
    return band is not None and calcium is not None and bool(np.mean(calcium > band.high) > 0.5)


def recommend(posterior: Posterior, tank: Tank, seed: np.random.SeedSequence) -> Recommendation:
    """Advice from the posterior.

    Args:
        posterior: draws and checks.
        tank: for the pump, the band and the solutions.
        seed: for the drift within the horizon, and for the CO2 that the media takes.
    """
    state, band = posterior.state, tank.targets[ALKALINITY.name]
    pump = tank.reactor or PLANNED_PUMP
    drift_seed = int(np.random.default_rng(seed).integers(2**31))
    ahead = ahead_of(posterior, tank, HORIZON_DAYS, drift_seed)
    needed = to_ml_h(state.needed_flow_l_d)
    in_band = float(np.mean((state.level_meq_l >= band.low) & (state.level_meq_l <= band.high)))
    shares = variance_shares(state, posterior.shown_flow_l_d)
    current, current_probability, current_as_read = _as_now(posterior, ahead)
    reasons = tuple(_reasons_before_trying(posterior, needed, shares, tank))
    setting = probability = as_read = None
    if not reasons:
        low, high = _round_outward(needed, pump)
        middle = None if in_band >= 0.5 else float(np.median(needed))
        best = _best_setting(pump, low, high, ahead.holds, middle)
        judge = in_band >= 0.5 and not is_planned(posterior)
        reasons = tuple(_reasons_after_trying(best, shares, pump, judge=judge))
        if best is not None and not reasons:
            setting, probability = Setting(low, high, best[0]), best[1]
            as_read = ahead.reads(float(to_l_d(np.array(best[0]))))
    media_g_d = state.load_meq_d / 2 * units.CACO3_G_MOL / 1000
    return Recommendation(
        status="withheld" if reasons else "recommended",
        reasons=reasons,
        notes=tuple(_notes(posterior, tank, in_band, given=setting is not None)),
        flow=FlowAdvice(
            needed_ml_h=needed,
            current_ml_h=current,
            setting=setting,
            in_band_probability=probability,
            dosed_beside_meq_d=0.0,
            current_probability=current_probability,
            in_band_as_kit_reads=as_read,
            current_as_kit_reads=current_as_read,
            read_every_days=ahead.tests.every_d,
            level_in_band=in_band,
            horizon_days=HORIZON_DAYS,
            shares=shares,
        ),
        dose_ml_d=_dose_rates(posterior, tank),
        dosed_meq_d=posterior.dosed_meq_d,
        media_g_d=media_g_d,
        co2_g_d=_usual_co2(media_g_d, drift_seed + 1),
    )


def variance_shares(state: TankState, flow_l_d: float) -> dict[Unknown, float]:
    """Which source makes the needed flow uncertain: covariance with log needed flow, in parts.

    log F = log U + log V − log X, the increment X being that at the flow F itself. Log U, log V and
    log X at the flow of now count as the mean of 1 / `SupplyLaw.elasticity` amplifies them, what is
    left counts as flow response; each term's covariance with the sum over the sum's variance adds
    up to 1 (a term that offsets another may be negative).

    Args:
        state: the tank now; draws that take up nothing need no flow and are left out.
        flow_l_d: the flow of now.
    """
    positive = state.uptake_meq_l_d > 0
    total = np.log(np.maximum(state.needed_flow_l_d[positive], 1e-12))
    if len(total) < 2 or np.var(total) == 0:
        return {Unknown.UPTAKE: 1.0}
    law = state.law.each(lambda draws: draws[positive])
    amplified = float(np.mean(1 / np.maximum(law.elasticity(flow_l_d), LEAST_ELASTICITY)))
    parts = {
        Unknown.UPTAKE: amplified * np.log(state.uptake_meq_l_d[positive]),
        Unknown.VOLUME: amplified * np.log(law.volume_l),
        Unknown.EFFLUENT: amplified * -np.log(law.increment_at(flow_l_d, law.middle_meq_l)),
    }
    parts[Unknown.FLOW_RESPONSE] = total - sum(parts.values())
    centred, variance = total - total.mean(), np.var(total)
    return {
        source: float(np.mean((part - part.mean()) * centred) / variance)
        for source, part in parts.items()
    }


def _as_now(posterior: Posterior, ahead: Ahead) -> tuple[float | None, float | None, float | None]:
    """The pump's setting now, mL/h, and the chances that the band is held, and that tests read so,
    if all goes on as it is."""
    if posterior.last_run_flow_l_d is None:
        return None, None, None
    flow, dosed = posterior.present_flow_l_d, posterior.dosed_meq_d
    chance = float(ahead.holds(np.array([flow]), dosed)[0])
    return float(to_ml_h(np.array(flow))), chance, ahead.reads(flow, dosed)


def _round_outward(needed_ml_h: np.ndarray, pump: Reactor) -> tuple[float, float]:
    """5 and 95 % points of the needed flow, rounded outward to the pump's step."""
    low, high = np.quantile(needed_ml_h, [0.05, 0.95])
    step = pump.flow_step_ml_h
    return float(np.floor(low / step + 1e-9) * step), float(np.ceil(high / step - 1e-9) * step)


def _best_setting(
    pump: Reactor, low: float, high: float, forecast: Forecast, middle: float | None
) -> tuple[float, float] | None:
    """The setting within [low, high] and the pump's limits that stays in the band most surely.

    Settings that do equally well form a run; its middle is taken.

    Args:
        pump: its limits and step.
        low, high: ends of the range, mL/h.
        forecast: see `Forecast`.
        middle: given where today's level is more likely out of the band than in: staying in it is
            not to be had, and this flow, mL/h, holds the band once the level is put right.

    Returns:
        (setting mL/h, probability), or None where no step of the pump lies within range and limits.
    """
    step = pump.flow_step_ml_h
    first = np.ceil(max(low, pump.flow_min_ml_h) / step - 1e-9)
    last = np.floor(min(high, pump.flow_max_ml_h) / step + 1e-9)
    if last < first:
        return None
    if middle is not None:
        wanted = middle / step
    else:
        stride = max(1.0, np.ceil((last - first) / FLOWS_TRIED))
        multiples = np.unique(np.append(np.arange(first, last + 1, stride), last))
        chances = forecast(to_l_d(multiples * step))
        good = multiples[chances >= chances.max() - NEAR_BEST]
        wanted = 0.5 * (good[0] + good[-1])
    chosen = np.clip(np.round(wanted), first, last) * step
    return float(chosen), float(forecast(to_l_d(np.array([chosen])))[0])


def _reasons_before_trying(
    posterior: Posterior, needed: np.ndarray, shares: Mapping[Unknown, float], tank: Tank
) -> Iterator[Remark]:
    """Why no setting can be recommended, whatever holds the band; needed flow (s,) in mL/h."""
    if failures := posterior.diagnostics.failures:
        told = {"failures": failures, "source": lacking(posterior.diagnostics)}
        yield Remark("withheld_fit_failed", told)
    if posterior.effluent_tested and posterior.last_run_flow_l_d is None:
        never = "withheld_flow_zero" if posterior.flow_logged else "withheld_flow_not_logged"
        yield Remark(never)
    low, high = np.quantile(needed, [0.05, 0.95])
    limit = PLANNED_RATIO_LIMIT if is_planned(posterior) else RANGE_RATIO_LIMIT
    pump, beyond = tank.reactor, float(np.mean(needed >= to_ml_h(np.array(LARGEST_FLOW_L_D))))
    if low <= 0 or np.median(posterior.uptake_now_meq_l_d) <= 0:
        yield Remark("withheld_no_uptake", {"source": Unknown.UPTAKE})
    elif beyond > 0.5:
        yield Remark("withheld_chamber_too_small")
    elif beyond > 0.05:
        yield Remark("withheld_chamber_at_limit", {"chance": beyond, "source": _largest(shares)})
    elif high > limit * low:
        yield Remark("withheld_wide_range", {"ratio": high / low, "source": _largest(shares)})
    elif pump is not None:
        if np.mean(needed > pump.flow_max_ml_h) > 0.5:
            yield Remark("withheld_pump_too_small", {"flow_max_ml_h": pump.flow_max_ml_h})
        if np.mean(needed < pump.flow_min_ml_h) > 0.5:
            yield Remark("withheld_pump_too_large", {"flow_min_ml_h": pump.flow_min_ml_h})


def _reasons_after_trying(
    best: tuple[float, float] | None, shares: Mapping[Unknown, float], pump: Reactor, *, judge: bool
) -> Iterator[Remark]:
    """Why not even the best setting will do.

    Args:
        best: the setting and its chance of holding the band, see `_best_setting`.
        shares: see `variance_shares`.
        pump: its limits and step.
        judge: whether the chance counts: not for a level out of the band, nor for a planned
            reactor, whose range is for choosing a pump.
    """
    if best is None:
        yield Remark(
            "withheld_no_setting_in_range",
            {
                "flow_min_ml_h": pump.flow_min_ml_h,
                "flow_max_ml_h": pump.flow_max_ml_h,
                "flow_step_ml_h": pump.flow_step_ml_h,
            },
        )
    elif judge and best[1] < HOLDING_LIMIT:
        yield Remark("withheld_nothing_holds", {"source": _largest(shares)})


def _largest(shares: Mapping[Unknown, float]) -> Unknown:
    return max(shares, key=lambda source: shares[source])


def _notes(posterior: Posterior, tank: Tank, in_band: float, *, given: bool) -> Iterator[Remark]:
    """What the advice depends on; `given` where there is a setting."""
    band = tank.targets[ALKALINITY.name]
    if posterior.net_change:
        yield Remark("note_net_change")
    if given and posterior.dosed_meq_d > 0:
        rise = float(np.median(posterior.dosed_meq_d / posterior.volume_l))
        yield Remark("note_dosing_must_stop", {"rise_meq_l_d": rise})
    if in_band < 0.5:
        below = bool(np.median(posterior.alkalinity_now_meq_l) < band.low)
        yield Remark("note_out_of_band", {"below": below, "setting_given": given})
    if calcium_is_high(posterior, tank):
        yield Remark("note_calcium_high")
    steps = [kit.step for kit in tank.kits.values() if kit.parameter == ALKALINITY.name]
    if steps and band.high - band.low < 2 * min(steps):
        yield Remark("note_narrow_band")
    if is_planned(posterior):
        yield Remark("note_planned")


def _dose_rates(posterior: Posterior, tank: Tank) -> dict[str, np.ndarray]:
    """mL/day (s,) of each solution that alone puts back the alkalinity, or else the calcium."""
    calcium = np.clip(posterior.calcium_uptake_now_mmol_l_d, 0.0, None) * posterior.volume_l
    rates = {}
    for name, solution in tank.solutions.items():
        if solution.alkalinity_meq_per_ml > 0:
            rates[name] = posterior.state.load_meq_d / solution.alkalinity_meq_per_ml
        elif solution.calcium_mmol_per_ml > 0:
            rates[name] = calcium / solution.calcium_mmol_per_ml
    return rates


def _usual_co2(media_g_d: np.ndarray, seed: int) -> np.ndarray:
    """CO2 (s,), g/day, that usual chambers take to dissolve so much media."""
    median, log_sd = CO2_PER_CACO3
    ratio = median * np.exp(log_sd * np.random.default_rng(seed).standard_normal(len(media_g_d)))
    return media_g_d / units.CACO3_G_MOL * units.CO2_G_MOL * ratio
