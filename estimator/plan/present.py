"""What goes on at the log's end: the dosing, and how the effluent last answered to the flow."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from estimator.advice.flow import calcium_is_high
from estimator.fit.posterior import Posterior
from estimator.inputs.dosing import Solution
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.water.settings import actions_of, day_of, origin_of, settings_of

LEAST_CHANGE = 1.25
"""Change of flow from which the effluent's answer to it can be told."""
EFFLUENT_ERROR = 0.07
"""Log sd of the ratio of two effluent strengths: 5 % each, tests and drift together."""


class FlowAnswer(NamedTuple):
    """How the effluent answered to a change of flow: the exponent ε of `SupplyLaw`, and its sd."""

    exponent: float
    sd: float


def dose_rates_now(log: TankLog, tank: Tank) -> dict[str, float]:
    """mL/day of each solution at the end of the log, by lasting rate and by hand.

    Solutions without alkalinity and calcium are left out: the reactor does not replace them.
    """
    rates = {action.of: action.value or 0.0 for action in actions_of(log, "dose_rate")}
    for routine in settings_of(log, tank).hand_dosing:
        solution = tank.solutions[routine.solution]
        if solution.alkalinity_meq_per_ml > 0:
            ml = routine.alkalinity_meq / solution.alkalinity_meq_per_ml
        elif solution.calcium_mmol_per_ml > 0:
            ml = routine.calcium_mmol / solution.calcium_mmol_per_ml
        else:
            continue
        rates[routine.solution] = rates.get(routine.solution, 0.0) + ml / routine.interval_d

    def replaced(solution: Solution) -> bool:
        return solution.alkalinity_meq_per_ml + solution.calcium_mmol_per_ml > 0

    return {n: rate for n, rate in rates.items() if rate > 0 and replaced(tank.solutions[n])}


def rates_to_go_on(
    dose_ml_d: Mapping[str, float], posterior: Posterior, tank: Tank
) -> dict[str, float]:
    """Dosing that a plan may go on with: no calcium while calcium is above its band."""
    high = calcium_is_high(posterior, tank)
    return {
        name: rate
        for name, rate in dose_ml_d.items()
        if not high or tank.solutions[name].alkalinity_meq_per_ml > 0
    }


def settable_dose(ml_d: float) -> float:
    """A dosing rate that can be set: whole mL from 10 mL/day on, else tenths."""
    return float(round(ml_d)) if ml_d >= 10 else round(ml_d, 1)


def settable_doses(ml_per_meq: Mapping[str, float], meq_d: float) -> dict[str, float]:
    """Rates of solutions, mL/day as they can be set, that bring so much alkalinity."""
    return {name: settable_dose(ml * meq_d) for name, ml in ml_per_meq.items()}


def answer_seen(log: TankLog, tank: Tank) -> FlowAnswer | None:
    """How the effluent answered to the last change of flow, by its tests; None where none can tell.

    ε = −ln(X₂/X₁)/ln(F₂/F₁) of the increments X over the middle of the band, each the median at one
    setting F of the pump: the last one tested, and the last before it that differs by
    `LEAST_CHANGE`. Tests before new media or another chamber pH do not count.
    """
    settings, origin = settings_of(log, tank), origin_of(log)
    middle = tank.targets[ALKALINITY.name].middle
    renewed = max(
        (a.time for kind in ("media_change", "ph_setting") for a in actions_of(log, kind)),
        default=log.start,
    )
    runs: list[tuple[float, list[float]]] = []
    for reading in sorted(log.readings, key=lambda r: r.time):
        if (reading.parameter, reading.sample) != (ALKALINITY.name, "effluent"):
            continue
        # A reading at the instant of a change is of the setting before it.
        flow = settings.flow_l_d.at(day_of(reading.time, origin) - 1e-6)
        if flow <= 0 or reading.time < renewed:
            continue
        if not runs or runs[-1][0] != flow:
            runs.append((flow, []))
        runs[-1][1].append(max(reading.value - middle, 1e-3))
    for flow, increments in reversed(runs[:-1]):
        change = float(np.log(runs[-1][0] / flow))
        if abs(change) >= np.log(LEAST_CHANGE):
            exponent = -float(np.log(np.median(runs[-1][1]) / np.median(increments))) / change
            return FlowAnswer(exponent, EFFLUENT_ERROR / abs(change))
    return None
