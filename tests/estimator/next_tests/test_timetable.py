"""Plans of dated tests after a real fit."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from estimator.next_tests.candidates import bench_of
from estimator.next_tests.ranking import look_ahead
from estimator.next_tests.timetable import schedule_tests


def test_a_plan_without_an_alkalinity_kit(small_fit) -> None:
    """With a calcium kit alone the plan is of calcium; evenly spaced tests narrow nothing."""
    bench = bench_of(small_fit)
    options = [bench.reading("calcium", "tank", bench.on(day)) for day in range(1, 8)]
    end = small_fit.log.end + timedelta(days=8)
    prospect = look_ahead(small_fit, options, *np.random.SeedSequence(1).spawn(2), at=end)
    found = schedule_tests(prospect, bench, options, 20.0)
    assert found is not None
    assert {test.parameter for test in found.tests} == {"calcium"}
    assert found.even_width == pytest.approx(1.0, abs=0.01)


def test_a_few_outcomes_far_off_do_not_make_the_plan(small_fit) -> None:
    """The plan's width is the median over outcomes: its error is a few per cent weeks ahead too.

    A mean over outcomes would hang on those where the flow response lets the needed flow run off.
    """
    bench = bench_of(small_fit)
    options = [bench.reading("alkalinity", "tank", bench.on(day)) for day in range(1, 22)]
    end = small_fit.log.end + timedelta(days=22)
    plans = [
        schedule_tests(
            look_ahead(small_fit, options, *np.random.SeedSequence(seed).spawn(2), at=end),
            bench,
            options,
            20.0,
        )
        for seed in range(6)
    ]
    widths = [one.width for one in plans if one is not None]
    assert len(widths) == 6
    assert all(0.0 < one.width_error < 0.1 for one in plans if one is not None)
    assert np.std(widths) < 0.08
