"""The schedule: minutes counted by hand, what comes first, what there is no time for."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta

import pytest

from estimator.advice.asked_tests import AskedTest
from estimator.inputs.tank import USUAL_MINUTES, Kit
from estimator.next_tests.candidates import REFERENCE, Bench
from estimator.next_tests.timetable import PlannedTest
from estimator.plan.schedule import LEARNING, RULE, Schedule, minutes_until
from helpers.tanks import MIDNIGHT, example_log, example_tank

BEGINS = date(2026, 3, 29)
"""Day 28 of the example's logs."""
ALK = Kit("alk", "alkalinity", "dKH", 0.1, None, None, 6.0)
CALCIUM = Kit("ca", "calcium", "mg/L", 0.25, None, None)
"""States no minutes."""
TANK = replace(example_tank(), kits={"alk": ALK, "ca": CALCIUM})


def bench(**changes) -> Bench:
    """Half past three in the afternoon of the first day; tests are run at seven as a rule."""
    stated = {
        "now": datetime(2026, 3, 29, 15, 30),
        "daily": time(19),
        "lights_on": time(10),
        "lights_off": time(20),
        "kits": {"alkalinity": ALK, "calcium": CALCIUM},
        "runs": True,
        "reference": "standard",
        "running": (),
    }
    return Bench(**(stated | changes))


def schedule(minutes: float = 30.0, weekly: float = 30.0, days: int = 4, **changes) -> Schedule:
    """Until a report after four days."""
    return Schedule(bench(**changes), BEGINS, BEGINS + timedelta(days=days), weekly, minutes)


def minutes(read, until_day: int, weekly: float = 30.0) -> float:
    """Left from the 29th until so many days later."""
    rows = [(day, parameter, "tank", kit) for day, parameter, kit in read]
    until = BEGINS + timedelta(days=until_day)
    return minutes_until(example_log(rows), TANK, BEGINS, until, weekly)


def test_minutes_of_the_week_before_the_report_are_those_of_its_kits() -> None:
    """Until the 2nd of April the week begins on the 27th of March: six minutes of a test on that
    day and the usual five of a kit that states none; nothing of the 26th, and nothing of a
    probe."""
    read = [(26.9, "calcium", "ca"), (25.9, "alkalinity", "alk"), (26.0, "ph", "")]
    assert minutes(read, 4) == 30.0 - USUAL_MINUTES
    assert minutes([*read, (26.1, "alkalinity", "alk")], 4) == 30.0 - USUAL_MINUTES - 6.0
    # A day later the 27th counts no more.
    assert minutes([*read, (27.1, "alkalinity", "alk")], 5) == 30.0 - 6.0


def test_never_less_than_the_part_of_a_week_that_the_days_are() -> None:
    """Four tests took 24 of the 30 minutes: four days have 4/7 of a week's, two weeks a week's."""
    tested = [(28.0 - 0.1 * i, "alkalinity", "alk") for i in range(4)]
    assert minutes(tested, 4) == pytest.approx(30.0 * 4 / 7)
    assert minutes(tested, 1) == pytest.approx(6.0)
    assert minutes([*tested, *tested], 6) == pytest.approx(30.0 * 6 / 7)
    assert minutes([(1.0, "alkalinity", "alk")], 14) == 30.0


def test_repeats_are_as_many_as_there_is_time_for() -> None:
    """Of three at six minutes: three in 18 minutes, two in 17, none in five."""
    for left, repeats in ((18.0, 3), (17.0, 2), (6.0, 1)):
        found = schedule(left)
        found.alkalinity(2, "tank", 3, RULE)
        (test,) = found.tests
        assert (test.repeats, test.minutes) == (repeats, 6.0 * repeats)
        assert found.left() == left - 6.0 * repeats
    none = schedule(5.0)
    none.alkalinity(2, "tank", 3, RULE)
    assert none.tests == []


def test_only_what_cannot_wait_takes_a_weeks_minutes() -> None:
    """Five minutes for the days, thirty for the week; what was taken is counted from both."""
    found = schedule(5.0, weekly=13.0)
    found.alkalinity(1, "tank", 1, RULE)
    assert found.tests == []
    found.alkalinity(1, "tank", 3, RULE, urgent=True)
    assert [test.repeats for test in found.tests] == [2]
    assert found.left() == 0.0
    assert found.left(urgent=True) == 1.0


def test_a_test_is_at_the_usual_hour_or_as_soon_as_can_be() -> None:
    """At seven; on the first day not before now, and no later than the day of the report."""
    found = schedule()
    for day in (0, 4, 5):
        found.alkalinity(day, "tank", 1, RULE)
    assert [test.time for test in found.tests] == [
        datetime(2026, 3, 29, 19),
        datetime(2026, 4, 2, 19),
    ]
    late = schedule(now=datetime(2026, 3, 29, 21, 15))
    late.alkalinity(0, "tank", 1, RULE)
    assert late.tests[0].time == datetime(2026, 3, 29, 21, 15)


