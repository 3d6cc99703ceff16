"""From draws to advice: the flow range, the setting, dose rates, media and CO2, or why not.

All of it is computed from the same draws, so ranges carry every source of uncertainty at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from estimator import units
from estimator.fit.forecast import hold_chances
from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import ALKALINITY, CALCIUM
from estimator.inputs.tank import Reactor, Tank, Target

HORIZON_DAYS = 14
RANGE_RATIO_LIMIT = 4.0
"""The data cannot say what to set where the 95 % point of the needed flow is more than this many
times its 5 % point: a pump set anywhere in such a range can be off by a factor of two."""
PLANNED_RATIO_LIMIT = 8.0
"""The same for a reactor that is only planned: its effluent cannot be tested yet, and the range
serves to choose a pump, not to set one."""
CANDIDATES = 60
"""Flows tried across the recommended range before the best neighbourhood is tried step by step."""
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
            recommended setting, nothing being dosed; None where withheld.
        current_probability: the same if everything goes on as now; None without a reactor.
        level_in_band: chance that today's level is in the band.
        horizon_days: days ahead.
        shares: part of the variance of log needed flow by source: "uptake", "effluent strength",
            "water volume", "flow response"; they add up to 1.
    """

    needed_ml_h: np.ndarray
    current_ml_h: float | None
    setting: Setting | None
    in_band_probability: float | None
    current_probability: float | None
    level_in_band: float
    horizon_days: int
    shares: Mapping[str, float]


@dataclass(frozen=True)
class Recommendation:
    """What to tell the keeper.

    Attributes:
        status: "recommended" or "withheld".
        reasons: why it is withheld, each with its remedy; empty otherwise.
        notes: what the keeper must know to use the advice, in plain sentences.
        flow: see `FlowAdvice`.
        dose_ml_d: (s,) by solution: the rate that would hold the level without any reactor.
        dosed_meq_d: alkalinity being dosed at the last entry, lasting rates and recent doses.
        media_g_d, co2_g_d: (s,) use at the needed flow.
    """

    status: str
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
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


def variance_shares(posterior: Posterior) -> dict[str, float]:
    """Which source makes the needed flow uncertain: covariance with log needed flow, in parts.

    log F = [log U + log V − log X + …]/(1 − ε). The first three terms count as the mean of
    1/(1 − ε) amplifies them, what is left counts as flow response; each term's covariance with the
    sum over the sum's variance adds up to 1 (a term that offsets another may be negative).
    """
    positive = posterior.uptake_now_meq_l_d > 0
    if positive.sum() < 2:
        return {"uptake": 1.0}
    pick = {
        "uptake": np.log(posterior.uptake_now_meq_l_d[positive]),
        "water volume": np.log(posterior.volume_l[positive]),
        "effluent strength": -np.log(posterior.effluent_gain_meq_l[positive]),
    }
    total = np.log(np.maximum(posterior.needed_flow_l_d[positive], 1e-12))
    if posterior.reference_flow_l_d is not None:
        amplified = float(np.mean(1 / (1 - posterior.exponent)))
        pick = {name: amplified * x for name, x in pick.items()}
    pick["flow response"] = total - sum(pick.values())
    variance = np.var(total)
    if variance == 0:
        return {"uptake": 1.0}
    centred = total - total.mean()
    return {name: float(np.mean((x - x.mean()) * centred) / variance) for name, x in pick.items()}


_REMEDIES = {
    "uptake": "test tank alkalinity again every second or third day for two weeks, and log every "
    "dose and water change",
    "effluent strength": "test the effluent's alkalinity, twice, with the kit used for the tank",
    "water volume": "measure the water volume better",
    "flow response": "let the pump run near the needed flow and test the effluent there",
}


def _round_outward(needed_ml_h: np.ndarray, pump: Reactor) -> tuple[float, float]:
    """5 and 95 % points of the needed flow, rounded outward to the pump's step."""
    low, high = np.quantile(needed_ml_h, [0.05, 0.95])
    step = pump.flow_step_ml_h
    return float(np.floor(low / step + 1e-9) * step), float(np.ceil(high / step - 1e-9) * step)


def _drift_noise(posterior: Posterior, seed: int) -> np.ndarray:
    """(days, s, 2) standard normal, for the drift of uptake and effluent over the horizon."""
    shape = (HORIZON_DAYS, 2, len(posterior.volume_l))
    return np.random.default_rng(seed).standard_normal(shape).transpose(0, 2, 1).copy()


