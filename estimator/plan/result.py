"""The one plan: all that is to be done until the next report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from estimator.next_tests.timetable import PlannedTest
from estimator.remark import Remark


@dataclass(frozen=True)
class Once:
    """One addition on a day."""

    on: date
    solution: str
    ml: float


@dataclass(frozen=True)
class Today:
    """All that is to be set.

    Attributes:
        flow_ml_h: of the pump, 0 is off; None without a reactor.
        dose_ml_d: rate of every solution of the tank file, 0.0 where it pauses.
        once: additions, one a day.
    """

    flow_ml_h: float | None
    dose_ml_d: Mapping[str, float]
    once: tuple[Once, ...] = ()


@dataclass(frozen=True)
class Case:
    """One row of the rule: what to do by the mean of a test's repeats.

    Attributes:
        from_meq_l, to_meq_l: from the first to below the second; None where open.
        do: "set", "repeat" or "report".
        flow_change_ml_h, dose_change_ml_d: of the present settings; None but for "set".
        step: "next" moves one rung on, "stay" does not.
    """

    from_meq_l: float | None
    to_meq_l: float | None
    do: str
    flow_change_ml_h: float | None = None
    dose_change_ml_d: Mapping[str, float] | None = None
    step: str = "stay"


@dataclass(frozen=True)
class TestRule:
    """How to act on a test without a new report.

    Attributes:
        kit: that the readings are of; its unit is theirs.
        most_ml_d: rates are not to go beyond.
        cases: from the lowest reading to the highest.
    """

    __test__ = False

    kit: str | None
    most_ml_d: Mapping[str, float]
    cases: tuple[Case, ...]


@dataclass(frozen=True)
class Rung:
    """One pump setting of a hand-over, and what is dosed less because of it."""

    on: date
    flow_ml_h: float
    takes_ml_d: Mapping[str, float]


@dataclass(frozen=True)
class PathStep:
    """A rung as it comes if all goes as expected.

    Attributes:
        on: day.
        flow_ml_h: of the pump.
        dose_ml_d: rates then.
        alkalinity_meq_l: (s,) true level at the end of that day.
    """

    on: date
    flow_ml_h: float
    dose_ml_d: Mapping[str, float]
    alkalinity_meq_l: np.ndarray


@dataclass(frozen=True)
class Chances:
    """How the days after the first may go; see `course.Prospects`.

    Attributes:
        judged_days: how many.
        all_days, good_days: with the rule followed and reports run.
        all_days_as_kit_reads, good_days_as_kit_reads: the same as one titration a day would read.
        all_days_set_and_left, good_days_set_and_left: today's settings left alone.
        largest_daily_rise_meq_l: (s,) with the rule followed.
    """

    judged_days: int
    all_days: float
    good_days: float
    all_days_as_kit_reads: float
    good_days_as_kit_reads: float
    all_days_set_and_left: float
    good_days_set_and_left: float
    largest_daily_rise_meq_l: np.ndarray


@dataclass(frozen=True)
class Foretold:
    """What tests will read if the plan is followed: one titration a day, misread ones and the kit's
    step included.

    Attributes:
        kit: that reads them, its last bottle; "" where the tank file declares none.
        tank_meq_l: (days + 1, s) at the usual hour, from the first day on.
        effluent_meq_l: (days, s) from the day after on; None where no reactor runs.
    """

    kit: str
    tank_meq_l: np.ndarray
    effluent_meq_l: np.ndarray | None


@dataclass(frozen=True)
class TestGain:
    """What one candidate of `next_tests` adds, done today.

    Attributes:
        key, repeats: of the candidate.
        good_days: share of days in the band.
        error: its Monte Carlo standard error.
    """

    __test__ = False

    key: str
    repeats: int
    good_days: float
    error: float


@dataclass(frozen=True)
class Plan:
    """All that is to be done until the next report.

    Attributes:
        kind: "hold" (a reactor runs), "hand_over", "dose" (no reactor), "correct" (the level comes
            first), "check" (a cause must be found first) or "none" (nothing can be foretold).
        begins: day of the first step.
        today: what is to be set.
        tests: the one schedule, in time order.
        minutes_per_week: that the keeper gave.
        rule: None where nothing is to be changed before the next report.
        ladder: rungs until the next report, the first today's; () but for a hand-over.
        path: all rungs of a hand-over, as they come if all goes as expected.
        ends_at_ml_h: where the pump of a hand-over ends, as far as is known; None elsewhere.
        report_again: day of the next report.
        chances: None where nothing can be foretold.
        levels_meq_l: (days, s) daily means with the rule followed; None likewise.
        left_alone_meq_l: (days, s) today's settings left alone.
        left: nothing is set that is not set now.
        rise_limit_meq_l_d: largest allowed rise in a day.
        rise_limit_stated: the tank file states it.
        self_regulation_days: (s,) time in which the tank undoes 63 % of a departure by itself at
            today's flow; None where no reactor runs.
        pauses: solutions that pause until calcium is back in its band.
        reasons: why the plan is as it is.
        foretold: what tests will read; None where nothing can be foretold.
        gains: what single tests of today would add; () likewise.
    """

    kind: str
    begins: date
    today: Today
    tests: tuple[PlannedTest, ...]
    minutes_per_week: float
    rule: TestRule | None
    ladder: tuple[Rung, ...]
    path: tuple[PathStep, ...]
    ends_at_ml_h: float | None
    report_again: date
    chances: Chances | None
    levels_meq_l: np.ndarray | None
    left_alone_meq_l: np.ndarray | None
    left: bool
    rise_limit_meq_l_d: float
    rise_limit_stated: bool
    self_regulation_days: np.ndarray | None
    pauses: tuple[str, ...]
    reasons: tuple[Remark, ...]
    foretold: Foretold | None = None
    gains: tuple[TestGain, ...] = ()
