"""The model against posteriors that can be written down without it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from estimator import units
from estimator.fit import start
from estimator.fit.layout import UPTAKE
from estimator.fit.likelihood import draw_path_at
from estimator.fit.mass_balance import LEAST_UNLOGGED, UNLOGGED_DAYS, light_and_scale
from estimator.fit.problem import pose
from estimator.synthetic.simulation import simulate_levels
from estimator.water import light
from helpers.fits import UNLOGGED_SCALE, theta_of
from helpers.tanks import example_log, example_tank, example_truth

DKH = units.MEQ_L_PER_DKH
DAYS = 24


def dosed_log():
    """Four weeks of dosing and one water change."""
    readings = [(0.3 + 2.1 * j, "alkalinity", "tank", "alk") for j in range(11)]
    readings += [(0.8 + 5.3 * j, "calcium", "tank", "ca") for j in range(5)]
    actions = [
        (0.0, "dose_rate", "soda", 160.0),
        (0.0, "dose_rate", "chloride", 80.0),
        (9.6, "water_change", "new", 60.0),
    ]
    return example_log(readings, actions)


def test_smoothed_uptake_is_the_dense_gaussian_posterior() -> None:
    """With the non-linear parameters fixed, the smoothed uptake is plain Gaussian regression.

    The regression knows nothing of state space: its columns are what the simulator's
    Runge-Kutta answers to a unit of each unknown (start levels, new water, each day's uptake and
    unlogged calcium), and Rasmussen & Williams 2006 (Gaussian Processes for Machine Learning)
    eq. 2.11 conditions.
    """
    tank = example_tank(reactor=None)
    chloride = tank.solutions["chloride"]
    tank = replace(tank, solutions={**tank.solutions, "spare": replace(chloride, name="spare")})
    steady = {name: replace(kit, calibration_sd=0.0) for name, kit in tank.kits.items()}
    tank = replace(tank, kits=steady)
    skeleton = dosed_log()
    base = example_truth(DAYS, uptake_meq_l_d=np.full(DAYS, 0.5), kit_calibration={})
    rng = np.random.default_rng(0)
    problem = pose(skeleton, tank)
    made = problem.schedule
    times = [r.time for r in made.readings]
    is_calcium = np.array([r.parameter == "calcium" for r in made.readings])

    def levels(truth) -> np.ndarray:
        found = simulate_levels(tank, skeleton, truth, times)
        return np.where(is_calcium, found.calcium_mmol_l, found.alkalinity_meq_l)

    columns, mean, covariance = [], [], []
    centre = replace(
        base,
        start={
            "alkalinity": start.START_ALKALINITY[0],
            "calcium": start.START_CALCIUM[0],
        },
        waters={"new": dict(tank.waters["new"].levels)},
    )
    at_centre = levels(centre)
    for name, sd in (
        ("alkalinity", start.START_ALKALINITY[1]),
        ("calcium", start.START_CALCIUM[1]),
    ):
        moved = replace(centre, start={**centre.start, name: centre.start[name] + 1})
        columns.append(levels(moved) - at_centre)
        covariance.append(sd**2)
    for name, sd in (
        ("alkalinity", start.WATER_ALKALINITY_SD),
        ("calcium", start.WATER_CALCIUM_SD),
    ):
        water = centre.waters["new"]
        moved = replace(centre, waters={"new": {**water, name: water[name] + 1}})
        columns.append(levels(moved) - at_centre)
        covariance.append(sd**2)
    for day in range(DAYS):
        path = centre.uptake_meq_l_d.copy()
        path[day] += 1
        columns.append(levels(replace(centre, uptake_meq_l_d=path)) - at_centre)
    unit = base.volume_l / chloride.calcium_mmol_per_ml
    for day in range(DAYS):
        spare = [(day, "dose_rate", "spare", unit), (day + 1, "dose_rate", "spare", 0.0)]
        moved = replace(centre, unlogged=example_log([], spare).actions)
        columns.append(levels(moved) - at_centre)
    design = np.stack(columns, axis=1)
    mean = np.zeros(design.shape[1])
    drift = 0.05
    prior = np.zeros((len(mean), len(mean)))
    prior[:4, :4] = np.diag(covariance)
    # A random walk from a first day that is known but for a part.
    day = np.arange(DAYS)
    between = np.minimum.outer(day, day)
    begins = (0.5 * start.START_UPTAKE_SD) ** 2
    prior[4 : 4 + DAYS, 4 : 4 + DAYS] = begins + (0.5 * drift) ** 2 * between
    # Unlogged calcium begins with its sd, and may change as much in so many days.
    supplied = (LEAST_UNLOGGED + UNLOGGED_SCALE) * 0.5 * made.shape.uptake_scale
    prior[4 + DAYS :, 4 + DAYS :] = supplied**2 * (1 + between / UNLOGGED_DAYS)
    kit = {"alk": 0.2 * DKH, "ca": 8 / units.CA_G_MOL}
    error = np.array([kit[r.kit] ** 2 + tank.kits[r.kit].step ** 2 / 12 for r in made.readings])
    values = at_centre + rng.normal(0, np.sqrt(error))
    gram = design @ prior @ design.T + np.diag(error)
    posterior = mean + prior @ design.T @ np.linalg.solve(gram, values - at_centre)

    made.steps["value"][made.reading_step] = values
    case = SimpleNamespace(tank=tank, log=skeleton, truth=base)
    theta = theta_of(case, made, drift)
    frame = problem.frame
    normals = np.zeros((len(made.steps) + 1, made.layout.size + 1))
    path, _ = draw_path_at(theta, np.ones(len(values)), 0, frame, normals)
    edges = made.day_step[1:]
    smoothed = 0.5 * path[edges, made.layout.uptake]
    np.testing.assert_allclose(smoothed, posterior[5:][: len(smoothed)], rtol=1e-4, atol=1e-7)
    assert np.ptp(smoothed) > 1e-3


def test_two_perfect_readings_are_the_hand_method() -> None:
    """With (nearly) perfect readings and nothing added, uptake is the fall over the time.

    The keeper's hand method, the limit of the model as kit errors go to 0. Any starting guess of
    uptake and volume must give way to the readings.
    """
    tank = example_tank(reactor=None)
    kits = {"alk": replace(tank.kits["alk"], step=1e-7, repeatability=1e-7, calibration_sd=1e-7)}
    tank = replace(tank, kits={**tank.kits, **kits})
    first, last, days = 8.4 * DKH, 5.4 * DKH, 6
    log = example_log(
        [
            (0.5, "alkalinity", "tank", "alk", first),
            (0.5 + days, "alkalinity", "tank", "alk", last),
        ]
    )
    problem = pose(log, tank)
    made = problem.schedule
    table = problem.priors
    frame = problem.frame
    rng = np.random.default_rng(1)
    for _ in range(3):
        natural = table.natural(rng.standard_normal(table.size))
        theta = natural
        normals = rng.standard_normal((len(made.steps) + 1, made.layout.size + 1))
        path, _ = draw_path_at(theta, np.ones(2), 0, frame, normals)
        change = path[np.append(0, made.day_step[1:]), made.layout.uptake]
        light_part, scale = light_and_scale(theta, frame.shape)
        uptake = theta[UPTAKE] + scale * change
        # Noon to noon: half of the first day's light and half of the last's.
        share = np.ones(days + 1)
        lit = light.pulse_moments(np.array([0.5]), np.array([1.0]), tank)[0, 0]
        share[0] = (1 - light_part) * 0.5 + light_part * lit
        share[-1] = 1 - share[0]
        assert share @ uptake / days == pytest.approx((first - last) / days, rel=1e-5)
    assert made.readings[1].time - made.readings[0].time == timedelta(days=days)
