"""The search: rhythms within the minutes, rows between the kit's figures, gains left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.plan import search as searching
from estimator.plan.course import Rhythm
from estimator.plan.search import (
    Reports,
    Task,
    _pump_steps,
    belief_for,
    courses_of,
    judge,
    minutes_of,
    rhythms,
    search,
    supplies,
)
from helpers.searches import BAND, DKH, LAW, VOLUME, futures, task


@pytest.mark.parametrize("minutes", [0.0, 6.0, 12.0, 13.0, 30.0])
def test_no_rhythm_takes_more_minutes_than_there_are(minutes: float) -> None:
    """Of tests between reports and that of the report together; one rhythm without tests always
    stays."""
    found = list(rhythms(task(minutes_per_week=minutes)))
    assert found[0].test_days == ()
    for one in found[1:]:
        assert minutes_of(one, task(), 7) <= minutes + 1e-9
    assert (len(found) > 1) == (minutes >= 12.0)


@pytest.mark.parametrize(("minutes", "most"), [(23.0, 1), (24.0, 2)])
def test_effluent_tests_of_reports_take_minutes_too(minutes: float, most: int) -> None:
    """Report days take twelve minutes in place of six, in the first week as in every one."""
    for given in (
        task(minutes_per_week=minutes, with_effluent=True),
        task(reports=(Reports((7,), minutes),), with_effluent=True),
    ):
        found = [one for one in rhythms(given) if one.repeats == 1]
        assert max(len([day for day in one.test_days if day < 7]) for one in found) == most
        assert all(one.with_effluent for one in found)


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


def test_a_slow_fall_is_not_left_to_the_next_report_for_ever(monkeypatch) -> None:
    """46 L/day of the 50 that are needed, and a level below the middle: a report in three days
    would make good what this one leaves, so that leaving costs little now, and no less the next
    time; left alone, it costs eight days in a hundred."""
    low = BAND.middle - 0.25
    reports = (Reports((3, 6, 9, 12), 30.0),)
    slow = task(low, present_l_d=46.0, flows_l_d=(46.0, 50.0, 52.0), reports=reports)
    monkeypatch.setattr(searching, "LEFT_ALONE", 0.05)
    assert not search(slow, futures(low)).left
    monkeypatch.setattr(searching, "_alone", lambda *_: 0.9)
    assert search(slow, futures(low)).left


def test_tests_are_made_where_they_pay() -> None:
    """A tank that wanders is tested between reports; one that stands is not."""
    assert search(task(), futures(wander=0.05)).rhythm.test_days
    still = task()
    still = replace(still, belief=still.belief._replace(uptake_drift=1e-6))
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


def handed(**changes) -> Task:
    """From 10 L/day, 100 of the 300 meq/day, to 50; 200 are dosed."""
    stated = {
        "present_l_d": 10.0,
        "present_meq_d": 200.0,
        "flows_l_d": (10.0,),
        "ladder_to_l_d": 50.0,
        "doses": True,
    }
    return task(**(stated | changes))


def every(given: Task, rhythm: Rhythm = Rhythm((2, 5), 1, (7,))):  # noqa: B008
    """All courses of a rhythm."""
    return list(courses_of(given, rhythm, 0.1))


def test_what_a_rung_brings_comes_off_the_dosing_when_it_is_taken() -> None:
    """In each rung's own column: what it brings over the one before, no more in all than the load
    less what today's flow brings; nothing in today's column."""
    found = every(handed())
    assert {steps for _, steps, _ in found} >= {1, 2, 3}
    for course, steps, _ in found:
        flows = course.flow_l_d[0, : steps + 1]
        supply = np.asarray(LAW.supply_meq_d(flows, BAND.middle))
        takes = course.takes_meq_d[0]
        assert takes[0] == 0.0
        np.testing.assert_allclose(takes[1 : steps + 1], np.diff(supply), atol=1e-6)
        assert takes.sum() == pytest.approx(200.0)
        assert np.all(takes[steps + 1 :] == 0.0)
    # Beyond the load nothing is left to take: 60 L/day bring 327.
    for course, steps, _ in every(handed(ladder_to_l_d=60.0)):
        assert course.takes_meq_d[0].sum() == pytest.approx(200.0)
        assert course.flow_l_d[0, steps] == 60.0


def test_dosing_brings_the_level_back_in_its_lead_times() -> None:
    """0.1 meq/L low at 50 L/day that bring 300: nothing more, 0.1 · 600 / 6 = 10 meq/day or 20,
    with what the reactor brings more to lower water; or the rate of now."""
    given = task(level=BAND.middle - 0.1, once=None, doses=True, present_meq_d=77.0)
    more = given.supply_meq_d(50.0) - 300.0
    found = {float(course.dose_meq_d[0]) for course, _, _ in every(given)}
    expected = {max(dose - more, 0.0) for dose in (0.0, 10.0, 20.0)} | {77.0}
    assert sorted(found) == pytest.approx(sorted(expected))
    stays = task(doses=True, dose_stays=True, present_meq_d=77.0)
    assert {float(course.dose_meq_d[0]) for course, _, _ in every(stays)} == {77.0}


def test_a_lead_is_no_faster_than_is_safe_either_way() -> None:
    """1 meq/L off would need 0.33 a day: 0.35 dKH, 0.125, are safe; what the tank takes more of
    where it answers to its level is made good."""
    low, high = (task(level=BAND.middle + off, once=None) for off in (-1.0, 1.0))
    safe = 0.35 * DKH
    assert low.wanted_meq_d(3.0) == pytest.approx((0.5 + safe) * VOLUME)
    assert high.wanted_meq_d(3.0) == pytest.approx((0.5 - safe) * VOLUME)
    assert low.wanted_meq_d(np.inf) == pytest.approx(300.0)
    answers = replace(low, belief=low.belief._replace(law=LAW._replace(level_response_per_d=0.1)))
    assert answers.wanted_meq_d(np.inf) == pytest.approx((0.5 - 0.1) * VOLUME)


def test_steps_of_the_pump_by_hand() -> None:
    """At 50 L/day, F0 50: a litre a day more brings 12/4 = 3 meq/day; 30 meq/day are 10 L/day, a
    fifth of the flow, in steps of 10 mL/h: 410 of 416. Each of six tests may raise by a sixth of
    the way to what lifts the level safely, rounded down; 0.24 L/day, a step, is a step."""
    law_rise = float(LAW.flow_for(300.0 + 0.35 * DKH * VOLUME)) - 50.0
    unit = 0.24
    whole = np.floor(law_rise / 6 / unit) * unit
    assert _pump_steps(task(), 50.0, 30.0, 6, 144.0) == pytest.approx((whole, -9.84))
    assert _pump_steps(task(), 50.0, 90.0, 1, 144.0) == pytest.approx((9.84, -9.84))
    assert _pump_steps(task(), 50.0, 6.0, 1, 144.0) == pytest.approx((1.92, -1.92))
    assert _pump_steps(task(), 50.0, 0.72, 1, 144.0) == pytest.approx((0.24, -0.24))
    assert _pump_steps(task(), 50.0, 30.0, 1, 50.5) == pytest.approx((0.48, -9.84))
    assert _pump_steps(task(), 50.0, 30.0, 1, 49.0) == (0.0, pytest.approx(-9.84))


def test_the_hand_that_steers_is_the_pumps_where_little_is_dosed() -> None:
    """Steps of the dosing below and above what is near, up and down by as much, where more is
    dosed than a step; else those of the pump at today's flow, though a hand-over follows."""
    for course, _, _ in every(handed()):
        rule = [float(part[0]) for part in course.rule]
        assert not course.by_pump[0]
        assert rule[4] == -rule[5] > 0
        assert rule[6:] == [0.0, 0.0]
    steps = {round(float(course.rule.raise_meq_d[0]), 6) for course, _, _ in every(handed())}
    half = 0.6 * DKH * VOLUME
    assert steps == {round(near * half / days, 6) for near in (0.35, 0.6) for days in (3, 6, 12)}
    for course, count, _ in every(handed(doses=False, present_meq_d=0.0)):
        rule = [float(part[0]) for part in course.rule]
        assert course.by_pump[0]
        assert rule[4:6] == [0.0, 0.0]
        assert 0.0 > rule[7] >= -0.2 * 10.0
        assert count > 0


