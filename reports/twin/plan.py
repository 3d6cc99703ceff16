"""The plan in the JSON twin: what is set today, the schedule, the rule, the rungs, the chances."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from estimator.inputs.parameters import ALKALINITY
from estimator.plan.result import (
    Case,
    Chances,
    Once,
    PathStep,
    Plan,
    Rung,
    TestRule,
    Today,
)
from reports.twin.quantities import Draws, Json, by_date
from reports.twin.serialise import Naming, Writer, always


def _levels(plan: Plan, levels_meq_l: Draws | None) -> list[Json]:
    """Level at the end of each day (days, s); the key's suffix has the writer convert it."""
    if levels_meq_l is None:
        return []
    days = (plan.begins + timedelta(days=day + 1) for day in range(len(levels_meq_l)))
    return by_date(days, levels_meq_l)


def _reading_unit(rule: TestRule, writer: Writer) -> str:
    """That of the kit, which may not be the band's."""
    kit = writer.study.tank.kits.get(rule.kit or "")
    return writer.unit(ALKALINITY) if kit is None else kit.unit


def _cases(rule: TestRule, writer: Writer) -> list[Json]:
    """The rows, in the kit's unit."""
    scale = ALKALINITY.units[_reading_unit(rule, writer)]

    def bound(meq_l: float | None) -> float | None:
        # Half way between two figures of the kit: no reading lies within rounding of it.
        return None if meq_l is None else float(np.round(meq_l / scale, 6))

    def row(case: Case) -> Json:
        return {
            "reading_from": bound(case.from_meq_l),
            "reading_to": bound(case.to_meq_l),
            "last_from": None,
            "last_to": None,
            "do": case.do,
            "flow_change_ml_h": case.flow_change_ml_h,
            "dose_changes": case.dose_change_ml_d,
            "step": case.step,
        }

    return [row(case) for case in rule.cases]


def action_of(plan: Plan, current_ml_h: float | None) -> str | None:
    """What today does with the pump: start, leave, raise, lower or stop; None without a reactor."""
    flow = plan.today.flow_ml_h
    if flow is None:
        return None
    now = current_ml_h or 0.0
    if flow == now:
        return "leave"
    if now == 0:
        return "start"
    return "stop" if flow == 0 else "raise" if flow > now else "lower"


def _readings(plan: Plan, writer: Writer) -> Json | None:
    """What tests will read, by what is sampled and date; converted likewise."""
    told = plan.foretold
    if told is None:
        return None
    # The tank's begin on the first day, a day before the levels do.
    today = by_date([plan.begins], told.tank_meq_l[:1])
    return {
        "unit": writer.unit(ALKALINITY),
        "kit": told.kit,
        "tank": today + _levels(plan, told.tank_meq_l[1:]),
        "effluent": _levels(plan, told.effluent_meq_l),
    }


PLAN_TABLE: dict[type, Naming] = {
    Plan: Naming(
        "-path left=leave_all left_alone_meq_l=left_alone_levels self_regulation_days -foretold",
        {
            "readings_meq_l": _readings,
            "action": lambda plan, writer: action_of(
                plan, writer.study.recommendation.flow.current_ml_h
            ),
            "unit": lambda _, writer: writer.unit(ALKALINITY),
            "levels_meq_l": lambda plan, writer: _levels(plan, plan.levels_meq_l),
            "left_alone_meq_l": lambda plan, writer: _levels(plan, plan.left_alone_meq_l),
        },
    ),
    Today: Naming("dose_ml_d=dose_rates"),
    Once: Naming("on=date"),
    TestRule: Naming(
        "kit most_ml_d=most",
        {
            "entry": always(ALKALINITY.name),
            "of": always("tank"),
            "unit": _reading_unit,
            "cases": _cases,
        },
        only=True,
    ),
    Rung: Naming("on=date takes_ml_d=takes"),
    PathStep: Naming(
        "on=date dose_ml_d=dose_rates -alkalinity_meq_l",
        {"alkalinity": lambda step, writer: writer.level(ALKALINITY, step.alkalinity_meq_l)},
    ),
    Chances: Naming("largest_daily_rise_meq_l=largest_daily_rise"),
}
"""By class: what the rule does not know about the plan."""
