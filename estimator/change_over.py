"""The change-over: dated steps that hand the load from the dosing solutions to the reactor.

A plan is a ladder of pump settings with what each takes over from the dosing, and the rule of
`steering` by which each retest changes the dosing and lets the pump go on or wait. Steps that wait
make a plan longer than its dates say, and retests go on in the same rhythm after the last one: the
dosing stands by for good, for a pump that cannot raise the supply, because the effluent is weaker
the faster it flows, must not leave the tank without.

Candidates (number of steps, days a step, size of the first, thresholds, how hard to steer) are
followed through futures drawn from the posterior, with retests and the kit's error, all on the same
random numbers. The shortest that is good enough is taken, and judged on fresh ones.

While a change-over is under way its end may not be known, because the effluent's answer to the flow
is not: the plan then goes part of the way, and says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise, product
from typing import Any, NamedTuple

import numpy as np

from estimator import carbonate, units
from estimator.fit import thinned
from estimator.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.parameters import ALKALINITY
from estimator.posterior import Posterior
from estimator.recommendation import (
    HORIZON_DAYS,
    PLANNED_PUMP,
    Recommendation,
    calcium_is_high,
    to_l_d,
    to_ml_h,
)
from estimator.records import TankLog
from estimator.settings import actions_of, day_of, origin_of, settings_of
from estimator.steering import Futures, Plans, Response, advance, chances, follow, to_kit
from estimator.tank import Reactor, Tank, Target

GOOD_ENOUGH = 0.90
"""Chance of an undisturbed change-over from which a plan is good enough."""
USUAL_MAX_RISE = 0.5 * units.MEQ_L_PER_DKH
"""Largest rise of alkalinity in a day where the tank file states none (common practice, no
source)."""
DRAWS = 400
NEAR_SHARE = 0.10
"""A change of the reactor's supply below this share of the load needs no steps while the level is
in the inner half of the band."""
LARGEST_LEAD = 0.5
"""Share of the largest rise that dosing beyond the load may bring about."""
LAW_DOUBT = 0.5
"""Share of the futures of a running reactor in which the effluent answers to the flow as it did at
the last change, not by the one power that the fit knows: a chamber near saturation answers
otherwise than one far from it (no source)."""
MOST_EXPONENT = 0.95
"""At 1 the supply would not depend on the flow at all."""
ANSWER_SD = 0.1
"""How surely two effluent tests tell that answer: 5 % over a change of flow by half."""
LEAST_CHANGE = 1.25
"""Change of flow from which the effluent's answer to it can be told."""
LONGEST_CORRECTION_DAYS = 28
MC_ERROR = 0.01
"""Plans whose chances differ by less are taken as equal."""

WITHHELD = (
    "No setting is recommended, so there is none to change to. If a change-over is under way, go "
    "on by the rule of its plan, and test the effluent at each new flow."
)

# What is searched.
STEPS = (1, 2, 3, 4, 6, 8, 10)
STEP_DAYS = (1, 2, 3, 4, 5, 7)
LONGEST_DAYS = 28
FIRST_STEPS = (1.0, 0.5)
"""Size of the first step, in equal ones."""
LEAST_STEP = 0.08
"""Part of the load that a step moves at least: plans that are renewed must not go on for ever."""
LEAST_OPENING = 0.1
"""Part of the load that the first step takes at least: less would tell little of the reactor."""
FURTHEST_UNTESTED = 3.0
"""While the flow that will carry the load cannot be said, a plan goes up to this many times the
present flow; how the effluent answers to the flow is then tested again."""
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


@dataclass(frozen=True)
class ChangeStep:
    """What is set on a day, and the retest that ends the step.

    Attributes:
        set_on: day on which it is set, if all goes as expected.
        flow_ml_h: pump setting, a multiple of the pump's step.
        dose_ml_d: rate of each solution, mL/day, if all retests read as expected.
        takes_ml_d: by how much each rate goes down because the pump goes to this setting.
        retest_on: day of the retest on which the next step is due.
        alkalinity_meq_l: (s,) true level at the retest, the rule having been followed.
    """

    set_on: date
    flow_ml_h: float
    dose_ml_d: Mapping[str, float]
    takes_ml_d: Mapping[str, float]
    retest_on: date
    alkalinity_meq_l: np.ndarray


