"""Tests for learning beside those that are due, after a real fit."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from estimator.inputs.tank import USUAL_MINUTES
from estimator.next_tests.candidates import bench_of
from estimator.next_tests.linear import MOST_A_DAY, Pooled
from estimator.next_tests.ranking import look_ahead
from estimator.next_tests.timetable import Learning, _worth_it, learning_tests


def learned(fit, minutes: float, due_days=(), parameters=("alkalinity", "calcium"), seed: int = 1):
    """What a week of tests is chosen from, beside alkalinity that is tested on some days."""
    bench = bench_of(fit)
    options = [bench.reading(p, "tank", bench.on(day)) for day in range(1, 8) for p in parameters]
    due = [bench.reading("alkalinity", "tank", bench.on(day)) for day in due_days]
    end = fit.log.end + timedelta(days=8)
    seeds = np.random.SeedSequence(seed).spawn(2)
    prospect = look_ahead(fit, [*due, *options], *seeds, at=end)
    found = learning_tests(prospect, bench, options, due, minutes)
    assert isinstance(found, Learning)
    return found


def test_tests_keep_to_the_minutes_and_narrow_the_flow(small_fit) -> None:
    """In time order, at most so many of one at a time."""
    found = learned(small_fit, 30.0)
    assert found.tests
    assert sum(test.minutes for test in found.tests) <= 30.0
    for test in found.tests:
        assert test.serves == "learning"
        assert 1 <= test.repeats <= MOST_A_DAY
        assert test.minutes == test.repeats * USUAL_MINUTES
    assert found.tests == tuple(sorted(found.tests, key=lambda test: test.time))
    assert found.width < 1.0
    assert 0.0 < found.width_error < 0.2


def test_no_minutes_no_tests(small_fit) -> None:
    """With less time than one test takes nothing is asked for, and nothing is narrowed."""
    found = learned(small_fit, 3.0)
    assert found.tests == ()
    assert found.width == pytest.approx(1.0, abs=0.01)


def test_what_is_due_is_not_asked_for_again(small_fit) -> None:
    """A test of the rule counts as taken: its place is not chosen, and it narrows."""
    found = learned(small_fit, 12.0, due_days=(2, 4, 6))
    bench = bench_of(small_fit)
    taken = {bench.on(day) for day in (2, 4, 6)}
    assert not any(test.entry == "alkalinity" and test.time in taken for test in found.tests)
    alone = learned(small_fit, 0.0, due_days=(2, 4, 6))
    assert alone.tests == ()
    assert alone.width < 1.0
    assert found.width <= alone.width + 2 * alone.width_error


def test_what_teaches_next_to_nothing_is_not_asked_for(small_fit) -> None:
    """After many tests of alkalinity one more is not worth its minutes."""
    few = learned(small_fit, 60.0, parameters=("alkalinity",))
    many = learned(small_fit, 60.0, due_days=(1, 2, 3, 4, 5, 6, 7, 7, 7), parameters=("calcium",))
    assert len(few.tests) > 0
    assert len(many.tests) <= 3


def test_a_few_outcomes_far_off_do_not_make_the_width(small_fit) -> None:
    """It is the median over outcomes: its error is a few per cent, whatever the seed."""
    found = [learned(small_fit, 20.0, parameters=("alkalinity",), seed=seed) for seed in range(4)]
    assert all(0.0 < one.width_error < 0.1 for one in found)
    assert np.std([one.width for one in found]) < 0.08


def test_tests_that_take_next_to_nothing_are_left_out() -> None:
    """Three readings apart, which take 0.5, 0.1 and 0.01 of a variance of one: a fiftieth of what
    the others leave is the least. What is due takes first: then 0.01 of 0.5 is enough."""
    takes = np.array([0.5, 0.1, 0.01])
    covariance = np.eye(4)
    covariance[:3, :3] *= 0.5
    covariance[:3, 3] = covariance[3, :3] = np.sqrt(takes)
    pooled = Pooled(covariance, np.full(3, 0.5), ())
    assert _worth_it(pooled, [], [0, 1, 2]) == [0, 1]
    assert _worth_it(pooled, [], [2]) == []
    assert _worth_it(pooled, [0], [1, 2]) == [1, 2]
