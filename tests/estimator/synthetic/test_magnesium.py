"""Simulated magnesium against sums worked by hand and against the alkalinity that dissolves."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator import units
from estimator.inputs.dosing import Solution
from estimator.inputs.tank import Kit
from estimator.synthetic.demo_case import make_demo
from estimator.synthetic.magnesium import MagnesiumTruth, magnesium_levels, with_magnesium
from estimator.synthetic.simulation import simulate_levels
from helpers.tanks import CASES, MIDNIGHT, Case, example_log, example_tank, example_truth

MG = units.MG_G_MOL
TRUE = MagnesiumTruth(54.0, 0.05, 0.04, {"new": 52.0, "other": 56.0})


def at(case: Case, days, **changes) -> np.ndarray:
    """Levels at these days."""
    times = [MIDNIGHT + timedelta(days=day) for day in days]
    return magnesium_levels(case.tank, case.log, case.truth, replace(TRUE, **changes), times)


def test_uptake_doses_and_water_changes_by_hand() -> None:
    """0.4 mmol/L/day of calcium at 0.04; a dose, a rate and a water change at their times."""
    tank = example_tank(solutions={"salt": Solution("salt", magnesium_mmol_per_ml=2.0)})
    log = example_log(
        [(0.5, "alkalinity", "tank", "alk")],
        [
            (3.0, "dose", "salt", 58.0),
            (5.25, "dose_rate", "salt", 14.5),
            (8.0, "dose_rate", "salt", 0.0),
            (9.0, "water_change", "new", 58.0),
        ],
    )
    truth = example_truth(12, uptake_meq_l_d=np.full(13, 0.8), calcium_share=0.5)
    found = at(Case(tank, log, truth), [3.0, 4.0, 8.0, 9.0, 10.0])
    # 580 L: 58 mL of 2 mmol/mL is 0.2 mmol/L; 14.5 mL a day is 0.05 mmol/L a day.
    before = 54 - 0.016 * 9 + 0.2 + 0.05 * 2.75
    expected = [
        54 - 0.016 * 3,
        54 - 0.016 * 4 + 0.2,
        54 - 0.016 * 8 + 0.2 + 0.05 * 2.75,
        before,
        before + 0.1 * (52 - before) - 0.016,
    ]
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_what_dissolves_brings_its_share() -> None:
    """Half the share of the alkalinity dissolved, which the balance of alkalinity gives."""
    case = CASES["reactor"]()
    days = np.array([3.0, 12.0])
    gained = at(case, days, uptake_ratio=0.0)
    seen = simulate_levels(
        case.tank, case.log, case.truth, [MIDNIGHT + timedelta(days=day) for day in days]
    )
    # 1.9 meq/mL of soda at 40 mL a day in 580 L is all that was dosed meanwhile.
    eaten = float(np.sum(case.truth.uptake_meq_l_d[3:12]))
    dosed = 1.9 * 40 / 580 * 9
    dissolved = float(np.diff(seen.alkalinity_meq_l)[0]) + eaten - dosed
    assert gained[1] - gained[0] == pytest.approx(0.5 * 0.05 * dissolved, rel=0.01)
    assert dissolved > 3


def test_readings_pass_through_the_kit() -> None:
    """Each lies on the kit's step and scatters about the level times the calibration."""
    kits = {**example_tank().kits, "mg": Kit("mg", "magnesium", "mg/L", 30 / MG, 15 / MG, 0.03)}
    tank = example_tank(kits=kits, reactor=None)
    readings = [(j / 100 + 0.005, "magnesium", "tank", "mg") for j in range(800)]
    log = example_log([*readings, (1.0, "alkalinity", "tank", "alk", 2.9)])
    truth = example_truth(9, kit_calibration={("mg", 0): 1.02}, kit_repeatability={"mg": 15 / MG})
    filled = with_magnesium(tank, log, truth, TRUE, np.random.default_rng(2))
    shown = np.array([r.value * MG for r in filled.readings if r.parameter == "magnesium"])
    np.testing.assert_allclose(shown / 30, np.round(shown / 30), atol=1e-9)
    middle = float(at(Case(tank, log, truth), [4.0])[0]) * MG
    assert shown.mean() == pytest.approx(1.02 * middle, abs=3)
    assert shown.std() == pytest.approx(np.hypot(15, 30 / np.sqrt(12)), rel=0.1)
    assert [r.value for r in filled.readings if r.parameter == "alkalinity"] == [2.9]


def test_every_reading_of_the_demo_lies_on_its_kits_step() -> None:
    """No figure in the demo's log is finer than its kit can show."""
    demo = make_demo()
    assert sum(r.parameter == "magnesium" for r in demo.log.readings) == 3
    for reading in demo.log.readings:
        step = demo.tank.kits[reading.kit].step
        assert reading.value / step == pytest.approx(round(reading.value / step), abs=1e-6)
