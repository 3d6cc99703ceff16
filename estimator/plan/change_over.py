"""The change-over: dated steps that hand the load from the dosing solutions to the reactor.

A plan is a ladder of pump settings, what each of them takes over from the dosing, and the rule of
`controller` by which each retest changes the dosing and lets the pump go on or wait. Where the pump
waits, the steps come later than their dates say. Retests go on in the same rhythm after the last
step, and the dosing stands by for good: where the effluent is the weaker the faster it flows, a
pump may not be able to raise the supply, and the tank must not go without.

`ladder` searches the plans by following each through `futures`, retests and the kit's error
included. While a change-over is under way it may not be possible to say which flow will carry the
whole load, because the effluent's answer to the flow is not known: the plan then goes part of the
way, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from estimator import units
from estimator.advice.chamber import FASTEST
from estimator.advice.flow import PLANNED_PUMP, Recommendation, to_l_d, to_ml_h
from estimator.fit.posterior import Posterior
from estimator.fit.state import TankState
from estimator.inputs.dosing import alkalinity_meq_d
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import Tank, Target
from estimator.plan.futures import Futures, futures_of
from estimator.plan.guard import CAUSE_FIRST
from estimator.plan.ladder import LONGEST_DAYS, NEAR_SHARE, search_plans
from estimator.plan.present import rates_to_go_on
from estimator.plan.result import ChangeOver, NoPlan, Plan, plan_told
from estimator.plan.task import LONGEST_CORRECTION_DAYS, Task, corrected, settable_flow
from estimator.remark import Remark

USUAL_MAX_RISE = 0.5 * units.MEQ_L_PER_DKH
"""Largest rise of alkalinity in a day where the tank file states none (common practice, no
source)."""
FURTHEST_UNTESTED = 3.0
"""While the flow that will carry the load cannot be said, a plan goes up to this many times the
present flow, and the effluent is tested there. So far from a test the supply law may tell the
effluent up to 8 % too strong or 17 % too weak, as media dissolve by an order of 1 to 2 (computed
with PHREEQC, `tests/published/test_supply_law.py`)."""


def plan_change_over(
    posterior: Posterior,
    tank: Tank,
    recommendation: Recommendation,
    dose_ml_d: Mapping[str, float],
    start: date,
    seed: np.random.SeedSequence,
    *,
    held: bool = False,
) -> ChangeOver:
    """The plan from the settings at the log's end to the recommended one, or why there is none.

    Args:
        posterior: draws.
        tank: pump, band, kits, solutions.
        recommendation: the setting to reach.
        dose_ml_d: present rate of each solution, see `dose_rates_now`.
        start: day of the first step; until then everything goes on as at the last entry.
        seed: for what may come.
        held: the recommended setting is held back, see `plan.guard`.
    """
    present = posterior.present_flow_l_d
    lit_h = (tank.lights_off_h - tank.lights_on_h) % units.HOURS_PER_DAY
    final = _final_flow(posterior, tank, recommendation, dose_ml_d)
    flow_l_d = present if final is None else final
    state = posterior.state
    plan: Plan | NoPlan
    if not final:
        plan = NoPlan("none", (Remark("no setting to change to"),))
    elif tank.reactor is None and present == 0 and not dose_ml_d:
        plan = NoPlan("none", (Remark("nothing to hand over"),))
    else:
        dosed = alkalinity_meq_d(tank.solutions, dose_ml_d)
        wait = max((start - posterior.days[-1]).days, 0)
        span = (wait, wait + LONGEST_CORRECTION_DAYS + LONGEST_DAYS)
        futures = [
            futures_of(posterior, tank, state, span, dosed, np.random.default_rng(one))
            for one in np.random.default_rng(seed).integers(2**31, size=3)
        ]
        task = _task(posterior, tank, recommendation, dose_ml_d, final, state, futures[0])
        task = replace(task, held=held)
        plan = _planned(task, futures, start)
    band = tank.targets[ALKALINITY.name]
    return ChangeOver(
        plan=plan,
        rise_limit_meq_l_d=_rise_limit(band),
        rise_limit_stated=band.max_rise_per_day is not None,
        retest_hour=(tank.lights_on_h + 0.5 * lit_h) % units.HOURS_PER_DAY,
        self_regulation_days=state.law.self_regulation_days(flow_l_d) if flow_l_d > 0 else None,
    )


def _final_flow(
    posterior: Posterior,
    tank: Tank,
    recommendation: Recommendation,
    dose_ml_d: Mapping[str, float],
) -> float | None:
    """The flow to end at, L/day: the recommended one; None where there is none to go to.

    Where none is recommended, a change-over that is under way goes on part of the way: to the
    middle of what may be needed, but no further than the effluent's answer to the flow can be told,
    nor than it brings much (`chamber.FASTEST`); 0 where that is no setting of the pump.
    """
    setting, pump = recommendation.flow.setting, tank.reactor
    if setting is not None:
        return float(to_l_d(np.array(setting.set_to_ml_h)))
    under_way = posterior.present_flow_l_d > 0 and dose_ml_d
    forbidden = any(reason.code == CAUSE_FIRST for reason in recommendation.reasons)
    if not under_way or pump is None or posterior.diagnostics.failures or forbidden:
        return None
    needed = float(np.median(to_ml_h(posterior.needed_flow_l_d)))
    if not np.isfinite(needed) or needed < pump.flow_min_ml_h:
        return 0.0
    present = float(to_ml_h(np.array(posterior.present_flow_l_d)))
    fastest = FASTEST * float(np.median(to_ml_h(np.asarray(posterior.law.half_flow_l_d))))
    needed = min(needed, FURTHEST_UNTESTED * present, max(fastest, present))
    return settable_flow(pump, float(to_l_d(np.array(max(needed, pump.flow_step_ml_h)))))


def _task(
    posterior: Posterior,
    tank: Tank,
    recommendation: Recommendation,
    dose_ml_d: Mapping[str, float],
    final_l_d: float,
    state: TankState,
    futures: Futures,
) -> Task:
    """What has to be brought about; `state` holds all draws at the last entry."""
    band = tank.targets[ALKALINITY.name]
    middle = state.each(lambda draws: np.asarray(np.median(draws)))
    start_meq_l = np.asarray(np.median(futures.state.level_meq_l))
    return Task(
        middle=replace(middle, level_meq_l=start_meq_l),
        draws=futures.state.law,
        present_l_d=posterior.present_flow_l_d,
        final_l_d=final_l_d,
        dose_ml_d=dose_ml_d,
        present_meq_d=alkalinity_meq_d(tank.solutions, dose_ml_d),
        ml_per_meq=_solutions(posterior, tank, recommendation, dose_ml_d),
        pump=tank.reactor or PLANNED_PUMP,
        band=band,
        rise_meq_l_d=_rise_limit(band),
        calibration=float(np.median(futures.calibration)),
        kit_step_meq_l=futures.kit_step_meq_l,
        provisional=recommendation.flow.setting is None,
    )


def _rise_limit(band: Target) -> float:
    return USUAL_MAX_RISE if band.max_rise_per_day is None else band.max_rise_per_day


def _solutions(
    posterior: Posterior,
    tank: Tank,
    recommendation: Recommendation,
    dose_ml_d: Mapping[str, float],
) -> dict[str, float]:
    """mL of each solution to dose for a meq of alkalinity, empty where nothing brings any.

    As they are dosed now. Where no alkalinity is dosed: of the rates that put back the whole load,
    one solution of alkalinity, and one of calcium alone where the first brings no calcium.
    """
    solutions, rates = tank.solutions, dose_ml_d
    if alkalinity_meq_d(solutions, rates) == 0:
        load = recommendation.dose_ml_d
        names = [name for name in load if solutions[name].alkalinity_meq_per_ml > 0][:1]
        if not any(solutions[name].calcium_mmol_per_ml > 0 for name in names):
            names += [name for name in load if solutions[name].alkalinity_meq_per_ml == 0][:1]
        rates = {name: float(np.median(load[name])) for name in names}
    rates = rates_to_go_on(rates, posterior, tank)
    given = alkalinity_meq_d(solutions, rates)
    return {name: ml / given for name, ml in rates.items()} if given > 0 else {}


def _planned(task: Task, futures: Sequence[Futures], start: date) -> Plan | NoPlan:
    """The plan for a task: searched in the first futures, chosen in the second, told by the third.

    So it is told by futures that had no part in choosing it.
    """
    band = task.band
    settled = abs(task.start_meq_l - band.middle) <= 0.25 * (band.high - band.low)
    near = abs(task.carried(task.present_l_d) - 1) < NEAR_SHARE
    if task.present_meq_d == 0 and settled and near and not task.held:
        moved = [] if task.present_l_d == task.final_l_d else [Remark("set the pump at once")]
        return NoPlan(
            "nothing to do",
            (Remark("reactor carries the load"), *moved, Remark("go on testing")),
        )
    right = corrected(task)
    if right is None:
        return NoPlan("none", (Remark("level cannot be corrected", {"side": task.side}),))
    search, fresh, told = futures
    found = search_plans(right, search, fresh, right.correction_days + LONGEST_DAYS)
    return plan_told(right, found, told, start)
