"""Ladders of pump settings: all that might be climbed, and the search for the best.

A candidate is a number of steps, the days between retests, the size of the first step, hold
thresholds, and the gains and clamp of the rule. All are followed through the same futures, retests
and the kit's error included. The shortest that is good enough is taken, and judged on fresh ones.
"""

from __future__ import annotations

from itertools import pairwise, product
from typing import NamedTuple

import numpy as np

from estimator.advice.flow import HORIZON_DAYS
from estimator.plan.controller import Plans, Rule, chances, follow_plans
from estimator.plan.futures import Futures
from estimator.plan.task import LARGEST_LEAD, Task, settable_flow

NEAR_SHARE = 0.10
"""A change of the reactor's supply below this share of the load needs no steps while the level is
in the inner half of the band."""
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
HOLD_WIDTHS = (0.25, 0.5)
"""Distance of the hold thresholds from the setpoint, in half widths of the band."""
CLAMPS = (0.75, 1.25)
"""Clamp of the readings, in half widths of the band."""
STEERING_DAYS = (1.5, 2.5, 4.0, 7.0)
"""τ: time in which the dosing makes good a departure of the level, Kp = V/τ."""
LASTING = 3.0
"""A lasting error of the supply is made good in this many times τ: Ki = Kp/(3τ), damping 0.87."""
LEAST_SLOPE = 0.3
"""The pump is moved as if supply rose at least by this power of the flow."""
SHORTLIST = 16


class Ladder(NamedTuple):
    """Settings of one ladder, beginning with the present one; a correction comes before the steps.

    Attributes:
        steps: number of steps, a correction not counted.
        flow_l_d: of the pump.
        takes_meq_d: by how much the dosing goes down with each.
        dose_meq_d: dosing that holds the level on the first day.
    """

    steps: int
    flow_l_d: list[float]
    takes_meq_d: list[float]
    dose_meq_d: float


def _ladder(task: Task, steps: int, first: float) -> Ladder:
    """The ladder of a number of steps, equal in supply but for the first."""
    flows = [task.present_l_d]
    if task.correction is not None:
        flows.append(task.correction[0])
    begun = task.carried(flows[-1])
    opening = begun + (1 - begun) * (1.0 if steps == 1 else first / steps)
    for carried in np.linspace(max(opening, LEAST_OPENING), 1.0, steps)[:-1]:
        flows.append(settable_flow(task.pump, task.carrying_l_d(float(carried))))
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
    return Ladder(steps, flows, takes, dose)


def _ladders(task: Task, step_days: int) -> list[Ladder]:
    """All ladders of one rhythm of retests."""
    begun = task.present_l_d if task.correction is None else task.correction[0]
    gap = abs(task.supply_meq_d(task.final_l_d) - task.supply_meq_d(begun))
    found = []
    for steps in STEPS:
        too_small = steps > 1 and gap < steps * LEAST_STEP * task.load_meq_d
        if steps * step_days > LONGEST_DAYS or too_small:
            continue
        for first in FIRST_STEPS if steps > 1 else (1.0,):
            one = _ladder(task, steps, first)
            # The pump may have too few settings for so many steps.
            if steps == 1 or len(set(one.flow_l_d[1:])) == len(one.flow_l_d) - 1:
                found.append(one)
    return found


def _rules(task: Task, step_days: int) -> list[tuple[float, Rule]]:
    """All rules of one rhythm, each with the dosing beyond the load on the first day, meq/day."""
    half_band = 0.5 * (task.band.high - task.band.low)
    setpoint, step = task.calibration * task.band.middle, task.kit_step_meq_l
    began = np.round(task.calibration * task.start_meq_l / step) * step
    edges = [thresholds(setpoint, width * half_band, step) for width in HOLD_WIDTHS]
    found = []
    for days in [t for t in STEERING_DAYS if t >= step_days] or [float(step_days)]:
        proportional = task.volume_l / days
        integral = proportional * step_days / (LASTING * days)
        most = LARGEST_LEAD * task.rise_meq_l_d * days
        lead = proportional * float(np.clip(task.band.middle - task.start_meq_l, -most, most))
        for (above, below), clamp in product(edges, CLAMPS):
            clamped = clamp * half_band * task.calibration
            rule = (setpoint, clamped, proportional, integral, above, below, began)
            found.append((lead, Rule(*map(np.array, rule))))
    return found


