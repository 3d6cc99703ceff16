"""Named draws and daily means; the checks of the sampling."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import integrate

from estimator import units
from estimator.fit.checks import diagnose
from estimator.fit.layout import (
    CALCIUM_SHARE,
    DRIFT,
    EFFLUENT_DRIFT,
    LEVEL_RESPONSE,
    LIGHT_RATIO,
    LOAD_SHARE,
    SATURATED_INCREMENT,
    UNLOGGED_CALCIUM,
    UPTAKE,
    VOLUME,
)
from estimator.fit.load import ROOM
from estimator.fit.mass_balance import LEAST_UNLOGGED, NET_CHANGE_SCALE
from estimator.fit.posterior import collect, describe, reported
from estimator.fit.problem import pose
from estimator.fit.state import TankState
from estimator.fit.states import DayStates
from estimator.fit.trace import Trace
from estimator.remark import Remark
from estimator.synthetic.simulation import simulate_levels, simulate_log
from estimator.water import chamber_table
from estimator.water.supply import SupplyLaw
from helpers.fits import known_posterior, still_trace, theta_of
from helpers.tanks import Case, example_log, example_tank, example_truth

DKH = units.MEQ_L_PER_DKH


DRAWN = ("z", "natural", "misread", "jump")


def exact_trace(problem, case: Case, draws: int = 60) -> Trace:
    """A trace that knows the truth: every draw the same, nothing drifts, kits all but perfect."""
    schedule = problem.schedule
    natural = theta_of(case, schedule)
    natural[[DRIFT, EFFLUENT_DRIFT, UNLOGGED_CALCIUM]] = 1e-5
    natural[schedule.shape.first_repeatability :] = 1e-4
    one = still_trace(problem, natural, draws)
    parts = {name: np.repeat(getattr(one, name), 4, axis=0) for name in DRAWN}
    return replace(one, **parts)


@pytest.fixture(scope="module")
def known():
    """Constant uptake and effluent, perfect kits, daily doses by rate, reactor from day 4."""
    readings = [(0.3 + 0.7 * j, "alkalinity", "tank", "alk") for j in range(14)]
    readings += [(0.5 + 1.1 * j, "calcium", "tank", "ca") for j in range(8)]
    readings += [(t, "alkalinity", "effluent", "alk") for t in (5.2, 8.3)]
    actions = [(0.0, "dose_rate", "soda", 160.0), (4.0, "flow", "", 1300.0)]
    actions += [(4.0, "dose_rate", "soda", 0.0), (6.0, "stock_change"), (10.4, "new_bottle", "ca")]
    log = example_log(readings, actions)
    tank = example_tank()
    kits = {name: replace(kit, step=1e-5) for name, kit in tank.kits.items()}
    tank = replace(tank, kits=kits)
    truth = example_truth(
        11,
        uptake_meq_l_d=np.full(12, 0.5),
        effluent_strength=np.ones(12),
        kit_calibration={},
        kit_repeatability={},
    )
    log = simulate_log(tank, log, truth, np.random.default_rng(0))
    problem = pose(log, tank)
    made = problem.schedule
    trace = exact_trace(problem, Case(tank, log, truth))
    return made, tank, log, truth, collect(problem, trace, np.random.SeedSequence(0))


def test_paths_of_a_known_tank_are_its_own(known) -> None:
    """With the truth for parameters and perfect readings, every day's uptake is the truth."""
    made, _, _, truth, posterior = known
    assert posterior.uptake_meq_l_d.shape == (240, made.days)
    assert np.median(posterior.uptake_meq_l_d, axis=0) == pytest.approx(
        truth.uptake_meq_l_d[: made.days], rel=1e-2
    )
    assert posterior.calcium_uptake_mmol_l_d == pytest.approx(
        posterior.uptake_meq_l_d * truth.calcium_share, rel=1e-9
    )


