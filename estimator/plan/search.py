"""The search of a plan: today's settings, the rhythm of the tests and the size of the rule's steps.

Candidates are followed through futures of the posterior. The best by good days is wanted, but work
and change must be worth it: minutes of testing and a longer hand-over cost a little, and the
present settings are left where nothing does better by `LEFT_ALONE`, neither with the rule followed
nor with nothing changed again. What is chosen in one set of futures is told from another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import NamedTuple

import numpy as np

from estimator.advice.flow import to_l_d
from estimator.inputs.tank import Target
from estimator.plan.belief import Belief
from estimator.plan.course import Courses, Prospects, Rhythm, Rule, follow, prospects
from estimator.plan.futures import MOST_REPEATS, Futures
from estimator.plan.means import SAFE_SHARE, Means, settable_flow

AHEAD_DAYS = 14
"""Days that courses are followed and compared over."""
JUDGED_DAYS = 7
"""Days over which chances are told: a plan is made anew within a week."""
LEFT_ALONE = 0.02
"""Present settings within this of the best are left (by design: a keeper would not bother)."""
MINUTE_COST = 0.0005
"""Good days that a minute of testing a week must bring: twenty minutes for one day in a hundred."""
STEP_COST = 0.001
"""Good days that a day of a longer hand-over must bring."""
LARGEST_STEP = 0.2
"""Of the pump, at one test between reports."""
BETWEEN = (1, 2, 3, 6)
"""Tests from one report to the next, evenly spread over its days."""
NEAR = (0.35, 0.6)
"""What counts as near, in half widths of the band."""
FAR = 1.0
"""From here on a reading surprises, in half widths of the band: it is outside. But never nearer
than one step of the kit past what is near."""
STEER_DAYS = (3.0, 6.0, 12.0)
"""A step of the rule makes good a departure at the edge of what is near in this time."""
LEAD_DAYS = (np.inf, 6.0, 3.0)
"""Today's settings bring the level to its aim in this time."""
RUNGS = (1, 2, 3, 4, 6)
LEAST_RUNG = 0.08
"""Part of the load that a rung moves at least."""
LIFT_FROM = 0.25
"""A level so far below the aim, in widths of the band, is put right by a one-off addition."""
SLOWER_SHARE = 0.5
"""Part of the largest rise that a slower correction asks for."""
FAST_COST = 1.0
"""Good days that a rise beyond the limit costs, in each future that has one: all of them."""
REPORT_COST = 0.01
"""Good days that each report of a week must bring (by design, as `LEFT_ALONE`)."""


class Reports(NamedTuple):
    """When the report is run again.

    Attributes:
        days: from the start.
        minutes: for the rule's tests up to the first of them, that day's included.
    """

    days: tuple[int, ...]
    minutes: float


