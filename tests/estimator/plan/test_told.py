"""The chosen plan in a keeper's words: every cell of its rule, its rungs and its chances."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from estimator import units
from estimator.fit.checks import ReadingCheck
from estimator.inputs.records import Reading
from estimator.inputs.tank import Kit
from estimator.plan.course import Courses, Rhythm, Rule
from estimator.plan.futures import Futures
from estimator.plan.ground import Ground
from estimator.plan.means import Means
from estimator.plan.result import Plan
from estimator.plan.search import AHEAD_DAYS, Chosen, Reports, Task
from estimator.plan.told import told_by
from helpers.plans import known
from helpers.searches import BAND, UPTAKE, VOLUME, futures, means, task
from helpers.tanks import MIDNIGHT, example_tank

DKH = units.MEQ_L_PER_DKH
BEGINS = date(2026, 3, 29)
ML_H = 24 / 1000
"""L/day."""
FINE = Kit("fine", "alkalinity", "meq/L", 0.05, None, None)
COARSE = Kit("coarse", "alkalinity", "dKH", 0.5 * DKH, None, None)
CALCIUM = Kit("ca", "calcium", "mg/L", 0.25, None, None)
"""Declared first, and no kit of alkalinity."""


def two_solutions(**changes: Any) -> Means:
    """20 mL of soda and 10 of chloride for 38 meq; a third solution goes on."""
    stated = {
        "present_ml_d": {"soda": 100.0, "chloride": 50.0, "iodine": 2.0},
        "present_meq_d": 190.0,
        "ml_per_meq": {"soda": 20 / 38, "chloride": 10 / 38},
    }
    return means(**(stated | changes))


def courses(**changes: Any) -> Courses:
    """A hand-over: 420, 830 and 1460 mL/h, which take 57 and then 95 meq/day off the dosing."""
    rule = {
        "near_low_meq_l": 2.8,
        "near_high_meq_l": 3.1,
        "far_low_meq_l": 2.6,
        "far_high_meq_l": 3.3,
        "raise_meq_d": 38.0,
        "lower_meq_d": -19.0,
        "raise_l_d": 100 * ML_H,
        "lower_l_d": -50 * ML_H,
    }
    stated = {
        "flow_l_d": np.array([[420.0, 830.0, 1460.0, 1460.0]]) * ML_H,
        "takes_meq_d": np.array([[0.0, 57.0, 95.0, 0.0]]),
        "dose_meq_d": np.array([190.0]),
        "rule": Rule(**{name: np.array([value]) for name, value in rule.items()}),
        "by_pump": np.array([False]),
        "once_meq": (),
        "lift_meq": 0.0,
        "limits_l_d": (0.0, 144.0),
        "most_meq_d": 380.0,
    }
    return Courses(**(stated | changes))


def told(
    of: Courses | None = None,
    *,
    rhythm: Rhythm = Rhythm((2, 5), 1, (7,)),  # noqa: B008
    steps: int = 2,
    given: Task | None = None,
    ahead: Futures | None = None,
    kits: tuple[Kit, ...] = (CALCIUM, FINE),
    left: bool = False,
    tests: tuple[tuple[str, int], ...] = (),
    **ground: Any,
) -> Plan:
    """The plan as told of a course that was chosen; `tests`: kits of the tank's tests so far."""
    tank = replace(example_tank(), kits={kit.name: kit for kit in kits})
    checks = tuple(
        ReadingCheck(
            Reading(row, MIDNIGHT, "alkalinity", "tank", "", 3.0, "", kit), 3.0, 0.1, 1.0, 0.5, 0.0
        )
        for kit, row in tests
    )
    posterior = known(200, kit_repeatability={}, flow_l_d=50.0, checks=checks)
    stated = {
        "fitted": SimpleNamespace(posterior=posterior, tank=tank, log=None),
        "recommendation": None,
        "alarms": (),
        "most_ml_h": None,
        "shown": True,
        "means": (given or handed()).means,
        "begins": BEGINS,
        "minutes_per_week": 30.0,
    }
    found = Ground(**cast(Any, stated | ground))
    chosen = Chosen(of or courses(), rhythm, steps, left)
    return told_by(found, given or handed(), chosen, ahead or futures(wander=0.0), "hand_over")


