"""Priors, the likelihood as PyMC meets it, and the Gibbs step for kit errors."""

from __future__ import annotations

import numpy as np
import pytest

from estimator import units
from estimator.fit import likelihood, model
from estimator.fit.kalman import draw_states
from estimator.fit.layout import (
    CALCIUM_SHARE,
    EXPONENT,
    INCREMENT,
    LIGHT_RATIO,
    PHYSICAL,
    UPTAKE,
    VOLUME,
)
from estimator.fit.likelihood import (
    MISREAD_CHANCE,
    MISREAD_SPREAD,
    _pick_class,
    class_chances,
    draw_path_at,
    flip_classes,
    value_and_gradient,
)
from estimator.fit.mass_balance import fill
from estimator.fit.model import KitErrorStep, TankLikelihood, build_model
from estimator.fit.problem import pose
from estimator.fit.sampling import _Density
from estimator.inputs.tank import Reactor
from estimator.water import chamber_table
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH


def prior_draws(problem, count: int = 20_000) -> np.ndarray:
    """Natural parameters (count, p) from the prior."""
    table = problem.priors
    return table.natural(np.random.default_rng(0).standard_normal((count, table.size)))


@pytest.mark.parametrize(
    ("place", "median", "low", "high"),
    [
        (VOLUME, 600.0, 600 * np.exp(-1.96 * 0.06), 600 * np.exp(1.96 * 0.06)),
        (LIGHT_RATIO, 2.5, 1.25, 5.0),
        (UPTAKE, 1.2 * DKH, 0.25 * DKH, 5.8 * DKH),
        (CALCIUM_SHARE, 0.49, 0.41, 0.60),
        (EXPONENT, 0.40, 0.10, 0.80),
    ],
)
def test_priors_have_the_medians_and_ranges_they_state(
    everything, place, median, low, high
) -> None:
    """Drawn from the prior, each parameter has its documented median and 95 % range."""
    problem = pose(everything.log, everything.tank)
    found = np.quantile(prior_draws(problem)[:, place], [0.5, 0.025, 0.975])
    np.testing.assert_allclose(found, [median, low, high], rtol=0.04)


def test_effluent_prior_spans_the_saturations_of_real_chambers(everything) -> None:
    """Half saturation is the middle; one sd and a half reach saturation (PyCO2SYS table)."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    draws = prior_draws(problem)[:, INCREMENT]
    half = chamber_table.half_saturated_increment_meq_l(made.settings.chamber_ph.last)
    whole = chamber_table.saturated_increment_meq_l(made.settings.chamber_ph.last)
    assert np.median(draws) == pytest.approx(half, rel=0.02)
    assert 0.85 < np.mean(draws < whole) < 0.98


def test_without_effluent_reading_the_prior_stays_under_the_ceiling() -> None:
    """Chemistry cannot give more than saturation at the stated pH, allowing 0.1 for the probe."""
    log = example_log([(0.5, "alkalinity", "tank", "alk")], [(0.1, "flow", "", 1000.0)])
    problem = pose(log, example_tank())
    draws = prior_draws(problem)[:, INCREMENT]
    assert draws.max() < chamber_table.saturated_increment_meq_l(6.6 - 0.1)
    half = chamber_table.half_saturated_increment_meq_l(6.6)
    assert np.median(draws) == pytest.approx(half, rel=0.02)


def test_unstated_chamber_ph_widens_the_effluent_prior() -> None:
    """Not knowing the chamber's pH must not look like knowing it."""
    log = example_log([(2.0, "alkalinity", "effluent", "alk")], [(0.1, "flow", "", 1000.0)])
    stated = example_tank()
    unstated = example_tank(reactor=Reactor(60.0, 3000.0, 10.0))
    width = [
        np.std(np.log(prior_draws(pose(log, tank))[:, INCREMENT])) for tank in (stated, unstated)
    ]
    assert width[1] > 1.2 * width[0]


