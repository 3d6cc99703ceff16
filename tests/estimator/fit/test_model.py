"""Priors, the likelihood as PyMC meets it, and the Gibbs step for kit errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from estimator import units
from estimator.fit import model
from estimator.fit.jumps import EFFLUENT
from estimator.fit.kalman import draw_states, forward
from estimator.fit.layout import (
    CALCIUM_SHARE,
    DRIFT,
    EFFLUENT_DRIFT,
    LEVEL_RESPONSE,
    LIGHT_RATIO,
    LOAD_SHARE,
    PH_RESPONSE,
    PHYSICAL,
    SATURATED_INCREMENT,
    UNLOGGED_CALCIUM,
    UPTAKE,
    VOLUME,
)
from estimator.fit.likelihood import (
    MISREAD_CHANCE,
    MISREAD_SPREAD,
    bent,
    class_chances,
    draw_path_at,
    straight,
    system_of,
    value_and_gradient,
)
from estimator.fit.load import ROOM, rough_load_meq_d
from estimator.fit.model import KitErrorStep, TankDensity, build_model
from estimator.fit.moves import (
    ALL,
    MOVES_APART,
    _move_all,
    _pick_class,
    move_apart,
    rough_of,
    weigh_jumps,
)
from estimator.fit.problem import Problem, pose
from estimator.fit.sampling import _Density
from estimator.inputs.tank import Reactor
from estimator.synthetic.simulation import simulate_log
from estimator.water import chamber_table
from estimator.water.media import media_ceiling_factor
from helpers.tanks import CASES, example_log, example_tank

DKH = units.MEQ_L_PER_DKH
MIDDLE = 8.2 * DKH


def prior_draws(problem, count: int = 20_000) -> np.ndarray:
    """Natural parameters (count, p) from the prior."""
    table = problem.priors
    return table.natural(np.random.default_rng(0).standard_normal((count, table.size)))


def prior_quantile(problem, place: int, chance: float) -> float:
    """Quantile of one physical parameter in the prior, exactly."""
    z = np.zeros(problem.priors.size)
    z[place] = stats.norm.ppf(chance)
    return float(problem.priors.natural(z)[place])


@pytest.mark.parametrize(
    ("place", "median", "low", "high", "within"),
    [
        (VOLUME, 600.0, 600 * np.exp(-1.96 * 0.06), 600 * np.exp(1.96 * 0.06), 0.95),
        (LIGHT_RATIO, 2.5, 1.25, 5.0, 0.95),
        (UPTAKE, 1.2 * DKH, 0.26 * DKH, 5.6 * DKH, 0.95),
        (CALCIUM_SHARE, 0.49, 0.41, 0.60, 0.95),
        (LOAD_SHARE, 0.4, 0.114, 0.776, 0.90),
        (LEVEL_RESPONSE, 0.06 / DKH, 0.0168 / DKH, 0.145 / DKH, 0.90),
        (PH_RESPONSE, 0.7, 0.19, 1.13, 0.90),
        (UNLOGGED_CALCIUM, 0.01, 0.00053, 0.19, 0.95),
    ],
)
def test_priors_have_the_medians_and_ranges_they_state(
    everything, place, median, low, high, within
) -> None:
    """Each parameter of tank and reactor has its documented median and range."""
    problem = pose(everything.log, everything.tank)
    ends = (0.5, 0.5 - within / 2, 0.5 + within / 2)
    found = [prior_quantile(problem, place, chance) for chance in ends]
    np.testing.assert_allclose(found, [median, low, high], rtol=0.02)
    draws = np.quantile(prior_draws(problem)[:, place], ends)
    np.testing.assert_allclose(draws, found, rtol=0.06)


TESTED = [(2.0, "alkalinity", "effluent", "alk", 12.0), (0.5, "alkalinity", "tank", "alk", 2.9)]
UNTESTED = TESTED[1:]
RUNNING = [(0.1, "flow", "", 1000.0)]


@pytest.mark.parametrize(
    ("reactor", "saturated_ph", "log_sd"),
    [
        (Reactor(60.0, 3000.0, 10.0, chamber_ph=6.6), 6.6, 0.10),
        (Reactor(60.0, 3000.0, 10.0, chamber_ph=6.3, media="calcite"), 6.3, 0.10),
        (Reactor(60.0, 3000.0, 10.0), chamber_table.USUAL_CHAMBER_PH, 0.40),
    ],
)
def test_saturated_effluent_is_that_of_the_table(reactor, saturated_ph, log_sd) -> None:
    """It goes by the chamber's pH and the medium; not knowing the pH must not look like knowing it.

    Calcite, the less soluble, saturates lower.
    """
    tank = example_tank(reactor=reactor)
    problem = pose(example_log(TESTED, RUNNING), tank)
    median = chamber_table.saturated_increment_meq_l(saturated_ph) * media_ceiling_factor(tank)
    ends = [prior_quantile(problem, SATURATED_INCREMENT, stats.norm.cdf(z)) for z in (-1, 0, 1)]
    np.testing.assert_allclose(ends, median * np.exp([-log_sd, 0.0, log_sd]), rtol=1e-6)
    assert (media_ceiling_factor(tank) < 1) == (reactor.media == "calcite")


def test_effluent_prior_spans_that_of_real_chambers() -> None:
    """At the flow that carries the load a chamber at pH 6.5 gives 16 to 41 dKH, nine times in ten.

    Worked from the draws of both parameters of the chamber: X_sat (1 − load share) over the tank.
    """
    tank = example_tank(reactor=Reactor(60.0, 3000.0, 10.0, chamber_ph=6.5))
    draws = prior_draws(pose(example_log(TESTED, RUNNING), tank))
    effluent = MIDDLE + draws[:, SATURATED_INCREMENT] * (1 - draws[:, LOAD_SHARE])
    low, high = np.quantile(effluent, [0.05, 0.95]) / DKH
    assert (low, high) == (pytest.approx(16, abs=1.0), pytest.approx(41, abs=1.5))


def test_an_untested_reactor_has_room_beyond_its_load() -> None:
    """While no effluent was tested the load counts with some room; a test speaks for itself."""
    tank = example_tank()
    for readings, room, share in ((UNTESTED, ROOM, 0.5), (TESTED, 1.0, 0.4)):
        problem = pose(example_log(readings, RUNNING), tank)
        rough = rough_load_meq_d(problem.log, tank, problem.schedule.settings)
        assert problem.frame.shape.load_meq_d == pytest.approx(room * rough)
        assert prior_quantile(problem, LOAD_SHARE, 0.5) == pytest.approx(share)


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


def simulated(case) -> Problem:
    """The problem of a case with readings that its truth gives."""
    return pose(simulate_log(case.tank, case.log, case.truth, np.random.default_rng(5)), case.tank)


def test_gradient_by_z(case) -> None:
    """The gradient that NUTS is given is that of the value it is given, whatever jumped.

    Over all layouts: net change only, dosing, waters, one chamber and two, chamber pH that departs
    from its setting, an instrument's lasting error, media with magnesium, nitrate.
    """
    problem = simulated(case)
    table, frame = problem.priors, problem.frame
    rng = np.random.default_rng(3)
    z = 0.3 * rng.standard_normal(table.size)
    spread = MISREAD_SPREAD[rng.integers(0, 3, len(problem.schedule.readings))]
    step = 1e-5
    kinds = np.unique(frame.jumps.kind, return_index=True)[1]
    assert len(kinds) >= 3
    for jump in kinds:
        found = value_and_gradient(z, spread, jump, frame)[1]
        numeric = [
            (
                value_and_gradient(z + step * unit, spread, jump, frame)[0]
                - value_and_gradient(z - step * unit, spread, jump, frame)[0]
            )
            / (2 * step)
            for unit in np.eye(table.size)
        ]
        scale = np.abs(numeric).max()
        np.testing.assert_allclose(found, numeric, rtol=1e-5, atol=1e-7 * scale)


def test_every_parameter_of_the_probes_has_a_gradient() -> None:
    """The log with everything new moves every parameter, so that none is left unchecked above."""
    problem = simulated(CASES["probes"]())
    spread = np.ones(len(problem.schedule.readings))
    z = np.full(problem.priors.size, 0.2)
    assert np.all(np.abs(value_and_gradient(z, spread, 0, problem.frame)[1]) > 1e-6)


def test_weights_of_jumps_are_those_of_the_filter(case) -> None:
    """Each candidate weighs its prior times the likelihood with its variance put in and filtered.

    One reading of the log stands at a midnight, where the jump comes before it.
    """
    midnight = (2.0, "alkalinity", "tank", "alk", 2.9)
    log = replace(
        case.log,
        readings=tuple(
            sorted([*case.log.readings, *example_log([midnight]).readings], key=lambda r: r.time)
        ),
    )
    problem = simulated(replace(case, log=log))
    frame = problem.frame
    theta = problem.priors.natural(np.full(problem.priors.size, 0.2))
    misread = np.arange(len(problem.schedule.readings)) % 2
    found = weigh_jumps(theta, misread, frame)
    plain = system_of(theta, MISREAD_SPREAD[misread], 0, frame)
    jumps = frame.jumps
    for c in range(len(found)):
        noise = plain.noise.copy()
        noise[jumps.step[c], jumps.state[c]] += jumps.variance[c]
        expected = forward(plain._replace(noise=noise))[0] + jumps.log_prior[c]
        assert found[c] == pytest.approx(expected, abs=1e-8)
    assert np.exp(jumps.log_prior).sum() == pytest.approx(1.0)
    assert np.ptp(found - jumps.log_prior) > 0.1


def test_overflowing_parameters_are_refused_not_raised(everything) -> None:
    """Far out in the tails the likelihood is −inf with a gradient of zeros, never an exception."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    table = problem.priors
    z = np.full(table.size, 2000.0)
    value, gradient = value_and_gradient(z, np.ones(len(made.readings)), 0, problem.frame)
    assert value == -np.inf
    np.testing.assert_array_equal(gradient, 0.0)


