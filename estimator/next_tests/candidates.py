"""Candidates: what the keeper could do next that would teach about the flow the tank needs.

`CANDIDATE_KINDS` lists the kinds; `bench_of` tells what this keeper has at hand, and
`candidates_of` makes every candidate that it allows. Words for a kind stand in
`reports.words.advice`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

import numpy as np

from estimator import units
from estimator.fit.problem import Problem
from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM
from estimator.inputs.records import Action, Reading
from estimator.inputs.tank import USUAL_MINUTES, Kit

VOLUME_TEST_SD = 0.02
"""Of the log of the water volume, measured by a counted refill or a salt dilution (common practice,
no source)."""
VOLUME_TEST_MINUTES = 60.0
STOP_MINUTES = 10.0
"""For stopping and starting again, beside the tests."""
REFERENCE = "reference solution"
REFERENCE_ALKALINITY = 8.0 * units.MEQ_L_PER_DKH
"""Of a solution that the keeper would get for the purpose, meq/L."""

TANK_ALKALINITY = (ALKALINITY.name, "tank")
EFFLUENT_ALKALINITY = (ALKALINITY.name, "effluent")
TANK_CALCIUM = (CALCIUM.name, "tank")


@dataclass(frozen=True)
class Bench:
    """What a candidate is made from: the clock, and the kits at hand.

    Attributes:
        now: when a test could be run first.
        daily: the keeper's usual time of testing.
        lights_on, lights_off: times of day.
        kits: the kit to use for each parameter.
        runs: the reactor runs, so that its effluent can be tested.
        reference: name of the solution of known alkalinity.
        running: actions, each the last of its kind, by which something is being added now.
    """

    now: datetime
    daily: time
    lights_on: time
    lights_off: time
    kits: Mapping[str, Kit]
    runs: bool
    reference: str
    running: tuple[Action, ...]

    def on(self, day: int, at: time | None = None) -> datetime:
        """A time on the day so many days after the log's end, never before `now`."""
        moment = datetime.combine(self.now.date() + timedelta(days=day), at or self.daily)
        return max(moment, self.now)

    def can_test(self, parameter: str, sample: str) -> bool:
        """Whether there is a kit for it, and something to sample."""
        return parameter in self.kits and (sample != "effluent" or self.runs)

    def reading(self, parameter: str, sample: str, moment: datetime) -> Reading:
        """A test not yet run, of a parameter that there is a kit for."""
        of = self.reference if sample == "reference" else ""
        kit = self.kits[parameter]
        return Reading(0, moment, parameter, sample, of, 0.0, kit.unit, kit.name)

    def price(self, readings: Sequence[Reading]) -> float | None:
        """What the tests cost, None where there are none or a kit's price is not given."""
        prices = [self.kits[r.parameter].price for r in readings]
        known = [price for price in prices if price is not None]
        return sum(known) if known and len(known) == len(prices) else None

    def minutes(self, readings: Sequence[Reading]) -> float:
        """Minutes that the tests take."""
        return sum(self.kits[r.parameter].minutes or USUAL_MINUTES for r in readings)

    def stopped(self, days: float) -> tuple[Action, ...]:
        """All additions off a minute after `now`, and on again as they were so many days later."""
        off = self.now + timedelta(minutes=1)
        on = off + timedelta(days=days)
        return tuple(
            [replace(action, time=off, value=0.0) for action in self.running]
            + [replace(action, time=on) for action in self.running]
        )


def bench_of(problem: Problem) -> Bench:
    """What tests this keeper can run from the end of the log on."""
    log, tank = problem.log, problem.tank
    used: dict[str, Kit] = {}
    for parameter in (ALKALINITY.name, CALCIUM.name, MAGNESIUM.name):
        tests = [r.kit for r in log.readings if r.parameter == parameter and r.kit in tank.kits]
        named = [kit.name for kit in tank.kits.values() if kit.parameter == parameter]
        if tests or named:
            used[parameter] = tank.kits[max(tests, key=tests.count) if tests else named[0]]
    minutes = [
        60 * r.time.hour + r.time.minute
        for r in log.readings
        if (r.parameter, r.sample) == TANK_ALKALINITY
    ]
    known = [c.name for c in tank.references.values() if ALKALINITY.name in c.levels]
    last = {a.of: a for a in log.actions if a.kind in ("dose_rate", "flow")}
    return Bench(
        now=log.end + timedelta(hours=1),
        daily=_clock(float(np.median(minutes)) / 60 if minutes else 20.0),
        lights_on=_clock(tank.lights_on_h),
        lights_off=_clock(tank.lights_off_h),
        kits=used,
        runs=problem.schedule.present_flow_l_d > 0,
        reference=known[0] if known else REFERENCE,
        running=tuple(action for action in last.values() if action.value),
    )


