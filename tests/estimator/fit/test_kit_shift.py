"""A kit's shift: Bayes factors by brute force, and drift that is integrated out."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats
from scipy.special import logsumexp

from estimator.fit.fitting import Fit, fit_of
from estimator.fit.kalman import forward
from estimator.fit.kit_shift import (
    KIT_CHANCE,
    KIT_SHIFT_SD,
    KIT_WINDOW_DAYS,
    KitShifts,
    kit_shifts,
)
from estimator.fit.layout import DRIFT, EFFLUENT_DRIFT, PHYSICAL
from estimator.fit.likelihood import system_at, weigh_jumps
from estimator.fit.problem import pose
from estimator.fit.sampling import Trace
from estimator.inputs.records import Action
from estimator.synthetic.simulation import simulate_log
from helpers.fits import known_posterior, still_trace, theta_of
from helpers.tanks import Case, example_log, example_tank, example_truth

WINDOW = 3
PRIOR = KIT_CHANCE * WINDOW / KIT_WINDOW_DAYS


@pytest.fixture(scope="module")
def small() -> Case:
    """Twelve days with a reactor."""
    readings = [(j + 0.35 + 0.03 * (j % 3), "alkalinity", "tank", "alk") for j in range(12)]
    readings += [(j + 0.6, "alkalinity", "effluent", "alk") for j in (2, 5, 8, 10, 11)]
    tank, truth = example_tank(), example_truth(13)
    log = example_log(readings, [(0.2, "flow", "", 2400.0)])
    return Case(tank, simulate_log(tank, log, truth, np.random.default_rng(3)), truth)


def still(case: Case) -> Fit:
    """A fit whose every draw is the truth, every reading an ordinary one."""
    problem = pose(case.log, case.tank)
    trace = still_trace(problem, theta_of(case, problem.schedule))
    return fit_of(problem, trace, known_posterior())


def log_likelihood(problem, natural) -> float:
    """log p(readings | parameters), every reading an ordinary one, nothing having jumped."""
    classes = np.zeros(len(problem.schedule.readings), dtype=int)
    return float(forward(system_at(natural, classes, 0, problem.frame))[0])


def with_drift(natural, prior, score: float):
    """The same parameters with the drift of uptake moved to a standard normal score."""
    moved = natural.copy()
    moved[DRIFT] = prior.median * np.exp(prior.sd * score)
    return moved


def bayes_factor(found: KitShifts) -> float:
    """The Bayes factor of a shift, either way, that the stated chances imply."""
    shifted = sum(change.chance for change in found.changes)
    return shifted / (1 - shifted) / (found.prior / (1 - found.prior))


def test_bayes_factor_is_the_ratio_of_marginal_likelihoods(small) -> None:
    """By brute force: a new bottle logged at each midnight has e^δ times the gain, δ on a grid.

    Both sides are integrated over the drift on a fine grid, and the fitted model over its jumps.
    """
    fitted = still(small)
    found = kit_shifts(fitted, WINDOW)
    assert found.prior == pytest.approx(PRIOR)
    log, tank, schedule = fitted.log, fitted.tank, fitted.schedule
    natural = fitted.trace.natural[0, 0]
    prior = fitted.priors.priors[DRIFT]
    scores = np.linspace(-3.2, 3.2, 25)
    deltas = KIT_SHIFT_SD * np.linspace(-4, 4, 81)
    grid = stats.norm.logpdf(scores)
    ordinary = fitted.trace.misread[0, 0]
    of_drift = [
        logsumexp(weigh_jumps(with_drift(natural, prior, s), ordinary, fitted.frame))
        for s in scores
    ]
    base = logsumexp(of_drift + grid)
    ratios = []
    for day in range(schedule.days - WINDOW, schedule.days):
        opened = Action(99, schedule.origin + timedelta(days=day), "new_bottle", "alk", None)
        problem = pose(replace(log, actions=(*log.actions, opened)), tank)
        assert problem.schedule.bottles == (("alk", 0), ("alk", 1))
        wide = np.insert(natural, PHYSICAL + 1, natural[PHYSICAL])
        values = np.empty((len(scores), len(deltas)))
        for k, score in enumerate(scores):
            for j, delta in enumerate(deltas):
                moved = with_drift(wide, prior, score)
                moved[PHYSICAL + 1] *= np.exp(delta)
                values[k, j] = log_likelihood(problem, moved)
        weights = stats.norm.logpdf(deltas / KIT_SHIFT_SD)
        weights -= logsumexp(weights)
        ratios.append(np.exp(logsumexp(values + grid[:, None] + weights) - base))
    assert bayes_factor(found) == pytest.approx(np.mean(ratios), rel=1e-2)
    assert abs(np.mean(ratios) - 1) > 0.02


def test_drift_is_integrated_whatever_the_draw_says(small) -> None:
    """Draws that differ in the drift of uptake alone give the same chances; in other things not."""
    fitted = still(small)

    def with_one(place: int, factor: float) -> float:
        natural = fitted.trace.natural.copy()
        natural[..., place] *= factor
        moved = replace(fitted, trace=replace(fitted.trace, natural=natural))
        return bayes_factor(kit_shifts(moved, WINDOW))

    plain = bayes_factor(kit_shifts(fitted, WINDOW))
    assert with_one(DRIFT, 4.0) == pytest.approx(plain, rel=1e-9)
    assert with_one(EFFLUENT_DRIFT, 4.0) != pytest.approx(plain, rel=1e-3)


def test_the_mean_is_over_draws_with_their_classes(small) -> None:
    """Two unlike draws: ratios are averaged, each at its own classes; jumps are summed over."""
    fitted = still(small)
    trace = fitted.trace
    natural, misread, jump = trace.natural.copy(), trace.misread.copy(), trace.jump.copy()
    natural[0, 1, DRIFT + 1] *= 5
    misread[0, 1, -2:] = 2
    jump[0, 1] = len(fitted.frame.jumps.kind) - 1

    def one(draw: int) -> float:
        alone = slice(draw, draw + 1)
        part = Trace(trace.z[:, alone], natural[:, alone], misread[:, alone], jump[:, alone], 0, 0)
        return bayes_factor(kit_shifts(replace(fitted, trace=part), WINDOW))

    both = replace(fitted, trace=Trace(trace.z, natural, misread, jump, 0, 0))
    found = kit_shifts(both, WINDOW)
    first, second = one(0), one(1)
    assert bayes_factor(found) == pytest.approx((first + second) / 2, rel=1e-9)
    assert abs(first - second) > 0.01
    weights = 1 - PRIOR + PRIOR * np.array([first, second])
    assert found.effective_draws == pytest.approx(weights.sum() ** 2 / np.sum(weights**2))
    assert found.draws == 2


def test_days_are_those_of_the_whole_window(small) -> None:
    """`by_day` counts all days that are looked at; a kit's shift falls on the last of them."""
    found = kit_shifts(still(small), 11)
    assert [change.direction for change in found.changes] == ["up", "down"]
    for change in found.changes:
        assert change.by_day.shape == (11,)
        assert change.by_day.sum() == pytest.approx(1.0)
        assert (change.kind, change.of) == ("kit", "alk")
        assert change.prior == pytest.approx(0.5 * KIT_CHANCE * 11 / KIT_WINDOW_DAYS)
    readings = [(j + 0.4, "alkalinity", "tank", "alk", 2.9) for j in range(20)]
    longer = replace(small, log=example_log(readings, [(0.2, "dose_rate", "soda", 160.0)]))
    by_day = kit_shifts(still(longer), 19).changes[0].by_day
    assert by_day[: 19 - KIT_WINDOW_DAYS].sum() == 0.0
    assert np.all(by_day[19 - KIT_WINDOW_DAYS :] > 0)


def test_a_kit_not_used_of_late_is_not_suspected(small) -> None:
    """Nothing can be said of a kit without a reading in the window, or of one for calcium."""
    readings = [(j + 0.4, "alkalinity", "tank", "alk", 2.9) for j in range(5)]
    readings += [(j + 0.5, "calcium", "tank", "ca", 10.5) for j in range(20)]
    log = example_log(readings, [(0.2, "dose_rate", "soda", 160.0)])
    found = kit_shifts(still(replace(small, log=log)), 14)
    assert (found.changes, found.prior) == ((), 0.0)
