"""The rule of the retests, followed in tanks simple enough to be worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.fit.state import TankState
from estimator.inputs.tank import Target
from estimator.plan.controller import Followed, Plans, Rule, chances, follow_plans
from estimator.plan.futures import Futures
from estimator.water.supply import SupplyLaw

DKH = units.MEQ_L_PER_DKH


def tank_of(
    volume_l: float,
    increment_meq_l: float,
    uptake_meq_l_d: float,
    middle_meq_l: float = 8.0,
) -> TankState:
    """One tank whose effluent is saturated at any flow; nothing drifts."""
    one, nothing = np.ones(1), np.zeros(1)
    return TankState(
        law=SupplyLaw(
            volume_l=volume_l * one,
            saturated_meq_l=increment_meq_l * one,
            half_flow_l_d=1e12 * one,
            middle_meq_l=middle_meq_l,
            strength=one,
            level_response_per_d=nothing,
        ),
        level_meq_l=middle_meq_l * one,
        uptake_meq_l_d=uptake_meq_l_d * one,
        uptake_drift_meq_l_d=nothing,
        effluent_drift=nothing,
    )


def still(tank: TankState, level: float, days: int) -> Futures:
    """Nothing drifts, and the kit shows the truth."""
    return Futures(
        state=replace(tank, level_meq_l=np.array([level])),
        uptake_meq_l_d=np.repeat(tank.uptake_meq_l_d[None], days, axis=0),
        strength=np.repeat(tank.law.strength[None], days, axis=0),
        calibration=np.ones(1),
        error_meq_l=np.zeros((days + 1, 1)),
        kit_step_meq_l=1e-9,
    )


def large_tank() -> TankState:
    """So large that a day hardly moves it: the rise of a day tells the settings."""
    return tank_of(1e6, 1000.0, 0.0)


def one_plan(
    retests: tuple[int, ...] = (1,), gains: tuple[float, float] = (400.0, 100.0), **changes: object
) -> Plans:
    """Pump 1, 2, 3 L/day, each taking over 1000 meq/day; dosing 2500.

    Aims at 8, waits at 7.01 and 9; gains are Kp and Ki T.
    """
    plan = Plans(
        flow_l_d=np.array([[0.0, 1.0, 2.0, 3.0]]),
        takes_meq_d=np.array([[0.0, 0.0, 1000.0, 1000.0]]),
        last=np.array([3]),
        dose_meq_d=np.array([2500.0]),
        rule=Rule(
            setpoint_meq_l=np.array([8.0]),
            clamp_meq_l=np.array([2.0]),
            proportional_l_d=np.array([gains[0]]),
            integral_l_d=np.array([gains[1]]),
            hold_above_meq_l=np.array([9.0]),
            hold_below_meq_l=np.array([7.01]),
            began_meq_l=np.array([8.0]),
        ),
        extra_l_d=0.5,
        extra_meq_d=500.0,
        retest_days=retests,
        meq_per_l=1000.0,
        limits_l_d=(0.0, 4.0),
        most_meq_d=5000.0,
    )
    return plan._replace(**changes)


def settings(found: Followed, day: int, tank: TankState) -> tuple[float, float]:
    """Flow (from the level's rise) and dosing of a day."""
    levels = found.level_meq_l[:, 0, 0]
    dose = float(found.dose_meq_d[day, 0, 0])
    rise = float(levels[day] - levels[day - 1]) * 1e6 - dose
    return rise / float(tank.law.saturated_meq_l[0]), dose


def test_known_tank_follows_the_stirred_tank() -> None:
    """V 250 L, F 25 L/day, A_e 28, U 2, A_0 7: 7.0952, 7.2592, 7.5034 dKH on days 1, 3, 7.

    The balance of a stirred tank, A_∞ = A_e − UV/F = 8, A = A_∞ + (A_0 − A_∞)e^(−Ft/V) (Levenspiel,
    Chemical Reaction Engineering; worked by hand).
    """
    tank = tank_of(250.0, 20.0 * DKH, 2.0 * DKH, middle_meq_l=8.0 * DKH)
    plans = one_plan((), flow_l_d=np.full((1, 4), 25.0), dose_meq_d=np.zeros(1))
    levels = follow_plans(still(tank, 7.0 * DKH, 7), plans, 7).level_meq_l
    assert levels[[0, 2, 6], 0, 0] / DKH == pytest.approx([7.0952, 7.2592, 7.5034], abs=5e-5)


@pytest.mark.parametrize(
    ("level", "flow", "dose"),
    [
        (8.0, 2.0, 1500.0),  # goes on, and the row is taken over
        (7.5, 2.0, 1500.0 + 50 + 200),  # half a meq/L low, and as much fallen since 8
        (9.0, 1.0, 2500.0 - 100 - 400),  # waits high: nothing is taken over
        (7.0, 1.0, 2500.0 + 100 + 400),  # waits low
        (5.0, 1.0, 2500.0 + 200 + 800),  # counts as 6
    ],
)
def test_the_rule_at_one_retest(level: float, flow: float, dose: float) -> None:
    """Pump and dosing after a reading of `level`, the last one having been 8."""
    tank = large_tank()
    found = follow_plans(still(tank, level, 2), one_plan(), 2)
    assert settings(found, 1, tank) == pytest.approx((flow, dose), rel=0.01)


def test_what_the_dosing_cannot_lose_the_pump_does() -> None:
    """300 of dosing, 1000 taken over: the missing 700 are 0.7 L/day of the pump's 2."""
    tank = large_tank()
    found = follow_plans(still(tank, 8.0, 2), one_plan(dose_meq_d=np.array([300.0])), 2)
    assert settings(found, 1, tank) == pytest.approx((1.3, 0.0), abs=0.02)


def test_past_the_ladder_the_pump_takes_over_what_is_left() -> None:
    """From the last row: half a litre more takes over 500, up to the highest flow of 4 L/day."""
    tank = large_tank()
    last = one_plan((1, 2, 3), flow_l_d=np.array([[0.0, 3.0]]), takes_meq_d=np.zeros((1, 2)))
    found = follow_plans(still(tank, 8.0, 4), last._replace(last=np.array([1])), 4)
    told = [settings(found, day, tank) for day in (1, 2, 3)]
    # The level rises by 0.003 to 0.006 a day: a few meq/day less each time.
    for (flow, dose), expected in zip(told, [(3.5, 2000), (4.0, 1500), (4.0, 1500)], strict=True):
        assert flow == pytest.approx(expected[0], abs=0.02)
        assert dose == pytest.approx(expected[1], abs=12)


def test_without_solutions_the_pump_alone_steers() -> None:
    """7.5 after 8: 250 meq/day more, a quarter of a litre; and the ladder goes on, as it rises."""
    tank = large_tank()
    bare = one_plan(most_meq_d=0.0, dose_meq_d=np.zeros(1), takes_meq_d=np.zeros((1, 4)))
    found = follow_plans(still(tank, 7.5, 2), bare, 2)
    assert settings(found, 1, tank) == pytest.approx((2.25, 0.0), abs=0.02)


def test_a_falling_ladder_waits_low_only() -> None:
    """A pump on its way down waits at 7 and goes on at 9."""
    tank = large_tank()
    falls = one_plan(flow_l_d=np.array([[4.0, 3.0, 2.0, 1.0]]), takes_meq_d=np.zeros((1, 4)))
    for level, flow in ((9.0, 2.0), (7.0, 3.0)):
        found = follow_plans(still(tank, level, 2), falls, 2)
        assert settings(found, 1, tank)[0] == pytest.approx(flow, abs=0.02)


def test_after_the_last_row_both_thresholds_hold_the_pump() -> None:
    """Also on a ladder that came down, with dosing left: at 9 and at 7 nothing is taken over."""
    tank = large_tank()
    ladder = np.array([[4.0, 1.0]])
    for level, flow in ((8.0, 1.5), (9.0, 1.0), (7.0, 1.0)):
        plans = one_plan(flow_l_d=ladder, takes_meq_d=np.zeros((1, 2)), last=np.array([1]))
        found = follow_plans(still(tank, level, 2), plans, 2)
        assert settings(found, 1, tank)[0] == pytest.approx(flow, abs=0.02)


def test_the_rule_is_stable_and_leaves_no_offset() -> None:
    """100 L whose load is 20 % more than thought: back at 8 meq/L within five weeks.

    A departure of supply d settles without offset (integral action), and its peak is about
    0.6 d τ at this damping: 0.2 × 2.5 × 0.6 = 0.3 meq/L.
    """
    tank = tank_of(100.0, 20.0, 1.2)
    plans = one_plan(
        tuple(range(1, 40)), (100 / 2.5, 100 / 2.5 / 7.5), flow_l_d=np.zeros((1, 2)),
        takes_meq_d=np.zeros((1, 2)), last=np.array([1]), dose_meq_d=np.array([100.0]),
        limits_l_d=(0.0, 0.0),
    )  # fmt: skip
    levels = follow_plans(still(tank, 8.0, 40), plans, 40).level_meq_l[:, 0, 0]
    assert levels.min() == pytest.approx(8.0 - 0.3, abs=0.1)
    assert levels[35:] == pytest.approx(np.full(5, 8.0), abs=0.02)


def test_change_by_two_readings() -> None:
    """Worked by hand: 10 (8 − 7.5) + 50 (7.8 − 7.5) = 20; a reading of 6 counts as 7, one of 10 as
    9: 10 (8 − 7) + 50 (9 − 7) = 110."""
    rule = one_plan().rule._replace(
        setpoint_meq_l=np.array([8.0]),
        clamp_meq_l=np.array([1.0]),
        integral_l_d=np.array([10.0]),
        proportional_l_d=np.array([50.0]),
    )
    assert rule.change_meq_d(7.8, 7.5) == pytest.approx(20.0)
    assert rule.change_meq_d(10.0, 6.0) == pytest.approx(110.0)
    assert rule.change_meq_d(8.0, 8.0) == 0.0


def test_chances_count_band_and_rise() -> None:
    """Out of the band once, or one rise above the limit, spoils a draw; days not judged do not."""
    band = Target(7.0, 9.0, "meq/L")
    levels = np.array([[8.0, 8.0, 8.9], [8.3, 9.1, 8.9], [8.3, 8.0, 6.0]])[:, None, :]
    start = np.array([8.0, 8.0, 8.0])

    def chance(rise: float, days: int, correction: int = 0, begun: float = 8.0) -> tuple[Any, ...]:
        return chances(levels, 0 * start + begun, band, rise, correction, np.array([days]))

    whole, share = chance(1.5, 3)
    assert whole == pytest.approx([1 / 3])
    assert share == pytest.approx([7 / 9])
    assert chance(1.5, 2)[0] == pytest.approx([2 / 3])
    assert chance(1.5, 1)[0] == pytest.approx([1.0])
    assert chance(0.5, 1)[0] == pytest.approx([2 / 3])
    # Started above: the day of correction that is still above does not count against it.
    assert chance(1.5, 3, correction=3, begun=9.5)[0] == pytest.approx([2 / 3])
