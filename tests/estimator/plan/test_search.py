"""The search: rhythms within the minutes, rows between the kit's figures, gains left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.plan import search as searching
from estimator.plan.search import (
    Reports,
    courses_of,
    minutes_a_week,
    rhythms,
    search,
)
from helpers.searches import BAND, DKH, LAW, VOLUME, futures, task


@pytest.mark.parametrize("minutes", [0.0, 6.0, 12.0, 13.0, 30.0])
def test_no_rhythm_takes_more_minutes_than_there_are(minutes: float) -> None:
    """Of tests between reports and that of the report together; one rhythm without tests always
    stays."""
    found = list(rhythms(task(minutes_per_week=minutes)))
    assert found[0].test_days == ()
    for one in found[1:]:
        assert minutes_a_week(one, task()) <= minutes + 1e-9
    assert (len(found) > 1) == (minutes >= 12.0)


def test_the_first_days_take_no_more_minutes_than_are_left_of_the_week() -> None:
    """Twelve minutes until the report, which takes six: one test between, where five would do."""
    left = task(minutes_per_week=100.0, reports=(Reports((7,), 12.0),))
    for one in rhythms(left):
        assert len([day for day in one.test_days if day < 7]) * one.repeats <= 2 - one.repeats
    assert any(one.test_days for one in rhythms(left))


def test_a_report_comes_sooner_where_that_pays(monkeypatch) -> None:
    """Two days more in a hundred are worth one report more a week, not three."""
    soon, late = Reports((2, 5, 8, 11), 30.0), Reports((7,), 30.0)
    given = task(reports=(soon, late), minutes_per_week=20.0)
    for cost, days in ((0.01, 2), (0.04, 7)):
        monkeypatch.setattr(searching, "REPORT_COST", cost)
        assert search(given, futures(wander=0.0)).rhythm.report_days[0] == days


def test_a_rise_that_is_too_fast_is_not_bought(monkeypatch) -> None:
    """From far below a pump that rises faster than is allowed does best by days alone."""
    low = BAND.low - 0.35
    flows = (50.0, 62.0, 75.0, 90.0)
    given = task(level=low, flows_l_d=flows, once=None, rise_meq_l_d=0.12, minutes_per_week=6.0)
    chosen = search(given, futures(level=low))
    monkeypatch.setattr(searching, "FAST_COST", 0.0)
    careless = search(given, futures(level=low))
    assert careless.courses.flow_l_d[0, 0] > chosen.courses.flow_l_d[0, 0]


def test_tests_are_spread_evenly_from_report_to_report() -> None:
    """Two in a week: after two and five days, and again after the report."""
    given = task(minutes_per_week=100.0, reports=(Reports((7,), 100.0),))
    every = [one.test_days for one in rhythms(given, (2, 6))]
    assert every[1] == (2, 5, 9, 12)
    assert (1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13) in every


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


def test_a_correction_is_slower_where_its_rise_is_hardly_known() -> None:
    """Of 1.2 dKH at 0.35 or 0.25 a day: the latter where one tank in five holds half the water."""
    low = BAND.middle - 1.2 * DKH
    sure = futures(level=low)
    assert len(search(task(level=low), sure).courses.once_meq) == 4
    law, small = sure.state.law, np.where(np.arange(len(sure.calibration)) % 5 == 0, 0.55, 1.0)
    # In less water the same supply still meets what is taken.
    unsure = sure._replace(
        state=replace(
            sure.state,
            law=law._replace(volume_l=law.volume_l * small),
            uptake_meq_l_d=sure.state.uptake_meq_l_d / small,
        ),
        uptake_meq_l_d=sure.uptake_meq_l_d / small,
    )
    assert len(search(task(level=low), unsure).courses.once_meq) == 5


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
        reports=(Reports((4,), 30.0),),
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