def test_daily_means_are_means_over_the_day(known) -> None:
    """Levels by day agree with the integral of the simulated level over that day.

    Within 0.01 dKH, half the day's swing of a level that is being changed by supply included.
    """
    made, tank, log, truth, posterior = known
    # The first day has one known end only, and the last is not over.
    for day in range(1, made.days - 1):
        grid = np.linspace(day + 1e-6, day + 1 - 1e-6, 97)
        times = [made.origin + timedelta(days=float(t)) for t in grid]
        levels = simulate_levels(tank, log, truth, times)
        mean = integrate.simpson(levels.alkalinity_meq_l, x=grid)
        found = np.median(posterior.alkalinity_meq_l[:, day])
        assert found / DKH == pytest.approx(mean / DKH, abs=0.01)
        calcium = integrate.simpson(levels.calcium_mmol_l, x=grid)
        found = np.median(posterior.calcium_mmol_l[:, day])
        assert found * units.CA_G_MOL == pytest.approx(calcium * units.CA_G_MOL, abs=0.1)


def test_level_now_is_freed_of_the_time_of_day(known) -> None:
    """The level now is the daily mean about the last entry, not the swing of the hour.

    Over one day centred on the last entry the simulated mean is the same within 0.02 dKH.
    """
    made, tank, log, truth, posterior = known
    end = made.step_time_d[-1]
    grid = np.linspace(end - 0.5, end + 0.5, 97)
    times = [made.origin + timedelta(days=float(t)) for t in grid]
    levels = simulate_levels(tank, log, truth, times).alkalinity_meq_l
    mean = integrate.simpson(levels, x=grid)
    assert np.median(posterior.alkalinity_now_meq_l) / DKH == pytest.approx(mean / DKH, abs=0.02)


def test_effluent_now_is_the_chamber_of_the_truth(known) -> None:
    """Effluent alkalinity at the present flow is above the tank's as the equations give it."""
    made, _, _, truth, posterior = known
    tank_level = posterior.alkalinity_now_meq_l
    saturated = truth.saturated_increment_meq_l - (tank_level - made.shape.middle)
    expected = tank_level + saturated / (1 + 1300.0 / truth.half_flow_ml_h)
    np.testing.assert_allclose(posterior.effluent_meq_l, expected, rtol=1e-3)


def test_checks_name_every_used_reading(known) -> None:
    """One check per used reading, in time order; perfect readings have no residual to speak of."""
    made, _, _, _, posterior = known
    assert [c.reading for c in posterior.checks] == list(made.readings)
    assert max(abs(c.residual) for c in posterior.checks) < 3
    assert min(c.chance_ordinary for c in posterior.checks) > 0.5


def test_the_law_now_is_the_chamber_of_the_truth(known) -> None:
    """Half flow, saturated increment and volume come out of the parameters as they went in."""
    _, _, _, truth, posterior = known
    law = posterior.law
    np.testing.assert_allclose(law.half_flow_l_d, truth.half_flow_ml_h * 0.024, rtol=1e-9)
    np.testing.assert_allclose(law.saturated_meq_l, truth.saturated_increment_meq_l, rtol=1e-9)
    np.testing.assert_allclose(law.volume_l, truth.volume_l)
    np.testing.assert_allclose(posterior.strength, 1.0, atol=1e-2)
    needed = 0.5 * truth.volume_l
    half, saturated = truth.half_flow_ml_h * 0.024, truth.saturated_increment_meq_l
    flow = needed / saturated / (1 - needed / saturated / half)
    np.testing.assert_allclose(np.median(posterior.needed_flow_l_d), flow, rtol=0.02)


def short_problem(readings, actions=(), **changes):
    """A log of a week with a reactor at 1300 mL/h, and one draw of states as given."""
    tests = [(j + 0.5, "alkalinity", "tank", "alk", 2.9) for j in range(7)]
    log = example_log([*tests, *readings], [(0.2, "flow", "", 1300.0), *actions])
    problem = pose(log, example_tank(**changes))
    count, days = 3, problem.schedule.days
    states = DayStates(
        alkalinity=np.full((count, days), problem.frame.shape.middle + 0.4),
        calcium=None,
        uptake=np.zeros((count, days)),
        nitrate_rate=None,
        effluent=np.zeros((count, days)),
        unlogged=None,
        magnesium=None,
        kit_shift=None,
    )
    natural = np.repeat(problem.priors.natural(np.zeros(problem.priors.size))[None], count, axis=0)
    return problem, natural, states


