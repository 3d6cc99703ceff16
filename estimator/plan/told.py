"""The plan that was chosen, in what the keeper sets, reads and does."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from estimator.advice.flow import to_ml_h
from estimator.fit.kit_in_use import kit_in_use
from estimator.plan.course import Followed, follow, prospects
from estimator.plan.foretold import foretold
from estimator.plan.futures import Futures
from estimator.plan.ground import Ground, kit_of
from estimator.plan.means import Means
from estimator.plan.present import settable_dose
from estimator.plan.result import Case, Chances, Once, PathStep, Plan, Rung, TestRule, Today
from estimator.plan.search import (
    AHEAD_DAYS,
    JUDGED_DAYS,
    Chosen,
    Task,
    belief_for,
)
from estimator.remark import Remark


def told_by(ground: Ground, task: Task, chosen: Chosen, told: Futures, kind: str) -> Plan:
    """The plan that was chosen, judged by futures that had no part in choosing it."""
    means, courses, rhythm = ground.means, chosen.courses, chosen.rhythm
    belief = belief_for(task, courses, told)
    path = follow(told, courses, rhythm, belief, AHEAD_DAYS)
    start = told.state.level_meq_l
    with_rule = prospects(path.first(JUDGED_DAYS), start, task.band)
    alone = rhythm._replace(test_days=(), report_days=())
    still = courses._replace(
        flow_l_d=np.repeat(courses.flow_l_d[:, :1], courses.flow_l_d.shape[1], axis=1),
        takes_meq_d=np.zeros_like(courses.takes_meq_d),
    )
    left = follow(told, still, alone, belief, AHEAD_DAYS)
    without = prospects(left.first(JUDGED_DAYS), start, task.band)
    report = ground.begins + timedelta(days=rhythm.report_days[0])
    flow = means.shown_ml_h(float(courses.flow_l_d[0, 0])) if means.reactor else None
    once = tuple(
        Once(ground.begins + timedelta(days=day), means.once, settable_dose(meq / means.meq_per_ml))
        for day, meq in enumerate(courses.once_meq)
        if means.once is not None
    )
    rungs = _rungs(ground, task, chosen)
    running = float(courses.flow_l_d[0, 0])
    law = ground.posterior.state.law
    regulates = law.self_regulation_days(running) if running > 0 else None
    return Plan(
        kind=kind,
        begins=ground.begins,
        today=Today(flow, means.rates(float(courses.dose_meq_d[0])), once),
        tests=(),
        minutes_per_week=ground.minutes_per_week,
        rule=_rule(ground, task, chosen) if rhythm.test_days else None,
        ladder=tuple(rung for rung in rungs if rung.on < report) if len(rungs) > 1 else (),
        path=_path(ground, chosen, path, rungs) if len(rungs) > 1 else (),
        ends_at_ml_h=None if task.ladder_to_l_d is None else means.shown_ml_h(task.ladder_to_l_d),
        report_again=report,
        chances=Chances(
            judged_days=JUDGED_DAYS,
            all_days=float(with_rule.all_days[0]),
            good_days=float(with_rule.good_days[0]),
            all_days_as_kit_reads=float(with_rule.all_days_as_kit_reads[0]),
            good_days_as_kit_reads=float(with_rule.good_days_as_kit_reads[0]),
            all_days_set_and_left=float(without.all_days[0]),
            good_days_set_and_left=float(without.good_days[0]),
            largest_daily_rise_meq_l=with_rule.largest_rise_meq_l_d[0],
        ),
        levels_meq_l=path.level_meq_l[:, 0],
        left_alone_meq_l=left.level_meq_l[:, 0],
        left=chosen.left and not once,
        rise_limit_meq_l_d=means.rise_meq_l_d,
        rise_limit_stated=means.rise_stated,
        self_regulation_days=regulates,
        pauses=means.pauses if courses.dose_meq_d[0] > 0 else (),
        reasons=tuple(_reasons(ground, task, chosen)),
        foretold=foretold(kit.name if (kit := kit_of(ground)) else "", told, path),
    )


def _rungs(ground: Ground, task: Task, chosen: Chosen) -> list[Rung]:
    """Today's setting and those that follow, on the days of tests that may move the pump on."""
    means, courses, rhythm = ground.means, chosen.courses, chosen.rhythm
    days = [0, *sorted({*rhythm.test_days, *rhythm.report_days})]
    found = []
    for k in range(chosen.steps + 1):
        if k >= len(days):
            break
        takes = float(courses.takes_meq_d[0, k])
        found.append(
            Rung(
                on=ground.begins + timedelta(days=days[k]),
                flow_ml_h=means.shown_ml_h(float(courses.flow_l_d[0, k])),
                takes_ml_d=_changes(means, takes),
            )
        )
    return found


