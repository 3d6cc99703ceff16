"""Knowledge after imagined readings, against closed forms and Bayes' rule."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from estimator.next_tests import outcomes as oc
from estimator.next_tests.foresight import Foresight
from helpers.foresights import hand_made


def condition_one(
    mean: np.ndarray,
    covariance: np.ndarray,
    variance: np.ndarray,
    rows: list[int],
    shown: np.ndarray,
    *,
    spreads: np.ndarray | None = None,
    normals: np.ndarray | None = None,
    slope: np.ndarray | None = None,
) -> tuple[np.ndarray, ...]:
    """`condition` for one draw and outcome: log density, state means, drawn states, sd of flow."""
    k, t = len(variance), len(mean) - len(variance)
    found = oc.condition(
        mean[None],
        covariance[None],
        variance[None],
        np.array(rows, dtype=np.int64),
        np.arange(k, k + t),
        shown[None],
        np.ones((1, len(rows))) if spreads is None else spreads[None],
        np.zeros((1, t)) if normals is None else normals[None],
        np.ones((1, t)) if slope is None else slope[None],
    )
    return tuple(array[0, 0] for array in found)


@pytest.mark.parametrize("readings", [0, 1, 2, 5, 20])
@pytest.mark.parametrize(("known", "noise"), [(0.09, 0.04), (4.0, 0.01), (1e-4, 1.0)])
def test_repeated_readings_of_one_quantity(readings: int, known: float, noise: float) -> None:
    """n readings leave 1/(1/P + n/R) of variance, and their precision-weighted mean.

    The normal mean with known variance (Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., eq.
    2.11–2.12, from memory), to 1e-6.
    """
    shown = 3.0 + np.random.default_rng(readings).normal(size=readings)
    _, centre, _, sd = condition_one(
        np.full(2, 2.8), np.full((2, 2), known), np.array([noise]), [0] * readings, shown
    )
    precision = 1 / known + readings / noise
    assert sd[()] ** 2 == pytest.approx(1 / precision, rel=1e-6)
    expected = (2.8 / known + shown.sum() / noise) / precision
    np.testing.assert_allclose(centre, [expected], rtol=1e-6)


def joint(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean, covariance and variance of four readings and two states."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(6, 6))
    return rng.normal(size=6), root @ root.T, rng.uniform(0.1, 0.5, 4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_density_and_states_are_those_of_the_joint_normal(seed: int) -> None:
    """Log density but for its constant, and mean and covariance of the states given readings.

    One row comes twice and one error is of a wide class; SciPy's density and plain conditioning
    are the measure. The states are affine in their normal numbers, so their covariance is exact.
    """
    mean, covariance, variance = joint(seed)
    rng = np.random.default_rng(20 + seed)
    rows, spreads = [2, 0, 2, 3], np.array([1.0, 16.0, 1.0, 4.0])
    shown = rng.normal(size=4)
    within = covariance[np.ix_(rows, rows)] + np.diag(variance[rows] * spreads**2)
    cross = covariance[np.ix_([4, 5], rows)]
    expected = mean[4:] + cross @ np.linalg.solve(within, shown - mean[rows])
    left = covariance[4:, 4:] - cross @ np.linalg.solve(within, cross.T)
    slope = rng.normal(size=2)
    given = (mean, covariance, variance, rows, shown)
    log_density, centre, drawn, sd = condition_one(*given, spreads=spreads, slope=slope)
    whole = stats.multivariate_normal(mean[rows], within).logpdf(shown)
    assert log_density[()] == pytest.approx(whole + 2 * np.log(2 * np.pi), rel=1e-9)
    np.testing.assert_allclose(centre, expected, rtol=1e-9)
    np.testing.assert_allclose(drawn, expected, rtol=1e-9)
    assert sd[()] ** 2 == pytest.approx(slope @ left @ slope, rel=1e-9)
    root = np.transpose(
        [condition_one(*given, spreads=spreads, normals=unit)[2] - centre for unit in np.eye(2)]
    )
    np.testing.assert_allclose(root @ root.T, left, rtol=1e-8, atol=1e-10)


def test_repeats_are_one_reading_with_less_noise() -> None:
    """n equal readings of one row leave what their mean with an n-th of the noise leaves."""
    mean, covariance, variance = joint(4)
    shown = np.array([0.3, 0.9, 0.6])
    _, repeated, _, sd = condition_one(mean, covariance, variance, [1, 1, 1], shown)
    less = variance / 3
    _, once, _, sd_once = condition_one(mean, covariance, less, [1], np.array([0.6]))
    np.testing.assert_allclose(repeated, once, rtol=1e-9)
    assert sd[()] == pytest.approx(sd_once[()], rel=1e-9)


def test_an_outcome_is_conditioned_alike_beside_any_other() -> None:
    """Outcomes with odd errors between ordinary ones change nothing for their neighbours."""
    mean, covariance, variance = (array[None] for array in joint(5))
    rng = np.random.default_rng(6)
    shown = rng.normal(size=(5, 2))
    spreads = np.array([[1, 1], [1, 16], [1, 1], [4, 1], [1, 1]], dtype=float)
    rest = (np.array([0, 3]), np.array([4, 5]))
    last = (rng.normal(size=(1, 2)), np.ones((1, 2)))
    together = oc.condition(mean, covariance, variance, *rest, shown, spreads, *last)
    for i in range(5):
        alone = oc.condition(
            mean, covariance, variance, *rest, shown[i : i + 1], spreads[i : i + 1], *last
        )
        for one, all_ in zip(alone, together, strict=True):
            np.testing.assert_allclose(one[0], all_[i], rtol=1e-12)


def moments(foresight: Foresight, outcomes: oc.Outcomes) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance (i,) of log needed flow after each outcome."""
    flow = foresight.present.log_flow(outcomes.mean)
    mean = np.sum(outcomes.weights * flow, axis=1)
    around = (flow - mean[:, None]) ** 2 + outcomes.flow_sd**2
    return mean, np.sum(outcomes.weights * around, axis=1)


