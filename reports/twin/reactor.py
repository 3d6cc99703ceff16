"""The reactor job in the JSON twin: hand-over, supplies, chamber, pH, outlook, what changed."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np

from estimator.advice.effluent_check import OddEffluent
from estimator.advice.magnesium import BELIEVED_SHARE, DAYS_PER_MONTH, Magnesium
from estimator.advice.outlook import ElementOutlook, Outlook
from estimator.advice.ph_and_flow import ChamberTrade, SecondChamber, WorkingPoint
from estimator.advice.supplies import MOST_DAYS, Stock, Supplies
from estimator.advice.tank_ph import LOW_PH, TankPh
from estimator.fit.kit_in_use import last_kit
from estimator.fit.watch import Change, Watch
from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM, PARAMETERS
from estimator.inputs.tank import USUAL_MINUTES
from estimator.plan.controller import Rule
from estimator.plan.present import settable_doses
from estimator.plan.result import ChangeOver, ChangeStep, NoPlan, Plan, Steering
from estimator.study import ReactorJob
from reports.twin.quantities import Draws, Json, by_date, quantiles
from reports.twin.serialise import Naming, Writer, always
from reports.words.fit import CHANGES, TELLING_TESTS

MOST_TOLD = 8
STRIDES = (1, 2, 5, 10, 20, 50)
"""Kit steps between the readings for which the retest's sums are done."""


NO_PLAN: Json = {
    "remedy": "",
    "provisional": False,
    "corrects": False,
    "judged_days": 0,
    "step_days": 0,
    "levels": [],
    "overnight_levels": [],
    **dict.fromkeys(
        (
            *("remedy_probability", "probability", "good_days_share", "left_dosed_share"),
            *("overnight_probability", "retest_minutes_per_week", "steering"),
        )
    ),
}
"""What the twin tells of a plan where there is none."""


def _kit(_: Any, writer: Writer) -> str | None:
    """The kit of the retests."""
    return last_kit(writer.study.posterior)


def _reason(plan: Plan | NoPlan, writer: Writer) -> str:
    """All that is to be told of the plan, one after the other."""
    return " ".join(writer.write(reason) for reason in plan.reasons)


def _retest_minutes(plan: Plan, writer: Writer) -> float:
    """What the retests take, minutes a week."""
    kit = _kit(plan, writer)
    each = writer.study.tank.kits[kit].minutes if kit is not None else None
    return (USUAL_MINUTES if each is None else each) * 7 / plan.step_days


def _levels(plan: Plan, levels_meq_l: Draws) -> list[Json]:
    """Level at the end of each day (days, s), that is, as the next date begins.

    A retest reads that of its date.
    """
    first = plan.steps[0].set_on
    return by_date((first + timedelta(days=d + 1) for d in range(plan.judged_days)), levels_meq_l)


def _sums(steering: Steering, writer: Writer) -> Json:
    """The rule of the retests with its sums done: for each reading, and each one before it."""
    rule, kit = steering.rule, _kit(steering, writer)
    step = writer.study.tank.kits[kit].step if kit is not None else 0.0
    readings = readings_told(rule, step or ALKALINITY.assumed_step)
    counted = readings[np.argmin(np.abs(readings - float(rule.began_meq_l)))]
    by = steering.ml_per_meq
    # The solution that carries the alkalinity is the one to count in; the others go with it.
    solutions = writer.study.tank.solutions
    carry = (name for name, ml in by.items() if solutions[name].alkalinity_meq_per_ml * ml > 0)
    main = next(carry, None)
    unit = by[main] if main is not None else steering.ml_h_per_meq_d
    told = {
        "hold_above": float(rule.hold_above_meq_l),
        "hold_below": float(rule.hold_below_meq_l),
        "wanted": float(rule.setpoint_meq_l),
        "first_last_reading": counted,
    }
    return {
        **{key: writer.in_unit(ALKALINITY, meq_l) for key, meq_l in told.items()},
        "readings": writer.in_unit(ALKALINITY, readings).tolist(),
        "of": main,
        "changes": [
            [float(unit * rule.change_meq_d(last, now)) for last in readings] for now in readings
        ],
        "others_ml_per_ml": {
            name: ml / unit for name, ml in by.items() if main is not None and name != main
        },
        "pump_ml_h_per_ml_d": steering.ml_h_per_meq_d / unit,
        "extra_takes": settable_doses(by, steering.extra_meq_d),
        "extra_from": settable_doses(by, 0.5 * steering.extra_meq_d),
        "whole_load": settable_doses(by, steering.whole_load_meq_d),
        "most": settable_doses(by, steering.most_meq_d),
    }