def test_net_change_may_have_either_sign() -> None:
    """With no addition in the log the net change is centred on nothing."""
    problem = pose(example_log([(0.5, "alkalinity", "tank", "alk")]), example_tank(reactor=None))
    uptake = prior_draws(problem)[:, UPTAKE]
    assert np.mean(uptake > 0) == pytest.approx(0.5, abs=0.02)


def test_bottles_of_one_kit_are_correlated(everything) -> None:
    """Half of a kit's gain error is the kit's, half the bottle's; other kits share nothing."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    draws = np.log(prior_draws(problem))
    first = PHYSICAL
    at = {pair: first + i for i, pair in enumerate(made.bottles)}
    correlation = np.corrcoef(draws[:, list(at.values())].T)
    names = list(at)
    same = correlation[names.index(("alk", 0)), names.index(("alk", 1))]
    other = correlation[names.index(("alk", 0)), names.index(("ca", 0))]
    assert same == pytest.approx(0.5, abs=0.03)
    assert other == pytest.approx(0.0, abs=0.03)
    assert np.std(draws[:, at["alk", 1]]) == pytest.approx(0.05, rel=0.03)


def test_gradient_by_z(case) -> None:
    """The gradient that NUTS is given is that of the value it is given."""
    problem = pose(case.log, case.tank)
    made = problem.schedule
    made.steps["value"][made.reading_step] = 3.0
    table = problem.priors
    frame = problem.frame
    rng = np.random.default_rng(3)
    z = 0.3 * rng.standard_normal(table.size)
    spread = MISREAD_SPREAD[rng.integers(0, 3, len(made.readings))]
    found = value_and_gradient(z, spread, frame)[1]
    step = 1e-5
    numeric = [
        (
            value_and_gradient(z + step * unit, spread, frame)[0]
            - value_and_gradient(z - step * unit, spread, frame)[0]
        )
        / (2 * step)
        for unit in np.eye(table.size)
    ]
    scale = np.abs(numeric).max()
    np.testing.assert_allclose(found, numeric, rtol=1e-4, atol=1e-7 * scale)


def test_overflowing_parameters_are_refused_not_raised(everything) -> None:
    """Far out in the tails the likelihood is −inf with a gradient of zeros, never an exception."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    table = problem.priors
    z = np.full(table.size, 2000.0)
    value, gradient = value_and_gradient(z, np.ones(len(made.readings)), problem.frame)
    assert value == -np.inf
    np.testing.assert_array_equal(gradient, 0.0)


def test_pymc_density_is_prior_plus_likelihood(everything) -> None:
    """The model's log density is the normal prior, the class prior and the readings."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    made.steps["value"][made.reading_step] = 3.0
    built = build_model(problem)
    table = problem.priors
    z = np.linspace(-1, 1, table.size)
    misread = np.arange(len(made.readings)) % 4
    found = built.compile_logp(mode=model.PLAIN_MODE)({"z": z, "misread": misread})
    expected = -0.5 * (z @ z + table.size * np.log(2 * np.pi))
    expected += np.log(MISREAD_CHANCE[misread]).sum()
    expected += value_and_gradient(z, MISREAD_SPREAD[misread], problem.frame)[0]
    assert found == pytest.approx(expected, rel=1e-10)
    assert TankLikelihood(problem.frame) != TankLikelihood(problem.frame)


def test_density_for_nuts_is_the_models_own(everything) -> None:
    """The one operation that NUTS is given differs from the model's log density by a constant."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    made.steps["value"][made.reading_step] = 3.0
    built = build_model(problem)
    table = problem.priors
    density = _Density(built, problem)
    misread = np.arange(len(made.readings)) % 4
    density.set_classes(misread)
    whole = built.compile_logp(mode=model.PLAIN_MODE)
    slope = built.compile_dlogp(vars=[built["z"]], mode=model.PLAIN_MODE)
    places = [np.linspace(-1, 1, table.size), np.linspace(0.5, -0.2, table.size)]
    value = [whole({"z": z, "misread": misread}) for z in places]
    found = [density.minus(z) for z in places]
    assert found[1][0] - found[0][0] == pytest.approx(value[0] - value[1], rel=1e-9)
    for z, (_, gradient) in zip(places, found, strict=True):
        np.testing.assert_allclose(-gradient, slope({"z": z, "misread": misread}), rtol=1e-9)