@dataclass(frozen=True)
class Task:
    """What a search is for.

    Attributes:
        means: what can be set.
        belief: the middle tank, without what depends on a course.
        band: that is to be held.
        flows_l_d: settings of the pump that today may begin with, the present one first.
        ladder_to_l_d: flow that the reactor is to end at by rungs; None without a hand-over.
        first_only: no rung is known beyond today's.
        highest_l_d: the pump is not to go beyond.
        doses: alkalinity may be dosed from today on.
        dose_stays: at the rate of now.
        rise_share: part of the largest rise that is asked for.
        minutes: of one titration; infinite where there is no kit.
        minutes_per_week: that the rule's tests may take.
        reports: when the report may be run again, and those after it.
        with_effluent: a reactor runs whose effluent was tested: it is on the day of each report.
    """

    means: Means
    belief: Belief
    band: Target
    flows_l_d: tuple[float, ...]
    ladder_to_l_d: float | None
    first_only: bool
    highest_l_d: float
    doses: bool
    minutes: float
    minutes_per_week: float
    reports: tuple[Reports, ...]
    with_effluent: bool = False
    dose_stays: bool = False
    rise_share: float = SAFE_SHARE

    @property
    def report_minutes(self) -> float:
        """For the tests on the day of a report, once each."""
        return self.minutes * (1 + self.with_effluent)

    def with_less(self, minutes: float) -> Task:
        """The same with fewer minutes for the rule's tests, in the first week and in every one.

        Reports whose tests there are then no minutes for are left out.
        """
        left = (one._replace(minutes=one.minutes - minutes) for one in self.reports)
        reports = tuple(one for one in left if one.minutes >= self.report_minutes - 1e-9)
        return replace(self, reports=reports, minutes_per_week=self.minutes_per_week - minutes)

    @property
    def volume_l(self) -> float:
        """Water volume."""
        return float(self.belief.law.volume_l)

    @property
    def half_band(self) -> float:
        """Half the width of the band, meq/L."""
        return 0.5 * (self.band.high - self.band.low)

    @property
    def load_meq_d(self) -> float:
        """See `Belief`."""
        return self.belief.load_meq_d

    @property
    def safe_rise(self) -> float:
        """Rise of the level in a day that a plan may ask for, meq/L."""
        return self.rise_share * self.means.rise_meq_l_d

    @property
    def once_meq(self) -> tuple[float, ...]:
        """One-off additions, a day each, that bring a low level to the aim."""
        lacking = self.belief.aim_meq_l - self.belief.level_meq_l
        if self.means.once is None or lacking < LIFT_FROM * 2 * self.half_band:
            return ()
        parts = int(np.ceil(lacking / self.safe_rise - 1e-9))
        return (lacking / parts * self.volume_l,) * parts

    @property
    def level_after(self) -> float:
        """Level once those are given."""
        return self.belief.level_meq_l + sum(self.once_meq) / self.volume_l

    @property
    def most_meq_d(self) -> float:
        """Largest dosing: all of the load, and what raises the level as fast as it safely may."""
        if not self.doses:
            return 0.0
        return self.load_meq_d + self.safe_rise * self.volume_l

    def supply_meq_d(self, flow_l_d: float) -> float:
        """What the reactor is believed to add at the level after correction."""
        return float(self.belief.law.supply_meq_d(flow_l_d, self.level_after))

    def wanted_meq_d(self, lead_days: float) -> float:
        """Supply that holds the aim and brings the level there in this time, within a safe rise."""
        law, off = self.belief.law, self.belief.aim_meq_l - self.level_after
        answer = float(np.asarray(law.level_response_per_d))
        takes = self.belief.uptake_meq_l_d + answer * (self.level_after - law.middle_meq_l)
        lead = float(np.clip(off / lead_days, -self.safe_rise, self.safe_rise))
        return max((takes + lead) * self.volume_l, 0.0)


@dataclass(frozen=True)
class Chosen:
    """The course that was chosen.

    Attributes:
        courses: the one course, (1, …).
        rhythm: of its tests.
        steps: rungs until the end of a hand-over.
        left: nothing is set that is not set now.
    """

    courses: Courses
    rhythm: Rhythm
    steps: int
    left: bool


def rhythms(task: Task, between: Sequence[int] = BETWEEN) -> Iterator[Rhythm]:
    """All rhythms that the keeper's minutes allow, and those without tests between reports."""
    for reports, minutes in task.reports:
        yield Rhythm((), 1, reports, task.with_effluent)
        after_all = 2 * reports[-1] - reports[-2] if len(reports) > 1 else 2 * reports[0]
        for count, repeats in product(between, range(1, MOST_REPEATS + 1)):
            days = {
                begins + round(after)
                for begins, ends in pairwise((0, *reports, after_all))
                for after in np.linspace(0, ends - begins, count + 2)[1:-1]
            }
            days = {day for day in days if day < AHEAD_DAYS} - {0, *reports}
            found = Rhythm(tuple(sorted(days)), repeats, reports, task.with_effluent)
            first = minutes_of(found, task, reports[0])
            a_week = minutes_of(found, task, 7)
            fits = first <= minutes + 1e-9 and a_week <= task.minutes_per_week + 1e-9
            if found.test_days and fits:
                yield found


def minutes_of(rhythm: Rhythm, task: Task, days: int) -> float:
    """Of the rule's tests and of those on the days of a report, until so many days from now."""
    repeats = sum(one.repeats for one in rhythm.visits() if one.day <= days)
    return repeats * task.minutes if np.isfinite(task.minutes) else 0.0


def _thresholds(task: Task, near: float, kit_step: float) -> tuple[float, float, float, float]:
    """Readings where the rule's rows meet, far low to far high, half way between the kit's figures.

    At least one figure of the kit lies in each of the three middle rows.
    """
    belief = task.belief
    aim = belief.calibration * (belief.aim_meq_l - belief.below_mean_meq_l)
    half = task.half_band * belief.calibration

    def half_way(value: float, side: int) -> float:
        return float((np.round(value / kit_step) + 0.5 * side) * kit_step)

    low, high = half_way(aim - near * half, -1), half_way(aim + near * half, 1)
    far_low = min(half_way(aim - FAR * half, -1), low - kit_step)
    far_high = max(half_way(aim + FAR * half, 1), high + kit_step)
    return low, high, far_low, far_high


