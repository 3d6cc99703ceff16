"""What the search is for: flows to begin with and to end at, the middle tank, the minutes."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from estimator.advice.chamber import FASTEST
from estimator.advice.flow import to_l_d
from estimator.fit.jumps import DAILY_CHANCE, EFFLUENT, SIZE_SD, UPTAKE
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import USUAL_MINUTES
from estimator.plan.belief import Belief
from estimator.plan.course import REPORT_STEPS
from estimator.plan.futures import Futures
from estimator.plan.ground import Ground, kit_of
from estimator.plan.means import settable_flow
from estimator.plan.search import AHEAD_DAYS, LEAD_DAYS, Reports, Task

OPENING = (0.12, 0.25)
"""Parts of the load that the first setting of a reactor may carry, as far as chemistry foretells:
its effluent has never been tested."""
WAY = (0.25, 0.5, 0.75, 1.0)
"""Parts of the way to its end that today's setting of a hand-over may go."""
FURTHEST_UNTESTED = 3.0
"""While the flow that will carry the load cannot be said, a plan goes up to this many times the
present flow, and the effluent is tested there. So far from a test the supply law may tell the
effluent up to 8 % too strong or 17 % too weak, as media dissolve by an order of 1 to 2 (computed
with PHREEQC, `tests/published/test_supply_law.py`)."""
REPORT_DAYS = {
    "check": (1,),
    "untested": (1,),
    "correct": (1, 2, 3),
    "hand_over": (4,),
    "hold": (3, 4),
    "dose": (4, 7),
}
"""From the first step to the next report, by what a plan is for."""
GOES_ON = 0.8
"""Chance of a level in the band from which a hand-over goes on."""


def task_of(ground: Ground, futures: Futures, phase: str) -> Task:
    """What the search is for."""
    means = ground.means
    band = ground.tank.targets[ALKALINITY.name]
    belief = _belief(ground, futures)
    final = _final_l_d(ground) if means.reactor else None
    running = phase in ("untested", "hand_over")
    dosed = means.present_meq_d > 0
    flows = _flows(ground, belief, final, ladder=running)
    if ground.unwritten:
        flows = [means.present_l_d]
    highest = float(to_l_d(np.array(means.pump.flow_max_ml_h))) if means.reactor else 0.0
    if ground.recommendation.flow.setting is None and means.present_l_d > 0:
        highest = min(highest, FURTHEST_UNTESTED * means.present_l_d)
    if ground.most_ml_h is not None:
        highest = min(highest, float(to_l_d(np.array(ground.most_ml_h))))
        final = None if final is None else min(final, highest)
    flows = [flow for flow in flows if flow <= highest + 1e-9] or [means.present_l_d]
    most = float(belief.law.supply_meq_d(highest, band.middle)) if highest > 0 else 0.0
    doses = bool(means.ml_per_meq) and (
        dosed or not means.reactor or means.present_l_d == 0 or most < belief.load_meq_d
    )
    kit = kit_of(ground)
    minutes = np.inf if kit is None else kit.minutes or USUAL_MINUTES
    return Task(
        means=means,
        belief=belief,
        band=band,
        flows_l_d=tuple(flows),
        ladder_to_l_d=final if running else None,
        first_only=phase == "untested",
        highest_l_d=highest,
        doses=doses,
        dose_stays=ground.unwritten,
        minutes=minutes,
        minutes_per_week=_for_the_rule(ground, ground.minutes_per_week, minutes),
        reports=_reports(ground, phase, minutes),
        with_effluent=_with_effluent(ground),
    )


def _belief(ground: Ground, futures: Futures) -> Belief:
    """The middle tank; what is unsure of the net supply is filled in by course."""
    state, band = futures.state, ground.tank.targets[ALKALINITY.name]
    law = state.law.median()
    calibration = float(np.median(futures.calibration))
    uptake = float(np.median(state.uptake_meq_l_d))
    # A linear filter is best off to take what changes at once for a walk of the same variance.
    wander = np.mean(state.uptake_drift_meq_l_d**2)
    wander += DAILY_CHANCE * (SIZE_SD[UPTAKE] * uptake) ** 2
    weakens = np.mean(state.effluent_drift**2) + DAILY_CHANCE * SIZE_SD[EFFLUENT] ** 2
    step = futures.kit_step_meq_l
    noise = float(np.median(futures.repeatability_meq_l)) ** 2 + step**2 / 12
    return Belief(
        law=law,
        level_meq_l=float(np.median(state.level_meq_l)),
        uptake_meq_l_d=uptake,
        calibration=calibration,
        below_mean_meq_l=float(np.median(futures.below_mean_d * state.uptake_meq_l_d)),
        spread=np.zeros((1, 3, 3)),
        uptake_drift=float(np.sqrt(wander)),
        effluent_drift=float(np.sqrt(weakens)),
        reading_sd=float(np.sqrt(noise)),
        aim_meq_l=band.middle,
    )


