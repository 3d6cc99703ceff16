"""Which test to run next, how much testing is enough, and a plan for the next two weeks.

`CANDIDATES` lists what a keeper could do; `rank` says what each is worth (`worth`); `how_much`
follows the best order of tests to the floor that they cannot pass; `schedule_tests` fills the
minutes that the keeper has. The last two need thousands of sets weighed, so they use the best
linear estimate of log flow: its error variance needs only the covariances of `foresight`, pooled
over the draws, and what it chooses is then weighed in full.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from itertools import combinations

import numpy as np

from estimator import units
from estimator.advice.flow import PLANNED_PUMP, to_l_d, to_ml_h
from estimator.fit.fitting import Fit
from estimator.fit.forecast import compile_forecast
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.problem import Problem
from estimator.fit.schedule import Schedule
from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Kit, Tank
from estimator.next_tests.foresight import (
    Foresight,
    Outcomes,
    before_tests,
    compile_foresight,
    foresee,
    outcomes_of,
)
from estimator.next_tests.worth import (
    Worth,
    perfect_knowledge,
    range_widths,
    settings_to_try,
    worth_of,
)

USUAL_MINUTES = 5.0
"""Of one titration, where the tank file states none (common practice, no source)."""
VOLUME_TEST_SD = 0.02
"""Of the water volume measured by a counted refill or a salt dilution (common practice, no
source)."""
VOLUME_TEST_MINUTES = 60.0
STOP_MINUTES = 10.0
"""For stopping and starting again, beside the tests."""
REFERENCE = "reference solution"
REFERENCE_ALKALINITY = 8.0 * units.MEQ_L_PER_DKH
"""Of a solution that the keeper would get for the purpose, meq/L."""
PLAN_WEEKS = 2
USUAL_WEEKLY_MINUTES = 30.0
ENOUGH = 0.01
"""More testing is not worth it where it adds less than this to the chance of holding the band."""
HOLDS = 0.8
"""The readings settle the setting where no test adds `ENOUGH` and the band is held this surely."""
MOST_A_DAY = 3
"""Repeats of one test at one time in a plan."""
MOST_TESTS = 28
"""Length of the curve of width against tests."""
WEIGHED = (1, 2, 4, 8, 14)
"""Numbers of tests along the curve whose gain is computed."""
WIDER = 1.25
LOOK_AHEAD_DAYS = 60


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
        stop, restart: actions that stop and restart all that is being added, without a time.
    """

    now: datetime
    daily: time
    lights_on: time
    lights_off: time
    kits: Mapping[str, Kit]
    runs: bool
    reference: str
    stop: tuple[Action, ...]
    restart: tuple[Action, ...]

    def on(self, day: int, at: time | None = None) -> datetime:
        """A time on the day so many days after the log's end, never before `now`."""
        moment = datetime.combine(self.now.date() + timedelta(days=day), at or self.daily)
        return max(moment, self.now)

    def reading(self, parameter: str, sample: str, moment: datetime) -> Reading:
        """A test not yet run."""
        of = self.reference if sample == "reference" else ""
        kit = self.kits[parameter]
        return Reading(0, moment, parameter, sample, of, 0.0, kit.unit, kit.name)

    def price(self, readings: Sequence[Reading]) -> float | None:
        """What the tests cost, None where a kit's price is not given."""
        kits = {kit.name: kit for kit in self.kits.values()}
        prices = [kits[r.kit].price for r in readings]
        known = [price for price in prices if price is not None]
        return sum(known) if known and len(known) == len(prices) else None

    def minutes(self, readings: Sequence[Reading]) -> float:
        """Minutes that the tests take."""
        kits = {kit.name: kit for kit in self.kits.values()}
        return sum(kits[r.kit].minutes or USUAL_MINUTES for r in readings)


@dataclass(frozen=True)
class Candidate:
    """Something to do that would teach about the flow.

    Attributes:
        key: for the program.
        label: what to do, in words.
        readings: the tests, each once.
        repeats: how many times each.
        actions: done meanwhile.
        volume_sd: of a measurement of the water volume, None where it is no such thing.
        minutes: of work in all.
        price: in the keeper's money, None where it is not known.
        days: until the last result is in hand.
        risk: what to beware of, "" where there is nothing.
    """

    key: str
    label: str
    readings: tuple[Reading, ...]
    repeats: int
    actions: tuple[Action, ...] = ()
    volume_sd: float | None = None
    minutes: float = 0.0
    price: float | None = None
    days: float = 0.0
    risk: str = ""


