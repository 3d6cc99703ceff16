"""Short versions of the calibration study: see calibration.py for the full one."""

from __future__ import annotations

import pytest

from recovery import calibration

pytestmark = pytest.mark.sampler

SIZES = [
    pytest.param((24, 75), id="24 logs"),
    pytest.param((100, 250), id="100 logs", marks=pytest.mark.slow),
]
"""Logs, and draws of each chain."""


@pytest.fixture(scope="module", params=SIZES)
def outcomes(request: pytest.FixtureRequest) -> list[calibration.Outcome]:
    """Simulated logs of varied shape, fitted."""
    logs, draws = request.param
    return list(calibration.run(logs, seed=11, workers=1, draws=draws))


def test_ranks_of_true_values_are_uniform(outcomes: list[calibration.Outcome]) -> None:
    """No quantity's ranks stray from uniform.

    A dozen quantities are tested at once, so each is held to 1 in 1,000: a false alarm about once
    in 80 seeds, and the seed is fixed. Together with the next test 24 logs find a bias of one sd of
    the posterior in one quantity with a chance of 0.76.
    """
    table = calibration.summary(outcomes, bins=5)
    assert all(row["p"] > 0.001 for row in table.values()), table


def test_nine_in_ten_ranges_hold_the_truth(outcomes: list[calibration.Outcome]) -> None:
    """The share inside is near 0.90.

    With 24 logs it falls below 0.75 once in 110 times where ranges are right, and in 0.92 of all
    (the test before included) where they are half as wide as they should be.
    """
    table = calibration.summary(outcomes, bins=5)
    assert all(row["in_90"] >= 0.75 for row in table.values()), table
