"""The change-over: dated steps that hand the load from the dosing solutions to the reactor.

A plan is a ladder of pump settings with what each takes over from the dosing, and the rule of
`steering` by which each retest changes the dosing and lets the pump go on or wait. Steps that wait
make a plan longer than its dates say, and retests go on in the same rhythm after the last one: the
dosing stands by for good, for a pump that cannot raise the supply, because the effluent is weaker
the faster it flows, must not leave the tank without.

`ladder` searches the plans by following each through `futures`, retests and the kit's error
included.

While a change-over is under way its end may not be known, because the effluent's answer to the flow
is not: the plan then goes part of the way, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from estimator import units
from estimator.advice.flow import (
    PLANNED_PUMP,
    Recommendation,
    calcium_is_high,
    to_l_d,
    to_ml_h,
)
from estimator.fit.posterior import Posterior
from estimator.inputs.dosing import alkalinity_meq_d
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Reactor, Tank
from estimator.plan.controller import Followed, Plans, chances, follow, steer
from estimator.plan.futures import Futures, Response, futures_of, middle_of, response_of
from estimator.plan.ladder import (
    FURTHEST,
    GOOD_ENOUGH,
    LONGEST_CORRECTION_DAYS,
    LONGEST_DAYS,
    MC_ERROR,
    NEAR_SHARE,
    Found,
    Task,
    corrected,
    search_plans,
    settable_flow,
)
from estimator.water.settings import actions_of, day_of, origin_of, settings_of

USUAL_MAX_RISE = 0.5 * units.MEQ_L_PER_DKH
"""Largest rise of alkalinity in a day where the tank file states none (common practice, no
source)."""
LEAST_CHANGE = 1.25
"""Change of flow from which the effluent's answer to it can be told."""
EFFLUENT_ERROR = 0.07
"""Log sd of the ratio of two effluent strengths: 5 % each, tests and drift together."""

WITHHELD = (
    "No setting is recommended, so there is none to change to. If a change-over is under way, go "
    "on by the rule of its plan, and test the effluent at each new flow."
)

FURTHEST_UNTESTED = 3.0
"""While the flow that will carry the load cannot be said, a plan goes up to this many times the
present flow; how the effluent answers to the flow is then tested again."""


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
        above_meq_l, below_meq_l: readings from which on the pump waits, figures the kit can show:
            `below` with dosing or on the way down, `above` on the way up, both past the last step.
        wanted_meq_l: reading aimed at.
        began_meq_l: counts as the last reading at the first retest.
        counts_meq_l: a reading further than this from `wanted_meq_l` counts as this far.
        per_level_meq_d: more dosing for each meq/L that the reading is below `wanted_meq_l`.
        per_fall_meq_d: more dosing for each meq/L that it fell since the last retest.
        ml_per_meq: mL of each solution for a meq of alkalinity dosed; empty where there is none:
            all of the change is then made by the pump.
        whole_load_meq_d: dosing that puts back all that the tank takes up.
        ml_h_per_meq_d: change of the pump that makes good a meq/day.
        extra_ml_h, extra_meq_d: step of the pump past the last one, and what it takes over, while
            at least half as much is dosed.
        lowest_ml_h, highest_ml_h: the pump is to stay between.
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
    whole_load_meq_d: float
    ml_h_per_meq_d: float
    extra_ml_h: float
    extra_meq_d: float
    lowest_ml_h: float
    highest_ml_h: float
    most_meq_d: float

    def change_meq_d(self, last_meq_l: float, reading_meq_l: float) -> float:
        """Change of the dosing by the last reading and this one, steps of the pump aside."""
        rule = (self.wanted_meq_l, self.counts_meq_l, self.per_level_meq_d, self.per_fall_meq_d)
        return float(steer(*rule, last_meq_l, reading_meq_l))

    def dose_ml_d(self, meq_d: float) -> dict[str, float]:
        """Rates of the solutions, as they can be set, that bring so much alkalinity."""
        return settable_doses(self.ml_per_meq, meq_d)


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
        probability: chance that over `judged_days` the daily mean stays in the band (while a
            correction runs: or on the side where it began) and never rises by more than the limit;
            None without a plan.
        good_days: expected share of such days.
        left_dosed: part of the load that is still dosed at the end of that time, in the middle one
            of the futures; None where nothing can be dosed.
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
    left_dosed: float | None
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


