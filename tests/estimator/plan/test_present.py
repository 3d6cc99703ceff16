"""What goes on at the log's end, read from logs worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.inputs.dosing import Solution
from estimator.plan.present import FlowAnswer, answer_seen, dose_rates_now
from helpers.tanks import example_log, example_tank


def test_the_answer_of_the_effluent_is_read_from_its_tests() -> None:
    """Increments of 8 and 4 meq/L at 20 and 60 mL/h: ln 2 / ln 3 = 0.63; one flow tells nothing."""
    tank = example_tank()
    middle = tank.targets["alkalinity"].middle

    def seen(*tests: tuple[float, float], more: tuple = ()) -> float | None:
        """Of a pump at 20 mL/h that goes to 60 on day 5 and 66 on day 20."""
        found = answer_of(tests, more)
        return None if found is None else found.exponent

    def answer_of(tests: tuple, more: tuple = ()) -> FlowAnswer | None:
        flows = [(0.0, "flow", "", 20.0), (5.0, "flow", "", 60.0), (20.0, "flow", "", 66.0), *more]
        rows = [(day, "alkalinity", "effluent", "alk", middle + above) for day, above in tests]
        log = example_log([(0.2, "alkalinity", "tank", "alk", middle), *rows], flows)
        return answer_seen(log, tank)

    assert seen((2.0, 8.0), (7.0, 4.0)) == pytest.approx(np.log(2) / np.log(3))
    assert seen((2.0, 8.0), (7.0, 3.8), (7.1, 4.2)) == pytest.approx(np.log(2) / np.log(3))
    # One test that is misread does not move it.
    assert seen((2.0, 8.0), (7.0, 4.0), (7.1, 1.0), (7.2, 4.0)) == pytest.approx(0.63, abs=0.01)
    # At the instant of a change a test is of the setting before.
    assert seen((2.0, 8.0), (5.0, 8.0)) is None
    # From 60 to 66 is too little to tell: the last flow is set against the first.
    assert seen((2.0, 8.0), (7.0, 4.0), (22.0, 8.0)) == pytest.approx(0.0)
    assert seen((7.0, 8.0), (22.0, 4.0)) is None
    # New media and another chamber pH are no answer to the flow.
    assert seen((2.0, 8.0), (7.0, 4.0), more=((6.0, "media_change"),)) is None
    assert seen((2.0, 8.0), (7.0, 4.0), more=((6.0, "ph_setting", "", 6.4),)) is None
    assert seen() is None
    # 7 % over the log of the change: less is known of a small one.
    assert answer_of(((2.0, 8.0), (7.0, 4.0))).sd == pytest.approx(0.07 / np.log(3))


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
