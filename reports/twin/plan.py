"""The plan in the JSON twin: what is set today, the schedule, the rule, the rungs, the chances."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from estimator.fit.kit_in_use import kit_in_use
from estimator.inputs.parameters import ALKALINITY
from estimator.plan.means import means_of
from estimator.plan.present import settable_dose
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


def _present(writer: Writer) -> Json:
    """What is set now, as today's settings are told."""
    study = writer.study
    means = means_of(study.posterior, study.log, study.tank)
    return {
        "flow_ml_h": study.recommendation.flow.current_ml_h,
        "dose_rates": {name: settable_dose(rate) for name, rate in means.present_ml_d.items()},
    }


def _kit_step(writer: Writer) -> float:
    """Of the kit's scale, in its unit: readings lie on its figures."""
    study = writer.study
    assert study.plan.rule is not None
    scale = ALKALINITY.units[_reading_unit(study.plan.rule, writer)]
    return float(np.round(kit_in_use(study.posterior, study.tank).step_meq_l / scale, 6))


def _reading_unit(rule: TestRule, writer: Writer) -> str:
    """That of the kit, which may not be the band's."""
    kit = writer.study.tank.kits.get(rule.kit or "")
    return writer.unit(ALKALINITY) if kit is None else kit.unit


def _cases(rule: TestRule, writer: Writer) -> list[Json]:
    """The rows, in the kit's unit, with the lowest and the highest figure of the kit in each."""
    scale, step = ALKALINITY.units[_reading_unit(rule, writer)], _kit_step(writer)

    def bound(meq_l: float | None) -> float | None:
        # Half way between two figures of the kit: no reading lies within rounding of it.
        return None if meq_l is None else float(np.round(meq_l / scale, 6))

    def figure(edge: float | None, below: int) -> float | None:
        """The first figure that is not below an edge, or the last one that is."""
        if edge is None:
            return None
        return float(np.round((np.ceil(edge / step - 1e-6) - below) * step, 6))

    def row(case: Case) -> Json:
        low, high = bound(case.from_meq_l), bound(case.to_meq_l)
        return {
            "reading_from": low,
            "reading_to": high,
            "figures_from": figure(low, 0),
            "figures_to": figure(high, 1),
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
        "-path left=leave_all left_alone_meq_l=left_alone_levels self_regulation_days -foretold "
        "-gains",
        {
            "readings_meq_l": _readings,
            "action": lambda plan, writer: action_of(
                plan, writer.study.recommendation.flow.current_ml_h
            ),
            "present": lambda _, writer: _present(writer),
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
            "step": lambda _, writer: _kit_step(writer),
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
