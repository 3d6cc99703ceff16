"""Named draws and daily means; the checks of the sampling."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import integrate

from estimator import units
from estimator.fit.checks import diagnose
from estimator.fit.posterior import collect
from estimator.fit.problem import pose
from estimator.fit.sampling import Trace
from estimator.fit.state import TankState
from estimator.remark import Remark
from estimator.synthetic.simulation import simulate_levels, simulate_log
from estimator.water.supply import SupplyLaw
from helpers.tanks import example_log, example_tank, example_truth

DKH = units.MEQ_L_PER_DKH


def exact_trace(problem, truth, draws: int = 60) -> Trace:
    """A trace that knows the truth: every draw the same, kits all but perfect."""
    table = problem.priors
    half_flow_l_d = truth.half_flow_ml_h * 0.024
    saturated = truth.saturated_increment_meq_l * truth.effluent_strength[0]
    load_share = problem.schedule.reference_load_meq_d / (saturated * half_flow_l_d)
    known = {
        "water_volume_l": truth.volume_l,
        "light_ratio": truth.light_ratio,
        "uptake_start_meq_l_d": truth.uptake_meq_l_d[0],
        "calcium_share": truth.calcium_share,
        "saturated_increment_meq_l": saturated,
        "load_share": load_share,
        "drift_per_root_day": 1e-5,
        "effluent_drift_per_root_day": 1e-5,
        "uptake_per_meq_l": truth.uptake_per_meq_l,
        "ph_response": truth.ph_response,
        "unlogged_calcium": 1e-5,
    }
    row = [known.get(p.name, 1.0 if p.name.startswith("calib") else 1e-4) for p in table.priors]
    natural = np.broadcast_to(np.array(row), (4, draws, table.size)).copy()
    ordinary = np.zeros((4, draws, len(problem.schedule.readings)), dtype=int)
    return Trace(np.zeros_like(natural), natural, ordinary, 0, 0)


@pytest.fixture(scope="module")
def known():
    """Constant uptake and effluent, perfect kits, daily doses by rate, reactor from day 4."""
    readings = [(0.3 + 0.7 * j, "alkalinity", "tank", "alk") for j in range(14)]
    readings += [(0.5 + 1.1 * j, "calcium", "tank", "ca") for j in range(8)]
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
    trace = exact_trace(problem, truth)
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


def flow_of(uptake, volume, gain, exponent, reference):
    """Needed flow of draws (s,), L/day."""
    law = SupplyLaw(volume, exponent, reference, gain, 3.0)
    return TankState(law, 3.0 + 0 * uptake, uptake, uptake, uptake).needed_flow_l_d


def test_supply_flow_solves_its_equation() -> None:
    """(F/V)·X·(F/F_ref)^(−ε) = U at the flow found; one case by hand."""
    rng = np.random.default_rng(0)
    uptake, volume = rng.uniform(0.1, 1.0, 50), rng.uniform(100, 900, 50)
    gain, exponent = rng.uniform(2, 12, 50), rng.uniform(0, 0.8, 50)
    flow = flow_of(uptake, volume, gain, exponent, 30.0)
    np.testing.assert_allclose(flow / volume * gain * (flow / 30.0) ** -exponent, uptake)
    # 0.5 meq/L/day in 600 L is 300 meq/day; 6 meq/L more in the effluent: 50 L/day.
    one = flow_of(np.array([0.5]), np.array([600.0]), np.array([6.0]), np.zeros(1), 30.0)
    assert one == pytest.approx([50.0])
    half = flow_of(np.array([0.5]), np.array([600.0]), np.array([6.0]), np.array([0.5]), 25.0)
    assert half == pytest.approx([100.0])  # 25 · (50/25)²


def test_no_uptake_needs_no_flow() -> None:
    """Net gain clips to a flow of nothing; a hopeless chamber to a finite figure."""
    flow = flow_of(
        np.array([-0.1, 0.5]), np.full(2, 600.0), np.array([6.0, 1e-12]), np.full(2, 0.9), 30.0
    )
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