def test_pymc_density_is_prior_plus_likelihood(everything) -> None:
    """The model's log density is the priors of z, classes and jump, and the readings; t stands for
    z, a shear that keeps the volume."""
    problem = simulated(everything)
    built = build_model(problem)
    z = np.linspace(-1, 1, problem.priors.size)
    t = straight(z, problem.frame.ridge)
    assert t[SATURATED_INCREMENT] < z[SATURATED_INCREMENT] - 0.1
    np.testing.assert_allclose(bent(t, problem.frame.ridge), z, atol=1e-12)
    misread = np.arange(len(problem.schedule.readings)) % 4
    logp = built.compile_logp(mode=model.PLAIN_MODE)
    for jump in (0, 5):
        found = logp({"t": t, "misread": misread, "jump": np.asarray(jump)})
        expected = -0.5 * z @ z
        expected += np.log(MISREAD_CHANCE[misread]).sum() + problem.frame.jumps.log_prior[jump]
        expected += value_and_gradient(z, MISREAD_SPREAD[misread], jump, problem.frame)[0]
        assert found == pytest.approx(expected, rel=1e-10)
    assert TankDensity(problem.frame) != TankDensity(problem.frame)


def test_density_for_nuts_is_the_models_own(everything) -> None:
    """The one operation that NUTS is given differs from the model's log density by a constant."""
    problem = simulated(everything)
    built = build_model(problem)
    size = problem.priors.size
    density = _Density(built, problem)
    misread = np.arange(len(problem.schedule.readings)) % 4
    density.set_classes(misread)
    fixed = {"misread": misread, "jump": np.asarray(0)}
    whole = built.compile_logp(mode=model.PLAIN_MODE)
    slope = built.compile_dlogp(vars=[built["t"]], mode=model.PLAIN_MODE)
    places = [np.linspace(-1, 1, size), np.linspace(0.5, -0.2, size)]
    value = [whole({"t": z, **fixed}) for z in places]
    found = [density.minus(z) for z in places]
    assert found[1][0] - found[0][0] == pytest.approx(value[0] - value[1], rel=1e-9)
    for z, (_, gradient) in zip(places, found, strict=True):
        np.testing.assert_allclose(-gradient, slope({"t": z, **fixed}), rtol=1e-9)


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


