"""The Kalman kernels against dense Gaussian algebra and finite differences."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from scipy import stats

from estimator.fit import kalman
from estimator.fit.kalman import System

STEPS, MOVING, STATES = 9, 2, 5


def random_system(seed: int, *, singular: bool = False) -> System:
    """A system with steps without readings, still states and states that only wander."""
    rng = np.random.default_rng(seed)
    transition = rng.normal(size=(STEPS, MOVING, STATES)) / 2
    noise = rng.uniform(0.1, 1.0, size=(STEPS, STATES)) * (rng.random((STEPS, STATES)) < 0.6)
    root = rng.normal(size=(STATES, 2 if singular else STATES))
    observed = np.ones(STEPS, dtype=bool)
    observed[[0, 4, 5]] = False
    return System(
        transition=transition,
        offset=rng.normal(size=(STEPS, MOVING)),
        noise=noise,
        loading=rng.normal(size=(STEPS, STATES)),
        intercept=rng.normal(size=STEPS),
        reading=rng.normal(size=STEPS) * 3,
        variance=rng.uniform(0.2, 1.0, size=STEPS),
        observed=observed,
        mean=rng.normal(size=STATES),
        covariance=root @ root.T,
    )


class Dense(NamedTuple):
    """All states (n d,) and readings (m,) as one Gaussian."""

    state_mean: np.ndarray
    state_cov: np.ndarray
    reading_mean: np.ndarray
    reading_cov: np.ndarray
    cross: np.ndarray
    reading: np.ndarray

    @property
    def given_mean(self) -> np.ndarray:
        """Mean of the states given the readings."""
        pull = np.linalg.solve(self.reading_cov, self.reading - self.reading_mean)
        return self.state_mean + self.cross @ pull

    @property
    def given_cov(self) -> np.ndarray:
        """Covariance of the states given the readings."""
        return self.state_cov - self.cross @ np.linalg.solve(self.reading_cov, self.cross.T)


def dense(system: System) -> Dense:
    """Write the recursion out as one big matrix acting on start and noises."""
    n, r, d = system.transition.shape
    # Columns: the start's d values, then each step's d noises.
    sources = np.zeros((d, d * (n + 1)))
    sources[:, :d] = np.eye(d)
    mean = system.mean
    means, maps = [], []
    for i in range(n):
        move = np.eye(d)
        move[:r] = system.transition[i]
        mean = move @ mean
        mean[:r] += system.offset[i]
        sources = move @ sources
        sources[:, d * (i + 1) : d * (i + 2)] = np.eye(d)
        means.append(mean)
        maps.append(sources.copy())
    spread = np.zeros((d * (n + 1), d * (n + 1)))
    spread[:d, :d] = system.covariance
    spread[d:, d:] = np.diag(system.noise.ravel())
    big = np.concatenate(maps)
    state_cov = big @ spread @ big.T
    seen = np.flatnonzero(system.observed)
    look = np.zeros((len(seen), n * d))
    for row, i in enumerate(seen):
        look[row, i * d : (i + 1) * d] = system.loading[i]
    state_mean = np.concatenate(means)
    return Dense(
        state_mean=state_mean,
        state_cov=state_cov,
        reading_mean=look @ state_mean + system.intercept[seen],
        reading_cov=look @ state_cov @ look.T + np.diag(system.variance[seen]),
        cross=state_cov @ look.T,
        reading=system.reading[seen],
    )


def root_of(covariance: np.ndarray) -> np.ndarray:
    """A root that exists for a singular covariance too."""
    values, vectors = np.linalg.eigh(covariance)
    return np.ascontiguousarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


@pytest.mark.parametrize("singular", [False, True])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_log_likelihood_is_that_of_the_joint_normal(seed: int, singular: bool) -> None:
    """The filter's log-likelihood is the multivariate normal density of all readings at once."""
    system = random_system(seed, singular=singular)
    whole = dense(system)
    expected = stats.multivariate_normal(whole.reading_mean, whole.reading_cov).logpdf(
        whole.reading
    )
    assert kalman.forward(system)[0] == pytest.approx(expected, rel=1e-10)
    assert kalman.log_likelihood_and_adjoint(system)[0] == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("name", kalman.Adjoint._fields)