Maker = Callable[[Bench], tuple[Reading, ...]]


@dataclass(frozen=True)
class _Kind:
    """An entry of `CANDIDATES`: its tests, and how many repeats of them are offered."""

    key: str
    label: str
    make: Maker
    repeats: tuple[int, ...] = (1,)
    stops: bool = False
    volume: bool = False
    risk: str = ""


def _at_once(*tests: tuple[str, str]) -> Maker:
    """Tests to run at once."""
    return lambda bench: tuple(bench.reading(p, sample, bench.now) for p, sample in tests)


def _daily(days: Sequence[int], *tests: tuple[str, str]) -> Maker:
    """Tests at the usual time on some days."""
    return lambda bench: tuple(
        bench.reading(p, sample, bench.on(day)) for day in days for p, sample in tests
    )


def _pairs(days: Sequence[int]) -> Maker:
    """Tank alkalinity when the lights come on and when they go off."""
    return lambda bench: tuple(
        bench.reading(ALKALINITY.name, "tank", bench.on(day, at))
        for day in days
        for at in (bench.lights_on, bench.lights_off)
    )


_TANK = (ALKALINITY.name, "tank")
_EFFLUENT = (ALKALINITY.name, "effluent")
_CALCIUM = (CALCIUM.name, "tank")

CANDIDATES: tuple[_Kind, ...] = (
    _Kind("tank_alkalinity", "tank alkalinity", _at_once(_TANK), (1, 2, 3, 5)),
    _Kind("effluent_alkalinity", "effluent alkalinity", _at_once(_EFFLUENT), (1, 2, 3, 5)),
    _Kind(
        "tank_and_effluent",
        "tank and effluent alkalinity, one after the other",
        _at_once(_TANK, _EFFLUENT),
        (1, 2, 3),
    ),
    _Kind("tank_calcium", "tank calcium", _at_once(_CALCIUM), (1, 2, 3)),
    _Kind("tank_magnesium", "tank magnesium", _at_once((MAGNESIUM.name, "tank"))),
    _Kind(
        "reference",
        "alkalinity of a reference solution",
        _at_once((ALKALINITY.name, "reference")),
        (1, 2, 3),
    ),
    _Kind("daily_week", "tank alkalinity daily for a week", _daily(range(1, 8), _TANK), (1, 2)),
    _Kind("pairs", "tank alkalinity morning and evening for three days", _pairs(range(1, 4))),
    _Kind(
        "third_day",
        "tank alkalinity every third day for two weeks",
        _daily(range(3, 15, 3), _TANK),
        (1, 2),
    ),
    _Kind(
        "weekly_both",
        "tank and effluent alkalinity once a week for two weeks",
        _daily((7, 14), _TANK, _EFFLUENT),
        (1, 2),
    ),
    _Kind("volume", "measure the water volume", lambda bench: (), volume=True),
    _Kind(
        "stop_day",
        "stop all additions for a day, tank alkalinity before and after",
        lambda bench: (
            bench.reading(*_TANK, bench.now),
            bench.reading(*_TANK, bench.now + timedelta(days=1)),
        ),
        (1, 2),
        stops=True,
        risk="Alkalinity falls by a whole day's uptake. Do not do it where the level stands near "
        "the low end of the band, and start everything again afterwards.",
    ),
)
"""Every thing that could be done next; add one here."""


@dataclass(frozen=True)
class Ranked:
    """A candidate and what it is worth; widths in mL/h of the 9-in-10 range of the needed flow.

    `narrowing` and its error are fractions of the width now; `tied` says that its narrowing cannot
    be told from that of the candidate ranked before it.
    """

    candidate: Candidate
    width_now_ml_h: float
    expected_width_ml_h: float
    width_spread_ml_h: tuple[float, float]
    narrowing: float
    narrowing_error: float
    gain: float
    gain_error: float
    holding: float
    effective: float
    tied: bool

    @property
    def narrowing_per_minute(self) -> float:
        """Fraction of the width now, per minute of work."""
        return self.narrowing / max(self.candidate.minutes, 1.0)


