"""The change-over from draws that are known, so that its steps can be checked by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from estimator import units
from estimator.advice.flow import recommend, to_ml_h
from estimator.inputs.dosing import Solution
from estimator.inputs.tank import Kit, Reactor, Target
from estimator.plan.result import NoPlan, Plan
from estimator.remark import Remark
from helpers.plans import DOSES, START, change_over, known, plan, told, unsure
from helpers.tanks import example_tank

DKH = units.MEQ_L_PER_DKH


@pytest.fixture(scope="module")
def handed() -> Plan:
    """A hand-over whose effluent is not known well."""
    return plan(unsure(), example_tank())


def test_known_tank_is_handed_over_at_once() -> None:
    """With nothing unknown the shortest plan is one step, and it is sure."""
    kits = {"alk": Kit("alk", "alkalinity", "dKH", 0.01 * DKH, 0.0)}
    posterior = known(kit_repeatability={"alk": np.zeros(200)})
    whole = change_over(posterior, example_tank(kits=kits))
    found = whole.plan
    assert len(found.steps) == 1
    assert found.probability == 1.0
    assert found.overnight_probability == 1.0
    assert found.remedy is None
    assert found.steps[0].alkalinity_meq_l / DKH == pytest.approx(np.full(200, 8.2), abs=0.01)
    # V/F is 600 L over 2080 mL/h, 12 days.
    assert whole.self_regulation_days == pytest.approx(np.full(200, 600 / (2.080 * 24)), rel=0.01)


def test_settings_can_be_set(handed: Plan) -> None:
    """Flows are steps of the pump within its limits, doses are never negative, dates join up."""
    pump = Reactor(60.0, 6000.0, 10.0)
    assert handed.kind == "hand over"
    assert len(handed.steps) > 1
    assert handed.steps[0].set_on == START
    for step in handed.steps:
        assert pump.flow_min_ml_h <= step.flow_ml_h <= pump.flow_max_ml_h
        assert step.flow_ml_h % pump.flow_step_ml_h == 0
        assert min(step.dose_ml_d.values()) >= 0
        days = (step.retest_on - step.set_on).days
        assert days % handed.step_days == 0
        assert days > 0
    rule = handed.steering
    holds = (rule.rule.hold_below_meq_l, rule.rule.hold_above_meq_l)
    for figure in holds:
        assert figure / (0.3 * DKH) == pytest.approx(round(figure / (0.3 * DKH)))
    assert holds[0] < rule.rule.setpoint_meq_l < holds[1]
    assert rule.extra_ml_h % pump.flow_step_ml_h == 0
    assert handed.steps[-1].flow_ml_h <= rule.highest_ml_h <= pump.flow_max_ml_h
    for one, following in pairwise(handed.steps):
        assert one.retest_on == following.set_on


def test_hand_over_is_monotone_and_complete(handed: Plan) -> None:
    """The pump only rises and the dosing only falls, all solutions in one scale, to nearly none."""
    flows = [step.flow_ml_h for step in handed.steps]
    assert flows == sorted(flows)
    advice = recommend(unsure(), example_tank(), np.random.SeedSequence(7))
    assert flows[-1] == advice.flow.setting.set_to_ml_h
    doses = [step.dose_ml_d["soda"] for step in handed.steps]
    assert doses == sorted(doses, reverse=True)
    assert doses[-1] < 0.2 * DOSES["soda"]
    taken = sum(step.takes_ml_d["soda"] for step in handed.steps)
    assert taken == pytest.approx(DOSES["soda"], rel=0.2)
    for step in handed.steps[:-1]:
        share = step.dose_ml_d["soda"] / DOSES["soda"]
        assert step.dose_ml_d["chloride"] / DOSES["chloride"] == pytest.approx(share, abs=0.02)


def test_steps_do_better_than_overnight(handed: Plan) -> None:
    """The plan's chance is above that of the same setting made at once, and is that of its levels.

    The levels shown give the chance that is stated.
    """
    assert handed.probability > handed.overnight_probability + 0.1
    band = (7.6 * DKH, 8.8 * DKH)
    levels = handed.levels_meq_l
    assert levels.shape[0] == handed.judged_days >= 14
    start = levels[:1]
    rise = np.diff(np.concatenate([start, levels]), axis=0) <= 0.5 * DKH + 1e-9
    inside = (levels >= band[0]) & (levels <= band[1])
    assert np.mean(inside & rise) == pytest.approx(handed.good_days, abs=0.01)
    assert np.all(inside & rise, axis=0).mean() == pytest.approx(handed.probability, abs=0.01)


def test_known_effluent_raises_the_chance() -> None:
    """A tested effluent makes for a surer plan; while it is not, testing it is what is advised."""
    tested = plan(unsure(effluent_sd=0.03, kit_sd=0.002), example_tank())
    untested = plan(unsure(effluent_sd=0.3, kit_sd=0.002), example_tank())
    assert tested.probability > untested.probability + 0.1
    assert untested.remedy.code == "test effluent at first step"
    assert untested.remedy_probability > untested.probability


def test_unsure_kit_is_named() -> None:
    """Where the kit's own error is what may hide the level, checking the kit is advised."""
    found = plan(unsure(effluent_sd=0.03, kit_sd=0.06), example_tank())
    assert found.remedy.code == "check kit before first step"


