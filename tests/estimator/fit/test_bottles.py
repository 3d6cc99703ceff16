"""The bottle in use: which it is, when it may have shifted, how a shift shows in its readings."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator import units
from estimator.fit.bottles import wander_of
from estimator.fit.jumps import KIT
from estimator.fit.kalman import forward
from estimator.fit.layout import STEP
from estimator.fit.likelihood import draw_path_at, system_at
from estimator.fit.posterior import describe
from estimator.fit.problem import Problem, pose
from estimator.fit.schedule import build_schedule
from estimator.fit.states import day_states
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
MIDDLE = 8.2 * DKH


def two_kits() -> dict:
    """The example tank's kits, and a second one for alkalinity."""
    kits = example_tank().kits
    return {**kits, "other": replace(kits["alk"], name="other")}


READINGS = [
    (0.5, "alkalinity", "tank", "alk", 2.8),
    (1.5, "alkalinity", "tank", "other", 2.9),
    (2.5, "alkalinity", "tank", "alk", 3.0),
    (2.6, "alkalinity", "effluent", "alk", 9.0),
    (2.7, "alkalinity", "reference", "alk", 2.5, "standard"),
    (2.8, "calcium", "tank", "ca", 10.5),
    (3.5, "alkalinity", "effluent", "other", 9.5),
    (4.5, "alkalinity", "effluent", "alk", 10.0),
    (5.5, "alkalinity", "tank", "alk", 3.1),
]
"""What is read, meq/L; by the kit "alk" last."""
FLOW = [(0.2, "flow", "", 2400.0)]


def posed(readings=READINGS, actions=()) -> Problem:
    return pose(example_log(readings, [*FLOW, *actions]), example_tank(kits=two_kits()))


def test_a_shift_shows_by_what_was_read_last() -> None:
    """Each reading of the bottle takes the shift times the reading of its water before it, whoever
    read that; the first one times the middle of the band, or the usual effluent; other kits and
    other parameters take none."""
    problem = posed()
    schedule = problem.schedule
    theta = problem.priors.natural(np.zeros(problem.priors.size))
    system = system_at(theta, np.zeros(len(READINGS), dtype=int), 0, problem.frame)
    shown = system.loading[schedule.reading_step, schedule.layout.kit_shift]
    usual = MIDDLE + (9.5 - MIDDLE)
    np.testing.assert_allclose(shown, [MIDDLE, 0, 2.9, usual, 7.0 * DKH, 0, 0, 9.5, 3.0])


def test_a_reading_that_is_only_imagined_shows_nothing_to_the_next() -> None:
    """Readings to come stand in the schedule with a value of 0."""
    ahead = [(6.5, "alkalinity", "tank", "alk", 0.0), (7.5, "alkalinity", "tank", "alk", 0.0)]
    steps = posed([*READINGS, *ahead]).schedule.steps
    assert steps["shown_meq_l"][steps["shown_meq_l"] > 0][-2:] == pytest.approx([3.1, 3.1])


def test_a_reading_at_the_time_of_a_new_bottle_is_of_that_bottle() -> None:
    """A keeper who writes both with one time, or with a date alone, has opened it to test."""
    made = posed(actions=[(2.5, "new_bottle", "alk")]).schedule
    of = [made.bottles[made.steps["bottle"][at]] for at in made.reading_step[[0, 2, 3]]]
    assert of == [("alk", 0), ("alk", 1), ("alk", 1)]


def test_the_bottle_in_use_is_the_last_of_the_kit_that_read_the_tank_last() -> None:
    """Whatever else that kit, or another, read since; without such a reading there is no state."""
    assert posed().schedule.kit_in_use == "alk"
    made = posed(READINGS[:2]).schedule
    assert (made.kit_in_use, made.bottles[made.bottle_in_use]) == ("other", ("other", 0))
    made = posed(actions=[(2.0, "new_bottle", "alk")]).schedule
    assert made.bottles[made.bottle_in_use] == ("alk", 1)
    calcium = [(j + 0.5, "calcium", "tank", "ca", 10.5) for j in range(4)]
    none = build_schedule(example_log(calcium), example_tank())
    assert (none.bottle_in_use, none.kit_in_use, none.layout.kit_shift) == (-1, "", -1)
    assert not np.any(none.steps["shown_meq_l"])


def test_a_bottle_may_shift_between_its_readings_alone() -> None:
    """Before its first reading it has not been read, after its last nothing would tell."""
    table = posed().frame.jumps
    assert table.day[table.kind == KIT].tolist() == [1, 2, 3, 4, 5]
    table = posed(actions=[(2.0, "new_bottle", "alk")]).frame.jumps
    assert table.day[table.kind == KIT].tolist() == [3, 4, 5]
    table = posed(READINGS[:2]).frame.jumps
    assert not np.any(table.kind == KIT)