def test_one_test_of_a_thing_at_a_time() -> None:
    """The same again is left out; the effluent at that time is another, and so is the next day."""
    found = schedule()
    for day, sample in ((1, "tank"), (1, "tank"), (1, "effluent"), (2, "tank")):
        found.alkalinity(day, sample, 1, RULE)
    assert [(test.time.day, test.of) for test in found.tests] == [
        (30, "tank"),
        (30, "effluent"),
        (31, "tank"),
    ]


def test_the_kit_of_alkalinity_reads_both_waters() -> None:
    """Not calcium's; a kit that states no minutes takes the usual; without one, or with the pump
    off, nothing is asked."""
    found = schedule(kits={"calcium": CALCIUM, "alkalinity": replace(ALK, minutes=None)})
    found.alkalinity(1, "tank", 1, LEARNING)
    found.alkalinity(1, "effluent", 1, LEARNING)
    assert {(t.entry, t.kit, t.minutes, t.serves) for t in found.tests} == {
        ("alkalinity", "alk", USUAL_MINUTES, LEARNING)
    }
    off = schedule(runs=False)
    off.alkalinity(1, "effluent", 1, RULE)
    none = schedule(kits={"calcium": CALCIUM})
    none.alkalinity(1, "tank", 1, RULE)
    assert off.tests == none.tests == []


def test_a_solution_of_known_value_is_tested_by_its_name_where_there_is_one() -> None:
    """What the keeper would have to buy first is no line of the schedule."""
    found = schedule()
    found.reference(0, 2)
    assert [(test.of, test.repeats, test.serves) for test in found.tests] == [
        ("standard", 2, LEARNING)
    ]
    bought = schedule(reference=REFERENCE)
    bought.reference(0, 2)
    assert bought.tests == []


def test_what_an_alarm_asks_for_may_take_a_weeks_minutes() -> None:
    """Twelve minutes for two: one where six are left of the week. A probe takes next to none."""
    found = schedule(0.0, weekly=7.5)
    found.asked(
        [
            AskedTest("alkalinity", "effluent", "alk", 2, 12.0),
            AskedTest("ph", "chamber", None, 1, 1.0),
            AskedTest("calcium", "tank", "ca", 1, 5.0),
        ]
    )
    assert [(t.entry, t.repeats, t.minutes) for t in found.tests] == [
        ("alkalinity", 1, 6.0),
        ("ph", 1, 1.0),
    ]
    assert {test.time for test in found.tests} == {datetime(2026, 3, 29, 19)}


def test_what_takes_no_time_is_taken_whole() -> None:
    """A probe that costs nothing, with no minutes left."""
    found = schedule(0.0)
    found.add(0, "ph", "tank", None, 0.0, 3, LEARNING)
    assert [(t.repeats, t.minutes) for t in found.tests] == [(3, 0.0)]


def test_tests_that_teach_come_after_and_within_the_minutes() -> None:
    """Twelve of twenty minutes are taken: of two at six minutes each one is left; the day counts
    from the first one."""
    found = schedule(20.0)
    found.alkalinity(1, "tank", 2, RULE)
    at = datetime(2026, 4, 1, 19)
    found.taken([PlannedTest(at, "alkalinity", "effluent", "alk", 2, 12.0, LEARNING)])
    assert [(t.of, t.time, t.repeats, t.minutes) for t in found.tests[1:]] == [
        ("effluent", at, 1, 6.0)
    ]


def test_what_is_due_counts_repeats_and_leaves_the_rest() -> None:
    """Two titrations of the tank and one of the effluent, not that of the reference; 24 of 30
    minutes are taken."""
    found = schedule()
    found.reference(0, 1)
    found.alkalinity(2, "tank", 2, RULE)
    found.alkalinity(4, "effluent", 1, LEARNING)
    due = found.due()
    assert [(r.sample, r.time.day, r.kit) for r in due.readings] == [
        ("tank", 31, "alk"),
        ("tank", 31, "alk"),
        ("effluent", 2, "alk"),
    ]
    assert due.minutes_left == 6.0
    assert due.until == BEGINS + timedelta(days=4)


def test_the_order_is_that_of_time_and_the_tank_comes_first() -> None:
    """Whatever was asked for first."""
    found = schedule()
    for day, sample in ((4, "effluent"), (2, "effluent"), (2, "tank")):
        found.alkalinity(day, sample, 1, RULE)
    days = [(test.time.date() - MIDNIGHT.date()).days for test in found.in_order()]
    assert days == [30, 30, 32]
    assert [test.of for test in found.in_order()] == ["tank", "effluent", "effluent"]
