"""The one plan, made for tanks that are known or hardly known."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time, timedelta
from itertools import pairwise

import numpy as np
import pytest

from estimator import units
from estimator.advice.alarms import Alarm
from estimator.advice.asked_tests import AskedTest
from estimator.advice.flow import recommend
from estimator.fit.posterior import Posterior
from estimator.inputs.tank import Composition, Kit, Tank, Target
from estimator.next_tests.candidates import REFERENCE, Bench
from estimator.plan import planner
from estimator.plan.course import Rhythm
from estimator.plan.ground import Ground, ground_of
from estimator.plan.planner import _held_still, make_plan, schedule_for
from estimator.plan.result import Chances, Plan, TestGain, Today
from estimator.plan.search import search
from estimator.plan.task import REPORT_DAYS
from estimator.plan.told import told_by
from estimator.remark import Remark
from helpers.plans import known, unsure
from helpers.searches import task
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
READ = [(float(day) + 0.6, "alkalinity", "tank", "alk", 8.2 * DKH) for day in range(0, 29, 2)]
DOSED = [(0.2, "dose_rate", "soda", 300 / 1.9), (0.2, "dose_rate", "chloride", 150 / 1.84)]
RUNNING = [(0.2, "flow", "", 50_000 / 24)]
CARRIES = {"flow_l_d": 50.0, "dosed_meq_d": 0.0, "effluent_tested": True}
"""A pump that brings just what is taken."""


class Fitted:
    """What a plan asks of a fit."""

    def __init__(self, posterior: Posterior, tank: Tank, actions) -> None:
        self.log, self.tank = example_log(READ, actions), tank
        days = tuple(
            self.log.end.date() - timedelta(days=28 - j) for j in range(len(posterior.days))
        )
        self.posterior = replace(
            posterior, days=(*days[:-1], self.log.end.date()), checks=posterior.checks
        )
        self.schedule = self

    present_flow_l_d = 1.0


def tank(**changes) -> Tank:
    """Half a dKH may be gained a day."""
    stated = example_tank()
    band = Target(7.6 * DKH, 8.8 * DKH, "dKH", 0.5 * DKH)
    return replace(stated, **({"targets": {**stated.targets, "alkalinity": band}} | changes))


def ground(
    posterior: Posterior,
    actions=DOSED,
    of: Tank | None = None,
    alarms: tuple[Alarm, ...] = (),
    minutes: float = 30.0,
    **changes,
) -> Ground:
    """What a plan is made from."""
    of = of or tank()
    fitted = Fitted(posterior, of, actions)
    advice = recommend(posterior, of, np.random.SeedSequence(7))
    given = {"shown": True} | changes
    return ground_of(fitted, advice, alarms, minutes, **given)  # type: ignore[arg-type]


def plan(*args, seed: int = 3, **kwargs) -> Plan:
    """The plan with its schedule so far."""
    return make_plan(ground(*args, **kwargs), np.random.SeedSequence(seed))[0]


def alarm(about: str, code: str, chance: float = 0.9) -> Alarm:
    """An alarm that asks for the effluent twice."""
    told = Remark(f"alarm_{code}"), Remark(f"alarm_{code}_check")
    tests = (AskedTest("alkalinity", "effluent", "alk", 2, 12.0),)
    since = example_log(READ, []).end.date() - timedelta(days=3)
    return Alarm(about, "", chance, since, np.full(9, -0.3), "share", *told, tests)


def check_rule(found: Plan) -> None:
    """Rows meet without a gap, in order, from open to open; changes stand in every "set" row."""
    assert found.rule is not None
    cases = found.rule.cases
    assert len(cases) <= 7
    assert cases[0].from_meq_l is None
    assert cases[-1].to_meq_l is None
    for lower, upper in pairwise(cases):
        assert lower.to_meq_l == upper.from_meq_l
        assert lower.to_meq_l is not None
    for case in cases:
        assert (case.dose_change_ml_d is None) == (case.do != "set")
        assert (case.flow_change_ml_h is None) == (case.do != "set")
    assert [case.do for case in cases] == [
        *("report", "repeat", "set", "set", "set", "repeat", "report")
    ]


def test_a_pump_that_carries_the_load_is_left() -> None:
    """Nothing is known to be better by two days in a hundred."""
    found = plan(known(**CARRIES), RUNNING)
    assert found.kind == "hold"
    assert found.left
    assert found.today.flow_ml_h == pytest.approx(2083, abs=10)
    assert set(found.today.dose_ml_d.values()) == {0.0}
    assert found.chances is not None
    assert found.chances.good_days > 0.95
    assert 3 <= (found.report_again - found.begins).days <= 7


def test_a_pump_that_brings_too_little_is_raised() -> None:
    """35 L/day bring two thirds: the pump goes up, the more the lower the level stands."""
    low = CARRIES | {"flow_l_d": 35.0}
    flow = plan(known(**low), [(0.2, "flow", "", 35_000 / 24)]).today.flow_ml_h
    assert flow is not None
    assert 1900 <= flow <= 2500


def test_pump_changes_of_the_rule_are_a_fifth_at_most() -> None:
    """Both ways, in steps of the pump, and the dosing is left alone."""
    posterior = unsure(**(CARRIES | {"at_l_d": 50.0, "drift": np.full(800, 0.02)}))
    found = plan(posterior, RUNNING)
    check_rule(found)
    assert found.rule is not None
    assert found.today.flow_ml_h is not None
    changes = [case.flow_change_ml_h for case in found.rule.cases if case.do == "set"]
    assert changes[0] >= 0 >= changes[2]
    assert changes[1] == 0
    assert max(map(abs, changes)) <= 0.2 * found.today.flow_ml_h + 1e-9
    assert all(set(c.dose_change_ml_d.values()) == {0.0} for c in found.rule.cases[2:5])


def test_an_untested_reactor_gets_its_first_step_and_a_test_of_its_effluent() -> None:
    """The plan goes no further than what is known: one setting, the effluent on the next day, and
    the report with it; the rest of the load stays dosed."""
    found = plan(unsure(), DOSED)
    assert found.kind == "hand_over"
    assert found.ladder == ()
    assert found.today.flow_ml_h is not None
    assert 0 < found.today.flow_ml_h < 1000
    assert 0 < found.today.dose_ml_d["soda"] < 300 / 1.9
    assert found.report_again == found.begins + timedelta(days=1)
    tests = [(t.of, t.repeats, t.time.date()) for t in found.tests]
    assert ("effluent", 2, found.report_again) in tests
    assert found.ends_at_ml_h is not None
    assert found.ends_at_ml_h > found.today.flow_ml_h


def test_a_tested_reactor_is_handed_more_and_less_is_dosed_for_it() -> None:
    """20 L/day run and 180 meq/day are dosed: the pump goes on, and dosing comes down."""
    posterior = unsure(
        effluent_sd=0.03, flow_l_d=20.0, at_l_d=20.0, dosed_meq_d=180.0, effluent_tested=True
    )
    found = plan(posterior, [(0.2, "flow", "", 20_000 / 24), (0.2, "dose_rate", "soda", 180 / 1.9)])
    assert found.kind == "hand_over"
    assert found.today.flow_ml_h is not None
    assert found.today.flow_ml_h > 833
    assert found.today.dose_ml_d["soda"] < 180 / 1.9
    assert all(rung.on < found.report_again for rung in found.ladder)
    if found.ladder:
        assert found.ladder[0].flow_ml_h == found.today.flow_ml_h
        assert found.ladder[0].on == found.begins


def test_a_low_level_is_put_right_from_today_on_at_the_safe_rate() -> None:
    """6.6 dKH, 1.6 below the middle, 0.35 a day at most: five days, 0.32 dKH of 600 L each."""
    level = np.full(200, 6.6 * DKH)
    found = plan(known(**CARRIES, alkalinity_now_meq_l=level), RUNNING)
    assert found.kind == "correct"
    assert [once.on for once in found.today.once] == [
        found.begins + timedelta(days=day) for day in range(5)
    ]
    for once in found.today.once:
        assert once.solution == "soda"
        assert once.ml == pytest.approx(0.32 * DKH * 600 / 1.9, abs=1.0)
    assert found.chances is not None
    assert np.median(found.chances.largest_daily_rise_meq_l) <= 0.5 * DKH + 1e-9


def test_without_a_reactor_the_rates_are_the_plan() -> None:
    """300 meq/day of soda and the calcium that goes with it; no flow."""
    of = tank(reactor=None)
    found = plan(unsure(), DOSED, of)
    assert found.kind == "dose"
    assert found.today.flow_ml_h is None
    assert found.today.dose_ml_d["soda"] == pytest.approx(300 / 1.9, rel=0.1)
    assert found.today.dose_ml_d["chloride"] > 0
    check_rule(found)


def test_calcium_pauses_while_it_is_high_and_comes_back() -> None:
    """It has its entry, 0, and is named; once calcium is in its band it is dosed again, though the
    log ends without it."""
    of = tank(reactor=None)
    high = unsure(calcium_now_mmol_l=np.full(800, 12.5))
    paused = plan(high, DOSED, of)
    assert paused.today.dose_ml_d["chloride"] == 0.0
    assert paused.pauses == ("chloride",)
    stopped = [*DOSED, (20.0, "dose_rate", "chloride", 0.0)]
    again = plan(unsure(calcium_now_mmol_l=np.full(800, 10.6)), stopped, of)
    assert again.today.dose_ml_d["chloride"] > 0
    assert again.pauses == ()


def test_while_a_cause_is_to_be_found_the_pump_goes_up_a_fifth_at_most() -> None:
    """The effluent weakens, unconfirmed: 30 of 50 L/day, a solution bridges; the check comes
    first, and the next report on the next day."""
    weak = alarm("effluent", "effluent_down")
    low = CARRIES | {"flow_l_d": 30.0}
    found = plan(known(**low), [(0.2, "flow", "", 30_000 / 24)], alarms=(weak,))
    assert found.kind == "check"
    assert found.today.flow_ml_h is not None
    assert found.today.flow_ml_h <= 1.2 * 1250
    assert found.report_again == found.begins + timedelta(days=1)
    assert found.tests[0].of == "effluent"
    assert found.tests[0].repeats == 2


def test_while_additions_are_missing_from_the_log_settings_stay() -> None:
    """What holds the level holds it, whatever it is: 160 of 300 meq/day seem to be enough."""
    missing = alarm("additions", "additions_up")
    found = plan(
        unsure(uptake=np.full(800, 0.3), dosed_meq_d=160.0),
        [(0.2, "dose_rate", "soda", 160 / 1.9)],
        tank(reactor=None),
        alarms=(missing,),
    )
    assert found.kind == "check"
    assert found.today.dose_ml_d["soda"] == 84.0
    assert found.report_again == found.begins + timedelta(days=1)


@pytest.mark.parametrize("about", ["strength", "volume", "fit", "log age"])
def test_what_cannot_be_right_leaves_everything_as_it_is(about: str) -> None:
    """Present settings, no rule, no chances, a report tomorrow."""
    found = plan(known(), DOSED, alarms=(alarm(about, about),))
    assert found.kind == "check"
    assert found.today.flow_ml_h == 0.0
    assert found.today.dose_ml_d == {"soda": 158.0, "chloride": 82.0}
    assert found.rule is None
    assert found.chances is None
    assert found.report_again == found.begins + timedelta(days=1)


def test_a_failed_fit_still_says_what_is_safe() -> None:
    """Everything stays, and the tank is tested before the next report."""
    found = plan(known(), DOSED, shown=False)
    assert found.kind == "none"
    assert found.today.dose_ml_d["soda"] == 158.0
    assert [(t.of, t.serves) for t in found.tests] == [("tank", "rule")]


@pytest.mark.parametrize("minutes", [0.0, 5.0, 6.0, 13.0, 30.0, 60.0])
def test_no_more_minutes_are_asked_than_given(minutes: float) -> None:
    """Of all tests together, whatever they serve; every time is later than the log's end and not
    after the report."""
    for posterior, actions in (
        (unsure(), DOSED),
        (unsure(**(CARRIES | {"at_l_d": 50.0})), RUNNING),
    ):
        found = plan(posterior, actions, minutes=minutes)
        assert sum(test.minutes for test in found.tests) <= minutes + 1e-9
        end = example_log(READ, []).end
        assert all(t.time > end and t.time.date() <= found.report_again for t in found.tests)
        keys = [(t.time, t.entry, t.of) for t in found.tests]
        assert len(set(keys)) == len(keys)


def test_a_kit_that_is_unsure_is_checked_where_there_is_a_reference() -> None:
    """Twice, on the first day; not where its calibration is known to a hundredth."""
    of = tank(references={"standard": Composition("standard", {"alkalinity": 7.0 * DKH})})
    posterior = unsure(kit_sd=0.05, **(CARRIES | {"at_l_d": 50.0}))
    assert "standard" in {t.of for t in plan(posterior, RUNNING, of, minutes=60.0).tests}
    sure = unsure(kit_sd=0.01, **(CARRIES | {"at_l_d": 50.0}))
    assert "standard" not in {t.of for t in plan(sure, RUNNING, of, minutes=60.0).tests}


def test_a_coarse_kit_changes_little_at_each_step() -> None:
    """Half-dKH steps: at least one figure of the kit is near, and a change is no more than a fifth
    of the load."""
    coarse = Kit("alk", "alkalinity", "dKH", 0.5 * DKH, 0.2 * DKH, 0.05, 6.0)
    of = tank(reactor=None, kits={**example_tank().kits, "alk": coarse})
    found = plan(unsure(), DOSED, of)
    if found.rule is None:
        return
    check_rule(found)
    low, high = found.rule.cases[3].from_meq_l, found.rule.cases[3].to_meq_l
    figures = np.arange(0, 40) * 0.5 * DKH
    assert np.sum((figures >= low) & (figures < high)) >= 1
    change = found.rule.cases[2].dose_change_ml_d["soda"]
    assert change <= 0.2 * 300 / 1.9


def test_the_plan_begins_on_the_day_of_the_last_entry() -> None:
    """Where that is still to be had; else on the next, or on the day of the report."""
    first = ground(known())
    assert first.begins == first.fitted.log.end.date()
    late = ground(known())
    late.fitted.log = replace(late.fitted.log, end=late.fitted.log.end.replace(hour=23))
    again = ground_of(late.fitted, late.recommendation, (), 30.0, shown=True)
    assert again.begins == first.begins + timedelta(days=1)
    asked = first.begins + timedelta(days=5)
    later = ground_of(first.fitted, first.recommendation, (), 30.0, shown=True, today=asked)
    assert later.begins == asked


def test_one_seed_makes_one_plan() -> None:
    """And another futures."""
    first, second = (plan(unsure(), DOSED, seed=seed) for seed in (3, 3))
    assert first.chances.good_days == second.chances.good_days
    assert first.today == second.today
    assert plan(unsure(), DOSED, seed=4).chances.good_days != first.chances.good_days


def test_every_kind_of_report_has_its_day() -> None:
    """A week at most."""
    assert all(1 <= day <= 7 for days in REPORT_DAYS.values() for day in days)


BENCH = Bench(
    now=datetime(2026, 3, 29, 15),
    daily=time(19),
    lights_on=time(10),
    lights_off=time(20),
    kits={"alkalinity": Kit("alk", "alkalinity", "dKH", 0.1, None, None, 6.0)},
    runs=True,
    reference="standard",
    running=(),
)


def checks(monkeypatch, *good_days: float, loses: float = 0.0, **of) -> int:
    """How often the kit is checked where 1, 2, … checks bring so much, and each takes the place of
    tests that brought `loses`."""
    key, bench = of.get("key", "reference"), of.get("bench", BENCH)
    gains = [TestGain("tank", 1, 0.5, 0.0)]
    gains += [TestGain(key, n, days, 0.0) for n, days in enumerate(good_days, start=1)]
    monkeypatch.setattr(planner, "search", lambda task, _: task.minutes_per_week)
    monkeypatch.setattr(planner, "_worth", lambda _, left, __: 0.9 - loses * (30.0 - left) / 6.0)
    chosen, found = planner._with_kit_checks(task(), 30.0, (None, None), gains, bench)
    assert chosen == 30.0 - 6.0 * found
    return found


def test_checks_of_the_kit_are_worth_the_minutes_of_all_of_them(monkeypatch) -> None:
    """A minute costs 0.0005 good days, each check six: 0.003. A second one is to bring as much
    more, and the first as much; without a solution at hand there is none."""
    assert checks(monkeypatch, 0.010, 0.0125, 0.0150) == 1
    assert checks(monkeypatch, 0.010, 0.0135, 0.0160) == 2
    assert checks(monkeypatch, 0.010, 0.0135, 0.0170) == 3
    assert checks(monkeypatch, 0.0031) == 1
    assert checks(monkeypatch, 0.0029) == 0
    assert checks(monkeypatch, 0.5, key="effluent_alkalinity") == 0
    assert checks(monkeypatch, 0.5, bench=replace(BENCH, reference=REFERENCE)) == 0


def test_checks_are_weighed_against_the_tests_that_they_displace(monkeypatch) -> None:
    """Each costs 0.003 for its minutes and 0.01 for what is tested less."""
    assert checks(monkeypatch, 0.0129, 0.0259, loses=0.01) == 0
    assert checks(monkeypatch, 0.0129, 0.0261, loses=0.01) == 2
    assert checks(monkeypatch, 0.0132, 0.0261, loses=0.01) == 1


@pytest.mark.parametrize(("worth", "takes_its_place"), [(0.06, True), (0.04, False)])
def test_checks_take_the_place_of_tests_that_are_worth_less(
    monkeypatch, worth: float, takes_its_place: bool
) -> None:
    """Two checks take twelve of the sixty minutes, which costs 0.05 good days: where they bring
    more they are made, and the plan is the one with fewer minutes."""
    searched, chosen, told = [], [], []

    def spying_search(task, futures):
        searched.append(task.minutes_per_week)
        chosen.append(search(task, futures))
        return chosen[-1]

    def spying_told(ground, task, taken, futures, kind):
        told.append(taken)
        return told_by(ground, task, taken, futures, kind)

    monkeypatch.setattr(planner, "search", spying_search)
    monkeypatch.setattr(planner, "told_by", spying_told)
    monkeypatch.setattr(planner, "gains_of", lambda *_: (TestGain("reference", 2, worth, 0.0),))
    monkeypatch.setattr(planner, "_worth", lambda _, taken, __: 0.9 if taken is chosen[0] else 0.85)
    of = tank(
        references={"standard": Composition("standard", {"alkalinity": 7.0 * DKH})},
        kits={"alk": replace(example_tank().kits["alk"], minutes=6.0)},
    )
    found = plan(known(**CARRIES), RUNNING, of, minutes=60.0)
    assert searched == [60.0, 48.0]
    assert told[0] is chosen[int(takes_its_place)]
    checked = [(t.of, t.repeats) for t in found.tests if t.of == "standard"]
    assert checked == ([("standard", 2)] if takes_its_place else [])


def test_checks_that_there_is_no_time_for_are_not_weighed(monkeypatch) -> None:
    """Four days have 17 of the thirty minutes, and the report's own tests take twelve."""
    searched = []

    def spying_search(task, futures):
        searched.append(task.minutes_per_week)
        return search(task, futures)

    monkeypatch.setattr(planner, "search", spying_search)
    monkeypatch.setattr(planner, "gains_of", lambda *_: (TestGain("reference", 2, 0.9, 0.0),))
    of = tank(
        references={"standard": Composition("standard", {"alkalinity": 7.0 * DKH})},
        kits={"alk": replace(example_tank().kits["alk"], minutes=6.0)},
    )
    found = plan(known(**CARRIES), RUNNING, of)
    assert searched == [30.0]
    assert not [t for t in found.tests if t.of == "standard"]


