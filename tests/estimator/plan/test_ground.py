"""What kind of plan is called for, on both sides of every limit."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from estimator.advice.alarms import Alarm
from estimator.plan.ground import Ground, ground_of, kind_of, kit_of
from estimator.remark import Remark
from helpers.plans import known
from helpers.searches import means
from helpers.tanks import example_log, example_tank

TANK = example_tank()
READ = [(day + 0.6, "alkalinity", "tank", "alk", 2.9) for day in range(0, 29, 2)]


def alarm(about: str, code: str, chance: float) -> Alarm:
    told = Remark(f"alarm_{code}"), Remark(f"alarm_{code}_check")
    return Alarm(about, "", chance, date(2026, 3, 20), None, "", *told, ())


def ground(posterior: dict[str, Any] | None = None, in_band: float = 1.0, **changes: Any) -> Ground:
    """A running reactor beside which nothing is dosed; the tank takes up 300 meq/day."""
    of = {"flow_l_d": 50.0, "effluent_tested": True} | (posterior or {})
    stated = {
        "fitted": SimpleNamespace(posterior=known(**of), tank=TANK, log=example_log(READ)),
        "recommendation": SimpleNamespace(flow=SimpleNamespace(level_in_band=in_band)),
        "alarms": (),
        "most_ml_h": None,
        "shown": True,
        "means": means(),
        "begins": date(2026, 3, 29),
        "minutes_per_week": 30.0,
    }
    return Ground(**cast(Any, stated | changes))


@pytest.mark.parametrize(
    ("of", "expected"),
    [
        ({}, "hold"),
        # 3 % of 300 meq/day is 9.
        ({"present_meq_d": 9.0}, "hold"),
        ({"present_meq_d": 9.1}, "hand_over"),
        ({"present_l_d": 0.0}, "hand_over"),
        ({"reactor": False, "present_l_d": 0.0}, "dose"),
        ({"reactor": False, "present_meq_d": 300.0}, "dose"),
    ],
)
def test_the_kind_follows_from_what_runs(of: dict[str, Any], expected: str) -> None:
    """A reactor that stands, or beside which more than little is dosed, is handed over to."""
    assert kind_of(ground(means=means(**of))) == (expected, expected)


def test_a_level_most_likely_outside_is_corrected_first() -> None:
    """Below an even chance of being inside; but an untested reactor is tested first."""
    assert kind_of(ground(in_band=0.5)) == ("hold", "hold")
    assert kind_of(ground(in_band=0.49)) == ("correct", "correct")
    none = {"reactor": False, "present_l_d": 0.0}
    assert kind_of(ground(in_band=0.49, means=means(**none))) == ("correct", "correct")
    handed = means(present_meq_d=200.0)
    assert kind_of(ground(in_band=0.49, means=handed)) == ("correct", "correct")
    untested = {"effluent_tested": False}
    for in_band in (0.49, 0.9):
        found = kind_of(ground(untested, in_band, means=handed))
        assert found == ("hand_over", "untested")
    assert kind_of(ground(untested)) == ("hold", "hold")


def test_a_cause_to_be_found_comes_before_all() -> None:
    """A pump that is held, or additions that are most likely not in the log."""
    assert kind_of(ground(most_ml_h=1500.0, in_band=0.1)) == ("check", "check")
    for chance, kind in ((0.49, "hold"), (0.5, "check")):
        missing = alarm("additions", "additions_up", chance)
        assert kind_of(ground(alarms=(missing,))) == (kind, kind)
    # One addition changed the level and nothing else; an alarm of something else says nothing.
    for about, code in (("additions", "one_addition_missing"), ("effluent", "effluent_up")):
        assert kind_of(ground(alarms=(alarm(about, code, 0.9),))) == ("hold", "hold")
    second = alarm("effluent", "effluent_up", 0.9), alarm("additions", "additions_up", 0.9)
    assert kind_of(ground(alarms=second)) == ("check", "check")


@pytest.mark.parametrize(("hour", "day"), [(14, 29), (21, 29), (22, 30), (23, 30)])
def test_from_ten_in_the_evening_the_plan_begins_on_the_next_day(hour: int, day: int) -> None:
    """A report made later begins on its own day, one made earlier changes nothing."""
    posterior = known(flow_l_d=50.0)
    log = replace(example_log(READ), end=datetime(2026, 3, 29, hour, 30))
    fitted = cast(Any, SimpleNamespace(posterior=posterior, tank=TANK, log=log))

    def begins(today: date | None) -> int:
        found = ground_of(fitted, cast(Any, None), (), 30.0, shown=True, today=today)
        return found.begins.day

    assert begins(None) == day
    assert begins(date(2026, 3, 28)) == day
    assert begins(date(2026, 3, 31)) == 31


def test_the_kit_is_that_which_reads_alkalinity() -> None:
    """Not the first of the tank file, where that reads calcium."""
    kits = {name: TANK.kits[name] for name in ("ca", "alk")}
    of = SimpleNamespace(posterior=known(), tank=replace(TANK, kits=kits))
    found = kit_of(ground(fitted=of))
    assert found is not None
    assert found.name == "alk"
    none = SimpleNamespace(posterior=known(), tank=replace(TANK, kits={"ca": TANK.kits["ca"]}))
    assert kit_of(ground(fitted=none)) is None


def test_minutes_until_a_day_are_those_of_the_log() -> None:
    """Until the 1st of April the week begins on the 26th: two tests of the usual five minutes."""
    assert ground().minutes_until(date(2026, 4, 1)) == 30.0 - 2 * 5.0
    assert np.isfinite(ground().minutes_until(date(2026, 3, 30)))
