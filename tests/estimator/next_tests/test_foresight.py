"""Imagined readings and the knowledge after them, against dense algebra and closed forms."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats

from estimator import units
from estimator.fit import kalman
from estimator.fit.kalman import System
from estimator.fit.posterior import Posterior, day_states, describe
from estimator.fit.sampling import Trace
from estimator.fit.schedule import build_schedule
from estimator.inputs.records import Action
from estimator.next_tests import foresight as fs
from helpers.foresights import hand_made

DKH = units.MEQ_L_PER_DKH
STEPS, MOVING, STATES = 8, 2, 4


def random_system(seed: int, last_reading: int) -> System:
    """A system of eight steps, some before `last_reading` without a reading, none after it."""
    rng = np.random.default_rng(seed)
    observed = np.arange(STEPS) <= last_reading
    observed[1] = False
    root = rng.normal(size=(STATES, STATES))
    return System(
        transition=rng.normal(size=(STEPS, MOVING, STATES)) / 2,
        offset=rng.normal(size=(STEPS, MOVING)),
        noise=rng.uniform(0.1, 1.0, size=(STEPS, STATES)) * (rng.random((STEPS, STATES)) < 0.6),
        loading=rng.normal(size=(STEPS, STATES)),
        intercept=rng.normal(size=STEPS),
        reading=rng.normal(size=STEPS) * 3,
        variance=rng.uniform(0.2, 1.0, size=STEPS),
        observed=observed,
        mean=rng.normal(size=STATES),
        covariance=root @ root.T,
    )


def dense_states(system: System) -> tuple[np.ndarray, np.ndarray]:
    """Mean (n d,) and covariance of all states given all readings, by one big matrix.

    The states are an affine map of the start and of every step's noise, which are independent.
    """
    move = np.repeat(np.eye(STATES)[None], STEPS, axis=0)
    move[:, :MOVING] = system.transition
    sources = np.zeros((STEPS * STATES, (STEPS + 1) * STATES))
    mean = np.zeros(STEPS * STATES)
    row, centre = np.eye(STATES, (STEPS + 1) * STATES), system.mean
    for i in range(STEPS):
        row, centre = move[i] @ row, move[i] @ centre
        row[:, (i + 1) * STATES : (i + 2) * STATES] = np.eye(STATES)
        centre[:MOVING] += system.offset[i]
        here = slice(i * STATES, (i + 1) * STATES)
        sources[here], mean[here] = row, centre
    spread = np.zeros((len(sources[0]), len(sources[0])))
    spread[:STATES, :STATES] = system.covariance
    spread[STATES:, STATES:] = np.diag(system.noise.ravel())
    covariance = sources @ spread @ sources.T
    seen = np.flatnonzero(system.observed)
    look = np.zeros((len(seen), STEPS * STATES))
    for m, i in enumerate(seen):
        look[m, i * STATES : (i + 1) * STATES] = system.loading[i]
    cross = covariance @ look.T
    gain = cross @ np.linalg.inv(look @ cross + np.diag(system.variance[seen]))
    surplus = system.reading[seen] - look @ mean - system.intercept[seen]
    return mean + gain @ surplus, covariance - gain @ cross.T


@pytest.mark.parametrize("last_reading", [-1, 3, 4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_joint_prediction_is_dense_conditioning(seed: int, last_reading: int) -> None:
    """Functionals of later states, several at one step too, have the joint normal of plain algebra.

    With and without readings before; the means and every covariance agree to 1e-9.
    """
    system = random_system(seed, last_reading)
    rng = np.random.default_rng(10 + seed)
    at = np.array([4, 4, 5, 7, 7])
    loading, intercept = rng.normal(size=(5, STATES)), rng.normal(size=5)
    mean, covariance = kalman.joint_prediction(system, at, loading, intercept)
    state_mean, state_covariance = dense_states(system)
    look = np.zeros((5, STEPS * STATES))
    for j, i in enumerate(at):
        look[j, i * STATES : (i + 1) * STATES] = loading[j]
    np.testing.assert_allclose(mean, look @ state_mean + intercept, atol=1e-9, rtol=1e-9)
    np.testing.assert_allclose(covariance, look @ state_covariance @ look.T, atol=1e-9, rtol=1e-9)


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
    found = fs.condition(
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
    together = fs.condition(mean, covariance, variance, *rest, shown, spreads, *last)
    for i in range(5):
        alone = fs.condition(
            mean, covariance, variance, *rest, shown[i : i + 1], spreads[i : i + 1], *last
        )
        for one, all_ in zip(alone, together, strict=True):
            np.testing.assert_allclose(one[0], all_[i], rtol=1e-12)


def moments(foresight: fs.Foresight, outcomes: fs.Outcomes) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance (i,) of log needed flow after each outcome."""
    flow = np.log(foresight.present.flow_l_d(outcomes.mean))
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
    now_mean, now_variance = (x[0] for x in moments(foresight, fs.outcomes_of(foresight, [])))
    mean, variance = moments(foresight, fs.outcomes_of(foresight, chosen))
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
    outcomes = fs.outcomes_of(foresight, [0, 0, 1, 2])
    uptake = outcomes.states[..., 1]
    true = foresight.truth[:, 3]
    place = np.sum(outcomes.weights * (uptake < true[:, None]), axis=1)
    assert stats.kstest(place, "uniform").pvalue > 0.01


