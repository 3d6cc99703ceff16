"""Short versions of the brute-force study: see value_of_tests.py for the full one."""

from __future__ import annotations

import numpy as np
import pytest

from recovery import value_of_tests

pytestmark = pytest.mark.sampler

ODDS = 0.12
"""Mean log ratio of widths that is let pass: a fit of 400 draws knows a width to about 7 %."""


@pytest.fixture(scope="module")
def short() -> list[value_of_tests.Compared]:
    """One log, two sets of tests, twelve outcomes: they part by four errors or so."""
    return value_of_tests.run(1, 2, 12, seed=1, workers=1, draws=150, refit_draws=100, days=30)[0]


def test_widths_foreseen_are_those_of_refits(short: list[value_of_tests.Compared]) -> None:
    """Fitting the log anew with the imagined readings leaves the width that was foreseen.

    On average over 24 refits, within 12 %.
    """
    ratios = np.concatenate([one.log_ratio for one in short])
    assert abs(np.mean(ratios)) < ODDS


def test_the_better_tests_are_those_of_refits(short: list[value_of_tests.Compared]) -> None:
    """The set that refits say narrows more is the one foreseen to, and both differ clearly."""
    (pair,) = value_of_tests.separated(short)
    assert pair.agrees
    assert abs(pair.foreseen) > 0.05


@pytest.fixture(scope="module")
def longer() -> list[list[value_of_tests.Compared]]:
    """A tank with its reactor running and one where it is planned."""
    return value_of_tests.run(2, 5, 8, seed=2)


@pytest.mark.slow
def test_widths_foreseen_are_those_of_refits_for_most_tests(
    longer: list[list[value_of_tests.Compared]],
) -> None:
    """With and without a reactor, on average within 6 %; for each set of tests within 15 %."""
    means = [np.mean(one.log_ratio) for log in longer for one in log]
    assert abs(np.mean(means)) < 0.06
    assert np.max(np.abs(means)) < 0.15


@pytest.mark.slow
def test_order_foreseen_is_that_of_refits(longer: list[list[value_of_tests.Compared]]) -> None:
    """Wherever refits tell two sets apart by more than three errors foresight orders them alike.

    Of 20 pairs, half of them of much the same worth, two errors would part one by chance.
    """
    pairs = [pair for log in longer for pair in value_of_tests.separated(log, errors=3.0)]
    assert len(pairs) >= 3
    assert all(pair.agrees for pair in pairs), pairs
