"""Predictions of readings not yet taken, against dense algebra and the posterior."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator import units
from estimator.fit import kalman
from estimator.fit.jumps import KIT
from estimator.fit.kalman import System
from estimator.fit.layout import PHYSICAL
from estimator.fit.posterior import Posterior, describe
from estimator.fit.problem import pose
from estimator.fit.schedule import build_schedule
from estimator.fit.states import day_states
from estimator.fit.trace import Trace
from estimator.inputs.records import Action
from estimator.next_tests import foresight as fs
from estimator.next_tests.outcomes import outcomes_of
from helpers.fits import still_trace
from helpers.foresights import hand_made
from helpers.tanks import example_log, example_tank

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


def foresee(fit, readings, seed: int = 0, **changes) -> fs.Foresight:
    """`foresight.foresee` after a fit."""
    return fs.foresee(fit, fit.trace, readings, np.random.SeedSequence(seed), **changes)


def quantiles(draws: np.ndarray) -> np.ndarray:
    return np.quantile(draws, [0.05, 0.25, 0.5, 0.75, 0.95])


def test_the_present_is_the_posterior(small_fit, next_tests) -> None:
    """Level, uptake, increment and needed flow at the log's end are those of the posterior.

    The posterior drew its states with random numbers of its own: of 600 draws the middle quantiles
    agree within a tenth of the 9-in-10 range, its ends within a fifth (three standard errors).
    """
    within = np.array([0.2, 0.1, 0.1, 0.1, 0.2])
    found = foresee(small_fit, list(next_tests.values()))
    states = outcomes_of(found, []).states[0]
    posterior: Posterior = small_fit.posterior
    mine, theirs = found.present.state(states), posterior.state
    pairs = {
        "level": (mine.level_meq_l, theirs.level_meq_l),
        "uptake": (mine.uptake_meq_l_d, theirs.uptake_meq_l_d),
        "increment": tuple(
            state.law.increment_at(posterior.shown_flow_l_d, posterior.middle_meq_l)
            for state in (mine, theirs)
        ),
        "limit": tuple(
            state.law.supply_meq_d(1e6, posterior.middle_meq_l) for state in (mine, theirs)
        ),
        "flow": (mine.needed_flow_l_d, theirs.needed_flow_l_d),
    }
    for name, (foreseen, known) in pairs.items():
        expected = quantiles(known)
        apart = np.abs(quantiles(foreseen) - expected) / (expected[-1] - expected[0])
        assert np.all(apart < within), (name, apart)


def test_the_level_is_freed_of_the_swing_of_hand_dosing_and_light() -> None:
    """A filter's 8.2 dKH, 0.1 above the mean by a dose of this morning, 0.05 days of 1.2 dKH below
    it by the light: 8.2 − 0.1 + 0.06."""
    present = hand_made(1, draws=3, parameter_spread=0.0).present
    dosed = replace(present, level_shift_meq_l=np.full(3, 0.1 * DKH))
    state = dosed.state(np.tile([8.2 * DKH, 0.0, 0.0], (3, 1)))
    np.testing.assert_allclose(state.level_meq_l, 8.16 * DKH)


def test_the_states_are_moments_of_exact_draws(small_fit, next_tests) -> None:
    """Means and sds of the states, draw by draw, are those that many exact state draws have."""
    from estimator.fit.likelihood import MISREAD_SPREAD, draw_path_at

    found = foresee(small_fit, list(next_tests.values()), draws=2)
    schedule, trace = small_fit.schedule, small_fit.trace
    rng = np.random.default_rng(0)
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])[0]
    misread = trace.misread.reshape(-1, trace.misread.shape[-1])[0]
    jump = int(trace.jump.reshape(-1)[0])
    shape = (len(schedule.steps) + 1, schedule.layout.size + 1)
    paths = np.array(
        [
            draw_path_at(
                natural, MISREAD_SPREAD[misread], jump, small_fit.frame, rng.standard_normal(shape)
            )[0]
            for _ in range(3000)
        ]
    )
    ends = day_states(schedule, paths)
    assert ends.kit_shift is not None
    draws = np.stack(
        [ends.alkalinity[:, -1], ends.uptake[:, -1], ends.effluent[:, -1], ends.kit_shift], axis=1
    )
    sd = np.sqrt(np.diagonal(found.covariance[0])[found.states])
    np.testing.assert_allclose(
        draws.mean(axis=0), found.mean[0, found.states], atol=4 * sd.max() / np.sqrt(3000)
    )
    np.testing.assert_allclose(draws.std(axis=0), sd, rtol=0.06, atol=1e-9)
    described = describe(small_fit, np.repeat(natural[None], 3000, 0), np.full(3000, jump), ends, 1)
    flow_sd = outcomes_of(found, []).flow_sd[0, 0]
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
    state = found.present.state(found.mean[:, found.states])
    flow, law = small_fit.schedule.present_flow_l_d, state.law
    reads = found.present.reads(found.mean[:, found.states])
    level = now / reads
    rise = law.supply_meq_d(flow, level) / law.volume_l - state.uptake_meq_l_d
    rise -= law.level_response_per_d * (level - law.middle_meq_l)
    decay = law.rates(flow)[1]
    expected = reads * rise * (1 - np.exp(-4 * decay)) / decay
    uptake = np.median(state.uptake_meq_l_d)
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
    """The calibration of a bottle opened today takes a third of its log from each of two others.

    The log calibrations of a kit's bottles have sd 5 % and correlation 0.5; for three such normals
    the third's mean given the others is a third of their sum, and its sd √(2/3) of 5 %.
    """
    opened = Action(0, small_fit.log.end, "new_bottle", "alk", None)
    test = replace(next_tests["tank"], sample="reference", of="standard")
    found = foresee(small_fit, [test], actions=[opened])
    first, second = (small_fit.posterior.kit_calibration["alk", bottle] for bottle in (0, 1))
    calibration = found.mean[:, 0] / (7.0 * DKH)
    rest = np.log(calibration) - (np.log(first) + np.log(second)) / 3
    assert np.std(rest) == pytest.approx(0.05 * np.sqrt(2 / 3), rel=0.1)
    assert abs(np.mean(rest)) < 3 * 0.041 / np.sqrt(len(rest))
    assert abs(np.corrcoef(rest, np.log(first * second))[0, 1]) < 0.13


def test_what_is_read_next_is_read_with_the_shifted_kit() -> None:
    """Where the kit shifted, its next reading is the level and the shift of what it showed last.

    Another kit that reads the tank beside it has no part in that, and takes the place of the kit
    that tests it.
    """
    alk = example_tank().kits["alk"]
    tank = example_tank(kits={"alk": alk, "other": replace(alk, name="other")})
    days = [(j + 0.4, "alkalinity", "tank", "alk", (1 + 0.06 * (j > 9)) * 2.9) for j in range(20)]
    days += [(2.5, "alkalinity", "tank", "other", 2.9)]
    problem = pose(example_log(days, [(0.2, "dose_rate", "soda", 160.0)]), tank)
    jumps = problem.frame.jumps
    shifted = int(np.flatnonzero((jumps.kind == KIT) & (jumps.day == 10))[0])
    theta = problem.priors.natural(np.zeros(problem.priors.size))
    trace = still_trace(problem, theta)
    trace = replace(trace, jump=np.full_like(trace.jump, shifted))
    later = problem.log.end + timedelta(hours=1)
    own = replace(problem.log.readings[-1], time=later, value=0.0)
    others = replace(own, kit="other")
    found = fs.foresee(problem, trace, [own], np.random.SeedSequence(1))
    place = 1 + found.present.places[4]
    shift = found.mean[:, place]
    assert shift.min() > 0.03
    np.testing.assert_allclose(found.present.reads(found.mean[:, 1:]), theta[PHYSICAL] + shift)
    both = fs.foresee(problem, trace, [own, others], np.random.SeedSequence(1))
    assert both.present.places[4] == -1
    np.testing.assert_allclose(both.mean[:, 0], found.mean[:, 0], rtol=1e-4)
    np.testing.assert_allclose(both.mean[:, 0] - both.mean[:, 1], 1.06 * 2.9 * shift, rtol=0.03)


def test_actions_done_meanwhile_are_followed(small_fit, next_tests) -> None:
    """With the reactor stopped right away, four days cost about four days of uptake, which falls
    with the level."""
    stop = Action(0, small_fit.log.end + timedelta(hours=1), "flow", "", 0.0)
    tests = [next_tests[name] for name in ("tank", "tank in four days")]
    found = foresee(small_fit, tests, actions=[stop])
    states = found.mean[:, found.states]
    state, first = found.present.state(states), found.mean[:, 0] / found.present.reads(states)
    # A shift shows in both readings alike.
    fallen = (found.mean[:, 0] - found.mean[:, 1]) / found.present.kit_calibration
    level, response = first - state.law.middle_meq_l, state.law.level_response_per_d
    fall = (state.uptake_meq_l_d / response + level) * (1 - np.exp(-4 * response))
    np.testing.assert_allclose(fallen, fall, rtol=0.02)
    assert np.median(fall) < 0.98 * np.median(4 * state.uptake_meq_l_d)


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


def test_a_load_beyond_the_limit_counts_at_twenty_half_flows() -> None:
    """Six times the uptake has no flow that is enough; twenty half flows stand for it, and what
    moves the load no more moves them. An untested reactor has room for any load, by a larger F0.
    """
    for planned in (False, True):
        present = hand_made(1, draws=50, planned=planned).present
        usual = np.tile([8.2 * DKH, 0.0, 0.0], (50, 1))
        np.testing.assert_allclose(
            np.exp(present.log_flow(usual)), present.state(usual).needed_flow_l_d
        )
        hungry = usual + np.array([0.0, 5.0, 0.0])
        state = present.state(hungry)
        half_flows = np.exp(present.log_flow(hungry)) / state.law.half_flow_l_d
        if planned:
            share = state.load_meq_d / state.law.supply_meq_d(1e9, state.law.middle_meq_l)
            np.testing.assert_allclose(share, present.load_share, rtol=1e-6)
            np.testing.assert_allclose(half_flows, share / (1 - share), rtol=1e-6)
        else:
            np.testing.assert_allclose(half_flows, 20.0)
            assert np.all(state.needed_flow_l_d > 1e6)
            assert np.all(fs.slopes(present.log_flow, hungry) == 0.0)