def handed(**changes: Any) -> Task:
    """The search's task: soda may be dosed, 380 meq/day at most."""
    of = {name: changes.pop(name) for name in list(changes) if name in Means.__dataclass_fields__}
    stated = {"ladder_to_l_d": 1460 * ML_H, "doses": True, "reports": (Reports((7,), 30.0),)}
    return replace(task(**(stated | changes)), means=two_solutions(**of))


def test_every_cell_of_the_rule() -> None:
    """From low to high, in two solutions and the pump: below what is near both go up, above it
    down, near they stay and the next rung is taken; a solution without alkalinity is left.

    The band is 1.2 dKH wide or 0.4289 meq/L, nine steps of 0.05: beyond them a report."""
    cases = told().rule.cases
    edges = [2.6 - 0.45, 2.6, 2.8, 3.1, 3.3, 3.3 + 0.45]
    assert [case.from_meq_l for case in cases] == [None, *map(pytest.approx, edges)]
    assert [case.to_meq_l for case in cases] == [*map(pytest.approx, edges), None]
    assert [case.do for case in cases] == [
        *("report", "repeat", "set", "set", "set", "repeat", "report")
    ]
    assert [case.flow_change_ml_h for case in cases] == [None, None, 100.0, 0.0, -50.0, None, None]
    assert [case.dose_change_ml_d for case in cases] == [
        None,
        None,
        {"soda": 20.0, "chloride": 10.0, "iodine": 0.0},
        {"soda": 0.0, "chloride": 0.0, "iodine": 0.0},
        {"soda": -10.0, "chloride": -5.0, "iodine": 0.0},
        None,
        None,
    ]
    assert [case.step for case in cases] == ["stay", "stay", "stay", "next", *["stay"] * 3]
    assert {case.step for case in told(steps=0).rule.cases} == {"stay"}


def test_the_rule_is_of_the_kit_that_reads_the_tank() -> None:
    """Of two kits the one that read last, with its own step: four steps of half a dKH are more
    than the band; calcium's, and the one read before, have no part in it."""
    both = (CALCIUM, FINE, COARSE)
    last = told(kits=both, tests=(("fine", 2), ("coarse", 3))).rule
    assert last.kit == "coarse"
    assert last.cases[1].from_meq_l == pytest.approx(2.6 - 2.0 * DKH)
    assert last.cases[6].from_meq_l == pytest.approx(3.3 + 2.0 * DKH)
    assert told(kits=both, tests=(("coarse", 2), ("fine", 3))).rule.kit == "fine"
    assert told(kits=both).rule.kit == "fine"
    assert told(kits=both).foretold.kit == "fine"


def test_a_kit_that_reads_high_has_a_wider_band() -> None:
    """By 1.25: 0.536 meq/L, eleven steps of 0.05."""
    given = handed()
    given = replace(given, belief=given.belief._replace(calibration=1.25))
    assert told(given=given).rule.cases[1].from_meq_l == pytest.approx(2.6 - 0.55)


def test_a_band_of_whole_steps_is_no_wider_by_rounding() -> None:
    """0.3 meq/L are six steps of 0.05, whatever the last digit."""
    given = handed()
    of = 0.3 / (2 * given.half_band) * (1 + 1e-14)
    given = replace(given, belief=given.belief._replace(calibration=of))
    assert told(given=given).rule.cases[1].from_meq_l == pytest.approx(2.6 - 0.3)


def test_without_tests_between_reports_there_is_no_rule() -> None:
    """The report is run in its stead."""
    assert told(rhythm=Rhythm((), 1, (7,))).rule is None


def test_the_most_that_may_be_dosed_is_told_for_every_solution() -> None:
    """All of the load, 300 meq/day, and 0.35 dKH of 600 L: 375 meq/day; 0 where nothing may be."""
    most = handed().most_meq_d
    assert most == pytest.approx(300 + 0.35 * DKH * VOLUME)
    assert told().rule.most_ml_d == {
        "soda": float(round(most * 20 / 38)),
        "chloride": float(round(most * 10 / 38)),
        "iodine": 2.0,
    }
    none = told(given=handed(doses=False)).rule.most_ml_d
    assert (none["soda"], none["chloride"]) == (0.0, 0.0)


