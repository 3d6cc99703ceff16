"""What a change-over brings about, and the correction of a level out of the band, in a tank that is
known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.fit.state import TankState
from estimator.inputs.tank import Reactor, Target
from estimator.plan.task import Task, corrected
from estimator.water.supply import SupplyLaw


def task(start_meq_l: float, reach: float = 0.5, **changes) -> Task:
    """600 L that take up 300 meq/day, nothing dosed; at 50 L/day the effluent brings 6 meq/L.

    There it reaches half of saturation, unless changed: 12 meq/L, F0 50 L/day, 600 meq/day at most.
    The band is 2.9 ± 0.1 meq/L, and 0.1 meq/L a day the largest rise.
    """
    law = SupplyLaw(600.0, 6.0 / reach, 50.0 * reach / max(1 - reach, 1e-9), 2.9)
    state = TankState(law, *map(np.array, (start_meq_l, 0.5, 0.0, 0.0)))
    stated = Task(
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
    return replace(stated, **changes)


def test_what_a_flow_carries_of_the_final_supply() -> None:
    """12/(1 + F/50) meq/L: 25 L/day bring 200 of the 300 meq/day of 50, 16.7 half of them."""
    found = task(2.9)
    assert found.carried(50.0) == pytest.approx(1.0)
    assert found.carried(25.0) == pytest.approx(2 / 3)
    assert found.carried(0.0) == 0.0
    assert found.carrying_l_d(0.5) == pytest.approx(50 / 3)
    assert found.carrying_l_d(1.0) == pytest.approx(50.0)


@pytest.mark.parametrize("reach", [0.2, 0.6, 0.95])
@pytest.mark.parametrize("final", [20.0, 50.0, 90.0])
def test_the_flow_that_carries_a_part_carries_it(reach: float, final: float) -> None:
    """`carrying_l_d` is the inverse of `carried`, by the law with its ceiling."""
    found = task(2.9, reach, final_l_d=final)
    for part in (0.1, 0.5, 0.9):
        assert found.carried(found.carrying_l_d(part)) == pytest.approx(part)


def test_a_step_past_the_ladder_heeds_how_little_flow_adds() -> None:
    """A tenth more supply takes a fifth more flow at half of saturation; near the limit of the
    chamber, where it would take all too much, a quarter."""
    assert task(2.9).extra_l_d == pytest.approx(10.0, abs=0.03)
    assert task(2.9, 0.95).extra_l_d == pytest.approx(5.0 / 0.95, abs=0.03)
    assert task(2.9, 0.1).extra_l_d == pytest.approx(12.5, abs=0.03)


@pytest.mark.parametrize("reach", [0.5, 0.95])
@pytest.mark.parametrize("start_meq_l", [2.7, 3.1])
def test_the_pump_corrects_at_half_the_largest_rise(start_meq_l: float, reach: float) -> None:
    """300 meq/day ± half of 0.1 meq/L in 600 L, by the law with its ceiling; 0.2 meq/L are four
    days at that rate, and a little more or less as the effluent answers to the level."""
    found = corrected(task(start_meq_l, reach))
    flow_l_d, days = found.correction
    supply = found.middle.law.supply_meq_d(flow_l_d, start_meq_l)
    assert supply == pytest.approx(330 if start_meq_l < 2.9 else 270, abs=0.2)
    assert 4 <= days <= 6


def test_a_chamber_at_its_limit_cannot_correct_alone() -> None:
    """310 meq/day at most where 330 are wanted: the pump goes as fast as it can, and the level gets
    there late; with no pump to speed up there is no way."""
    slow = task(2.7, 1 - 300 / 310)
    found = corrected(slow)
    assert found.correction[0] == pytest.approx(6000 * 0.024)
    assert found.correction[1] > 10
    assert corrected(replace(slow, pump=Reactor(0.0, 2083.0, 1.0))) is None


def test_a_held_pump_corrects_no_further_than_it_may_go() -> None:
    """While a cause is sought the pump stays at its held setting; a solution does the rest."""
    low = task(2.7, held=True, ml_per_meq={"soda": 0.5})
    found = corrected(low)
    assert found.correction[0] == 50.0
    assert found.correction[1] <= 6


def test_a_level_in_the_band_is_left_alone() -> None:
    """No correction comes first."""
    assert corrected(task(2.95)).correction is None
