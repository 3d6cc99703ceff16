"""The one schedule of tests: what an alarm asks for, what the rule acts on, what teaches most.

In this order, within the keeper's minutes: tests that an alarm asks for today, those of the rule
and of the next report, one of the effluent of a running reactor before the report (a chamber that
weakens shows there first), and what is left of the minutes goes to the tests that narrow the needed
flow most, given the others (`next_tests.timetable`).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from estimator.advice.asked_tests import AskedTest
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import TankLog
from estimator.inputs.tank import USUAL_MINUTES, Tank
from estimator.next_tests.candidates import (
    EFFLUENT_ALKALINITY,
    REFERENCE,
    TANK_ALKALINITY,
    Bench,
)
from estimator.next_tests.planning import Due
from estimator.next_tests.timetable import PlannedTest

RULE, LEARNING = "rule", "learning"
UNTESTED_REPEATS = 2
"""Of the first test of an effluent, on which the next step of a hand-over rests."""


def minutes_until(
    log: TankLog, tank: Tank, begins: date, until: date, minutes_per_week: float
) -> float:
    """Minutes for tests from one day to another.

    A week's, less those that the week's readings took already; but never less than the part of a
    week that the days are, so that a keeper who tested much of late is still asked for something.
    """
    since = until - timedelta(days=7)
    kits = [tank.kits[r.kit] for r in log.readings if r.kit in tank.kits and r.time.date() > since]
    spent = sum(kit.minutes or USUAL_MINUTES for kit in kits)
    share = min((until - begins).days / 7, 1.0)
    return max(minutes_per_week - spent, share * minutes_per_week)


class Schedule:
    """Grows the schedule, and keeps it within the minutes.

    What cannot wait may take a week's minutes at once, all else those for the days of the plan
    (`minutes_until`).
    """

    def __init__(
        self, bench: Bench, begins: date, until: date, minutes_per_week: float, minutes: float
    ) -> None:
        self.bench, self.begins, self.until = bench, begins, until
        self.minutes_per_week, self.minutes = minutes_per_week, minutes
        self.tests: list[PlannedTest] = []

    def left(self, *, urgent: bool = False) -> float:
        """Minutes left."""
        taken = sum(test.minutes for test in self.tests)
        return max((self.minutes_per_week if urgent else self.minutes) - taken, 0.0)

    def _moment(self, day: int) -> datetime:
        """At the usual hour of a day, or as soon as can be on the first one."""
        usual = datetime.combine(self.begins + timedelta(days=day), self.bench.daily)
        return max(usual, self.bench.now)

    def add(
        self,
        day: int,
        entry: str,
        of: str,
        kit: str | None,
        each: float,
        repeats: int,
        serves: str,
        *,
        urgent: bool = False,
    ) -> None:
        """One test, if there is time for it: fewer repeats where there is not for all."""
        time = self._moment(day)
        there = any((t.time, t.entry, t.of) == (time, entry, of) for t in self.tests)
        possible = (
            min(repeats, int(self.left(urgent=urgent) / each + 1e-9)) if each > 0 else repeats
        )
        if there or possible < 1 or time.date() > self.until:
            return
        self.tests.append(PlannedTest(time, entry, of, kit, possible, possible * each, serves))

    def asked(self, tests: Sequence[AskedTest]) -> None:
        """What an alarm asks for today."""
        for test in tests:
            each = test.minutes / max(test.repeats, 1)
            self.add(0, test.entry, test.of, test.kit, each, test.repeats, LEARNING, urgent=True)

    def alkalinity(
        self, day: int, sample: str, repeats: int, serves: str, *, urgent: bool = False
    ) -> None:
        """A test of alkalinity with the kit in use."""
        kit = self.bench.kits.get(ALKALINITY.name)
        if kit is None or (sample == "effluent" and not self.bench.runs):
            return
        each = kit.minutes or USUAL_MINUTES
        self.add(day, ALKALINITY.name, sample, kit.name, each, repeats, serves, urgent=urgent)

    def reference(self, day: int, repeats: int) -> None:
        """A check of the alkalinity kit, where the keeper has a solution of known value."""
        if self.bench.reference != REFERENCE:
            self.alkalinity(day, self.bench.reference, repeats, LEARNING)

    def taken(self, tests: Sequence[PlannedTest]) -> None:
        """Tests that were chosen for what they teach."""
        for test in tests:
            day = (test.time.date() - self.begins).days
            each = test.minutes / test.repeats
            self.add(day, test.entry, test.of, test.kit, each, test.repeats, LEARNING)

    def due(self) -> Due:
        """The tests of tank and effluent so far, as readings yet to be taken."""
        known = (TANK_ALKALINITY, EFFLUENT_ALKALINITY)
        readings = tuple(
            self.bench.reading(test.entry, test.of, test.time)
            for test in self.tests
            if (test.entry, test.of) in known
            for _ in range(test.repeats)
        )
        return Due(readings, self.until, self.left())

    def in_order(self) -> tuple[PlannedTest, ...]:
        """All tests by time."""
        return tuple(sorted(self.tests, key=lambda test: (test.time, test.of != "tank")))
