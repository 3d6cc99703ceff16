"""Tests that teach most in what is left of the keeper's minutes, given those due anyway."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from estimator.inputs.records import Reading
from estimator.next_tests.candidates import Bench
from estimator.next_tests.linear import Pooled, fill_minutes, pool
from estimator.next_tests.outcomes import outcomes_of
from estimator.next_tests.ranking import Prospect
from estimator.next_tests.worth import range_widths

LEAST_TAKEN = 0.02
"""Part of the variance of log flow left by the other tests that a test must take to be asked for
(by design: a keeper would not bother)."""


@dataclass(frozen=True)
class PlannedTest:
    """One line of the schedule.

    Attributes:
        time: local.
        entry, of: as in the log: the parameter, and what is sampled.
        kit: None for a probe, or where no kit reads it.
        repeats: how often.
        minutes: for all repeats.
        serves: "rule" or "learning".
    """

    time: datetime
    entry: str
    of: str
    kit: str | None
    repeats: int
    minutes: float
    serves: str


@dataclass(frozen=True)
class Learning:
    """Tests for learning beside those that are due anyway.

    Attributes:
        tests: in time order.
        width, width_error: of the range of the flow needed at the end of all tests, relative to the
            same moment without any; the median over what may be found.
    """

    tests: tuple[PlannedTest, ...]
    width: float
    width_error: float


def learning_tests(
    prospect: Prospect,
    bench: Bench,
    options: Sequence[Reading],
    due: Sequence[Reading],
    minutes: float,
) -> Learning | None:
    """Those that leave the needed flow the best known.

    None where there is nothing to choose from, or too few draws have a need of flow
    (`linear.pool`).

    Args:
        prospect: of the options and of what is due, its states those of the end.
        bench: the kits.
        options: to choose from.
        due: readings that are taken anyway, repeats repeated.
        minutes: to spend.
    """
    pooled = pool(prospect.foresight)
    if pooled is None or not (options or due):
        return None
    rows = prospect.rows(due)
    options = [one for one in options if prospect.rows([one])[0] not in rows]
    open_to = [prospect.rows([one])[0] for one in options]
    cost = np.full(pooled.readings, np.inf)
    cost[open_to] = [bench.minutes([one]) for one in options]
    week = np.zeros(pooled.readings, dtype=int)
    chosen = list(fill_minutes(pooled, cost, week, minutes, rows))
    chosen = _worth_it(pooled, rows, chosen)
    tests = []
    for row in sorted(set(chosen), key=lambda row: options[open_to.index(row)].time):
        one, repeats = options[open_to.index(row)], chosen.count(row)
        taken = repeats * float(cost[row])
        tests.append(
            PlannedTest(one.time, one.parameter, one.sample, one.kit, repeats, taken, "learning")
        )
    width, error = _relative_width(prospect, [*rows, *chosen])
    return Learning(tuple(tests), width, error)


def _worth_it(pooled: Pooled, due: Sequence[int], chosen: list[int]) -> list[int]:
    """Without those that take next to nothing, the least of them first."""
    while chosen:
        left = pooled.variance([*due, *chosen])
        without = {row: [*due, *_less(chosen, row)] for row in set(chosen)}
        loss = {row: pooled.variance(rest) - left for row, rest in without.items()}
        least = min(loss, key=lambda row: loss[row])
        if loss[least] >= LEAST_TAKEN * pooled.variance(due):
            break
        chosen = _less(chosen, least)
    return chosen


def _less(rows: Sequence[int], row: int) -> list[int]:
    rest = list(rows)
    rest.remove(row)
    return rest


def _relative_width(prospect: Prospect, rows: Sequence[int]) -> tuple[float, float]:
    """Median width after readings over that without, and its Monte Carlo error.

    Days ahead the mean hangs on the few outcomes whose flow has run far off. The error is half of
    what lies between the order statistics one sd to each side of the middle.
    """
    foresight = prospect.foresight
    outcomes = outcomes_of(foresight, rows)
    after = range_widths(foresight.present, outcomes, prospect.decision.before)
    apart = 0.5 / np.sqrt(len(after))
    low, middle, high = np.quantile(after, [0.5 - apart, 0.5, 0.5 + apart])
    return float(middle), float(0.5 * (high - low))