def candidates(task: Task, step_days: int, days: int) -> tuple[Plans, np.ndarray]:
    """All plans of one rhythm, and the number of steps of each (a correction not counted)."""
    columns = max(STEPS) + 2 + (task.correction is not None)
    rows = list(product(_ladders(task, step_days), _rules(task, step_days)))
    flows = [np.pad(one.flow_l_d, (0, columns - len(one.flow_l_d)), mode="edge") for one, _ in rows]
    takes = [np.pad(one.takes_meq_d, (0, columns - len(one.takes_meq_d))) for one, _ in rows]
    doses = np.array([one.dose_meq_d + lead for one, (lead, _) in rows])
    more = task.supply_meq_d(task.final_l_d + task.extra_l_d) - task.supply_meq_d(task.final_l_d)
    plans = Plans(
        flow_l_d=np.array(flows),
        takes_meq_d=np.array(takes),
        last=np.array([len(one.flow_l_d) - 1 for one, _ in rows]),
        dose_meq_d=np.clip(doses, 0.0, task.most_meq_d),
        rule=Rule(*map(np.array, zip(*(rule for _, (_, rule) in rows), strict=True))),
        extra_l_d=task.extra_l_d,
        extra_meq_d=max(more, 1e-9),
        retest_days=tuple(range(step_days, days + 1, step_days)),
        meq_per_l=max(more / task.extra_l_d, LEAST_SLOPE * task.load_meq_d / task.final_l_d),
        # A ladder that comes down begins above what the pump may later go back up to.
        limits_l_d=(
            settable_flow(task.pump, 0.0),
            max(task.highest_l_d, *(float(flow[1]) for flow in flows)),
        ),
        most_meq_d=task.most_meq_d,
    )
    return plans, np.array([one.steps for one, _ in rows])


def to_kit(value: float, step: float, side: int) -> float:
    """The figure that a kit of this step can show next to a value, above (side 1) or below (−1)."""
    rounded = np.ceil(value / step - 1e-9) if side > 0 else np.floor(value / step + 1e-9)
    return float(rounded * step)


def thresholds(setpoint: float, distance: float, kit_step: float) -> tuple[float, float]:
    """Readings from which the pump waits, above and below: figures of the kit, meq/L.

    At least one figure lies between them, or no reading would let the pump go on.
    """
    above, below = (to_kit(setpoint + side * distance, kit_step, side) for side in (1, -1))
    while above - below < 1.5 * kit_step:
        if above - setpoint < setpoint - below:
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


def judge(
    task: Task, futures: Futures, plans: Plans, judged_days: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chance (c,) and share of good days (c,) of plans, see `chances`, and levels (days, c, s)."""
    levels = follow_plans(futures, plans, int(judged_days.max())).level_meq_l
    start, limits = futures.state.level_meq_l, (task.band, task.rise_meq_l_d)
    return *chances(levels, start, *limits, task.correction_days, judged_days), levels


def search_plans(task: Task, search: Futures, fresh: Futures, days: int) -> Found:
    """The shortest good plan (ties: fewest steps), judged on fresh random numbers.

    Where none is good enough, the one with the largest expected share of good days (whether every
    single day will be good says little where hardly any plan gets there), and of equal ones that
    with most steps: they leave most time to see what the posterior does not know.
    """

    def again(found: Found) -> Found:
        chance, good_days, _ = judge(task, fresh, found.plans, np.array([found.judged_days]))
        return found._replace(chance=float(chance[0]), good_days=float(good_days[0]))

    every: list[Found] = []
    for step_days in STEP_DAYS:
        plans, steps = candidates(task, step_days, days)
        judged = task.correction_days + np.maximum(steps * step_days, HORIZON_DAYS)
        chance, good_days, _ = judge(task, search, plans, judged)
        for number in np.unique(steps):
            group = np.flatnonzero(steps == number)
            for score in (chance, good_days):
                best = group[np.argmax(score[group])]
                one = Found(
                    chance=float(chance[best]),
                    good_days=float(good_days[best]),
                    length_days=int(number) * step_days,
                    step_days=step_days,
                    steps=int(number),
                    judged_days=int(judged[best]),
                    plans=plans.pick(np.array([best])),
                )
                every.append(one)
    good = [f for f in every if f.chance >= GOOD_ENOUGH]
    for found in sorted(good, key=lambda f: (f.length_days, f.steps, -f.chance))[:SHORTLIST]:
        if (once_more := again(found)).chance >= GOOD_ENOUGH:
            return once_more
    surest = [again(f) for f in sorted(every, key=lambda f: -f.good_days)[:SHORTLIST]]
    top = max(f.good_days for f in surest)
    near = [f for f in surest if f.good_days >= top - MC_ERROR]
    return min(near, key=lambda f: (-f.steps, f.length_days))
