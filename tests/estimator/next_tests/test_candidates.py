"""Candidates: what this keeper's kits and tank allow, and what it costs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from estimator.fit.problem import pose
from estimator.next_tests import candidates
from estimator.next_tests.candidates import Bench, Candidate
from estimator.synthetic.demo_case import make_demo
from helpers.tanks import example_log, example_tank


def bench_for(log, tank) -> Bench:
    """The bench after a log."""
    return candidates.bench_of(pose(log, tank))


@pytest.fixture(scope="module")
def demo_bench() -> Bench:
    """The bench of the demo tank: reactor running, dosing pump off, three kits."""
    demo = make_demo()
    return bench_for(demo.log, demo.tank)


@pytest.fixture(scope="module")
def demo_candidates(demo_bench) -> tuple[Candidate, ...]:
    """What the demo's keeper could do."""
    return candidates.candidates_of(demo_bench)


def test_the_demo_tank_has_twenty_candidates_and_more(demo_candidates) -> None:
    """A keeper with three kits and a running reactor is offered at least 20 different things."""
    assert len(demo_candidates) >= 20
    assert len({(c.key, c.repeats) for c in demo_candidates}) == len(demo_candidates)
    assert {c.key for c in demo_candidates} == {kind.key for kind in candidates.CANDIDATE_KINDS}


# Minutes: alkalinity 6, calcium 9 and magnesium 10 in the demo's tank file; a measurement of the
# volume 60 and a stop 10 beside its tests.
MINUTES = {
    "tank_alkalinity": 6,
    "effluent_alkalinity": 6,
    "tank_and_effluent": 12,
    "tank_calcium": 9,
    "tank_magnesium": 10,
    "reference": 6,
    "daily_week": 42,
    "pairs": 36,
    "third_day": 24,
    "weekly_both": 24,
    "volume": 60,
    "stop_day": 12,
}
DAYS = {"daily_week": 7, "pairs": 3, "third_day": 12, "weekly_both": 14, "stop_day": 1}


def test_minutes_are_those_of_the_kits(demo_candidates) -> None:
    """Each candidate costs its tests' minutes, once per repeat, and what is done beside."""
    for candidate in demo_candidates:
        beside = 10 if candidate.key == "stop_day" else 0
        assert candidate.minutes == MINUTES[candidate.key] * candidate.repeats + beside


def test_days_until_the_last_result(demo_candidates) -> None:
    """A series takes its days to the nearest one; what is done at once takes none."""
    for candidate in demo_candidates:
        assert abs(candidate.days - DAYS.get(candidate.key, 0)) < 1.0


def test_a_price_is_told_only_where_every_test_has_one(demo_bench) -> None:
    """Repeats multiply it; one kit without a price leaves the sum unknown."""
    kits = dict(demo_bench.kits)
    kits["alkalinity"] = replace(kits["alkalinity"], price=0.4)
    found = candidates.candidates_of(replace(demo_bench, kits=kits))
    prices = {(c.key, c.repeats): c.price for c in found}
    assert prices["tank_alkalinity", 3] == pytest.approx(1.2)
    assert prices["tank_and_effluent", 2] == pytest.approx(1.6)
    assert prices["tank_calcium", 1] is None


def test_a_kit_that_states_no_minutes_costs_the_usual(demo_bench) -> None:
    """Without a stated time a test counts as the usual five minutes."""
    kits = {p: replace(kit, minutes=None) for p, kit in demo_bench.kits.items()}
    found = candidates.candidates_of(replace(demo_bench, kits=kits))
    assert {c.minutes for c in found if c.key == "tank_calcium"} == {5.0, 10.0, 15.0}


