"""The linear system against the differential equations, integrated another way."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import integrate

from estimator.fit.kalman import log_likelihood_and_adjoint
from estimator.fit.load import rough_increment_meq_l
from estimator.fit.mass_balance import LEAST_UNLOGGED, fill, pull_back
from estimator.fit.schedule import build_schedule
from estimator.synthetic.simulation import simulate_levels
from estimator.water import chamber_table, supply
from estimator.water.supply import media_calcium_share
from helpers.fits import UNLOGGED_SCALE, follow, theta_of
from helpers.tanks import CASES, example_log, example_tank, example_truth


def relative(made):
    """The shape with changes of uptake relative to its start, as `follow` states them."""
    return made.shape._replace(net_change=False)


def filled(made, theta, spread=None):
    """The system of a schedule at theta; spread per step."""
    spread = np.ones(len(made.steps)) if spread is None else spread
    return fill(theta, spread, made.steps, made.moments, relative(made), made.mean, made.covariance)


def shown(levels, made, case) -> np.ndarray:
    """Levels as the kits would show them without error or rounding, one per reading."""
    columns = {
        ("tank", "alkalinity"): levels.alkalinity_meq_l,
        ("tank", "calcium"): levels.calcium_mmol_l,
        ("tank", "nitrate"): levels.nitrate_mmol_l,
        ("effluent", "alkalinity"): levels.effluent_alkalinity_meq_l,
        ("effluent", "calcium"): levels.effluent_calcium_mmol_l,
    }
    out = []
    for m, reading in enumerate(made.readings):
        if reading.sample == "water":
            level = case.truth.waters[reading.of][reading.parameter]
        elif reading.sample == "reference":
            level = case.tank.references[reading.of].levels[reading.parameter]
        else:
            level = columns[reading.sample, reading.parameter][m]
        gain = made.bottles[made.steps["bottle"][made.reading_step[m]]]
        out.append(level * case.truth.kit_calibration.get(gain, 1.0))
    return np.array(out)


def state_true_ph(made, case) -> None:
    """Put the true pH of the chamber where the schedule has what its probe shows."""
    true = case.truth.chamber_ph
    if true is not None:
        table = chamber_table.saturated_increment_meq_l
        since = made.step_time_d - made.steps["span_d"]
        ratio = [
            table(true[int(day + 1e-9)]) / table(made.settings.chamber_ph.last) for day in since
        ]
        made.steps["log_ph_ratio"] = np.log(ratio)


def test_levels_are_those_of_the_simulator(case) -> None:
    """Exponentials and series give what stepping the equations by Runge-Kutta gives."""
    made = build_schedule(case.log, case.tank)
    state_true_ph(made, case)
    levels = simulate_levels(case.tank, case.log, case.truth, [r.time for r in made.readings])
    system = filled(made, theta_of(case, made))
    expected = follow(system, made, case.truth, media_calcium_share(case.tank))
    np.testing.assert_allclose(expected, shown(levels, made, case), rtol=1e-6)


MORE_MAGNESIUM = 0.03
"""What magnesium takes of the dissolved beyond what is expected, in `solve`."""


def solve(case, made) -> np.ndarray:
    """What each reading shows (m,) of a perfect kit, from scipy's solver and the equations as
    documented, with an answer to the level, an unlogged supply of calcium and more magnesium."""
    truth, tank = case.truth, case.tank
    days = {}
    for action in case.log.actions:
        days.setdefault((action.time - made.origin) / timedelta(days=1), []).append(action)
    wanted = [(r.time - made.origin) / timedelta(days=1) for r in made.readings]
    end = max([*wanted, *days])
    on, lit = tank.lights_on_h / 24, ((tank.lights_off_h - tank.lights_on_h) % 24) / 24
    dark = 1 / (1 + lit * (truth.light_ratio - 1))
    alpha = 0.5 * (1 - truth.media_magnesium_share) if tank.reactor else 0.5
    middle = 0.5 * (tank.targets["alkalinity"].low + tank.targets["alkalinity"].high)
    answer = truth.uptake_per_meq_l * made.shape.uptake_scale
    unlogged = (LEAST_UNLOGGED + UNLOGGED_SCALE) * 0.5 * made.shape.uptake_scale
    rough = rough_increment_meq_l(case.log, tank, made.settings)
    ph_now = tank.reactor.chamber_ph if tank.reactor else 6.5
    ph_last = [a.value for a in case.log.actions if a.kind == "ph_setting"]
    flows = [a.value for a in case.log.actions if a.kind == "flow" and a.value > 0]
    table = chamber_table.saturated_increment_meq_l
    state = np.array([truth.start["alkalinity"], truth.start["calcium"], truth.start["nitrate"]])
    flow_l_d, rates = 0.0, {}
    switches = [d + x for d in range(-1, int(end) + 2) for x in (0.0, on, on + lit)]
    edges = sorted({0.0, *days, *wanted, *(t for t in switches if 0 < t < end)})

    def above(level, flow_ml_h, strong):
        """Effluent alkalinity over the tank's."""
        filled = 1 / (1 + flow_ml_h / truth.half_flow_ml_h)
        if tank.reactor and tank.reactor.chambers == 2:
            filled = float(supply.reach(flow_ml_h / truth.half_flow_ml_h, 2))
        return (strong - (level - middle)) * filled

    steps_since = made.step_time_d - made.steps["span_d"]
    at, before = {}, 0.0
    for edge in edges:
        day = int(before)
        centre = 0.5 * (before + edge)
        since = (centre - on) % 1.0
        rise = centre - since
        # The probe's departure is taken as it stood when the last entry or midnight was passed.
        entered = steps_since[steps_since <= centre].max()
        off = made.settings.ph_departure.at(entered)
        ph_factor = table(ph_now + off) / table(ph_last[-1] if ph_last else ph_now)
        strong = truth.saturated_increment_meq_l * ph_factor**truth.ph_response
        strong *= truth.effluent_strength[day]
        dosed = np.zeros(2)
        for name, ml_d in rates.items():
            solution = tank.solutions[name]
            dosed += ml_d * np.array([solution.alkalinity_meq_per_ml, solution.calcium_mmol_per_ml])

        def slope(t, y, day=day, since=since, rise=rise, strong=strong, dosed=dosed, flow=flow_l_d):
            shape = dark
            if since < lit:
                ratio = truth.light_ratio
                shape = dark * (1 + (ratio - 1) * np.pi / 2 * np.sin(np.pi * (t - rise) / lit))
            eaten = truth.uptake_meq_l_d[day] * shape
            more = answer * (y[0] - middle)
            gained = 0.0
            if flow > 0:
                gained = flow / truth.volume_l * above(y[0], flow * 1000 / 24, strong)
            taken = 0.5 * MORE_MAGNESIUM * flow * rough / tank.water_volume_l
            calcium = alpha * gained - truth.calcium_share * eaten - alpha * more
            return [
                gained + dosed[0] / truth.volume_l - eaten - more - truth.nitrate_rate_mmol_l_d,
                calcium + dosed[1] / truth.volume_l + unlogged - taken,
                truth.nitrate_rate_mmol_l_d,
            ]

        if edge > before:
            state = integrate.solve_ivp(slope, (before, edge), state, rtol=1e-10, atol=1e-12).y[
                :, -1
            ]
            before = edge
        if edge in wanted:
            gained = above(state[0], flow_l_d * 1000 / 24 or (flows or [0.0])[-1], strong)
            calcium = state[1] + alpha * gained - 0.5 * MORE_MAGNESIUM * rough
            at[edge] = {
                ("tank", "alkalinity"): state[0],
                ("tank", "calcium"): state[1],
                ("tank", "nitrate"): state[2],
                ("effluent", "alkalinity"): state[0] + gained,
                ("effluent", "calcium"): calcium,
            }
        for action in days.get(edge, []):
            if action.kind == "flow":
                flow_l_d = action.value * 24 / 1000
            elif action.kind == "ph_setting":
                ph_now = action.value
            elif action.kind == "dose_rate":
                rates[action.of] = action.value
            elif action.kind == "dose":
                solution = tank.solutions[action.of]
                state[0] += solution.alkalinity_meq_per_ml * action.value / truth.volume_l
                state[1] += solution.calcium_mmol_per_ml * action.value / truth.volume_l
            elif action.kind == "water_change":
                water = truth.waters[action.of]
                fresh = np.array([water["alkalinity"], water["calcium"], 0.0])
                state += action.value / truth.volume_l * (fresh - state)
    found = [at[t].get((r.sample, r.parameter)) for t, r in zip(wanted, made.readings, strict=True)]
    return np.array(found, dtype=float)


