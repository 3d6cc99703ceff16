"""The Kalman filter on the Nile series, against a textbook and an independent program.

Source: Durbin & Koopman 2012, Time Series Analysis by State Space Methods, 2nd ed., section 2.10,
local level model of the annual flow of the Nile at Aswan, 1871 to 1970 (the series that
statsmodels carries): maximum likelihood variances σ²_ε = 15099 and σ²_η = 1469.1 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize

from estimator.fit import kalman
from estimator.fit.kalman import System

PUBLISHED = np.array([15099.0, 1469.1])


@pytest.fixture(scope="module")
def flow() -> np.ndarray:
    """One hundred annual flows, 10^8 m³."""
    return sm.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)


def local_level(flow: np.ndarray, variances: np.ndarray, mean: float, start: float) -> System:
    """Random walk seen with error; the first value is the start itself."""
    n = len(flow)
    noise = np.full((n, 1), variances[1])
    noise[0] = 0.0
    return System(
        transition=np.ones((n, 1, 1)),
        offset=np.zeros((n, 1)),
        noise=noise,
        loading=np.ones((n, 1)),
        intercept=np.zeros(n),
        reading=flow,
        variance=np.full(n, variances[0]),
        observed=np.ones(n, dtype=bool),
        mean=np.array([mean]),
        covariance=np.array([[start]]),
    )


def minus_and_gradient(log_variances: np.ndarray, flow: np.ndarray) -> tuple[float, np.ndarray]:
    """Minus the log-likelihood by log variances, the start all but unknown (variance 1e9)."""
    variances = np.exp(log_variances)
    value, adjoint = kalman.log_likelihood_and_adjoint(local_level(flow, variances, 0.0, 1e9))
    by_variance = np.array([adjoint.variance.sum(), adjoint.noise[1:].sum()])
    return -value, -by_variance * variances


@pytest.mark.parametrize(("mean", "start"), [(1000.0, 3e4), (1120.0, 15099.0), (0.0, 1e6)])
def test_log_likelihood_is_that_of_statsmodels(flow, mean, start) -> None:
    """The same model and start in statsmodels' Kalman filter give the same log-likelihood."""
    model = sm.tsa.UnobservedComponents(flow, "llevel")
    model.ssm.initialize_known(np.array([mean]), np.array([[start]]))
    # Known starts have no burn-in, whatever the constructor took for a diffuse one.
    model.ssm.loglikelihood_burn = 0
    expected = model.loglike(PUBLISHED)
    found = kalman.forward(local_level(flow, PUBLISHED, mean, start))[0]
    assert found == pytest.approx(expected, abs=1e-6)


def test_smoothed_level_is_that_of_statsmodels(flow) -> None:
    """A draw of zeros is statsmodels' smoothed state, year by year."""
    model = sm.tsa.UnobservedComponents(flow, "llevel")
    model.ssm.initialize_known(np.array([1000.0]), np.array([[3e4]]))
    expected = model.smooth(PUBLISHED).smoothed_state[0]
    system = local_level(flow, PUBLISHED, 1000.0, 3e4)
    root = np.array([[np.sqrt(3e4)]])
    found = kalman.draw_states(system, root, np.zeros((len(flow) + 1, 2)))[:, 0]
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_gradient_vanishes_at_the_published_variances(flow) -> None:
    """The published variances are a maximum: by relative changes the slope is all but nothing."""
    slope = minus_and_gradient(np.log(PUBLISHED), flow)[1]
    away = minus_and_gradient(np.log(1.3 * PUBLISHED), flow)[1]
    assert np.all(np.abs(slope) < 1e-2)
    assert np.all(np.abs(slope) < 0.02 * np.abs(away).max())


def test_maximum_is_at_the_published_variances(flow) -> None:
    """Climbing our likelihood by our gradient from a rough guess ends within 1 %."""
    found = optimize.minimize(
        minus_and_gradient, np.log([5000.0, 5000.0]), args=(flow,), jac=True, method="BFGS"
    )
    np.testing.assert_allclose(np.exp(found.x), PUBLISHED, rtol=0.01)
