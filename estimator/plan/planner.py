"""The one plan: from what is known of the tank to what is set today, tested, and done by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from estimator.advice.alarms import STANDS, Alarm
from estimator.advice.chamber import FASTEST
from estimator.advice.flow import Recommendation, to_l_d, to_ml_h
from estimator.fit.fitting import Fit
from estimator.fit.kit_in_use import kit_in_use, last_kit
from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import USUAL_MINUTES, Kit, Tank
from estimator.next_tests.candidates import bench_of
from estimator.plan.course import Belief, Followed, Rhythm, follow, prospects
from estimator.plan.foretold import foretold
from estimator.plan.futures import Futures, futures_of
from estimator.plan.guard import FORBIDDING, most_meanwhile
from estimator.plan.means import Means, means_of, settable_flow
from estimator.plan.present import settable_dose
from estimator.plan.result import Case, Chances, Once, PathStep, Plan, Rung, TestRule, Today
from estimator.plan.schedule import LEARNING, RULE, UNTESTED_REPEATS, Schedule
from estimator.plan.search import (
    AHEAD_DAYS,
    JUDGED_DAYS,
    LEAD_DAYS,
    Chosen,
    Task,
    belief_for,
    search,
)
from estimator.remark import Remark

LATEST_HOUR = 22
"""A log that ends later than this leaves nothing of its day to act on."""
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
REPORT_DAYS = {"check": 1, "untested": 1, "correct": 3, "hand_over": 4, "hold": 7, "dose": 7}
"""From the first step to the next report."""
GOES_ON = 0.8
"""Chance of a level in the band from which a hand-over goes on."""
UNSURE_KIT = 0.025
"""Relative sd of a kit's calibration above which it is checked where there is a reference."""
STILL = (*FORBIDDING, "log age")
"""With an alarm about one of these nothing is changed before it is looked at."""
MUCH_DOSED = 0.03
"""Part of the load: where less is dosed beside a running reactor, the reactor carries the load."""


@dataclass(frozen=True)
class Ground:
    """What a plan is made from.

    Attributes:
        fitted: the fit.
        recommendation: the flow advice, alarms heeded.
        alarms: worst first.
        most_ml_h: highest setting of the pump while a cause is to be found; None where none is.
        shown: figures of alkalinity may be shown.
        means: what can be set.
        begins: day of the first step.
        minutes_per_week: for testing.
    """

    fitted: Fit
    recommendation: Recommendation
    alarms: tuple[Alarm, ...]
    most_ml_h: float | None
    shown: bool
    means: Means
    begins: date
    minutes_per_week: float

    @property
    def posterior(self) -> Posterior:
        """Draws."""
        return self.fitted.posterior

    @property
    def unwritten(self) -> bool:
        """Whether something that is added is most likely not in the log: what the tank takes is
        then not what it seems to take, and settings that hold the level are left."""
        return any(a.about == "additions" and a.chance >= STANDS for a in self.alarms)

    @property
    def tank(self) -> Tank:
        """The tank file."""
        return self.fitted.tank


def ground_of(
    fitted: Fit,
    recommendation: Recommendation,
    alarms: tuple[Alarm, ...],
    minutes_per_week: float,
    *,
    shown: bool,
    today: date | None = None,
) -> Ground:
    """What a plan is made from; `today` is the day of the report, where it is later than the
    log's."""
    last = fitted.log.end
    begins = last.date() + timedelta(days=int(last.hour >= LATEST_HOUR))
    means = means_of(fitted.posterior, fitted.log, fitted.tank)
    return Ground(
        fitted,
        recommendation,
        alarms,
        most_meanwhile(alarms, fitted.posterior, fitted.log, fitted.tank),
        shown,
        means,
        max(begins, today or begins),
        minutes_per_week,
    )


def make_plan(ground: Ground, seed: np.random.SeedSequence) -> tuple[Plan, Schedule]:
    """All that is to be done until the next report, and its schedule so far.

    What is left of the schedule's minutes is for tests that teach most.
    """
    plan, rhythm = _made(ground, seed)
    found = schedule_for(ground, plan, rhythm)
    return replace(plan, tests=found.in_order()), found