def test_levels_are_those_of_a_general_solver(case) -> None:
    """The same against scipy.integrate.solve_ivp and equations written out in this file.

    With an uptake that answers to the level, calcium that nobody logged, and more magnesium in
    what dissolves than is expected.
    """
    case = replace(case, truth=replace(case.truth, uptake_per_meq_l=0.15))
    made = build_schedule(case.log, case.tank)
    solved = solve(case, made)
    system = filled(made, theta_of(case, made))
    begin = {}
    if made.layout.z >= 0:
        begin[made.layout.unlogged] = 1.0
    if made.layout.magnesium >= 0:
        begin[made.layout.magnesium] = MORE_MAGNESIUM
    expected = follow(system, made, case.truth, media_calcium_share(case.tank), begin)
    gains = [
        case.truth.kit_calibration.get(made.bottles[bottle], 1.0)
        for bottle in made.steps["bottle"][made.reading_step]
    ]
    checked = np.isfinite(solved)
    assert checked.sum() >= 6
    np.testing.assert_allclose(expected[checked], (solved * gains)[checked], rtol=1e-8)


def test_an_instruments_error_is_an_autoregression() -> None:
    """Its errors at any two steps have the covariance σ² exp(−|t − t'|/τ), from the first on."""
    case = CASES["probes"]()
    made = build_schedule(case.log, case.tank)
    system = filled(made, theta_of(case, made))
    sd, fades_d = case.truth.drifting["probe"]
    place = made.layout.first_instrument
    kept, added = system.transition[:, place, place], system.noise[:, place]
    covariance = np.zeros((len(kept), len(kept)))
    for i in range(len(kept)):
        before = covariance[i - 1, :i] if i else np.zeros(0)
        covariance[i, :i] = covariance[:i, i] = kept[i] * before
        covariance[i, i] = added[i] + (kept[i] ** 2 * covariance[i - 1, i - 1] if i else 0.0)
    apart = np.abs(np.subtract.outer(made.step_time_d, made.step_time_d))
    np.testing.assert_allclose(covariance, sd**2 * np.exp(-apart / fades_d), rtol=1e-9, atol=1e-15)
    by_probe = [m for m, r in enumerate(made.readings) if r.kit == "probe"]
    shows = np.zeros(len(made.readings))
    shows[by_probe] = 1.0
    np.testing.assert_array_equal(system.loading[made.reading_step, place], shows)