def _ladder(task: Task, first_l_d: float, steps: int) -> list[float]:
    """Pump settings from today's on, equal in supply."""
    assert task.ladder_to_l_d is not None
    law, middle, final = task.belief.law, task.band.middle, task.ladder_to_l_d

    def supply(flow: float) -> float:
        return float(law.supply_meq_d(flow, middle))

    parts = np.linspace(supply(first_l_d), supply(final), steps + 1)[1:-1]
    flows = [settable_flow(task.means.pump, float(law.flow_for(part))) for part in parts]
    return [first_l_d, *flows, final]


def courses_of(task: Task, rhythm: Rhythm, kit_step: float) -> Iterator[tuple[Courses, int, bool]]:
    """All courses of one rhythm, each (1, …), with its rungs and whether it leaves all as it is."""
    means, belief = task.means, task.belief
    law, middle = belief.law, task.band.middle
    limits = (settable_flow(means.pump, 0.0), max(task.highest_l_d, means.present_l_d))
    tests = max(sum(day < rhythm.report_days[0] for day in rhythm.test_days), 1)
    shapes: list[tuple[list[float], list[float], float, int, bool]] = []
    for flow in task.flows_l_d:
        doses = {0.0}
        if task.dose_stays:
            doses = {means.present_meq_d}
        elif task.doses:
            given = task.supply_meq_d(flow)
            doses = {task.wanted_meq_d(lead) - given for lead in LEAD_DAYS} | {means.present_meq_d}
        for dose in {float(np.clip(one, 0.0, task.most_meq_d)) for one in doses}:
            same = flow == means.present_l_d and abs(dose - means.present_meq_d) < 1e-9
            ladders = [[flow]]
            if task.ladder_to_l_d is not None and not task.first_only:
                ladders = [
                    one
                    for steps in RUNGS
                    if len(set(one := _ladder(task, flow, steps))) == steps + 1
                ] or [[flow]]
            for ladder in ladders:
                supply = [float(law.supply_meq_d(one, middle)) for one in ladder]
                takes, left = [0.0], max(task.load_meq_d - supply[0], 0.0)
                for before, after in pairwise(supply):
                    takes.append(float(np.clip(after - before, 0.0, left)))
                    left -= takes[-1]
                if len(ladder) > 2 and min(takes[1:]) < LEAST_RUNG * task.load_meq_d:
                    continue
                shapes.append((ladder, takes, dose, len(ladder) - 1, same and len(ladder) == 1))
    rules = list(product(NEAR, STEER_DAYS)) if rhythm.test_days else [(NEAR[0], np.inf)]
    for (ladder, takes, dose, steps, same), (near, days) in product(shapes, rules):
        edges = _thresholds(task, near, kit_step)
        step_meq_d = near * task.half_band * task.volume_l / days
        by_pump = (dose < step_meq_d or not task.doses) and ladder[0] > 0
        up = down = raise_l_d = lower_l_d = 0.0
        if by_pump:
            raise_l_d, lower_l_d = _pump_steps(task, ladder[0], step_meq_d, tests, limits[1])
        elif task.doses:
            up, down = step_meq_d, -step_meq_d
        numbers = (*edges, up, down, raise_l_d, lower_l_d)
        columns = max(RUNGS) + 1
        yield (
            Courses(
                flow_l_d=np.pad(ladder, (0, columns - len(ladder)), mode="edge")[None],
                takes_meq_d=np.pad(takes, (0, columns - len(takes)))[None],
                dose_meq_d=np.array([dose]),
                rule=Rule(*(np.array([one]) for one in numbers)),
                by_pump=np.array([by_pump]),
                once_meq=task.once_meq,
                lift_meq=task.safe_rise * task.volume_l if means.once else 0.0,
                limits_l_d=limits,
                most_meq_d=task.most_meq_d,
            ),
            steps,
            same,
        )


def _pump_steps(
    task: Task, flow_l_d: float, step_meq_d: float, tests: int, highest_l_d: float
) -> tuple[float, float]:
    """Changes of the pump at a low and at a high reading, multiples of its step.

    At most a fifth, and so that even after every test of the sheet the supply raises the level no
    faster than is safe.
    """
    law, unit = task.belief.law, float(to_l_d(np.array(task.means.pump.flow_step_ml_h)))
    supply = float(law.supply_meq_d(flow_l_d, task.band.middle))
    slope = supply * float(law.elasticity(flow_l_d)) / max(flow_l_d, 1e-9)
    wanted = min(step_meq_d / max(slope, 1e-9), LARGEST_STEP * flow_l_d)
    fastest = float(law.flow_for(task.load_meq_d + task.safe_rise * task.volume_l))
    room = max(min(fastest, highest_l_d) - flow_l_d, 0.0) / tests

    def steps(change: float) -> float:
        return float(np.floor(change / unit + 1e-9) * unit)

    return steps(min(wanted, room)), -steps(wanted)