def _path(
    ground: Ground, chosen: Chosen, path: Followed, rungs: Sequence[Rung]
) -> tuple[PathStep, ...]:
    """The rungs with the doses at which the middle one of the futures gets there."""
    found = []
    dose = float(chosen.courses.dose_meq_d[0])
    for rung in rungs:
        day = (rung.on - ground.begins).days
        level = path.level_meq_l[min(day, AHEAD_DAYS - 1), 0]
        if day > 0:
            dose = float(np.median(path.dose_meq_d[min(day, AHEAD_DAYS - 1), 0]))
        found.append(PathStep(rung.on, rung.flow_ml_h, ground.means.rates(dose), level))
    return tuple(found)


def _changes(means: Means, meq_d: float) -> dict[str, float]:
    """By how much the rate of every solution changes for so much alkalinity."""
    return {
        name: float(np.sign(meq_d)) * settable_dose(abs(means.ml_per_meq.get(name, 0.0) * meq_d))
        for name in means.present_ml_d
    }


def _rule(ground: Ground, task: Task, chosen: Chosen) -> TestRule:
    """The rule's rows."""
    means, courses = ground.means, chosen.courses
    rule = courses.rule.each(lambda part: part[0])

    def row(
        low: float | None, high: float | None, l_d: float, meq_d: float, *, moves: bool
    ) -> Case:
        pump = float(np.round(to_ml_h(np.array(l_d)), 6))
        step = "next" if moves else "stay"
        return Case(low, high, "set", pump, _changes(means, meq_d), step)

    low, high, far_low, far_high = (
        float(rule.near_low_meq_l),
        float(rule.near_high_meq_l),
        float(rule.far_low_meq_l),
        float(rule.far_high_meq_l),
    )
    half = task.half_band * task.belief.calibration
    step = kit_in_use(ground.posterior, ground.tank).step_meq_l
    ends = float(np.ceil(max(2 * half, 4 * step) / step - 1e-9) * step)
    return TestRule(
        kit=kit.name if (kit := kit_of(ground)) else None,
        most_ml_d=means.rates(task.most_meq_d) if task.doses else means.rates(0.0),
        cases=(
            Case(None, far_low - ends, "report"),
            Case(far_low - ends, far_low, "repeat"),
            row(
                far_low,
                low,
                float(rule.raise_l_d),
                float(rule.raise_meq_d),
                moves=False,
            ),
            row(low, high, 0.0, 0.0, moves=chosen.steps > 0),
            row(high, far_high, float(rule.lower_l_d), float(rule.lower_meq_d), moves=False),
            Case(far_high, far_high + ends, "repeat"),
            Case(far_high + ends, None, "report"),
        ),
    )


def _reasons(ground: Ground, task: Task, chosen: Chosen) -> list[Remark]:
    """Why the plan is as it is."""
    found = []
    if chosen.courses.once_meq:
        found.append(Remark("plan_corrects", {"days": len(chosen.courses.once_meq)}))
    if ground.most_ml_h is not None:
        found.append(Remark("plan_held_back", {"most_ml_h": ground.most_ml_h}))
    if task.first_only and chosen.courses.flow_l_d[0, 0] > 0:
        found.append(Remark("plan_first_step_only"))
    elif chosen.steps:
        found.append(Remark("plan_hands_over", {"steps": chosen.steps}))
    if ground.means.pauses and chosen.courses.dose_meq_d[0] > 0:
        found.append(Remark("plan_calcium_pauses", {"solutions": ground.means.pauses}))
    return found