def test_rows_are_where_the_kit_shows_what_is_aimed_at() -> None:
    """A kit that reads 1.25 times the level, at an hour when it stands 0.1 meq/L below its mean:
    aimed at is 1.25 · (2.924 − 0.1) = 3.530, near 0.35 · 0.214 · 1.25 = 0.094 about it, far 0.267;
    between figures of 0.1: from 3.35 to 3.65, from 3.25 to 3.85."""
    given = task()
    given = replace(given, belief=given.belief._replace(calibration=1.25, below_mean_meq_l=0.1))
    edges = {tuple(float(part[0]) for part in one.rule[:4]) for one, _, _ in every(given)}
    aim, half = 1.25 * (BAND.middle - 0.1), 1.25 * 0.6 * DKH
    expected = set()
    for near in (0.35, 0.6):
        low = np.round((aim - near * half) / 0.1) * 0.1 - 0.05
        high = np.round((aim + near * half) / 0.1) * 0.1 + 0.05
        far_low = min(np.round((aim - half) / 0.1) * 0.1 - 0.05, low - 0.1)
        far_high = max(np.round((aim + half) / 0.1) * 0.1 + 0.05, high + 0.1)
        expected.add(tuple(round(float(x), 6) for x in (low, high, far_low, far_high)))
    assert {tuple(round(x, 6) for x in one) for one in edges} == expected
    assert (3.35, 3.65, 3.25, 3.85) in expected


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_what_is_unsure_of_level_and_supply_goes_together(sign: float) -> None:
    """A level known to 0.1, an uptake that goes with it one to two, and a chamber that goes with
    it, too: the net supply falls where the uptake rises, and rises with what the reactor gives."""
    ahead = futures(wander=0.0)
    off = np.linspace(-1.0, 1.0, len(ahead.calibration))
    level, uptake = BAND.middle + 0.1 * off, 0.5 - sign * 0.2 * off
    strength = 1.0 + 0.1 * off
    state = replace(
        ahead.state,
        level_meq_l=level,
        uptake_meq_l_d=uptake,
        law=ahead.state.law._replace(strength=strength),
    )
    ahead = ahead._replace(state=state)
    course, _, _ = every(task())[0]
    found = belief_for(task(), course, ahead).spread
    # 50 L/day at half of saturation, which is lower by the level's height.
    given = 50.0 * 0.5 * (12.0 * strength - 0.1 * off) / VOLUME
    np.testing.assert_allclose(supplies(course, ahead)[1][0], given)
    net = given + course.dose_meq_d[0] / VOLUME - uptake
    np.testing.assert_allclose(supplies(course, ahead)[0][0], net)
    np.testing.assert_allclose(found[0], np.cov([level, net, given], bias=True), atol=1e-9)