def test_kits_show_steps_scatter_and_odd_readings() -> None:
    """What is shown is a whole number of steps; errors have the stated sd; repeats differ."""
    foresight = hand_made(1, draws=2000, imagined=2000)
    shown = fs.show(foresight, [0, 0, 1])
    steps = shown.values / foresight.step[[0, 0, 1]]
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-9)
    error = (shown.values - foresight.truth[:, [0, 0, 1]]) / shown.spreads
    ordinary = np.all(shown.spreads == 1.0, axis=1)
    sd = np.sqrt(foresight.variance[0, 0])
    np.testing.assert_allclose(np.std(error[ordinary], axis=0), sd, rtol=0.06)
    assert abs(np.corrcoef(error[ordinary, 0], error[ordinary, 1])[0, 1]) < 0.08
    assert 0.02 < np.mean(shown.spreads[:, 0] > 1.0) < 0.06


def test_a_better_known_volume_shows_in_the_volume() -> None:
    """A volume measured to 1 % leaves the volume that certain, nothing else being read."""
    foresight = hand_made(2, draws=800)
    outcomes = fs.outcomes_of(foresight, [], volume_test_sd=0.01)
    log_volume = np.log(foresight.present.volume_l)
    mean = outcomes.weights @ log_volume
    sd = np.sqrt(outcomes.weights @ log_volume**2 - mean**2)
    prior = np.std(log_volume)
    assert np.mean(sd) == pytest.approx(1 / np.hypot(1 / prior, 1 / 0.01), rel=0.1)


def test_no_outcome_leans_on_the_draw_it_was_imagined_from() -> None:
    """That draw has no weight; it would make every test look too good."""
    foresight = hand_made(1)
    weights = fs.outcomes_of(foresight, [0, 1]).weights
    assert np.all(weights[np.arange(len(foresight.picks)), foresight.picks] == 0.0)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)


def foresee(fit, readings, seed: int = 0, **changes) -> fs.Foresight:
    """`foresight.foresee` after a fit."""
    return fs.foresee(
        fit.log,
        fit.tank,
        fit.schedule,
        fit.trace,
        readings,
        np.random.SeedSequence(seed),
        **changes,
    )


def quantiles(draws: np.ndarray) -> np.ndarray:
    return np.quantile(draws, [0.05, 0.25, 0.5, 0.75, 0.95])


def test_the_present_is_the_posterior(small_fit, next_tests) -> None:
    """Level, uptake, effluent gain and needed flow at the log's end are those of the posterior.

    The posterior drew its states with random numbers of its own, so the quantiles agree within a
    tenth of the 9-in-10 range.
    """
    found = foresee(small_fit, list(next_tests.values()))
    states = fs.outcomes_of(found, []).states[0]
    posterior: Posterior = small_fit.posterior
    present = found.present
    pairs = {
        "level": (present.level(states), posterior.alkalinity_now_meq_l),
        "uptake": (present.uptake(states), posterior.uptake_now_meq_l_d),
        "gain": (present.gain(states), posterior.effluent_gain_meq_l),
        "flow": (present.flow_l_d(states), posterior.needed_flow_l_d),
    }
    for name, (mine, theirs) in pairs.items():
        expected = quantiles(theirs)
        apart = np.abs(quantiles(mine) - expected).max()
        assert apart < 0.1 * (expected[-1] - expected[0]), name


