"""What goes on at the log's end, read from logs worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from estimator.inputs.dosing import Solution
from estimator.plan.present import dose_rates_now
from helpers.tanks import example_log, example_tank


def test_present_dose_rates() -> None:
    """The last lasting rate, hand dosing by its interval, none that is off or only magnesium."""
    tank = example_tank()
    solutions = {**tank.solutions, "magnesium": Solution("magnesium", magnesium_mmol_per_ml=1.0)}
    tank = replace(tank, solutions=solutions)
    read = [(0.5, "alkalinity", "tank", "alk", 2.9), (12.0, "alkalinity", "tank", "alk", 2.9)]
    actions = [
        (1.0, "dose_rate", "soda", 80.0),
        (3.0, "dose_rate", "soda", 60.0),
        (1.0, "dose_rate", "magnesium", 20.0),
        *((float(day), "dose", "chloride", 40.0) for day in range(2, 12, 2)),
    ]
    rates = dose_rates_now(example_log(read, actions), tank)
    assert rates == pytest.approx({"soda": 60.0, "chloride": 20.0})
    off = dose_rates_now(example_log(read, [*actions[:2], (5.0, "dose_rate", "soda", 0.0)]), tank)
    assert off == {}