@dataclass(frozen=True)
class HowMuch:
    """What more tank and effluent tests could do.

    Attributes:
        width: (MOST_TESTS + 1) width left after so many tests in the best order, relative to now.
        floor: the width that any number of perfect tank tests in two weeks leaves.
        floor_causes: by cause, the part of the variance left there that knowing it would remove.
        gains: rise of the chance of holding the band after `WEIGHED` tests.
        perfect_gain: the rise if all of the present were known.
        enough: the number of tests past which the chance rises by less than `ENOUGH`; None where
            even the most tests tried leave more than that to gain.
    """

    width: tuple[float, ...]
    floor: float
    floor_causes: Mapping[str, float]
    gains: Mapping[int, float]
    perfect_gain: float
    enough: int | None


@dataclass(frozen=True)
class PlannedTest:
    """One line of a plan."""

    time: datetime
    parameter: str
    sample: str
    kit: str
    repeats: int
    minutes: float


@dataclass(frozen=True)
class PlanOfTests:
    """Dated tests within the keeper's minutes.

    Attributes:
        tests: in time order.
        minutes_per_week: as given.
        width, width_error: of the range of the flow needed at the end of the plan, relative to the
            same moment without any test; the median over what may be found.
        even_width: the same with as many minutes of evenly spaced tank alkalinity tests.
    """

    tests: tuple[PlannedTest, ...]
    minutes_per_week: float
    width: float
    width_error: float
    even_width: float


@dataclass(frozen=True)
class Swing:
    """How the needed flow goes with one unknown.

    Attributes:
        cause: its name.
        at_low_ml_h, at_high_ml_h: median of the needed flow where the unknown is in the lowest,
            the highest tenth of what is thought possible.
    """

    cause: str
    at_low_ml_h: float
    at_high_ml_h: float


@dataclass(frozen=True)
class Planning:
    """All about further tests.

    Attributes:
        swings: what the needed flow hangs on, the widest first.
        ranked: best first.
        how_much: None where too few draws have a positive need to follow.
        plan: None likewise.
        settled_until: nothing need be tested before this day; None where something is worth it.
    """

    swings: tuple[Swing, ...]
    ranked: tuple[Ranked, ...]
    how_much: HowMuch | None
    plan: PlanOfTests | None
    settled_until: date | None


def compile_planning(problem: Problem) -> None:
    """Compile all that planning runs, on made-up numbers."""
    compile_foresight(problem)
    compile_forecast()


def bench_of(log: TankLog, tank: Tank, schedule: Schedule) -> Bench:
    """What tests this keeper can run from the end of the log on."""
    used: dict[str, Kit] = {}
    for parameter in (ALKALINITY.name, CALCIUM.name, MAGNESIUM.name):
        tests = [r.kit for r in log.readings if r.parameter == parameter and r.kit in tank.kits]
        named = [kit.name for kit in tank.kits.values() if kit.parameter == parameter]
        if tests or named:
            used[parameter] = tank.kits[max(tests, key=tests.count) if tests else named[0]]
    minutes = [
        60 * r.time.hour + r.time.minute
        for r in log.readings
        if (r.sample, r.parameter) == ("tank", ALKALINITY.name)
    ]
    known = [c.name for c in tank.references.values() if ALKALINITY.name in c.levels]
    on = {a.of: a for a in log.actions if a.kind in ("dose_rate", "flow")}
    running = [action for action in on.values() if action.value]
    return Bench(
        now=log.end + timedelta(hours=1),
        daily=_clock(float(np.median(minutes)) / 60 if minutes else 20.0),
        lights_on=_clock(tank.lights_on_h),
        lights_off=_clock(tank.lights_off_h),
        kits=used,
        runs=schedule.present_flow_l_d > 0,
        reference=known[0] if known else REFERENCE,
        stop=tuple(replace(action, value=0.0) for action in running),
        restart=tuple(running),
    )