def test_what_is_unsure_is_as_the_kit_has_it() -> None:
    """A kit of unknown calibration shows level and effluent wrong by the same part; the net supply
    is as it is."""
    ahead = futures(wander=0.0)
    calibration = np.linspace(0.9, 1.1, len(ahead.calibration))
    course, _, _ = every(task())[0]
    found = belief_for(task(), course, ahead._replace(calibration=calibration)).spread[0]
    sd = np.sqrt(np.diagonal(found))
    expected = [BAND.middle * np.std(calibration), 0.0, 0.5 * np.std(calibration)]
    np.testing.assert_allclose(sd, expected, atol=2e-6)


def test_minutes_of_a_week_count_its_seventh_day() -> None:
    """Tests on days 2, 5, 9 and 12 and a report on day 7, twice each at six minutes: three of them
    are in the week; none are counted without a kit."""
    rhythm = Rhythm((2, 5, 9, 12), 2, (7, 14))
    assert minutes_of(rhythm, task(), 7) == 3 * 2 * 6.0
    assert minutes_of(rhythm, task(minutes=np.inf), 7) == 0.0


def test_less_minutes_are_less_in_the_first_week_and_in_all() -> None:
    """As where a check of the kit takes twelve of thirty."""
    found = task(reports=(Reports((2, 5), 20.0), Reports((7,), 30.0))).with_less(12.0)
    assert found.minutes_per_week == 18.0
    assert [one.minutes for one in found.reports] == [8.0, 18.0]
    assert [one.days for one in found.reports] == [(2, 5), (7,)]


def test_present_settings_stay_only_where_nothing_is_better_by_the_limit(monkeypatch) -> None:
    """48 L/day of the 50 that are needed and 50: the gain in good days is on one side of the limit
    or on the other."""
    one = task(present_l_d=48.0, flows_l_d=(48.0, 75.0), minutes_per_week=0.0)
    assert search(one, futures(wander=0.0)).left
    better = task(present_l_d=75.0, flows_l_d=(75.0, 50.0), minutes_per_week=0.0)
    monkeypatch.setattr(searching, "REPORT_COST", 0.0)
    monkeypatch.setattr(searching, "_alone", lambda *_: 0.9)
    gain = 0.0
    for flow in (75.0, 50.0):
        alone = task(present_l_d=flow, flows_l_d=(flow,), minutes_per_week=0.0)
        chosen = search(alone, futures(wander=0.0))
        told = judge(alone, futures(wander=0.0), chosen.courses, chosen.rhythm)
        gain = float(told.good_days[0]) - gain
    assert gain > 0.0
    for limit, left in ((gain - 0.001, False), (gain + 0.001, True)):
        monkeypatch.setattr(searching, "LEFT_ALONE", limit)
        monkeypatch.setattr(searching, "FAST_COST", 0.0)
        assert search(better, futures(wander=0.0)).left == left
