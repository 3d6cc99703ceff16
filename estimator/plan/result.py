"""What a change-over comes to: dated steps with the rule of the retests, or why there are none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from estimator.advice.flow import to_l_d, to_ml_h
from estimator.plan.controller import Followed, Plans, Rule, follow_plans
from estimator.plan.futures import Futures
from estimator.plan.ladder import GOOD_ENOUGH, MC_ERROR, Found, judge
from estimator.plan.present import settable_doses
from estimator.plan.task import Task
from estimator.remark import Remark

MUCH_CARRIED = 0.25
"""Part of the load that the pump's smallest flow carries, from which a first step of it is named as
large."""


@dataclass(frozen=True)
class ChangeStep:
    """What is set on a day, and the retest that ends the step.

    Attributes:
        set_on: day on which it is set, if all goes as expected.
        flow_ml_h: pump setting, a multiple of the pump's step.
        dose_ml_d: rate of each solution, mL/day, if all retests read as expected.
        takes_ml_d: by how much each rate goes down because the pump goes to this setting.
        retest_on: day of the retest on which the next step is due.
        alkalinity_meq_l: (s,) true level at the retest, the rule having been followed.
    """

    set_on: date
    flow_ml_h: float
    dose_ml_d: Mapping[str, float]
    takes_ml_d: Mapping[str, float]
    retest_on: date
    alkalinity_meq_l: np.ndarray


@dataclass(frozen=True)
class Steering:
    """All that a retest decides by, in what the keeper can set.

    Attributes:
        rule: its numbers; the hold thresholds are figures that the kit can show.
        ml_per_meq: mL of each solution for a meq of alkalinity dosed; empty where there is none:
            all of the change is then made by the pump.
        whole_load_meq_d: dosing that puts back all that the tank takes up.
        ml_h_per_meq_d: change of the pump that makes good a meq/day.
        extra_ml_h, extra_meq_d: step of the pump past the last one, and what it takes over, while
            at least half as much is dosed.
        lowest_ml_h, highest_ml_h: the pump is to stay between.
        most_meq_d: dosing is not to go beyond.
    """

    rule: Rule
    ml_per_meq: Mapping[str, float]
    whole_load_meq_d: float
    ml_h_per_meq_d: float
    extra_ml_h: float
    extra_meq_d: float
    lowest_ml_h: float
    highest_ml_h: float
    most_meq_d: float


@dataclass(frozen=True)
class NoPlan:
    """Why there are no steps.

    Attributes:
        kind: "nothing to do" (the reactor carries the load), or "none" (no plan can be made).
        reasons: to be told one after the other.
    """

    kind: str
    reasons: tuple[Remark, ...]


@dataclass(frozen=True)
class Plan:
    """Steps that hand the load over, the rule of their retests, and how they may go.

    Attributes:
        kind: "hand over" (from dosing), or "change flow" (nothing is dosed).
        reasons: why the plan is as it is, to be told one after the other.
        remedy: what would raise the chance most; None where it is good enough.
        remedy_probability: the chance if that were settled at its middle value; None without one.
        provisional: no setting is recommended: the steps go only part of the way.
        corrects: the first step only brings the level back into the band.
        steps: in order, as they come if all goes as expected.
        steering: the rule for each retest.
        step_days: days between retests.
        judged_days: length of time, from the first step, that is judged; retests go on through it.
        probability: chance that over `judged_days` the daily mean stays in the band (while a
            correction runs: or on the side where it began) and never rises by more than the limit.
        good_days: expected share of such days.
        left_dosed: part of the load that is still dosed at the end of that time, in the middle one
            of the futures; None where nothing can be dosed.
        overnight_probability: as `probability`, the final setting made at once and left alone.
        levels_meq_l: (judged_days, s) daily means under the plan and its rule.
        overnight_meq_l: (judged_days, s) the same for the final setting made at once.
    """

    kind: str
    reasons: tuple[Remark, ...]
    remedy: Remark | None
    remedy_probability: float | None
    provisional: bool
    corrects: bool
    steps: tuple[ChangeStep, ...]
    steering: Steering
    step_days: int
    judged_days: int
    probability: float
    good_days: float
    left_dosed: float | None
    overnight_probability: float
    levels_meq_l: np.ndarray
    overnight_meq_l: np.ndarray


@dataclass(frozen=True)
class ChangeOver:
    """The plan, or why there is none, and what holds either way.

    Attributes:
        plan: see `Plan` and `NoPlan`.
        rise_limit_meq_l_d: largest allowed rise in a day.
        rise_limit_stated: the tank file states it.
        retest_hour: hour of day at which the level is nearest to its daily mean.
        self_regulation_days: (s,) time in which the tank undoes 63 % of a departure by itself at
            the final flow, at a steady effluent strength; None without a flow.
    """

    plan: Plan | NoPlan
    rise_limit_meq_l_d: float
    rise_limit_stated: bool
    retest_hour: float
    self_regulation_days: np.ndarray | None

    @property
    def steps(self) -> tuple[ChangeStep, ...]:
        """The steps in order; none without a plan."""
        return self.plan.steps if isinstance(self.plan, Plan) else ()


def plan_told(task: Task, found: Found, futures: Futures, start: date) -> Plan:
    """The plan that was found for a task, judged by futures that had no part in choosing it."""
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
    given = law.increment_at(flow_l_d, law.middle_meq_l)
    known = np.median(given) / given
    uptake = np.median(state.uptake_meq_l_d) - state.uptake_meq_l_d
    level = np.full_like(state.level_meq_l, np.median(state.level_meq_l))
    return {
        "test effluent at first step": futures._replace(
            state=replace(state, law=law._replace(strength=law.strength * known)),
            strength=futures.strength * known,
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
    none = {name: 0.0 for name in task.dose_ml_d if name not in task.ml_per_meq}

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
    if task.held:
        reasons.append(Remark("held back"))
    least = task.pump.flow_min_ml_h
    carried = task.carried(float(to_l_d(np.array(least))))
    first = steps[1 if corrects else 0]
    small = first.flow_ml_h <= least and carried > MUCH_CARRIED
    if len(steps) > 1 and task.present_l_d == 0 and small:
        values = {"flow_min_ml_h": least, "carried_share": carried}
        reasons.append(Remark("smallest flow carries much", values))
    return tuple(reasons)