def answer_seen(log: TankLog, tank: Tank) -> tuple[float, float] | None:
    """Exponent with which the effluent answered the last change of flow by its tests, and its sd.

    −ln(X₂/X₁)/ln(F₂/F₁) of the gains X over the middle of the band, between the last two settings
    of the pump at which the effluent's alkalinity was tested; None where no two differ by
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
    for flow, gains in reversed(runs[:-1]):
        change = float(np.log(runs[-1][0] / flow))
        if abs(change) >= np.log(LEAST_CHANGE):
            answer = -float(np.log(np.median(runs[-1][1]) / np.median(gains))) / change
            return answer, EFFLUENT_ERROR / abs(change)
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


def _unknown(futures: Futures, flow_l_d: float) -> dict[str, Futures]:
    """The futures with one thing known after the other, by what would make it known.

    Args:
        futures: drawn.
        flow_l_d: of the first step that raises the pump, at which the effluent could be tested.
    """
    response = futures.response
    respond = response.respond(flow_l_d)
    known = np.median(response.gain_meq_l * respond) / respond
    strength = futures.gain_meq_l * (known / response.gain_meq_l)
    sure = response._replace(gain_meq_l=known)
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
    answer: tuple[float, float] | None = None,
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
        provisional=False,
        steps=(),
        steering=None,
        corrects=False,
        probability=None,
        good_days=None,
        left_dosed=None,
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
    dosed = alkalinity_meq_d(tank.solutions, dose_ml_d)
    if tank.reactor is None and present == 0 and not dose_ml_d:
        return replace(
            nothing,
            reason="The log shows no dosing and the tank file no reactor: there is nothing to "
            "hand over.",
        )
    middle = middle_of(response)
    wait = max((start - posterior.days[-1]).days, 0)
    seeds = np.random.default_rng(seed).integers(2**31, size=3)
    days = LONGEST_CORRECTION_DAYS + LONGEST_DAYS
    waiting = (wait, present, dosed)

    def drawn(one: int) -> Futures:
        rng = np.random.default_rng(one)
        return futures_of(posterior, tank, response, waiting, answer, days, rng)

    # The chosen plan is told by futures that had no part in choosing it.
    search, fresh, told = (drawn(int(one)) for one in seeds)
    doses = dose_ml_d if dosed > 0 else _doses_of_load(tank, recommendation)
    doses = rates_to_go_on(doses, posterior, tank)
    given = alkalinity_meq_d(tank.solutions, doses)
    task = Task(
        tank=middle,
        draws=search.response,
        start_meq_l=float(np.median(search.start_meq_l)),
        present_l_d=present,
        final_l_d=flow_l_d,
        ml_per_meq={name: ml / given for name, ml in doses.items()} if given > 0 else {},
        pump=tank.reactor or PLANNED_PUMP,
        band=band,
        rise_meq_l_d=rise,
        kit_gain=float(np.median(search.kit_gain)),
        kit_step=search.kit_step,
        furthest=1.0 if provisional else FURTHEST,
    )
    settled = abs(task.start_meq_l - band.middle) <= 0.25 * (band.high - band.low)
    share = (present / flow_l_d) ** (1 - float(middle.exponent)) if present > 0 else 0.0
    if dosed == 0 and settled and abs(share - 1) < NEAR_SHARE:
        moved = "" if present == flow_l_d else " Set the pump to it in one go."
        return replace(
            nothing,
            kind="nothing to do",
            reason="The reactor already carries the load, and the recommended setting is close to "
            f"the present one.{moved} Go on testing; where a change-over has just ended, by its "
            "rule.",
        )
    right = corrected(task)
    if right is None:
        side = "below" if task.start_meq_l < band.low else "above"
        return replace(
            nothing,
            reason=f"Alkalinity is {side} the band and the pump and the dosing in the log cannot "
            "bring it back: put the level right first, then run the report again.",
        )
    found = search_plans(right, search, fresh, right.correction_days + LONGEST_DAYS)
    kind = "hand over" if dosed > 0 else "change flow"
    begun = replace(nothing, kind=kind, provisional=provisional)
    plan = _told(begun, right, found, told, start)
    # What the reactor does not need beside it is given up at once.
    none = {name: 0.0 for name in dose_ml_d if name not in task.ml_per_meq}
    steps = tuple(replace(step, dose_ml_d={**none, **step.dose_ml_d}) for step in plan.steps)
    return replace(plan, steps=steps)


def _provisional(posterior: Posterior, pump: Reactor) -> float:
    """Flow to go up to while the needed one cannot be said, a setting of the pump, L/day.

    The middle of what may be needed, but no further than the effluent's answer to the flow can be
    told; 0 where none helps.
    """
    needed = float(np.median(to_ml_h(posterior.needed_flow_l_d)))
    if not np.isfinite(needed) or needed < pump.flow_min_ml_h:
        return 0.0
    needed = min(needed, FURTHEST_UNTESTED * float(to_ml_h(np.array(posterior.present_flow_l_d))))
    return settable_flow(pump, float(to_l_d(np.array(max(needed, pump.flow_step_ml_h)))))


def _doses_of_load(tank: Tank, recommendation: Recommendation) -> dict[str, float]:
    """mL/day that put back the whole load: one solution of alkalinity, and one of calcium alone.

    The second only where the first brings no calcium.
    """
    rates: dict[str, float] = {}
    for carries in (True, False):
        if any(tank.solutions[name].calcium_mmol_per_ml > 0 for name in rates):
            break
        for name, draws in recommendation.dose_ml_d.items():
            if (tank.solutions[name].alkalinity_meq_per_ml > 0) == carries:
                rates[name] = float(np.median(draws))
                break
        if not rates:
            break
    return rates


def _told(empty: ChangeOver, task: Task, found: Found, futures: Futures, start: date) -> ChangeOver:
    """The chosen plan with its dates, predicted levels and comparison."""
    plans, judged = found.plans, found.judged_days

    def judge(levels: np.ndarray, futures: Futures) -> tuple[float, float]:
        count, band, rise = np.array([judged]), task.band, task.rise_meq_l_d
        whole, share = chances(levels, futures.start_meq_l, band, rise, task.correction_days, count)
        return float(whole[0]), float(share[0])

    def followed(plans: Plans, futures: Futures) -> tuple[np.ndarray, float]:
        levels = follow(futures, plans, judged).level_meq_l
        return levels[:, 0], judge(levels, futures)[0]

    # Rows may come after the days that are judged.
    path = follow(futures, plans, len(futures.uptake_meq_l_d))
    chance, good_days = judge(path.level_meq_l[:judged], futures)
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
    if chance < GOOD_ENOUGH:
        first_l_d = float(plans.flow_l_d[0, -1 if plans.last[0] == 1 else 2])
        known = _unknown(futures, first_l_d)
        gains = {name: followed(plans, one)[1] for name, one in known.items()}
        remedy = max(gains, key=lambda name: gains[name])
        remedy_chance = gains[remedy]
        if remedy_chance < chance + MC_ERROR:
            remedy, remedy_chance = "run the report again after every retest", None
    steps = _steps(task, found, path, start)
    left = np.median(path.dose_meq_d[judged - 1, 0]) / max(task.load_meq_d, 1e-9)
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
            whole_load_meq_d=task.load_meq_d,
            ml_h_per_meq_d=float(to_ml_h(np.array(1 / plans.meq_per_l))),
            extra_ml_h=task.shown_ml_h(plans.extra_l_d),
            extra_meq_d=plans.extra_meq_d,
            lowest_ml_h=task.shown_ml_h(plans.limits_l_d[0]),
            highest_ml_h=task.shown_ml_h(plans.limits_l_d[1]),
            most_meq_d=plans.most_meq_d,
        ),
        corrects=task.before is not None,
        probability=chance,
        good_days=good_days,
        left_dosed=float(left) if task.ml_per_meq else None,
        overnight_probability=overnight_chance,
        judged_days=judged,
        levels_meq_l=path.level_meq_l[:judged, 0],
        overnight_meq_l=overnight,
        step_days=found.step_days,
    )


def _steps(task: Task, found: Found, path: Followed, start: date) -> tuple[ChangeStep, ...]:
    """The ladder with the days and doses at which the middle one of the futures gets there."""
    plans, last = found.plans, int(found.plans.last[0])
    column = np.median(path.column[:, 0], axis=1)
    dose = np.median(path.dose_meq_d[:, 0], axis=1)
    days = len(column)
    begins = [0]
    for k in range(2, last + 1):
        reached = np.flatnonzero(column >= k)
        due = begins[-1] + found.step_days
        begins.append(max(int(reached[0]), due) if len(reached) else due)
    ends = [*begins[1:], begins[-1] + found.step_days]

    return tuple(
        ChangeStep(
            set_on=start + timedelta(days=begins[k]),
            flow_ml_h=task.shown_ml_h(plans.flow_l_d[0, k + 1]),
            dose_ml_d=settable_doses(task.ml_per_meq, float(dose[min(begins[k], days - 1)])),
            takes_ml_d=settable_doses(task.ml_per_meq, float(plans.takes_meq_d[0, k + 1])),
            retest_on=start + timedelta(days=ends[k]),
            alkalinity_meq_l=path.level_meq_l[min(ends[k], days) - 1, 0],
        )
        for k in range(last)
    )


def settable_dose(ml_d: float) -> float:
    """A dosing rate that can be set: whole mL from 10 mL/day on, else tenths."""
    return float(round(ml_d)) if ml_d >= 10 else round(ml_d, 1)


def settable_doses(ml_per_meq: Mapping[str, float], meq_d: float) -> dict[str, float]:
    """Rates of solutions, mL/day as they can be set, that bring so much alkalinity."""
    return {name: settable_dose(ml * meq_d) for name, ml in ml_per_meq.items()}


def _reason(task: Task, steps: tuple[ChangeStep, ...], plan: ChangeOver) -> str:
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
