"""What a search is for: the middle tank, the flows to begin with, the limits, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from estimator import units
from estimator.inputs.tank import Kit, Reactor, Tank
from estimator.plan.futures import Futures
from estimator.plan.ground import Ground
from estimator.plan.search import Task
from estimator.plan.task import FURTHEST_UNTESTED, task_of
from helpers.plans import known
from helpers.searches import BAND, LAW, UPTAKE, VOLUME, futures, means
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
ML_H = 24 / 1000
"""L/day."""
PUMP = Reactor(60.0, 6000.0, 10.0)
KITS = {
    "ca": Kit("ca", "calcium", "mg/L", 0.25, None, None, 9.0),
    "alk": Kit("alk", "alkalinity", "dKH", 0.1, None, None, 6.0),
}


def tank(**changes: Any) -> Tank:
    """The kit of alkalinity takes six minutes."""
    stated = example_tank()
    targets = {**stated.targets, "alkalinity": BAND}
    return replace(stated, **({"targets": targets, "kits": KITS} | changes))


def advice(set_to_ml_h: float | None = None, level_in_band: float = 1.0) -> Any:
    setting = None if set_to_ml_h is None else SimpleNamespace(set_to_ml_h=set_to_ml_h)
    return SimpleNamespace(flow=SimpleNamespace(setting=setting, level_in_band=level_in_band))


def task(
    phase: str = "hold",
    of: Futures | None = None,
    posterior: dict[str, Any] | None = None,
    stated: Tank | None = None,
    **changes: Any,
) -> Task:
    """50 L/day of 6 meq/L bring the 300 meq/day that are taken; F0 is 50 L/day."""
    what = {"flow_l_d": 50.0, "reach": 0.5, "gain": 6.0, "effluent_tested": True}
    given = {name: changes.pop(name) for name in list(changes) if name in MEANS}
    plain = {
        "fitted": SimpleNamespace(
            posterior=known(**(what | (posterior or {}))),
            tank=stated or tank(),
            log=example_log([(1.0, "alkalinity", "tank", "alk")]),
        ),
        "recommendation": advice(2083.0),
        "alarms": (),
        "most_ml_h": None,
        "shown": True,
        "means": means(**({"pump": PUMP} | given)),
        "begins": date(2026, 3, 29),
        "minutes_per_week": 30.0,
    }
    ground = Ground(**cast(Any, plain | changes))
    return task_of(ground, of or futures(wander=0.0), phase)


MEANS = set(means().__dataclass_fields__)


def test_the_middle_tank_is_the_median_of_the_futures() -> None:
    """Calibration 1.1, a level of 3.0 that is read 0.1 days of uptake below its mean; titrations
    scatter by 0.08 and the kit's step of 0.1, which is 0.1/√12 more; the uptake drifts by 0.02 a
    day, the effluent by a hundredth of 300 meq/day in 600 L."""
    ahead = futures(wander=0.0)
    ones = np.ones(len(ahead.calibration))
    state = replace(
        ahead.state,
        level_meq_l=3.0 * ones,
        uptake_drift_meq_l_d=0.02 * ones,
        effluent_drift=0.01 * ones,
    )
    ahead = ahead._replace(state=state, calibration=1.1 * ones, below_mean_d=0.1 * ones)
    found = task(of=ahead).belief
    assert found.calibration == pytest.approx(1.1)
    assert found.level_meq_l == 3.0
    assert found.uptake_meq_l_d == UPTAKE
    assert found.below_mean_meq_l == pytest.approx(0.1 * UPTAKE)
    assert found.reading_sd == pytest.approx(np.sqrt(0.08**2 + 0.1**2 / 12))
    # Either may change at once, 0.05 times in a fortnight, by a quarter or so.
    jumps = 0.05 / 14 * (0.25 * UPTAKE) ** 2
    assert found.uptake_drift == pytest.approx(np.sqrt(0.02**2 + jumps))
    assert found.effluent_drift == pytest.approx(np.sqrt(0.01**2 + 0.05 / 14 * 0.25**2))
    assert found.aim_meq_l == BAND.middle
    assert found.load_meq_d == pytest.approx(300.0)


def test_a_reactor_that_runs_keeps_its_pump_between_what_a_log_may_throw_it_to() -> None:
    """At 30 L/day of 50: the load's flow, the same with the level brought back, and the setting
    that is recommended, none beyond one and a half times 30; the present one is the first."""
    found = task(present_l_d=30.0, posterior={"flow_l_d": 30.0}).flows_l_d
    assert found[0] == 30.0
    assert max(found) == pytest.approx(1.5 * 30.0, abs=0.25)
    near = task(present_l_d=48.0, posterior={"flow_l_d": 48.0})
    assert near.flows_l_d == pytest.approx((48.0, 2080 * ML_H))
    assert near.highest_l_d == pytest.approx(6000 * ML_H)
    assert near.ladder_to_l_d is None


@pytest.mark.parametrize(("off_dkh", "sign"), [(-0.5, 1), (0.5, -1)])
def test_a_level_off_its_aim_is_brought_back_by_the_pump(off_dkh: float, sign: int) -> None:
    """At once no faster than by the largest rise, in six days and in three: too low by half a
    dKH, the pump goes above the 50 L/day that hold, too high below."""
    found = task(of=futures(BAND.middle + off_dkh * DKH, wander=0.0))
    faster = [flow - 50.0 for flow in found.flows_l_d[1:]]
    assert sign * min(faster, key=abs) >= -0.2
    rise = 0.5 * DKH / 3
    level = BAND.middle + off_dkh * DKH
    wanted = float(LAW.flow_for((UPTAKE + sign * rise) * VOLUME, level))
    assert max(faster, key=abs) == pytest.approx(
        min(max(wanted, 25.0), 75.0) - 50.0, abs=5 * ML_H + 1e-9
    )


def test_the_pump_goes_no_further_than_a_cause_to_be_found_allows() -> None:
    """1200 mL/h at most, 28.8 L/day, though 50 are recommended; a hand-over ends there too."""
    held = task(
        present_l_d=24.0, posterior={"flow_l_d": 24.0}, most_ml_h=1200.0, present_meq_d=150.0
    )
    assert held.highest_l_d == pytest.approx(1200 * ML_H)
    assert max(held.flows_l_d) <= 1200 * ML_H + 1e-9
    handed = task(
        "hand_over",
        present_l_d=24.0,
        posterior={"flow_l_d": 24.0},
        most_ml_h=1200.0,
        present_meq_d=150.0,
    )
    assert handed.ladder_to_l_d == pytest.approx(1200 * ML_H)


def test_where_the_flow_cannot_be_said_it_goes_to_three_times_the_present_one() -> None:
    """No setting is recommended at 10 L/day: 30 at most, and a hand-over ends there; with one
    there is the pump's limit and the setting."""
    stated = {"present_l_d": 10.0, "posterior": {"flow_l_d": 10.0}, "present_meq_d": 200.0}
    unsaid = task("hand_over", recommendation=advice(), **stated)
    assert FURTHEST_UNTESTED == 3.0
    assert unsaid.highest_l_d == pytest.approx(30.0)
    assert unsaid.ladder_to_l_d == pytest.approx(30.0)
    said = task("hand_over", **stated)
    assert said.highest_l_d == pytest.approx(144.0)
    assert said.ladder_to_l_d == pytest.approx(2083 * ML_H)
    # Half of saturation at 10 L/day: beyond 40 more flow brings little, but no less than what runs.
    slow = {"reach": 0.25, "gain": 3.0, "at_l_d": 30.0}
    for present, end in ((20.0, 40.0), (50.0, 50.0)):
        runs = {"present_l_d": present, "posterior": {"flow_l_d": present, **slow}}
        found = task("hand_over", recommendation=advice(), present_meq_d=200.0, **runs)
        assert found.ladder_to_l_d == pytest.approx(end, abs=5 * ML_H)
    # What is needed is enough.
    assert task(
        "hand_over", recommendation=advice(), present_l_d=40.0, present_meq_d=99.0
    ).ladder_to_l_d == pytest.approx(50.0, abs=5 * ML_H)


