"""Small real fits: they find the truth, and one seed gives one answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator import units
from estimator.fit.layout import SATURATED_INCREMENT
from estimator.fit.likelihood import bent
from estimator.fit.posterior import Posterior, collect
from estimator.fit.problem import pose
from estimator.fit.sampling import SMALLER, TUNE, Sampler, sample
from estimator.fit.trace import Trace, join
from estimator.synthetic.simulation import simulate_log
from estimator.water import chamber_table
from helpers.fits import part_of
from helpers.tanks import dosed_then_reactor_log, example_log, example_tank, example_truth

pytestmark = pytest.mark.sampler

DKH = units.MEQ_L_PER_DKH
DAYS = 45
MISREAD_DAY = 38
UNTESTED_EFFLUENT = example_log(
    [(0.5 + 2 * j, "alkalinity", "tank", "alk", 8.1 * DKH) for j in range(8)],
    [(0.2, "flow", "", 1000.0)],
)
"""A running reactor without an effluent test."""


def fitted(tank, log, draws: int, seed: int = 1) -> tuple[Posterior, Trace]:
    """Sample on one core, which is sooner done than processes are started, and collect."""
    problem = pose(log, tank)
    first, second = np.random.SeedSequence(seed).spawn(2)
    trace = sample(problem, first, draws=draws, cores=1)
    return collect(problem, trace, second), trace


@pytest.fixture(scope="module")
def truth():
    """What made the log."""
    return example_truth(DAYS)


@pytest.fixture(scope="module")
def log(truth):
    """Forty-five days: dosing, then a reactor."""
    return simulate_log(
        example_tank(), dosed_then_reactor_log(DAYS, 26, 8, 5), truth, np.random.default_rng(11)
    )


@pytest.fixture(scope="module")
def fit(log) -> tuple[Posterior, Trace]:
    """The fit of that log, with draws enough to pass its checks with room to spare."""
    return fitted(example_tank(), log, 500)


@pytest.fixture(scope="module")
def posterior(fit) -> Posterior:
    """What that fit says."""
    return fit[0]


def test_fit_passes_its_own_checks(posterior) -> None:
    """A plain log leaves no failure: R-hat, effective sample sizes, divergences."""
    assert posterior.diagnostics.failures == ()
    assert posterior.diagnostics.r_hat_max <= 1.01
    assert posterior.diagnostics.ess_bulk_min >= 400


def test_a_chain_goes_on_from_where_it_stopped(log, fit, monkeypatch):
    """In the coordinates that NUTS works in, which are not those of the trace; in steps of one
    size, smaller than before, with no draw to find it."""
    problem, trace = pose(log, example_tank()), fit[1]
    told = []

    class Stop(Exception):
        pass

    def note(_, steps, starts, rng, tune, *__):
        told.append((steps, starts, tune))
        raise Stop

    monkeypatch.setattr(Sampler, "_run", note)
    with pytest.raises(Stop):
        Sampler(problem).draw(np.random.SeedSequence(5), 10, resume=trace)
    ((steps, starts, tune),) = told
    for k, (t, misread, jump) in enumerate(starts):
        assert bent(t, problem.frame.ridge) == pytest.approx(trace.z[k, -1], abs=1e-12)
        assert np.array_equal(misread, trace.misread[k, -1])
        assert jump == trace.jump[k, -1]
    assert (steps["adapt_step_size"], tune) == (False, 0)


def test_a_fit_that_is_drawn_on_keeps_its_draws_and_finds_the_same(log, fit):
    """Chains resumed from where they stopped add draws of the same posterior.

    600 draws know a mean to a twentieth of its sd, or a tenth where every fourth is a new one.
    """
    problem = pose(log, example_tank())
    seed, levels = np.random.SeedSequence(5).spawn(2)
    posterior, trace = fit
    first = part_of(trace, slice(150))
    second = Sampler(problem).draw(seed, 150, resume=first, cores=1)
    assert second.step_size == pytest.approx(SMALLER * first.step_size)
    both = join(first, second)
    np.testing.assert_array_equal(both.natural[:, :150], first.natural)
    np.testing.assert_array_equal(both.z[:, 150:], second.z)
    assert both.misread.shape[1] == both.jump.shape[1] == 300
    assert both.step_size == second.step_size
    found = collect(problem, second, levels).uptake_now_meq_l_d
    expected = posterior.uptake_now_meq_l_d
    assert abs(np.mean(found) - np.mean(expected)) < 0.25 * np.std(expected)


@pytest.mark.parametrize("name", ["volume", "calcium share", "uptake", "level", "effluent", "gain"])
def test_fit_finds_the_truth(posterior, truth, name) -> None:
    """The 98 % interval of each main quantity holds what made the log."""
    draws, true = {
        "volume": (posterior.volume_l, truth.volume_l),
        "calcium share": (posterior.calcium_share, truth.calcium_share),
        "uptake": (posterior.uptake_now_meq_l_d, truth.uptake_meq_l_d[-1]),
        "level": (posterior.uptake_meq_l_d.mean(axis=1), truth.uptake_meq_l_d[:DAYS].mean()),
        "effluent": (
            posterior.state.law.increment_at(posterior.present_flow_l_d, posterior.middle_meq_l),
            truth.saturated_increment_meq_l
            * truth.effluent_strength[-1]
            / (1 + posterior.present_flow_l_d / (truth.half_flow_ml_h * 0.024)),
        ),
        "gain": (posterior.kit_calibration["alk", 0], truth.kit_calibration["alk", 0]),
    }[name]
    low, high = np.quantile(draws, [0.01, 0.99])
    assert low < true < high


def test_data_narrow_the_prior(posterior, log) -> None:
    """Uptake now is known far better than before the log: the interval could fail to hold truth."""
    problem = pose(log, example_tank())
    table = problem.priors
    before = table.natural(np.random.default_rng(0).standard_normal((2000, table.size)))[:, 2]
    width = np.ptp(np.quantile(before, [0.05, 0.95]))
    assert np.ptp(np.quantile(posterior.uptake_now_meq_l_d, [0.05, 0.95])) < 0.25 * width


def test_one_seed_gives_one_answer() -> None:
    """The same seed gives identical draws, however many processes ran; another seed does not.

    Those of a second round as well.
    """
    problem = pose(UNTESTED_EFFLUENT, example_tank())

    def draw(seed: int, cores: int) -> np.ndarray:
        sampler, (one, two) = Sampler(problem), np.random.SeedSequence(seed).spawn(2)
        first = sampler.draw(one, 10, cores=cores)
        return join(first, sampler.draw(two, 5, resume=first, cores=cores)).natural

    first = draw(5, 1)
    np.testing.assert_array_equal(first, draw(5, 2))
    assert not np.array_equal(first, draw(6, 1))


def test_levels_are_drawn_by_their_seed(log, fit) -> None:
    """Collecting twice with one seed gives identical paths."""
    problem = pose(log, example_tank())
    trace = part_of(fit[1], slice(20))
    first, again = (collect(problem, trace, np.random.SeedSequence(9)) for _ in range(2))
    np.testing.assert_array_equal(first.alkalinity_meq_l, again.alkalinity_meq_l)
    np.testing.assert_array_equal(first.uptake_meq_l_d, again.uptake_meq_l_d)


def test_one_misread_titration_does_not_move_the_answer(log, posterior) -> None:
    """A reading 2 dKH too high shifts the needed flow by less than a fifth of its 90 % range.

    The reading is the one nearest day 38 of 45, where it would weigh most on uptake now, and its
    check says that it is no ordinary one.
    """
    target = min(
        (r for r in log.readings if (r.sample, r.parameter) == ("tank", "alkalinity")),
        key=lambda r: abs((r.time - log.start).days - MISREAD_DAY),
    )
    readings = tuple(
        replace(r, value=r.value + 2 * DKH) if r.row == target.row else r for r in log.readings
    )
    other = fitted(example_tank(), replace(log, readings=readings), 200)[0]
    needed = posterior.needed_flow_l_d
    width = np.ptp(np.quantile(needed, [0.05, 0.95]))
    assert abs(np.median(other.needed_flow_l_d) - np.median(needed)) < width / 5
    check = next(c for c in other.checks if c.reading.row == target.row)
    assert check.chance_ordinary < 0.1
    plain = next(c for c in posterior.checks if c.reading.row == target.row)
    assert plain.chance_ordinary > 0.9


def test_three_readings_and_nothing_else() -> None:
    """Three alkalinity readings and no addition: a net change, right on average, and wide."""
    log = example_log(
        [
            (0.5, "alkalinity", "tank", "alk", 8.7 * DKH),
            (4.5, "alkalinity", "tank", "alk", 7.5 * DKH),
            (8.5, "alkalinity", "tank", "alk", 6.3 * DKH),
        ]
    )
    posterior, _ = fitted(example_tank(reactor=None), log, 150)
    mean = posterior.uptake_meq_l_d.mean(axis=1) / DKH
    assert posterior.net_change
    assert posterior.calcium_now_mmol_l is None
    assert posterior.last_run_flow_l_d is None
    assert np.median(mean) == pytest.approx(0.3, abs=0.04)
    assert 0.02 < np.std(mean) < 0.1


def test_rising_level_is_a_negative_net_change() -> None:
    """Something added but not logged shows as a net gain, not as an error."""
    log = example_log(
        [(t, "alkalinity", "tank", "alk", (7 + 0.2 * t) * DKH) for t in (0.5, 3.5, 6.5, 9.5)]
    )
    posterior, _ = fitted(example_tank(reactor=None), log, 100)
    assert np.quantile(posterior.uptake_now_meq_l_d, 0.95) < 0


def test_effluent_never_tested_keeps_to_chemistry() -> None:
    """A running reactor without effluent test: never above what its chamber pH can give, and wide.

    The saturated increment stays that of the table, within what is allowed for probe and medium.
    """
    posterior, trace = fitted(example_tank(), UNTESTED_EFFLUENT, 100)
    saturated = trace.natural[:, :, SATURATED_INCREMENT]
    table = chamber_table.saturated_increment_meq_l(6.6)
    assert np.median(saturated) == pytest.approx(table, rel=0.10)
    assert np.std(np.log(saturated)) < 0.15
    assert np.all(posterior.increment_meq_l <= posterior.law.saturated_meq_l)
    assert not posterior.net_change
    assert np.ptp(np.quantile(np.log(posterior.increment_meq_l), [0.05, 0.95])) > np.log(1.5)


def test_a_first_flow_does_not_make_the_needed_one_less_sure() -> None:
    """Starting an untested reactor adds an entry, and takes no knowledge away.

    The same tank without a pump, with one that was started as the last entry, and with one that has
    run for three days: the 9-in-10 range of log needed flow is hardly wider.
    """
    tank, truth = example_tank(), example_truth(28)
    readings = [(j + 0.4, "alkalinity", "tank", "alk") for j in range(28)]
    dosing = [(0.1, "dose_rate", "soda", 165.0)]
    starts = (
        [],
        [(27.5, "flow", "", 1200.0)],
        [(25.0, "flow", "", 1200.0), (25.0, "dose_rate", "soda", 90.0)],
    )
    width = []
    for started in starts:
        log = example_log(readings, [*dosing, *started])
        log = simulate_log(tank, log, truth, np.random.default_rng(2))
        posterior, _ = fitted(tank, log, 700)
        width.append(np.ptp(np.quantile(np.log(posterior.needed_flow_l_d), [0.05, 0.95])))
    # At this number of draws a width errs by some three per cent.
    assert max(width[1:]) < 1.10 * width[0]
    assert width[0] > 0.3


def test_progress_counts_to_the_end() -> None:
    """The caller is told of draws done out of draws in all."""
    log = example_log([(t, "alkalinity", "tank", "alk", 2.8) for t in (0.5, 4.5, 8.5)])
    tank = example_tank(reactor=None)
    told = []
    problem = pose(log, tank)
    sample(
        problem,
        np.random.SeedSequence(1),
        draws=10,
        cores=1,
        progress=lambda done, total: told.append((done, total)),
    )
    done, total = zip(*told, strict=True)
    assert list(done) == sorted(done)
    assert set(total) == {4 * (TUNE + 10)}
    assert done[-1] >= 4 * (TUNE + 10) - 50