def test_each_rung_has_its_own_day_flow_and_takes() -> None:
    """Days of tests in order: 420 mL/h today, 830 from day 2 for 57 meq/day, 1460 from day 5 for
    95."""
    found = [(rung.on, rung.flow_ml_h, dict(rung.takes_ml_d)) for rung in told().ladder]
    assert found == [
        (BEGINS, 420.0, {"soda": 0.0, "chloride": 0.0, "iodine": 0.0}),
        (BEGINS + timedelta(days=2), 830.0, {"soda": 30.0, "chloride": 15.0, "iodine": 0.0}),
        (BEGINS + timedelta(days=5), 1460.0, {"soda": 50.0, "chloride": 25.0, "iodine": 0.0}),
    ]


def test_a_rung_of_the_reports_day_is_the_reports() -> None:
    """Of rungs on days 2 and 4 the report of day 4 decides the second; the way as expected shows
    both, and rungs beyond all tests are not foretold."""
    found = told(rhythm=Rhythm((2,), 1, (4,)))
    assert [rung.on for rung in found.ladder] == [BEGINS, BEGINS + timedelta(days=2)]
    assert [step.on for step in found.path] == [BEGINS + timedelta(days=day) for day in (0, 2, 4)]
    assert found.report_again == BEGINS + timedelta(days=4)
    assert [rung.on for rung in told(rhythm=Rhythm((), 1, (2,))).path] == [
        BEGINS,
        BEGINS + timedelta(days=2),
    ]


def test_one_setting_is_no_ladder() -> None:
    """Where today's flow is the last there is neither a rung nor a way."""
    found = told(steps=0)
    assert found.ladder == found.path == ()
    assert found.today.flow_ml_h == 420.0
    assert found.ends_at_ml_h == 1460.0
    assert told(given=handed(ladder_to_l_d=None)).ends_at_ml_h is None


def test_the_way_shows_the_doses_of_its_days() -> None:
    """190 meq/day today, 57 less after the first rung where the level reads near."""
    ahead = futures(wander=0.0)
    exact = ahead._replace(error_meq_l=np.zeros_like(ahead.error_meq_l), kit_step_meq_l=1e-6)
    near = courses(
        flow_l_d=np.array([[420.0, 830.0, 830.0]]) * ML_H, takes_meq_d=np.array([[0.0, 57.0, 0.0]])
    )
    near = near._replace(
        rule=near.rule._replace(near_low_meq_l=np.array([0.0]), near_high_meq_l=np.array([9.0]))
    )
    near = near._replace(
        rule=near.rule._replace(far_low_meq_l=np.array([-1.0]), far_high_meq_l=np.array([10.0]))
    )
    found = told(near, steps=1, ahead=exact)
    assert [step.flow_ml_h for step in found.path] == [420.0, 830.0]
    assert [step.dose_ml_d["soda"] for step in found.path] == [100.0, 70.0]
    for step in found.path:
        day = (step.on - BEGINS).days
        np.testing.assert_array_equal(step.alkalinity_meq_l, found.levels_meq_l[day])


def walking(days_inside: int, share: float) -> Futures:
    """A level that stays in the middle for so many days and then, in a share of the futures, leaps
    2 meq/L down, read without error."""
    ahead = futures(wander=0.0)
    uptake = np.full((AHEAD_DAYS, len(ahead.calibration)), UPTAKE)
    uptake[days_inside, : int(share * len(ahead.calibration))] += 2.0
    return ahead._replace(
        uptake_meq_l_d=uptake, error_meq_l=np.zeros_like(ahead.error_meq_l), kit_step_meq_l=1e-6
    )


STILL = courses(
    flow_l_d=np.full((1, 4), 50.0), takes_meq_d=np.zeros((1, 4)), dose_meq_d=np.zeros(1)
)
"""50 L/day bring the 300 meq/day that are taken."""
ALONE = Rhythm((), 1, (13,))


def test_chances_are_those_of_the_first_week() -> None:
    """A tenth of the futures leave the band on day 6 and stay out for two of seven days; what
    leaves on day 8 is not counted. A titration a day later sees the same."""
    found = told(STILL, rhythm=ALONE, steps=0, ahead=walking(5, 0.1)).chances
    assert found.judged_days == 7
    assert found.all_days == pytest.approx(0.9)
    assert found.good_days == pytest.approx(1 - 0.1 * 2 / 7)
    assert found.all_days_as_kit_reads == pytest.approx(0.9)
    assert found.good_days_as_kit_reads == pytest.approx(1 - 0.1 * 2 / 7)
    later = told(STILL, rhythm=ALONE, steps=0, ahead=walking(7, 0.1)).chances
    assert later.all_days == later.good_days == 1.0