@pytest.mark.parametrize("level_dkh", [6.8, 9.6])
def test_level_out_of_band_is_corrected_first(level_dkh: float) -> None:
    """The first step leaves the pump and changes the dosing; no faster than the limit."""
    posterior = unsure(effluent_sd=0.1, level_dkh=level_dkh)
    found = plan(posterior, example_tank())
    assert found.corrects
    first = found.steps[0]
    assert first.flow_ml_h == 0
    low = level_dkh < 8
    assert (first.dose_ml_d["soda"] > DOSES["soda"]) == low
    middle = np.median(found.levels_meq_l, axis=1)
    start = np.median(posterior.alkalinity_now_meq_l)
    days = (first.retest_on - first.set_on).days
    daily = np.diff([start, *middle])[:days]
    assert np.all(np.abs(daily) <= 0.5 * DKH)
    rule = found.steering.rule
    back = rule.hold_below_meq_l if low else rule.hold_above_meq_l
    assert (middle[days - 1] - back) * (1 if low else -1) > -0.1 * DKH


def test_dosing_stands_by(handed: Plan) -> None:
    """The rule knows the solutions, a litre of each in its proportion, and the most to dose: the
    load of 300 meq/day, and a rise of 0.25 dKH a day in 600 L. A tank without has the pump alone.
    """
    rule = handed.steering
    assert rule.ml_per_meq["soda"] == pytest.approx(1 / 1.9)
    assert rule.ml_per_meq["chloride"] == pytest.approx(0.5 / 1.84)
    assert rule.most_meq_d == pytest.approx(300 + 0.25 * DKH * 600, rel=0.03)
    flow_only = known(flow_l_d=25.0, dosed_meq_d=0.0, effluent_tested=True)
    without = plan(flow_only, example_tank(solutions={}), {}).steering
    assert (without.ml_per_meq, without.most_meq_d) == ({}, 0.0)


def test_low_tank_on_the_reactor_is_dosed_again() -> None:
    """Nothing is dosed and the level is low: the solutions of the tank file raise it."""
    posterior = known(
        alkalinity_now_meq_l=np.full(200, 7.0 * DKH),
        flow_l_d=50.0,
        dosed_meq_d=0.0,
        effluent_tested=True,
    )
    found = plan(posterior, example_tank(), {})
    assert found.corrects
    assert found.steps[0].flow_ml_h == pytest.approx(2080, abs=10)
    assert found.steps[0].dose_ml_d["soda"] > 0
    assert found.steps[-1].dose_ml_d["soda"] < found.steps[0].dose_ml_d["soda"]
    without = plan(posterior, example_tank(solutions={}), {})
    assert without.steps[0].flow_ml_h > 2090
    assert without.steps[0].dose_ml_d == {}


def test_partly_handed_over_goes_on_from_there() -> None:
    """Half the load on the reactor: no step goes back behind the present settings."""
    posterior = unsure(
        effluent_sd=0.05, flow_l_d=25.0, effluent_tested=True,
        reach=0.9, at_l_d=25.0, dosed_meq_d=150.0,
    )  # fmt: skip
    found = plan(posterior, example_tank(), {"soda": 150 / 1.9})
    assert found.kind == "hand over"
    assert found.steps[0].flow_ml_h >= to_ml_h(np.array(25.0))
    assert max(step.dose_ml_d["soda"] for step in found.steps) <= 1.05 * 150 / 1.9