def test_a_hand_over_goes_a_part_of_the_way() -> None:
    """From 10 L/day, 100 meq/day, to 50, 300: a quarter of the way is 150, a half 200, three
    quarters 250. It goes on while the level is most likely inside, and may wait else."""
    stated = {"present_l_d": 10.0, "posterior": {"flow_l_d": 10.0}, "present_meq_d": 200.0}
    law = known(flow_l_d=50.0, reach=0.5, gain=6.0).law.median()
    supply = [float(np.squeeze(law.supply_meq_d(10.0, BAND.middle)))]
    found = task("hand_over", **stated, recommendation=advice(50_000 / 24, 0.8))
    parts = [float(LAW.supply_meq_d(flow, BAND.middle)) for flow in found.flows_l_d]
    first, last = (float(LAW.supply_meq_d(flow, BAND.middle)) for flow in (10.0, 50.0))
    assert supply[0] == pytest.approx(first)
    assert parts == pytest.approx(
        [first + part * (last - first) for part in (0.25, 0.5, 0.75, 1.0)], abs=1.5
    )
    waits = task("hand_over", **stated, recommendation=advice(50_000 / 24, 0.79))
    assert waits.flows_l_d == (10.0, *found.flows_l_d)


def test_the_first_setting_of_an_untested_reactor_is_a_small_part_of_the_load() -> None:
    """An eighth and a quarter of 300 meq/day, as chemistry has it; no rung is known after it."""
    found = task(
        "untested",
        present_l_d=0.0,
        present_meq_d=300.0,
        posterior={"flow_l_d": None, "effluent_tested": False},
    )
    carried = [float(LAW.supply_meq_d(flow, BAND.middle)) for flow in found.flows_l_d]
    assert carried == pytest.approx([0.12 * 300, 0.25 * 300], abs=1.5)
    assert found.first_only
    assert not task("hand_over", present_meq_d=300.0).first_only