@dataclass(frozen=True)
class Steering:
    """The rule for each retest; readings are what the kit shows.

    Attributes:
        above_meq_l, below_meq_l: readings from which on the pump waits; figures the kit can show.
        wanted_meq_l: reading aimed at.
        began_meq_l: counts as the last reading at the first retest.
        counts_meq_l: a reading further than this from `wanted_meq_l` counts as this far.
        per_level_meq_d: more dosing for each meq/L that the reading is below `wanted_meq_l`.
        per_fall_meq_d: more dosing for each meq/L that it fell since the last retest.
        ml_per_meq: mL of each solution for a meq of alkalinity dosed; empty where there is none:
            all of the change is then made by the pump.
        ml_h_per_meq_d: change of the pump that makes good a meq/day.
        extra_ml_h, extra_meq_d: step of the pump past the last one, and what it takes over, while
            at least half as much is dosed.
        highest_ml_h: the pump is not to go beyond.
        most_meq_d: dosing is not to go beyond.
    """

    above_meq_l: float
    below_meq_l: float
    wanted_meq_l: float
    began_meq_l: float
    counts_meq_l: float
    per_level_meq_d: float
    per_fall_meq_d: float
    ml_per_meq: Mapping[str, float]
    ml_h_per_meq_d: float
    extra_ml_h: float
    extra_meq_d: float
    highest_ml_h: float
    most_meq_d: float

    def change_meq_d(self, last_meq_l: float, reading_meq_l: float) -> float:
        """Change of the dosing by the last reading and this one, steps of the pump aside."""
        least, most = (self.wanted_meq_l + side * self.counts_meq_l for side in (-1, 1))
        last, now = (min(max(x, least), most) for x in (last_meq_l, reading_meq_l))
        return self.per_level_meq_d * (self.wanted_meq_l - now) + self.per_fall_meq_d * (last - now)


@dataclass(frozen=True)
class ChangeOver:
    """The plan, or why there is none.

    Attributes:
        kind: "hand over" (from dosing), "change flow" (nothing is dosed), "nothing to do", "none".
        reason: one or two plain sentences on the above.
        remedy: what would raise the chance most; "" where it is good enough or there is no plan.
        remedy_probability: the chance if that were settled at its middle value; None without one.
        provisional: no setting is recommended: the steps go only part of the way.
        steps: in order, as they come if all goes as expected.
        steering: the rule for each retest; None without a plan.
        corrects: the first step only brings the level back into the band.
        probability: chance that, from the first day (after a correction: from its end) through the
            last retest and at least `HORIZON_DAYS`, the daily mean stays in the band and never
            rises by more than the limit; None without a plan.
        good_days: expected share of such days.
        overnight_probability: the same, the final setting made in one step and then left alone.
        judged_days: length of that time, from the first step; retests go on through it.
        levels_meq_l: (judged_days, s) daily means under the plan and its rule.
        overnight_meq_l: (judged_days, s) the same for the final setting made at once.
        rise_limit_meq_l_d: largest allowed rise in a day.
        rise_limit_stated: the tank file states it.
        step_days: days between retests.
        retest_hour: hour of day at which the level is nearest to its daily mean.
        self_regulation_days: (s,) V/(F(1 − ε)): time in which the tank undoes 63 % of a departure
            by itself at the final flow, at a steady effluent strength; None without a flow.
    """

    kind: str
    reason: str
    remedy: str
    remedy_probability: float | None
    provisional: bool
    steps: tuple[ChangeStep, ...]
    steering: Steering | None
    corrects: bool
    probability: float | None
    good_days: float | None
    overnight_probability: float | None
    judged_days: int
    levels_meq_l: np.ndarray | None
    overnight_meq_l: np.ndarray | None
    rise_limit_meq_l_d: float
    rise_limit_stated: bool
    step_days: int
    retest_hour: float
    self_regulation_days: np.ndarray | None


def dose_rates_now(log: TankLog, tank: Tank) -> dict[str, float]:
    """mL/day of each solution at the end of the log, by lasting rate and by hand.

    Solutions without alkalinity and calcium are left out: the reactor does not replace them.
    """
    rates: dict[str, float] = {}
    for action in actions_of(log, "dose_rate"):
        rates[action.of] = action.value or 0.0
    for routine in settings_of(log, tank).hand_dosing:
        solution = tank.solutions[routine.solution]
        if solution.alkalinity_meq_per_ml > 0:
            ml = routine.alkalinity_meq / solution.alkalinity_meq_per_ml
        elif solution.calcium_mmol_per_ml > 0:
            ml = routine.calcium_mmol / solution.calcium_mmol_per_ml
        else:
            continue
        rates[routine.solution] = rates.get(routine.solution, 0.0) + ml / routine.interval_d
    return {
        name: rate
        for name, rate in rates.items()
        if rate > 0
        and tank.solutions[name].alkalinity_meq_per_ml + tank.solutions[name].calcium_mmol_per_ml
        > 0
    }