def _clock(hours: float) -> time:
    minutes = round(hours * 60) % 1440
    return time(minutes // 60, minutes % 60)


def candidates_of(bench: Bench) -> tuple[Candidate, ...]:
    """Every candidate that this keeper's kits and tank allow."""
    found = []
    for kind in CANDIDATES:
        if kind.stops and not bench.stop:
            continue
        try:
            readings = kind.make(bench)
        except KeyError:  # no kit for it
            continue
        if not bench.runs and any(r.sample == "effluent" for r in readings):
            continue
        price = bench.price(readings)
        extra = VOLUME_TEST_MINUTES * kind.volume + STOP_MINUTES * kind.stops
        last = max([bench.now, *(r.time for r in readings)])
        found += [
            Candidate(
                key=kind.key,
                label=kind.label,
                readings=readings,
                repeats=repeats,
                actions=_stop_for_a_day(bench) if kind.stops else (),
                volume_sd=VOLUME_TEST_SD if kind.volume else None,
                minutes=repeats * bench.minutes(readings) + extra,
                price=None if price is None else repeats * price,
                days=(last - bench.now) / timedelta(days=1),
                risk=kind.risk,
            )
            for repeats in kind.repeats
        ]
    return tuple(found)


def _stop_for_a_day(bench: Bench) -> tuple[Action, ...]:
    """Everything off right after the first test, and on again right after the second."""
    moment = timedelta(minutes=1)
    return tuple(
        [replace(action, time=bench.now + moment) for action in bench.stop]
        + [replace(a, time=bench.now + timedelta(days=1) + moment) for a in bench.restart]
    )


@dataclass(frozen=True)
class Outlook:
    """A `Foresight` with what it takes to weigh sets of its readings.

    Attributes:
        foresight: of `readings`.
        place: index of each possible reading.
        before: with no test taken.
        flows_l_d: (f,) settings of the pump to choose from.
    """

    foresight: Foresight
    place: Mapping[tuple[datetime, str, str], int]
    before: Outcomes
    flows_l_d: np.ndarray

    def rows(self, readings: Sequence[Reading], repeats: int = 1) -> list[int]:
        """Indices of readings that inform the model, each `repeats` times."""
        keys = [(r.time, r.parameter, r.sample) for r in readings]
        return [self.place[key] for key in keys if key in self.place for _ in range(repeats)]


def look_ahead(
    fitted: Fit,
    readings: Sequence[Reading],
    seed: np.random.SeedSequence,
    actions: Sequence[Action] = (),
    at: datetime | None = None,
) -> Outlook:
    """Foresee readings, each kind and time once; those that the model has no place for are left."""
    informing = [r for r in readings if r.parameter in (ALKALINITY.name, CALCIUM.name)]
    different = list({(r.time, r.parameter, r.sample): r for r in informing}.values())
    problem: Problem = fitted
    if any(r.of not in fitted.tank.references for r in different if r.sample == "reference"):
        known = Composition(REFERENCE, {ALKALINITY.name: REFERENCE_ALKALINITY})
        references = {**fitted.tank.references, REFERENCE: known}
        problem = replace(fitted, tank=replace(fitted.tank, references=references))
    foresight = foresee(problem, fitted.trace, different, seed, actions=actions, at=at)
    place = {(r.time, r.parameter, r.sample): k for k, r in enumerate(different)}
    before = before_tests(foresight)
    pump = fitted.tank.reactor or PLANNED_PUMP
    low, high = to_l_d(np.array([pump.flow_min_ml_h, pump.flow_max_ml_h]))
    return Outlook(foresight, place, before, settings_to_try(foresight.present, before, low, high))


def plan_tests(
    fitted: Fit,
    seed: np.random.SeedSequence,
    minutes_per_week: float = USUAL_WEEKLY_MINUTES,
    weeks: int = PLAN_WEEKS,
    progress: Callable[[float], None] | None = None,
) -> Planning:
    """Everything about further tests.

    Args:
        fitted: a fit that passed its checks.
        seed: for what is imagined.
        minutes_per_week: that the keeper wants to spend.
        weeks: length of the plan.
        progress: told of the part done, 0 to 1.
    """
    tell = progress or (lambda part: None)
    bench = bench_of(fitted.log, fitted.tank, fitted.schedule)
    candidates = candidates_of(bench)
    now_seed, stop_seed, later_seed = seed.spawn(3)
    options = _options(bench, weeks)
    plain = [r for c in candidates if not c.actions for r in c.readings]
    now = look_ahead(fitted, [*plain, *options], now_seed)
    stopped = [c for c in candidates if c.actions]
    outlooks: dict[tuple[Action, ...], Outlook] = {(): now}
    for candidate in stopped[:1]:
        outlooks[candidate.actions] = look_ahead(
            fitted, candidate.readings, stop_seed, candidate.actions
        )
    tell(0.3)
    ranked = rank(fitted, candidates, outlooks)
    tell(0.6)
    weighed = how_much(fitted, now)
    tell(0.8)
    end = bench.on(7 * weeks, time(23, 59))
    later = look_ahead(fitted, options, later_seed, at=end)
    plan = schedule_tests(later, bench, options, minutes_per_week)
    tell(1.0)
    gains = [r.gain for r in ranked] + ([] if weighed is None else list(weighed.gains.values()))
    settled = max(gains) < ENOUGH and min(r.holding for r in ranked) >= HOLDS
    return Planning(
        swings=swings_of(fitted),
        ranked=ranked,
        how_much=weighed,
        plan=plan,
        settled_until=_quiet_until(fitted) if settled else None,
    )


def swings_of(fitted: Fit) -> tuple[Swing, ...]:
    """What the needed flow hangs on: its median at both ends of each unknown."""
    posterior = fitted.posterior
    kits = {name for name, kit in fitted.tank.kits.items() if kit.parameter == ALKALINITY.name}
    last = {name: draws for (name, _), draws in posterior.kit_gain.items() if name in kits}
    unknowns = {
        "daily alkalinity uptake": posterior.uptake_now_meq_l_d,
        "effluent strength": posterior.effluent_gain_meq_l,
        "water volume": posterior.volume_l,
        "how effluent strength follows flow": posterior.exponent,
        "share of uptake in the light": posterior.light_share,
    }
    if last:
        unknowns["calibration of the alkalinity kit"] = next(iter(last.values()))
    needed = to_ml_h(posterior.needed_flow_l_d)
    tenth = max(1, len(needed) // 10)
    found = []
    for cause, draws in unknowns.items():
        order = np.argsort(draws, kind="stable")
        low, high = np.median(needed[order[:tenth]]), np.median(needed[order[-tenth:]])
        found.append(Swing(cause, float(low), float(high)))
    return tuple(sorted(found, key=lambda swing: -abs(swing.at_high_ml_h - swing.at_low_ml_h)))


def _options(bench: Bench, weeks: int) -> tuple[Reading, ...]:
    """Tests that a plan chooses from: each kind at the usual time of each day."""
    kinds = [_TANK, _CALCIUM] + ([_EFFLUENT] if bench.runs else [])
    return tuple(
        bench.reading(parameter, sample, bench.on(day))
        for day in range(1, 7 * weeks + 1)
        for parameter, sample in kinds
        if parameter in bench.kits
    )


def rank(
    fitted: Fit,
    candidates: Sequence[Candidate],
    outlooks: Mapping[tuple[Action, ...], Outlook],
) -> tuple[Ranked, ...]:
    """Weigh every candidate and put the one that narrows most first."""
    band = fitted.tank.targets[ALKALINITY.name]
    needed = to_ml_h(np.quantile(fitted.posterior.needed_flow_l_d, [0.05, 0.95]))
    width_now = float(needed[1] - needed[0])
    found: list[tuple[Candidate, Worth]] = []
    for candidate in candidates:
        outlook = outlooks[candidate.actions]
        rows = outlook.rows(candidate.readings, candidate.repeats)
        outcomes = outcomes_of(outlook.foresight, rows, candidate.volume_sd)
        worth = worth_of(outlook.foresight, outcomes, outlook.before, band, outlook.flows_l_d)
        found.append((candidate, worth))
    found.sort(key=lambda pair: (pair[1].expected_width, pair[0].minutes))
    ranked = []
    for place, (candidate, worth) in enumerate(found):
        low, high = np.quantile(worth.width, [0.05, 0.95]) * width_now
        ranked.append(
            Ranked(
                candidate=candidate,
                width_now_ml_h=width_now,
                expected_width_ml_h=worth.expected_width * width_now,
                width_spread_ml_h=(float(low), float(high)),
                narrowing=1.0 - worth.expected_width,
                narrowing_error=worth.width_error,
                gain=worth.gain,
                gain_error=worth.gain_error,
                holding=worth.holding,
                effective=worth.effective,
                tied=place > 0 and _tied(found[place - 1][1], worth),
            )
        )
    return tuple(ranked)


def _tied(better: Worth, worse: Worth) -> bool:
    """Whether two expected widths differ by less than twice the error of their difference.

    Outcomes of one index were imagined from the same draw, so the difference is taken in pairs.
    """
    apart = worse.width - better.width
    return bool(np.mean(apart) < 2.0 * np.std(apart) / np.sqrt(len(apart)))


@dataclass(frozen=True)
class Pooled:
    """Covariances over draws and states together, for best linear estimates of log flow.

    Attributes:
        covariance: (k + 1 + c, k + 1 + c) of the k readings' true values, log flow, and causes.
        noise: (k,) variance of one reading's error.
        causes: (c) names of what makes log flow uncertain.
    """

    covariance: np.ndarray
    noise: np.ndarray
    causes: tuple[str, ...]

    @property
    def readings(self) -> int:
        """k."""
        return len(self.noise)

    def variance(self, rows: Sequence[int]) -> float:
        """Variance of log flow left after readings `rows` (r); n equal ones have n-th the noise."""
        kept, counts = np.unique(np.asarray(rows, dtype=int), return_counts=True)
        return self.left(kept, self.noise[kept] / counts)

    def taken_by_two(self, rows: Sequence[int]) -> np.ndarray:
        """Variance of log flow (k, k + 1) that two more readings take after readings `rows` (r).

        Entry (j, l) is of j and l, (j, j) of j twice, (j, k) of j alone.
        """
        k = self.readings
        kept, counts = np.unique(np.asarray(rows, dtype=int), return_counts=True)
        within = self.covariance[: k + 1, : k + 1]
        if len(kept):
            gram = within[np.ix_(kept, kept)] + np.diag(self.noise[kept] / counts)
            within = within - within[:, kept] @ np.linalg.solve(gram, within[kept])
        flow, between = within[:k, k], within[:k, :k]
        shown = np.diag(between) + self.noise
        both = flow[:, None] ** 2 * shown + flow**2 * shown[:, None]
        both -= 2.0 * np.outer(flow, flow) * between
        both /= np.outer(shown, shown) - between**2
        return np.column_stack([both, flow**2 / shown])

    def left(self, places: np.ndarray, noise: np.ndarray) -> float:
        """Variance of log flow left when `places` (r) are known but for `noise` (r)."""
        flow = self.readings
        cross = self.covariance[places, flow]
        gram = self.covariance[np.ix_(places, places)] + np.diag(noise)
        taken = cross @ np.linalg.solve(gram, cross) if len(places) else 0.0
        return float(self.covariance[flow, flow] - taken)


def pool(foresight: Foresight) -> Pooled | None:
    """Pooled covariances; None where more than one draw in twenty needs no flow at all."""
    k = len(foresight.readings)
    centre = foresight.mean[:, foresight.states]
    base = _flow_and_causes(foresight, centre)
    names = tuple(base)
    usable = np.isfinite(base[names[0]])
    if np.mean(usable) < 0.95:
        return None
    slope = np.empty((len(names), len(centre), centre.shape[1]))
    tiny = 1e-4
    for t in range(centre.shape[1]):
        moved = centre.copy()
        moved[:, t] += tiny
        there = _flow_and_causes(foresight, moved)
        with np.errstate(invalid="ignore"):
            slope[:, :, t] = [(there[name] - base[name]) / tiny for name in names]
    slope = slope[:, usable]
    within = foresight.covariance[usable]
    centres = np.array([base[name][usable] for name in names])
    # Law of total covariance: the mean over draws of each normal's, plus that of the centres.
    covariance = np.cov(np.concatenate([foresight.mean[usable][:, :k].T, centres]))
    covariance[:k, :k] += within[:, :k, :k].mean(axis=0)
    across = np.einsum("skt,cst->kc", within[:, :k, k:], slope) / len(within)
    covariance[:k, k:] += across
    covariance[k:, :k] += across.T
    covariance[k:, k:] += np.einsum("cst,stu,dsu->cd", slope, within[:, k:, k:], slope) / len(
        within
    )
    information = float(np.sum(MISREAD_CHANCE / MISREAD_SPREAD**2))
    return Pooled(covariance, foresight.variance.mean(axis=0) / information, names[1:])


def _flow_and_causes(foresight: Foresight, states: np.ndarray) -> dict[str, np.ndarray]:
    """Log needed flow (s,), then what makes it uncertain, at states (s, t)."""
    present = foresight.present
    with np.errstate(invalid="ignore", divide="ignore"):
        found = {"log flow": np.log(present.flow_l_d(states))}
    drifting = present.uptake_scale * states[:, present.places[1]]
    return found | {
        "water volume": np.log(present.volume_l),
        "the kit's calibration": np.log(present.kit_gain),
        "effluent strength": np.log(present.state(states).law.increment_meq_l),
        "the share of uptake in the light": np.log(present.light_ratio),
        "how effluent strength follows flow": present.exponent,
        "drift of uptake": drifting,
    }


def best_order(pooled: Pooled, most: int) -> list[int]:
    """Readings (most) in greedy order: each the one that leaves the least variance of log flow."""
    covariance = pooled.covariance.copy()
    k = pooled.readings
    order: list[int] = []
    for _ in range(min(most, MOST_A_DAY * k)):
        with_flow = covariance[:k, k]
        taken = with_flow**2 / (np.diag(covariance)[:k] + pooled.noise)
        taken[np.bincount(order, minlength=k) >= MOST_A_DAY] = -1.0
        best = int(np.argmax(taken))
        order.append(best)
        column = covariance[:, best].copy()
        covariance -= np.outer(column, column) / (column[best] + pooled.noise[best])
    return order


def how_much(fitted: Fit, outlook: Outlook) -> HowMuch | None:
    """The curve of width against tests, its floor, and how many tests are enough."""
    pooled = pool(outlook.foresight)
    if pooled is None:
        return None
    order = best_order(pooled, MOST_TESTS)
    start = pooled.variance([])
    width = tuple(float(np.sqrt(pooled.variance(order[:n]) / start)) for n in range(MOST_TESTS + 1))
    tank = outlook.rows([r for r in outlook.foresight.readings if r.sample == "tank"])
    places = np.array(sorted(set(tank)))
    exact = np.full(len(places) + 1, 1e-6 * float(np.min(pooled.noise)))
    floor = pooled.left(places, exact[:-1])
    causes = {
        name: 1.0 - pooled.left(np.append(places, pooled.readings + 1 + c), exact) / floor
        for c, name in enumerate(pooled.causes)
    }
    band = fitted.tank.targets[ALKALINITY.name]
    flows = outlook.flows_l_d
    gains = {
        n: worth_of(
            outlook.foresight,
            outcomes_of(outlook.foresight, order[:n]),
            outlook.before,
            band,
            flows,
        ).gain
        for n in WEIGHED
    }
    most = gains[WEIGHED[-1]]
    reached = [n for n in (0, *WEIGHED[:-1]) if most - gains.get(n, 0.0) < ENOUGH]
    return HowMuch(
        width=width,
        floor=float(np.sqrt(floor / start)),
        floor_causes=causes,
        gains=gains,
        perfect_gain=perfect_knowledge(outlook.foresight, outlook.before, band, flows),
        enough=reached[0] if reached else None,
    )


def fill_minutes(
    pooled: Pooled, minutes: np.ndarray, week: np.ndarray, per_week: float
) -> list[int]:
    """Readings, repeats repeated, that leave little variance of log flow within the minutes.

    Greedy by variance taken per minute, by pairs as well as single readings, since a test of the
    tank and one of the effluent help each other; then one or two are exchanged while that helps.

    Args:
        pooled: covariances.
        minutes: (k,) of one reading.
        week: (k,) index of its week.
        per_week: minutes to spend in each.
    """
    k = pooled.readings
    # Column k stands for no second reading.
    cost = minutes[:, None] + np.append(minutes, 0.0)
    same_week = np.append(week[:, None] == week, np.zeros((k, 1), dtype=bool), axis=1)

    def best(rows: Sequence[int], divisor: np.ndarray | float) -> list[int]:
        """The one or two that take most, over the divisor; none where nothing more fits."""
        spent = np.bincount(week[list(rows)], weights=minutes[list(rows)], minlength=week.max() + 1)
        room = per_week - spent[week] + 1e-9
        again = MOST_A_DAY - np.bincount(list(rows), minlength=k)
        alone = (minutes <= room) & (again > 0)
        fits = alone[:, None] & np.append(alone, True)
        fits &= ~same_week | (cost <= room[:, None])
        fits[np.arange(k), np.arange(k)] &= again > 1
        if not fits.any():
            return []
        score = np.where(fits, pooled.taken_by_two(rows) / divisor, -np.inf)
        found = np.unravel_index(int(np.argmax(score)), score.shape)
        return [int(j) for j in found if j < k]

    def filled(rows: list[int]) -> list[int]:
        while more := best(rows, cost):
            rows = rows + more
        return rows

    chosen = filled([])
    improved = True
    while improved:
        improved = False
        left = pooled.variance(chosen)
        for count in (1, 2):
            for out in sorted(set(combinations(sorted(chosen), count))):
                rest = list((Counter(chosen) - Counter(out)).elements())
                trial = filled(rest + best(rest, 1.0))
                if pooled.variance(trial) < left * (1 - 1e-9):
                    chosen, left, improved = trial, pooled.variance(trial), True
                    break
    return sorted(chosen)


def schedule_tests(
    outlook: Outlook, bench: Bench, options: Sequence[Reading], minutes_per_week: float
) -> PlanOfTests | None:
    """The best plan for the next weeks, beside evenly spaced alkalinity tests.

    Args:
        outlook: of the options, its states those of the end of the plan.
        bench: the kits.
        options: to choose from.
        minutes_per_week: to spend.
    """
    pooled = pool(outlook.foresight)
    if pooled is None or not options:
        return None
    minutes = np.array([bench.minutes([r]) for r in options])
    start = bench.now.date()
    week = np.array([max((r.time.date() - start).days - 1, 0) // 7 for r in options])
    chosen = fill_minutes(pooled, minutes, week, minutes_per_week)
    tests = []
    for k in sorted(set(chosen), key=lambda k: options[k].time):
        repeats, reading = chosen.count(k), options[k]
        tests.append(
            PlannedTest(
                reading.time,
                reading.parameter,
                reading.sample,
                reading.kit,
                repeats,
                float(repeats * minutes[k]),
            )
        )
    tank = [k for k, r in enumerate(options) if (r.parameter, r.sample) == _TANK]
    even = [
        tank[j]
        for w in range(int(week.max()) + 1 if tank else 0)
        for j in _evenly(
            [i for i, k in enumerate(tank) if week[k] == w], minutes_per_week, minutes[tank[0]]
        )
    ]
    before = outlook.before
    width, error = _relative_width(outlook.foresight, before, chosen)
    return PlanOfTests(
        tests=tuple(tests),
        minutes_per_week=minutes_per_week,
        width=width,
        width_error=error,
        even_width=_relative_width(outlook.foresight, before, even)[0],
    )


def _evenly(days: Sequence[int], minutes: float, each: float) -> list[int]:
    """As many evenly spaced entries of `days` as the minutes allow, repeats where they are many."""
    count = int(minutes / each + 1e-9)
    if not count:
        return []
    places = (np.arange(count) + 0.5) / count * len(days)
    return [days[int(place)] for place in places]


def _relative_width(
    foresight: Foresight, before: Outcomes, rows: Sequence[int]
) -> tuple[float, float]:
    """Median width after readings over that without, and its Monte Carlo error.

    Weeks ahead the mean hangs on the few outcomes whose flow has run far off. The error is half of
    what lies between the order statistics one sd to each side of the middle.
    """
    after = range_widths(foresight.present, outcomes_of(foresight, rows), before)
    apart = 0.5 / np.sqrt(len(after))
    low, middle, high = np.quantile(after, [0.5 - apart, 0.5, 0.5 + apart])
    return float(middle), float(0.5 * (high - low))


def _quiet_until(fitted: Fit) -> date:
    """The day when drift alone has made the needed flow a quarter more uncertain than it is now."""
    posterior = fitted.posterior
    log_flow = np.log(np.clip(posterior.needed_flow_l_d, 1e-9, None))
    response = 1.0 / (1.0 - posterior.exponent)
    drift = (posterior.drift**2 + posterior.effluent_drift**2) * response**2
    days = (WIDER**2 - 1.0) * np.var(log_flow) / max(float(np.mean(drift)), 1e-12)
    ahead = int(np.clip(days, 1, LOOK_AHEAD_DAYS))
    return fitted.log.end.date() + timedelta(days=ahead)