def _made(ground: Ground, seed: np.random.SeedSequence) -> tuple[Plan, Rhythm | None]:
    """The plan without tests, and the rhythm of those of its rule."""
    forbids = [a for a in ground.alarms if a.about in STILL and a.chance >= STANDS]
    if not ground.shown or forbids:
        return _held_still(ground, forbids), None
    if not ground.means.ml_per_meq and not ground.means.reactor:
        return _held_still(ground, []), None
    wait = (ground.begins - ground.posterior.days[-1]).days
    rngs = [np.random.default_rng(one) for one in seed.spawn(2)]
    looked, told = (
        futures_of(ground.posterior, ground.tank, (wait, wait + AHEAD_DAYS), rng) for rng in rngs
    )
    kind, phase = _kind_of(ground)
    task = _task(ground, looked, phase)
    chosen = search(task, looked)
    return _told(ground, task, chosen, told, kind), chosen.rhythm


def _kind_of(ground: Ground) -> tuple[str, str]:
    """The kind of the plan, and the phase that its rhythm of reports follows."""
    posterior, means = ground.posterior, ground.means
    kind = "dose"
    if means.reactor:
        load = float(np.median(posterior.state.load_meq_d))
        dosed = means.present_meq_d > MUCH_DOSED * load
        kind = "hand_over" if dosed or means.present_l_d == 0 else "hold"
    phase = kind
    if kind == "hand_over" and not posterior.effluent_tested:
        phase = "untested"
    elif ground.recommendation.flow.level_in_band < 0.5:
        kind = phase = "correct"
    if ground.most_ml_h is not None or ground.unwritten:
        return "check", "check"
    return kind, phase


def _held_still(ground: Ground, forbids: Sequence[Alarm]) -> Plan:
    """Everything stays as it is, and a test tomorrow tells more."""
    means = ground.means
    flow = means.shown_ml_h(means.present_l_d) if means.reactor else None
    rates = {name: settable_dose(rate) for name, rate in means.present_ml_d.items()}
    cause = bool(forbids) or bool(ground.alarms)
    return Plan(
        kind="check" if cause else "none",
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


def _belief(ground: Ground, futures: Futures) -> Belief:
    """The middle tank; what is unsure of the net supply is filled in by course."""
    state, band = futures.state, ground.tank.targets[ALKALINITY.name]
    law = state.law.median()
    calibration = float(np.median(futures.calibration))
    uptake = float(np.median(state.uptake_meq_l_d))
    supply = law.supply_meq_d(max(ground.means.present_l_d, 1e-9), law.middle_meq_l)
    wander = float(np.mean(state.uptake_drift_meq_l_d**2))
    wander += float(np.mean(state.effluent_drift**2) * (supply / law.volume_l) ** 2)
    step = futures.kit_step_meq_l
    noise = float(np.median(futures.repeatability_meq_l)) ** 2 + step**2 / 12
    none = np.zeros(1)
    return Belief(
        law=law,
        level_meq_l=float(np.median(state.level_meq_l)),
        uptake_meq_l_d=uptake,
        calibration=calibration,
        below_mean_meq_l=float(np.median(futures.below_mean_d * state.uptake_meq_l_d)),
        level_sd=none,
        net_sd=none,
        correlation=none,
        net_drift=float(np.sqrt(wander)),
        reading_sd=float(np.sqrt(noise)),
        aim_meq_l=band.middle,
    )


def _final_l_d(ground: Ground, belief: Belief) -> float | None:
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
    load = max(belief.uptake_meq_l_d, 0.0) * float(law.volume_l)
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
    found = [settable_flow(means.pump, min(one, 1e6)) for one in wanted]
    if ladder and found and ground.recommendation.flow.level_in_band >= GOES_ON:
        # A hand-over that could wait for ever would.
        on = [one for one in found if one != present]
        return list(dict.fromkeys(on)) or [present]
    return list(dict.fromkeys([present, *found]))


def _task(ground: Ground, futures: Futures, phase: str) -> Task:
    """What the search is for."""
    means, posterior = ground.means, ground.posterior
    band = ground.tank.targets[ALKALINITY.name]
    belief = _belief(ground, futures)
    final = _final_l_d(ground, belief) if means.reactor else None
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
    load = max(belief.uptake_meq_l_d, 0.0) * float(belief.law.volume_l)
    doses = bool(means.ml_per_meq) and (
        dosed or not means.reactor or means.present_l_d == 0 or most < load
    )
    kit = _kit(ground)
    minutes = np.inf if kit is None else kit.minutes or USUAL_MINUTES
    first = REPORT_DAYS[phase]
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
        minutes_per_week=_for_the_rule(ground, posterior, minutes),
        report_days=tuple(range(first, AHEAD_DAYS, max(first, 3))),
    )


