"""An instrument's lasting error in the tank's own system, against an independent program.

Source: statsmodels' unobserved components, a level with a first-order autoregression and white
noise on top, in the state-space form of Durbin & Koopman 2012, Time Series Analysis by State Space
Methods, 2nd ed., section 3.4 (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from estimator import units
from estimator.fit import start
from estimator.fit.kalman import draw_states, forward
from estimator.fit.layout import LIGHT_RATIO, VOLUME
from estimator.fit.mass_balance import fill
from estimator.fit.schedule import WITHIN_DAY, build_schedule
from estimator.inputs.parameters import ALKALINITY
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
DAYS = 40
SKIPPED = (7, 8, 9, 23)
SD, FADES_D, REPEAT = 0.15 * DKH, 4.0, 0.05 * DKH


@pytest.fixture(scope="module")
def shown() -> np.ndarray:
    """What the instrument shows at noon, NaN on days without a reading."""
    rng = np.random.default_rng(1)
    kept = np.exp(-1 / FADES_D)
    error = np.zeros(DAYS)
    for j in range(DAYS):
        fresh = np.sqrt(1 - kept**2) if j else 1.0
        error[j] = (kept * error[j - 1] if j else 0.0) + SD * fresh * rng.standard_normal()
    values = 8.3 * DKH + error + REPEAT * rng.standard_normal(DAYS)
    values[list(SKIPPED)] = np.nan
    return values


@pytest.fixture(scope="module")
def made(shown):
    """The schedule and the system of a tank in which nothing happens."""
    tank = example_tank(reactor=None)
    kit = replace(tank.kits["alk"], step=1e-9, calibration_sd=0.0)  # and so it stays
    tank = replace(tank, kits={**tank.kits, "alk": kit})
    seen = np.flatnonzero(np.isfinite(shown))
    log = example_log([(j + 0.5, "alkalinity", "tank", "alk", shown[j]) for j in seen])
    log = replace(log, readings=tuple(replace(r, averaged=3) for r in log.readings))
    schedule = build_schedule(log, tank)
    # Nothing is taken up, from the start on.
    covariance = schedule.covariance.copy()
    covariance[schedule.layout.uptake, schedule.layout.uptake] = 0.0
    theta = np.zeros(schedule.parameters)
    theta[VOLUME], theta[LIGHT_RATIO] = tank.water_volume_l, 2.5
    theta[schedule.shape.first_error - 1] = 1.0
    theta[schedule.shape.first_error :] = [SD, FADES_D, REPEAT]
    system = fill(
        theta,
        np.ones(len(schedule.steps)),
        schedule.steps,
        schedule.moments,
        schedule.shape,
        schedule.mean,
        covariance,
    )
    return schedule, system


@pytest.fixture(scope="module")
def peer(shown):
    """statsmodels' model of the same readings, and its parameters."""
    model = sm.tsa.UnobservedComponents(shown, "llevel", autoregressive=1)
    mean, sd = start.START_ALKALINITY
    model.ssm.initialize_known(np.array([mean, 0.0]), np.diag([sd**2, SD**2]))
    # Known starts have no burn-in, whatever the constructor took for a diffuse one.
    model.ssm.loglikelihood_burn = 0
    kept = np.exp(-1 / FADES_D)
    by_name = {
        "sigma2.irregular": REPEAT**2 + (WITHIN_DAY * ALKALINITY.assumed_repeatability) ** 2,
        "sigma2.level": 0.0,
        "sigma2.ar": SD**2 * (1 - kept**2),
        "ar.L1": kept,
    }
    return model, np.array([by_name[name] for name in model.param_names])


def test_log_likelihood_is_that_of_statsmodels(made, peer) -> None:
    """The tank's system and statsmodels agree on the log-likelihood, days without readings too."""
    model, params = peer
    assert forward(made[1])[0] == pytest.approx(model.loglike(params), abs=1e-6)


def test_smoothed_error_is_that_of_statsmodels(made, peer) -> None:
    """Level and lasting error as smoothed are statsmodels', at every reading."""
    schedule, system = made
    model, params = peer
    level, error = model.smooth(params).smoothed_state
    values, vectors = np.linalg.eigh(system.covariance)
    root = np.ascontiguousarray(vectors * np.sqrt(np.clip(values, 0.0, None)))
    normals = np.zeros((len(schedule.steps) + 1, schedule.layout.size + 1))
    path = draw_states(system, root, normals)[schedule.reading_step]
    seen = np.flatnonzero(np.isfinite(model.endog[:, 0]))
    np.testing.assert_allclose(path[:, 0], level[seen], rtol=1e-8)
    at = schedule.layout.first_instrument
    np.testing.assert_allclose(path[:, at], error[seen], rtol=1e-6, atol=1e-9)
    assert np.ptp(error) > SD