def shifted(delta: float) -> Problem:
    """Twenty days of tank and effluent; from the tenth midnight on the kit reads δ more."""
    rng = np.random.default_rng(1)
    readings = []
    for j in range(20):
        factor = 1 + delta * (j >= 10)
        error = 0.02 * rng.standard_normal(2)
        readings.append((j + 0.4, "alkalinity", "tank", "alk", factor * MIDDLE + error[0]))
        if j % 2:
            readings.append((j + 0.5, "alkalinity", "effluent", "alk", factor * 10 + error[1]))
    return pose(example_log(readings, FLOW), example_tank())


@pytest.mark.parametrize("delta", [0.06, -0.06])
def test_the_filter_finds_the_shift(delta: float) -> None:
    """Given that the kit shifted that night, by how much: the state ends there.

    The calibration of now has it, that of the prior median has it not; without a jump the state
    only wanders, not half as far.
    """
    problem = shifted(delta)
    theta = problem.priors.natural(np.zeros(problem.priors.size))
    # A level that is held, so that the night's fall or rise is the kit's.
    theta[2] = 0.5
    classes = np.zeros(len(problem.schedule.readings), dtype=int)
    place, jumps = problem.schedule.layout.kit_shift, problem.frame.jumps
    at = int(np.flatnonzero((jumps.kind == KIT) & (jumps.day == 10))[0])
    filtered = forward(system_at(theta, classes, at, problem.frame))
    sd = np.sqrt(filtered.covariance[-1, place, place])
    assert sd < 0.025
    assert abs(filtered.mean[-1, place] - delta) < 3 * sd
    still = forward(system_at(theta, classes, 0, problem.frame))
    assert abs(still.mean[-1, place]) < 0.5 * abs(delta)
    shape = (len(problem.frame.steps) + 1, problem.frame.shape.size + 1)
    path, expected = draw_path_at(theta, np.ones(len(classes)), at, problem.frame, np.zeros(shape))
    states = day_states(problem.schedule, path[None])
    posterior = describe(problem, theta[None], np.array([at]), states, 1)
    (now,) = posterior.kit_calibration["alk", 0]
    assert now == pytest.approx(1 + filtered.mean[-1, place])
    residual = [r.value for r in problem.schedule.readings] - expected
    assert np.abs(residual).max() < 0.4


def test_a_new_bottle_ends_the_doubt_of_the_old_one() -> None:
    """Its calibration is as the parameter has it; only the bottle in use carries the shift."""
    problem = posed(actions=[(2.0, "new_bottle", "alk")])
    theta = problem.priors.natural(np.zeros(problem.priors.size))
    steps = np.zeros((1, len(problem.frame.steps), problem.frame.shape.size))
    steps[:, :, problem.schedule.layout.kit_shift] = 0.04
    states = day_states(problem.schedule, steps)
    found = describe(problem, theta[None], np.zeros(1, dtype=int), states, 1).kit_calibration
    assert {pair: float(draws[0]) for pair, draws in found.items()} == pytest.approx(
        {("alk", 0): 1.0, ("alk", 1): 1.04, ("ca", 0): 1.0, ("other", 0): 1.0}
    )


def test_days_count_from_the_log(everything) -> None:
    """A jump of the kit stands on the midnight of its day, as the others do."""
    problem = pose(everything.log, everything.tank)
    table, schedule = problem.frame.jumps, problem.schedule
    chosen = table.kind == KIT
    assert chosen.any()
    np.testing.assert_allclose(schedule.step_time_d[table.step[chosen]], table.day[chosen])
    first = schedule.origin + timedelta(days=int(table.day[chosen].min()))
    last = schedule.bottles[schedule.bottle_in_use]
    opened = [a.time for a in everything.log.actions if (a.kind, a.of) == ("new_bottle", last[0])]
    assert first > opened[last[1] - 1]


def test_a_bottles_calibration_wanders_from_its_first_reading_on() -> None:
    """By half of its sd in a month: 2.5 % where 5 % is stated or nothing, none where 0 % is."""
    steps = np.zeros(62, STEP)
    steps["drift_d"] = 1.0
    steps["shown_meq_l"][[1, 20, 40]] = 2.9
    usual = wander_of(steps, None)
    assert usual[0] == 0.0
    assert np.sqrt(usual[1:31].sum()) == pytest.approx(0.025)
    np.testing.assert_array_equal(usual, wander_of(steps, 0.05))
    assert np.sqrt(wander_of(steps, 0.02)[1:31].sum()) == pytest.approx(0.01)
    assert not wander_of(steps, 0.0).any()
    steps["shown_meq_l"] = 0.0
    assert not wander_of(steps, None).any()
