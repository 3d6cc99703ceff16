"""What changed lately: Bayes factors by brute force, and the right answer on simulated logs."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import logsumexp

from estimator import units
from estimator.fit.kalman import forward, step_response
from estimator.fit.layout import DRIFT, EFFLUENT_DRIFT
from estimator.fit.likelihood import MISREAD_SPREAD, system_at
from estimator.fit.problem import pose
from estimator.fit.sampling import Trace, sample
from estimator.fit.watch import (
    CHANGE_CHANCE,
    EFFLUENT_STEP_SD,
    KIT_SHIFT_SD,
    UPTAKE_STEP_SD,
    Watch,
    gaussian_evidence,
    watch,
)
from estimator.inputs.records import Action
from estimator.synthetic.simulation import round_to_step, simulate_log
from helpers.tanks import example_log, example_tank, example_truth

DKH = units.MEQ_L_PER_DKH
WINDOW = 3


def still_trace(problem, copies: int = 2, **changes: float) -> Trace:
    """A trace whose every draw is one point near the truth, every reading an ordinary one."""
    table = problem.priors
    near = {
        "water_volume_l": 580.0,
        "uptake_start_meq_l_d": 0.55,
        "saturated_increment_meq_l": 28 * DKH,
        "calibration alk 0": 1.03,
    }
    natural = np.array([(near | changes).get(prior.name, prior.median) for prior in table.priors])
    classes = np.zeros((1, copies, len(problem.schedule.readings)), dtype=int)
    shape = (1, copies, table.size)
    return Trace(np.zeros(shape), np.broadcast_to(natural, shape).copy(), classes, 0, 0)


def log_likelihood(problem, natural) -> float:
    """log p(readings | parameters), every reading an ordinary one."""
    classes = np.zeros(len(problem.schedule.readings), dtype=int)
    return float(forward(system_at(natural, classes, problem.frame))[0])


def with_drift(natural, at: int, prior, score: float):
    """The same parameters with one drift moved to a standard normal score."""
    moved = natural.copy()
    moved[at] = prior.median * np.exp(prior.sd * score)
    return moved


def bayes_factor(found: Watch, kind: str) -> float:
    """The Bayes factor that the stated chances imply."""
    changes = [change for change in found.changes if change.kind == kind]
    odds = sum(change.chance for change in changes) / found.nothing
    return odds / (sum(change.prior for change in changes) / found.nothing_prior)


@pytest.fixture(scope="module")
def small():
    """Twelve days with a reactor."""
    readings = [(j + 0.35 + 0.03 * (j % 3), "alkalinity", "tank", "alk") for j in range(12)]
    readings += [(j + 0.6, "alkalinity", "effluent", "alk") for j in (2, 5, 8, 10, 11)]
    actions = [(0.2, "flow", "", 2400.0)]
    tank = example_tank()
    log = simulate_log(
        tank, example_log(readings, actions), example_truth(13), np.random.default_rng(3)
    )
    return pose(log, tank)


def test_step_response_is_the_exact_parabola(case) -> None:
    """Shifting a state after any step moves the log-likelihood by b δ − a δ²/2, in every layout."""
    log = simulate_log(case.tank, case.log, case.truth, np.random.default_rng(1))
    problem = pose(log, case.tank)
    schedule = problem.schedule
    table = problem.priors
    classes = np.arange(len(schedule.readings)) % len(MISREAD_SPREAD)
    theta = table.natural(0.2 * np.ones(table.size))
    system = system_at(theta, classes, problem.frame)
    _, predicted, filtered, predicted_cov, filtered_cov = forward(system)
    slope, curvature = step_response(system, predicted, predicted_cov, 0)
    for step in (0, len(filtered) // 3, len(filtered) // 2):
        later = system._replace(
            **{name: getattr(system, name)[step + 1 :] for name in system._fields[:8]},
            covariance=filtered_cov[step + 1],
        )
        for state in range(schedule.layout.size):
            for delta in (-0.2, 0.1):
                mean = filtered[step + 1].copy()
                base = forward(later._replace(mean=mean))[0]
                shifted = mean.copy()
                shifted[state] += delta
                change = forward(later._replace(mean=shifted))[0] - base
                b, a = slope[step, state], curvature[step, state]
                assert change == pytest.approx(b * delta - 0.5 * a * delta**2, rel=1e-6, abs=1e-7)


def test_evidence_of_a_step_is_the_integral_over_it() -> None:
    """The closed form is what adaptive quadrature gives, mean and sd of δ included."""
    slope, curvature, sd = 7.0, 40.0, 0.25

    def integrand(delta: float, power: int) -> float:
        ratio = np.exp(slope * delta - 0.5 * curvature * delta**2)
        return delta**power * ratio * stats.norm.pdf(delta, scale=sd)

    total, first, second = (integrate.quad(integrand, -3, 3, args=(p,))[0] for p in range(3))
    log_factor, mean, spread = gaussian_evidence(slope, curvature, sd)
    assert log_factor == pytest.approx(np.log(total), rel=1e-7)
    assert mean == pytest.approx(first / total, rel=1e-7)
    assert spread**2 == pytest.approx(second / total - (first / total) ** 2, rel=1e-6)


@pytest.mark.parametrize(
    ("kind", "column", "sd", "at"),
    [
        ("uptake", "uptake_step", UPTAKE_STEP_SD, DRIFT),
        ("effluent", "effluent_step", EFFLUENT_STEP_SD, EFFLUENT_DRIFT),
    ],
)
def test_bayes_factor_of_a_step_is_the_ratio_of_marginal_likelihoods(
    small, kind, column, sd, at
) -> None:
    """One fixed draw: the factor is p(readings | a step somewhere) / p(readings | none).

    By brute force: the filter is run with the step's variance entered at each midnight in turn, and
    both sides are integrated over the drift on a fine grid.
    """
    problem = small
    schedule = problem.schedule
    trace = still_trace(problem)
    found = watch(problem, trace, window_days=WINDOW)
    prior = problem.priors.priors[at]
    natural = trace.natural[0, 0]
    scores = np.linspace(-3.5, 3.5, 57)
    weights = stats.norm.logpdf(scores)

    def marginal(one) -> float:
        values = [log_likelihood(one, with_drift(natural, at, prior, s)) for s in scores]
        return float(logsumexp(values + weights))

    base = marginal(problem)
    ratios = []
    for midnight in schedule.day_step[-WINDOW:]:
        steps = schedule.steps.copy()
        steps[column][midnight] += sd**2
        stepped = replace(problem, frame=problem.frame._replace(steps=steps))
        ratios.append(np.exp(marginal(stepped) - base))
    assert bayes_factor(found, kind) == pytest.approx(np.mean(ratios), rel=5e-3)
    assert abs(np.mean(ratios) - 1) > 0.02


def test_bayes_factor_of_a_kit_shift_is_the_ratio_of_marginal_likelihoods(small) -> None:
    """By brute force: a new bottle logged at each midnight has e^δ times the gain, δ on a grid."""
    problem = small
    log, tank = problem.log, problem.tank
    schedule = problem.schedule
    trace = still_trace(problem)
    found = watch(problem, trace, window_days=WINDOW)
    natural = trace.natural[0, 0]
    prior = problem.priors.priors[DRIFT]
    scores = np.linspace(-3.2, 3.2, 25)
    deltas = KIT_SHIFT_SD * np.linspace(-4, 4, 81)
    grid = stats.norm.logpdf(scores)
    base = logsumexp(
        [log_likelihood(problem, with_drift(natural, DRIFT, prior, s)) for s in scores] + grid
    )
    ratios = []
    for day in range(schedule.days - WINDOW, schedule.days):
        opened = Action(99, schedule.origin + timedelta(days=day), "new_bottle", "alk", None)
        problem = pose(replace(log, actions=(*log.actions, opened)), tank)
        made = problem.schedule
        assert made.bottles == (("alk", 0), ("alk", 1))
        first = list(problem.priors.priors).index(
            next(p for p in problem.priors.priors if p.name.startswith("calibration alk 1"))
        )
        wide = np.insert(natural, first, natural[first - 1])
        values = np.empty((len(scores), len(deltas)))
        for k, score in enumerate(scores):
            for j, delta in enumerate(deltas):
                moved = with_drift(wide, DRIFT, prior, score)
                moved[first] *= np.exp(delta)
                values[k, j] = log_likelihood(problem, moved)
        weights = stats.norm.logpdf(deltas / KIT_SHIFT_SD)
        weights -= logsumexp(weights)
        ratios.append(np.exp(logsumexp(values + grid[:, None] + weights) - base))
    assert bayes_factor(found, "kit") == pytest.approx(np.mean(ratios), rel=1e-2)


def test_drift_is_integrated_whatever_the_draw_says(small) -> None:
    """Draws that differ in the drift of uptake alone give the same factor for its step."""
    problem = small
    one = watch(problem, still_trace(problem))
    other = watch(problem, still_trace(problem, drift_per_root_day=0.08))
    assert bayes_factor(one, "uptake") == pytest.approx(bayes_factor(other, "uptake"), rel=1e-9)
    assert bayes_factor(one, "effluent") != pytest.approx(bayes_factor(other, "effluent"))


def test_chances_add_up_to_one_and_days_too(small) -> None:
    """Nothing and all changes share the whole chance, each change its days; sizes are in order."""
    problem = small
    schedule = problem.schedule
    found = watch(problem, still_trace(problem), window_days=7)
    assert found.nothing + sum(c.chance for c in found.changes) == pytest.approx(1.0)
    assert found.nothing_prior + sum(c.prior for c in found.changes) == pytest.approx(1.0)
    assert found.nothing_prior == pytest.approx(1 - 3 * CHANGE_CHANCE / 2)
    assert {(c.kind, c.of) for c in found.changes} == {
        ("uptake", ""), ("effluent", ""), ("kit", "alk")
    }  # fmt: skip
    assert len(found.days) == 7
    assert found.days[-1] == (schedule.origin + timedelta(days=schedule.days - 1)).date()
    for change in found.changes:
        assert change.by_day.sum() == pytest.approx(1.0)
        assert abs(change.size[0]) < abs(change.size[1]) < abs(change.size[2])
        assert (change.size[0] < 0) == (change.direction == "down")
    assert [c.chance for c in found.changes] == sorted(c.chance for c in found.changes)[::-1]
    # Draws that agree are all effective.
    assert found.effective_draws == pytest.approx(found.draws)


def test_a_change_too_late_to_be_seen_keeps_its_prior() -> None:
    """With no reading in the window the answer is the prior: nothing was learned."""
    readings = [(j + 0.4, "alkalinity", "tank", "alk") for j in range(8)]
    actions = [(0.2, "dose_rate", "soda", 160.0), (30.0, "dose_rate", "soda", 0.0)]
    tank = example_tank()
    log = simulate_log(
        tank, example_log(readings, actions), example_truth(31), np.random.default_rng(0)
    )
    problem = pose(log, tank)
    found = watch(problem, still_trace(problem))
    assert {c.kind for c in found.changes} == {"uptake"}
    assert found.nothing == pytest.approx(1 - CHANGE_CHANCE)
    assert found.changes[0].by_day == pytest.approx(np.full(14, 1 / 14))


def test_a_log_of_one_day_has_nothing_to_watch() -> None:
    """Within a single day there is no midnight at which anything could have stepped."""
    log = example_log(
        [(0.3, "alkalinity", "tank", "alk", 2.9), (0.7, "alkalinity", "tank", "alk", 2.8)]
    )
    tank = example_tank()
    problem = pose(log, tank)
    found = watch(problem, still_trace(problem))
    assert (found.nothing, found.changes, found.likeliest) == (1.0, (), None)


def test_few_effective_draws_cannot_tell_unless_overwhelming(small) -> None:
    """Under 30 effective draws nothing is said, but for odds that no accident of draws can make."""
    problem = small
    found = watch(problem, still_trace(problem))
    first = replace(found.changes[0], chance=0.7)
    unsure = replace(found, nothing=0.3, changes=(first,), effective_draws=12.0)
    assert not unsure.can_tell
    assert unsure.likeliest is None
    assert replace(unsure, effective_draws=31.0).likeliest == first
    clear = replace(unsure, nothing=0.001, changes=(replace(first, chance=0.999),))
    assert clear.can_tell
    assert not clear.quiet
    quiet = replace(unsure, nothing=0.6, changes=(replace(first, chance=0.4),))
    assert not quiet.quiet
    assert replace(quiet, effective_draws=31.0).quiet


@pytest.mark.sampler
def test_without_an_effluent_test_a_fall_has_two_explanations() -> None:
    """Tank levels that fall say "uptake up or effluent down"; effluent tests then say which."""
    strength = np.ones(41)
    strength[30:] *= 0.7
    truth = example_truth(40, uptake_meq_l_d=np.full(41, 0.55), effluent_strength=strength)
    found = {}
    for tested in (False, True):
        readings = [(j + 0.35, "alkalinity", "tank", "alk") for j in range(40)]
        days = (5, 12, 19, 26, *((33, 36, 39) if tested else ()))
        readings += [(j + 0.6, "alkalinity", "effluent", "alk") for j in days]
        tank = example_tank()
        log = example_log(readings, [(0.1, "flow", "", 2330.0)])
        log = simulate_log(tank, log, truth, np.random.default_rng(4))
        problem = pose(log, tank)
        trace = sample(problem, np.random.SeedSequence(1), draws=100, cores=1)
        found[tested] = watch(problem, trace)
    chances = {
        tested: {(c.kind, c.direction): c.chance for c in one.changes}
        for tested, one in found.items()
    }
    up, down = ("uptake", "up"), ("effluent", "down")
    assert chances[False][up] + chances[False][down] > 0.9
    assert 0.1 < chances[False][up] < 0.9
    assert chances[True][down] > 0.99


def test_overwhelming_evidence_does_not_overflow() -> None:
    """Readings that no draw can explain give chances all the same, not infinities."""
    kit = replace(example_tank().kits["alk"], step=1e-4, repeatability=1e-4)
    tank = example_tank(kits={**example_tank().kits, "alk": kit})
    readings = [
        (j + 0.4, "alkalinity", "tank", "alk", 2.9 - 0.1 * max(j - 8, 0)) for j in range(14)
    ]
    problem = pose(example_log(readings, [(0.1, "dose_rate", "soda", 170.0)]), tank)
    found = watch(problem, still_trace(problem))
    assert found.nothing + sum(c.chance for c in found.changes) == pytest.approx(1.0)
    assert all(np.isfinite([*c.size, *c.by_day]).all() for c in found.changes)


DAYS = 60
CHANGE_DAY = 50


def changed_log(what: str):
    """Sixty days, the last fourteen tested daily; `what` changes ten days before the end."""
    rng = np.random.default_rng(1)
    tank = example_tank()
    days = [*range(0, 46, 2), *range(46, DAYS)]
    readings = [(j + rng.uniform(0.3, 0.8), "alkalinity", "tank", "alk") for j in days]
    readings += [(j + rng.uniform(0.3, 0.8), "calcium", "tank", "ca") for j in range(3, DAYS, 7)]
    effluent_days = (22, 26, 30, 35, 40, 45, 52, 56, 59)
    readings += [(j + 0.5, "alkalinity", "effluent", "alk") for j in effluent_days]
    actions = [
        (0, "dose_rate", "soda", 0.5 * 580 / 1.9),
        (0, "dose_rate", "chloride", 0.245 * 580 / 1.84),
        (20, "dose_rate", "soda", 0.0),
        (20, "dose_rate", "chloride", 0.0),
        (20, "flow", "", 2117.0),
    ]
    uptake, strength = np.full(DAYS + 1, 0.5), np.ones(DAYS + 1)
    if what == "uptake":
        uptake[CHANGE_DAY:] *= 1.30
    if what == "effluent":
        strength[CHANGE_DAY:] *= 0.75
    truth = example_truth(DAYS, uptake_meq_l_d=uptake, effluent_strength=strength)
    log = simulate_log(tank, example_log(readings, actions), truth, rng)
    if what == "kit":
        since = log.start.replace(hour=0, minute=0, second=0, microsecond=0)
        since += timedelta(days=CHANGE_DAY)
        step = tank.kits["alk"].step
        shifted = [
            replace(r, value=round_to_step(1.06 * r.value, step))
            if r.kit == "alk" and r.time >= since
            else r
            for r in log.readings
        ]
        log = replace(log, readings=tuple(shifted))
    return log, tank


@pytest.mark.sampler
@pytest.mark.parametrize(
    ("what", "direction", "size"),
    [
        ("nothing", "", 0.0),
        ("uptake", "up", 0.15),
        ("effluent", "down", -0.25),
        ("kit", "up", 0.06),
    ],
)
def test_the_change_that_was_made_is_found(what, direction, size) -> None:
    """A fitted log with a real step: its own hypothesis gains, with its size and its day.

    Uptake 30 % up, effluent 25 % down, a kit reading 6 % more, and none, in turn.
    """
    log, tank = changed_log(what)
    problem = pose(log, tank)
    schedule = problem.schedule
    trace = sample(problem, np.random.SeedSequence(1), draws=100, cores=1)
    found = watch(problem, trace)
    if what == "nothing":
        assert found.nothing > found.nothing_prior
        assert found.can_tell
        assert found.likeliest is None
        return
    first = found.changes[0]
    assert (first.kind, first.direction) == (what, direction)
    assert first.chance > 0.5
    assert first.chance > 10 * max(change.chance for change in found.changes[1:])
    low, middle, high = first.size
    assert min(low, high) <= size <= max(low, high)
    assert abs(middle) > 0.5 * abs(size)
    likely_days = [d for d, chance in zip(found.days, first.by_day, strict=True) if chance > 0.05]
    assert (schedule.origin + timedelta(days=CHANGE_DAY)).date() in likely_days


def test_watching_draws_nothing_at_random(small) -> None:
    """The same trace gives the same answer to the last bit."""
    problem = small
    schedule = problem.schedule
    rng = np.random.default_rng(0)
    table = problem.priors
    z = 0.3 * rng.standard_normal((2, 20, table.size))
    classes = np.zeros((2, 20, len(schedule.readings)), dtype=int)
    trace = Trace(z, table.natural(z), classes, 0, 0)
    one, other = (watch(problem, trace) for _ in range(2))
    assert one.nothing == other.nothing
    assert [c.chance for c in one.changes] == [c.chance for c in other.changes]
    assert one.draws == 40
    assert 1 <= one.effective_draws <= 40
