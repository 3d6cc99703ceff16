"""Hold thresholds of a ladder."""

from __future__ import annotations

import pytest

from estimator.plan.ladder import thresholds, to_kit


def test_thresholds_are_figures_of_the_kit() -> None:
    """Rounded away from the middle: 8.45 up to 8.7 and 7.85 down to 7.8 with a step of 0.3."""
    assert to_kit(8.45, 0.3, 1) == pytest.approx(8.7)
    assert to_kit(7.85, 0.3, -1) == pytest.approx(7.8)


def test_a_reading_between_the_thresholds_exists() -> None:
    """Steps of 0.3 and a band of 0.2: without it no reading would let the pump go on."""
    for setpoint in (8.1, 8.2, 8.25):
        above, below = thresholds(setpoint, 0.05, 0.3)
        assert below < setpoint < above
        assert above - below == pytest.approx(0.6)
    assert thresholds(8.2, 0.3, 0.1) == pytest.approx((8.5, 7.9))
