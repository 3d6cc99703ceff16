"""A plan of tests: dated tests within the keeper's minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from estimator.inputs.records import Reading
from estimator.next_tests.candidates import TANK_ALKALINITY, Bench
from estimator.next_tests.linear import fill_minutes, pool
from estimator.next_tests.outcomes import outcomes_of
from estimator.next_tests.ranking import Prospect
from estimator.next_tests.worth import range_widths


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


def schedule_tests(
    prospect: Prospect, bench: Bench, options: Sequence[Reading], minutes_per_week: float
) -> PlanOfTests | None:
    """The best plan for the next weeks, beside evenly spaced alkalinity tests.

    None where there is nothing to choose from, or too few draws have a need of flow
    (`linear.pool`).

    Args:
        prospect: of the options, its states those of the end of the plan.
        bench: the kits.
        options: to choose from.
        minutes_per_week: to spend.
    """
    pooled = pool(prospect.foresight)
    if pooled is None or not options:
        return None
    minutes = np.array([bench.minutes([r]) for r in options])
    start = bench.now.date()
    week = np.array([max((r.time.date() - start).days - 1, 0) // 7 for r in options])
    chosen = fill_minutes(pooled, minutes, week, minutes_per_week)
    tests = []
    for k in sorted(set(chosen), key=lambda k: options[k].time):
        r, repeats = options[k], chosen.count(k)
        taken = float(repeats * minutes[k])
        tests.append(PlannedTest(r.time, r.parameter, r.sample, r.kit, repeats, taken))
    tank = [k for k, r in enumerate(options) if (r.parameter, r.sample) == TANK_ALKALINITY]
    even: list[int] = []
    for w in sorted({week[k] for k in tank}):
        days = [k for k in tank if week[k] == w]
        even += _evenly(days, int(minutes_per_week / minutes[tank[0]] + 1e-9))
    width, error = _relative_width(prospect, chosen)
    return PlanOfTests(
        tests=tuple(tests),
        minutes_per_week=minutes_per_week,
        width=width,
        width_error=error,
        even_width=_relative_width(prospect, even)[0],
    )


def _evenly(days: Sequence[int], count: int) -> list[int]:
    """So many evenly spaced entries of `days`, repeats where they are many."""
    return [days[int(place)] for place in (np.arange(count) + 0.5) / max(count, 1) * len(days)]


def _relative_width(prospect: Prospect, rows: Sequence[int]) -> tuple[float, float]:
    """Median width after readings over that without, and its Monte Carlo error.

    Weeks ahead the mean hangs on the few outcomes whose flow has run far off. The error is half of
    what lies between the order statistics one sd to each side of the middle.
    """
    foresight = prospect.foresight
    outcomes = outcomes_of(foresight, rows)
    after = range_widths(foresight.present, outcomes, prospect.decision.before)
    apart = 0.5 / np.sqrt(len(after))
    low, middle, high = np.quantile(after, [0.5 - apart, 0.5, 0.5 + apart])
    return float(middle), float(0.5 * (high - low))
