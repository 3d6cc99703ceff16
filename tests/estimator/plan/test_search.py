"""The search: rhythms within the minutes, rows between the kit's figures, gains left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator import units
from estimator.fit.state import TankState
from estimator.inputs.tank import Reactor, Target
from estimator.plan import search as searching
from estimator.plan.course import Belief
from estimator.plan.futures import MOST_REPEATS, Futures
from estimator.plan.means import Means
from estimator.plan.search import AHEAD_DAYS, Task, courses_of, minutes_a_week, rhythms, search
from estimator.water.supply import SupplyLaw

DKH = units.MEQ_L_PER_DKH
VOLUME, UPTAKE, DRAWS = 600.0, 0.5, 200
BAND = Target(7.6 * DKH, 8.8 * DKH, "dKH", 0.5 * DKH)
LAW = SupplyLaw(VOLUME, 12.0, 50.0, BAND.middle)
"""50 L/day bring the 300 meq/day that the tank takes."""


def means(**changes) -> Means:
    stated = {
        "pump": Reactor(60.0, 6000.0, 10.0),
        "reactor": True,
        "present_l_d": 50.0,
        "present_ml_d": {"soda": 0.0},
        "present_meq_d": 0.0,
        "ml_per_meq": {"soda": 1 / 1.9},
        "calcium_extra_ml_d": {},
        "pauses": (),
        "once": "soda",
        "meq_per_ml": 1.9,
        "rise_meq_l_d": 0.5 * DKH,
        "rise_stated": True,
        "replaced": frozenset({"soda"}),
    }
    return Means(**(stated | changes))


def task(level: float = BAND.middle, **changes) -> Task:
    """A running reactor that carries the load; six minutes a test."""
    of = {name: changes.pop(name) for name in list(changes) if name in Means.__dataclass_fields__}
    none = np.zeros(1)
    belief = Belief(LAW, level, UPTAKE, 1.0, 0.0, none, none, none, 0.01, 0.08, BAND.middle)
    stated = {
        "means": means(**of),
        "belief": belief,
        "band": BAND,
        "flows_l_d": (50.0,),
        "ladder_to_l_d": None,
        "first_only": False,
        "highest_l_d": 144.0,
        "doses": False,
        "minutes": 6.0,
        "minutes_per_week": 30.0,
        "report_days": (7,),
    }
    return Task(**(stated | changes))


def futures(level: float = BAND.middle, wander: float = 0.02, step: float = 0.1) -> Futures:
    """Tanks whose uptake walks and whose kit scatters by 0.08 meq/L."""
    rng, ones = np.random.default_rng(1), np.ones(DRAWS)
    law = LAW._replace(volume_l=VOLUME * ones, half_flow_l_d=50 * ones, saturated_meq_l=12 * ones)
    days = AHEAD_DAYS
    walk = wander * UPTAKE * np.cumsum(rng.standard_normal((days, DRAWS)), axis=0)
    return Futures(
        state=TankState(law, level * ones, UPTAKE * ones, wander * UPTAKE * ones, 0 * ones),
        uptake_meq_l_d=UPTAKE + walk,
        strength=np.ones((days, DRAWS)),
        calibration=ones,
        below_mean_d=0 * ones,
        error_meq_l=0.08 * rng.standard_normal((days + 1, MOST_REPEATS + 1, DRAWS)),
        repeatability_meq_l=0.08 * ones,
        kit_step_meq_l=step,
    )


@pytest.mark.parametrize("minutes", [0.0, 6.0, 12.0, 13.0, 30.0])
def test_no_rhythm_takes_more_minutes_than_there_are(minutes: float) -> None:
    """Of tests between reports and that of the report together; one rhythm without tests always
    stays."""
    found = list(rhythms(task(minutes_per_week=minutes)))
    assert found[0].test_days == ()
    for one in found[1:]:
        assert minutes_a_week(one, task()) <= minutes + 1e-9
    assert (len(found) > 1) == (minutes >= 12.0)


def test_tests_are_counted_from_each_report_on() -> None:
    """Every third day: 3 and, after the report of day 7, 10 and 13; none on the eve of a report."""
    every = [one.test_days for one in rhythms(task(minutes_per_week=100.0), (3,))]
    assert every[1] == (3, 10, 13)


@pytest.mark.parametrize("step_dkh", [0.02, 0.1, 0.3, 0.5, 1.0])
def test_rows_meet_half_way_between_figures_of_the_kit(step_dkh: float) -> None:
    """Each of the three middle rows holds at least one figure that the kit can show."""
    step = step_dkh * DKH
    for course, _, _ in courses_of(task(), next(iter(rhythms(task()))), step):
        edges = [float(one[0]) for one in course.rule[:4]]
        low, high, far_low, far_high = edges
        assert far_low < low < BAND.middle < high < far_high
        for edge in edges:
            assert (edge / step) % 1 == pytest.approx(0.5, abs=1e-6)
        figures = np.arange(0, 900) * step
        for bottom, top in ((far_low, low), (low, high), (high, far_high)):
            assert np.any((figures >= bottom) & (figures < top))


def test_what_does_well_is_left() -> None:
    """The present flow carries the load: another that does so, too, is not worth the change."""
    chosen = search(task(flows_l_d=(50.0, 52.0)), futures())
    assert chosen.left
    assert chosen.courses.flow_l_d[0, 0] == 50.0


def test_what_does_badly_is_changed() -> None:
    """40 of 50 L/day: the level would leave the band."""
    chosen = search(task(present_l_d=40.0, flows_l_d=(40.0, 50.0)), futures())
    assert not chosen.left
    assert chosen.courses.flow_l_d[0, 0] == 50.0


def test_a_gain_of_two_days_in_a_hundred_is_the_limit(monkeypatch) -> None:
    """Just within it the present settings stay, just beyond they do not."""
    one = task(present_l_d=47.0, flows_l_d=(47.0, 50.0), minutes_per_week=0.0)
    kept = [
        search(one, futures()).left
        for limit in (0.0, 1.0)
        if monkeypatch.setattr(searching, "LEFT_ALONE", limit) is None
    ]
    assert kept == [False, True]


def test_tests_are_made_where_they_pay() -> None:
    """A tank that wanders is tested between reports; one that stands is not."""
    assert search(task(), futures(wander=0.05)).rhythm.test_days
    still = task()
    still = replace(still, belief=still.belief._replace(net_drift=1e-6))
    assert not search(still, futures(wander=0.0)).rhythm.test_days


def test_a_low_level_is_put_right_at_once_by_a_solution() -> None:
    """1.2 dKH below the middle, 0.35 a day: four parts; without a solution, or less than a quarter
    of the band away, none."""
    low = task(level=BAND.middle - 1.2 * DKH)
    assert len(low.once_meq) == 4
    assert sum(low.once_meq) == pytest.approx(1.2 * DKH * VOLUME)
    assert task(level=BAND.middle - 1.2 * DKH, once=None).once_meq == ()
    assert task(level=BAND.middle - 0.29 * DKH).once_meq == ()
    assert len(task(level=BAND.middle - 0.31 * DKH).once_meq) == 1


def test_the_largest_dosing_raises_the_level_no_faster_than_is_safe() -> None:
    """All of the load and 0.35 dKH a day of 600 L; none where nothing may be dosed."""
    most = task(doses=True).most_meq_d
    assert most == pytest.approx(300.0 + 0.35 * DKH * VOLUME)
    assert task().most_meq_d == 0.0


def test_rungs_are_equal_in_supply_and_end_at_the_end() -> None:
    """From nothing to 50 L/day in steps of 100 meq/day."""
    handed = task(
        present_l_d=0.0,
        present_meq_d=300.0,
        flows_l_d=(10.0,),
        ladder_to_l_d=50.0,
        doses=True,
        report_days=(4,),
    )
    ladders = {
        steps: course.flow_l_d[0]
        for course, steps, _ in courses_of(handed, next(iter(rhythms(handed))), 0.1)
    }
    assert set(ladders) >= {1, 2, 3}
    supply = np.asarray(LAW.supply_meq_d(ladders[3][:4], BAND.middle))
    np.testing.assert_allclose(np.diff(supply), np.diff(supply)[0], rtol=0.03)
    for steps, flows in ladders.items():
        assert flows[steps] == 50.0
