"""Courses of settings followed through futures: the rule of the tests, the rungs, the reports.

At a test the keeper reads the mean of its repeats against the rule: near the reading aimed at
nothing changes, further off the hand (the dosing, or the pump) changes by one step, further still
the reading surprises and is repeated; a mean that surprises again calls for a report. What cannot
be taken from the dosing, because nothing is left of it, is dropped. A course with rungs moves the
pump one rung on at each test that reads near, and what the reactor takes over comes off the
dosing.

At a report the plan is made anew from all that was read. In its stead stands a Kalman filter for
each future (`belief`) and a setting that brings the level to its aim in `REPORT_DAYS` (certainty
equivalence). So futures differ from what a keeper does by the difference between that filter and a
fit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from estimator.inputs.tank import Target
from estimator.plan.belief import EFFLUENT, GIVEN, LEVEL, NET, TANK, Belief, Visit, gains
from estimator.plan.futures import Futures

REPORT_DAYS = 4.0
"""A report sets what brings the level to its aim in this time."""
REPORT_STEPS = (0.5, 1.5)
"""A report sets the pump between these multiples of its flow: a log that is wrong must not throw
it."""
WIDEST = 3.0
"""A reading further from what was foreseen than so many of its errors counts as so far."""


class Rule(NamedTuple):
    """How a test of the tank is acted on: arrays (c,), one for each course. Readings in meq/L.

    Attributes:
        near_low_meq_l, near_high_meq_l: from the first to below the second nothing changes.
        far_low_meq_l, far_high_meq_l: below the first, from the second on, the reading surprises.
        raise_meq_d, lower_meq_d: changes of the dosing below and above what is near.
        raise_l_d, lower_l_d: those of the pump.
    """

    near_low_meq_l: np.ndarray
    near_high_meq_l: np.ndarray
    far_low_meq_l: np.ndarray
    far_high_meq_l: np.ndarray
    raise_meq_d: np.ndarray
    lower_meq_d: np.ndarray
    raise_l_d: np.ndarray
    lower_l_d: np.ndarray

    def each(self, change: Callable[[np.ndarray], np.ndarray]) -> Rule:
        """The rule with a change made to every array."""
        return Rule(*(change(part) for part in self))


class Rhythm(NamedTuple):
    """When is tested and reported, in days from the start.

    Attributes:
        test_days: of the tests that the rule acts on.
        repeats: of each.
        report_days: of the reports; a test of the tank on such a day goes into the report.
        with_effluent: the effluent is tested once on the day of a report, too.
    """

    test_days: tuple[int, ...]
    repeats: int
    report_days: tuple[int, ...]
    with_effluent: bool = False

    def visits(self) -> list[Visit]:
        """Every test, by day."""
        days = {*self.test_days, *self.report_days}
        found = [Visit(day, TANK, self.repeats) for day in days]
        if self.with_effluent:
            found += [Visit(day, EFFLUENT, 1) for day in self.report_days]
        return sorted(found)


class Known(NamedTuple):
    """What is known in each future (s,) before its first setting is made.

    Attributes:
        level_meq_l: now.
        net_meq_l_d: by how much the net supply is above that of the middle tank.
        calibration: of the tests.
    """

    level_meq_l: np.ndarray
    net_meq_l_d: np.ndarray
    calibration: np.ndarray


class Courses(NamedTuple):
    """Courses (c,) of one rhythm.

    Attributes:
        flow_l_d: (c, k) pump settings: today's, then the rungs, the last repeated.
        takes_meq_d: (c, k) by how much the dosing goes down as the pump goes to that rung.
        dose_meq_d: (c,) alkalinity dosed from today on.
        rule: see `Rule`.
        by_pump: (c,) whether reports steer by the pump.
        once_meq: one-off additions of the days from the start on.
        lift_meq: one-off addition of a day that a report may ask for at most.
        limits_l_d: lowest and highest setting of the pump.
        most_meq_d: largest dosing.
    """

    flow_l_d: np.ndarray
    takes_meq_d: np.ndarray
    dose_meq_d: np.ndarray
    rule: Rule
    by_pump: np.ndarray
    once_meq: tuple[float, ...]
    lift_meq: float
    limits_l_d: tuple[float, float]
    most_meq_d: float

    def pick(self, at: np.ndarray) -> Courses:
        """Some of the courses."""
        return self._replace(
            flow_l_d=self.flow_l_d[at],
            takes_meq_d=self.takes_meq_d[at],
            dose_meq_d=self.dose_meq_d[at],
            rule=self.rule.each(lambda part: part[at]),
            by_pump=self.by_pump[at],
        )


class Followed(NamedTuple):
    """What came of each course: (days, c, s).

    Attributes:
        level_meq_l: daily mean at the end of each day.
        shown_meq_l: what one titration of that day shows.
        flow_l_d, dose_meq_d: settings of the day.
    """

    level_meq_l: np.ndarray
    shown_meq_l: np.ndarray
    flow_l_d: np.ndarray
    dose_meq_d: np.ndarray

    def first(self, days: int) -> Followed:
        """The first days of it."""
        return Followed(*(part[:days] for part in self))


def follow(
    futures: Futures,
    courses: Courses,
    rhythm: Rhythm,
    belief: Belief,
    days: int,
    known: Known | None = None,
) -> Followed:
    """Daily mean alkalinity and settings where each course is followed.

    Where something is `known`, today's settings are first put right by it, as at a report.
    """
    tank = _Tank(futures, courses, belief)
    if known is not None:
        tank.start_from(known)
    visits = rhythm.visits()
    weights = gains(belief, visits, courses.flow_l_d[:, 0], days)
    out = Followed(*(np.empty((days, *tank.level.shape)) for _ in range(4)))
    for day in range(days):
        for visit, gain in zip(visits, weights, strict=False):
            if visit.day != day:
                continue
            shown = tank.titrations(futures, visit)
            mean = shown[: visit.repeats].mean(axis=0)
            tank.learn(mean, gain, visit)
            if day not in rhythm.report_days:
                tank.act(mean, shown[visit.repeats], visit.repeats)
        if day in rhythm.report_days:
            tank.report(np.ones(tank.level.shape, dtype=bool))
        tank.advance(futures.strength[day], futures.uptake_meq_l_d[day])
        out.level_meq_l[day], out.flow_l_d[day] = tank.level, tank.flow
        out.dose_meq_d[day] = tank.dose
        out.shown_meq_l[day] = futures.titrations(day + 1, tank.level)[0]
    return out


class _Tank:
    """Each future's tank and what its keeper believes, (c, s)."""

    def __init__(self, futures: Futures, courses: Courses, belief: Belief) -> None:
        shape = (len(courses.dose_meq_d), len(futures.calibration))
        self.courses, self.belief, self.law = courses, belief, futures.state.law
        self.calibration: float | np.ndarray = belief.calibration
        self.rule = courses.rule.each(lambda part: part[:, None])
        self.row = np.arange(shape[0])[:, None]
        self.at = np.zeros(shape, dtype=np.intp)
        # One-off additions still to be given, and how much of them in a day.
        self.open_meq = np.full(shape, sum(courses.once_meq))
        self.daily_meq = np.full(shape, courses.once_meq[0] if courses.once_meq else 0.0)
        self.flow = np.broadcast_to(courses.flow_l_d[:, :1], shape)
        self.dose = np.broadcast_to(courses.dose_meq_d[:, None], shape)
        self.level = np.broadcast_to(futures.state.level_meq_l, shape)
        self.believed = np.full(shape, belief.level_meq_l)
        law = belief.law
        middle = law.middle_meq_l
        self.supply = np.asarray(law.supply_meq_d(courses.flow_l_d, middle))
        # What a litre a day more of flow adds, near the last setting.
        last = courses.flow_l_d[:, -1:]
        slope = np.asarray(law.supply_meq_d(last, middle)) * np.asarray(law.elasticity(last))
        self.slope = np.maximum(slope / np.maximum(last, 1e-9), 1e-9)
        self.fading = np.asarray(law.rates(last)[1])
        # Net change of the level as the keeper believes it, at the present level.
        decay = self.fading * (belief.level_meq_l - middle)
        net = (self.supply[:, :1] + courses.dose_meq_d[:, None]) / float(law.volume_l)
        self.net = np.broadcast_to(net - belief.uptake_meq_l_d - decay, shape)
        self.given = np.broadcast_to(self.supply[:, :1] / self._volume, shape)

    def start_from(self, known: Known) -> None:
        """Today's settings by what is known."""
        self.calibration = known.calibration
        self.believed = np.broadcast_to(known.level_meq_l, self.level.shape)
        self.net = self.net + known.net_meq_l_d
        self._steer(np.ones(self.level.shape, dtype=bool))

    def titrations(self, futures: Futures, visit: Visit) -> np.ndarray:
        """What the kit shows at a visit, see `Futures.titrations`."""
        if visit.sample == TANK:
            return futures.titrations(visit.day, self.level)
        return futures.effluent_titrations(visit.day, self.level, self.flow)

    def learn(self, mean: np.ndarray, gain: np.ndarray, visit: Visit) -> None:
        """What a reading tells the fit."""
        belief = self.belief
        surprise = mean / self.calibration + belief.below_mean_meq_l - self.believed
        if visit.sample == EFFLUENT:
            # Unbounded: it may truly change at once by many errors of a test.
            surprise = surprise * self.flow / self._volume - self.given
        else:
            noise = belief.noise(TANK, visit.repeats, self.courses.flow_l_d[:, 0])
            widest = WIDEST * (noise + np.sqrt(belief.spread[:, LEVEL, LEVEL]))[:, None]
            surprise = np.clip(surprise, -widest, widest)
        self.believed = self.believed + gain[:, LEVEL, None] * surprise
        self.net = self.net + gain[:, NET, None] * surprise
        self.given = self.given + gain[:, GIVEN, None] * surprise

    def act(self, mean: np.ndarray, more: np.ndarray, repeats: int) -> None:
        """The rule of a test, and what a mean that surprises twice calls for."""
        rule, courses = self.rule, self.courses

        def far(reading: np.ndarray) -> np.ndarray:
            return (reading < rule.far_low_meq_l) | (reading >= rule.far_high_meq_l)

        mean = np.where(far(mean), (repeats * mean + more) / (repeats + 1), mean)
        calls = far(mean)
        low = (mean < rule.near_low_meq_l) & ~calls
        high = (mean >= rule.near_high_meq_l) & ~calls
        self._rung(~(calls | low | high))
        dose = low * rule.raise_meq_d + high * rule.lower_meq_d
        flow = low * rule.raise_l_d + high * rule.lower_l_d
        self._set(np.clip(self.dose + dose, 0.0, courses.most_meq_d), self.flow + flow)
        if calls.any():
            self.report(calls)

    def _rung(self, where: np.ndarray) -> None:
        """One rung on."""
        courses = self.courses
        last = courses.flow_l_d.shape[1] - 1
        following = np.minimum(self.at + 1, last)
        by = courses.flow_l_d[self.row, following] - courses.flow_l_d[self.row, self.at]
        moves = where & (self.at < last)
        taken = np.where(moves, courses.takes_meq_d[self.row, following], 0.0)
        dose = np.clip(self.dose - taken, 0.0, courses.most_meq_d)
        given = self.supply[self.row, following] - self.supply[self.row, self.at]
        flow = np.clip(self.flow + np.where(moves, by, 0.0), *courses.limits_l_d)
        given = np.where(moves, given, 0.0) / self._volume
        self.net = self.net + given + (dose - self.dose) / self._volume
        self.given = self.given + given
        self.dose, self.flow, self.at = dose, flow, self.at + moves

    @property
    def _volume(self) -> float:
        return float(self.belief.law.volume_l)

    def _set(self, dose: np.ndarray, flow: np.ndarray) -> None:
        """New settings, and the net supply that the keeper expects of them."""
        flow = np.clip(flow, *self.courses.limits_l_d)
        given = self.slope * (flow - self.flow) / self._volume
        self.net = self.net + given + (dose - self.dose) / self._volume
        self.given = self.given + given
        self.dose, self.flow = dose, flow

    def report(self, where: np.ndarray) -> None:
        """New settings from all that is believed, where a report is run.

        One-off additions are planned anew, for a level that lacks more than those of a day.
        """
        courses = self.courses
        lacking = self._volume * (self.belief.aim_meq_l - self.believed)
        lacking = np.where(lacking > courses.lift_meq, lacking, 0.0) * (courses.lift_meq > 0)
        self.open_meq = np.where(where, lacking, self.open_meq)
        self.daily_meq = np.where(where, courses.lift_meq, self.daily_meq)
        self._rung(where)
        self._steer(where)

    def _steer(self, where: np.ndarray) -> None:
        """Settings that bring the level to its aim in `REPORT_DAYS`, additions counted as given."""
        courses = self.courses
        given = self.open_meq / self._volume
        off = self.believed + given - self.belief.aim_meq_l
        wanted = -self._volume * (self.net - self.fading * given + off / REPORT_DAYS)
        wanted = np.where(where, wanted, 0.0)
        by_pump = courses.by_pump[:, None]
        dose = np.clip(
            self.dose + np.where(by_pump, 0.0, wanted), 0.0, max(courses.most_meq_d, 0.0)
        )
        left = wanted - (dose - self.dose)
        # The pump takes what the dosing cannot give back; raised by it only where it steers.
        left = np.where(by_pump, left, np.minimum(left, 0.0))
        least, most = (step * self.flow for step in REPORT_STEPS)
        self._set(dose, np.clip(self.flow + left / self.slope, least, most))

    def advance(self, strength: np.ndarray, uptake: np.ndarray) -> None:
        """One day."""
        once = np.minimum(self.open_meq, self.daily_meq)
        self.open_meq = self.open_meq - once
        level = self.level + once / self.law.volume_l
        net = self.dose / self.law.volume_l - uptake
        self.level = self.law.advance(level, self.flow, net, strength)
        # A level that was raised takes more, and gets less from the chamber.
        raised = once / self._volume
        self.net = self.net - self.fading * raised
        self.believed = self.believed + raised + self.net
        self.net = self.net * (1.0 - self.fading)