def readings_told(rule: Rule, step_meq_l: float) -> np.ndarray:
    """Readings for which the sums are done, meq/L: kit steps, from the lowest that counts in full.

    With a fine kit every second, fifth or tenth step and so on: about six are enough.
    """
    low, high = (float(rule.setpoint_meq_l + side * rule.clamp_meq_l) for side in (-1, 1))
    enough = (high - low) / (MOST_TOLD - 2)
    stride = step_meq_l * next(
        (by for by in STRIDES if by * step_meq_l >= enough - 1e-9), STRIDES[-1]
    )
    return stride * np.arange(np.floor(low / stride + 1e-9), np.ceil(high / stride - 1e-9) + 1)


def _refill_on(stock: Stock, writer: Writer) -> Json:
    """Dates; null where the supply lasts ten years or more."""
    days, end = quantiles(stock.refill_days), writer.study.log.end
    points = {"earliest": "q05", "middle": "q50", "latest": "q95"}
    return {
        name: (end + timedelta(days=days[q])).date() if days[q] < MOST_DAYS else None
        for name, q in points.items()
    }


def _least_co2(trade: ChamberTrade, _: Writer) -> float | None:
    """In the region to work in."""
    region = trade.region
    if region is None:
        return None
    inside = (trade.ph_axis >= region.low - 1e-9) & (trade.ph_axis <= region.high + 1e-9)
    return float(np.min(trade.co2_g_d[inside]))


def _in_unit_of_band(one: ElementOutlook, _: Writer) -> Json:
    unit = one.band.unit
    scale = PARAMETERS[one.parameter].units[unit]
    return {
        "unit": unit,
        "band": {"low": one.band.low / scale, "high": one.band.high / scale},
        "now": None if one.now is None else one.now / scale,
        "change": {month: draws / scale for month, draws in one.change.items()},
        "out_now_probability": None if one.out_by_week is None else one.out_by_week[0],
    }


def _size(change: Change, writer: Writer) -> Json:
    """How large the change is if it happened, without its sign."""
    unit, scale = "%", 0.01
    if change.kind in ("uptake", "additions", "one_addition"):
        parameter = CALCIUM if change.of == CALCIUM.name else ALKALINITY
        keepers = writer.unit(parameter)
        unit = keepers if change.kind == "one_addition" else f"{keepers}/day"
        scale = parameter.units[keepers]
    points = sorted(abs(value) / scale for value in change.size)
    return {"unit": unit, **dict(zip(("q05", "q50", "q95"), points, strict=True))}


