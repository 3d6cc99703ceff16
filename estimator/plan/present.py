"""What goes on at the log's end: the dosing."""

from __future__ import annotations

from estimator.inputs.dosing import Solution
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.water.settings import actions_of, settings_of


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


def settable_dose(ml_d: float) -> float:
    """A dosing rate that can be set: whole mL from 10 mL/day on, else tenths."""
    return float(round(ml_d)) if ml_d >= 10 else round(ml_d, 1)
