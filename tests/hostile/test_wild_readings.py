"""Readings that no tank can have, which are readable all the same: flagged, kept, and no fault."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from estimator.fit import kit_shift
from estimator.fit.problem import pose
from estimator.fit.sampling import made_up_trace
from estimator.inputs.read import read_log, read_tank
from estimator.pipeline import compile_later
from helpers.catalogue import TANK


def problem_of(values):
    """One reading of alkalinity a day, in dKH."""
    tank, _ = read_tank(Path("tank.toml"), data=TANK.encode())
    rows = (f"2025-03-{day:02d} 18:00,alkalinity,,{v},dKH\n" for day, v in enumerate(values, 1))
    text = "time,entry,of,value,unit\n" + "".join(rows)
    log, _ = read_log(Path("log.csv"), tank, now=datetime(2025, 6, 1), data=text.encode())
    return pose(log, tank)


@pytest.mark.parametrize(
    "values",
    [(300, 0), (0, 300), (8.4, 300, 0), (300, 0, 8.4, 0, 300), (8, 8, 300, 0, 8, 8, 300), (0, 0)],
    ids=str,
)
def test_a_kits_shift_is_weighed_whatever_was_read(values):
    """Chances and sizes are numbers, though one node of a quadrature may have all the weight; no
    shift is named, since a kit that shifts does not read many times as much."""
    problem = problem_of(values)
    draws = kit_shift._draws(made_up_trace(problem))
    midnights = problem.schedule.day_step[-kit_shift.KIT_WINDOW_DAYS :]
    midnights = midnights[midnights >= 0]
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        suspects = kit_shift._suspects(problem.schedule, midnights)
        evidence = kit_shift._evidence(problem, draws, suspects)
        found = kit_shift._weigh(suspects, evidence, len(midnights), len(midnights))
    assert [change.direction for change in found.changes] == ["up", "down"]
    assert 0.0 <= sum(change.chance for change in found.changes) < 0.5
    for change in found.changes:
        assert np.isfinite(change.size).all()
        assert change.by_day.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("values", [(300, 0), (0, 300), (8.4, 300, 0)], ids=str)
def test_what_compiles_beside_the_fit_meets_no_fault(values):
    """It runs on this log with made-up numbers, and a fault there would end the helper."""
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        compile_later(problem_of(values))