@pytest.mark.parametrize("present", [25.0, 100.0])
def test_running_reactor_changes_in_order(present: float) -> None:
    """Nothing dosed and the flow far from its setting: the pump moves one way, and ends there."""
    posterior = known(
        flow_l_d=present,
        dosed_meq_d=0.0,
        effluent_tested=True,
    )
    found = plan(posterior, example_tank(), {})
    assert found.kind == "change flow"
    flows = [float(to_ml_h(np.array(present))), *(step.flow_ml_h for step in found.steps)]
    assert flows == sorted(flows, reverse=present > 50)
    assert flows[-1] == pytest.approx(2080, abs=10)
    # What a slow pump lacks is dosed until it is there; a fast one only comes down.
    doses = [step.dose_ml_d["soda"] for step in found.steps]
    assert (doses[0] > 0) == (present < 50 and len(found.steps) > 1)
    assert doses == sorted(doses, reverse=True)
    assert doses[-1] < 0.2 * DOSES["soda"]


def test_nothing_to_do_where_the_reactor_carries_the_load() -> None:
    """At its setting and in the middle of the band: no steps, and a reason."""
    posterior = known(flow_l_d=50.0, dosed_meq_d=0.0, effluent_tested=True)
    found = plan(posterior, example_tank(), {})
    assert found.kind == "nothing to do"
    assert isinstance(found, NoPlan)
    assert told(found) == ["reactor carries the load", "set the pump at once", "go on testing"]


def test_no_plan_without_a_setting() -> None:
    """A withheld setting gives no plan, and the reason says so."""
    posterior = unsure(effluent_sd=1.5)
    found = plan(posterior, example_tank())
    assert isinstance(found, NoPlan)
    assert (found.kind, told(found)) == ("none", ["no setting to change to"])
    assert change_over(posterior, example_tank()).steps == ()


def test_a_change_over_under_way_goes_on_without_a_setting() -> None:
    """Strength at 5 L/day is known, how much of its limit the load takes is not: no setting, but a
    next part of the way, no further than three times the tested flow; none after a failed fit."""
    load_share = np.random.default_rng(9).uniform(0.05, 0.95, 800)
    posterior = unsure(
        effluent_sd=0.03, reach=1 - 0.1 * load_share, flow_l_d=5.0, at_l_d=5.0,
        dosed_meq_d=270.0, effluent_tested=True,
    )  # fmt: skip
    assert recommend(posterior, example_tank(), np.random.SeedSequence(7)).status == "withheld"
    found = plan(posterior, example_tank(), {"soda": 270 / 1.9})
    assert found.provisional
    assert found.kind == "hand over"
    flows = [step.flow_ml_h for step in found.steps]
    assert to_ml_h(np.array(5.0)) <= flows[0] <= flows[-1] <= 3 * to_ml_h(np.array(5.0)) + 10
    assert found.steps[-1].dose_ml_d["soda"] > 0
    assert told(found) == ["load handed over in steps", "part of the way"]
    failures = (Remark("fit_divergent", {"divergences": 9, "draws": 90}),)
    failed = replace(posterior, diagnostics=replace(posterior.diagnostics, failures=failures))
    assert isinstance(plan(failed, example_tank(), {"soda": 270 / 1.9}), NoPlan)


def test_what_a_chamber_cannot_carry_stays_dosed() -> None:
    """Saturated at 10 meq/L and F0 25 L/day, a chamber gives 250 meq/day at most, and 300 are taken
    up: no setting, but three times its 20 L/day, which supply 60 · 10 / (1 + 60/25) = 176."""
    supply, limited = 20 * 10 / 1.8, 60 * 10 / 3.4
    posterior = known(
        gain=10 / 1.8, reach=1 / 1.8, flow_l_d=20.0, at_l_d=20.0, effluent_tested=True,
        dosed_meq_d=300 - supply,
    )  # fmt: skip
    assert np.all(to_ml_h(posterior.needed_flow_l_d) > 1e6)
    found = plan(posterior, example_tank(), {"soda": (300 - supply) / 1.9})
    assert found.provisional
    assert found.steps[-1].flow_ml_h == pytest.approx(to_ml_h(np.array(60.0)), abs=10)
    assert found.left_dosed == pytest.approx((300 - limited) / 300, abs=0.04)
    assert found.probability > 0.9