def answer_seen(log: TankLog, tank: Tank) -> float | None:
    """Exponent with which the effluent answered the last change of flow, by its tests alone.

    −ln(X₂/X₁)/ln(F₂/F₁) of the gains X over the middle of the band, between the last two settings
    of the pump at which the effluent's alkalinity was tested, from 0 to `MOST_EXPONENT`; None
    where there are no two that differ by `LEAST_CHANGE`.
    """
    settings, origin = settings_of(log, tank), origin_of(log)
    middle = tank.targets[ALKALINITY.name].middle
    gains: dict[float, list[float]] = {}
    for reading in sorted(log.readings, key=lambda r: r.time):
        flow = settings.flow_l_d.at(day_of(reading.time, origin))
        if (reading.parameter, reading.sample) == (ALKALINITY.name, "effluent") and flow > 0:
            # A flow that is set again counts as the later one.
            seen = gains.pop(flow, [])
            gains[flow] = [*seen, max(reading.value - middle, 1e-3)]
    last, *before = reversed(gains.items()) if gains else ((0.0, [1.0]),)
    for flow, seen in before:
        change = float(np.log(last[0] / flow))
        if abs(change) >= np.log(LEAST_CHANGE):
            answer = -float(np.log(np.mean(last[1]) / np.mean(seen))) / change
            return float(np.clip(answer, 0.0, MOST_EXPONENT))
    return None


def rates_to_go_on(
    dose_ml_d: Mapping[str, float], posterior: Posterior, tank: Tank
) -> dict[str, float]:
    """Dosing that a plan may go on with: no calcium while calcium is above its band."""
    if not calcium_is_high(posterior, tank):
        return dict(dose_ml_d)
    return {
        name: rate
        for name, rate in dose_ml_d.items()
        if tank.solutions[name].alkalinity_meq_per_ml > 0
    }


@dataclass(frozen=True)
class _Task:
    """What has to be changed, seen from the middle of the posterior.

    `before` is (flow L/day, days) of a correction of the level that comes first, None where the
    level is in the band. `ml_per_meq`: of each solution for a meq of alkalinity, empty where
    nothing can be dosed.
    """

    tank: Response
    draws: Response
    start_meq_l: float
    present_l_d: float
    final_l_d: float
    dosed_meq_d: float
    ml_per_meq: Mapping[str, float]
    pump: Reactor
    band: Target
    rise_meq_l_d: float
    kit_gain: float
    kit_step: float
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
        return max(self.settable(FURTHEST * self.final_l_d), self.final_l_d)

    @property
    def extra_l_d(self) -> float:
        """Step of the pump past the ladder."""
        unit = float(to_l_d(np.array(self.pump.flow_step_ml_h)))
        part = min(EXTRA / (1 - float(self.tank.exponent)), LARGEST_EXTRA)
        return float(max(np.round(part * self.final_l_d / unit), 1.0) * unit)

    def settable(self, flow_l_d: float) -> float:
        """The pump setting nearest to a flow, L/day."""
        step = self.pump.flow_step_ml_h
        low = np.ceil(self.pump.flow_min_ml_h / step - 1e-9)
        high = np.floor(self.pump.flow_max_ml_h / step + 1e-9)
        return float(
            to_l_d(np.clip(np.round(to_ml_h(np.array(flow_l_d)) / step), low, high) * step)
        )

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


def _corrected(task: _Task) -> _Task | None:
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
    if not task.ml_per_meq or given > need:
        flow = task.settable(task.flow_for(need, start))
    dose = float(np.clip(need - task.supply_meq_d(flow, start), 0.0, task.most_meq_d))
    level = start
    for days in range(1, LONGEST_CORRECTION_DAYS + 1):
        level = task.after_a_day(level, flow, dose)
        if side * (level - task.band.middle) >= -0.01 * (high - low):
            return replace(task, before=(flow, days))
    return None


def _ladder(task: _Task, steps: int, first: float) -> tuple[list[float], list[float], float]:
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
    # A setting recommended carries the whole load, whatever the medians of its parts say.
    if abs(supply[-1] / max(task.load_meq_d, 1e-9) - 1) < NEAR_SHARE:
        supply = [given * task.load_meq_d / supply[-1] for given in supply]
    dose = left = float(np.clip(task.load_meq_d - supply[1], 0.0, task.most_meq_d))
    takes = [0.0, 0.0]
    for before, now in pairwise(supply[1:]):
        takes.append(float(np.clip(now - before, 0.0, left)))
        left -= takes[-1]
    return flows, takes, dose