def _choose(
    posterior: Posterior, pump: Reactor, target: Target, low: float, high: float, seed: int
) -> tuple[float, float] | None:
    """The setting within [low, high] and the pump's limits that stays in the band most surely.

    Settings that do equally well form a run; its middle is taken. Where today's level is more
    likely out of the band than in, staying in it is not to be had: the middle of the needed flow is
    taken, which holds the band once the level is put right.

    Returns:
        (setting mL/h, probability), or None where no step of the pump lies within range and limits.
    """
    step = pump.flow_step_ml_h
    first = np.ceil(max(low, pump.flow_min_ml_h) / step - 1e-9)
    last = np.floor(min(high, pump.flow_max_ml_h) / step + 1e-9)
    if last < first:
        return None

    def probability(multiples: np.ndarray) -> np.ndarray:
        flows = to_l_d(multiples * step)
        return hold_chances(posterior.state, flows, target, _drift_noise(posterior, seed))[0]

    alkalinity = posterior.alkalinity_now_meq_l
    if np.mean((alkalinity >= target.low) & (alkalinity <= target.high)) < 0.5:
        median = float(np.median(to_ml_h(posterior.needed_flow_l_d)))
        chosen = np.clip(np.round(median / step), first, last)
        return float(chosen * step), float(probability(np.array([chosen]))[0])
    stride = max(1.0, np.ceil((last - first) / CANDIDATES))
    multiples = np.unique(np.append(np.arange(first, last + 1, stride), last))
    chances = probability(multiples)
    good = multiples[chances >= chances.max() - NEAR_BEST]
    chosen = np.clip(np.round(0.5 * (good[0] + good[-1])), first, last)
    return float(chosen * step), float(probability(np.array([chosen]))[0])


def recommend(posterior: Posterior, tank: Tank, seed: np.random.SeedSequence) -> Recommendation:
    """Advice from the posterior.

    Args:
        posterior: draws and checks.
        tank: for the pump, the band and the solutions.
        seed: for the drift within the horizon.
    """
    target = tank.targets[ALKALINITY.name]
    pump = tank.reactor or PLANNED_PUMP
    draw_seed = int(np.random.default_rng(seed).integers(2**31))
    needed = to_ml_h(posterior.needed_flow_l_d)
    dosed = posterior.dosed_meq_d
    alkalinity = posterior.alkalinity_now_meq_l
    inside = float(np.mean((alkalinity >= target.low) & (alkalinity <= target.high)))
    shares = variance_shares(posterior)
    reasons = _withhold(posterior, needed, shares, tank)
    current = current_probability = None
    if posterior.reference_flow_l_d is not None:
        current = float(to_ml_h(np.array(posterior.present_flow_l_d)))
        noise, flows = _drift_noise(posterior, draw_seed), np.array([posterior.present_flow_l_d])
        future = hold_chances(posterior.state, flows, target, noise, dosed_meq_d=dosed)
        current_probability = float(future[0, 0])
    setting = probability = None
    if not reasons:
        low, high = _round_outward(needed, pump)
        chosen = _choose(posterior, pump, target, low, high, draw_seed)
        reasons = _cannot_hold(chosen, inside, shares, is_planned(posterior), pump)
        if chosen is not None and not reasons:
            set_to, probability = chosen
            setting = Setting(low, high, set_to)
    load_meq_d = np.clip(posterior.uptake_now_meq_l_d, 0.0, None) * posterior.volume_l
    calcium_mmol_d = np.clip(posterior.calcium_uptake_now_mmol_l_d, 0.0, None) * posterior.volume_l
    media = load_meq_d / 2 * units.CACO3_G_MOL / 1000
    rng = np.random.default_rng(draw_seed + 1)
    ratio = CO2_PER_CACO3[0] * np.exp(CO2_PER_CACO3[1] * rng.standard_normal(len(media)))
    return Recommendation(
        status="withheld" if reasons else "recommended",
        reasons=reasons,
        notes=_notes(posterior, tank, inside, target, given=setting is not None),
        flow=FlowAdvice(
            needed_ml_h=needed,
            current_ml_h=current,
            setting=setting,
            in_band_probability=probability,
            current_probability=current_probability,
            level_in_band=inside,
            horizon_days=HORIZON_DAYS,
            shares=shares,
        ),
        dose_ml_d=_dose_rates(tank, load_meq_d, calcium_mmol_d),
        dosed_meq_d=dosed,
        media_g_d=media,
        co2_g_d=media / units.CACO3_G_MOL * units.CO2_G_MOL * ratio,
    )


def _dose_rates(
    tank: Tank, load_meq_d: np.ndarray, calcium_mmol_d: np.ndarray
) -> dict[str, np.ndarray]:
    """mL/day (s,) of each solution that alone puts back the alkalinity, or else the calcium."""
    rates = {}
    for name, solution in tank.solutions.items():
        if solution.alkalinity_meq_per_ml > 0:
            rates[name] = load_meq_d / solution.alkalinity_meq_per_ml
        elif solution.calcium_mmol_per_ml > 0:
            rates[name] = calcium_mmol_d / solution.calcium_mmol_per_ml
    return rates


def is_planned(posterior: Posterior) -> bool:
    """Whether the reactor has neither run nor had its effluent tested: nothing of it is known."""
    return posterior.reference_flow_l_d is None and not posterior.effluent_tested


