"""Plans made up for every kind of report, without a search."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta

import numpy as np

from estimator import units
from estimator.advice.alarms import Alarm
from estimator.advice.flow import to_ml_h
from estimator.fit.posterior import Posterior
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.next_tests.timetable import PlannedTest
from estimator.plan.means import means_of
from estimator.plan.present import settable_dose
from estimator.plan.result import Case, Chances, Once, PathStep, Plan, Rung, TestRule, Today
from estimator.remark import Remark

DKH = units.MEQ_L_PER_DKH
STEP_DKH = 0.3
"""Of the kit of every made-up tank."""
DAYS = 14
STILL = ("failed", "alkalinity withheld")
"""Reports in which nothing can be foretold."""


def make_plan(
    tank: Tank, log: TankLog, posterior: Posterior, alarms: Sequence[Alarm], variant: str
) -> Plan:
    """One kind of plan for each kind of report."""
    means = means_of(posterior, log, tank)
    rates = {name: settable_dose(rate) for name, rate in means.present_ml_d.items()}
    pump = None
    if tank.reactor is not None:
        pump = float(np.round(to_ml_h(np.array(posterior.present_flow_l_d))))
    still = _still(log, Today(pump, rates), posterior)
    if variant in STILL:
        kind = "none" if variant == "failed" else "check"
        return replace(still, kind=kind, tests=_tests(tank, log, (1,), 1))
    changes = {
        "leave": _leave,
        "wide": _leave,
        "start": _hand_over,
        "hostile": _hostile,
        "no reactor": _dose,
        "net change": _dose,
        "alarmed": _check,
        "first step": _first_step,
        "correct": _correct,
    }.get(variant, _hold)
    foretold = _foretold(replace(still, left=False), variant)
    return changes(foretold, tank, log)


def _still(log: TankLog, today: Today, posterior: Posterior) -> Plan:
    """Everything stays as it is, and nothing is foretold."""
    begins = log.end.date()
    return Plan(
        kind="none",
        begins=begins,
        today=today,
        tests=(),
        minutes_per_week=30.0,
        rule=None,
        ladder=(),
        path=(),
        ends_at_ml_h=None,
        report_again=begins + timedelta(days=1),
        chances=None,
        levels_meq_l=None,
        left_alone_meq_l=None,
        left=True,
        rise_limit_meq_l_d=0.5 * DKH,
        rise_limit_stated=True,
        self_regulation_days=None,
        pauses=(),
        reasons=(Remark("plan_holds_still"),),
    )


def _foretold(plan: Plan, variant: str) -> Plan:
    """With chances and levels; the tank evens itself out where a reactor runs."""
    rng = np.random.default_rng(23)
    levels = 8.2 * DKH * np.exp(0.03 * rng.standard_normal((DAYS, 400)))
    sure = {"correct": 0.62, "wide": 0.71}.get(variant, 0.93)
    return replace(
        plan,
        chances=Chances(
            judged_days=DAYS,
            all_days=sure - 0.2,
            good_days=sure,
            all_days_as_kit_reads=sure - 0.41,
            good_days_as_kit_reads=sure - 0.08,
            all_days_set_and_left=0.004,
            good_days_set_and_left=sure - 0.3,
            largest_daily_rise_meq_l=0.3 * DKH * np.exp(0.1 * rng.standard_normal(400)),
        ),
        levels_meq_l=levels,
        left_alone_meq_l=1.1 * levels,
        self_regulation_days=5 * np.exp(0.1 * rng.standard_normal(400))
        if plan.today.flow_ml_h
        else None,
        report_again=plan.begins + timedelta(days=7),
        reasons=(),
    )


def _tests(
    tank: Tank, log: TankLog, days: Sequence[int], repeats: int, effluent: int | None = None
) -> tuple[PlannedTest, ...]:
    """Tests of tank alkalinity on some days, and of the effluent twice on one."""
    kit = next(iter(tank.kits))

    def at(day: int) -> datetime:
        return datetime.combine(log.end.date() + timedelta(days=day), time(18, 30))

    found = [
        PlannedTest(at(day), "alkalinity", "tank", kit, repeats, 4.0 * repeats, "rule")
        for day in days
    ]
    if effluent is not None:
        found.append(PlannedTest(at(effluent), "alkalinity", "effluent", kit, 2, 8.0, "learning"))
    return tuple(sorted(found, key=lambda test: (test.time, test.of != "tank")))


def _rule(
    tank: Tank,
    *,
    pump: tuple[float, float] = (0.0, 0.0),
    doses: tuple[Mapping[str, float], Mapping[str, float]] | None = None,
    climbs: bool = False,
) -> TestRule:
    """Seven rows that meet half way between figures of the kit: 5.85 to 10.35 dKH."""
    none = dict.fromkeys(tank.solutions, 0.0)
    up, down = doses or (none, none)
    edges = [(n + 0.5) * STEP_DKH * DKH for n in (19, 23, 25, 28, 30, 34)]
    near = "next" if climbs else "stay"
    return TestRule(
        kit=next(iter(tank.kits)),
        most_ml_d=dict.fromkeys(tank.solutions, 250.0),
        cases=(
            Case(None, edges[0], "report"),
            Case(edges[0], edges[1], "repeat"),
            Case(edges[1], edges[2], "set", pump[0], up, "stay"),
            Case(edges[2], edges[3], "set", 0.0, none, near),
            Case(edges[3], edges[4], "set", pump[1], down, near),
            Case(edges[4], edges[5], "repeat"),
            Case(edges[5], None, "report"),
        ),
    )


def _hold(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    """The pump steers a running reactor."""
    return replace(
        plan,
        kind="hold",
        today=Today(2220.0, dict.fromkeys(tank.solutions, 0.0)),
        tests=_tests(tank, log, (3, 7), 2, effluent=7),
        rule=_rule(tank, pump=(110.0, -140.0)),
    )


def _leave(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    return replace(_hold(plan, tank, log), left=True, today=plan.today)


def _hand_over(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    """Two rungs until the report, one after it; the dosing steers."""
    soda, chloride = tank.solutions
    begins = plan.begins
    steps = ((0, 300.0, 120.0), (2, 1200.0, 60.0), (4, 2220.0, 0.0))
    takes = (0.0, 60.0, 60.0)
    rungs = [
        Rung(begins + timedelta(days=day), flow, {soda: taken, chloride: taken / 2})
        for (day, flow, _), taken in zip(steps, takes, strict=True)
    ]
    assert plan.levels_meq_l is not None
    path = tuple(
        PathStep(
            begins + timedelta(days=day),
            flow,
            {soda: dose, chloride: dose / 2},
            plan.levels_meq_l[day],
        )
        for day, flow, dose in steps
    )
    change = {soda: 12.0, chloride: 6.0}
    return replace(
        plan,
        kind="hand_over",
        today=Today(300.0, {soda: 120.0, chloride: 60.0}),
        tests=_tests(tank, log, (2, 4), 1, effluent=4),
        rule=_rule(tank, doses=(change, {name: -ml for name, ml in change.items()}), climbs=True),
        ladder=tuple(rungs[:2]),
        path=path,
        ends_at_ml_h=2220.0,
        report_again=begins + timedelta(days=4),
        reasons=(Remark("plan_hands_over", {"steps": 2}),),
    )


def _hostile(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    """A hand-over with all that names a solution."""
    soda, chloride = tank.solutions
    handed = _hand_over(plan, tank, log)
    once = (Once(plan.begins, soda, 40.0),)
    return replace(
        handed,
        today=Today(300.0, {soda: 7.5, chloride: 0.0}, once),
        pauses=(chloride,),
        reasons=(*handed.reasons, Remark("plan_calcium_pauses", {"solutions": (chloride,)})),
    )


def _first_step(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    """A reactor whose effluent was never tested: one safe step, and the test that decides."""
    soda, chloride = tank.solutions
    return replace(
        plan,
        kind="hand_over",
        today=Today(76.0, {soda: 160.0, chloride: 80.0}),
        tests=_tests(tank, log, (1,), 1, effluent=1),
        ends_at_ml_h=1430.0,
        report_again=plan.begins + timedelta(days=1),
        reasons=(Remark("plan_first_step_only"),),
    )


def _dose(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    """No reactor: the dosing holds the level."""
    soda, chloride = tank.solutions
    up, down = ({soda: sign * 15.0, chloride: sign * 7.5} for sign in (1, -1))
    return replace(
        plan,
        kind="dose",
        today=Today(None, {soda: 190.0, chloride: 95.0}),
        tests=_tests(tank, log, (3, 7), 1),
        rule=_rule(tank, doses=(up, down)),
    )


def _correct(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    """A level below its band: three additions, then the pump as it was."""
    soda, _ = tank.solutions
    once = tuple(Once(plan.begins + timedelta(days=day), soda, 46.0) for day in range(3))
    return replace(
        plan,
        kind="correct",
        today=Today(2600.0, dict.fromkeys(tank.solutions, 0.0), once),
        tests=_tests(tank, log, (1, 2, 3), 1, effluent=3),
        rule=_rule(tank, pump=(130.0, -130.0)),
        report_again=plan.begins + timedelta(days=3),
        reasons=(Remark("plan_corrects", {"days": 3}),),
    )


def _check(plan: Plan, tank: Tank, log: TankLog) -> Plan:
    """The pump held back until a cause is found; a solution bridges the gap."""
    soda, chloride = tank.solutions
    return replace(
        plan,
        kind="check",
        today=Today(1800.0, {soda: 36.0, chloride: 0.0}),
        tests=_tests(tank, log, (1,), 1, effluent=0),
        report_again=plan.begins + timedelta(days=1),
        reasons=(Remark("plan_held_back", {"most_ml_h": 1800.0}),),
    )


def begins_later(plan: Plan, days: int) -> Plan:
    """The plan of a report made some days after the log's last entry."""
    by = timedelta(days=days)
    return replace(
        plan,
        begins=_later(plan.begins, by),
        report_again=_later(plan.report_again, by),
        tests=tuple(replace(test, time=test.time + by) for test in plan.tests),
        ladder=tuple(replace(rung, on=_later(rung.on, by)) for rung in plan.ladder),
        path=tuple(replace(step, on=_later(step.on, by)) for step in plan.path),
    )


def _later(day: date, by: timedelta) -> date:
    return day + by