def test_uptake_answers_to_the_level() -> None:
    """Uptake of a day is that at the middle of the band and η of the usual for each meq/L above.

    The needed flow rests on the uptake at the middle.
    """
    problem, natural, states = short_problem([(3.0, "alkalinity", "effluent", "alk", 10.0)])
    posterior = describe(problem, natural, np.zeros(3, dtype=int), states, 1)
    off = posterior.alkalinity_now_meq_l - posterior.middle_meq_l
    assert off.min() > 0.3
    usual = problem.schedule.shape.uptake_scale
    expected = natural[:, UPTAKE] + natural[:, LEVEL_RESPONSE] * usual * off
    np.testing.assert_allclose(posterior.uptake_now_meq_l_d, expected)
    np.testing.assert_allclose(posterior.uptake_at_middle_meq_l_d, natural[:, UPTAKE])
    load = natural[:, UPTAKE] * natural[:, VOLUME]
    supplied = posterior.law.supply_meq_d(posterior.needed_flow_l_d, posterior.middle_meq_l)
    np.testing.assert_allclose(supplied, load)


def test_the_law_stands_at_the_chambers_present_ph() -> None:
    """A pH setting that was changed leaves the table's increment for the last one; a chamber that
    departs from its setting has the law of its own pH, to the power of the response."""
    tests = [(3.0, "alkalinity", "effluent", "alk", 10.0)]
    problem, natural, states = short_problem(tests, [(4.0, "ph_setting", "", 6.4)])
    posterior = describe(problem, natural, np.zeros(3, dtype=int), states, 1)
    expected = chamber_table.saturated_increment_meq_l(6.4)
    np.testing.assert_allclose(posterior.law.saturated_meq_l, expected)
    probe = [(j + 0.3, "ph", "chamber", "", 6.6 if j < 4 else 6.8) for j in range(7)]
    problem, natural, states = short_problem([*tests, *probe])
    posterior = describe(problem, natural, np.zeros(3, dtype=int), states, 1)
    settings = problem.schedule.settings
    off = settings.ph_departure.at(6.5)
    table = chamber_table.saturated_increment_meq_l
    expected = table(6.6) * (table(6.6 + off) / table(6.6)) ** 0.7
    assert off > 0.1
    np.testing.assert_allclose(posterior.law.saturated_meq_l, expected)
    first, last = posterior.strength[0, [0, -1]]
    assert last / first == pytest.approx(
        (table(6.6 + off) / table(6.6 + settings.ph_departure.at(0.5))) ** 0.7
    )


def test_an_untested_reactor_can_carry_its_load() -> None:
    """While no effluent was tested F0 is at least so large that the draw's load has its room.

    A tested reactor keeps what its readings say.
    """
    for tests, factor in (([], 4.0), ([(3.0, "alkalinity", "effluent", "alk", 10.0)], 1.0)):
        problem, natural, states = short_problem(tests)
        # A draw whose load is four times what F0 was placed by.
        natural[:, UPTAKE] = 4 * problem.frame.shape.load_meq_d / natural[:, VOLUME] / ROOM
        posterior = describe(problem, natural, np.zeros(3, dtype=int), states, 1)
        placed = problem.frame.shape.load_meq_d / (
            natural[:, SATURATED_INCREMENT] * natural[:, LOAD_SHARE]
        )
        np.testing.assert_allclose(posterior.law.half_flow_l_d, placed * factor)


