"""What changed lately: what the draws of a fit say, and the right answer on simulated logs."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import integrate, stats

from estimator import units
from estimator.fit import jumps
from estimator.fit.change import Change, gaussian_evidence, half_normal_size
from estimator.fit.fitting import Fit, fit_of
from estimator.fit.kalman import forward, step_response
from estimator.fit.likelihood import MISREAD_SPREAD, draw_path_at, system_at
from estimator.fit.posterior import collect
from estimator.fit.problem import pose
from estimator.fit.sampling import sample
from estimator.fit.watch import FADED, KINDS, Watch, watch
from estimator.synthetic.simulation import round_to_step, simulate_log
from helpers.fits import known_posterior, still_trace, theta_of
from helpers.tanks import Case, example_log, example_tank, example_truth

DKH = units.MEQ_L_PER_DKH


@pytest.fixture(scope="module")
def small() -> Case:
    """Forty days with a reactor and, at first, dosing."""
    readings = [(j + 0.35 + 0.03 * (j % 3), "alkalinity", "tank", "alk") for j in range(40)]
    readings += [(j + 0.6, "alkalinity", "effluent", "alk") for j in (2, 8, 14, 20, 26, 32, 38)]
    actions = [(0.2, "flow", "", 2400.0), (0.2, "dose_rate", "soda", 10.0)]
    tank, truth = example_tank(), example_truth(41)
    log = example_log(readings, actions)
    return Case(tank, simulate_log(tank, log, truth, np.random.default_rng(3)), truth)


def still(case: Case, jump=(0, 0), **changes) -> Fit:
    """A fit whose every draw is the truth but for its jump, every reading an ordinary one.

    `changes` are of its posterior.
    """
    problem = pose(case.log, case.tank)
    trace = still_trace(problem, theta_of(case, problem.schedule), len(jump))
    jump = np.array(jump)
    posterior = known_posterior(
        len(jump), problem.schedule.days, jump=jump, jumps=problem.frame.jumps, **changes
    )
    return fit_of(problem, replace(trace, jump=jump[None]), posterior)


def at(fitted: Fit, kind: int, day: int) -> int:
    """The candidate of a kind on a day."""
    table = fitted.frame.jumps
    return int(np.flatnonzero((table.kind == kind) & (table.day == day))[0])


def of_kind(found: Watch, kind: str) -> dict[str, Change]:
    """The changes of one kind by their direction."""
    return {change.direction: change for change in found.changes if change.kind == kind}


def test_step_response_is_the_exact_parabola(case) -> None:
    """Shifting a state after any step moves the log-likelihood by b δ − a δ²/2, in every layout."""
    log = simulate_log(case.tank, case.log, case.truth, np.random.default_rng(1))
    problem = pose(log, case.tank)
    schedule = problem.schedule
    table = problem.priors
    classes = np.arange(len(schedule.readings)) % len(MISREAD_SPREAD)
    theta = table.natural(0.2 * np.ones(table.size))
    system = system_at(theta, classes, 0, problem.frame)
    filtered = forward(system)
    slope, curvature = step_response(system, filtered, 0)
    for step in (0, len(filtered.mean) // 3, len(filtered.mean) // 2):
        later = system._replace(
            **{name: getattr(system, name)[step + 1 :] for name in system._fields[:8]},
            covariance=filtered.covariance[step + 1],
        )
        for state in range(schedule.layout.size):
            for delta in (-0.2, 0.1):
                mean = filtered.mean[step + 1].copy()
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


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_size_is_that_of_the_half_that_goes_the_way(sign) -> None:
    """Quantiles of a mixture of normals cut off at zero, against a million draws."""
    mean, sd, share = np.array([0.1, -0.05]), np.array([0.1, 0.2]), np.array([0.3, 0.7])
    rng = np.random.default_rng(0)
    drawn = []
    for one, spread, part in zip(mean, sd, share, strict=True):
        draws = one + spread * rng.standard_normal(2_000_000)
        drawn.append(draws[sign * draws > 0][: int(500_000 * part)])
    expected = np.quantile(np.abs(np.concatenate(drawn)), [0.05, 0.5, 0.95])
    found = half_normal_size(mean, sd, sign, share)
    np.testing.assert_allclose(sign * np.array(found), expected, rtol=0.03, atol=2e-3)


JUMPED = (jumps.UPTAKE, jumps.SUPPLY, jumps.EFFLUENT, jumps.ADDITION, jumps.KIT)
OF = {jumps.SUPPLY: "alkalinity", jumps.ADDITION: "alkalinity", jumps.KIT: "alk"}


@pytest.mark.parametrize("kind", JUMPED)
def test_a_jumps_size_and_day_are_those_of_the_smoothed_state(small, kind) -> None:
    """What one draw says of its jump: that part of the smoothed move that is the jump's.

    By another way: the state's smoothed move over the midnight, of which the walk of that night has
    the part that its variance has. Uptake is told in meq/L/day, an addition that stands as an
    uptake the other way round; days before and after have no chance.
    """
    plain = still(small)
    c = at(plain, kind, 30)
    fitted = still(small, (c, c))
    found = of_kind(watch(fitted), KINDS[kind])
    table, frame = fitted.frame.jumps, fitted.frame
    theta, misread = fitted.trace.natural[0, 0], fitted.trace.misread[0, 0]
    step, state = int(table.step[c]), int(table.state[c])
    normals = np.zeros((len(frame.steps) + 1, frame.shape.size + 1))
    path, _ = draw_path_at(theta, MISREAD_SPREAD[misread], c, frame, normals)
    system = system_at(theta, misread, c, frame)
    before = path[step - 1, state]
    if state < frame.shape.moving:
        before = system.transition[step, state] @ path[step - 1] + system.offset[step, state]
    mean = (path[step, state] - before) * table.variance[c] / system.noise[step, state]
    unit = {jumps.UPTAKE: theta[2], jumps.SUPPLY: -theta[2]}.get(kind, 1.0)
    way = "up" if mean * unit > 0 else "down"
    assert found["up"].chance + found["down"].chance == pytest.approx(1.0, rel=0.1)
    likely = found[way]
    assert likely.chance > found["down" if way == "up" else "up"].chance
    # The median of the half normal on the likelier side lies beyond the mean of the whole.
    assert abs(mean * unit) <= abs(likely.size[1]) * (1 + 1e-2)
    system = system_at(theta, misread, 0, frame)
    _, curvature = step_response(system, forward(system), step)
    sd = np.sqrt(table.variance[c] / (1 + curvature[step, state] * table.variance[c]))
    one = np.array([mean * unit]), np.array([sd * abs(unit)])
    expected = half_normal_size(*one, 1.0 if way == "up" else -1.0, np.ones(1))
    assert likely.size == pytest.approx(expected, rel=1e-6)
    first = fitted.schedule.days - len(likely.by_day)
    assert np.flatnonzero(likely.by_day).tolist() == [30 - first]


def test_chances_are_shares_of_the_draws(small) -> None:
    """Each kind's chance is the share of draws in which it jumped.

    Nothing and all changes share the whole chance, each change its days; sizes are in order.
    """
    plain = still(small)
    chosen = [at(plain, kind, 35) for kind in JUMPED]
    draws = [0] * 5 + [chosen[0]] * 6 + [chosen[1]] * 2 + [chosen[2]] * 4
    draws += [chosen[3]] * 2 + [chosen[4]]
    fitted = still(small, draws)
    found = watch(fitted)
    assert found.nothing + sum(c.chance for c in found.changes) == pytest.approx(1.0)
    assert found.nothing == pytest.approx(5 / 20)
    for kind, count in zip(JUMPED, (6, 2, 4, 2, 1), strict=True):
        both = of_kind(found, KINDS[kind]).values()
        assert sum(c.chance for c in both) == pytest.approx(count / 20)
        assert {c.of for c in both} == {OF.get(kind, "")}
    assert len(found.days) == min(fitted.schedule.days - 1, jumps.WINDOW_DAYS)
    assert found.days[-1] == (fitted.schedule.origin + timedelta(fitted.schedule.days - 1)).date()
    for change in found.changes:
        assert change.by_day.sum() == pytest.approx(1.0)
        assert change.by_day.shape == (len(found.days),)
        if change.chance > 0:
            assert abs(change.size[0]) < abs(change.size[1]) < abs(change.size[2])
            assert (change.size[0] < 0) == (change.direction == "down")
    assert [c.chance for c in found.changes] == sorted(c.chance for c in found.changes)[::-1]


def test_prior_chances_add_up_to_one(small) -> None:
    """Before the readings: nothing, and each kind of jump both ways.

    A fade is no further thing that may happen in the model, and stands apart.
    """
    found = watch(still(small))
    apart = [change for change in found.changes if change.kind != "effluent_fade"]
    jumped = sum(change.prior for change in apart)
    assert found.nothing_prior == pytest.approx(1 - jumped)
    assert jumped == pytest.approx(min(5 * 39 * jumps.DAILY_CHANCE, jumps.LARGEST_CHANCE))


def test_an_effluent_fades_where_it_lost_a_tenth_in_four_weeks(small) -> None:
    """The share of draws with such a loss and no jump of the effluent; the prior by simulation."""
    draws = 40
    strength = np.ones((draws, 40))
    strength[:20, -1] = 0.8
    strength[20:30, :11] = 1.3  # Lost long ago.
    plain = still(small)
    jumped = [at(plain, jumps.EFFLUENT, 35)] * 5 + [0] * 35
    fitted = still(small, jumped, strength=strength)
    (faded,) = of_kind(watch(fitted), "effluent_fade").values()
    assert faded.chance == pytest.approx(15 / draws)
    assert faded.direction == "down"
    assert faded.size == pytest.approx((-0.2, -0.2, -0.2))
    rng = np.random.default_rng(0)
    drift = 0.010 * np.exp(0.6 * rng.standard_normal(400_000)) * np.sqrt(28)
    expected = np.mean(drift * rng.standard_normal(400_000) < -FADED)
    assert faded.prior == pytest.approx(expected, abs=0.004)
    assert not of_kind(watch(still(small, (0, 0), last_run_flow_l_d=None)), "effluent_fade")


def test_only_what_can_have_happened_is_asked_for() -> None:
    """A tank without additions and reactor can only have changed its uptake or been given a dose.

    An effluent is asked for from the day on that it first ran.
    """
    tests = [(j + 0.4, "alkalinity", "tank", "alk", 2.9) for j in range(8)]
    tank = example_tank()
    table = pose(example_log(tests), tank).frame.jumps
    assert set(table.kind.tolist()) == {-1, jumps.UPTAKE, jumps.ADDITION, jumps.KIT}
    table = pose(example_log(tests, [(3.2, "flow", "", 2000.0)]), tank).frame.jumps
    assert table.day[table.kind == jumps.EFFLUENT].tolist() == [4, 5, 6, 7]
    assert table.day[table.kind == jumps.SUPPLY].tolist() == list(range(1, 8))


def test_jumps_are_looked_for_within_six_weeks() -> None:
    """A long log asks for no earlier day, and its prior chances add up to 1."""
    tests = [(j + 0.4, "alkalinity", "tank", "alk", 2.9) for j in range(60)]
    table = pose(
        example_log(tests, [(0.2, "dose_rate", "soda", 160.0)]), example_tank()
    ).frame.jumps
    assert table.day[1:].min() == 60 - jumps.WINDOW_DAYS
    assert table.day.max() == 59
    assert np.exp(table.log_prior).sum() == pytest.approx(1.0)
    assert np.exp(table.log_prior[1:]) == pytest.approx(np.full(4 * 42, 0.5 / (4 * 42)), rel=1e-9)


def test_a_log_of_one_day_has_nothing_to_watch() -> None:
    """Within a single day there is no midnight at which anything could have stepped."""
    log = example_log(
        [(0.3, "alkalinity", "tank", "alk", 2.9), (0.7, "alkalinity", "tank", "alk", 2.8)]
    )
    found = watch(still(Case(example_tank(), log, example_truth(2))))
    assert (found.nothing, found.changes, found.likeliest) == (1.0, (), None)


def test_overwhelming_evidence_does_not_overflow() -> None:
    """Readings that no draw can explain give chances all the same, not infinities."""
    kit = replace(example_tank().kits["alk"], step=1e-4, repeatability=1e-4)
    tank = example_tank(kits={**example_tank().kits, "alk": kit})
    readings = [
        (j + 0.4, "alkalinity", "tank", "alk", 2.9 - 0.1 * max(j - 8, 0)) for j in range(14)
    ]
    log = example_log(readings, [(0.1, "dose_rate", "soda", 170.0)])
    truth = example_truth(14, kit_repeatability={"alk": 1e-4})
    case = Case(tank, log, truth)
    found = watch(still(case, (0, at(still(case), jumps.UPTAKE, 9))))
    assert found.nothing + sum(c.chance for c in found.changes) == pytest.approx(1.0)
    assert all(np.isfinite([*c.size, *c.by_day]).all() for c in found.changes)


def test_watching_draws_nothing_at_random(small) -> None:
    """The same fit gives the same answer to the last bit."""
    fitted = still(small, [0, 5, 9, 60] * 10)
    one, other = (watch(fitted) for _ in range(2))
    assert one.nothing == other.nothing
    assert [c.chance for c in one.changes] == [c.chance for c in other.changes]


def fitted_watch(log, tank, draws: int = 100) -> tuple[Watch, Fit]:
    """A fit of a log, and what it says has changed."""
    problem = pose(log, tank)
    first, second = np.random.SeedSequence(1).spawn(2)
    trace = sample(problem, first, draws=draws, cores=1)
    fitted = fit_of(problem, trace, collect(problem, trace, second))
    return watch(fitted), fitted


@pytest.mark.sampler
def test_without_an_effluent_test_a_fall_has_two_explanations() -> None:
    """Tank levels that fall say "uptake up or effluent down"; effluent tests then say which."""
    strength = np.ones(41)
    strength[30:] *= 0.7
    truth = example_truth(40, uptake_meq_l_d=np.full(41, 0.55), effluent_strength=strength)
    chances = {}
    for tested in (False, True):
        readings = [(j + 0.35, "alkalinity", "tank", "alk") for j in range(40)]
        days = (5, 12, 19, 26, *((33, 36, 39) if tested else ()))
        readings += [(j + 0.6, "alkalinity", "effluent", "alk") for j in days]
        tank = example_tank()
        log = example_log(readings, [(0.1, "flow", "", 2330.0)])
        log = simulate_log(tank, log, truth, np.random.default_rng(4))
        found, _ = fitted_watch(log, tank)
        chances[tested] = {(c.kind, c.direction): c.chance for c in found.changes}
    down = ("effluent", "down")
    taken = sum(chances[False][one] for one in (("uptake", "up"), ("additions", "down")))
    assert taken + chances[False][down] > 0.9
    assert 0.05 < chances[False][down] < 0.95
    assert chances[True][down] > 0.95


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
    unlogged = ()
    if what == "uptake":
        uptake[CHANGE_DAY:] *= 1.30
    if what == "effluent":
        strength[CHANGE_DAY:] *= 0.75
    if what == "one_addition":
        unlogged = example_log([], [(CHANGE_DAY, "dose", "soda", 580 * 1.2 * DKH / 1.9)]).actions
    truth = example_truth(
        DAYS, uptake_meq_l_d=uptake, effluent_strength=strength, unlogged=unlogged
    )
    log = simulate_log(tank, example_log(readings, actions), truth, rng)
    if what == "kit":
        since = log.start.replace(hour=0, minute=0, second=0, microsecond=0)
        since += timedelta(days=CHANGE_DAY)
        step = tank.kits["alk"].step
        shifted = [
            replace(r, value=round_to_step(1.08 * r.value, step))
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
        ("one_addition", "up", 1.2 * DKH),
        ("kit", "up", 0.08),
    ],
)
def test_the_change_that_was_made_is_found(what, direction, size) -> None:
    """A fitted log with a real step: its own hypothesis gains, with its size and its day.

    Uptake 30 % up, effluent 25 % down, 1.2 dKH given unlogged, a kit reading 8 % more, and none, in
    turn. A rise of uptake may as well be an addition that ended, and half a dKH that a kit reads
    more is hardly told from half a dKH that was added.
    """
    found, fitted = fitted_watch(*changed_log(what))
    if what == "nothing":
        assert found.nothing > 0.5
        assert found.likeliest is None
        return
    chances = {(c.kind, c.direction): c.chance for c in found.changes}
    alike = {(what, direction)} | ({("additions", "down")} if what == "uptake" else set())
    told = sum(chances[one] for one in alike)
    first = found.changes[0]
    assert (first.kind, first.direction) == (what, direction)
    assert first.chance > 0.5
    times = 4 if what == "kit" else 10
    assert told > times * max(chance for one, chance in chances.items() if one not in alike)
    low, middle, high = first.size
    assert min(low, high) <= size <= max(low, high)
    assert abs(middle) > 0.5 * abs(size)
    likely_days = [d for d, chance in zip(found.days, first.by_day, strict=True) if chance > 0.05]
    assert (fitted.schedule.origin + timedelta(days=CHANGE_DAY)).date() in likely_days
