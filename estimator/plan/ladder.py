"""Ladders of pump settings: all that might be climbed, and the search for the best.

Candidates (number of steps, days a step, size of the first, thresholds, how hard to steer) are
followed through futures drawn from the posterior, with retests and the kit's error, all on the same
random numbers. The shortest that is good enough is taken, and judged on fresh ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import Any, NamedTuple

import numpy as np

from estimator.advice.flow import HORIZON_DAYS, to_l_d, to_ml_h
from estimator.inputs.tank import Reactor, Target
from estimator.plan.controller import Plans, chances, follow, to_kit
from estimator.plan.futures import Futures, Response, advance

NEAR_SHARE = 0.10
"""A change of the reactor's supply below this share of the load needs no steps while the level is
in the inner half of the band."""
LARGEST_LEAD = 0.5
"""Share of the largest rise that dosing beyond the load may bring about."""
LONGEST_CORRECTION_DAYS = 28
MC_ERROR = 0.01
"""Plans whose chances differ by less are taken as equal."""
GOOD_ENOUGH = 0.90
"""Chance of an undisturbed change-over from which a plan is good enough."""
STEPS = (1, 2, 3, 4, 6, 8, 10)
STEP_DAYS = (1, 2, 3, 4, 5, 7)
LONGEST_DAYS = 28
FIRST_STEPS = (1.0, 0.5)
"""Size of the first step, in equal ones."""
LEAST_STEP = 0.08
"""Part of the load that a step moves at least: plans that are renewed must not go on for ever."""
LEAST_OPENING = 0.1
"""Part of the load that the first step takes at least: less would tell little of the reactor."""
WIDTHS = (0.25, 0.5)
"""Distance of the thresholds from the reading aimed at, in half widths of the band."""
COUNTS = (0.75, 1.25)
"""How far from the reading aimed at a reading counts, in half widths of the band."""
STEERING_DAYS = (1.5, 2.5, 4.0, 7.0)
"""Time in which the dosing makes good a departure of the level."""
LASTING = 3.0
"""Times that: in which a lasting error of the supply is made good (damping 0.87)."""
EXTRA = 0.1
"""Step of the pump past the ladder, in supply at the final flow."""
LARGEST_EXTRA = 0.25
"""The same at most, in flow."""
LEAST_SLOPE = 0.3
"""The pump is moved as if supply rose at least by this power of the flow."""
FURTHEST = 1.5
"""The pump goes past the final flow by this factor at most."""
SHORTLIST = 16


def settable_flow(pump: Reactor, flow_l_d: float) -> float:
    """The pump setting nearest to a flow, L/day."""
    step = pump.flow_step_ml_h
    low = np.ceil(pump.flow_min_ml_h / step - 1e-9)
    high = np.floor(pump.flow_max_ml_h / step + 1e-9)
    return float(to_l_d(np.clip(np.round(to_ml_h(np.array(flow_l_d)) / step), low, high) * step))


@dataclass(frozen=True)
class Task:
    """What has to be changed, seen from the middle of the posterior.

    `before` is (flow L/day, days) of a correction of the level that comes first, None where the
    level is in the band. `ml_per_meq`: of each solution for a meq of alkalinity, empty where
    nothing can be dosed. The pump goes past the final flow by `furthest` times it at most.
    """

    tank: Response
    draws: Response
    start_meq_l: float
    present_l_d: float
    final_l_d: float
    ml_per_meq: Mapping[str, float]
    pump: Reactor
    band: Target
    rise_meq_l_d: float
    kit_gain: float
    kit_step: float
    furthest: float
    before: tuple[float, int] | None = None

    @property
    def load_meq_d(self) -> float:
        """What the tank takes up."""
        return float(self.tank.uptake_meq_l_d * self.tank.volume_l)

    @property
    def most_meq_d(self) -> float:
        """Largest dosing: the load, and what raises alkalinity as fast as it may."""
        if not self.ml_per_meq:
            return 0.0
        return self.load_meq_d + LARGEST_LEAD * self.rise_meq_l_d * float(self.tank.volume_l)

    @property
    def correction_days(self) -> int:
        """Days before the level is right."""
        return 0 if self.before is None else self.before[1]

    @property
    def highest_l_d(self) -> float:
        """Flow that the pump is not to exceed."""
        return max(self.settable(self.furthest * self.final_l_d), self.final_l_d)

    @property
    def extra_l_d(self) -> float:
        """Step of the pump past the ladder."""
        unit = float(to_l_d(np.array(self.pump.flow_step_ml_h)))
        part = min(EXTRA / (1 - float(self.tank.exponent)), LARGEST_EXTRA)
        return float(max(np.round(part * self.final_l_d / unit), 1.0) * unit)

    def settable(self, flow_l_d: float) -> float:
        """The pump setting nearest to a flow, L/day."""
        return settable_flow(self.pump, flow_l_d)

    def shown_ml_h(self, flow_l_d: float) -> float:
        """A flow as the pump shows it, freed of rounding errors."""
        step = self.pump.flow_step_ml_h
        return float(np.round(to_ml_h(np.array(flow_l_d)) / step) * step)

    def supply_meq_d(self, flow_l_d: float, level: float | None = None) -> float:
        """What the reactor may be expected to add, at the band's middle or another level."""
        at = self.band.middle if level is None else level
        return float(np.mean(self.draws.reactor_meq_d(np.array(flow_l_d), np.array(at))))

    def flow_for(self, supply_meq_d: float, level: float) -> float:
        """Flow at which the reactor gives a supply at a level, L/day."""
        order = 1 - float(self.tank.exponent)
        gain = float(self.tank.gain_meq_l) - order * (level - self.tank.middle_meq_l)
        reference = self.tank.reference_l_d
        ratio = max(supply_meq_d, 0.0) / (reference * max(gain, 1e-6))
        return reference * float(ratio ** (1 / order))

    def after_a_day(self, level: float, flow_l_d: float, dose_meq_d: float) -> float:
        """Level of the middle tank."""
        kappa, decay = self.tank.rates(np.array(flow_l_d))
        net = dose_meq_d / self.tank.volume_l - self.tank.uptake_meq_l_d
        gain, middle = self.tank.gain_meq_l, self.tank.middle_meq_l
        return float(advance(np.array(level), kappa, decay, gain, middle, np.asarray(net)))