def test_no_effluent_test_without_a_running_reactor() -> None:
    """With the pump off, or no reactor at all, no candidate samples the effluent."""
    readings = [(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5, 9.5)]
    dosing = (0.2, "dose_rate", "soda", 150.0)
    ran = [dosing, (2.0, "flow", "", 1000.0), (8.0, "flow", "", 0.0)]
    for actions in ([dosing], ran):
        found = candidates.candidates_of(bench_for(example_log(readings, actions), example_tank()))
        assert found
        assert not any(r.sample == "effluent" for c in found for r in c.readings)
    running = candidates.candidates_of(bench_for(example_log(readings, ran[:2]), example_tank()))
    assert any(r.sample == "effluent" for c in running for r in c.readings)


def test_nothing_to_stop_where_nothing_is_added() -> None:
    """Stopping is offered only while a pump adds something at the log's end."""
    readings = [(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5, 9.5)]
    off = [(0.2, "dose_rate", "soda", 150.0), (7.0, "dose_rate", "soda", 0.0)]
    by_hand = [(t + 0.6, "dose", "soda", 90.0) for t in range(9)]
    for actions, offered in (([], False), (off, False), (by_hand, False), (off[:1], True)):
        found = candidates.candidates_of(bench_for(example_log(readings, actions), example_tank()))
        assert any(c.key == "stop_day" for c in found) == offered


def test_a_stop_ends_with_everything_as_before() -> None:
    """All that runs goes off after the first test, and on as it was after the second."""
    readings = [(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5, 9.5)]
    actions = [(0.2, "dose_rate", "soda", 150.0), (2.0, "flow", "", 900.0)]
    bench = bench_for(example_log(readings, actions), example_tank())
    (stop, *_) = [c for c in candidates.candidates_of(bench) if c.actions]
    assert stop.risky
    first, second = (r.time for r in stop.readings)
    off = [a for a in stop.actions if a.value == 0.0]
    on = [a for a in stop.actions if a.value]
    assert {(a.kind, a.of) for a in off} == {("dose_rate", "soda"), ("flow", "")}
    assert {(a.kind, a.value) for a in on} == {("dose_rate", 150.0), ("flow", 900.0)}
    assert all(first < a.time < second for a in off)
    assert all(a.time > second for a in on)


def test_only_kits_at_hand_are_offered() -> None:
    """No magnesium kit, no magnesium test; a kit declared but never used counts as at hand."""
    tank = example_tank()
    log = example_log([(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5)])
    keys = {c.key for c in candidates.candidates_of(bench_for(log, tank))}
    assert "tank_magnesium" not in keys
    assert "tank_calcium" in keys
    without = replace(tank, kits={"alk": tank.kits["alk"]})
    assert "tank_calcium" not in {c.key for c in candidates.candidates_of(bench_for(log, without))}


def test_no_test_lies_in_the_past(demo_candidates) -> None:
    """Every test comes after the log's last entry, whatever the usual hour is."""
    end = make_demo().log.end
    assert all(r.time > end for c in demo_candidates for r in c.readings)


def test_the_usual_time_is_that_of_the_tanks_alkalinity_and_the_kit_the_one_most_used() -> None:
    """At seven in the evening the tank, at noon the effluent, at nine calcium; "alk" twice, "other"
    once."""
    tank = example_tank()
    tank = replace(tank, kits={"other": replace(tank.kits["alk"], name="other"), **tank.kits})
    evening, noon, morning = 19 / 24, 12 / 24, 9 / 24
    readings = [(j + evening, "alkalinity", "tank", kit) for j, kit in enumerate(("other", "alk"))]
    readings += [(2 + evening, "alkalinity", "tank", "alk")]
    readings += [(j + noon, "alkalinity", "effluent", "alk") for j in range(1, 6)]
    readings += [(j + morning, "calcium", "tank", "ca") for j in range(6)]
    bench = bench_for(example_log(sorted(readings), [(0.2, "flow", "", 1500.0)]), tank)
    assert (bench.daily.hour, bench.daily.minute) == (19, 0)
    assert bench.kits["alkalinity"].name == "alk"
