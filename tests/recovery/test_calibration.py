"""Short version of the calibration study: see calibration.py for the full one."""

from __future__ import annotations

import pytest

from recovery import calibration

LEAST_INSIDE = {24: 0.70, 40: 0.75}
"""By number of logs: the least share of nine-in-ten ranges that hold the truth, three sds below
0.90."""


@pytest.fixture(scope="module", params=[24, pytest.param(40, marks=pytest.mark.slow)])
def outcomes(request: pytest.FixtureRequest) -> list[calibration.Outcome]:
    return list(calibration.run(request.param, seed=11))


def test_ranks_of_true_values_are_uniform(outcomes: list[calibration.Outcome]) -> None:
    """Over simulated logs of varied shape no quantity's ranks stray from uniform.

    Eight quantities are tested at once, so each is held to 1 in 1,000: a false alarm about once in
    125 seeds, and the seed is fixed.
    """
    table = calibration.summary(outcomes, bins=5)
    assert all(row["p"] > 0.001 for row in table.values()), table


def test_nine_in_ten_ranges_hold_the_truth(outcomes: list[calibration.Outcome]) -> None:
    """The share inside is near 0.90."""
    table = calibration.summary(outcomes, bins=5)
    assert all(row["in_90"] >= LEAST_INSIDE[len(outcomes)] for row in table.values()), table