@pytest.mark.parametrize(
    ("of", "doses"),
    [
        ({}, False),
        ({"present_meq_d": 1.0}, True),
        ({"present_l_d": 0.0}, True),
        ({"reactor": False}, True),
        ({"reactor": False, "ml_per_meq": {}}, False),
        # 2000 mL/h bring 294 of 300 meq/day, 2200 bring 308.
        ({"pump": Reactor(60.0, 2000.0, 10.0)}, True),
        ({"pump": Reactor(60.0, 2200.0, 10.0)}, False),
    ],
)
def test_something_is_dosed_where_the_reactor_does_not_do(of: dict[str, Any], doses: bool) -> None:
    """Where it is dosed now, nothing runs, there is no reactor, or the pump is too small; and
    there is something to dose."""
    assert task(**of).doses == doses


def test_settings_that_hold_are_left_while_additions_are_missing() -> None:
    """The pump at its flow and the dosing at its rate."""
    missing = cast(Any, SimpleNamespace(about="additions", chance=0.9, code="alarm_additions_up"))
    found = task("check", alarms=(missing,), present_l_d=30.0, present_meq_d=100.0)
    assert found.flows_l_d == (30.0,)
    assert found.dose_stays
    assert not task(present_meq_d=100.0).dose_stays


def test_minutes_leave_room_for_a_test_of_a_running_reactors_effluent() -> None:
    """Six of thirty where the first of them is still to come, or no reactor runs yet; one that was
    tested is in the rhythm of the reports. None are left out without a reactor, nor without a kit,
    whose titrations then never end."""
    assert task().minutes == 6.0
    assert (task().minutes_per_week, task().with_effluent) == (30.0, True)
    off = task("hand_over", present_l_d=0.0)
    assert (off.minutes_per_week, off.with_effluent) == (24.0, False)
    assert task(reactor=False).minutes_per_week == 30.0
    unstated = {name: replace(kit, minutes=None) for name, kit in KITS.items()}
    assert task("hand_over", present_l_d=0.0, stated=tank(kits=unstated)).minutes_per_week == 25.0
    none = task(stated=tank(kits={"ca": KITS["ca"]}))
    assert none.minutes == np.inf
    assert none.minutes_per_week == 30.0


def test_the_report_comes_sooner_only_where_there_are_minutes_for_it() -> None:
    """Dosing alone: after four days or a week, with 30 minutes a week, of which four days have
    all where nothing was tested; a day is too short for a test of six minutes out of four."""
    both = task("dose", reactor=False, present_l_d=0.0).reports
    assert [one.days for one in both] == [(4, 8, 12), (7,)]
    assert [one.minutes for one in both] == [30.0, 30.0]
    poor = task("correct", reactor=False, present_l_d=0.0, minutes_per_week=5.0).reports
    assert [one.days for one in poor] == [(3, 6, 9, 12)]
    rich = task("correct", reactor=False, present_l_d=0.0).reports
    assert [one.days for one in rich] == [(1, 4, 7, 10, 13), (2, 5, 8, 11), (3, 6, 9, 12)]
    just = task("correct", reactor=False, present_l_d=0.0, minutes_per_week=6.0).reports
    assert len(just) == 3
    # A reactor's effluent is tested, too: twelve minutes.
    for minutes, days in ((12.0, 3), (11.0, 4)):
        assert task("hold", minutes_per_week=minutes).reports[0].days[0] == days