def corrected(task: Task) -> Task | None:
    """The task with the level put right first where it is out of the band; None: impossible.

    Dosing is the means where there is any (its strength is known), the pump where there is none or
    where the reactor alone gives too much.
    """
    low, high, start = task.band.low, task.band.high, task.start_meq_l
    if low <= start <= high:
        return task
    side = 1.0 if start < low else -1.0
    need = task.load_meq_d + side * LARGEST_LEAD * task.rise_meq_l_d * float(task.tank.volume_l)
    flow = task.present_l_d
    given = task.supply_meq_d(flow, start)
    # Without dosing the pump is all there is; with it, it comes down where it alone gives too much.
    if given > max(need, 0.0) or (not task.ml_per_meq and (side > 0 or flow > 0)):
        flow = task.settable(task.flow_for(need, start))
    dose = float(np.clip(need - task.supply_meq_d(flow, start), 0.0, task.most_meq_d))
    level = start
    for days in range(1, LONGEST_CORRECTION_DAYS + 1):
        level = task.after_a_day(level, flow, dose)
        if side * (level - task.band.middle) >= -0.01 * (high - low):
            return replace(task, before=(flow, days))
    return None


def _ladder(task: Task, steps: int, first: float) -> tuple[list[float], list[float], float]:
    """Flows (L/day) of a number of steps, what each takes over, and dosing that holds the level.

    Lists begin with the present; a correction comes before the steps. The pump's rises are equal in
    supply but for the first. The dosing (meq/day) is that of the first day.
    """
    order = 1 - float(task.tank.exponent)
    flows = [task.present_l_d]
    if task.before is not None:
        flows.append(task.before[0])
    begun = (flows[-1] / task.final_l_d) ** order if flows[-1] > 0 else 0.0
    opening = begun + (1 - begun) * (1.0 if steps == 1 else first / steps)
    for carried in np.linspace(max(opening, LEAST_OPENING), 1.0, steps)[:-1]:
        flows.append(task.settable(task.final_l_d * float(carried) ** (1 / order)))
    flows.append(task.final_l_d)
    supply = [task.supply_meq_d(flow) for flow in flows]
    # A setting recommended carries the whole load, whatever the means of its parts say.
    scale = task.load_meq_d / max(supply[-1], 1e-9)
    if scale < 1 + NEAR_SHARE:
        supply = [given * scale for given in supply]
    dose = left = float(np.clip(task.load_meq_d - supply[1], 0.0, task.most_meq_d))
    takes = [0.0, 0.0]
    for before, now in pairwise(supply[1:]):
        takes.append(float(np.clip(now - before, 0.0, left)))
        left -= takes[-1]
    return flows, takes, dose


