"""No setting, or a smaller step, where an alarm stands."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator import units
from estimator.advice.alarms import Alarm, alarms_of
from estimator.advice.flow import Recommendation, recommend
from estimator.fit.checks import ReadingCheck
from estimator.fit.doubts import Doubts
from estimator.fit.posterior import Posterior
from estimator.inputs.dosing import Solution
from estimator.inputs.records import Reading, TankLog
from estimator.plan.guard import Held, held_back, hold, most_meanwhile, withheld
from estimator.remark import Remark
from helpers.plans import known
from helpers.studies import build_study
from helpers.tanks import example_tank

DKH = units.MEQ_L_PER_DKH
TANK = example_tank()
RUNNING = {
    "flow_l_d": 30.0,
    "dosed_meq_d": 0.0,
    "effluent_tested": True,
}


def alarm(about: str, code: str, chance: float = 0.8) -> Alarm:
    """An alarm since three days before the end of the log."""
    since = build_study("alarmed").log.end.date() - timedelta(days=3)
    told = Remark(f"alarm_{code}"), Remark(f"alarm_{code}_check")
    return Alarm(about, "", chance, since, np.full(9, -0.3), "share", *told, ())


WEAK = alarm("effluent", "effluent_down")


def case(present_l_d: float = 30.0, **changes) -> tuple[Posterior, Recommendation, TankLog]:
    """A known tank that needs 50 L/day and gets less; the log is that of a running reactor."""
    posterior = known(**(RUNNING | {"flow_l_d": present_l_d} | changes))
    return posterior, recommend(posterior, TANK, np.random.SeedSequence(1)), build_study("full").log


def held(alarms: tuple[Alarm, ...], log: TankLog | None = None, flow: float = 30.0) -> Held | None:
    posterior, advice, usual = case(flow)
    return held_back(advice, alarms, posterior, log or usual, TANK)


def test_a_raise_is_held_to_a_fifth_while_the_effluent_most_likely_weakens() -> None:
    """30 L/day is 1250 mL/h: 1500 is a fifth more, 50 L/day or 2083 mL/h are needed; what is
    lacking, 300 less 36 times 6 meq/day, is dosed."""
    found = held((WEAK,))
    assert found is not None
    assert found.set_to_ml_h == pytest.approx(1500)
    assert found.wanted_ml_h > 2000
    assert found.bridge_meq_d == pytest.approx(84.0)
    assert found.bridge_ml_d == {"soda": pytest.approx(84.0 / 1.9)}


def test_the_bridge_heeds_what_the_chamber_adds_at_the_faster_flow() -> None:
    """0.6 of 10 meq/L at 30 L/day, F0 45: at 36 L/day 36 · 10 / (1 + 36/45) = 200 meq/day, so that
    100 are lacking; with the limit of 450, 90 L/day or 3750 mL/h would carry the 300."""
    posterior, advice, log = case(reach=0.6, at_l_d=30.0)
    found = held_back(advice, (WEAK,), posterior, log, TANK)
    assert found is not None
    assert found.set_to_ml_h == pytest.approx(1500)
    assert found.wanted_ml_h == pytest.approx(3750, abs=10)
    assert found.bridge_meq_d == pytest.approx(100.0)


def test_the_bridge_is_for_the_middle_of_the_band() -> None:
    """A low tank takes up less than it will once it is right: what the bridge makes good is the
    load of the middle, 300 meq/day, not the 276 of now."""
    level = 2.6  # 0.32 meq/L low; uptake answers by 0.25 per meq/L
    posterior, advice, log = case(
        level_response_l_meq=0.25,
        alkalinity_now_meq_l=np.full(200, level),
        uptake_meq_l_d=np.full((200, 3), 0.5 * (1 + 0.25 * (level - 8.2 * DKH))),
    )
    assert posterior.uptake_now_meq_l_d[0] * 600 == pytest.approx(276.0, abs=1)
    found = held_back(advice, (WEAK,), posterior, log, TANK)
    assert found is not None
    assert found.bridge_meq_d == pytest.approx(84.0)


def test_no_more_is_held_than_needs_be() -> None:
    """Nothing is held without the alarm, below an even chance, for a small raise or a lowering."""
    assert held(()) is None
    assert held((replace(WEAK, chance=0.4),)) is None
    assert held((WEAK,), flow=45.0) is None
    assert held((WEAK,), flow=80.0) is None
    assert held((alarm("effluent", "effluent_up"),)) is None


def test_a_pump_that_stands_starts_from_its_last_flow() -> None:
    """Switching off and on again is no way round."""
    posterior, _, log = case()
    stands = replace(posterior, present_flow_l_d=0.0)
    advice = recommend(stands, TANK, np.random.SeedSequence(1))
    found = held_back(advice, (WEAK,), stands, log, TANK)
    assert found is not None
    assert found.set_to_ml_h == pytest.approx(1500)


def confirmed(*values_dkh: float, odd: bool) -> Held | None:
    """Held or not with effluent tests in the last three days, each odd or not."""
    study = build_study("alarmed")
    flow = replace(study.log.actions[0], value=1250.0)
    tests = tuple(
        Reading(
            900 + i,
            study.log.end - timedelta(hours=i),
            "alkalinity",
            "effluent",
            "",
            value * DKH,
            "dKH",
            "drops",
        )
        for i, value in enumerate(values_dkh)
    )
    readings = tuple(sorted((*study.log.readings, *tests), key=lambda r: r.time))
    log = replace(study.log, readings=readings, actions=(flow, *study.log.actions[1:]))
    posterior, advice, _ = case()
    ordinary = 0.01 if odd else 0.9
    checks = tuple(ReadingCheck(r, r.value, 0.1, ordinary, 0.5, -0.5) for r in tests)
    return held_back(advice, (WEAK,), replace(posterior, checks=checks), log, TANK)


def test_an_effluent_test_that_confirms_it_lets_the_plan_follow() -> None:
    """One test that fits the tank's fall, or two that agree; not one odd test, nor two apart.

    Before, the effluent read 27.5 dKH."""
    assert confirmed(21.5, odd=False) is None
    assert confirmed(21.5, 21.8, odd=True) is None
    assert confirmed(21.5, odd=True) is not None
    assert confirmed(21.5, 17.0, odd=True) is not None
    assert confirmed(27.5, odd=False) is not None


def test_no_test_confirms_while_the_gas_is_lacking() -> None:
    """A chamber whose pH rises needs gas, not flow, whatever the effluent reads."""
    gas = replace(alarm("chamber ph", "chamber_ph_up"), unit="pH")
    assert held((gas,)) is not None
    assert held((replace(gas, chance=0.4),)) is None


def test_the_setting_that_is_held_is_told_with_its_bridge() -> None:
    """Its chance is that with the bridge dosed, which the note names."""
    posterior, advice, log = case()
    found = held_back(advice, (WEAK,), posterior, log, TANK)
    assert found is not None
    advice = hold(advice, found, posterior, TANK, np.random.SeedSequence(2))
    assert advice.flow.setting is not None
    assert advice.flow.setting.set_to_ml_h == found.set_to_ml_h
    assert advice.flow.in_band_probability == 1.0
    assert found.note().values["dose_ml_d"]["soda"] == pytest.approx(
        found.bridge_ml_d["soda"], abs=1
    )


@pytest.mark.parametrize("about", ["strength", "volume"])
def test_no_setting_where_its_ground_is_wrong(about: str) -> None:
    """A wrong strength or volume withholds the setting and names the reason."""
    _, advice, _ = case()
    found = withheld(advice, (alarm(about, f"{about}_wrong"),), Doubts(), TANK)
    assert found.status == "withheld"
    assert found.reasons == (Remark("withheld_cause_first", {"about": about}),)
    assert found.flow.setting is None
    assert found.flow.in_band_probability is None


def test_spoiled_alkalinity_withholds_the_setting_and_spoiled_calcium_its_rates() -> None:
    """Calcium can be withheld while alkalinity stands."""
    _, advice, _ = case()
    alkalinity = withheld(advice, (), Doubts((), frozenset({"alkalinity"})), TANK)
    assert alkalinity.flow.setting is None
    calcium = withheld(advice, (), Doubts((), frozenset({"calcium"})), TANK)
    assert calcium.flow.setting == advice.flow.setting
    assert set(advice.dose_ml_d) == {"soda", "chloride"}
    assert set(calcium.dose_ml_d) == {"soda"}


def test_the_made_up_study_is_held() -> None:
    """The kind of report that the page is tried with does have its setting held back."""
    study = build_study("alarmed")
    assert study.recommendation.flow.setting is not None
    assert study.recommendation.flow.setting.set_to_ml_h == 1800
    assert study.plan.today.flow_ml_h is not None
    assert study.plan.today.flow_ml_h <= 1800
    alarms = alarms_of(
        study.log, study.tank, study.posterior, study.recommendation, study.job and study.job.watch
    )
    assert [one.about for one in alarms] == ["effluent"]


def ordinary(*days_ago: int) -> Held | None:
    """Held or not with effluent tests at another flow, so many days before the log's end, which
    the fit finds ordinary; the effluent weakens since twenty days."""
    study = build_study("alarmed")
    end = study.log.end
    tests = tuple(
        Reading(
            900 + i, end - timedelta(days=days), "alkalinity", "effluent", "", 20.0, "dKH", "drops"
        )
        for i, days in enumerate(days_ago)
    )
    # Nothing was read at the flow of these tests before.
    flow = replace(study.log.actions[0], value=9999.0, time=end - timedelta(days=30))
    log = replace(study.log, readings=tests[::-1], actions=(flow,))
    posterior, advice, _ = case()
    checks = tuple(ReadingCheck(r, r.value, 0.1, 0.9, 0.5, -0.5) for r in tests[::-1])
    weak = replace(WEAK, since=end.date() - timedelta(days=20))
    return held_back(advice, (weak,), replace(posterior, checks=checks), log, TANK)


def test_two_ordinary_tests_confirm_while_the_last_is_fresh() -> None:
    """Two since then, the last of them at most seven days old; one, or two that are older, or that
    lie before it, do not."""
    assert ordinary(7, 12) is None
    assert ordinary(1, 2) is None
    assert ordinary(8, 12) is not None
    assert ordinary(1) is not None
    assert ordinary(1, 21) is not None
    assert ordinary(1, 20) is None


def test_the_bridge_is_the_first_solution_of_alkalinity() -> None:
    """Of two the one that is told first; calcium's is none, wherever it stands."""
    solutions = dict(reversed(TANK.solutions.items()))
    more = {**solutions, "bicarbonate": Solution("bicarbonate", alkalinity_meq_per_ml=1.0)}
    tank = replace(TANK, solutions=more)
    posterior, _, log = case()
    advice = recommend(posterior, tank, np.random.SeedSequence(1))
    assert list(advice.dose_ml_d) == ["chloride", "soda", "bicarbonate"]
    found = held_back(advice, (WEAK,), posterior, log, tank)
    assert found is not None
    assert found.bridge_ml_d == {"soda": pytest.approx(84.0 / 1.9)}
    none = replace(advice, dose_ml_d={"chloride": advice.dose_ml_d["chloride"]})
    found = held_back(none, (WEAK,), posterior, log, tank)
    assert found is not None
    assert (found.bridge_ml_d, found.bridge_meq_d) == ({}, 0.0)


@pytest.mark.parametrize(
    ("flow_l_d", "step", "most"), [(30.0, 10.0, 1500.0), (30.0, 400.0, 1250.0)]
)
def test_a_fifth_more_is_rounded_down_to_the_pumps_step(
    flow_l_d: float, step: float, most: float
) -> None:
    """1250 mL/h and a fifth are 1500: a multiple of ten, as it is; in steps of 400 the pump would
    have to go down to 1200, and is left."""
    assert TANK.reactor is not None
    tank = replace(TANK, reactor=replace(TANK.reactor, flow_step_ml_h=step))
    posterior, _, log = case(flow_l_d)
    assert most_meanwhile((WEAK,), posterior, log, tank) == pytest.approx(most)
    never = replace(posterior, last_run_flow_l_d=None)
    assert most_meanwhile((WEAK,), never, log, tank) is None
