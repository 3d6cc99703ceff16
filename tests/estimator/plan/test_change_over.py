"""The change-over from draws that are known, so that its steps can be checked by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.advice.flow import recommend, to_ml_h
from estimator.fit.posterior import Posterior
from estimator.inputs.dosing import Solution
from estimator.inputs.tank import Kit, Reactor, Tank, Target
from estimator.plan.change_over import ChangeOver, answer_seen, dose_rates_now, plan_change_over
from estimator.plan.controller import chances
from estimator.plan.futures import futures_of, response_of
from estimator.plan.ladder import thresholds
from helpers.fits import known_posterior
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
START = date(2026, 3, 3)
DOSES = {"soda": 300 / 1.9, "chloride": 150 / 1.84}
"""Put back 0.5 meq/L/day in 600 L."""


@pytest.fixture(scope="module")
def known() -> Callable[..., Posterior]:
    """Every draw the same: 0.5 meq/L/day in 600 L, effluent 6 meq/L above the band's middle, ε 0.

    Needs 50 L/day; nothing runs and 300 meq/day are dosed unless changed.
    """

    def make(draws: int = 200, **changes: Any) -> Posterior:
        stated = {
            "gain": 6.0,
            "exponent": np.zeros(draws),
            "reference_flow_l_d": None,
            "present_flow_l_d": 0.0,
            "dosed_meq_d": 300.0,
            "effluent_tested": False,
            "kit_repeatability": {"alk": np.full(draws, 0.2 * DKH)},
        }
        return known_posterior(draws, **{**stated, **changes})

    return make


def spread(median: float, log_sd: float, draws: int, seed: int) -> np.ndarray:
    """Lognormal draws."""
    return median * np.exp(log_sd * np.random.default_rng(seed).standard_normal(draws))


@pytest.fixture(scope="module")
def unsure(known) -> Callable[..., Posterior]:
    """Effluent strength, its answer to the flow, kit and level unsure; both strengths drift."""

    def make(
        effluent_sd: float = 0.25, kit_sd: float = 0.02, level_dkh: float = 8.2, **changes: Any
    ) -> Posterior:
        draws = 800
        rng = np.random.default_rng(5)
        kit = np.exp(kit_sd * rng.standard_normal(draws))
        stated = {
            "uptake": spread(0.5, 0.02, draws, 1),
            "effluent_gain_meq_l": spread(6.0, effluent_sd, draws, 2),
            "exponent": np.clip(0.4 + 0.12 * rng.standard_normal(draws), 0.05, 0.9),
            "drift": np.full(draws, 0.006),
            "effluent_drift": np.full(draws, 0.006),
            "kit_gain": {("alk", 0): kit},
            "alkalinity_now_meq_l": level_dkh * DKH / kit + 0.05 * DKH * rng.standard_normal(draws),
        }
        return known(draws, **{**stated, **changes})

    return make


def plan(
    posterior: Posterior, tank: Tank, doses: Mapping[str, float] = DOSES, seed: int = 3
) -> ChangeOver:
    """Advice and plan, starting on the day of the last entry."""
    advice = recommend(posterior, tank, np.random.SeedSequence(7))
    return plan_change_over(posterior, tank, advice, doses, START, np.random.SeedSequence(seed))


@pytest.fixture(scope="module")
def handed(unsure) -> ChangeOver:
    """A hand-over whose effluent is not known well."""
    return plan(unsure(), example_tank())


def test_chances_count_band_and_rise() -> None:
    """Out of the band once, or one rise above the limit, spoils a draw; days not judged do not."""
    band = Target(7.0, 9.0, "meq/L")
    levels = np.array([[8.0, 8.0, 8.9], [8.3, 9.1, 8.9], [8.3, 8.0, 6.0]])[:, None, :]
    start = np.array([8.0, 8.0, 8.0])

    def chance(rise: float, days: int, correction: int = 0, begun: float = 8.0) -> tuple[Any, ...]:
        return chances(levels, 0 * start + begun, band, rise, correction, np.array([days]))

    whole, share = chance(1.5, 3)
    assert whole == pytest.approx([1 / 3])
    assert share == pytest.approx([7 / 9])
    assert chance(1.5, 2)[0] == pytest.approx([2 / 3])
    assert chance(1.5, 1)[0] == pytest.approx([1.0])
    assert chance(0.5, 1)[0] == pytest.approx([2 / 3])
    # Started above: the day of correction that is still above does not count against it.
    assert chance(1.5, 3, correction=3, begun=9.5)[0] == pytest.approx([2 / 3])


def test_known_tank_is_handed_over_at_once(known) -> None:
    """With nothing unknown the shortest plan is one step, and it is sure."""
    kits = {"alk": Kit("alk", "alkalinity", "dKH", 0.01 * DKH, 0.0)}
    posterior = known(kit_repeatability={"alk": np.zeros(200)})
    found = plan(posterior, example_tank(kits=kits))
    assert len(found.steps) == 1
    assert found.probability == 1.0
    assert found.overnight_probability == 1.0
    assert found.remedy == ""
    assert found.steps[0].alkalinity_meq_l / DKH == pytest.approx(np.full(200, 8.2), abs=0.01)
    # V/F is 600 L over 2080 mL/h, 12 days.
    assert found.self_regulation_days == pytest.approx(np.full(200, 600 / (2.080 * 24)), rel=0.01)


def test_settings_can_be_set(handed: ChangeOver) -> None:
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
    for figure in (rule.above_meq_l, rule.below_meq_l):
        assert figure / (0.3 * DKH) == pytest.approx(round(figure / (0.3 * DKH)))
    assert rule.below_meq_l < rule.wanted_meq_l < rule.above_meq_l
    assert rule.extra_ml_h % pump.flow_step_ml_h == 0
    assert handed.steps[-1].flow_ml_h <= rule.highest_ml_h <= pump.flow_max_ml_h
    for one, following in pairwise(handed.steps):
        assert one.retest_on == following.set_on


def test_hand_over_is_monotone_and_complete(unsure, handed: ChangeOver) -> None:
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


def test_steps_do_better_than_overnight(handed: ChangeOver) -> None:
    """The plan's chance is above that of the same setting made at once, and is that of its levels.

    The levels shown give the chance that is stated.
    """
    assert handed.probability > handed.overnight_probability + 0.1
    band = (7.6 * DKH, 8.8 * DKH)
    levels = handed.levels_meq_l
    assert levels.shape[0] == handed.judged_days >= 14
    start = levels[:1]
    rise = np.diff(np.concatenate([start, levels]), axis=0) <= handed.rise_limit_meq_l_d + 1e-9
    inside = (levels >= band[0]) & (levels <= band[1])
    assert np.mean(inside & rise) == pytest.approx(handed.good_days, abs=0.01)
    assert np.all(inside & rise, axis=0).mean() == pytest.approx(handed.probability, abs=0.01)


def test_known_effluent_raises_the_chance(unsure) -> None:
    """A tested effluent makes for a surer plan; while it is not, testing it is what is advised."""
    tested = plan(unsure(effluent_sd=0.03, kit_sd=0.002), example_tank())
    untested = plan(unsure(effluent_sd=0.4, kit_sd=0.002), example_tank())
    assert tested.probability > untested.probability + 0.1
    assert "effluent" in untested.remedy
    assert untested.remedy_probability > untested.probability


def test_unsure_kit_is_named(unsure) -> None:
    """Where the kit's own error is what may hide the level, checking the kit is advised."""
    found = plan(unsure(effluent_sd=0.03, kit_sd=0.06), example_tank())
    assert "solution of known value" in found.remedy


