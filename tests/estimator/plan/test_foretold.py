"""What tests will read if the plan is followed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.fit.state import TankState
from estimator.plan.course import Followed
from estimator.plan.foretold import foretold
from estimator.plan.futures import MOST_REPEATS, Futures
from helpers.fits import MIDDLE, known_law

DKH = units.MEQ_L_PER_DKH
DAYS, DRAWS = 3, 200
STEP = 1e-6


def futures(**changes: Any) -> Futures:
    """No drift and no error: 5.4 meq/L above the middle of the band at 50 L/day."""
    ones = np.ones(DRAWS)
    stated = {
        "state": TankState(
            law=known_law(reach=0.6),
            level_meq_l=MIDDLE * ones,
            uptake_meq_l_d=0.5 * ones,
            uptake_drift_meq_l_d=0.0 * ones,
            effluent_drift=0.0 * ones,
        ),
        "uptake_meq_l_d": np.full((DAYS, DRAWS), 0.5),
        "strength": np.ones((DAYS, DRAWS)),
        "calibration": ones,
        "below_mean_d": 0.0 * ones,
        "error_meq_l": np.zeros((DAYS + 1, MOST_REPEATS + 1, DRAWS)),
        "effluent_error_meq_l": np.zeros((DAYS + 1, MOST_REPEATS + 1, DRAWS)),
        "repeatability_meq_l": 0.0 * ones,
        "kit_step_meq_l": STEP,
    }
    return Futures(**{**stated, **changes})


def followed(found: Futures, flow_l_d: float, level_meq_l: np.ndarray) -> Followed:
    """One course at one flow and level."""
    level = np.broadcast_to(level_meq_l, (DAYS, 1, DRAWS))
    shown = np.stack([found.titrations(day + 1, level[day])[0] for day in range(DAYS)])
    flow = np.full(level.shape, flow_l_d)
    return Followed(level, shown, flow, np.zeros_like(level))


def test_the_first_day_is_read_at_the_level_of_the_start_and_the_effluent_from_the_next_on() -> (
    None
):
    """Tank tests of four days at 8.2 dKH; effluent of three days, 5.4 meq/L above."""
    known = futures()
    found = foretold("alk", known, followed(known, 50.0, known.state.level_meq_l))
    assert found.kit == "alk"
    assert found.tank_meq_l == pytest.approx(np.full((DAYS + 1, DRAWS), MIDDLE), abs=STEP)
    assert found.effluent_meq_l == pytest.approx(np.full((DAYS, DRAWS), MIDDLE + 5.4), abs=STEP)


def test_a_weaker_effluent_is_foretold_weaker() -> None:
    """Strength 0.5 halves what the chamber adds: 2.7 meq/L."""
    known = futures(strength=np.full((DAYS, DRAWS), 0.5))
    found = foretold("alk", known, followed(known, 50.0, known.state.level_meq_l))
    assert found.effluent_meq_l == pytest.approx(np.full((DAYS, DRAWS), MIDDLE + 2.7), abs=STEP)


def test_what_a_kit_reads_is_foretold_where_the_level_is_not_known() -> None:
    """A kit 5 % off either way, and a level that goes with it: every draw reads 8.2 dKH."""
    gain = np.random.default_rng(1).normal(1.0, 0.05, DRAWS)
    known = futures(calibration=gain)
    found = foretold("alk", known, followed(known, 50.0, MIDDLE / gain))
    assert found.tank_meq_l[1:].std() < 1e-5
    assert np.std(MIDDLE / gain) > 0.1


def test_a_kit_reads_the_effluent_as_it_reads_the_tank() -> None:
    """A twentieth too high, of all that is in the sample: 5.4 meq/L above the tank."""
    known = futures(calibration=np.full(DRAWS, 1.05))
    found = foretold("alk", known, followed(known, 50.0, known.state.level_meq_l))
    expected = np.full((DAYS, DRAWS), 1.05 * (MIDDLE + 5.4))
    assert found.effluent_meq_l == pytest.approx(expected, abs=STEP)


def test_each_titration_has_an_error_of_its_own() -> None:
    """The effluent's error is not that of the tank's test of the day."""
    error = np.random.default_rng(1).normal(0.0, 0.1, (2, DAYS + 1, MOST_REPEATS + 1, DRAWS))
    known = futures(error_meq_l=error[0], effluent_error_meq_l=error[1])
    found = foretold("alk", known, followed(known, 50.0, known.state.level_meq_l))
    assert found.effluent_meq_l is not None
    tank, effluent = found.tank_meq_l[1], found.effluent_meq_l[0]
    assert effluent.std() == pytest.approx(0.1, rel=0.2)
    assert abs(np.corrcoef(tank, effluent)[0, 1]) < 0.3


def test_without_a_reactor_no_effluent_is_foretold() -> None:
    """A pump that stands still gives nothing to test."""
    known = futures()
    found = foretold("alk", known, followed(known, 0.0, known.state.level_meq_l))
    assert found.effluent_meq_l is None