@pytest.mark.parametrize(("present", "final"), [(60.0, 100.0), (120.0, 120.0)])
def test_a_pump_is_not_driven_where_it_brings_hardly_more(present: float, final: float) -> None:
    """Past four half flows of 25 L/day a chamber gives four fifths of its 250 meq/day, and a litre
    more costs gas: a plan ends there, or where the pump stands."""
    supply = present * 10 / (1 + present / 25)
    posterior = known(
        gain=supply / present, reach=1 / (1 + present / 25), flow_l_d=present, at_l_d=present,
        effluent_tested=True, dosed_meq_d=300 - supply,
    )  # fmt: skip
    found = plan(posterior, example_tank(), {"soda": (300 - supply) / 1.9})
    assert found.provisional
    assert found.steps[-1].flow_ml_h == pytest.approx(to_ml_h(np.array(final)), abs=10)


def test_a_stopped_reactor_is_known_by_how_it_ran() -> None:
    """Tested at 10 L/day before it was stopped: its start is planned as surely as if it ran, by
    flows at which that chamber is the weaker the faster."""
    was = {"effluent_sd": 0.03, "kit_sd": 0.002, "gain": 8.0, "at_l_d": 10.0, "reach": 0.9}
    stopped = unsure(**was, flow_l_d=10.0, present_flow_l_d=0.0, effluent_tested=True)
    found = plan(stopped, example_tank())
    # X_sat 8.9, F0 90: 33.75 / (1 − 33.75 / 90) = 54 L/day.
    assert found.steps[-1].flow_ml_h == pytest.approx(to_ml_h(np.array(54.0)), rel=0.04)
    assert found.probability > 0.9


def test_a_high_level_does_not_start_a_pump() -> None:
    """Little uptake and a high level: the dosing stops, and a pump that is off stays off."""
    posterior = known(uptake=0.05, dosed_meq_d=30.0, alkalinity_now_meq_l=np.full(200, 9.6 * DKH))
    found = plan(posterior, example_tank(), {"soda": 30 / 1.9})
    assert found.corrects
    assert found.steps[0].flow_ml_h == 0
    assert found.steps[0].dose_ml_d["soda"] == 0


def test_no_row_is_told_twice() -> None:
    """A pump with few settings below the final one gets as many rows as it has settings."""
    found = plan(unsure(), example_tank(reactor=Reactor(0.0, 6000.0, 500.0)))
    flows = [step.flow_ml_h for step in found.steps]
    assert len(set(flows)) == len(flows)


def test_calcium_is_given_once() -> None:
    """Where the solution of alkalinity brings calcium, none is dosed beside it for the load."""
    solutions = {"lime": Solution("lime", 0.04, 0.02), "chloride": Solution("chloride", 0.0, 1.84)}
    posterior = known(flow_l_d=25.0, dosed_meq_d=0.0, effluent_tested=True)
    assert set(plan(posterior, example_tank(solutions=solutions), {}).steering.ml_per_meq) == {
        "lime"
    }


def test_no_plan_without_dosing_and_reactor() -> None:
    """Neither is there: nothing can be handed over."""
    found = plan(known(dosed_meq_d=0.0), example_tank(reactor=None), {})
    assert isinstance(found, NoPlan)
    assert (found.kind, told(found)) == ("none", ["nothing to hand over"])


def test_smallest_flow_is_told() -> None:
    """A pump that cannot start on less than most of the load is named; no step is below it."""
    pump = Reactor(1600.0, 6000.0, 10.0)
    found = plan(unsure(level_dkh=8.15), example_tank(reactor=pump))
    assert min(step.flow_ml_h for step in found.steps) >= 1600
    assert len(found.steps) > 1
    assert told(found) == ["load handed over in steps", "smallest flow carries much"]
    assert found.reasons[1].values["flow_min_ml_h"] == 1600


def test_rise_limit_is_the_keepers_or_the_usual() -> None:
    """0.5 dKH a day (common practice, no source) stands where the tank file states none."""
    tank = example_tank()
    found = change_over(known(), tank)
    assert found.rise_limit_meq_l_d == pytest.approx(0.5 * DKH)
    assert not found.rise_limit_stated
    band = replace(tank.targets["alkalinity"], max_rise_per_day=0.3 * DKH)
    found = change_over(known(), replace(tank, targets={**tank.targets, "alkalinity": band}))
    assert found.rise_limit_meq_l_d == pytest.approx(0.3 * DKH)
    assert found.rise_limit_stated