@pytest.mark.parametrize("level_dkh", [6.8, 9.6])
def test_level_out_of_band_is_corrected_first(unsure, level_dkh: float) -> None:
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
    assert np.all(np.abs(daily) <= found.rise_limit_meq_l_d)
    rule = found.steering
    back = rule.below_meq_l if low else rule.above_meq_l
    assert (middle[days - 1] - back) * (1 if low else -1) > -0.1 * DKH


def test_dosing_stands_by(known, handed: ChangeOver) -> None:
    """The rule knows the solutions, a litre of each in its proportion, and the most to dose: the
    load of 300 meq/day, and a rise of 0.25 dKH a day in 600 L. A tank without has the pump alone.
    """
    rule = handed.steering
    assert rule.ml_per_meq["soda"] == pytest.approx(1 / 1.9)
    assert rule.ml_per_meq["chloride"] == pytest.approx(0.5 / 1.84)
    assert rule.most_meq_d == pytest.approx(300 + 0.25 * DKH * 600, rel=0.03)
    flow_only = known(
        reference_flow_l_d=25.0, present_flow_l_d=25.0, dosed_meq_d=0.0, effluent_tested=True
    )
    without = plan(flow_only, example_tank(solutions={}), {}).steering
    assert (without.ml_per_meq, without.most_meq_d) == ({}, 0.0)