class Prospects(NamedTuple):
    """How courses may go, over the days that are judged; each (c,).

    Attributes:
        all_days, good_days: chance that every daily mean is in the band without a rise above the
            limit, and expected share of such days.
        all_days_as_kit_reads, good_days_as_kit_reads: that a titration of the day reads inside the
            band.
        largest_rise_meq_l_d: (c, s) of daily means from one day to the next.
    """

    all_days: np.ndarray
    good_days: np.ndarray
    all_days_as_kit_reads: np.ndarray
    good_days_as_kit_reads: np.ndarray
    largest_rise_meq_l_d: np.ndarray


def prospects(followed: Followed, start_meq_l: np.ndarray, band: Target) -> Prospects:
    """Chances of courses that were followed.

    Args:
        followed: over the days that are judged.
        start_meq_l: (s,) level at the start.
        band: that is to be held.
    """
    level, shown = followed.level_meq_l, followed.shown_meq_l
    good = (level >= band.low) & (level <= band.high)
    slack = 1e-9 * band.high
    reads = (shown >= band.low - slack) & (shown <= band.high + slack)
    first = np.broadcast_to(start_meq_l, level.shape[1:])[None]
    rise = np.diff(np.concatenate([first, level]), axis=0)
    return Prospects(
        all_days=good.all(axis=0).mean(axis=1),
        good_days=good.mean(axis=(0, 2)),
        all_days_as_kit_reads=reads.all(axis=0).mean(axis=1),
        good_days_as_kit_reads=reads.mean(axis=(0, 2)),
        largest_rise_meq_l_d=rise.max(axis=0),
    )