def candidates(task: Task, step_days: int, days: int) -> tuple[Plans, np.ndarray]:
    """All plans of one rhythm, and the number of steps of each (a correction not counted)."""
    volume = float(task.tank.volume_l)
    half_band = 0.5 * (task.band.high - task.band.low)
    wanted = task.kit_gain * task.band.middle
    columns = max(STEPS) + 2 + (task.before is not None)
    begun = task.present_l_d if task.before is None else task.before[0]
    gap = abs(task.supply_meq_d(task.final_l_d) - task.supply_meq_d(begun))
    edges = [thresholds(wanted, width * half_band, task.kit_step) for width in WIDTHS]
    slow = [t for t in STEERING_DAYS if t >= step_days] or [float(step_days)]
    each: list[dict[str, Any]] = []
    numbers = []
    for steps in STEPS:
        too_small = steps > 1 and gap < steps * LEAST_STEP * task.load_meq_d
        if steps * step_days > LONGEST_DAYS or too_small:
            continue
        for first in FIRST_STEPS if steps > 1 else (1.0,):
            flows, takes, dose = _ladder(task, steps, first)
            if steps > 1 and len(set(flows[1:])) < len(flows) - 1:
                continue  # The pump has too few settings for so many steps.
            table = np.pad(flows, (0, columns - len(flows)), mode="edge")
            taken = np.pad(takes, (0, columns - len(takes)))
            for steering_days in slow:
                per_fall = volume / steering_days
                most = LARGEST_LEAD * task.rise_meq_l_d * steering_days
                lead = float(np.clip(task.band.middle - task.start_meq_l, -most, most))
                for (above, below), counts in product(edges, COUNTS):
                    one = {
                        "flow_l_d": table,
                        "takes_meq_d": taken,
                        "last": len(flows) - 1,
                        "dose_meq_d": np.clip(dose + per_fall * lead, 0.0, task.most_meq_d),
                        "above": above,
                        "below": below,
                        "per_level": per_fall * step_days / (LASTING * steering_days),
                        "per_fall": per_fall,
                        "counts": counts * half_band * task.kit_gain,
                    }
                    each.append(one)
                    numbers.append(steps)
    more = task.supply_meq_d(task.final_l_d + task.extra_l_d) - task.supply_meq_d(task.final_l_d)
    # A ladder that comes down begins above what the pump may later go back up to.
    most_l_d = max(task.highest_l_d, *(float(one["flow_l_d"][1]) for one in each))
    plans = Plans(
        **{name: np.array([one[name] for one in each]) for name in each[0]},
        extra_l_d=task.extra_l_d,
        extra_meq_d=max(more, 1e-9),
        retest_days=tuple(range(step_days, days + 1, step_days)),
        wanted=wanted,
        began=float(np.round(task.kit_gain * task.start_meq_l / task.kit_step) * task.kit_step),
        meq_per_l=max(more / task.extra_l_d, LEAST_SLOPE * task.load_meq_d / task.final_l_d),
        limits_l_d=(task.settable(0.0), most_l_d),
        most_meq_d=task.most_meq_d,
    )
    return plans, np.array(numbers)


def thresholds(wanted: float, distance: float, kit_step: float) -> tuple[float, float]:
    """Readings from which the pump waits, above and below: figures of the kit.

    At least one figure lies between them, or no reading would let the pump go on.
    """
    above, below = (
        float(to_kit(np.array(wanted + side * distance), kit_step, side)) for side in (1, -1)
    )
    while above - below < 1.5 * kit_step:
        if above - wanted < wanted - below:
            above += kit_step
        else:
            below -= kit_step
    return above, below


class Found(NamedTuple):
    """One candidate and how it did."""

    chance: float
    good_days: float
    length_days: int
    step_days: int
    steps: int
    judged_days: int
    plans: Plans


def search_plans(task: Task, search: Futures, fresh: Futures, days: int) -> Found:
    """The shortest good plan (ties: fewest steps), judged on fresh random numbers.

    Where none is good enough, the one with the largest expected share of good days (whether every
    single day will be good says little where hardly any plan gets there), and of equal ones that
    with most steps: they leave most time to see what the posterior does not know.
    """
    begin = task.correction_days

    def judge(futures: Futures, plans: Plans, judged: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        levels = follow(futures, plans, int(judged.max())).level_meq_l
        return chances(levels, futures.start_meq_l, task.band, task.rise_meq_l_d, begin, judged)

    def again(found: Found) -> Found:
        chance, good_days = judge(fresh, found.plans, np.array([found.judged_days]))
        return found._replace(chance=float(chance[0]), good_days=float(good_days[0]))

    every: list[Found] = []
    for step_days in STEP_DAYS:
        plans, steps = candidates(task, step_days, days)
        judged = begin + np.maximum(steps * step_days, HORIZON_DAYS)
        chance, good_days = judge(search, plans, judged)
        for number in np.unique(steps):
            group = np.flatnonzero(steps == number)
            for score in (chance, good_days):
                best = group[np.argmax(score[group])]
                every.append(
                    Found(
                        chance=float(chance[best]),
                        good_days=float(good_days[best]),
                        length_days=int(number) * step_days,
                        step_days=step_days,
                        steps=int(number),
                        judged_days=int(judged[best]),
                        plans=plans.pick(np.array([best])),
                    )
                )
    good = [f for f in every if f.chance >= GOOD_ENOUGH]
    for found in sorted(good, key=lambda f: (f.length_days, f.steps, -f.chance))[:SHORTLIST]:
        if (once_more := again(found)).chance >= GOOD_ENOUGH:
            return once_more
    surest = [again(f) for f in sorted(every, key=lambda f: -f.good_days)[:SHORTLIST]]
    top = max(f.good_days for f in surest)
    near = [f for f in surest if f.good_days >= top - MC_ERROR]
    return min(near, key=lambda f: (-f.steps, f.length_days))
