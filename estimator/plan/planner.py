"""The one plan: from what is known of the tank to what is set today, tested, and done by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np

from estimator.advice.alarms import STANDS
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import USUAL_MINUTES
from estimator.next_tests.candidates import REFERENCE, Bench, bench_of, candidates_of
from estimator.plan.course import Rhythm
from estimator.plan.futures import Futures, futures_of
from estimator.plan.gains import gains_of
from estimator.plan.ground import STILL, Ground, kind_of
from estimator.plan.present import settable_dose
from estimator.plan.result import Plan, TestGain, Today
from estimator.plan.schedule import LEARNING, RULE, UNTESTED_REPEATS, Schedule
from estimator.plan.search import AHEAD_DAYS, MINUTE_COST, Chosen, Task, judge, search
from estimator.plan.task import task_of
from estimator.plan.told import told_by
from estimator.remark import Remark


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
    *future_seeds, gain_seed = seed.spawn(3)
    span = (wait, wait + AHEAD_DAYS)
    looked, told = (
        futures_of(ground.posterior, ground.tank, span, np.random.default_rng(one))
        for one in future_seeds
    )
    kind, phase = kind_of(ground)
    task = task_of(ground, looked, phase)
    bench = bench_of(ground.fitted)
    chosen = search(task, looked)
    gains = gains_of(task, chosen, told, candidates_of(bench), gain_seed)
    checks = _kit_checks(gains, bench)
    if checks is not None:
        # A check of the kit may be worth more than a test of the tank that takes its minutes.
        lighter = task.with_less(checks.repeats * task.minutes)
        instead = search(lighter, looked)
        loss = _good_days(task, chosen, told) - _good_days(task, instead, told)
        chosen = instead if loss < checks.good_days else chosen
    plan = told_by(ground, task, chosen, told, kind)
    return replace(plan, gains=gains), chosen.rhythm


def _good_days(task: Task, chosen: Chosen, futures: Futures) -> float:
    return float(judge(task, futures, chosen.courses, chosen.rhythm).good_days[0])


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
    checks = _kit_checks(plan.gains, bench)
    if checks is not None:
        found.reference(0, checks.repeats)
    return found


def _kit_checks(gains: Sequence[TestGain], bench: Bench) -> TestGain | None:
    """Checks of the kit with a solution of known value, as many as are worth their minutes; None
    where none is, or the keeper has no such solution."""
    if bench.reference == REFERENCE or ALKALINITY.name not in bench.kits:
        return None
    each = bench.kits[ALKALINITY.name].minutes or USUAL_MINUTES

    def worth(gain: TestGain) -> float:
        return gain.good_days - MINUTE_COST * each * gain.repeats

    good = [gain for gain in gains if gain.key == "reference" and worth(gain) > 0]
    return max(good, key=worth, default=None)
