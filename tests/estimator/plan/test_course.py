"""Courses followed in tanks that are known: the rule, the rungs, the reports, and their limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg

from estimator import units
from estimator.fit.state import TankState
from estimator.inputs.tank import Target
from estimator.plan import course
from estimator.plan.belief import EFFLUENT, GIVEN, LEVEL, NET, TANK, Belief, Visit, gains
from estimator.plan.course import Courses, Rhythm, Rule, follow, prospects
from estimator.plan.futures import MOST_REPEATS, Futures
from estimator.water.supply import SupplyLaw

DKH = units.MEQ_L_PER_DKH
VOLUME, UPTAKE, MIDDLE = 600.0, 0.5, 3.0
STEP = 0.1
"""Of the kit, meq/L."""
LAW = SupplyLaw(VOLUME, 12.0, 50.0, MIDDLE)
"""At 50 L/day half of saturation is reached: 300 meq/day, all that the tank takes."""
NEVER = Rhythm((), 1, ())


def futures(
    days: int, draws: int = 1, level: float = MIDDLE, error: np.ndarray | None = None
) -> Futures:
    """Tanks without drift, each the same but for the errors (days + 1, repeats, s) of the kit."""
    ones = np.ones(draws)
    law = LAW.each(lambda part: part)._replace(
        volume_l=VOLUME * ones, saturated_meq_l=12.0 * ones, half_flow_l_d=50.0 * ones
    )
    state = TankState(law, level * ones, UPTAKE * ones, 0 * ones, 0 * ones)
    none = np.zeros((days + 1, MOST_REPEATS + 1, draws))
    return Futures(
        state=state,
        uptake_meq_l_d=np.full((days, draws), UPTAKE),
        strength=np.ones((days, draws)),
        calibration=ones,
        below_mean_d=0 * ones,
        error_meq_l=none if error is None else error,
        effluent_error_meq_l=none,
        repeatability_meq_l=0 * ones,
        kit_step_meq_l=STEP,
    )


def spread(level_sd: float, net_sd: float, given_sd: float = 0.0) -> np.ndarray:
    """(1, 3, 3), the net supply unsure by what the reactor gives, too."""
    found = np.diag([level_sd**2, net_sd**2 + given_sd**2, given_sd**2])
    found[NET, GIVEN] = found[GIVEN, NET] = given_sd**2
    return found[None]


def belief(level: float = MIDDLE, **changes) -> Belief:
    """A keeper who knows the tank."""
    stated = {
        "law": LAW,
        "level_meq_l": level,
        "uptake_meq_l_d": UPTAKE,
        "calibration": 1.0,
        "below_mean_meq_l": 0.0,
        "spread": spread(1e-3, 1e-3),
        "uptake_drift": 1e-3,
        "effluent_drift": 0.0,
        "reading_sd": 0.05,
        "aim_meq_l": MIDDLE,
    }
    return Belief(**(stated | changes))


def rule(**changes) -> Rule:
    """Near is within 0.25 of 3.0, far beyond 0.65; 60 meq/day either way by the dosing."""
    stated = {
        "near_low_meq_l": 2.75,
        "near_high_meq_l": 3.25,
        "far_low_meq_l": 2.35,
        "far_high_meq_l": 3.65,
        "raise_meq_d": 60.0,
        "lower_meq_d": -60.0,
        "raise_l_d": 0.0,
        "lower_l_d": 0.0,
    }
    return Rule(**{name: np.array([value]) for name, value in (stated | changes).items()})


def courses(**changes) -> Courses:
    """The pump at 25 L/day and the rest of the load dosed: the level stands."""
    stated = {
        "flow_l_d": np.full((1, 3), 25.0),
        "takes_meq_d": np.zeros((1, 3)),
        "dose_meq_d": np.array([100.0]),
        "rule": rule(),
        "by_pump": np.array([False]),
        "once_meq": (),
        "lift_meq": 0.0,
        "limits_l_d": (0.0, 200.0),
        "most_meq_d": 400.0,
    }
    return Courses(**(stated | changes))


def read_as(day: int, *shown: float, days: int = 10, level: float = MIDDLE) -> Futures:
    """Futures in which the titrations of a day show these, the last of them again and again."""
    error = np.zeros((days + 1, MOST_REPEATS + 1, 1))
    wanted = [*shown, *[shown[-1]] * (MOST_REPEATS + 1 - len(shown))]
    error[day, :, 0] = np.array(wanted) - level
    return futures(days, error=error, level=level)


def test_settings_that_carry_the_load_hold_the_level() -> None:
    """25 L/day of 12 · 2/3 meq/L bring 200 meq/day, 100 are dosed, 300 are taken."""
    path = follow(futures(10), courses(), NEVER, belief(), 10)
    np.testing.assert_allclose(path.level_meq_l, MIDDLE, atol=1e-12)


def test_days_are_those_of_the_supply_law() -> None:
    """Nothing dosed: the level falls as the one supply law has it, day after day."""
    path = follow(futures(6), courses(dose_meq_d=np.array([0.0])), NEVER, belief(), 6)
    level, found = MIDDLE, []
    for _ in range(6):
        level = float(LAW.advance(level, 25.0, -UPTAKE))
        found.append(level)
    np.testing.assert_allclose(path.level_meq_l[:, 0, 0], found)


@pytest.mark.parametrize(
    ("shown", "dose"),
    [(2.7, 160.0), (2.8, 100.0), (3.2, 100.0), (3.3, 40.0), (2.4, 160.0), (3.6, 40.0)],
)
def test_the_rule_acts_by_its_rows(shown: float, dose: float) -> None:
    """Below what is near 60 meq/day more, above it 60 less, within nothing; on both sides of each
    edge."""
    path = follow(read_as(3, shown), courses(), Rhythm((3,), 1, ()), belief(), 5)
    assert path.dose_meq_d[2:4, 0, 0].tolist() == [100.0, dose]


@pytest.mark.parametrize(
    ("shown", "dose"),
    [((2.75,), 100.0), ((3.25,), 40.0), ((2.25, 3.5), 160.0), ((3.75, 2.5), 100.0)],
)
def test_a_reading_on_an_edge_is_of_the_row_above_it(shown: tuple[float, ...], dose: float) -> None:
    """By a kit of steps of 0.25: 2.75 is near, 3.25 high; 2.25 is low and not repeated, 3.75 is:
    with 2.5 their mean, 3.125, is near."""
    edges = rule(far_low_meq_l=2.25, far_high_meq_l=3.75)
    coarse = read_as(3, *shown)._replace(kit_step_meq_l=0.25)
    path = follow(coarse, courses(rule=edges), Rhythm((3,), 1, ()), belief(), 5)
    assert path.dose_meq_d[3, 0, 0] == dose


def test_a_reading_that_surprises_is_repeated() -> None:
    """2.0 is far off, repeated it shows 3.0: their mean, 2.5, is acted on as low."""
    path = follow(read_as(3, 2.0, 3.0), courses(), Rhythm((3,), 1, ()), belief(), 5)
    assert path.dose_meq_d[3, 0, 0] == 160.0


def test_the_mean_of_the_repeats_counts() -> None:
    """2.6 and 3.0: 2.8 is near; each alone would not be."""
    path = follow(read_as(3, 2.6, 3.0), courses(), Rhythm((3,), 2, ()), belief(), 5)
    assert path.dose_meq_d[3, 0, 0] == 100.0


def test_what_surprises_twice_calls_for_a_report() -> None:
    """2.0 and 2.0 again: settings are made from what is believed, which takes the tests in."""
    unsure = belief(spread=spread(0.5, 0.2))
    path = follow(read_as(3, 2.0), courses(), Rhythm((3,), 1, ()), unsure, 5)
    assert path.dose_meq_d[3, 0, 0] > 160.0


def test_the_pump_goes_one_rung_on_where_the_reading_is_near() -> None:
    """25, 35, 50 L/day, less dosed for each: near goes on, high and low stay."""
    ladder = {
        "flow_l_d": np.array([[25.0, 35.0, 50.0]]),
        "takes_meq_d": np.array([[0.0, 47.0, 53.0]]),
    }
    rhythm = Rhythm((2,), 1, ())
    for shown, flow, dose in ((3.0, 35.0, 53.0), (3.3, 25.0, 40.0), (2.7, 25.0, 160.0)):
        path = follow(read_as(2, shown), courses(**ladder), rhythm, belief(), 4)
        assert path.flow_l_d[2, 0, 0] == flow
        assert path.dose_meq_d[2, 0, 0] == pytest.approx(dose)


def test_what_cannot_be_taken_from_the_dosing_is_dropped() -> None:
    """30 meq/day are dosed: a high reading ends that, and leaves the pump alone."""
    path = follow(
        read_as(3, 3.6),
        courses(dose_meq_d=np.array([30.0])),
        Rhythm((3,), 1, ()),
        belief(level=2.9),
        5,
    )
    assert path.dose_meq_d[3, 0, 0] == 0.0
    assert path.flow_l_d[3, 0, 0] == 25.0


def test_a_report_replaces_the_additions_that_are_open() -> None:
    """60 meq into 600 L a day for five days, and a report on the second that finds nothing low."""
    of = {"once_meq": (60.0,) * 5, "by_pump": np.array([True]), "flow_l_d": np.full((1, 3), 50.0)}
    still = courses(**of, dose_meq_d=np.array([0.0]), lift_meq=60.0)
    reported = follow(futures(5), still, Rhythm((), 1, (1,)), belief(), 5).level_meq_l[:, 0, 0]
    alone = follow(futures(5), still, NEVER, belief(), 5).level_meq_l[:, 0, 0]
    assert reported[0] == alone[0]
    assert np.all(np.diff(reported) < 0.02)
    assert np.all(np.diff(alone) > 0.05)


def test_additions_come_on_their_days() -> None:
    """60 meq into 600 L on the first two days: 0.1 meq/L each."""
    path = follow(futures(4), courses(once_meq=(60.0, 60.0)), NEVER, belief(), 4)
    kappa = float(LAW.rates(25.0)[1])
    first = MIDDLE + 0.1 * np.exp(-kappa)
    assert path.level_meq_l[0, 0, 0] == pytest.approx(first)
    second = MIDDLE + (first - MIDDLE + 0.1) * np.exp(-kappa)
    assert path.level_meq_l[1, 0, 0] == pytest.approx(second)


def test_reports_settle_the_pump_at_the_needed_flow() -> None:
    """With perfect readings and no drift, from a level and a flow that are both off."""
    start = courses(
        flow_l_d=np.full((1, 3), 30.0), dose_meq_d=np.zeros(1), by_pump=np.array([True])
    )
    every = Rhythm((), 1, tuple(range(2, 120, 2)))
    tank = futures(120, level=2.6)._replace(kit_step_meq_l=1e-6)
    known = belief(level=2.6, spread=spread(0.1, 0.1), reading_sd=1e-4)
    path = follow(tank, start, every, known, 120)
    assert path.flow_l_d[-1, 0, 0] == pytest.approx(float(LAW.flow_for(300.0)), rel=0.002)
    assert path.level_meq_l[-1, 0, 0] == pytest.approx(MIDDLE, abs=0.002)


@pytest.mark.parametrize(
    ("level", "dosed", "dose", "way"), [(4.2, 60.0, 0.0, -1.0), (2.4, 100.0, 120.0, 0.0)]
)
def test_where_the_dosing_ends_a_report_may_lower_the_pump_but_not_raise_it(
    level: float, dosed: float, dose: float, way: float
) -> None:
    """1.2 meq/L too high with 60 meq/day dosed: none is, and the pump goes down as well. 0.6 too
    low with 120 at most: that, and the pump stays."""
    start = courses(dose_meq_d=np.array([dosed]), most_meq_d=120.0)
    path = follow(futures(3, level=level), start, Rhythm((), 1, (0,)), belief(level), 3)
    assert path.dose_meq_d[0, 0, 0] == dose
    assert np.sign(path.flow_l_d[0, 0, 0] - 25.0) == way


@pytest.mark.parametrize(("repeats", "believed"), [(1, 3.45), (4, 3.375)])
def test_a_wild_reading_moves_what_is_believed_by_three_errors(
    repeats: int, believed: float
) -> None:
    """An error of 0.05 and a level known to 0.1: 9 meq/L counts as 0.45 too much, and the mean of
    four, whose error is half, as 0.375, where a reading is taken for all there is."""
    known = belief(spread=spread(0.1, 1e-3), reading_sd=0.05)
    tank = course._Tank(futures(1), courses(), known)
    tank.learn(np.full((1, 1), 9.0), np.array([[1.0, 0.0, 0.0]]), Visit(0, TANK, repeats))
    assert tank.believed[0, 0] == pytest.approx(believed)


def test_the_rule_alone_settles_within_its_near_row() -> None:
    """The pump a tenth short, tested every second day: the level ends between the rule's edges,
    and the pump at most one change from what is needed."""
    start = courses(
        flow_l_d=np.full((1, 3), 45.0),
        dose_meq_d=np.zeros(1),
        rule=rule(raise_meq_d=0.0, lower_meq_d=0.0, raise_l_d=2.0, lower_l_d=-2.0),
        by_pump=np.array([True]),
    )
    path = follow(futures(200), start, Rhythm(tuple(range(2, 200, 2)), 1, ()), belief(), 200)
    last = path.level_meq_l[-40:, 0, 0]
    assert np.all((last > 2.7) & (last < 3.3))
    assert np.all(np.abs(path.flow_l_d[-40:, 0, 0] - 50.0) <= 6.0)


def test_gains_are_those_of_the_riccati_equation() -> None:
    """Tested daily, the gains settle at those of the steady Kalman filter (scipy's solver of the
    discrete algebraic Riccati equation)."""
    drift, noise = 0.03, 0.08
    known = belief(spread=spread(0.2, 0.1), uptake_drift=drift, reading_sd=noise)
    visits = [Visit(day, TANK, 1) for day in range(1, 200)]
    found = gains(known, visits, np.array([50.0]), 200)[-1][0, :GIVEN]
    move, look = np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([[1.0], [0.0]])
    p = linalg.solve_discrete_are(move.T, look, np.diag([0.0, drift**2]), np.array([[noise**2]]))
    np.testing.assert_allclose(found, p[:, 0] / (p[0, 0] + noise**2), rtol=1e-6)


def test_gains_of_three_states_are_those_of_the_riccati_equation() -> None:
    """The same where the effluent is tested each day, too: 50 L/day of 12 meq/L into 600 L, half of
    saturation, are 0.5 meq/L/day, and a titration of 0.08 tells 0.0067 of it."""
    drift, weaker, noise = 0.03, 0.02, 0.08
    known = belief(
        spread=spread(0.2, 0.1, 0.1), uptake_drift=drift, effluent_drift=weaker, reading_sd=noise
    )
    visits = [Visit(day, of, 1) for day in range(1, 300) for of in (EFFLUENT, TANK)]
    found = [one[0] for one in gains(known, visits, np.array([50.0]), 300)[-2:]]
    move = np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    look = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
    less = (weaker * 0.5) ** 2
    change = np.array([[0, 0, 0], [0, drift**2 + less, less], [0, less, less]])
    error = np.diag([(noise * 50 / VOLUME) ** 2, noise**2])
    p = linalg.solve_discrete_are(move.T, look.T, change, error)
    # One test after the other: the tank's is read with what the effluent's has told.
    effluent = p[:, GIVEN] / (p[GIVEN, GIVEN] + error[0, 0])
    np.testing.assert_allclose(found[0], effluent, rtol=1e-5)
    p = p - np.outer(effluent, p[GIVEN])
    tank = p[:, LEVEL] / (p[LEVEL, LEVEL] + error[1, 1])
    np.testing.assert_allclose(found[1], tank, rtol=1e-5)


@pytest.mark.parametrize("tested", [False, True])
def test_a_report_heeds_what_its_effluent_test_reads(tested: bool) -> None:
    """A reactor that gave 300 meq/day lost a quarter yesterday. The tank has hardly fallen yet, and
    the report makes good that fall; the effluent tells all of it, and the report raises the pump by
    what a quarter of the load asks for, as far as one report may."""
    tank = futures(6)._replace(strength=np.full((6, 1), 0.75), kit_step_meq_l=1e-6)
    known = belief(spread=spread(1e-3, 1e-3, 0.2), reading_sd=0.01)
    course = courses(
        flow_l_d=np.full((1, 3), 50.0),
        dose_meq_d=np.zeros(1),
        by_pump=np.array([True]),
        limits_l_d=(0.0, 500.0),
        most_meq_d=0.0,
    )
    path = follow(tank, course, Rhythm((), 1, (1,), tested), known, 3)
    raised = path.flow_l_d[-1, 0, 0] - 50.0
    # 75 meq/day lacking, and what the level lost meanwhile within four days; 3 meq in a litre more.
    wanted = (75.0 + VOLUME * 0.125 / 4) / 3.0
    assert raised == pytest.approx(
        25.0 if tested else VOLUME * 0.12 / 4 / 3.0, rel=0.5 - 0.4 * tested
    )
    assert wanted > 25.0


def test_a_kit_that_reads_twice_the_level_with_twice_the_error_tells_as_much() -> None:
    """The error of the level is that of the reading over the calibration."""
    visits, flow = [Visit(1, TANK, 1), Visit(3, TANK, 1)], np.array([50.0])
    known = belief(spread=spread(0.2, 1e-3))
    one, twice = (
        gains(known._replace(calibration=by, reading_sd=0.08 * by), visits, flow, 5)
        for by in (1.0, 2.0)
    )
    np.testing.assert_allclose(twice, one)
    assert one[0][0, LEVEL] == pytest.approx(0.2**2 / (0.2**2 + 0.08**2), rel=1e-3)


def test_the_time_of_a_report_can_be_the_best_there_is(monkeypatch) -> None:
    """Without self-regulation the level is an integrator: x' = x + u, cost Σ x² + 12 u². Of all
    times that a report could aim in, the one of least cost is one over the gain of the linear
    quadratic regulator (scipy's Riccati solver), K = 0.25."""
    weight = 12.0
    one = np.eye(1)
    p = linalg.solve_discrete_are(one, one, one, weight * one)
    best = float(1 / (p / (weight + p))[0, 0])
    assert best == pytest.approx(4.0)
    flat = LAW._replace(half_flow_l_d=1e9)
    tank = futures(80, level=2.8)._replace(kit_step_meq_l=1e-9)
    tank = tank._replace(
        state=TankState(
            tank.state.law._replace(half_flow_l_d=np.array([1e9])),
            *(np.array([v]) for v in (2.8, UPTAKE, 0.0, 0.0)),
        )
    )
    start = courses(flow_l_d=np.zeros((1, 3)), dose_meq_d=np.array([300.0]), most_meq_d=1e4)
    times = np.arange(2.0, 8.0, 0.25)
    cost = []
    for days in times:
        monkeypatch.setattr(course, "REPORT_DAYS", days)
        known = belief(level=2.8, law=flat)
        path = follow(tank, start, Rhythm((), 1, tuple(range(80))), known, 80)
        level = np.concatenate([[2.8], path.level_meq_l[:-1, 0, 0]]) - MIDDLE
        moved = path.dose_meq_d[:, 0, 0] / VOLUME - UPTAKE
        cost.append(np.sum(level**2 + weight * moved**2))
    assert times[int(np.argmin(cost))] == pytest.approx(best, abs=0.26)


@settings(max_examples=60, deadline=None)
@given(
    shown=st.lists(st.floats(0.0, 12.0), min_size=12, max_size=12),
    by_pump=st.booleans(),
    rungs=st.booleans(),
)
def test_no_sequence_of_readings_passes_the_limits(shown, by_pump, rungs) -> None:
    """Whatever the kit shows, pump and dosing stay within their limits."""
    days = 12
    error = np.zeros((days + 1, MOST_REPEATS + 1, 1))
    error[:days, :, 0] = np.array(shown)[:, None] - MIDDLE
    ladder = np.array([[25.0, 40.0, 55.0]]) if rungs else np.full((1, 3), 25.0)
    start = courses(
        flow_l_d=ladder,
        takes_meq_d=np.array([[0.0, 60.0, 40.0]]) * rungs,
        rule=rule(raise_l_d=5.0 * by_pump, lower_l_d=-5.0 * by_pump),
        by_pump=np.array([by_pump]),
        lift_meq=100.0,
        limits_l_d=(10.0, 60.0),
        most_meq_d=350.0,
    )
    rhythm = Rhythm((1, 2, 3, 5, 6, 8, 9), 2, (4, 7, 10))
    path = follow(futures(days, error=error), start, rhythm, belief(), days)
    assert np.all((path.flow_l_d >= 10.0) & (path.flow_l_d <= 60.0))
    assert np.all((path.dose_meq_d >= 0.0) & (path.dose_meq_d <= 350.0))
    assert np.all(np.isfinite(path.level_meq_l))


def test_prospects_count_days_as_they_are_and_as_they_read() -> None:
    """Two futures of three days, one of them out on one day; the rise is that of daily means, from
    the level at the start on."""
    level = np.array([[[3.0, 3.0]], [[3.1, 3.5]], [[3.2, 3.2]]])
    shown = np.array([[[3.0, 3.4]], [[3.0, 3.0]], [[3.3, 3.0]]])
    path = course.Followed(level, shown, level, level)
    found = prospects(path, np.array([2.6, 2.9]), Target(2.7, 3.3, "meq/L"))
    assert found.all_days.tolist() == [0.5]
    assert found.good_days == pytest.approx([5 / 6])
    assert found.all_days_as_kit_reads.tolist() == [0.5]
    assert found.good_days_as_kit_reads == pytest.approx([5 / 6])
    np.testing.assert_allclose(found.largest_rise_meq_l_d, [[0.4, 0.5]])
