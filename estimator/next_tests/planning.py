"""All about further tests: what the flow hangs on, what to test next, how much, and when."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np

from estimator.advice.flow import LEAST_ELASTICITY, to_ml_h
from estimator.fit.fitting import Fit
from estimator.fit.forecast import compile_forecast
from estimator.fit.problem import Problem
from estimator.fit.trace import made_up_trace
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import Action, Reading
from estimator.next_tests.candidates import Bench, bench_of, candidates_of, tests_to_choose_from
from estimator.next_tests.enough import ENOUGH, HowMuch, Verdict, how_much
from estimator.next_tests.foresight import foresee
from estimator.next_tests.outcomes import outcomes_of
from estimator.next_tests.ranking import Prospect, Ranked, look_ahead, rank
from estimator.next_tests.timetable import Learning, learning_tests
from estimator.processes import side_by_side
from estimator.unknowns import Unknown

WEIGHED_WEEKS = 2
"""How far ahead tests are looked at for how much is enough."""
USUAL_WEEKLY_MINUTES = 30.0
HOLDS = 0.8
"""The readings settle the setting where no test adds `ENOUGH` and the band is held this surely."""
USEFUL = 0.05
"""Narrowing of the flow range below which no test, and no plan, is called useful."""
NEARLY_THE_MOST = 0.8
"""Part of the best narrowing that a test of fewer minutes must bring to be put first."""
WIDER = 1.25
"""A setting that is settled is looked at again when the flow has become so much less certain."""
LOOK_AHEAD_DAYS = 60


@dataclass(frozen=True)
class Swing:
    """How the needed flow goes with one unknown.

    Attributes:
        unknown: which.
        at_low_ml_h, at_high_ml_h: median of the needed flow where the unknown is in the lowest,
            the highest tenth of what is thought possible.
    """

    unknown: Unknown
    at_low_ml_h: float
    at_high_ml_h: float


@dataclass(frozen=True)
class Due:
    """Tests that are due anyway, and what they leave of the keeper's minutes.

    Attributes:
        readings: of tank and effluent, repeats repeated.
        until: day of the next report; nothing is asked for after it.
        minutes_left: for more.
    """

    readings: tuple[Reading, ...]
    until: date
    minutes_left: float

    @property
    def last(self) -> datetime:
        """The last moment for a test."""
        return datetime.combine(self.until, time(23, 59))


@dataclass(frozen=True)
class Planning:
    """All about further tests.

    Attributes:
        swings: what the needed flow hangs on, the widest first.
        ranked: best first.
        how_much: None where too few draws have a need of flow.
        learning: tests beside those of the plan; None likewise.
        settled_until: nothing need be tested before this day; None where something is worth it.
    """

    swings: tuple[Swing, ...]
    ranked: tuple[Ranked, ...]
    how_much: HowMuch | None
    learning: Learning | None
    settled_until: date | None

    @property
    def next_test(self) -> int | None:
        """Place in `ranked` of what to do next; None where nothing is useful, or all is settled.

        Of the candidates without a risk that bring nearly the most, the one of fewest minutes.
        """
        ranked = self.ranked
        if self.settled_until is not None or max(one.narrowing for one in ranked) < USEFUL:
            return None
        safe = [i for i, one in enumerate(ranked) if not one.candidate.risky]
        most = max(ranked[i].narrowing for i in safe)
        good = [i for i in safe if ranked[i].narrowing >= NEARLY_THE_MOST * most]
        return min(good, key=lambda i: (ranked[i].candidate.minutes, i))

    @property
    def verdict(self) -> Verdict | None:
        """What more testing does for holding the band; None where `how_much` is."""
        if self.how_much is None:
            return None
        if self.how_much.enough is None:
            return Verdict.MORE
        if self.how_much.enough > 0:
            return Verdict.SOME
        return Verdict.SETTLED if self.ranked[0].holding >= HOLDS else Verdict.NONE


@dataclass(frozen=True)
class _Look:
    """What is looked ahead at, as `look_ahead` takes it."""

    readings: Sequence[Reading]
    seed: np.random.SeedSequence
    actions: tuple[Action, ...] = ()
    at: datetime | None = None


def compile_planning(problem: Problem) -> None:
    """Compile all that planning runs, on made-up numbers and a made-up trace of this log."""
    reading = replace(problem.schedule.readings[-1], time=problem.log.end)
    foresight = foresee(problem, made_up_trace(problem), [reading], np.random.SeedSequence(0))
    outcomes_of(foresight, [0])
    compile_forecast()


def plan_tests(
    fitted: Fit,
    seed: np.random.SeedSequence,
    due: Due | None = None,
    progress: Callable[[float], None] | None = None,
    cores: int | None = None,
) -> Planning:
    """Everything about further tests.

    Args:
        fitted: a fit that passed its checks.
        seed: for what is imagined.
        due: tests that are due anyway; None: nothing is asked for learning.
        progress: told of the part done, 0 to 1.
        cores: that may be used; None: all.
    """
    tell = progress or (lambda part: None)
    bench = bench_of(fitted)
    candidates = candidates_of(bench)
    now_seed, acting_seed, later_seed, future_seed, present_seed = seed.spawn(5)
    options = tests_to_choose_from(bench, WEIGHED_WEEKS)
    possible: dict[tuple[Action, ...], list[Reading]] = {(): []}
    for candidate in candidates:
        possible.setdefault(candidate.actions, []).extend(candidate.readings)
    possible[()] += options

    def ahead(look: _Look) -> Prospect:
        return look_ahead(
            fitted, look.readings, look.seed, future_seed, actions=look.actions, at=look.at
        )

    looks = [
        _Look(readings, acting_seed if actions else now_seed, actions)
        for actions, readings in possible.items()
    ]
    until_report = None if due is None else _options_until(bench, due)
    if due is not None and until_report is not None:
        looks.append(_Look([*due.readings, *until_report], later_seed, at=due.last))
    found = side_by_side(ahead, looks, cores)
    prospects = dict(zip(possible, found, strict=False))
    tell(0.3)
    ranked = rank(fitted, candidates, prospects, cores)
    tell(0.6)
    weighed = how_much(prospects[()], present_seed, cores)
    tell(0.8)
    learning = None
    if due is not None and until_report is not None:
        learning = learning_tests(found[-1], bench, until_report, due.readings, due.minutes_left)
    tell(1.0)
    values = [r.value for r in ranked] + ([] if weighed is None else list(weighed.values.values()))
    settled = max(values) < ENOUGH and min(r.holding for r in ranked) >= HOLDS
    return Planning(
        swings=swings_of(fitted),
        ranked=ranked,
        how_much=weighed,
        learning=learning,
        settled_until=_quiet_until(fitted) if settled else None,
    )


def _options_until(bench: Bench, due: Due) -> list[Reading] | None:
    """Tests to choose from until the report; None where there is neither time nor anything due."""
    days = (due.until - bench.now.date()).days
    options = [one for one in tests_to_choose_from(bench, WEIGHED_WEEKS) if one.time <= due.last]
    return None if days < 1 or not (options or due.readings) else options


def swings_of(fitted: Fit) -> tuple[Swing, ...]:
    """What the needed flow hangs on: its median at both ends of each unknown."""
    posterior = fitted.posterior
    kits = {name for name, kit in fitted.tank.kits.items() if kit.parameter == ALKALINITY.name}
    last = {name: draws for (name, _), draws in posterior.kit_calibration.items() if name in kits}
    unknowns = {
        Unknown.UPTAKE: posterior.uptake_at_middle_meq_l_d,
        Unknown.EFFLUENT: posterior.increment_meq_l,
        Unknown.VOLUME: posterior.volume_l,
        Unknown.FLOW_RESPONSE: posterior.load_share,
        Unknown.LIGHT: posterior.light_share,
    }
    if last:
        unknowns[Unknown.KIT] = next(iter(last.values()))
    needed = to_ml_h(posterior.needed_flow_l_d)
    tenth = max(1, len(needed) // 10)
    found = []
    for unknown, draws in unknowns.items():
        order = np.argsort(draws, kind="stable")
        low, high = np.median(needed[order[:tenth]]), np.median(needed[order[-tenth:]])
        found.append(Swing(unknown, float(low), float(high)))
    return tuple(sorted(found, key=lambda swing: -abs(swing.at_high_ml_h - swing.at_low_ml_h)))


def _quiet_until(fitted: Fit) -> date:
    """The day when drift alone has made the needed flow a quarter more uncertain than it is now."""
    posterior = fitted.posterior
    log_flow = np.log(np.clip(posterior.needed_flow_l_d, 1e-9, None))
    answer = posterior.law.elasticity(posterior.shown_flow_l_d)
    amplified = 1 / np.maximum(answer, LEAST_ELASTICITY)
    drift = (posterior.drift**2 + posterior.effluent_drift**2) * amplified**2
    days = (WIDER**2 - 1.0) * np.var(log_flow) / max(float(np.mean(drift)), 1e-12)
    ahead = int(np.clip(days, 1, LOOK_AHEAD_DAYS))
    return fitted.log.end.date() + timedelta(days=ahead)
