"""The one plan: from what is known of the tank to what is set today, tested, and done by it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from estimator.advice.alarms import STANDS
from estimator.fit.kit_in_use import kit_in_use
from estimator.next_tests.candidates import bench_of
from estimator.plan.course import Rhythm
from estimator.plan.futures import futures_of
from estimator.plan.ground import STILL, Ground, kind_of
from estimator.plan.present import settable_dose
from estimator.plan.result import Plan, Today
from estimator.plan.schedule import LEARNING, RULE, UNTESTED_REPEATS, Schedule
from estimator.plan.search import AHEAD_DAYS, search
from estimator.plan.task import task_of
from estimator.plan.told import told_by
from estimator.remark import Remark

UNSURE_KIT = 0.025
"""Relative sd of a kit's calibration above which it is checked where there is a reference."""


def make_plan(ground: Ground, seed: np.random.SeedSequence) -> tuple[Plan, Schedule]:
    """All that is to be done until the next report, and its schedule so far.

    What is left of the schedule's minutes is for tests that teach most.
    """
    plan, rhythm = _made(ground, seed)
    found = schedule_for(ground, plan, rhythm)
    return replace(plan, tests=found.in_order()), found


def _made(ground: Ground, seed: np.random.SeedSequence) -> tuple[Plan, Rhythm | None]:
    """The plan without tests, and the rhythm of those of its rule."""
    forbidden = any(a.about in STILL and a.chance >= STANDS for a in ground.alarms)
    nothing_to_set = not ground.means.ml_per_meq and not ground.means.reactor
    if not ground.shown or forbidden or nothing_to_set:
        return _held_still(ground), None
    wait = (ground.begins - ground.posterior.days[-1]).days
    rngs = [np.random.default_rng(one) for one in seed.spawn(2)]
    looked, told = (
        futures_of(ground.posterior, ground.tank, (wait, wait + AHEAD_DAYS), rng) for rng in rngs
    )
    kind, phase = kind_of(ground)
    task = task_of(ground, looked, phase)
    chosen = search(task, looked)
    return told_by(ground, task, chosen, told, kind), chosen.rhythm


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


def schedule_for(ground: Ground, plan: Plan, rhythm: Rhythm | None) -> Schedule:
    """The schedule of a plan, but for what is left of the minutes."""
    days = (plan.report_again - plan.begins).days
    bench = bench_of(ground.fitted)
    bench = replace(bench, runs=bench.runs or bool(plan.today.flow_ml_h))
    found = Schedule(bench, plan.begins, plan.report_again, ground.minutes_per_week)
    if plan.kind == "check":
        for alarm in ground.alarms:
            if alarm.chance >= STANDS or plan.chances is None:
                found.asked(alarm.tests)
    posterior = ground.posterior
    untested = not posterior.effluent_tested
    if untested and plan.today.flow_ml_h:
        found.alkalinity(1, "effluent", UNTESTED_REPEATS, LEARNING)
    between = () if rhythm is None else rhythm.test_days
    repeats = 1 if rhythm is None else rhythm.repeats
    for day in (*(day for day in between if day < days), days):
        found.alkalinity(day, "tank", repeats, RULE)
    if plan.today.flow_ml_h and not untested:
        found.alkalinity(days, "effluent", 1, LEARNING)
    if _kit_unsure(ground):
        found.reference(0)
    return found


def _kit_unsure(ground: Ground) -> bool:
    """Whether a check of the kit would tell the level markedly better."""
    calibration = kit_in_use(ground.posterior, ground.tank).calibration
    return float(np.std(calibration)) > UNSURE_KIT
