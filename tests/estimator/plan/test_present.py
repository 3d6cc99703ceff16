"""What goes on at the log's end, read from logs worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from estimator.inputs.dosing import Solution
from estimator.plan.present import dose_rates_now, settable_dose
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


def test_alkalinity_dosed_by_hand_counts_with_what_is_dosed_by_rate() -> None:
    """30 mL of soda every second day are 15 a day, beside 60 by rate; a solution of alkalinity and
    calcium counts by its alkalinity."""
    tank = example_tank()
    both = Solution("both", alkalinity_meq_per_ml=1.0, calcium_mmol_per_ml=0.5)
    tank = replace(tank, solutions={**tank.solutions, "both": both})
    read = [(0.5, "alkalinity", "tank", "alk", 2.9), (12.0, "alkalinity", "tank", "alk", 2.9)]
    by_hand = [(float(day), "dose", "soda", 30.0) for day in range(2, 12, 2)]
    by_rate = [(1.0, "dose_rate", "soda", 60.0)]
    assert dose_rates_now(example_log(read, by_hand), tank) == pytest.approx({"soda": 15.0})
    together = dose_rates_now(example_log(read, [*by_rate, *by_hand]), tank)
    assert together == pytest.approx({"soda": 75.0})
    mixed = [(float(day), "dose", "both", 24.0) for day in range(3, 12, 3)]
    assert dose_rates_now(example_log(read, mixed), tank) == pytest.approx({"both": 8.0})


@pytest.mark.parametrize(
    ("rate", "settable"), [(9.94, 9.9), (9.96, 10.0), (10.4, 10.0), (10.6, 11.0), (0.04, 0.0)]
)
def test_rates_are_set_in_tenths_below_ten(rate: float, settable: float) -> None:
    """And in whole mL from there on."""
    assert settable_dose(rate) == settable