def test_chances_as_the_kit_reads_are_those_of_a_kit_that_errs() -> None:
    """Half of the titrations read 1 meq/L too high, and the level never leaves."""
    ahead = walking(0, 0.0)
    error = np.zeros_like(ahead.error_meq_l)
    error[:, :, ::2] = 1.0
    found = told(STILL, rhythm=ALONE, steps=0, ahead=ahead._replace(error_meq_l=error)).chances
    assert found.all_days == found.good_days == 1.0
    assert found.all_days_as_kit_reads == found.good_days_as_kit_reads == 0.5


def test_set_and_left_is_without_rungs_tests_and_reports() -> None:
    """A pump set to half of what is needed: left alone the level falls out of the band on the
    second day, which tests and reports make good."""
    short = STILL._replace(flow_l_d=np.array([[20.0, 50.0, 50.0]]), takes_meq_d=np.zeros((1, 3)))
    found = told(short, rhythm=Rhythm((1,), 1, (2, 5, 8)), steps=1, ahead=walking(0, 0.0))
    level, inside = BAND.middle, []
    law = futures(wander=0.0).state.law
    for _ in range(7):
        level = float(np.asarray(law.advance(level, 20.0, -UPTAKE))[0])
        inside.append(BAND.low <= level <= BAND.high)
    assert 0.0 < np.mean(inside) < 1.0
    assert found.chances.good_days_set_and_left == pytest.approx(np.mean(inside))
    assert found.chances.all_days_set_and_left == 0.0
    assert found.chances.good_days > np.mean(inside)
    assert found.left_alone_meq_l[6] == pytest.approx(level)
    assert found.levels_meq_l[6, 0] > level


def test_additions_are_in_ml_of_their_solution_day_by_day() -> None:
    """60 and 57 meq of soda of 1.9 meq/mL; with them nothing is left alone."""
    found = told(STILL._replace(once_meq=(60.0, 57.0)), steps=0, left=True)
    assert [(one.on, one.solution, one.ml) for one in found.today.once] == [
        (BEGINS, "soda", 32.0),
        (BEGINS + timedelta(days=1), "soda", 30.0),
    ]
    assert not found.left
    assert told(STILL, steps=0, left=True).left
    assert not told(STILL, steps=0, left=False).left


def test_calcium_pauses_only_where_something_is_dosed() -> None:
    """Else there is nothing that could pause; the reason is told with it."""
    given = handed(pauses=("chloride",))
    dosed, none = told(given=given), told(STILL, steps=0, given=given)
    assert dosed.pauses == ("chloride",)
    assert none.pauses == ()
    assert "plan_calcium_pauses" in [reason.code for reason in dosed.reasons]
    assert [reason.code for reason in none.reasons] == []


def test_reasons_are_told_by_what_was_chosen() -> None:
    """A correction by its days, a pump that is held by its limit, a hand-over by its rungs, a
    first step where no more is known: but for a pump that stays off."""
    low = courses(once_meq=(60.0,) * 4)
    assert told(low, most_ml_h=1500.0).reasons[0].values == {"days": 4}
    assert told(most_ml_h=1500.0).reasons[0].values == {"most_ml_h": 1500.0}
    assert [reason.values for reason in told().reasons] == [{"steps": 2}]
    first = handed(first_only=True)
    assert [reason.code for reason in told(given=first).reasons] == ["plan_first_step_only"]
    off = courses(flow_l_d=np.zeros((1, 4)))
    assert [reason.code for reason in told(off, given=first).reasons] == ["plan_hands_over"]


def test_a_tank_without_a_reactor_has_no_pump() -> None:
    """Nor does a pump that is off even anything out."""
    off = courses(flow_l_d=np.zeros((1, 4)))
    assert told(off, given=handed(reactor=False), steps=0).today.flow_ml_h is None
    assert told(off, steps=0).today.flow_ml_h == 0.0
    assert told(off, steps=0).self_regulation_days is None
    assert told(STILL, steps=0).self_regulation_days is not None