def _candidates(task: _Task, step_days: int, days: int) -> tuple[Plans, np.ndarray]:
    """All plans of one rhythm, and the number of steps of each (a correction not counted)."""
    volume = float(task.tank.volume_l)
    half_band = 0.5 * (task.band.high - task.band.low)
    wanted = task.kit_gain * task.band.middle
    low, _ = to_l_d(np.array([task.pump.flow_min_ml_h, task.pump.flow_max_ml_h]))
    columns = max(STEPS) + 2 + (task.before is not None)
    begun = task.present_l_d if task.before is None else task.before[0]
    gap = abs(task.supply_meq_d(task.final_l_d) - task.supply_meq_d(begun))
    slow = [t for t in STEERING_DAYS if t >= step_days] or [float(step_days)]
    each: list[dict[str, Any]] = []
    numbers = []
    for steps in STEPS:
        too_small = steps > 1 and gap < steps * LEAST_STEP * task.load_meq_d
        if steps * step_days > LONGEST_DAYS or too_small:
            continue
        for first in FIRST_STEPS if steps > 1 else (1.0,):
            flows, takes, dose = _ladder(task, steps, first)
            for steering_days in slow:
                per_fall = volume / steering_days
                most = LARGEST_LEAD * task.rise_meq_l_d * steering_days
                lead = float(np.clip(task.band.middle - task.start_meq_l, -most, most))
                for width, counts in product(WIDTHS, COUNTS):
                    above, below = (
                        to_kit(np.array(wanted + side * width * half_band), task.kit_step, side)
                        for side in (1, -1)
                    )
                    one = {
                        "flow_l_d": np.pad(flows, (0, columns - len(flows)), mode="edge"),
                        "takes_meq_d": np.pad(takes, (0, columns - len(takes))),
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
    plans = Plans(
        **{name: np.array([one[name] for one in each]) for name in each[0]},
        extra_l_d=task.extra_l_d,
        extra_meq_d=max(more, 1e-9),
        retest_days=tuple(range(step_days, days + 1, step_days)),
        wanted=wanted,
        began=task.kit_gain * task.start_meq_l,
        meq_per_l=max(more / task.extra_l_d, LEAST_SLOPE * task.load_meq_d / task.final_l_d),
        limits_l_d=(float(low), task.highest_l_d),
        most_meq_d=task.most_meq_d,
    )
    return plans, np.array(numbers)


def response_of(posterior: Posterior, tank: Tank, final_l_d: float) -> Response:
    """How the tank answers now, draws (s,).

    A reactor that never ran gets its prior strength at the final flow; at a slower one it is
    stronger by the exponent, up to saturation at 0.1 below the chamber's pH, as in `priors`.
    """
    stated = tank.reactor.chamber_ph if tank.reactor is not None else None
    ph = carbonate.USUAL_CHAMBER_PH if stated is None else stated
    ceiling = carbonate.saturated_increment_meq_l(ph - 0.1)
    return Response(
        volume_l=posterior.volume_l,
        exponent=posterior.exponent,
        reference_l_d=posterior.reference_flow_l_d or max(final_l_d, 1e-9),
        gain_meq_l=posterior.effluent_gain_meq_l,
        uptake_meq_l_d=posterior.uptake_now_meq_l_d,
        middle_meq_l=posterior.middle_meq_l,
        strongest=np.maximum(ceiling / posterior.effluent_gain_meq_l, 1.0),
    )


def _each(response: Response, change: Callable[[np.ndarray], np.ndarray]) -> Response:
    """The response with a change made to the draws of everything."""
    return Response(
        volume_l=change(response.volume_l),
        exponent=change(response.exponent),
        reference_l_d=response.reference_l_d,
        gain_meq_l=change(response.gain_meq_l),
        uptake_meq_l_d=change(response.uptake_meq_l_d),
        middle_meq_l=response.middle_meq_l,
        strongest=change(response.strongest),
    )


def _picked(response: Response, at: np.ndarray) -> Response:
    """Some of the draws."""
    return _each(response, lambda draws: draws[at])


def _middle(response: Response) -> Response:
    """The tank with everything at its median."""
    return _each(response, lambda draws: np.asarray(np.median(draws)))


def _futures(
    posterior: Posterior,
    tank: Tank,
    response: Response,
    waiting: tuple[int, float, float],
    answer: float | None,
    days: int,
    rng: np.random.Generator,
) -> Futures:
    """Thinned draws and what may come of them.

    Args:
        posterior: draws.
        tank: for the kit.
        response: of all draws.
        waiting: days from the last entry to the start, under (flow L/day, dosing meq/day) as now.
        answer: see `answer_seen`.
        days: length from the start.
        rng: for drift and kit errors.
    """
    total = len(posterior.volume_l)
    at = thinned(total, DRAWS)
    wait, flow, dosed = waiting
    shape = (wait + days, len(at))
    drift = (posterior.uptake_scale * posterior.drift)[at]
    uptake = posterior.uptake_now_meq_l_d[at] + drift * np.cumsum(rng.standard_normal(shape), 0)
    strength = 1 + posterior.effluent_drift[at] * np.cumsum(rng.standard_normal(shape), 0)
    gain = posterior.effluent_gain_meq_l[at] * np.maximum(strength, 0.05)
    response = _picked(response, at)
    if flow > 0:
        response, factor = _doubted(response, flow, answer, rng)
        gain = gain * factor
    kappa, decay = response.rates(np.full(len(at), flow))
    level = posterior.alkalinity_now_meq_l[at]
    for day in range(wait):
        net = dosed / response.volume_l - uptake[day]
        level = advance(level, kappa, decay, gain[day], response.middle_meq_l, net)
    kit_gain, repeatability, step = _kit(posterior, tank)
    spread = rng.choice(MISREAD_SPREAD, p=MISREAD_CHANCE, size=(days + 1, len(at)))
    error = spread * repeatability[at] * rng.standard_normal((days + 1, len(at)))
    return Futures(response, level, uptake[wait:], gain[wait:], kit_gain[at], error, step)


def _doubted(
    response: Response, flow_l_d: float, answer: float | None, rng: np.random.Generator
) -> tuple[Response, np.ndarray]:
    """The response seen from the present flow, with `LAW_DOUBT`, and the factor on gains to there.

    All draws keep what they supply at the present flow.
    """
    factor = (flow_l_d / response.reference_l_d) ** -response.exponent
    factor = np.minimum(factor, response.strongest)
    doubted = rng.random(len(factor)) < LAW_DOUBT
    if answer is None:
        other = rng.uniform(0.0, MOST_EXPONENT, len(factor))
    else:
        other = answer + ANSWER_SD * rng.standard_normal(len(factor))
        other = np.clip(other, 0.0, MOST_EXPONENT)
    exponent = np.where(doubted, other, response.exponent)
    seen = response._replace(
        exponent=exponent,
        reference_l_d=flow_l_d,
        gain_meq_l=response.gain_meq_l * factor,
        strongest=np.maximum(response.strongest / factor, 1.0),
    )
    return seen, factor


def _kit(posterior: Posterior, tank: Tank) -> tuple[np.ndarray, np.ndarray, float]:
    """Gain (s,) and repeatability (s,) of the kit that read the tank last, and its step."""
    ones = np.ones_like(posterior.volume_l)
    used = [
        check.reading.kit
        for check in posterior.checks
        if (check.reading.sample, check.reading.parameter) == ("tank", ALKALINITY.name)
    ]
    declared = [kit.name for kit in tank.kits.values() if kit.parameter == ALKALINITY.name]
    name = (used or declared or [""])[-1 if used else 0]
    bottles = [bottle for kit, bottle in posterior.kit_gain if kit == name]
    gain = posterior.kit_gain[name, max(bottles)] if bottles else ones
    kit = tank.kits.get(name)
    step = kit.step if kit is not None and kit.step > 0 else ALKALINITY.assumed_step
    stated = kit.repeatability if kit is not None else None
    usual = ALKALINITY.assumed_repeatability if stated is None else stated
    return gain, posterior.kit_repeatability.get(name, usual * ones), float(step or 1e-6)


class _Found(NamedTuple):
    """One candidate and how it did."""

    chance: float
    good_days: float
    length_days: int
    step_days: int
    steps: int
    judged_days: int
    plans: Plans


def _search(task: _Task, search: Futures, fresh: Futures, days: int) -> _Found:
    """The shortest good plan (ties: fewest steps), judged on fresh random numbers.

    Where none is good enough, the one with the largest expected share of good days (whether every
    single day will be good says little where hardly any plan gets there), and of equal ones that
    with most steps: they leave most time to see what the posterior does not know.
    """
    begin = task.correction_days

    def judge(futures: Futures, plans: Plans, judged: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        levels = follow(futures, plans, int(judged.max())).level_meq_l
        return chances(levels, futures.start_meq_l, task.band, task.rise_meq_l_d, begin, judged)

    def again(found: _Found) -> _Found:
        chance, good_days = judge(fresh, found.plans, np.array([found.judged_days]))
        return found._replace(chance=float(chance[0]), good_days=float(good_days[0]))

    every: list[_Found] = []
    for step_days in STEP_DAYS:
        plans, steps = _candidates(task, step_days, days)
        judged = begin + np.maximum(steps * step_days, HORIZON_DAYS)
        chance, good_days = judge(search, plans, judged)
        for number in np.unique(steps):
            group = np.flatnonzero(steps == number)
            for score in (chance, good_days):
                best = group[np.argmax(score[group])]
                every.append(
                    _Found(
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


def _unknown(futures: Futures) -> dict[str, Futures]:
    """The futures with one thing known after the other, by what would make it known."""
    response = futures.response
    middle = np.median(response.gain_meq_l)
    strength = futures.gain_meq_l * (middle / response.gain_meq_l)
    sure = response._replace(exponent=np.full_like(response.exponent, np.median(response.exponent)))
    uptake = np.median(response.uptake_meq_l_d) - response.uptake_meq_l_d
    level = np.full_like(futures.start_meq_l, np.median(futures.start_meq_l))
    gain = np.full_like(futures.kit_gain, np.median(futures.kit_gain))
    return {
        "test the effluent's alkalinity twice at the first step's flow, and run the report again "
        "before going on": futures._replace(response=sure, gain_meq_l=strength),
        "check the alkalinity kit with a solution of known value": futures._replace(
            start_meq_l=level, kit_gain=gain
        ),
        "test tank alkalinity every second day for two weeks before the first step": (
            futures._replace(uptake_meq_l_d=futures.uptake_meq_l_d + uptake)
        ),
    }


def self_regulation_days(response: Response, flow_l_d: float) -> np.ndarray:
    """V/(F(1 − ε)) (s,), the flow response included, days: see `ChangeOver`."""
    _, decay = response.rates(np.full_like(response.volume_l, flow_l_d))
    return 1 / np.maximum(decay, 1e-9)


def plan_change_over(
    posterior: Posterior,
    tank: Tank,
    recommendation: Recommendation,
    dose_ml_d: Mapping[str, float],
    start: date,
    seed: np.random.SeedSequence,
    answer: float | None = None,
) -> ChangeOver:
    """The plan from the settings at the log's end to the recommended one.

    Args:
        posterior: draws.
        tank: pump, band, kits, solutions.
        recommendation: the setting to reach.
        dose_ml_d: present rate of each solution, see `dose_rates_now`.
        start: day of the first step; until then everything goes on as at the last entry.
        seed: for what may come.
        answer: how the effluent answered the last change of flow, see `answer_seen`.
    """
    band = tank.targets[ALKALINITY.name]
    rise = USUAL_MAX_RISE if band.max_rise_per_day is None else band.max_rise_per_day
    lit_h = (tank.lights_off_h - tank.lights_on_h) % units.HOURS_PER_DAY
    present = posterior.present_flow_l_d
    setting = recommendation.flow.setting
    flow_l_d = present if setting is None else float(to_l_d(np.array(setting.set_to_ml_h)))
    under_way = present > 0 and bool(dose_ml_d) and tank.reactor is not None
    provisional = setting is None and under_way and not posterior.diagnostics.failures
    if provisional and tank.reactor is not None:
        flow_l_d = _provisional(posterior, tank.reactor)
    response = response_of(posterior, tank, flow_l_d)
    nothing = ChangeOver(
        kind="none",
        reason="",
        remedy="",
        remedy_probability=None,
        provisional=provisional,
        steps=(),
        steering=None,
        corrects=False,
        probability=None,
        good_days=None,
        overnight_probability=None,
        judged_days=0,
        levels_meq_l=None,
        overnight_meq_l=None,
        rise_limit_meq_l_d=rise,
        rise_limit_stated=band.max_rise_per_day is not None,
        step_days=0,
        retest_hour=(tank.lights_on_h + 0.5 * lit_h) % units.HOURS_PER_DAY,
        self_regulation_days=self_regulation_days(response, flow_l_d) if flow_l_d > 0 else None,
    )
    if (setting is None and not provisional) or flow_l_d <= 0:
        return replace(nothing, reason=WITHHELD)
    dosed = sum(tank.solutions[s].alkalinity_meq_per_ml * ml for s, ml in dose_ml_d.items())
    if tank.reactor is None and present == 0 and not dose_ml_d:
        return replace(
            nothing,
            reason="The log shows no dosing and the tank file no reactor: there is nothing to "
            "hand over.",
        )
    middle = _middle(response)
    wait = max((start - posterior.days[-1]).days, 0)
    seeds = np.random.default_rng(seed).integers(2**31, size=2)
    days = LONGEST_CORRECTION_DAYS + LONGEST_DAYS
    waiting = (wait, present, dosed)
    search, fresh = (
        _futures(posterior, tank, response, waiting, answer, days, np.random.default_rng(int(one)))
        for one in seeds
    )
    doses = dose_ml_d if dosed > 0 else _doses_of_load(tank, recommendation)
    doses = rates_to_go_on(doses, posterior, tank)
    given = sum(tank.solutions[s].alkalinity_meq_per_ml * ml for s, ml in doses.items())
    task = _Task(
        tank=middle,
        draws=search.response,
        start_meq_l=float(np.median(search.start_meq_l)),
        present_l_d=present,
        final_l_d=flow_l_d,
        dosed_meq_d=dosed,
        ml_per_meq={name: ml / given for name, ml in doses.items()} if given > 0 else {},
        pump=tank.reactor or PLANNED_PUMP,
        band=band,
        rise_meq_l_d=rise,
        kit_gain=float(np.median(search.kit_gain)),
        kit_step=search.kit_step,
    )
    settled = abs(task.start_meq_l - band.middle) <= 0.25 * (band.high - band.low)
    share = (present / flow_l_d) ** (1 - float(middle.exponent)) if present > 0 else 0.0
    if not dose_ml_d and settled and abs(share - 1) < NEAR_SHARE:
        moved = "" if present == flow_l_d else " Set the pump to it in one go."
        return replace(
            nothing,
            kind="nothing to do",
            reason="The reactor already carries the load, and the recommended setting is close to "
            f"the present one.{moved} Go on testing.",
        )
    corrected = _corrected(task)
    if corrected is None:
        side = "below" if task.start_meq_l < band.low else "above"
        return replace(
            nothing,
            provisional=False,
            reason=f"Alkalinity is {side} the band and the pump and the dosing in the log cannot "
            "bring it back: put the level right first, then run the report again.",
        )
    found = _search(corrected, search, fresh, corrected.correction_days + LONGEST_DAYS)
    kind = "hand over" if dose_ml_d else "change flow"
    return _told(replace(nothing, kind=kind), corrected, found, fresh, start)


def _provisional(posterior: Posterior, pump: Reactor) -> float:
    """Flow to go up to while the needed one cannot be said, a setting of the pump, L/day.

    The middle of what may be needed, but no further than the effluent's answer to the flow can be
    told; 0 where none helps.
    """
    needed = float(np.median(to_ml_h(posterior.needed_flow_l_d)))
    if not np.isfinite(needed) or needed < pump.flow_min_ml_h:
        return 0.0
    needed = min(needed, FURTHEST_UNTESTED * float(to_ml_h(np.array(posterior.present_flow_l_d))))
    step = pump.flow_step_ml_h
    highest = np.floor(pump.flow_max_ml_h / step + 1e-9)
    return float(to_l_d(np.array(np.clip(np.round(needed / step), 1.0, highest) * step)))


def _doses_of_load(tank: Tank, recommendation: Recommendation) -> dict[str, float]:
    """mL/day that put back the whole load: one solution of alkalinity, and one of calcium alone."""
    rates: dict[str, float] = {}
    for carries in (True, False):
        for name, draws in recommendation.dose_ml_d.items():
            if (tank.solutions[name].alkalinity_meq_per_ml > 0) == carries:
                rates[name] = float(np.median(draws))
                break
        if not rates:
            break
    return rates


def _told(
    empty: ChangeOver, task: _Task, found: _Found, futures: Futures, start: date
) -> ChangeOver:
    """The chosen plan with its dates, predicted levels and comparison."""
    plans, judged = found.plans, found.judged_days
    count = np.array([judged])

    def followed(plans: Plans, futures: Futures) -> tuple[np.ndarray, float]:
        levels = follow(futures, plans, judged).level_meq_l
        whole, _ = chances(
            levels, futures.start_meq_l, task.band, task.rise_meq_l_d, task.correction_days, count
        )
        return levels[:, 0], float(whole[0])

    levels, _ = followed(plans, futures)
    final = task.final_l_d
    at_once = plans._replace(
        flow_l_d=np.array([[task.present_l_d, final]]),
        takes_meq_d=np.zeros((1, 2)),
        last=np.array([1]),
        dose_meq_d=np.zeros(1),
        retest_days=(),
    )
    overnight, overnight_chance = followed(at_once, futures)
    remedy, remedy_chance = "", None
    if found.chance < GOOD_ENOUGH:
        gains = {name: followed(plans, one)[1] for name, one in _unknown(futures).items()}
        remedy = max(gains, key=lambda name: gains[name])
        remedy_chance = gains[remedy]
        if remedy_chance < found.chance + MC_ERROR:
            remedy, remedy_chance = "run the report again after every retest", None
    steps = _steps(task, found, levels, start)
    return replace(
        empty,
        reason=_reason(task, steps, empty),
        remedy=remedy,
        remedy_probability=remedy_chance,
        steps=steps,
        steering=Steering(
            above_meq_l=float(plans.above[0]),
            below_meq_l=float(plans.below[0]),
            wanted_meq_l=plans.wanted,
            began_meq_l=plans.began,
            counts_meq_l=float(plans.counts[0]),
            per_level_meq_d=float(plans.per_level[0]),
            per_fall_meq_d=float(plans.per_fall[0]),
            ml_per_meq=task.ml_per_meq,
            ml_h_per_meq_d=float(to_ml_h(np.array(1 / plans.meq_per_l))),
            extra_ml_h=task.shown_ml_h(plans.extra_l_d),
            extra_meq_d=plans.extra_meq_d,
            highest_ml_h=task.shown_ml_h(plans.limits_l_d[1]),
            most_meq_d=plans.most_meq_d,
        ),
        corrects=task.before is not None,
        probability=found.chance,
        good_days=found.good_days,
        overnight_probability=overnight_chance,
        judged_days=judged,
        levels_meq_l=levels,
        overnight_meq_l=overnight,
        step_days=found.step_days,
    )


def _steps(task: _Task, found: _Found, levels: np.ndarray, start: date) -> tuple[ChangeStep, ...]:
    """The ladder as the middle tank climbs it, its kit showing the truth to any digit."""
    plans = found.plans
    days = len(levels) + LONGEST_DAYS
    tank = _each(task.tank, np.atleast_1d)
    path = follow(
        Futures(
            response=tank,
            start_meq_l=np.array([task.start_meq_l]),
            uptake_meq_l_d=np.repeat(tank.uptake_meq_l_d[None], days, axis=0),
            gain_meq_l=np.repeat(tank.gain_meq_l[None], days, axis=0),
            kit_gain=np.array([task.kit_gain]),
            error_meq_l=np.zeros((days + 1, 1)),
            kit_step=1e-9,
        ),
        plans,
        days,
    )
    column, dose = path.column[:, 0, 0], path.dose_meq_d[:, 0, 0]
    last = int(plans.last[0])
    begins: list[int] = []
    for k in range(1, last + 1):
        reached = np.flatnonzero(column == k)
        begins.append(int(reached[0]) if len(reached) else begins[-1] + found.step_days)
    ends = [*begins[1:], begins[-1] + found.step_days]

    def settable(meq_d: float) -> dict[str, float]:
        return {name: settable_dose(ml * meq_d) for name, ml in task.ml_per_meq.items()}

    return tuple(
        ChangeStep(
            set_on=start + timedelta(days=begins[k]),
            flow_ml_h=task.shown_ml_h(plans.flow_l_d[0, k + 1]),
            dose_ml_d=settable(float(dose[min(begins[k], days - 1)])),
            takes_ml_d=settable(float(plans.takes_meq_d[0, k + 1])),
            retest_on=start + timedelta(days=ends[k]),
            alkalinity_meq_l=levels[min(ends[k], len(levels)) - 1],
        )
        for k in range(last)
    )


def settable_dose(ml_d: float) -> float:
    """A dosing rate that can be set: whole mL from 10 mL/day on, else tenths."""
    return float(round(ml_d)) if ml_d >= 10 else round(ml_d, 1)


def _reason(task: _Task, steps: tuple[ChangeStep, ...], plan: ChangeOver) -> str:
    """Why the plan is as it is."""
    if task.before is not None:
        side = "below" if task.start_meq_l < task.band.low else "above"
        reason = f"Alkalinity is most likely {side} the band: the first step only brings it back."
    elif plan.kind == "hand over":
        reason = "The load is still dosed, at least in part: the reactor takes it over in steps."
    elif any(any(step.dose_ml_d.values()) for step in steps):
        reason = (
            "Nothing is dosed now: the pump moves in steps, and dosing makes good what is lacking "
            "until it is there."
        )
    else:
        reason = "Nothing is dosed: the pump alone moves, in steps, as the retests allow."
    if plan.provisional:
        reason += (
            " What flow will carry the whole load cannot be said yet: these steps go only part of "
            "the way. Test the effluent at each new flow and run the report again."
        )
    least = task.pump.flow_min_ml_h
    carried = (float(to_l_d(np.array(least))) / task.final_l_d) ** (1 - float(task.tank.exponent))
    first = steps[1 if task.before is not None else 0]
    if len(steps) > 1 and task.present_l_d == 0 and first.flow_ml_h <= least and carried > 0.25:
        reason += (
            f" The pump's smallest flow of {least:g} mL/h already carries about "
            f"{100 * carried:.0f} % of the load, so the reactor cannot start on less."
        )
    return reason