def test_no_uptake_needs_no_flow() -> None:
    """Net gain clips to a flow of nothing; a hopeless chamber to a finite figure."""
    law = SupplyLaw(np.full(2, 600.0), np.array([6.0, 1e-12]), np.full(2, 30.0), 3.0)
    uptake = np.array([-0.1, 0.5])
    flow = TankState(law, 3.0 + 0 * uptake, uptake, uptake, uptake).needed_flow_l_d
    assert flow[0] == 0.0
    assert np.isfinite(flow[1])


def test_independent_draws_pass_the_checks() -> None:
    """White noise: R-hat near 1, effective size near the count, no failure."""
    draws = np.random.default_rng(0).standard_normal(2000)
    found = diagnose({"x": draws, "fixed": np.ones(2000)}, 4, 0)
    assert found.failures == ()
    assert found.r_hat_max < 1.005
    assert found.ess_bulk_min == pytest.approx(2000, rel=0.15)
    assert found.worst == "x"
    assert (found.chains, found.draws) == (4, 500)


def test_chains_that_disagree_are_told() -> None:
    """One chain elsewhere: R-hat fails and names the quantity."""
    draws = np.random.default_rng(0).standard_normal((4, 500))
    draws[2] += 1.0
    found = diagnose({"fine": draws[0].repeat(4), "odd one": draws.ravel()}, 4, 0)
    (failure,) = (one for one in found.failures if one.code == "fit_chains_disagree")
    assert failure.values["quantity"] == "odd one"
    assert failure.values["r_hat"] > failure.values["r_hat_limit"]


def test_slow_chains_are_told() -> None:
    """A slow random walk has too few independent draws."""
    rng = np.random.default_rng(0)
    draws = np.zeros((4, 500))
    for i in range(1, 500):
        draws[:, i] = 0.97 * draws[:, i - 1] + rng.standard_normal(4)
    found = diagnose({"slow": draws.ravel()}, 4, 0)
    (failure,) = (one for one in found.failures if one.code == "fit_few_draws")
    assert failure.values["quantity"] == "slow"
    assert failure.values["ess"] < failure.values["ess_limit"]


def test_divergences_are_told() -> None:
    """More than one divergence in a thousand draws is too many, and the count is told."""
    draws = np.random.default_rng(0).standard_normal(2000)
    assert diagnose({"x": draws}, 4, 2).failures == ()
    (failure,) = diagnose({"x": draws}, 4, 3).failures
    assert failure == Remark("fit_divergent", {"divergences": 3, "draws": 2000})


# --- numbers worked by hand -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("last_dose_d", "part_of_dose"),
    # Daily doses, log's end at noon of the seventh day: 0.1 days after the last one the level
    # stands 0.4 of a dose above its mean, 0.9 days after it 0.4 of a dose below.
    [(6.4, 0.4), (5.6, -0.4)],
)
def test_the_level_now_is_freed_of_the_swing_of_doses_by_hand(last_dose_d, part_of_dose) -> None:
    """50 mL of 1.9 meq/mL a day are 95 meq, and 20 mL of 1.8365 mmol/mL 36.73 mmol."""
    doses = [
        (last_dose_d - j, "dose", name, ml)
        for j in range(5)
        for name, ml in (("soda", 50.0), ("chloride", 20.0))
    ]
    problem, natural, states = short_problem([(3.0, "calcium", "tank", "ca", 10.0)], doses)
    # Without uptake there is no swing of the light.
    natural[:, UPTAKE] = 0.0
    natural[:, VOLUME] = (400.0, 500.0, 800.0)
    states = replace(states, calcium=np.full_like(states.alkalinity, 10.0))
    posterior = describe(problem, natural, np.zeros(3, dtype=int), states, 1)
    above = 95.0 * part_of_dose / natural[:, VOLUME]
    middle = problem.frame.shape.middle
    np.testing.assert_allclose(posterior.alkalinity_now_meq_l, middle + 0.4 - above)
    # 270 g/L of CaCl2·2H2O, 147.01 g/mol.
    above = 20.0 * 270 / 147.01 * part_of_dose / natural[:, VOLUME]
    taken = posterior.calcium_uptake_mmol_l_d[:, -1]
    assert np.abs(taken).max() < 0.1
    np.testing.assert_allclose(posterior.calcium_now_mmol_l, 10.0 - above, rtol=1e-3)