def scheduled(of_kind: str = "hold", rhythm: Rhythm | None = None, minutes=90.0, **changes):
    """(day, sample, repeats, serves) of a plan's tests, as asked for, with a report after four
    days."""
    given = ground(known(**(CARRIES | changes.pop("posterior", {}))), RUNNING, minutes=minutes)
    given = replace(given, **{k: changes.pop(k) for k in ("alarms",) if k in changes})
    held = _held_still(given)
    stated = {
        "kind": of_kind,
        "report_again": held.begins + timedelta(days=4),
        "today": Today(1000.0, {}),
    }
    made = replace(held, **(stated | changes))
    found = schedule_for(given, made, rhythm)
    return [((t.time.date() - made.begins).days, t.of, t.repeats, t.serves) for t in found.tests]


def test_the_schedule_holds_the_reports_test_the_rules_and_one_of_the_effluent() -> None:
    """The rule's between today and the report, each with the rhythm's repeats; those of later days
    are the next plan's; without a rhythm only the report's."""
    assert scheduled(rhythm=Rhythm((2, 4, 6), 2, (4, 8))) == [
        (4, "tank", 2, "rule"),
        (2, "tank", 2, "rule"),
        (4, "effluent", 1, "learning"),
    ]
    assert scheduled() == [(4, "tank", 1, "rule"), (4, "effluent", 1, "learning")]
    off = {"today": Today(0.0, {}), "posterior": {"flow_l_d": None}}
    assert scheduled(**off) == [(4, "tank", 1, "rule")]


def test_an_effluent_that_was_never_tested_is_tested_first_and_once() -> None:
    """Twice on the day after the first step, which is no day for another; not while it stands."""
    untested = {"posterior": {"effluent_tested": False}}
    assert scheduled(**untested) == [(1, "effluent", 2, "learning"), (4, "tank", 1, "rule")]
    off = untested | {"today": Today(0.0, {})}
    assert scheduled(**off) == [(4, "tank", 1, "rule")]


def test_an_alarms_tests_are_asked_for_while_a_cause_is_to_be_found() -> None:
    """Of an alarm that stands; of a lesser one too where nothing can be foretold."""
    weak = alarm("effluent", "effluent_down", 0.9)
    asked = (0, "effluent", 2, "learning")
    assert scheduled("check", alarms=(weak,))[0] == asked
    lesser = replace(weak, chance=0.4)
    assert scheduled("check", alarms=(lesser,))[0] == asked
    judged = Chances(7, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9, np.zeros(2))
    assert scheduled("check", alarms=(lesser,), chances=judged)[0] == (4, "tank", 1, "rule")
    assert scheduled("check", alarms=(weak,), chances=judged)[0] == asked
    assert scheduled("hold", alarms=(weak,))[0] == (4, "tank", 1, "rule")