def test_change_by_two_readings(handed: ChangeOver) -> None:
    """Worked by hand: 10 (8 − 7.5) + 50 (7.8 − 7.5) = 20; a reading of 6 counts as 7, one of 10 as
    9: 10 (8 − 7) + 50 (9 − 7) = 110."""
    rule = replace(
        handed.steering, wanted_meq_l=8.0, counts_meq_l=1.0, per_level_meq_d=10.0,
        per_fall_meq_d=50.0,
    )  # fmt: skip
    assert rule.change_meq_d(7.8, 7.5) == pytest.approx(20.0)
    assert rule.change_meq_d(10.0, 6.0) == pytest.approx(110.0)
    assert rule.change_meq_d(8.0, 8.0) == 0.0


def test_low_tank_on_the_reactor_is_dosed_again(known) -> None:
    """Nothing is dosed and the level is low: the solutions of the tank file raise it."""
    posterior = known(
        alkalinity_now_meq_l=np.full(200, 7.0 * DKH),
        reference_flow_l_d=50.0,
        present_flow_l_d=50.0,
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


def test_partly_handed_over_goes_on_from_there(unsure) -> None:
    """Half the load on the reactor: no step goes back behind the present settings."""
    posterior = unsure(
        effluent_sd=0.05, reference_flow_l_d=25.0, present_flow_l_d=25.0, effluent_tested=True,
        exponent=np.full(800, 0.1), dosed_meq_d=150.0,
    )  # fmt: skip
    found = plan(posterior, example_tank(), {"soda": 150 / 1.9})
    assert found.kind == "hand over"
    assert found.steps[0].flow_ml_h >= to_ml_h(np.array(25.0))
    assert max(step.dose_ml_d["soda"] for step in found.steps) <= 1.05 * 150 / 1.9


@pytest.mark.parametrize("present", [25.0, 100.0])
def test_running_reactor_changes_in_order(known, present: float) -> None:
    """Nothing dosed and the flow far from its setting: the pump moves one way, and ends there."""
    posterior = known(
        reference_flow_l_d=present,
        present_flow_l_d=present,
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


def test_nothing_to_do_where_the_reactor_carries_the_load(known) -> None:
    """At its setting and in the middle of the band: no steps, and a reason."""
    posterior = known(
        reference_flow_l_d=50.0, present_flow_l_d=50.0, dosed_meq_d=0.0, effluent_tested=True
    )
    found = plan(posterior, example_tank(), {})
    assert found.kind == "nothing to do"
    assert found.steps == ()
    assert "already carries the load" in found.reason


def test_no_plan_without_a_setting(unsure) -> None:
    """A withheld setting gives no plan, and the reason says so."""
    posterior = unsure(effluent_sd=1.5)
    found = plan(posterior, example_tank())
    assert (found.kind, found.steps, found.probability) == ("none", (), None)
    assert "No setting is recommended" in found.reason


def test_a_change_over_under_way_goes_on_without_a_setting(unsure) -> None:
    """Strength at 5 L/day is known, its answer to the flow is not: no setting, but a next part of
    the way, no further than three times the tested flow; no setting at all after a failed fit."""
    answer = np.random.default_rng(9).uniform(0.0, 0.85, 800)
    posterior = unsure(
        effluent_sd=0.03, exponent=answer, reference_flow_l_d=5.0, present_flow_l_d=5.0,
        dosed_meq_d=270.0, effluent_tested=True,
    )  # fmt: skip
    assert recommend(posterior, example_tank(), np.random.SeedSequence(7)).status == "withheld"
    found = plan(posterior, example_tank(), {"soda": 270 / 1.9})
    assert found.provisional
    assert found.kind == "hand over"
    flows = [step.flow_ml_h for step in found.steps]
    assert to_ml_h(np.array(5.0)) <= flows[0] <= flows[-1] <= 3 * to_ml_h(np.array(5.0)) + 10
    assert found.steps[-1].dose_ml_d["soda"] > 0
    assert "cannot be said yet" in found.reason
    failed = replace(posterior, diagnostics=replace(posterior.diagnostics, failures=("R-hat 1.2",)))
    assert plan(failed, example_tank(), {"soda": 270 / 1.9}).steps == ()


def test_the_answer_of_the_effluent_is_read_from_its_tests() -> None:
    """Gains of 8 and 4 meq/L at 20 and 60 mL/h: ln 2 / ln 3 = 0.63; nothing from one flow alone."""
    tank = example_tank()
    middle = tank.targets["alkalinity"].middle

    def seen(*tests: tuple[float, float], more: tuple = ()) -> float | None:
        """Of a pump at 20 mL/h that goes to 60 on day 5 and 66 on day 20."""
        found = answer_of(tests, more)
        return None if found is None else found[0]

    def answer_of(tests: tuple, more: tuple = ()) -> tuple[float, float] | None:
        flows = [(0.0, "flow", "", 20.0), (5.0, "flow", "", 60.0), (20.0, "flow", "", 66.0), *more]
        rows = [(day, "alkalinity", "effluent", "alk", middle + gain) for day, gain in tests]
        log = example_log([(0.2, "alkalinity", "tank", "alk", middle), *rows], flows)
        return answer_seen(log, tank)

    assert seen((2.0, 8.0), (7.0, 4.0)) == pytest.approx(np.log(2) / np.log(3))
    assert seen((2.0, 8.0), (7.0, 3.8), (7.1, 4.2)) == pytest.approx(np.log(2) / np.log(3))
    # One test that is misread does not move it.
    assert seen((2.0, 8.0), (7.0, 4.0), (7.1, 1.0), (7.2, 4.0)) == pytest.approx(0.63, abs=0.01)
    # At the instant of a change a test is of the setting before.
    assert seen((2.0, 8.0), (5.0, 8.0)) is None
    # From 60 to 66 is too little to tell: the last flow is set against the first.
    assert seen((2.0, 8.0), (7.0, 4.0), (22.0, 8.0)) == pytest.approx(0.0)
    assert seen((7.0, 8.0), (22.0, 4.0)) is None
    # New media and another chamber pH are no answer to the flow.
    assert seen((2.0, 8.0), (7.0, 4.0), more=((6.0, "media_change"),)) is None
    assert seen((2.0, 8.0), (7.0, 4.0), more=((6.0, "ph_setting", "", 6.4),)) is None
    assert seen() is None
    # 7 % over the log of the change: less is known of a small one.
    assert answer_of(((2.0, 8.0), (7.0, 4.0)))[1] == pytest.approx(0.07 / np.log(3))


def test_half_the_futures_answer_as_the_effluent_last_did(unsure) -> None:
    """Three times the flow: supply by 3^0.9 where the fit's ε of 0.1 holds, by 3^0.05 in the rest.

    At the present flow all supply the same.
    """
    posterior = unsure(
        effluent_sd=0.0, exponent=np.full(800, 0.1), reference_flow_l_d=10.0,
        present_flow_l_d=10.0, dosed_meq_d=240.0, effluent_tested=True,
    )  # fmt: skip
    tank = example_tank()
    response = response_of(posterior, tank, 50.0)
    rng = np.random.default_rng(1)
    drawn = futures_of(posterior, tank, response, (0, 10.0, 240.0), (0.95, 0.0), 20, rng).response
    middle = np.array(posterior.middle_meq_l)
    now, then = (drawn.reactor_meq_d(np.array(flow), middle) for flow in (10.0, 30.0))
    assert now == pytest.approx(np.full(len(now), 60.0), rel=1e-6)
    ratio = then / now
    assert np.sort(np.unique(np.round(ratio, 3))) == pytest.approx([3**0.05, 3**0.9], abs=1e-3)
    assert np.mean(ratio < 2) == pytest.approx(0.5, abs=0.08)


def test_a_stopped_reactor_is_doubted_as_a_running_one(unsure) -> None:
    """Its chamber did not answer before it was stopped: the plan counts on that."""
    posterior = unsure(
        effluent_sd=0.03, exponent=np.full(800, 0.1), reference_flow_l_d=10.0, effluent_tested=True
    )
    advice = recommend(posterior, example_tank(), np.random.SeedSequence(7))

    def chance(answer: float) -> float:
        seed = np.random.SeedSequence(3)
        told = (answer, 0.02)
        return plan_change_over(
            posterior, example_tank(), advice, DOSES, START, seed, told
        ).probability

    assert chance(0.95) < chance(0.1) - 0.05


def test_a_high_level_does_not_start_a_pump(known) -> None:
    """Little uptake and a high level: the dosing stops, and a pump that is off stays off."""
    posterior = known(uptake=0.05, dosed_meq_d=30.0, alkalinity_now_meq_l=np.full(200, 9.6 * DKH))
    found = plan(posterior, example_tank(), {"soda": 30 / 1.9})
    assert found.corrects
    assert found.steps[0].flow_ml_h == 0
    assert found.steps[0].dose_ml_d["soda"] == 0


def test_no_row_is_told_twice(unsure) -> None:
    """A pump with few settings below the final one gets as many rows as it has settings."""
    found = plan(unsure(), example_tank(reactor=Reactor(0.0, 6000.0, 500.0)))
    flows = [step.flow_ml_h for step in found.steps]
    assert len(set(flows)) == len(flows)


def test_a_reading_between_the_thresholds_exists() -> None:
    """Steps of 0.3 and a band of 0.2: without it no reading would let the pump go on."""
    for wanted in (8.1, 8.2, 8.25):
        above, below = thresholds(wanted, 0.05, 0.3)
        assert below < wanted < above
        assert above - below == pytest.approx(0.6)
    assert thresholds(8.2, 0.3, 0.1) == pytest.approx((8.5, 7.9))


def test_calcium_is_given_once(known) -> None:
    """Where the solution of alkalinity brings calcium, none is dosed beside it for the load."""
    solutions = {"lime": Solution("lime", 0.04, 0.02), "chloride": Solution("chloride", 0.0, 1.84)}
    posterior = known(
        reference_flow_l_d=25.0, present_flow_l_d=25.0, dosed_meq_d=0.0, effluent_tested=True
    )
    assert set(plan(posterior, example_tank(solutions=solutions), {}).steering.ml_per_meq) == {
        "lime"
    }


def test_no_plan_without_dosing_and_reactor(known) -> None:
    """Neither is there: nothing can be handed over."""
    found = plan(known(dosed_meq_d=0.0), example_tank(reactor=None), {})
    assert (found.kind, found.steps) == ("none", ())
    assert "nothing to hand over" in found.reason


def test_smallest_flow_is_told(unsure) -> None:
    """A pump that cannot start on less than most of the load is named; no step is below it."""
    pump = Reactor(1600.0, 6000.0, 10.0)
    found = plan(unsure(level_dkh=8.15), example_tank(reactor=pump))
    assert min(step.flow_ml_h for step in found.steps) >= 1600
    assert len(found.steps) > 1
    assert "1600 mL/h" in found.reason


def test_rise_limit_is_the_keepers_or_the_usual(known) -> None:
    """0.5 dKH a day (common practice, no source) stands where the tank file states none."""
    tank = example_tank()
    found = plan(known(), tank)
    assert found.rise_limit_meq_l_d == pytest.approx(0.5 * DKH)
    assert not found.rise_limit_stated
    band = replace(tank.targets["alkalinity"], max_rise_per_day=0.3 * DKH)
    found = plan(known(), replace(tank, targets={**tank.targets, "alkalinity": band}))
    assert found.rise_limit_meq_l_d == pytest.approx(0.3 * DKH)
    assert found.rise_limit_stated


def test_retest_hour_is_the_middle_of_the_light(known) -> None:
    """10:00 to 20:00 is 15:00; lights across midnight too."""
    assert plan(known(), example_tank()).retest_hour == 15.0
    across = example_tank(lights_on_h=18.0, lights_off_h=4.0)
    assert plan(known(), across).retest_hour == 23.0


def test_plan_is_fixed_by_its_seed(unsure, handed: ChangeOver) -> None:
    """The same seed gives the same plan and levels, another seed other random numbers."""
    again = plan(unsure(), example_tank())
    assert [s.flow_ml_h for s in again.steps] == [s.flow_ml_h for s in handed.steps]
    np.testing.assert_array_equal(again.levels_meq_l, handed.levels_meq_l)
    other = plan(unsure(), example_tank(), seed=4)
    assert not np.array_equal(other.overnight_meq_l[:14], handed.overnight_meq_l[:14])


def test_present_dose_rates() -> None:
    """The last lasting rate, hand dosing by its interval, none that is off or only magnesium."""
    tank = example_tank()
    solutions = {**tank.solutions, "magnesium": Solution("magnesium", magnesium_mmol_per_ml=1.0)}
    tank = replace(tank, solutions=solutions)
    read = [(0.5, "alkalinity", "tank", "alk", 2.9), (12.0, "alkalinity", "tank", "alk", 2.9)]
    actions = [
        (1.0, "dose_rate", "soda", 80.0),
        (3.0, "dose_rate", "soda", 60.0),
        (1.0, "dose_rate", "magnesium", 20.0),
        *((float(day), "dose", "chloride", 40.0) for day in range(2, 12, 2)),
    ]
    rates = dose_rates_now(example_log(read, actions), tank)
    assert rates == pytest.approx({"soda": 60.0, "chloride": 20.0})
    off = dose_rates_now(example_log(read, [*actions[:2], (5.0, "dose_rate", "soda", 0.0)]), tank)
    assert off == {}


ODD_SOLUTIONS: tuple[dict[str, Solution], ...] = (
    {},
    {"soda": Solution("soda", 1.9)},
    {"soda": Solution("soda", 1.9), "chloride": Solution("chloride", 0.0, 1.84)},
    {"lime": Solution("lime", 0.04, 0.02)},
    {"chloride": Solution("chloride", 0.0, 1.84)},
)


@pytest.mark.parametrize("seed", range(25))
def test_odd_tanks_get_a_plan_that_can_be_set_or_a_reason(known, seed: int) -> None:
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
        exponent=np.clip(rng.choice([0, 0.4, 0.9]) + 0.1 * rng.standard_normal(200), 0, 0.97),
        reference_flow_l_d=flow if running else None,
        present_flow_l_d=flow,
        dosed_meq_d=sum(solutions[s].alkalinity_meq_per_ml * ml for s, ml in doses.items()),
        effluent_tested=running,
        alkalinity_now_meq_l=(rng.uniform(low - 2.5, low + 3.5) + np.zeros(200)) * DKH,
    )
    found = plan(posterior, tank, doses)
    if not found.steps:
        assert found.reason
        assert not found.provisional
        return
    rule = found.steering
    assert rule.below_meq_l < rule.wanted_meq_l < rule.above_meq_l
    present = float(to_ml_h(np.array(flow)))
    for step in found.steps:
        assert min(step.dose_ml_d.values(), default=0.0) >= 0
        held = step.flow_ml_h == pytest.approx(present)
        assert held or pump.flow_min_ml_h <= step.flow_ml_h <= pump.flow_max_ml_h
        assert held or step.flow_ml_h <= rule.highest_ml_h
    for one, following in pairwise(found.steps):
        assert one.retest_on == following.set_on
    assert np.isfinite(found.levels_meq_l).all()