def test_drawn_classes_have_bayes_rule_as_their_frequencies() -> None:
    """The compiled pick and `class_chances` are one rule, far out in the tails as well."""
    uniform = (np.arange(20_000) + 0.5) / 20_000
    for residual in (0.3, 2.5, 30.0, 500.0):
        picked = [_pick_class(residual**2, MISREAD_CHANCE, MISREAD_SPREAD, u) for u in uniform]
        found = np.bincount(picked, minlength=4) / len(uniform)
        expected = class_chances(np.array([residual]), np.array([1.0]))[0]
        np.testing.assert_allclose(found, expected, atol=1e-4)


def test_class_chances() -> None:
    """Chances add up to 1, and the larger the residual the odder the reading."""
    residual = np.linspace(0.0, 60.0, 300)
    chances = class_chances(residual, np.full(300, 0.25))
    np.testing.assert_allclose(chances.sum(axis=1), 1.0)
    assert np.all(np.diff(chances[:, 0]) <= 0)
    assert np.all(np.diff(chances @ np.arange(4)) >= -1e-12)
    assert chances[0, 0] > 0.98
    assert chances[-1, 0] < 1e-6
    np.testing.assert_allclose(class_chances(-residual, np.full(300, 0.25)), chances)


def test_class_chances_are_bayes_rule() -> None:
    """One residual worked by hand: prior chance times normal density, over their sum."""
    weight = MISREAD_CHANCE / MISREAD_SPREAD * np.exp(-0.5 * (3.0 / MISREAD_SPREAD) ** 2)
    found = class_chances(np.array([1.5]), np.array([0.25]))[0]
    np.testing.assert_allclose(found, weight / weight.sum())


@pytest.fixture
def short_log():
    """Two and a half days, four readings of the tank and one of the effluent."""
    readings = [(t, "alkalinity", "tank", "alk") for t in (0.4, 0.4, 1.2, 2.5)]
    readings.append((1.9, "alkalinity", "effluent", "alk"))
    return pose(example_log(readings, [(0.1, "flow", "", 1500.0)]), example_tank())