def described(net_change: bool = False):
    """Three draws of a week, every number of its own: two kits, two bottles, nitrate."""
    readings = [
        *((j + 0.4, "calcium", "tank", "ca", 10.0) for j in range(3)),
        *((j + 0.3, "nitrate", "tank", "no3", 0.1) for j in (1, 5)),
        (3.0, "alkalinity", "effluent", "alk", 10.0),
    ]
    actions = [(2.0, "dose_rate", "soda", 100.0), (4.0, "new_bottle", "alk")]
    problem, natural, states = short_problem(readings, [] if net_change else actions)
    rng = np.random.default_rng(4)
    natural = natural * np.exp(0.1 * rng.standard_normal(natural.shape))
    shape = states.alkalinity.shape
    states = replace(
        states,
        alkalinity=2.9 + 0.2 * rng.standard_normal(shape),
        calcium=10.5 + 0.2 * rng.standard_normal(shape),
        uptake=0.1 * rng.standard_normal(shape),
        nitrate_rate=0.05 + 0.01 * rng.standard_normal(shape),
        unlogged=rng.standard_normal(shape),
        effluent=0.1 * rng.standard_normal(shape),
    )
    return problem, natural, states, describe(problem, natural, np.zeros(3, dtype=int), states, 1)


def test_each_kit_and_bottle_has_its_own_draws() -> None:
    """Two bottles of one kit and three kits: a mix-up of columns would show."""
    problem, natural, _, posterior = described()
    made = problem.schedule
    assert list(made.bottles) == [("alk", 0), ("alk", 1), ("ca", 0), ("no3", 0)]
    names = [prior.name for prior in problem.priors.priors]
    for (kit, bottle), draws in posterior.kit_calibration.items():
        np.testing.assert_array_equal(draws, natural[:, names.index(f"calibration {kit} {bottle}")])
    assert sorted(posterior.kit_repeatability) == ["alk", "ca", "no3"]
    for kit, draws in posterior.kit_repeatability.items():
        np.testing.assert_array_equal(draws, natural[:, names.index(f"repeatability {kit}")])


def test_uptake_is_told_by_day_with_nitrate_and_calcium_without() -> None:
    """Of day j: start times 1 + its relative change, η of the usual for each meq/L over the middle,
    and the nitrate's part, which takes no calcium."""
    problem, natural, states, posterior = described()
    shape = problem.schedule.shape
    level = posterior.alkalinity_meq_l[:, :-1]
    levels = np.column_stack([level, posterior.alkalinity_now_meq_l])
    start = natural[:, [UPTAKE]]
    calcified = start * (1 + states.uptake)
    calcified += natural[:, [LEVEL_RESPONSE]] * shape.uptake_scale * (levels - shape.middle)
    np.testing.assert_allclose(posterior.uptake_meq_l_d, calcified + states.nitrate_rate)
    share = natural[:, [CALCIUM_SHARE]]
    np.testing.assert_allclose(posterior.calcium_uptake_mmol_l_d, share * calcified)
    np.testing.assert_array_equal(posterior.nitrate_loss_meq_l_d, states.nitrate_rate[:, -1])
    np.testing.assert_array_equal(posterior.uptake_now_meq_l_d, posterior.uptake_meq_l_d[:, -1])
    np.testing.assert_array_equal(
        posterior.calcium_uptake_now_mmol_l_d, posterior.calcium_uptake_mmol_l_d[:, -1]
    )
    np.testing.assert_array_equal(posterior.uptake_scale, natural[:, UPTAKE])
    assert posterior.days[0] == problem.schedule.origin.date()
    assert posterior.days[-1] - posterior.days[0] == timedelta(days=problem.schedule.days - 1)


