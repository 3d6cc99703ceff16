"""What to set today, and what the pump is to do in the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from estimator.advice.flow import Recommendation, Setting
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.plan.present import dose_rates_now, settable_dose
from estimator.plan.result import ChangeStep

AS_GOOD = 0.05
"""A pump whose present setting is within this of the best chance of holding the band is left, to
spare the tank a change."""


@dataclass(frozen=True)
class Today:
    """What to do with the pump and the dosing.

    Attributes:
        in_the_end: what the pump is to do in the end: "start", "leave", "raise" or "lower".
        set_to_ml_h: what it is set to now: the setting, or the first step towards it.
        action: what that means today; "off" for a first step that only doses.
        steps: how many there are; 0 where the setting is set at once.
        dosing_changes: whether the first step doses otherwise than the log's end.
    """

    in_the_end: str
    set_to_ml_h: float
    action: str
    steps: int
    dosing_changes: bool


def what_to_set_today(
    log: TankLog, tank: Tank, recommendation: Recommendation, steps: Sequence[ChangeStep]
) -> Today | None:
    """What to set today, None where no setting is recommended.

    Args:
        log, tank: for what is dosed now.
        recommendation: the setting.
        steps: of the change-over, if there are any.
    """
    setting = recommendation.flow.setting
    if setting is None:
        return None
    in_the_end = _in_the_end(recommendation, setting)
    if not steps:
        return Today(in_the_end, setting.set_to_ml_h, in_the_end, 0, dosing_changes=False)
    first, now = steps[0], recommendation.flow.current_ml_h
    rates = {name: settable_dose(rate) for name, rate in dose_rates_now(log, tank).items()}
    given = {name: rate for name, rate in rates.items() if rate}
    return Today(
        in_the_end,
        set_to_ml_h=first.flow_ml_h,
        action=_move(now, first.flow_ml_h) if now or first.flow_ml_h else "off",
        steps=len(steps),
        dosing_changes={name: rate for name, rate in first.dose_ml_d.items() if rate} != given,
    )


def _in_the_end(recommendation: Recommendation, setting: Setting) -> str:
    """What to do with the pump.

    It may be left where it is within the range and does as well as the setting, or nearly so. While
    alkalinity is dosed beside, "as well" cannot be said.
    """
    flow = recommendation.flow
    now, best, present = flow.current_ml_h, flow.in_band_probability, flow.current_probability
    as_good = best is not None and present is not None and present >= best - AS_GOOD
    judged = flow.level_in_band >= 0.5 and recommendation.dosed_meq_d == 0
    if now and setting.low_ml_h <= now <= setting.high_ml_h and as_good and judged:
        return "leave"
    return _move(now, setting.set_to_ml_h)


def _move(now_ml_h: float | None, to_ml_h: float) -> str:
    """How the pump gets from one setting to another."""
    if not now_ml_h:
        return "start"
    if to_ml_h == now_ml_h:
        return "leave"
    return "raise" if to_ml_h > now_ml_h else "lower"