def test_the_states_are_moments_of_exact_draws(small_fit, next_tests) -> None:
    """Means and sds of the states, draw by draw, are those that many exact state draws have."""
    from estimator.fit.likelihood import MISREAD_SPREAD, draw_path_at, frame_of
    from estimator.fit.priors import prior_table

    found = foresee(small_fit, list(next_tests.values()), draws=2)
    schedule, trace = small_fit.schedule, small_fit.trace
    table = prior_table(schedule, small_fit.tank)
    frame = frame_of(schedule, table)
    rng = np.random.default_rng(0)
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])[0]
    misread = trace.misread.reshape(-1, trace.misread.shape[-1])[0]
    shape = (len(schedule.steps) + 1, schedule.layout.size + 1)
    paths = np.array(
        [
            draw_path_at(
                table.theta(natural), MISREAD_SPREAD[misread], frame, rng.standard_normal(shape)
            )[0]
            for _ in range(3000)
        ]
    )
    ends = day_states(schedule, paths)
    draws = np.stack([ends.alkalinity[:, -1], ends.uptake[:, -1], ends.effluent], axis=1)
    sd = np.sqrt(np.diagonal(found.covariance[0])[found.states])
    np.testing.assert_allclose(
        draws.mean(axis=0), found.mean[0, found.states], atol=4 * sd.max() / np.sqrt(3000)
    )
    np.testing.assert_allclose(draws.std(axis=0), sd, rtol=0.06)
    described = describe(schedule, small_fit.tank, np.repeat(natural[None], 3000, 0), ends, 1)
    flow_sd = fs.outcomes_of(found, []).flow_sd[0, 0]
    assert np.std(np.log(described.needed_flow_l_d)) == pytest.approx(flow_sd, rel=0.08)


def test_a_tests_reading_is_expected_at_the_level_then(small_fit, next_tests) -> None:
    """Four days on, nothing changed, uptake less supply moves the expected reading as it should.

    The change of level expected from the present alone, by the mass balance without light, is met
    within a tenth of a day's uptake; its uncertainty grows with the days.
    """
    found = foresee(small_fit, [next_tests[name] for name in ("tank", "tank in four days")])
    now, later = found.mean[:, 0], found.mean[:, 1]
    sd = np.sqrt(found.covariance[:, [0, 1], [0, 1]]).mean(axis=0)
    assert sd[1] > 1.3 * sd[0]
    present = found.present
    states = found.mean[:, found.states]
    flow = small_fit.schedule.present_flow_l_d
    gain = present.gain(states) - (1 - present.exponent) * (now - present.middle_meq_l)
    rise = flow * gain / present.volume_l - present.uptake(states)
    kappa = flow / present.volume_l * (1 - present.exponent)
    expected = rise * (1 - np.exp(-4 * kappa)) / kappa
    uptake = np.median(present.uptake(states))
    assert np.median(np.abs(later - now - expected)) < 0.1 * uptake


def test_scatter_is_that_of_kit_and_sample(small_fit, next_tests) -> None:
    """Variance of a reading: repeatability squared, three times for effluent, and step²/12."""
    found = foresee(small_fit, [next_tests[name] for name in ("tank", "effluent", "calcium")])
    tank = small_fit.tank
    for column, (kit, times) in enumerate((("alk", 1), ("alk", 3), ("ca", 1))):
        repeat = small_fit.posterior.kit_repeatability[kit]
        step = tank.kits[kit].step
        np.testing.assert_allclose(found.scatter_sd[:, column], np.sqrt(times) * repeat)
        np.testing.assert_allclose(
            found.variance[:, column], times * repeat**2 + step**2 / 12, rtol=1e-9
        )
        assert found.step[column] == pytest.approx(step)


def test_a_kit_never_used_is_as_its_prior_says(small_fit, next_tests) -> None:
    """A calcium test with a second kit brings that kit's calibration error, not the first one's."""
    tank = small_fit.tank
    other = replace(tank.kits["ca"], name="ca2", calibration_sd=0.1)
    fit = replace(small_fit, tank=replace(tank, kits={**tank.kits, "ca2": other}))
    first, second = next_tests["calcium"], replace(next_tests["calcium"], kit="ca2")
    found = foresee(fit, [first, second])
    level = found.mean[:, :2]
    assert np.std(np.log(level[:, 1])) == pytest.approx(0.1, rel=0.15)
    assert np.std(np.log(level[:, 0])) < 0.05


