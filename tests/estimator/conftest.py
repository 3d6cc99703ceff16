"""A small real fit that the tests of further testing share."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator.fit.fitting import Fit, fit_of
from estimator.fit.posterior import collect
from estimator.fit.problem import pose
from estimator.fit.sampling import sample
from estimator.inputs.records import Reading
from estimator.synthetic.simulation import simulate_log
from helpers.fits import part_of
from helpers.tanks import dosed_then_reactor_log, example_tank, example_truth

DAYS = 40


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that take the fit are sampler tests."""
    for item in items:
        if "small_fit" in getattr(item, "fixturenames", ()):
            item.add_marker("sampler")


@pytest.fixture(scope="session")
def small_fit() -> Fit:
    """The fit of a log of forty days, dosing and then a reactor: 150 draws a chain."""
    tank = example_tank()
    log = simulate_log(
        tank, dosed_then_reactor_log(DAYS, 16, 5, 3), example_truth(DAYS), np.random.default_rng(3)
    )
    problem = pose(log, tank)
    fit_seed, level_seed = np.random.SeedSequence(2).spawn(2)
    trace = sample(problem, fit_seed, draws=150, cores=1)
    return fit_of(problem, trace, collect(problem, trace, level_seed))


@pytest.fixture(scope="session")
def thin_fit(small_fit) -> Fit:
    """Every fifth draw of `small_fit`, for what is done several times over."""
    return replace(small_fit, trace=part_of(small_fit.trace, slice(None, None, 5)))


@pytest.fixture(scope="session")
def next_tests(small_fit) -> dict[str, Reading]:
    """Tests that could follow the log of `small_fit`, by name."""
    after = small_fit.log.end + timedelta(hours=1)

    def test(parameter: str, sample: str, kit: str, days: float = 0.0) -> Reading:
        return Reading(0, after + timedelta(days=days), parameter, sample, "", 0.0, "", kit)

    return {
        "tank": test("alkalinity", "tank", "alk"),
        "effluent": test("alkalinity", "effluent", "alk"),
        "calcium": test("calcium", "tank", "ca"),
        "tank in four days": test("alkalinity", "tank", "alk", 4.0),
        "tank in eight days": test("alkalinity", "tank", "alk", 8.0),
    }