def _cannot_hold(
    chosen: tuple[float, float] | None,
    inside: float,
    shares: Mapping[str, float],
    planned: bool,
    pump: Reactor,
) -> tuple[str, ...]:
    """Why not even the best setting will do; a planned reactor's range is for choosing a pump."""
    if chosen is None:
        return (
            f"No setting of the pump ({pump.flow_min_ml_h:g} to {pump.flow_max_ml_h:g} mL/h in "
            f"steps of {pump.flow_step_ml_h:g}) lies in the range that the tank needs. Use a pump "
            "that reaches it.",
        )
    if not planned and inside >= 0.5 and chosen[1] < HOLDING_LIMIT:
        main = max(shares, key=lambda name: shares[name])
        return (
            "No flow is likely enough to hold the band for the next days, mostly because of "
            f"{main}. To narrow it, {_REMEDIES[main]}.",
        )
    return ()


def _withhold(
    posterior: Posterior, needed: np.ndarray, shares: Mapping[str, float], tank: Tank
) -> tuple[str, ...]:
    """Reasons not to recommend any setting, each with its remedy."""
    reasons = []
    if posterior.diagnostics.failures:
        reasons.append(
            "The fit did not pass its own checks: "
            + "; ".join(posterior.diagnostics.failures)
            + ". Run the report again with another --seed; if it fails again, look for entries "
            "that contradict each other in the list of readings."
        )
    if posterior.effluent_tested and posterior.reference_flow_l_d is None:
        reasons.append(
            "The log has effluent readings but no flow, so how much the reactor adds is unknown. "
            "Log the pump's setting as `flow`, from the day it was set."
        )
    planned = is_planned(posterior)
    low, high = np.quantile(needed, [0.05, 0.95])
    main = max(shares, key=lambda name: shares[name])
    if low <= 0 or np.median(posterior.uptake_now_meq_l_d) <= 0:
        reasons.append(
            "The log does not show that the tank takes up any alkalinity: the needed flow may be "
            f"zero. To settle it, {_REMEDIES['uptake']}."
        )
    elif high > (PLANNED_RATIO_LIMIT if planned else RANGE_RATIO_LIMIT) * low:
        reasons.append(
            f"The data cannot say yet: the needed flow may be {high / low:.0f} times larger at one "
            f"end of its range than at the other, mostly because of {main}. "
            f"To narrow it, {_REMEDIES[main]}."
        )
    elif tank.reactor is not None:
        pump = tank.reactor
        if np.mean(needed > pump.flow_max_ml_h) > 0.5:
            reasons.append(
                f"The pump's limit of {pump.flow_max_ml_h:g} mL/h is most likely below the needed "
                "flow. Use a larger pump, a lower chamber pH or a second chamber, or go on dosing "
                "part of the load."
            )
        if np.mean(needed < pump.flow_min_ml_h) > 0.5:
            reasons.append(
                f"The pump's smallest flow of {pump.flow_min_ml_h:g} mL/h most likely gives more "
                "than the tank takes up. Raise the chamber pH so that the effluent is weaker, or "
                "use a smaller pump."
            )
    return tuple(reasons)


def calcium_is_high(posterior: Posterior, tank: Tank) -> bool:
    """Whether calcium is more likely above its band than not."""
    band, calcium = tank.targets.get(CALCIUM.name), posterior.calcium_now_mmol_l
    return band is not None and calcium is not None and bool(np.mean(calcium > band.high) > 0.5)


def _notes(
    posterior: Posterior, tank: Tank, inside: float, target: Target, *, given: bool
) -> tuple[str, ...]:
    """Plain sentences that the advice depends on; `given` where there is a setting."""
    notes = []
    if posterior.net_change:
        notes.append(
            "No addition of alkalinity is in the log, so only the net change can be seen: uptake "
            "here is uptake less whatever was added. Any flow given here comes on top of what is "
            "being added now: stop no dosing on the strength of it. Log every dose to learn the "
            "whole uptake."
        )
    if given and posterior.dosed_meq_d > 0:
        rise = float(np.median(posterior.dosed_meq_d / posterior.volume_l))
        shown = ALKALINITY.from_canonical(rise, target.unit)
        notes.append(
            "The flow given here carries the whole load, so the dosing still in the log has to "
            f"stop when it is set. With both, alkalinity would rise by about {shown:.2g} "
            f"{target.unit} a day at first. Hand over in steps, testing between them."
        )
    if inside < 0.5:
        side = "below" if np.median(posterior.alkalinity_now_meq_l) < target.low else "above"
        notes.append(
            f"Alkalinity is most likely {side} the band now."
            + (
                " The setting holds the middle of the band once the level has been brought back "
                "slowly; it does not correct the level quickly by itself."
                if given
                else " Bring it back slowly."
            )
        )
    if calcium_is_high(posterior, tank):
        notes.append(
            "Calcium is most likely above its band: leave out what adds calcium alone until a test "
            "shows it in the band again."
        )
    steps = [kit.step for kit in tank.kits.values() if kit.parameter == ALKALINITY.name]
    if steps and target.high - target.low < 2 * min(steps):
        notes.append(
            "The band is narrower than two steps of the alkalinity kit: no test can tell whether "
            "the level is inside it. Widen the band or use a finer kit."
        )
    if is_planned(posterior):
        notes.append(
            "No reactor flow and no effluent reading are in the log. The flow is for a planned "
            "reactor, from what chamber chemistry usually gives. Once it runs, test its effluent "
            "and run the report again."
        )
    return tuple(notes)