def _final_l_d(ground: Ground) -> float | None:
    """The flow that a hand-over ends at, as far as can be said, L/day; None: at none.

    Where no setting is recommended: the middle of what may be needed, no further than the
    effluent's answer to the flow can be told, nor than it brings much (`chamber.FASTEST`).
    """
    posterior, pump = ground.posterior, ground.means.pump
    setting = ground.recommendation.flow.setting
    present = ground.means.present_l_d
    if setting is not None:
        return float(to_l_d(np.array(setting.set_to_ml_h)))
    needed = float(np.median(posterior.needed_flow_l_d))
    fastest = FASTEST * float(np.median(np.asarray(posterior.law.half_flow_l_d)))
    least = float(to_l_d(np.array(pump.flow_min_ml_h)))
    furthest = max(FURTHEST_UNTESTED * present, least)
    final = min(needed, furthest, max(fastest, present))
    return settable_flow(pump, final) if final >= least else None


def _flows(ground: Ground, belief: Belief, final_l_d: float | None, *, ladder: bool) -> list[float]:
    """Settings of the pump that today may begin with, the present one first."""
    means, posterior = ground.means, ground.posterior
    present, law, middle = means.present_l_d, belief.law, belief.law.middle_meq_l
    if not means.reactor:
        return [0.0]
    load = belief.load_meq_d
    answer = float(np.asarray(law.level_response_per_d)) * (belief.level_meq_l - middle)
    wanted: list[float] = []
    if final_l_d is not None and ladder:
        if present == 0 and not posterior.effluent_tested:
            wanted = [float(law.flow_for(part * load)) for part in OPENING]
            wanted = [min(one, final_l_d) for one in wanted]
        else:
            begun, whole = (float(law.supply_meq_d(one, middle)) for one in (present, final_l_d))
            wanted = [float(law.flow_for(begun + part * (whole - begun))) for part in WAY[:-1]]
            wanted.append(final_l_d)
    elif present > 0:
        for lead in LEAD_DAYS:
            off = belief.aim_meq_l - belief.level_meq_l
            rise = np.clip(off / lead, -means.rise_meq_l_d, means.rise_meq_l_d)
            target = load + (answer + rise) * float(law.volume_l)
            wanted.append(float(law.flow_for(max(target, 0.0), belief.level_meq_l)))
        if final_l_d is not None:
            wanted.append(final_l_d)
        least, most = (step * present for step in REPORT_STEPS)
        wanted = [min(max(one, least), most) for one in wanted]
    found = [settable_flow(means.pump, min(one, 1e6)) for one in wanted]
    if ladder and found and ground.recommendation.flow.level_in_band >= GOES_ON:
        # A hand-over that could wait for ever would.
        on = [one for one in found if one != present]
        return list(dict.fromkeys(on)) or [present]
    return list(dict.fromkeys([present, *found]))


def _with_effluent(ground: Ground) -> bool:
    """Whether the effluent is tested with each report: a reactor runs, and it was tested before."""
    return ground.means.present_l_d > 0 and ground.posterior.effluent_tested


def _for_the_rule(ground: Ground, minutes: float, each: float) -> float:
    """Minutes for the rule's tests: a first one of the effluent is left room for."""
    untested = ground.means.reactor and not _with_effluent(ground) and np.isfinite(each)
    return minutes - (each if untested else 0.0)


def _reports(ground: Ground, phase: str, each: float) -> tuple[Reports, ...]:
    """When the report may be run again: the last day that the phase allows, or an earlier one that
    the keeper has the minutes for."""
    found = []
    needed = each * (1 + _with_effluent(ground))
    for first in REPORT_DAYS[phase]:
        until = ground.begins + timedelta(days=first)
        minutes = _for_the_rule(ground, ground.minutes_until(until), each)
        if minutes >= needed or first == REPORT_DAYS[phase][-1]:
            found.append(Reports(tuple(range(first, AHEAD_DAYS, max(first, 3))), minutes))
    return tuple(found)