REACTOR_TABLE = {
    ReactorJob: Naming(
        "change_over=change_over_plan supplies.magnesium=magnesium -supplies -odd_effluents",
        {
            "chamber": lambda job, writer: (
                writer.object(job.chamber) | {"odd_effluents": job.odd_effluents}
            )
        },
    ),
    ChangeOver: Naming("*plan", {"unit": lambda _, writer: writer.unit(ALKALINITY), "kit": _kit}),
    Plan: Naming(
        "-steps -reasons good_days=good_days_share left_dosed=left_dosed_share "
        "overnight_meq_l=overnight_levels",
        {
            "reason": _reason,
            "remedy": lambda plan, writer: writer.write(plan.remedy) or "",
            "retest_minutes_per_week": _retest_minutes,
            "levels_meq_l": lambda plan, writer: _levels(plan, plan.levels_meq_l),
            "overnight_meq_l": lambda plan, writer: _levels(plan, plan.overnight_meq_l),
        },
    ),
    NoPlan: Naming(
        "-reasons", {"reason": _reason, **{key: always(value) for key, value in NO_PLAN.items()}}
    ),
    ChangeStep: Naming(
        "set_on=date dose_ml_d=dose_rates takes_ml_d=takes -alkalinity_meq_l",
        {"alkalinity": lambda step, writer: writer.level(ALKALINITY, step.alkalinity_meq_l)},
    ),
    Steering: Naming(
        "extra_ml_h lowest_ml_h highest_ml_h *sums",
        {"sums": _sums},
        only=True,
    ),
    Supplies: Naming("media.days_left=media_days_left co2.days_left=co2_days_left -magnesium"),
    Stock: Naming(
        "-used_g -days_left",
        {
            "left_share": lambda one, _: float(np.median(one.left_g)) / max(one.charge_g, 1e-9),
            "refill_on": _refill_on,
        },
    ),
    Magnesium: Naming(
        "share=share_pct needed_share=needed_share_pct keeps_up=keeps_up_probability "
        "-uptake_ratio -waters -trend_mmol_l_d -believed_trend_mmol_l_d",
        {
            "unit": lambda _, writer: writer.unit(MAGNESIUM),
            "share": lambda found, _: np.clip(found.share, 0.0, None),
            "needed_share": lambda found, _: np.clip(found.needed_share, 0.0, None),
            "change_per_month_mmol_l": lambda found, _: DAYS_PER_MONTH * found.trend_mmol_l_d,
            "believed_share": always(BELIEVED_SHARE),
            "believed_change_per_month_mmol_l": lambda found, _: (
                DAYS_PER_MONTH * found.believed_trend_mmol_l_d
            ),
        },
        of=MAGNESIUM,
    ),
    ChamberTrade: Naming("holding=holding_probability", {"least_co2_g_d": _least_co2}, series=True),
    OddEffluent: Naming(
        "*reading check.remark=remark -check",
        {
            "code": lambda one, _: one.check.remark and one.check.remark.code,
            "reading": lambda one, writer: {
                key: value
                for key, value in writer.object(one.reading).items()
                if key in ("row", "time", "value", "unit")
            },
        },
    ),
    WorkingPoint: Naming("effluent_meq_l=effluent_alkalinity"),
    SecondChamber: Naming(
        "effluent_meq_l=effluent_alkalinity",
        {"co2_saved_share": lambda one, _: 1 - one.co2_per_caco3[1] / one.co2_per_caco3[0]},
    ),
    TankPh: Naming(
        "low_chance_without=low_probability_without",
        {
            "low_ph": always(LOW_PH),
            "notes_codes": lambda found, _: [note.code for note in found.notes],
        },
    ),
    Outlook: Naming(
        computed={
            "calcium": lambda found, writer: None if writer.hides(CALCIUM) else found.calcium,
        },
    ),
    ElementOutlook: Naming(
        "-parameter -band -now -change out_by=out_by_probability -out_by_week -leave_day *in_unit",
        {"in_unit": _in_unit_of_band},
    ),
    Watch: Naming(
        "quiet nothing=nothing_probability nothing_prior=nothing_prior_probability",
        {
            "window_days": lambda found, _: len(found.days),
            # The same: readers of older files look for it.
            "kit_window_days": lambda found, _: len(found.days),
            "likeliest": lambda found, _: found.likeliest and found.changes.index(found.likeliest),
            "changes": lambda found, writer: [
                writer.object(one) | {"most_likely_on": found.days[int(np.argmax(one.by_day))]}
                for one in found.changes
            ],
        },
    ),
    Change: Naming(
        "prior=prior_probability chance=probability by_day=by_day_probability",
        {
            "size": _size,
            "cause": lambda change, _: CHANGES[change.kind, change.direction].cause,
            "test": lambda change, _: TELLING_TESTS[change.kind],
        },
        series=True,
    ),
}
"""By class: what the rule does not know about the reactor job."""