@pytest.mark.parametrize("chosen", [[0, 0, 1], [1], [2, 2], [0, 1, 2, 3]])
def test_knowledge_to_come_averages_to_knowledge_now(chosen: list[int]) -> None:
    """Total expectation: means after outcomes average to the mean now.

    Total variance: the variance expected to be left and that of the means add up to the variance
    now. Both follow from Bayes' rule alone (Raiffa & Schlaifer 1961, section 5.4, from memory).
    """
    foresight = hand_made(3, draws=800, imagined=400)
    now_mean, now_variance = (x[0] for x in moments(foresight, oc.outcomes_of(foresight, [])))
    mean, variance = moments(foresight, oc.outcomes_of(foresight, chosen))
    error = np.std(mean) / np.sqrt(len(mean))
    assert abs(np.mean(mean) - now_mean) < 3 * error
    # The variance of the means is known to √(2/n) of itself, n outcomes.
    spread = np.var(mean)
    tolerance = 3 * np.hypot(spread * np.sqrt(2 / len(mean)), np.std(variance) / np.sqrt(len(mean)))
    assert abs(np.mean(variance) + spread - now_variance) < tolerance
    assert spread > tolerance / 3


def test_imagined_truths_fall_evenly_among_what_is_then_known() -> None:
    """The flow behind an outcome has a uniform rank in the knowledge after it.

    The self-consistency of simulation-based calibration (Talts et al. 2018, arXiv:1804.06788); here
    the reading "uptake itself" stands for what was true.
    """
    foresight = hand_made(8, draws=800, imagined=400)
    outcomes = oc.outcomes_of(foresight, [0, 0, 1, 2])
    uptake = outcomes.states[..., 1]
    true = foresight.truth[:, 3]
    place = np.sum(outcomes.weights * (uptake < true[:, None]), axis=1)
    assert stats.kstest(place, "uniform").pvalue > 0.01


def test_kits_show_steps_scatter_and_odd_readings() -> None:
    """What is shown is a whole number of steps; errors have the stated sd; repeats differ."""
    foresight = hand_made(1, draws=2000, imagined=2000)
    values, spreads = oc.show(foresight, [0, 0, 1])
    steps = values / foresight.step[[0, 0, 1]]
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-9)
    error = (values - foresight.truth[:, [0, 0, 1]]) / spreads
    ordinary = np.all(spreads == 1.0, axis=1)
    sd = np.sqrt(foresight.variance[0, 0])
    np.testing.assert_allclose(np.std(error[ordinary], axis=0), sd, rtol=0.06)
    assert abs(np.corrcoef(error[ordinary, 0], error[ordinary, 1])[0, 1]) < 0.08
    assert 0.02 < np.mean(spreads[:, 0] > 1.0) < 0.06


def test_a_better_known_volume_shows_in_the_volume() -> None:
    """A volume measured to 1 % leaves the volume that certain, nothing else being read."""
    foresight = hand_made(2, draws=800)
    outcomes = oc.outcomes_of(foresight, [], volume_test_sd=0.01)
    log_volume = np.log(foresight.present.volume_l)
    mean = outcomes.weights @ log_volume
    sd = np.sqrt(outcomes.weights @ log_volume**2 - mean**2)
    prior = np.std(log_volume)
    assert np.mean(sd) == pytest.approx(1 / np.hypot(1 / prior, 1 / 0.01), rel=0.1)


def test_no_outcome_leans_on_the_draw_it_was_imagined_from() -> None:
    """That draw has no weight; it would make every test look too good."""
    foresight = hand_made(1)
    weights = oc.outcomes_of(foresight, [0, 1]).weights
    assert np.all(weights[np.arange(len(foresight.picks)), foresight.picks] == 0.0)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)