def _stacked(found: Sequence[Courses]) -> Courses:
    first = found[0]

    def joined(of: str) -> np.ndarray:
        return np.concatenate([getattr(one, of) for one in found])

    parts = zip(*(one.rule for one in found), strict=True)
    return first._replace(
        flow_l_d=joined("flow_l_d"),
        takes_meq_d=joined("takes_meq_d"),
        dose_meq_d=joined("dose_meq_d"),
        rule=Rule(*(np.concatenate(part) for part in parts)),
        by_pump=joined("by_pump"),
    )


def supplies(courses: Courses, futures: Futures) -> tuple[np.ndarray, np.ndarray]:
    """Change of the level in a day at each course's settings of today, and what the reactor gives
    of it, (c, s), meq/L/day."""
    law, state = futures.state.law, futures.state
    answer = np.asarray(law.level_response_per_d) * (state.level_meq_l - law.middle_meq_l)
    taken = state.uptake_meq_l_d + answer
    given = law.supply_meq_d(courses.flow_l_d[:, :1], state.level_meq_l) / law.volume_l
    dosed = courses.dose_meq_d[:, None] / law.volume_l
    return np.asarray(given + dosed - taken), np.asarray(given + 0 * dosed)


def belief_for(task: Task, courses: Courses, futures: Futures) -> Belief:
    """The belief with what is unsure of the net supply at each course's settings of today."""
    net, given = supplies(courses, futures)
    as_kit = futures.calibration / task.belief.calibration
    level = np.broadcast_to(as_kit * futures.state.level_meq_l, net.shape)
    states = np.stack([level, net, as_kit * given], axis=1)
    apart = states - states.mean(axis=2, keepdims=True)
    spread = apart @ apart.transpose(0, 2, 1) / apart.shape[2]
    return task.belief._replace(spread=spread + 1e-12 * np.eye(3))


def judge(task: Task, futures: Futures, courses: Courses, rhythm: Rhythm) -> Prospects:
    """How courses may go."""
    belief = belief_for(task, courses, futures)
    followed = follow(futures, courses, rhythm, belief, AHEAD_DAYS)
    return prospects(followed, futures.state.level_meq_l, task.band)


def search(task: Task, futures: Futures) -> Chosen:
    """The course to take."""
    slower = [replace(task, rise_share=SLOWER_SHARE)] if task.once_meq else []
    best: list[tuple[float, Chosen]] = []
    for paced, rhythm in product([task, *slower], rhythms(task)):
        found = list(courses_of(paced, rhythm, futures.kit_step_meq_l))
        courses = _stacked([one for one, _, _ in found])
        told = judge(task, futures, courses, rhythm)
        fast = np.mean(told.largest_rise_meq_l_d > task.means.rise_meq_l_d, axis=1)
        reports = sum(day <= 7 for day in rhythm.report_days)
        each = rhythm.test_days[0] if rhythm.test_days else rhythm.report_days[0]
        for at, (_, steps, same) in enumerate(found):
            score = float(told.good_days[at]) - MINUTE_COST * minutes_of(rhythm, task, 7)
            score -= STEP_COST * steps * each + FAST_COST * float(fast[at]) + REPORT_COST * reports
            chosen = Chosen(courses.pick(np.array([at])), rhythm, steps, same)
            best.append((score, chosen))
    top = max(best, key=lambda one: one[0])
    left = [one for one in best if one[1].left]
    if left:
        stay = max(left, key=lambda one: one[0])
        close = stay[0] >= top[0] - LEFT_ALONE
        if close and _alone(task, futures, stay[1]) >= _alone(task, futures, top[1]) - LEFT_ALONE:
            return stay[1]
    return top[1]


def _alone(task: Task, futures: Futures, chosen: Chosen) -> float:
    """Good days where today's settings were never changed again.

    With the rule followed the next report makes good what this one leaves: by that alone a slow
    drift would be left from week to week until it is outside.
    """
    return float(judge(task, futures, chosen.courses, Rhythm((), 1, ())).good_days[0])
