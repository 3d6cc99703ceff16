"""What the keeper can set: the pump, the solutions that are dosed, one-off additions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from estimator import units
from estimator.advice.flow import PLANNED_PUMP, calcium_is_high, to_l_d, to_ml_h
from estimator.fit.posterior import Posterior
from estimator.inputs.dosing import alkalinity_meq_d
from estimator.inputs.parameters import ALKALINITY, CALCIUM
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Reactor, Tank
from estimator.plan.present import dose_rates_now, settable_dose
from estimator.water.settings import actions_of

USUAL_MAX_RISE = 0.5 * units.MEQ_L_PER_DKH
"""Largest rise of alkalinity in a day where the tank file states none (common practice, no
source)."""
SAFE_SHARE = 0.7
"""Part of the largest rise that a plan asks for: volume and strength may be off by so much."""
CALCIUM_DAYS = 20.0
"""Calcium that is off its band's middle is brought back in this time, where it is dosed."""


def settable_flow(pump: Reactor, flow_l_d: float) -> float:
    """The pump setting nearest to a flow, L/day."""
    step = pump.flow_step_ml_h
    low = np.ceil(pump.flow_min_ml_h / step - 1e-9)
    high = np.floor(pump.flow_max_ml_h / step + 1e-9)
    return float(to_l_d(np.clip(np.round(to_ml_h(np.array(flow_l_d)) / step), low, high) * step))


@dataclass(frozen=True)
class Means:
    """What can be set, and how it stands at the last entry.

    Attributes:
        pump: of the tank file; a planned one where it has none.
        reactor: the tank has a reactor.
        present_l_d: flow.
        present_ml_d: rate of every solution of the tank file.
        present_meq_d: alkalinity in them.
        ml_per_meq: mL of each solution to dose for a meq of alkalinity; empty where there is no
            solution of alkalinity.
        calcium_extra_ml_d: rate of a solution of calcium beside that, to bring calcium back.
        pauses: solutions of calcium that pause because calcium is above its band.
        once: solution of alkalinity for one-off additions; None without.
        meq_per_ml: its strength.
        rise_meq_l_d: largest rise of alkalinity in a day.
        rise_stated: the tank file states it.
        replaced: solutions of alkalinity or calcium, whose rates the plan sets.
    """

    pump: Reactor
    reactor: bool
    present_l_d: float
    present_ml_d: Mapping[str, float]
    present_meq_d: float
    ml_per_meq: Mapping[str, float]
    calcium_extra_ml_d: Mapping[str, float]
    pauses: tuple[str, ...]
    once: str | None
    meq_per_ml: float
    rise_meq_l_d: float
    rise_stated: bool
    replaced: frozenset[str]

    def rates(self, meq_d: float) -> dict[str, float]:
        """Rate of every solution, mL/day as it can be set, that brings so much alkalinity.

        Solutions without alkalinity and calcium go on as they do: this is not for them.
        """
        found = {}
        for name, present in self.present_ml_d.items():
            if name in self.ml_per_meq or name in self.calcium_extra_ml_d:
                extra = self.calcium_extra_ml_d.get(name, 0.0)
                wanted = self.ml_per_meq.get(name, 0.0) * meq_d
                found[name] = settable_dose(max(wanted + extra * (meq_d > 0), 0.0))
            else:
                found[name] = 0.0 if name in self.replaced else settable_dose(present)
        return found

    def shown_ml_h(self, flow_l_d: float) -> float:
        """A flow as the pump shows it, freed of rounding errors."""
        step = self.pump.flow_step_ml_h
        return float(np.round(to_ml_h(np.array(flow_l_d)) / step) * step)


def means_of(posterior: Posterior, log: TankLog, tank: Tank) -> Means:
    """What this keeper can set.

    Solutions of alkalinity are dosed in the proportions of now; where none is, the one that was
    dosed last, else the first of the tank file. One of calcium goes with them, as much as corals
    take beside that alkalinity, where it is dosed now or ever was, or there is no reactor; it
    pauses while calcium is above its band, and is dosed again when a report finds it inside.
    """
    solutions = tank.solutions
    now = dose_rates_now(log, tank)
    rates = {a.of: a.value or 0.0 for a in actions_of(log, "dose_rate")}
    present = {name: now.get(name, rates.get(name, 0.0)) for name in solutions}
    band = tank.targets[ALKALINITY.name]
    alkaline = [name for name, one in solutions.items() if one.alkalinity_meq_per_ml > 0]
    used = [a.of for a in log.actions if a.kind in ("dose", "dose_rate") and (a.value or 0.0) > 0]
    chosen = [name for name in alkaline if now.get(name)]
    if not chosen:
        last = [name for name in used if name in alkaline]
        chosen = last[-1:] or alkaline[:1]
    given = alkalinity_meq_d(solutions, {name: now.get(name, 0.0) for name in chosen})
    if given > 0:
        ml_per_meq = {name: now[name] / given for name in chosen}
    else:
        ml_per_meq = {n: 1 / solutions[n].alkalinity_meq_per_ml for n in chosen}
    calcic = [
        name
        for name, one in solutions.items()
        if one.calcium_mmol_per_ml > 0 and one.alkalinity_meq_per_ml == 0
    ]
    high = calcium_is_high(posterior, tank)
    extra: dict[str, float] = {}
    pauses: tuple[str, ...] = ()
    with_alkalinity = any(solutions[name].calcium_mmol_per_ml > 0 for name in chosen)
    wanted = [n for n in calcic if n in used] or ([] if tank.reactor else calcic[:1])
    if high:
        pauses = tuple(wanted)
    elif wanted and ml_per_meq and not with_alkalinity:
        name = wanted[-1]
        strength = solutions[name].calcium_mmol_per_ml
        ml_per_meq[name] = float(np.median(posterior.calcium_share)) / strength
        if (target := tank.targets.get(CALCIUM.name)) and posterior.calcium_now_mmol_l is not None:
            off = target.middle - float(np.median(posterior.calcium_now_mmol_l))
            volume = float(np.median(posterior.volume_l))
            extra[name] = off * volume / CALCIUM_DAYS / strength
    once = chosen[0] if chosen else None
    return Means(
        pump=tank.reactor or PLANNED_PUMP,
        reactor=tank.reactor is not None,
        present_l_d=posterior.present_flow_l_d,
        present_ml_d=present,
        present_meq_d=alkalinity_meq_d(solutions, now),
        ml_per_meq=ml_per_meq,
        calcium_extra_ml_d=extra,
        pauses=pauses,
        once=once,
        meq_per_ml=solutions[once].alkalinity_meq_per_ml if once else 0.0,
        rise_meq_l_d=USUAL_MAX_RISE if band.max_rise_per_day is None else band.max_rise_per_day,
        rise_stated=band.max_rise_per_day is not None,
        replaced=frozenset((*alkaline, *calcic)),
    )