def test_gradient_by_every_parameter(case) -> None:
    """`pull_back` after the filter's adjoint is the gradient of the log-likelihood by theta."""
    case = replace(case, truth=replace(case.truth, uptake_per_meq_l=0.15))
    made = build_schedule(case.log, case.tank)
    theta = theta_of(case, made)
    rng = np.random.default_rng(1)
    levels = simulate_levels(case.tank, case.log, case.truth, [r.time for r in made.readings])
    values = shown(levels, made, case)
    made.steps["value"][made.reading_step] = values * rng.normal(1.0, 0.05, len(values))
    spread = np.ones(len(made.steps))
    spread[made.reading_step[1]] = 4.0

    def value(at: np.ndarray) -> float:
        return log_likelihood_and_adjoint(filled(made, at, spread))[0]

    _, adjoint = log_likelihood_and_adjoint(filled(made, theta, spread))
    found = pull_back(theta, spread, made.steps, made.moments, relative(made), adjoint)
    numeric = np.empty(len(theta))
    for a in range(len(theta)):
        step = 1e-5 * theta[a]
        up, down = theta.copy(), theta.copy()
        up[a] += step
        down[a] -= step
        numeric[a] = (value(up) - value(down)) / (2 * step)
    # Compared per relative change, since parameters differ by orders of magnitude.
    np.testing.assert_allclose(found * theta, numeric * theta, rtol=1e-5, atol=2e-5)
    assert np.count_nonzero(np.abs(found * theta) > 1e-3) >= 4


def test_sum_of_calcium_and_alkalinity_feels_no_reactor(everything) -> None:
    """Z = C − αA moves by uptake, doses, nitrate and water only, whatever the flow."""
    made = build_schedule(everything.log, everything.tank)
    system = filled(made, theta_of(everything, made))
    spans = made.steps["span_d"] > 0
    z = made.layout.z
    np.testing.assert_array_equal(system.transition[spans, z, z], 1.0)
    np.testing.assert_array_equal(system.transition[spans, z, made.layout.effluent], 0.0)
    np.testing.assert_array_equal(system.transition[spans, z, 0], 0.0)


@pytest.mark.parametrize("half_flow_ml_h", [1e10, 1e-3])
def test_limits_of_the_flow_response(half_flow_ml_h):
    """A quick chamber: effluent alkalinity is fixed; a slow one: what it gives a day is."""
    readings = [(0.5, "alkalinity", "effluent", "alk"), (1.5, "alkalinity", "effluent", "alk")]
    log = example_log(readings, [(0.1, "flow", "", 1300.0), (1.0, "flow", "", 2600.0)])
    truth = example_truth(
        2,
        half_flow_ml_h=half_flow_ml_h,
        kit_calibration={},
        saturated_increment_meq_l=6.0,
        effluent_strength=np.ones(3),
    )
    case = SimpleNamespace(tank=example_tank(), log=log, truth=truth)
    made = build_schedule(log, case.tank)
    system = filled(made, theta_of(case, made))
    flows = made.steps["flow_l_d"][made.reading_step]
    level = 1.1 * made.shape.middle
    show = [system.loading[i, 0] * level + system.intercept[i] for i in made.reading_step]
    if half_flow_ml_h > 1:
        assert show == pytest.approx([made.shape.middle + 6.0] * 2)
    else:
        given = flows * (np.array(show) - level)
        assert given[0] == pytest.approx(given[1], rel=1e-4)
