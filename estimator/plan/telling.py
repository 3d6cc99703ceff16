"""The plan that was found, told: dates, doses, chances, what would make it surer, and why."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from estimator.advice.flow import to_l_d, to_ml_h
from estimator.plan.controller import Followed, Plans, follow_plans
from estimator.plan.futures import Futures
from estimator.plan.ladder import GOOD_ENOUGH, MC_ERROR, Found, judge
from estimator.plan.present import settable_doses
from estimator.plan.result import ChangeStep, Plan, Steering
from estimator.plan.task import Task
from estimator.remark import Remark

MUCH_CARRIED = 0.25
"""Part of the load that the pump's smallest flow carries, from which a first step of it is named as
large."""


def plan_told(task: Task, found: Found, futures: Futures, start: date) -> Plan:
    """The plan that was found.

    Args:
        task: what it had to bring about.
        found: the candidate.
        futures: that had no part in choosing it.
        start: day of the first step.
    """
    plans, days = found.plans, np.array([found.judged_days])
    path = follow_plans(futures, plans, len(futures.uptake_meq_l_d))
    (chance,), (good_days,), levels = judge(task, futures, plans, days)
    at_once = plans._replace(
        flow_l_d=np.array([[task.present_l_d, task.final_l_d]]),
        takes_meq_d=np.zeros((1, 2)),
        last=np.array([1]),
        dose_meq_d=np.zeros(1),
        retest_days=(),
    )
    (overnight_chance,), _, overnight = judge(task, futures, at_once, days)
    remedy, remedy_chance = None, None
    if chance < GOOD_ENOUGH:
        remedy, remedy_chance = _remedy(task, found, futures, float(chance))
    steps = _steps(task, found, path, start)
    left = np.median(path.dose_meq_d[found.judged_days - 1, 0]) / max(task.load_meq_d, 1e-9)
    return Plan(
        kind="hand over" if task.present_meq_d > 0 else "change flow",
        reasons=_reasons(task, steps),
        remedy=remedy,
        remedy_probability=remedy_chance,
        provisional=task.provisional,
        corrects=task.correction is not None,
        steps=steps,
        steering=_steering(task, plans),
        step_days=found.step_days,
        judged_days=found.judged_days,
        probability=float(chance),
        good_days=float(good_days),
        left_dosed=float(left) if task.ml_per_meq else None,
        overnight_probability=float(overnight_chance),
        levels_meq_l=levels[:, 0],
        overnight_meq_l=overnight[:, 0],
    )


def _remedy(
    task: Task, found: Found, futures: Futures, chance: float
) -> tuple[Remark, float | None]:
    """What would raise the chance most, and the chance then; None where nothing raises it."""
    plans, judged = found.plans, np.array([found.judged_days])
    # The first step that raises the pump: at its flow the effluent could be tested.
    flow_l_d = float(plans.flow_l_d[0, -1 if plans.last[0] == 1 else 2])
    settled = _settled(futures, flow_l_d).items()
    raised = {code: float(judge(task, known, plans, judged)[0][0]) for code, known in settled}
    code = max(raised, key=lambda code: raised[code])
    if raised[code] < chance + MC_ERROR:
        return Remark("run again after retests"), None
    return Remark(code), raised[code]


def _settled(futures: Futures, flow_l_d: float) -> dict[str, Futures]:
    """The futures with one thing at a time at its median, by the code of what would settle it.

    The effluent would be tested at `flow_l_d`: there its increment is known then.
    """
    state, law = futures.state, futures.state.law
    respond = law.respond(flow_l_d)
    known = np.median(law.increment_meq_l * respond) / respond
    uptake = np.median(state.uptake_meq_l_d) - state.uptake_meq_l_d
    level = np.full_like(state.level_meq_l, np.median(state.level_meq_l))
    return {
        "test effluent at first step": futures._replace(
            state=replace(state, law=law._replace(increment_meq_l=known)),
            increment_meq_l=futures.increment_meq_l * (known / law.increment_meq_l),
        ),
        "check kit before first step": futures._replace(
            state=replace(state, level_meq_l=level),
            calibration=np.full_like(futures.calibration, np.median(futures.calibration)),
        ),
        "test uptake before first step": futures._replace(
            uptake_meq_l_d=futures.uptake_meq_l_d + uptake
        ),
    }


def _steering(task: Task, plans: Plans) -> Steering:
    """The rule of the retests in settings of the pump and the solutions."""
    return Steering(
        rule=plans.rule.each(lambda part: part[0]),
        ml_per_meq=task.ml_per_meq,
        whole_load_meq_d=task.load_meq_d,
        ml_h_per_meq_d=float(to_ml_h(np.array(1 / plans.meq_per_l))),
        extra_ml_h=task.shown_ml_h(plans.extra_l_d),
        extra_meq_d=plans.extra_meq_d,
        lowest_ml_h=task.shown_ml_h(plans.limits_l_d[0]),
        highest_ml_h=task.shown_ml_h(plans.limits_l_d[1]),
        most_meq_d=plans.most_meq_d,
    )


def _steps(task: Task, found: Found, path: Followed, start: date) -> tuple[ChangeStep, ...]:
    """The ladder with the days and doses at which the middle one of the futures gets there."""
    plans, last = found.plans, int(found.plans.last[0])
    column = np.median(path.column[:, 0], axis=1)
    dose = np.median(path.dose_meq_d[:, 0], axis=1)
    days = len(column)
    begins = [0]
    for k in range(2, last + 1):
        reached = np.flatnonzero(column >= k)
        due = begins[-1] + found.step_days
        begins.append(max(int(reached[0]), due) if len(reached) else due)
    ends = [*begins[1:], begins[-1] + found.step_days]
    # What the reactor does not need beside it is given up at once.
    none = dict.fromkeys(task.given_up, 0.0)

    def rates(meq_d: float) -> dict[str, float]:
        return settable_doses(task.ml_per_meq, meq_d)

    return tuple(
        ChangeStep(
            set_on=start + timedelta(days=begins[k]),
            flow_ml_h=task.shown_ml_h(plans.flow_l_d[0, k + 1]),
            dose_ml_d={**none, **rates(float(dose[min(begins[k], days - 1)]))},
            takes_ml_d=rates(float(plans.takes_meq_d[0, k + 1])),
            retest_on=start + timedelta(days=ends[k]),
            # Rows may come after the days that are followed.
            alkalinity_meq_l=path.level_meq_l[min(ends[k], days) - 1, 0],
        )
        for k in range(last)
    )


def _reasons(task: Task, steps: tuple[ChangeStep, ...]) -> tuple[Remark, ...]:
    """Why the plan is as it is."""
    corrects = task.correction is not None
    if corrects:
        reasons = [Remark("level corrected first", {"side": task.side})]
    elif task.present_meq_d > 0:
        reasons = [Remark("load handed over in steps")]
    elif any(any(step.dose_ml_d.values()) for step in steps):
        reasons = [Remark("pump in steps with dosing")]
    else:
        reasons = [Remark("pump in steps alone")]
    if task.provisional:
        reasons.append(Remark("part of the way"))
    least = task.pump.flow_min_ml_h
    carried = (float(to_l_d(np.array(least))) / task.final_l_d) ** task.order
    first = steps[1 if corrects else 0]
    small = first.flow_ml_h <= least and carried > MUCH_CARRIED
    if len(steps) > 1 and task.present_l_d == 0 and small:
        values = {"flow_min_ml_h": least, "carried_share": carried}
        reasons.append(Remark("smallest flow carries much", values))
    return tuple(reasons)
