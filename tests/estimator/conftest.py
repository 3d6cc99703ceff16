"""A small real fit, and futures made by hand, that the tests of further testing share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator import units
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.posterior import collect
from estimator.fit.sampling import sample, thinned
from estimator.fit.schedule import build_schedule
from estimator.inputs.records import Reading
from estimator.next_tests.foresight import MOST_REPEATS, Foresight, Present
from estimator.next_tests.planning import Fitted
from estimator.synthetic.simulation import simulate_log

DKH = units.MEQ_L_PER_DKH
DAYS = 40

STATES = ("alkalinity", "uptake", "effluent")
READ = {
    "tank now": (1.0, 0.0, 0.0),
    "tank in three days": (1.0, -3 * 1.2 * DKH, 0.0),
    "effluent": (0.3, 0.0, 16 * DKH),
    "uptake itself": (0.0, 1.0, 0.0),
    "effluent itself": (0.0, 0.0, 1.0),
}
"""Readings of `hand_made`: what each takes of the three states."""
CENTRE = (8.2 * DKH, 0.0, 0.0)
SPREAD = (0.15 * DKH, 0.1, 0.06)
SCATTER = 0.2 * DKH
STEP = 0.3 * DKH


def hand_made(
    seed: int,
    *,
    draws: int = 400,
    imagined: int = 100,
    scatter: float = SCATTER,
    step: float = STEP,
    parameter_spread: float = 1.0,
    planned: bool = False,
) -> Foresight:
    """A foresight of `READ`, every draw with parameters and a present of its own.

    Args:
        seed: of everything random.
        draws, imagined: s and i.
        scatter, step: of all kits alike, meq/L; the last two readings scatter a tenth of it.
        parameter_spread: factor on the spread of parameters and means between draws; 0 leaves the
            states alone uncertain.
        planned: the reactor never ran.
    """
    rng = np.random.default_rng(seed)

    def lognormal(median: float, sd: float) -> np.ndarray:
        return median * np.exp(parameter_spread * sd * rng.standard_normal(draws))

    kit_gain = lognormal(1.0, 0.03)
    start = lognormal(1.2 * DKH, 0.05)
    strength = lognormal(16 * DKH, 0.05)
    own = parameter_spread * 0.5 * np.array(SPREAD) * rng.standard_normal((draws, len(STATES)))
    root = np.diag(SPREAD) @ np.array([[1.0, 0.0, 0.0], [0.5, 0.8, 0.0], [0.2, 0.3, 0.9]])
    look = np.repeat(np.array(list(READ.values()))[None], draws, axis=0)
    look[:, :3] *= kit_gain[:, None, None]
    whole = np.concatenate([look, np.repeat(np.eye(len(STATES))[None], draws, axis=0)], axis=1)
    mean = np.einsum("skt,st->sk", whole, np.array(CENTRE) + own)
    covariance = np.einsum("skt,tu,slu->skl", whole, root @ root.T, whole)
    scatter_sd = scatter * np.array([1.0, 1.0, 1.7, 0.1, 0.1]) * np.ones((draws, 1))
    steps = step * np.array([1.0, 1.0, 1.0, 0.0, 0.0])
    picks = thinned(draws, imagined)
    states = np.array(CENTRE) + own[picks]
    states = states + rng.standard_normal(states.shape) @ root.T
    shape = (len(picks), len(READ), MOST_REPEATS)
    classes = rng.choice(len(MISREAD_CHANCE), size=shape, p=MISREAD_CHANCE)
    present = Present(
        volume_l=lognormal(600.0, 0.04),
        uptake_start=start,
        uptake_scale=start,
        gain_meq_l=strength,
        exponent=np.clip(0.4 + parameter_spread * 0.05 * rng.standard_normal(draws), 0.1, 0.8),
        drift=np.full(draws, 0.015),
        effluent_drift=np.full(draws, 0.01),
        level_shift=np.zeros(draws),
        shape_d=np.full(draws, 0.05),
        reference_flow_l_d=None if planned else 45.0,
        middle_meq_l=8.2 * DKH,
        places=(0, 1, 2, -1),
        light_ratio=lognormal(2.5, 0.3),
        kit_gain=kit_gain,
    )
    centre = mean[:, len(READ) :]
    return Foresight(
        readings=tuple(Reading(0, None, "alkalinity", name, "", 0.0, "", "") for name in READ),
        mean=mean,
        covariance=covariance,
        variance=scatter_sd**2 + steps**2 / 12,
        scatter_sd=scatter_sd,
        step=steps,
        picks=picks,
        truth=np.einsum("ikt,it->ik", look[picks], states),
        errors=rng.standard_normal(shape),
        spreads=MISREAD_SPREAD[classes],
        volume_errors=rng.standard_normal(len(picks)),
        flow_slope=present.flow_slope(centre),
        normals=rng.standard_normal((draws, len(STATES))),
        present=present,
    )


@pytest.fixture(scope="session")
def make_foresight() -> Callable[..., Foresight]:
    """`hand_made`."""
    return hand_made


@pytest.fixture(scope="session")
def small_fit(make_tank, make_reactor_log, make_truth) -> Fitted:
    """The fit of a log of forty days, dosing and then a reactor: 150 draws a chain."""
    tank = make_tank()
    log = simulate_log(
        tank, make_reactor_log(DAYS, 16, 5, 3), make_truth(DAYS), np.random.default_rng(3)
    )
    schedule = build_schedule(log, tank)
    fit_seed, level_seed = np.random.SeedSequence(2).spawn(2)
    trace = sample(schedule, tank, fit_seed, draws=150)
    return Fitted(log, tank, schedule, trace, collect(schedule, tank, trace, level_seed))


@pytest.fixture(scope="session")
def thin_fit(small_fit) -> Fitted:
    """Every fifth draw of `small_fit`, for what is done several times over."""
    trace = small_fit.trace
    few = replace(
        trace,
        z=trace.z[:, ::5],
        natural=np.ascontiguousarray(trace.natural[:, ::5]),
        misread=np.ascontiguousarray(trace.misread[:, ::5]),
    )
    return replace(small_fit, trace=few)


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
