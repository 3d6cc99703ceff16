"""Short version of the calibration study: see calibration.py for the full one."""

from __future__ import annotations

import pytest

from recovery import calibration

LOGS = 40


@pytest.fixture(scope="module")
def outcomes() -> list[calibration.Outcome]:
    return list(calibration.run(LOGS, seed=11))


def test_ranks_of_true_values_are_uniform(outcomes: list[calibration.Outcome]) -> None:
    """Over 40 simulated logs of varied shape no quantity's ranks stray from uniform.

    Eight quantities are tested at once, so each is held to 1 in 1,000: a false alarm about once in
    125 seeds, and the seed is fixed.
    """
    table = calibration.summary(outcomes, bins=5)
    assert all(row["p"] > 0.001 for row in table.values()), table


def test_nine_in_ten_ranges_hold_the_truth(outcomes: list[calibration.Outcome]) -> None:
    """The share inside is near 0.90; with 40 logs below 0.75 is beyond three sds."""
    table = calibration.summary(outcomes, bins=5)
    assert all(row["in_90"] >= 0.75 for row in table.values()), table