def with_jump_chance(problem: Problem, chance: float) -> Problem:
    """The same problem with so large a prior chance of a jump, all candidates alike."""
    jumps = problem.frame.jumps
    count = len(jumps.kind) - 1
    prior = np.append(1 - chance, np.full(count, chance / count))
    frame = problem.frame._replace(jumps=jumps._replace(log_prior=np.log(prior)))
    return replace(problem, frame=frame)


@pytest.fixture
def short_log() -> Problem:
    """Two and a half days, five readings of the tank and one of the effluent; jumps are likely."""
    readings = [(t, "alkalinity", "tank", "alk") for t in (0.4, 0.4, 1.2, 2.5)]
    readings.append((1.9, "alkalinity", "effluent", "alk"))
    readings.append((2.3, "calcium", "tank", "ca"))
    problem = pose(example_log(readings, [(0.1, "flow", "", 1500.0)]), example_tank())
    return with_jump_chance(problem, 0.5)


def test_kit_error_step_leaves_the_joint_distribution_alone(short_log, monkeypatch) -> None:
    """Data from the parameters, parameters from the data, in turn: the prior must come back.

    "Getting it right", Geweke 2004 (JASA 99:799): the successive-conditional simulator of a correct
    Gibbs step keeps the marginal-conditional distribution. Classes and jumps are made commoner here
    than in the model, so that a fault would show in few sweeps; effluent classes are not proposed
    apart, since the compiled move knows the true chances only, nor all parameters moved together
    (the next two tests are of them).
    """
    chance = np.array([0.55, 0.25, 0.15, 0.05])
    monkeypatch.setattr(model, "MISREAD_CHANCE", chance)
    problem = short_log
    made, table = problem.schedule, problem.priors
    built = build_model(problem)
    step = KitErrorStep(
        [built.rvs_to_values[built[name]] for name in ("misread", "jump", "t")],
        problem=problem,
        rough=rough_of(np.zeros(table.size), np.eye(table.size)),
        model=built,
        rng=np.random.default_rng(1),
    )
    step.effluent = step.every = step.effluent[:0]
    step.kinds = step.kinds[step.kinds[:, 1] != ALL]
    moved = [DRIFT, EFFLUENT_DRIFT, table.size - 1, table.size - 2]
    moved += [UNLOGGED_CALCIUM, CALCIUM_SHARE, LOAD_SHARE]
    rng = np.random.default_rng(2)
    count = len(made.readings)
    z = np.zeros(table.size)
    z[moved] = rng.standard_normal(len(moved))
    prior = np.exp(problem.frame.jumps.log_prior)
    jump = rng.choice(len(prior), p=prior)
    point = {
        "t": straight(z, problem.frame.ridge),
        "misread": rng.choice(4, size=count, p=chance),
        "jump": np.asarray(jump),
    }
    sweeps = 30_000
    kept_z, kept_class = np.empty((sweeps, len(moved))), np.empty((sweeps, count), dtype=int)
    kept_jump = np.empty(sweeps, dtype=int)
    frame = step.frame
    at = made.reading_step
    for sweep in range(sweeps):
        system = system_of(
            table.natural(bent(point["t"], frame.ridge)),
            MISREAD_SPREAD[point["misread"]],
            int(point["jump"]),
            frame,
        )
        blind = system._replace(observed=np.zeros(len(made.steps), dtype=bool))
        path = draw_states(blind, frame.root, rng.standard_normal(step.normals))
        expected = np.sum(system.loading[at] * path[at], axis=1) + system.intercept[at]
        values = expected + np.sqrt(system.variance[at]) * rng.standard_normal(count)
        frame.steps["value"][at] = values
        point, _ = step.step(point)
        kept_z[sweep] = bent(point["t"], frame.ridge)[moved]
        kept_class[sweep] = point["misread"]
        kept_jump[sweep] = point["jump"]

    assert not np.delete(bent(point["t"], frame.ridge), moved).any()

    def check(values: np.ndarray, expected: float) -> None:
        batches = values[: sweeps // 40 * 40].reshape(40, -1).mean(axis=1)
        error = batches.std(ddof=1) / np.sqrt(40)
        assert abs(batches.mean() - expected) < 4 * error
        assert error < 0.05

    for part in kept_z.T:
        check(part, 0.0)
        check(part**2, 1.0)
    for c in range(4):
        check(np.mean(kept_class == c, axis=1), chance[c])
    check(kept_jump == 0, prior[0])
    check(
        problem.frame.jumps.kind[kept_jump] == EFFLUENT,
        np.sum(prior[problem.frame.jumps.kind == EFFLUENT]),
    )
    # Joint moments: before any data repeatability, odd readings, drift and jumps are independent.
    check(kept_z[:, 2] * np.mean(kept_class == 0, axis=1), 0.0)
    check(kept_z[:, 0] * (kept_jump == 0), 0.0)


@pytest.mark.parametrize("kept", [0.7, 0.0])
def test_a_move_of_all_parameters_weighs_what_it_did(short_log, kept) -> None:
    """It is reversible for the rough normal, so that prior over normal is what is left to judge.

    Against SciPy's multivariate normal, in the coordinates of the sampler.
    """
    frame, size = short_log.frame, short_log.priors.size
    rng = np.random.default_rng(5)
    some = rng.standard_normal((size, size))
    covariance = 0.3 * np.eye(size) + 0.1 * some @ some.T
    rough = rough_of(rng.standard_normal(size), covariance)
    z, fresh = rng.standard_normal((2, size))
    moved, beyond = _move_all(z, kept, fresh, rough, frame)
    t, t_moved = straight(z, frame.ridge), straight(moved, frame.ridge)
    towards = rough.mode + kept * (t - rough.mode) + np.sqrt(1 - kept**2) * rough.root @ fresh
    np.testing.assert_allclose(t_moved, towards, atol=1e-12)
    prior = stats.multivariate_normal(np.zeros(size))
    normal = stats.multivariate_normal(rough.mode, covariance)
    expected = prior.logpdf(moved) - prior.logpdf(z) + normal.logpdf(t) - normal.logpdf(t_moved)
    assert beyond == pytest.approx(expected, abs=1e-9)


def test_moves_apart_visit_every_state_as_often_as_they_should() -> None:
    """Two effluent readings that disagree: either is misread, or the effluent jumped, or drifted.

    All sixteen pairs of classes, every jump and a grid of both drifts are weighed by prior times
    likelihood; a chain of collapsed moves started in one of them must spend its time accordingly.
    """
    tank = example_tank()
    readings = [(0.5 + j, "alkalinity", "tank", "alk", 8.2 * DKH) for j in range(4)]
    readings += [
        (3.6, "alkalinity", "effluent", "alk", 24.5 * DKH),
        (4.7, "alkalinity", "effluent", "alk", 29.0 * DKH),
    ]
    problem = with_jump_chance(pose(example_log(readings, [(0.2, "flow", "", 1500.0)]), tank), 0.1)
    made, table, frame = problem.schedule, problem.priors, problem.frame
    pair = np.flatnonzero([r.sample == "effluent" for r in made.readings])
    scores, of_scores = np.polynomial.hermite_e.hermegauss(15)
    drifts = [
        (a, b, u * v)
        for a, u in zip(scores, of_scores, strict=True)
        for b, v in zip(scores, of_scores, strict=True)
    ]
    count = len(MISREAD_SPREAD)
    log_weight = np.empty((count, count, len(drifts), len(frame.jumps.kind)))
    for first in range(count):
        for second in range(count):
            misread = np.zeros(len(made.readings), dtype=np.int64)
            misread[pair] = [first, second]
            for d, (uptake, effluent, _) in enumerate(drifts):
                z = np.zeros(table.size)
                z[[DRIFT, EFFLUENT_DRIFT]] = uptake, effluent
                log_weight[first, second, d] = weigh_jumps(table.natural(z), misread, frame)
    weight = np.exp(log_weight - log_weight.max())
    weight *= np.outer(MISREAD_CHANCE, MISREAD_CHANCE)[:, :, None, None]
    weight *= np.array([chance for *_, chance in drifts])[None, None, :, None]
    weight /= weight.sum()
    classes, jumps, by_drift = (
        weight.sum(axis=(2, 3)),
        weight.sum(axis=(0, 1, 2)),
        weight.sum(axis=(0, 1, 3)),
    )
    # Both single misreadings and a jump are live, or the test would show little.
    assert classes[0, 1:].sum() > 0.1
    assert classes[1:, 0].sum() > 0.1
    assert 0.1 < jumps[0] < 0.9
    rng = np.random.default_rng(4)
    z, misread = np.zeros(table.size), np.zeros(len(made.readings), dtype=np.int64)
    misread[pair] = [3, 0]
    visits, kinds = 250_000, MOVES_APART[:3]  # the fourth would draw the load share
    seen, jumped, drifted = np.zeros_like(classes), np.zeros(len(jumps)), np.zeros((visits, 2))
    for visit in range(visits):
        z, misread, jump = move_apart(
            z,
            misread,
            pair,
            pair,
            kinds,
            rng.random((len(kinds), 4)),
            rng.standard_normal((len(kinds), table.size)),
            rng.random(),
            rough_of(np.zeros(table.size), np.eye(table.size)),
            frame,
        )
        seen[misread[pair[0]], misread[pair[1]]] += 1
        jumped[jump] += 1
        drifted[visit] = z[[DRIFT, EFFLUENT_DRIFT]]
    np.testing.assert_allclose(seen / visits, classes, atol=0.015)
    np.testing.assert_allclose(jumped / visits, jumps, atol=0.009)
    for part in (0, 1):
        expected = by_drift @ np.array([one[part] for one in drifts])
        assert np.mean(drifted[:, part]) == pytest.approx(expected, abs=0.06)
    assert not np.delete(misread, pair).any()
    assert not np.delete(z, [DRIFT, EFFLUENT_DRIFT]).any()


def test_expected_readings_go_with_the_path(everything) -> None:
    """`draw_path_at` tells what each kit would show at the levels of its own path."""
    problem = pose(everything.log, everything.tank)
    made = problem.schedule
    table = problem.priors
    theta = table.natural(np.zeros(table.size))
    frame = problem.frame
    normals = np.random.default_rng(0).standard_normal((len(made.steps) + 1, made.layout.size + 1))
    path, expected = draw_path_at(theta, np.ones(len(made.readings)), 0, frame, normals)
    for m, reading in enumerate(made.readings):
        at = made.reading_step[m]
        state = path[at]
        if (reading.sample, reading.parameter) == ("tank", "alkalinity"):
            shifted = state[made.layout.kit_shift] * made.steps["shown_meq_l"][at]
            assert expected[m] == pytest.approx(state[0] + shifted)
        if (reading.sample, reading.parameter) == ("tank", "calcium"):
            calcium = state[made.layout.z] + made.shape.media_calcium * state[0]
            assert expected[m] == pytest.approx(calcium)
