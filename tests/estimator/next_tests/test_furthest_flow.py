"""Draws that no flow is enough for do not outweigh all others."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from estimator.next_tests.foresight import Present
from estimator.next_tests.outcomes import Outcomes
from estimator.next_tests.worth import FURTHEST, flow_quantiles, flow_widths
from estimator.water.supply import LARGEST_FLOW_L_D


class Known:
    """What is known, as far as the needed flow goes: it is the outcome's mean itself."""

    def log_flow(self, mean: np.ndarray) -> np.ndarray:
        return mean


def after(log_flow: np.ndarray) -> tuple[Present, Outcomes]:
    """One outcome of draws (s,) whose needed flow is known exactly."""
    draws = len(log_flow)
    row = log_flow[None, :]
    weights, sd = np.full((1, draws), 1.0 / draws), np.full((1, draws), 0.01)
    return cast(Present, Known()), Outcomes(weights, row, row, sd)


@pytest.mark.parametrize("part", [0.08, 0.3])
def test_a_width_ends_at_ten_times_the_middle(part: float) -> None:
    """With more than one draw in twenty beyond the chamber's limit the upper end is that."""
    log_flow = np.log(np.full(100, 50.0))
    log_flow[: int(100 * part)] = np.log(LARGEST_FLOW_L_D)
    assert flow_quantiles(*after(log_flow))[0, 1] == pytest.approx(FURTHEST * 50.0)
    assert flow_widths(*after(log_flow))[0] < 10 * 50.0


def test_ordinary_ranges_are_left_alone() -> None:
    """The quantiles of lognormal draws, from their distribution."""
    log_flow = np.log(50.0) + 0.3 * np.random.default_rng(1).standard_normal(2000)
    low, high = flow_quantiles(*after(log_flow))[0]
    assert low == pytest.approx(np.quantile(np.exp(log_flow), 0.05), rel=0.01)
    assert high == pytest.approx(np.quantile(np.exp(log_flow), 0.95), rel=0.01)
