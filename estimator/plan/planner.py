"""The one plan: from what is known of the tank to what is set today, tested, and done by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np

from estimator.advice.alarms import STANDS
from estimator.next_tests.candidates import REFERENCE, Bench, bench_of, candidates_of
from estimator.plan.course import Rhythm
from estimator.plan.futures import FUTURE_DRAWS, TOLD_DRAWS, Futures, futures_of
from estimator.plan.gains import gains_of
from estimator.plan.ground import STILL, Ground, kind_of
from estimator.plan.present import settable_dose
from estimator.plan.result import Plan, TestGain, Today
from estimator.plan.schedule import LEARNING, RULE, UNTESTED_REPEATS, Schedule
from estimator.plan.search import (
    AHEAD_DAYS,
    MINUTE_COST,
    Chosen,
    Task,
    judge,
    minutes_of,
    search,
)
from estimator.plan.task import task_of
from estimator.plan.told import told_by
from estimator.remark import Remark


def make_plan(ground: Ground, seed: np.random.SeedSequence) -> tuple[Plan, Schedule]:
    """All that is to be done until the next report, and its schedule so far.

    What is left of the schedule's minutes is for tests that teach most.
    """
    plan, rhythm, kit_checks = _made(ground, seed)
    found = schedule_for(ground, plan, rhythm, kit_checks)
    return replace(plan, tests=found.in_order()), found


def _made(ground: Ground, seed: np.random.SeedSequence) -> tuple[Plan, Rhythm | None, int]:
    """The plan without tests, the rhythm of those of its rule, and how often the kit is checked."""
    forbidden = any(a.about in STILL and a.chance >= STANDS for a in ground.alarms)
    nothing_to_set = not ground.means.ml_per_meq and not ground.means.reactor
    if not ground.shown or forbidden or nothing_to_set:
        return _held_still(ground), None, 0
    wait = (ground.begins - ground.posterior.days[-1]).days
    *future_seeds, gain_seed = seed.spawn(3)
    span = (wait, wait + AHEAD_DAYS)
    looked, told = (
        futures_of(ground.posterior, ground.tank, span, np.random.default_rng(one), draws)
        for one, draws in zip(future_seeds, (FUTURE_DRAWS, TOLD_DRAWS), strict=True)
    )
    kind, phase = kind_of(ground)
    task = task_of(ground, looked, phase)
    bench = bench_of(ground.fitted)
    chosen = search(task, looked)
    gains = gains_of(task, chosen, told, candidates_of(bench), gain_seed)
    chosen, checks = _with_kit_checks(task, chosen, (looked, told), gains, bench)
    plan = told_by(ground, task, chosen, told, kind)
    return replace(plan, gains=gains), chosen.rhythm, checks


def _with_kit_checks(
    task: Task,
    chosen: Chosen,
    futures: tuple[Futures, Futures],
    gains: Sequence[TestGain],
    bench: Bench,
) -> tuple[Chosen, int]:
    """The course, and how often the kit is checked today with a solution of known value.

    A check takes minutes from the tests of the tank, and is made where it brings more days.
    """
    looked, told = futures
    found = [(_worth(task, chosen, told), chosen, 0)]
    possible = [one for one in gains if one.key == "reference" and bench.reference != REFERENCE]
    for gain in possible:
        minutes = gain.repeats * task.minutes
        less = task.with_less(minutes)
        if not less.reports:
            continue
        instead = search(less, looked)
        worth = _worth(task, instead, told) + gain.good_days - MINUTE_COST * minutes
        found.append((worth, instead, gain.repeats))
    _, best, checks = max(found, key=lambda one: one[0])
    return best, checks


def _worth(task: Task, chosen: Chosen, told: Futures) -> float:
    """Good days of a course less what its tests cost."""
    good = float(judge(task, told, chosen.courses, chosen.rhythm).good_days[0])
    return good - MINUTE_COST * minutes_of(chosen.rhythm, task, 7)


def _held_still(ground: Ground) -> Plan:
    """Everything stays as it is, and a test tomorrow tells more."""
    means = ground.means
    flow = means.shown_ml_h(means.present_l_d) if means.reactor else None
    rates = {name: settable_dose(rate) for name, rate in means.present_ml_d.items()}
    return Plan(
        kind="check" if ground.alarms else "none",
        begins=ground.begins,
        today=Today(flow, rates),
        tests=(),
        minutes_per_week=ground.minutes_per_week,
        rule=None,
        ladder=(),
        path=(),
        ends_at_ml_h=None,
        report_again=ground.begins + timedelta(days=1),
        chances=None,
        levels_meq_l=None,
        left_alone_meq_l=None,
        left=True,
        rise_limit_meq_l_d=means.rise_meq_l_d,
        rise_limit_stated=means.rise_stated,
        self_regulation_days=None,
        pauses=(),
        reasons=(Remark("plan_holds_still"),),
    )


def schedule_for(
    ground: Ground, plan: Plan, rhythm: Rhythm | None, kit_checks: int = 0
) -> Schedule:
    """The schedule of a plan, but for what is left of the minutes."""
    days = (plan.report_again - plan.begins).days
    bench = bench_of(ground.fitted)
    bench = replace(bench, runs=bench.runs or bool(plan.today.flow_ml_h))
    minutes = ground.minutes_until(plan.report_again)
    found = Schedule(bench, plan.begins, plan.report_again, ground.minutes_per_week, minutes)
    if plan.kind == "check":
        for alarm in ground.alarms:
            if alarm.chance >= STANDS or plan.chances is None:
                found.asked(alarm.tests)
    posterior = ground.posterior
    untested = not posterior.effluent_tested
    if untested and plan.today.flow_ml_h:
        found.alkalinity(1, "effluent", UNTESTED_REPEATS, LEARNING, urgent=True)
    between = () if rhythm is None else rhythm.test_days
    repeats = 1 if rhythm is None else rhythm.repeats
    found.alkalinity(days, "tank", repeats, RULE, urgent=True)
    for day in between:
        if day < days:
            found.alkalinity(day, "tank", repeats, RULE)
    if plan.today.flow_ml_h and not untested:
        found.alkalinity(days, "effluent", 1, LEARNING)
    found.reference(0, kit_checks)
    return found