def _for_the_rule(ground: Ground, posterior: Posterior, minutes: float) -> float:
    """Minutes a week for tests of the tank's alkalinity: one of the effluent is left room for."""
    runs = ground.means.reactor and np.isfinite(minutes)
    return ground.minutes_per_week - (minutes if runs else 0.0)


def _kit(ground: Ground) -> Kit | None:
    """The kit that reads the tank's alkalinity."""
    tank = ground.tank
    declared = (kit.name for kit in tank.kits.values() if kit.parameter == ALKALINITY.name)
    return tank.kits.get(last_kit(ground.posterior) or next(declared, ""))


def _told(ground: Ground, task: Task, chosen: Chosen, told: Futures, kind: str) -> Plan:
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
    report = ground.begins + timedelta(days=task.report_days[0])
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
        foretold=foretold(kit.name if (kit := _kit(ground)) else "", told, path),
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
    climbs = chosen.steps > 0
    ups = climbs and courses.flow_l_d[0, 1] > courses.flow_l_d[0, 0]

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
    ends = max(2 * half, 4 * kit_in_use(ground.posterior, ground.tank).step_meq_l)
    step = kit_in_use(ground.posterior, ground.tank).step_meq_l
    ends = float(np.ceil(ends / step) * step)
    return TestRule(
        kit=kit.name if (kit := _kit(ground)) else None,
        most_ml_d=means.rates(task.most_meq_d) if task.doses else means.rates(0.0),
        cases=(
            Case(None, far_low - ends, "report"),
            Case(far_low - ends, far_low, "repeat"),
            row(
                far_low,
                low,
                float(rule.raise_l_d),
                float(rule.raise_meq_d),
                moves=climbs and not ups,
            ),
            row(low, high, 0.0, 0.0, moves=climbs),
            row(high, far_high, float(rule.lower_l_d), float(rule.lower_meq_d), moves=ups),
            Case(far_high, far_high + ends, "repeat"),
            Case(far_high + ends, None, "report"),
        ),
    )


def _reasons(ground: Ground, task: Task, chosen: Chosen) -> list[Remark]:
    """Why the plan is as it is."""
    found = []
    if task.once_meq:
        found.append(Remark("plan_corrects", {"days": len(task.once_meq)}))
    if ground.most_ml_h is not None:
        found.append(Remark("plan_held_back", {"most_ml_h": ground.most_ml_h}))
    if task.first_only:
        found.append(Remark("plan_first_step_only"))
    elif chosen.steps:
        found.append(Remark("plan_hands_over", {"steps": chosen.steps}))
    if ground.means.pauses and chosen.courses.dose_meq_d[0] > 0:
        found.append(Remark("plan_calcium_pauses", {"solutions": ground.means.pauses}))
    return found


def _kit_unsure(ground: Ground) -> bool:
    """Whether a check of the kit would tell the level markedly better."""
    calibration = kit_in_use(ground.posterior, ground.tank).calibration
    return float(np.std(calibration)) > UNSURE_KIT


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