def test_retest_hour_is_the_middle_of_the_light() -> None:
    """10:00 to 20:00 is 15:00; lights across midnight too."""
    assert change_over(known(), example_tank()).retest_hour == 15.0
    across = example_tank(lights_on_h=18.0, lights_off_h=4.0)
    assert change_over(known(), across).retest_hour == 23.0


def test_plan_is_fixed_by_its_seed(handed: Plan) -> None:
    """The same seed gives the same plan and levels, another seed other random numbers."""
    again = plan(unsure(), example_tank())
    assert [s.flow_ml_h for s in again.steps] == [s.flow_ml_h for s in handed.steps]
    np.testing.assert_array_equal(again.levels_meq_l, handed.levels_meq_l)
    other = plan(unsure(), example_tank(), seed=4)
    assert not np.array_equal(other.overnight_meq_l[:14], handed.overnight_meq_l[:14])


ODD_SOLUTIONS: tuple[dict[str, Solution], ...] = (
    {},
    {"soda": Solution("soda", 1.9)},
    {"soda": Solution("soda", 1.9), "chloride": Solution("chloride", 0.0, 1.84)},
    {"lime": Solution("lime", 0.04, 0.02)},
    {"chloride": Solution("chloride", 0.0, 1.84)},
)


@pytest.mark.parametrize("seed", range(25))
def test_odd_tanks_get_a_plan_that_can_be_set_or_a_reason(seed: int) -> None:
    """Pumps that hardly fit, narrow bands, coarse kits, no uptake, any solutions, any level."""
    rng = np.random.default_rng(seed)
    least = float(rng.choice([0, 10, 60, 2000]))
    pump = Reactor(least, least + float(rng.choice([100, 6000])), float(rng.choice([1, 10, 500])))
    low = float(rng.uniform(6, 9))
    band = Target(low * DKH, (low + float(rng.choice([0.1, 0.4, 1.2, 3]))) * DKH, "dKH")
    kit = Kit("alk", "alkalinity", "dKH", float(rng.choice([0, 0.01, 0.3, 1])) * DKH)
    solutions = ODD_SOLUTIONS[rng.integers(len(ODD_SOLUTIONS))]
    tank = example_tank(
        reactor=pump, solutions=solutions, kits={"alk": kit}, targets={"alkalinity": band}
    )
    doses = {name: float(rng.uniform(0, 200)) for name in solutions if rng.random() < 0.7}
    running = rng.random() < 0.6
    flow = float(rng.uniform(pump.flow_min_ml_h, pump.flow_max_ml_h)) * 24 / 1000 * running
    posterior = known(
        gain=float(rng.choice([0.3, 3, 12])),
        uptake=float(rng.choice([0, 0.01, 0.2, 1.5])) * np.exp(0.1 * rng.standard_normal(200)),
        reach=np.clip(rng.choice([1, 0.6, 0.1]) + 0.1 * rng.standard_normal(200), 0.03, 1),
        flow_l_d=flow if running else None,
        at_l_d=max(flow, 1.0),
        level_response_l_meq=float(rng.choice([0, 0.2])),
        dosed_meq_d=sum(solutions[s].alkalinity_meq_per_ml * ml for s, ml in doses.items()),
        effluent_tested=running,
        alkalinity_now_meq_l=(rng.uniform(low - 2.5, low + 3.5) + np.zeros(200)) * DKH,
    )
    found = plan(posterior, tank, doses)
    assert found.reasons
    if isinstance(found, NoPlan):
        return
    rule = found.steering.rule
    assert rule.hold_below_meq_l < rule.setpoint_meq_l < rule.hold_above_meq_l
    present = float(to_ml_h(np.array(flow)))
    for step in found.steps:
        assert min(step.dose_ml_d.values(), default=0.0) >= 0
        held = step.flow_ml_h == pytest.approx(present)
        assert held or pump.flow_min_ml_h <= step.flow_ml_h <= pump.flow_max_ml_h
        assert held or step.flow_ml_h <= found.steering.highest_ml_h
    for one, following in pairwise(found.steps):
        assert one.retest_on == following.set_on
    assert np.isfinite(found.levels_meq_l).all()
