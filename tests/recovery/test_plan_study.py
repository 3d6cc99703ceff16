"""Keepers of the study of plans do what a plan says; the study itself is `plan_study.py`."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from estimator.inputs.records import Action
from estimator.plan.result import Case, Once, Plan, Rung, TestRule, Today
from estimator.synthetic.simulation import simulate_levels, simulate_log
from helpers.keepers import DKH
from recovery import plan_study
from recovery.plan_study import FOLLOWED, WORLDS, Keeper, TrueTank, odd_case

LOW, HIGH = 7.75 * DKH, 8.65 * DKH


def keeper_of(kind: str) -> Keeper:
    """One keeper at the end of the forty days."""
    rng = np.random.default_rng(3)
    case = odd_case(kind, WORLDS["calm"], rng)
    log = simulate_log(case.tank, case.log, case.truth, rng)
    start = datetime.combine(log.end.date() + timedelta(days=1), datetime.min.time())
    start += timedelta(hours=19)
    return Keeper(TrueTank(case, log, start), log, rng, start, WORLDS["calm"])


def plan_for(keeper: Keeper, rows: tuple[Case, ...], **changes) -> Plan:
    """A plan of which a keeper sees no more than what is set and the rule."""
    today = Today(200.0, {"soda": 30.0, "chloride": 12.0})
    stated = {
        **dict.fromkeys(Plan.__dataclass_fields__),
        "today": today,
        "rule": TestRule("alk", {"soda": 35.0, "chloride": 20.0}, rows),
        "ladder": (),
        "report_again": keeper.now.date() + timedelta(days=7),
    }
    return Plan(**(stated | changes))


ROWS = (
    Case(None, LOW, "repeat"),
    Case(LOW, HIGH, "set", 0.0, {"soda": 0.0, "chloride": 0.0}, "next"),
    Case(HIGH, None, "set", -20.0, {"soda": -40.0, "chloride": 10.0}),
)


@pytest.mark.parametrize("kind", FOLLOWED)
def test_the_true_tank_is_the_simulators(kind: str) -> None:
    """Two integrations of one truth, a quarter of an hour apart in their steps, stay together."""
    keeper = keeper_of(kind)
    true = keeper.true
    flow = Action(9001, keeper.now, "flow", "", true.flow_ml_h)
    log = replace(keeper.log, actions=(*keeper.log.actions, flow) if true.flow_ml_h else ())
    if not true.flow_ml_h:
        log = keeper.log
    true.pass_time(3.0)
    later = keeper.now + timedelta(days=3)
    level = simulate_levels(true.case.tank, log, true.case.truth, [later]).alkalinity_meq_l[0]
    assert true.level == pytest.approx(float(level), abs=0.02)


def test_a_row_is_done_within_the_limits() -> None:
    """40 mL less of 30 is nothing left, 10 more of 12 stops at 20; the pump comes down by 20."""
    keeper = keeper_of("running")
    keeper.take_up(plan_for(keeper, ROWS))
    assert keeper.true.flow_ml_h == 200.0
    assert not keeper.act([9.0 * DKH])
    assert keeper.true.flow_ml_h == 180.0
    assert keeper.true.rates == {"soda": 0.0, "chloride": 20.0}
    done = [(a.kind, a.of, a.value) for a in keeper.log.actions[-3:]]
    assert set(done) == {
        ("flow", "", 180.0),
        ("dose_rate", "soda", 0.0),
        ("dose_rate", "chloride", 20.0),
    }


def test_a_reading_on_the_edge_belongs_to_the_row_above() -> None:
    """From <= reading < to."""
    keeper = keeper_of("running")
    keeper.take_up(plan_for(keeper, ROWS))
    keeper.act([HIGH])
    assert keeper.true.flow_ml_h == 180.0


def test_a_surprise_is_read_again_and_then_reported(monkeypatch) -> None:
    """Low twice in the mean: the report is to be run; once made good: the row of the mean."""
    keeper = keeper_of("running")
    keeper.take_up(plan_for(keeper, ROWS))
    monkeypatch.setattr(Keeper, "read", lambda self, sample: 7.0 * DKH)
    assert keeper.act([7.0 * DKH])
    monkeypatch.setattr(Keeper, "read", lambda self, sample: 9.0 * DKH)
    assert not keeper.act([7.0 * DKH])
    assert keeper.true.flow_ml_h == 200.0


def test_a_rung_is_climbed_on_its_day_and_not_before() -> None:
    """The pump by the difference, the dosing less by what it takes."""
    keeper = keeper_of("running")
    today = keeper.now.date()
    ladder = (
        Rung(today, 200.0, {}),
        Rung(today + timedelta(days=2), 260.0, {"soda": 12.0}),
    )
    keeper.take_up(plan_for(keeper, ROWS, ladder=ladder))
    keeper.act([8.2 * DKH])
    assert keeper.true.flow_ml_h == 200.0
    keeper.wait(keeper.now + timedelta(days=2))
    keeper.act([8.2 * DKH])
    assert keeper.true.flow_ml_h == 260.0
    assert keeper.true.rates["soda"] == 18.0


def test_what_is_given_once_raises_the_level_and_is_written_down() -> None:
    """30 mL on the day of the plan; that of the next day waits."""
    keeper = keeper_of("running")
    day = keeper.now.date()
    once = (Once(day, "soda", 30.0), Once(day + timedelta(days=1), "soda", 30.0))
    level = keeper.true.level
    today = Today(200.0, {"soda": 30.0, "chloride": 12.0}, once)
    keeper.take_up(plan_for(keeper, ROWS, today=today))
    case = keeper.true.case
    rise = 30.0 * case.tank.solutions["soda"].alkalinity_meq_per_ml / case.truth.volume_l
    assert keeper.true.level == pytest.approx(level + rise)
    assert [(a.of, a.value) for a in keeper.log.actions if a.kind == "dose"][-1] == ("soda", 30.0)


def test_shares_are_of_daily_means() -> None:
    """Four days in five in the band, and the largest step between two of them."""
    true = keeper_of("dosing").true
    levels = [8.2, 8.4, 8.0, 9.0, 8.2]
    true.recorded = [level * DKH for level in levels for _ in range(96)]
    found = true.shares()
    assert found["in_band"] == pytest.approx(0.8)
    assert found["largest_rise_dkh"] == pytest.approx(1.0)
    assert found["highest_dkh"] == pytest.approx(9.0)


@pytest.mark.slow
@pytest.mark.sampler
@pytest.mark.parametrize(
    ("kind", "least"), [("hand_over", 0.85), ("running", 0.8), ("dosing", 0.9)]
)
def test_plans_keep_three_tanks_in_the_band(kind: str, least: float) -> None:
    """A short study: three tanks of a kind, never raised faster than the limit."""
    tanks = [plan_study.one_tank(index, 11, kind) for index in range(3)]
    found = plan_study.summary(tanks)
    assert found["in_band"] >= least
    assert found["too_fast"] == 0
    assert found["minutes_per_week"] <= plan_study.MINUTES