def test_levels_by_day_are_means_of_both_ends() -> None:
    """Without light's swing a day's mean is half of its two ends; the first has one end only."""
    problem, natural, states, _ = described()
    natural = natural.copy()
    natural[:, LIGHT_RATIO] = 1.0
    posterior = describe(problem, natural, np.zeros(3, dtype=int), states, 1)
    np.testing.assert_allclose(posterior.light_share, 0.0, atol=1e-12)
    ends = states.alkalinity
    expected = np.column_stack([ends[:, 0], 0.5 * (ends[:, :-1] + ends[:, 1:])])
    np.testing.assert_allclose(posterior.alkalinity_meq_l, expected)
    np.testing.assert_allclose(posterior.alkalinity_now_meq_l, ends[:, -1])
    expected = np.column_stack(
        [states.calcium[:, 0], 0.5 * (states.calcium[:, :-1] + states.calcium[:, 1:])]
    )
    np.testing.assert_allclose(posterior.calcium_mmol_l, expected)
    np.testing.assert_allclose(posterior.calcium_now_mmol_l, states.calcium[:, -1])


def test_a_net_change_is_told_by_its_own_scale_without_a_response() -> None:
    """Where nothing was added or fed a relative change of 1 means 1 meq/L/day."""
    log = example_log([(j + 0.5, "alkalinity", "tank", "alk", 2.9) for j in range(7)])
    problem = pose(log, example_tank())
    count, days = 2, problem.schedule.days
    uptake = np.full((count, days), 0.3)
    levels = np.full((count, days), 3.5)
    states = DayStates(levels, None, uptake, None, np.zeros((count, days)), None, None, None)
    natural = np.repeat(problem.priors.natural(np.zeros(problem.priors.size))[None], count, axis=0)
    natural[:, UPTAKE] = (0.2, 0.4)
    posterior = describe(problem, natural, np.zeros(count, dtype=int), states, 1)
    assert posterior.net_change
    np.testing.assert_allclose(
        posterior.uptake_meq_l_d[:, -1],
        [0.2 + 0.3 * NET_CHANGE_SCALE, 0.4 + 0.3 * NET_CHANGE_SCALE],
    )
    np.testing.assert_array_equal(posterior.uptake_scale, [NET_CHANGE_SCALE] * 2)
    np.testing.assert_array_equal(posterior.law.level_response_per_d, 0.0)


def test_unlogged_calcium_and_magnesium_of_the_media_by_hand() -> None:
    """Half of the usual uptake times its scale, the least of it included; magnesium is what calcium
    leaves of the media, between nothing and all."""
    problem, natural, states, posterior = described()
    scale = (LEAST_UNLOGGED + natural[:, [UNLOGGED_CALCIUM]]) * 0.5
    expected = states.unlogged * scale * problem.schedule.shape.uptake_scale
    np.testing.assert_allclose(posterior.unlogged_calcium_mmol_l_d, expected)
    calcium = problem.schedule.shape.media_calcium
    np.testing.assert_allclose(posterior.media_magnesium_share, 1 - 2 * calcium)
    found = [
        describe(
            problem, natural, np.zeros(3, dtype=int), replace(states, magnesium=np.full(3, off)), 1
        ).media_magnesium_share[0]
        for off in (-2.0, 0.1, 2.0)
    ]
    assert found == pytest.approx([0.0, 1 - 2 * calcium + 0.1, 1.0])


