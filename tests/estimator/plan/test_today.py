"""What to set today, on studies made by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from estimator.plan.today import Today, what_to_set_today
from helpers.studies import build_study


def today_of(study, steps=(), dosed: float = 0.0, **flow) -> Today | None:
    """What to set today, some of the advice on the flow changed."""
    advice = study.recommendation
    advice = replace(advice, flow=replace(advice.flow, **flow), dosed_meq_d=dosed)
    return what_to_set_today(study.log, study.tank, advice, steps)


@pytest.mark.parametrize(
    ("variant", "action"),
    [("full", "lower"), ("leave", "leave"), ("start", "start"), ("no reactor", "start")],
)
def test_action_follows_from_the_present_setting(variant, action) -> None:
    """The keeper is told to change only what would do better by changing."""
    assert build_study(variant).today.in_the_end == action


@pytest.mark.parametrize(
    ("changes", "action"),
    [
        ({}, "leave"),
        ({"current_ml_h": 2220.0, "dosed": 50.0}, "leave"),
        ({"current_ml_h": 1000.0}, "raise"),
        ({"current_probability": 0.7}, "lower"),
        ({"level_in_band": 0.4}, "lower"),
        ({"dosed": 50.0}, "lower"),
        ({"current_ml_h": 0.0}, "start"),
    ],
)
def test_the_pump_is_left_where_that_is_as_good(changes, action) -> None:
    """Inside the range, as sure as the best but for 0.05, nothing dosed and the level in the band.

    Of "leave": 2250 mL/h where 2220 is best, 0.76 against 0.78.
    """
    assert today_of(build_study("leave"), **changes).in_the_end == action


def test_withheld_sets_nothing() -> None:
    """Without a setting there is nothing to set today, nor in the end."""
    assert build_study("wide").today is None


def test_without_steps_the_setting_is_set_at_once() -> None:
    """No change-over: today's setting is the recommended one."""
    found = today_of(build_study("full"))
    assert (found.set_to_ml_h, found.action, found.steps) == (2220.0, found.in_the_end, 0)
    assert not found.dosing_changes


@pytest.mark.parametrize(
    ("current", "first", "action"),
    [
        (None, 0.0, "off"),
        (None, 300.0, "start"),
        (300.0, 300.0, "leave"),
        (300.0, 200.0, "lower"),
        (200.0, 300.0, "raise"),
    ],
)
def test_action_of_the_first_step(current, first, action) -> None:
    """Told from what the pump does now, not from where the hand-over ends."""
    study = build_study("start")
    steps = study.job.change_over.steps
    steps = (replace(steps[0], flow_ml_h=first), *steps[1:])
    found = today_of(study, steps, current_ml_h=current)
    assert (found.action, found.set_to_ml_h, found.steps) == (action, first, len(steps))


@pytest.mark.parametrize(("soda", "changes"), [(180.0, False), (120.0, True), (0.0, True)])
def test_dosing_that_stays_is_not_told_as_a_change(soda, changes) -> None:
    """The log ends with 180 mL/day of soda; a rate of nothing counts as none."""
    study = build_study("start")
    first = replace(study.job.change_over.steps[0], dose_ml_d={"soda": soda, "chloride": 0.0})
    assert today_of(study, (first,)).dosing_changes == changes