def test_kit_error_step_leaves_the_joint_distribution_alone(short_log, monkeypatch) -> None:
    """Data from the parameters, parameters from the data, in turn: the prior must come back.

    "Getting it right", Geweke 2004 (JASA 99:799): the successive-conditional simulator of a correct
    Gibbs step keeps the marginal-conditional distribution. Classes are made commoner here than in
    the model, so that a fault would show in few sweeps.
    """
    chance = np.array([0.55, 0.25, 0.15, 0.05])
    for module in (model, likelihood):
        monkeypatch.setattr(module, "MISREAD_CHANCE", chance)
    problem = short_log
    made = problem.schedule
    table = problem.priors
    built = build_model(problem)
    step = KitErrorStep(
        [built.rvs_to_values[built["misread"]], built.rvs_to_values[built["z"]]],
        problem=problem,
        model=built,
        rng=np.random.default_rng(1),
    )
    rng = np.random.default_rng(2)
    place = table.size - 1
    z = np.zeros(table.size)
    z[place] = rng.standard_normal()
    point = {"z": z, "misread": rng.choice(4, size=5, p=chance)}
    sweeps = 30_000
    kept_z, kept_class = np.empty(sweeps), np.empty((sweeps, 5), dtype=int)
    frame = step.frame
    at = made.reading_step
    for sweep in range(sweeps):
        spread = np.ones(len(made.steps))
        spread[at] = MISREAD_SPREAD[point["misread"]]
        theta = table.natural(point["z"])
        system = fill(
            theta, spread, frame.steps, frame.moments, frame.shape, frame.mean, frame.covariance
        )
        blind = system._replace(observed=np.zeros(len(spread), dtype=bool))
        path = draw_states(blind, frame.root, rng.standard_normal(step.normals))
        expected = np.sum(system.loading[at] * path[at], axis=1) + system.intercept[at]
        values = expected + np.sqrt(system.variance[at]) * rng.standard_normal(5)
        frame.steps["value"][at] = values
        point, _ = step.step(point)
        kept_z[sweep] = point["z"][place]
        kept_class[sweep] = point["misread"]
    assert np.array_equal(point["z"][:place], np.zeros(place))

    def check(values: np.ndarray, expected: float) -> None:
        batches = values[: sweeps // 40 * 40].reshape(40, -1).mean(axis=1)
        error = batches.std(ddof=1) / np.sqrt(40)
        assert abs(batches.mean() - expected) < 4 * error
        assert error < 0.05

    check(kept_z, 0.0)
    check(kept_z**2, 1.0)
    for c in range(4):
        check(np.mean(kept_class == c, axis=1), chance[c])
    # A joint moment: repeatability and odd readings are independent before any data.
    check(kept_z * np.mean(kept_class == 0, axis=1), 0.0)


def test_flipped_classes_visit_every_state_as_often_as_they_should() -> None:
    """Two effluent readings that disagree: either may be the misread one, by exact enumeration.

    All sixteen pairs of classes are weighed by prior times likelihood; a chain of collapsed moves
    started in one of them must spend its time accordingly.
    """
    tank = example_tank()
    readings = [(0.5 + j, "alkalinity", "tank", "alk", 8.2 * DKH) for j in range(4)]
    readings += [
        (2.2, "alkalinity", "effluent", "alk", 22.25 * DKH),
        (3.3, "alkalinity", "effluent", "alk", 24.35 * DKH),
    ]
    problem = pose(example_log(readings, [(0.2, "flow", "", 1500.0)]), tank)
    made = problem.schedule
    table = problem.priors
    frame = problem.frame
    z = np.zeros(table.size)
    theta = table.natural(z)
    pair = np.flatnonzero([r.sample == "effluent" for r in made.readings])
    classes = np.arange(len(MISREAD_SPREAD))
    weight = np.empty((len(classes), len(classes)))
    for first in classes:
        for second in classes:
            spread = np.ones(len(made.readings))
            spread[pair] = MISREAD_SPREAD[[first, second]]
            weight[first, second] = value_and_gradient(z, spread, frame)[0]
    weight = np.exp(weight - weight.max()) * np.outer(MISREAD_CHANCE, MISREAD_CHANCE)
    weight /= weight.sum()
    # Both single misreadings are live, or the test would show little.
    assert weight[0, 1:].sum() > 0.1
    assert weight[1:, 0].sum() > 0.1
    rng = np.random.default_rng(4)
    misread = np.zeros(len(made.readings), dtype=np.int64)
    misread[pair] = [3, 0]
    seen = np.zeros_like(weight)
    visits = 6000
    for _ in range(visits):
        misread = flip_classes(theta, misread, pair, rng.random((20, 3)), frame)
        seen[misread[pair[0]], misread[pair[1]]] += 1
    np.testing.assert_allclose(seen / visits, weight, atol=0.03)
    assert np.all(np.delete(misread, pair) == 0)


def test_expected_readings_go_with_the_path(everything) -> None:
    """`draw_path_at` tells what each kit would show at the levels of its own path."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    table = problem.priors
    theta = table.natural(np.zeros(table.size))
    frame = problem.frame
    normals = np.random.default_rng(0).standard_normal((len(made.steps) + 1, made.layout.size + 1))
    path, expected = draw_path_at(theta, np.ones(len(made.readings)), frame, normals)
    for m, reading in enumerate(made.readings):
        state = path[made.reading_step[m]]
        if (reading.sample, reading.parameter) == ("tank", "alkalinity"):
            assert expected[m] == pytest.approx(state[0])
        if (reading.sample, reading.parameter) == ("tank", "calcium"):
            calcium = state[made.layout.z] + made.shape.media_calcium * state[0]
            assert expected[m] == pytest.approx(calcium)