def test_the_effluent_is_told_at_the_flow_that_runs_ran_or_is_needed() -> None:
    """X_sat 9 meq/L over the middle, F0 75 L/day: at F the effluent comes 9/(1 + F/75) above."""
    middle = 8.2 * DKH
    running = known_posterior(draws=2, flow_l_d=25.0)
    stopped = replace(running, present_flow_l_d=0.0)
    never = known_posterior(draws=2, flow_l_d=None)
    needed = 0.5 * 600 / (9 - 0.5 * 600 / 75)
    for posterior, flow in ((running, 25.0), (stopped, 25.0), (never, needed)):
        assert posterior.shown_flow_l_d == pytest.approx(flow)
        increment = 9 / (1 + flow / 75)
        assert posterior.increment_meq_l == pytest.approx(increment)
        assert posterior.effluent_meq_l == pytest.approx(middle + increment)
        assert posterior.saturation_reached == pytest.approx(increment / 9)
        assert posterior.saturated_effluent_meq_l == pytest.approx(middle + 9)
        assert posterior.most_supply_meq_l_d == pytest.approx(75 * 9 / 600)
    # Fed from a tank 0.5 above the middle that much less is lacking to saturation.
    off = replace(running, alkalinity_now_meq_l=np.full(2, middle + 0.5))
    assert off.effluent_meq_l == pytest.approx(middle + 0.5 + 8.5 / (1 + 25 / 75))
    # Of a planned reactor it is told as if fed from the middle.
    off = replace(never, alkalinity_now_meq_l=np.full(2, middle + 0.5))
    assert off.effluent_meq_l == pytest.approx(middle + 9 / (1 + needed / 75))


def test_the_uptake_at_the_middle_is_less_where_the_level_is_above_it() -> None:
    """η 0.2 of 0.5 meq/L/day for each meq/L: 0.3 above the middle is 0.03 a day less."""
    posterior = known_posterior(draws=2, level_response_l_meq=0.2)
    above, below = (
        replace(posterior, alkalinity_now_meq_l=np.full(2, posterior.middle_meq_l + off))
        for off in (0.3, -0.3)
    )
    assert above.uptake_at_middle_meq_l_d == pytest.approx(0.47)
    assert below.uptake_at_middle_meq_l_d == pytest.approx(0.53)
    assert below.state.uptake_meq_l_d == pytest.approx(0.53)
    assert below.state.level_meq_l == pytest.approx(posterior.middle_meq_l - 0.3)


def test_the_state_drifts_as_the_model_does() -> None:
    """Uptake by its relative drift of the usual uptake, the effluent by a drift of its own."""
    ones = np.ones(2)
    changes = {"uptake_scale": 0.4 * ones, "drift": 0.02 * ones, "effluent_drift": 0.007 * ones}
    state = known_posterior(draws=2, **changes).state
    assert state.uptake_drift_meq_l_d == pytest.approx(0.008)
    assert state.effluent_drift == pytest.approx(0.007)


def test_what_the_checks_of_sampling_look_at() -> None:
    """Every other day of the last sixty, each bottle, each kit, and the logarithm of the flow."""
    draws = 8
    rng = np.random.default_rng(2)
    bottles = {("alk", 0): rng.random(draws), ("alk", 1): rng.random(draws)}
    posterior = known_posterior(
        draws=draws,
        days=100,
        uptake=0.5 + 0.1 * rng.random(draws),
        kit_calibration=bottles,
        kit_repeatability={"alk": rng.random(draws), "ca": rng.random(draws)},
        calcium_now_mmol_l=rng.random(draws),
    )
    found = reported(posterior)
    days = [name for name in found if name.startswith("uptake on")]
    assert days[0] == f"uptake on {posterior.days[40]}"
    assert days[1] == f"uptake on {posterior.days[42]}"
    assert len(days) == 30
    np.testing.assert_array_equal(found[days[1]], posterior.uptake_meq_l_d[:, 42])
    np.testing.assert_array_equal(found["calibration of alk, bottle 2"], bottles["alk", 1])
    np.testing.assert_array_equal(found["repeatability of ca"], posterior.kit_repeatability["ca"])
    np.testing.assert_allclose(np.exp(found["needed flow"]), posterior.needed_flow_l_d)
    np.testing.assert_array_equal(found["calcium now"], posterior.calcium_now_mmol_l)
    np.testing.assert_array_equal(found["uptake now"], posterior.uptake_meq_l_d[:, -1])
    short = reported(known_posterior(draws=draws, days=3))
    assert [name for name in short if name.startswith("uptake on")] == [
        f"uptake on 2026-03-0{day}" for day in (1, 2, 3)
    ]
    assert "calcium now" not in short