def test_a_bottle_never_used_follows_the_others_of_its_kit(small_fit, next_tests) -> None:
    """The gain of a bottle opened today takes a third of its log gain from each of two others.

    The log gains of a kit's bottles have sd 5 % and correlation 0.5; for three such normals the
    third's mean given the others is a third of their sum, and its sd √(2/3) of 5 %.
    """
    opened = Action(0, small_fit.log.end, "new_bottle", "alk", None)
    test = replace(next_tests["tank"], sample="reference", of="standard")
    found = foresee(small_fit, [test], actions=[opened])
    first, second = (small_fit.posterior.kit_gain["alk", bottle] for bottle in (0, 1))
    gain = found.mean[:, 0] / (7.0 * DKH)
    rest = np.log(gain) - (np.log(first) + np.log(second)) / 3
    assert np.std(rest) == pytest.approx(0.05 * np.sqrt(2 / 3), rel=0.1)
    assert abs(np.mean(rest)) < 3 * 0.041 / np.sqrt(len(rest))
    assert abs(np.corrcoef(rest, np.log(first * second))[0, 1]) < 0.13


def test_actions_done_meanwhile_are_followed(small_fit, next_tests) -> None:
    """With the reactor stopped right away, four days cost about four days of uptake."""
    stop = Action(0, small_fit.log.end + timedelta(hours=1), "flow", "", 0.0)
    tests = [next_tests[name] for name in ("tank", "tank in four days")]
    found = foresee(small_fit, tests, actions=[stop])
    uptake = found.present.uptake(found.mean[:, found.states])
    fall = (found.mean[:, 0] - found.mean[:, 1]) / found.present.kit_gain
    np.testing.assert_allclose(fall, 4 * uptake, rtol=0.02)


def test_later_states_are_less_certain(small_fit, next_tests) -> None:
    """States wanted three weeks on carry three weeks of drift; the means of uptake stay."""
    now = foresee(small_fit, [])
    later = foresee(small_fit, [], at=small_fit.log.end + timedelta(days=21))
    drift = now.present.drift
    grown = later.covariance[:, 1, 1] - now.covariance[:, 1, 1]
    np.testing.assert_allclose(grown, 21 * drift**2, rtol=1e-6)
    np.testing.assert_allclose(later.mean[:, 1], now.mean[:, 1], atol=1e-9)


def test_one_seed_gives_one_future(small_fit, next_tests) -> None:
    """The same seed imagines the same; another seed does not; the predictions need no seed."""
    tests = list(next_tests.values())
    first, again, other = (foresee(small_fit, tests, seed, draws=50) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first.truth, again.truth)
    np.testing.assert_array_equal(first.errors, again.errors)
    np.testing.assert_array_equal(first.mean, other.mean)
    assert not np.array_equal(first.truth, other.truth)


def test_the_order_of_readings_does_not_matter(small_fit, next_tests) -> None:
    """Every reading keeps its own prediction, whatever order they are asked for in."""
    tests = list(next_tests.values())
    forward = foresee(small_fit, tests, draws=20)
    backward = foresee(small_fit, tests[::-1], draws=20)
    k = len(tests)
    turn = [*range(k - 1, -1, -1), *range(k, forward.mean.shape[1])]
    np.testing.assert_allclose(forward.mean, backward.mean[:, turn], rtol=1e-12)
    np.testing.assert_allclose(
        forward.covariance, backward.covariance[:, turn][:, :, turn], rtol=1e-9, atol=1e-14
    )


def test_the_fit_is_left_as_it_was(small_fit, next_tests) -> None:
    """Looking ahead does not change the schedule that it starts from."""
    made = build_schedule(small_fit.log, small_fit.tank)
    trace: Trace = small_fit.trace
    before = trace.natural.copy()
    foresee(small_fit, list(next_tests.values()), draws=20)
    np.testing.assert_array_equal(made.steps, small_fit.schedule.steps)
    np.testing.assert_array_equal(trace.natural, before)