@pytest.mark.parametrize("singular", [False, True])
def test_adjoint_is_the_gradient(name: str, singular: bool) -> None:
    """Every entry of every adjoint array agrees with a central difference."""
    system = random_system(5, singular=singular)
    array = getattr(system, name)
    _, adjoint = kalman.log_likelihood_and_adjoint(system)
    step = 1e-6

    def shifted(index: tuple[int, ...], by: float) -> float:
        changed = array.copy()
        changed[index] += by
        return float(kalman.forward(system._replace(**{name: changed}))[0])

    numeric = np.empty_like(array)
    for index in np.ndindex(array.shape):
        numeric[index] = (shifted(index, step) - shifted(index, -step)) / (2 * step)
    np.testing.assert_allclose(getattr(adjoint, name), numeric, rtol=2e-6, atol=2e-7)
    assert np.any(np.abs(numeric) > 1e-3)


@pytest.mark.parametrize("name", ["transition", "loading"])
def test_what_is_zero_has_no_derivative_and_leaves_the_others_right(name: str) -> None:
    """With half of the transitions and loadings at zero, the other half has its gradient still."""
    whole, rng = random_system(6), np.random.default_rng(1)
    parts = {part: getattr(whole, part).copy() for part in ("transition", "loading")}
    for array in parts.values():
        array[rng.random(array.shape) < 0.5] = 0.0
    system = whole._replace(**parts)
    array, step = parts[name], 1e-6
    found = getattr(kalman.log_likelihood_and_adjoint(system)[1], name)
    assert not found[array == 0].any()
    for index in zip(*np.nonzero(array), strict=True):
        ends = []
        for by in (step, -step):
            moved = array.copy()
            moved[index] += by
            ends.append(kalman.forward(system._replace(**{name: moved})).log_likelihood)
        assert found[index] == pytest.approx((ends[0] - ends[1]) / (2 * step), rel=2e-6, abs=2e-7)


@pytest.mark.parametrize("singular", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
def test_zero_normals_give_the_smoothed_mean(seed: int, singular: bool) -> None:
    """With all random numbers zero the draw is the mean of the states given all readings."""
    system = random_system(seed, singular=singular)
    normals = np.zeros((STEPS + 1, STATES + 1))
    path = kalman.draw_states(system, root_of(system.covariance), normals)
    np.testing.assert_allclose(path.ravel(), dense(system).given_mean, rtol=1e-8, atol=1e-9)


@pytest.mark.parametrize("singular", [False, True])
def test_draws_have_the_exact_conditional_covariance(singular: bool) -> None:
    """A draw is affine in its normal numbers; that map times its transpose is the covariance.

    This is exact, where a count of random draws would only be near.
    """
    system = random_system(4, singular=singular)
    root = root_of(system.covariance)
    shape = (STEPS + 1, STATES + 1)
    centre = kalman.draw_states(system, root, np.zeros(shape)).ravel()
    columns = []
    for index in np.ndindex(shape):
        unit = np.zeros(shape)
        unit[index] = 1.0
        columns.append(kalman.draw_states(system, root, unit).ravel() - centre)
    affine = np.stack(columns, axis=1)
    np.testing.assert_allclose(affine @ affine.T, dense(system).given_cov, rtol=1e-7, atol=1e-9)
    normals = np.random.default_rng(0).standard_normal(shape)
    drawn = kalman.draw_states(system, root, normals).ravel()
    np.testing.assert_allclose(drawn, centre + affine @ normals.ravel(), rtol=1e-8, atol=1e-9)


def test_without_readings_nothing_is_learnt() -> None:
    """No readings: the log-likelihood is 0 and the states keep their prior mean."""
    system = random_system(6)._replace(observed=np.zeros(STEPS, dtype=bool))
    path = kalman.draw_states(system, root_of(system.covariance), np.zeros((STEPS + 1, STATES + 1)))
    assert kalman.forward(system)[0] == 0.0
    np.testing.assert_allclose(path.ravel(), dense(system).state_mean, rtol=1e-9, atol=1e-12)