def _clock(hours: float) -> time:
    minutes = round(hours * 60) % 1440
    return time(minutes // 60, minutes % 60)


@dataclass(frozen=True)
class Candidate:
    """Something to do that would teach about the flow.

    Attributes:
        key: of its kind.
        readings: the tests, each once.
        repeats: how many times each.
        actions: done meanwhile.
        volume_sd: of the log of a measured water volume, None where it is not measured.
        minutes: of work in all.
        price: in the keeper's money, None where it is not known.
        days: until the last result is in hand.
        risky: it may harm the tank, so that it is ranked but never put first.
    """

    key: str
    readings: tuple[Reading, ...]
    repeats: int
    actions: tuple[Action, ...] = ()
    volume_sd: float | None = None
    minutes: float = 0.0
    price: float | None = None
    days: float = 0.0
    risky: bool = False


Times = Callable[[Bench], Sequence[datetime]]
"""When to test."""


@dataclass(frozen=True)
class CandidateKind:
    """A kind of candidate.

    Attributes:
        key: for the program and for its words.
        tests: (parameter, sample) of each, run one after the other.
        times: when to run them.
        repeats: numbers of repeats that are offered.
        stop_days: all additions stop for so long.
        volume: the water volume is measured.
    """

    key: str
    tests: tuple[tuple[str, str], ...]
    times: Times
    repeats: tuple[int, ...] = (1,)
    stop_days: float = 0.0
    volume: bool = False


def _at_once(bench: Bench) -> Sequence[datetime]:
    return [bench.now]


def _daily(*days: int) -> Times:
    """At the usual time on some days."""
    return lambda bench: [bench.on(day) for day in days]


def _with_the_lights(*days: int) -> Times:
    """When the lights come on and when they go off."""
    return lambda bench: [
        bench.on(day, at) for day in days for at in (bench.lights_on, bench.lights_off)
    ]


def _before_and_after(days: float) -> Times:
    return lambda bench: [bench.now, bench.now + timedelta(days=days)]


CANDIDATE_KINDS: tuple[CandidateKind, ...] = (
    CandidateKind("tank_alkalinity", (TANK_ALKALINITY,), _at_once, (1, 2, 3, 5)),
    CandidateKind("effluent_alkalinity", (EFFLUENT_ALKALINITY,), _at_once, (1, 2, 3, 5)),
    CandidateKind("tank_and_effluent", (TANK_ALKALINITY, EFFLUENT_ALKALINITY), _at_once, (1, 2, 3)),
    CandidateKind("tank_calcium", (TANK_CALCIUM,), _at_once, (1, 2, 3)),
    CandidateKind("tank_magnesium", ((MAGNESIUM.name, "tank"),), _at_once),
    CandidateKind("reference", ((ALKALINITY.name, "reference"),), _at_once, (1, 2, 3)),
    CandidateKind("daily_week", (TANK_ALKALINITY,), _daily(*range(1, 8)), (1, 2)),
    CandidateKind("pairs", (TANK_ALKALINITY,), _with_the_lights(1, 2, 3)),
    CandidateKind("third_day", (TANK_ALKALINITY,), _daily(3, 6, 9, 12), (1, 2)),
    CandidateKind("weekly_both", (TANK_ALKALINITY, EFFLUENT_ALKALINITY), _daily(7, 14), (1, 2)),
    CandidateKind("volume", (), _at_once, volume=True),
    CandidateKind("stop_day", (TANK_ALKALINITY,), _before_and_after(1), (1, 2), stop_days=1),
)
"""Every kind of thing that could be done next; add one here, and its words to
`reports.words.advice`."""


def candidates_of(bench: Bench) -> tuple[Candidate, ...]:
    """Every candidate that this keeper's kits and tank allow."""
    found: list[Candidate] = []
    for kind in CANDIDATE_KINDS:
        can_test = all(bench.can_test(*test) for test in kind.tests)
        if not can_test or (kind.stop_days and not bench.running):
            continue
        readings = tuple(
            bench.reading(*test, moment) for moment in kind.times(bench) for test in kind.tests
        )
        price = bench.price(readings)
        last = max([bench.now, *(r.time for r in readings)])
        beside = VOLUME_TEST_MINUTES * kind.volume + STOP_MINUTES * bool(kind.stop_days)
        found += [
            Candidate(
                key=kind.key,
                readings=readings,
                repeats=repeats,
                actions=bench.stopped(kind.stop_days) if kind.stop_days else (),
                volume_sd=VOLUME_TEST_SD if kind.volume else None,
                minutes=repeats * bench.minutes(readings) + beside,
                price=None if price is None else repeats * price,
                days=(last - bench.now) / timedelta(days=1),
                risky=kind.stop_days > 0,
            )
            for repeats in kind.repeats
        ]
    return tuple(found)


def tests_to_choose_from(bench: Bench, weeks: int) -> tuple[Reading, ...]:
    """What a plan is made from: each test of tank and effluent at the usual time of each day."""
    return tuple(
        bench.reading(parameter, sample, bench.on(day))
        for day in range(1, 7 * weeks + 1)
        for parameter, sample in (TANK_ALKALINITY, TANK_CALCIUM, EFFLUENT_ALKALINITY)
        if bench.can_test(parameter, sample)
    )
