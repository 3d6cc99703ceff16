"""Readings that no tank can have, which are readable all the same: flagged, kept, and no fault."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from estimator.fit.moves import weigh_jumps
from estimator.fit.problem import pose
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
def test_what_changed_is_weighed_whatever_was_read(values):
    """Weights are numbers, though one candidate may have all of it."""
    problem = problem_of(values)
    theta = problem.priors.natural(np.zeros(problem.priors.size))
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        weights = weigh_jumps(theta, np.zeros(len(values), dtype=np.int64), problem.frame)
    assert np.isfinite(weights).all()


@pytest.mark.parametrize("values", [(300, 0), (0, 300), (8.4, 300, 0)], ids=str)
def test_what_compiles_beside_the_fit_meets_no_fault(values):
    """It runs on this log with made-up numbers, and a fault there would end the helper."""
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        compile_later(problem_of(values))
