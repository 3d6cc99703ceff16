"""The correction of a level out of the band, in a tank that is known."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.fit.state import TankState
from estimator.inputs.tank import Reactor, Target
from estimator.plan.task import Task, corrected
from estimator.water.supply import SupplyLaw


def task(start_meq_l: float, strongest: float) -> Task:
    """600 L that take up 300 meq/day, nothing dosed; at 50 L/day the effluent brings 6 meq/L.

    ε is 0.5; the band is 2.9 ± 0.1 meq/L, and 0.1 meq/L a day the largest rise.
    """
    law = SupplyLaw(600.0, 0.5, 50.0, 6.0, 2.9, strongest)
    state = TankState(law, *map(np.array, (start_meq_l, 0.5, 0.0, 0.0)))
    return Task(
        middle=state,
        draws=law,
        present_l_d=50.0,
        final_l_d=50.0,
        dose_ml_d={},
        present_meq_d=0.0,
        ml_per_meq={},
        pump=Reactor(0.0, 6000.0, 1.0),
        band=Target(2.8, 3.0, "meq/L"),
        rise_meq_l_d=0.1,
        calibration=1.0,
        kit_step_meq_l=0.01,
        provisional=False,
    )


@pytest.mark.parametrize("strongest", [1.0, np.inf])
@pytest.mark.parametrize("start_meq_l", [2.7, 3.1])
def test_the_pump_corrects_at_half_the_largest_rise(start_meq_l: float, strongest: float) -> None:
    """300 meq/day ± half of 0.1 meq/L in 600 L, by the law with its ceiling; 0.2 meq/L are four
    days at that rate, and a little more or less as the effluent answers to the level."""
    found = corrected(task(start_meq_l, strongest))
    flow_l_d, days = found.correction
    supply = found.middle.law.supply_meq_d(flow_l_d, start_meq_l)
    assert supply == pytest.approx(330 if start_meq_l < 2.9 else 270, abs=0.2)
    assert 4 <= days <= 6


def test_a_level_in_the_band_is_left_alone() -> None:
    """No correction comes first."""
    assert corrected(task(2.95, np.inf)).correction is None
