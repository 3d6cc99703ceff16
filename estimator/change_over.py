"""The change-over: dated steps that hand the load from the dosing solutions to the reactor.

A plan is a table of pump settings and dosing rates, and a rule that one titration decides. At the
end of each step the keeper tests alkalinity, adds the change since the last retest (after 8.2 and
then 8.5 that is 8.8), and goes on by the rule:

- at or above `above`: only what lowers alkalinity is done (the dosing step; the pump stays);
- at or below `below`: only what raises it is done (the pump step; the dosing stays);
- in between: both;
- at or below `far_below`, as far again outside: `spare_ml_d` is dosed on top, until a retest is no
  longer at or below `below`.

A step left out is the next one to be taken at the next retest, so a plan may take longer than its
dates say; a pump step beyond the last is one trim, and the last step's thresholds go on. Once the
last dosing step is taken (where nothing is dosed: the last pump step), the pump goes down by
`trim_ml_h` at or above, up at or below, by twice as much at or beyond `far_above` and `far_below`,
and else stays; the spare dosing then comes on at or below `below` already, and retests go on in the
same rhythm. It stands by for good: a pump that cannot raise the supply, because the effluent is
weaker the faster it flows, must not leave the tank without.

The change is counted because the settings move the rate of change, not the level: a rule on the
level alone swings.

Candidates (number of steps, days a step, size of the first, thresholds, trims) are followed through
futures drawn from the posterior, with retests and the kit's error, all on the same random numbers.
The shortest that is good enough is taken, and judged on fresh ones.

Levels are daily means, as in `recommendation.future_levels`. By symmetry of the light the level of
a steadily supplied tank passes through its daily mean in the middle of the lit hours: that is the
hour to test at.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
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
from estimator.settings import actions_of, settings_of
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
STEERING = 0.4
"""Share of the largest rise that a plan uses to bring the level to the middle of the band."""
CORRECTION = 0.5
"""The same for a level outside the band."""
SPARE_LOAD, SPARE_RISE = 0.2, 0.5
"""Spare dosing: this part of the load, but never more than this part of the largest rise."""
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
FIRST_STEPS = (1.0, 0.5, 0.25)
"""Size of the first step, in equal ones."""
WIDTHS = (0.2, 0.4, 0.7)
"""Distance of the thresholds from the expected reading, in half widths of the band."""
TRIMS = (0.05, 0.1, 0.2)
"""Of the final supply."""
LARGEST_TRIM = 0.5
"""Of the final flow."""
SHORTLIST = 16
MOST_EXTRA = 6
"""Trims that a late dosing may ask for beyond the last pump step."""


@dataclass(frozen=True)
class ChangeStep:
    """What is set on a day, and the retest that ends the step.

    Attributes:
        set_on: day on which it is set.
        flow_ml_h: pump setting, a multiple of the pump's step.
        dose_ml_d: rate of each solution, mL/day.
        retest_on: day of the retest, on which the next step is set.
        above_meq_l, below_meq_l: thresholds of the retest, figures that the kit can show.
        alkalinity_meq_l: (s,) true level at the retest, the rule having been followed.
    """

    set_on: date
    flow_ml_h: float
    dose_ml_d: Mapping[str, float]
    retest_on: date
    above_meq_l: float
    below_meq_l: float
    alkalinity_meq_l: np.ndarray

    @property
    def far_above_meq_l(self) -> float:
        """As far above `above` as that is above `below`: from here on a trim counts twice."""
        return 2 * self.above_meq_l - self.below_meq_l

    @property
    def far_below_meq_l(self) -> float:
        """As far below `below`: a trim counts twice, and the spare dosing comes on at once."""
        return 2 * self.below_meq_l - self.above_meq_l


@dataclass(frozen=True)
class ChangeOver:
    """The plan, or why there is none.

    Attributes:
        kind: "hand over" (from dosing), "change flow" (nothing is dosed), "nothing to do", "none".
        reason: one or two plain sentences on the above.
        remedy: what would raise the chance most; "" where it is good enough or there is no plan.
        remedy_probability: the chance if that were settled at its middle value; None without one.
        steps: in order; settings are those of a change-over in which no retest left anything out.
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
        step_days: days between retests (a correction may be longer).
        trim_ml_h: by how much the pump is trimmed after the last step.
        spare_ml_d: rate of each solution that is dosed on top while the level is low, by the rule;
            empty where the tank file has no solution of alkalinity.
        retest_hour: hour of day at which the level is nearest to its daily mean.
        self_regulation_days: (s,) V/(F(1 − ε)): time in which the tank undoes 63 % of a departure
            by itself at the final flow, at a steady effluent strength; None without a flow.
    """

    kind: str
    reason: str
    remedy: str
    remedy_probability: float | None
    steps: tuple[ChangeStep, ...]
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
    trim_ml_h: float | None
    spare_ml_d: Mapping[str, float]
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


class Response(NamedTuple):
    """How alkalinity answers to the settings: one value per draw (s,), or one for the middle tank.

    Attributes:
        volume_l, exponent, reference_l_d, gain_meq_l, uptake_meq_l_d: as in `Posterior`.
        middle_meq_l: level at which `gain_meq_l` holds.
        strongest: largest factor on the gain that a slow flow can bring: the water leaves the
            chamber saturated at the latest.
    """

    volume_l: np.ndarray
    exponent: np.ndarray
    reference_l_d: float
    gain_meq_l: np.ndarray
    uptake_meq_l_d: np.ndarray
    middle_meq_l: float
    strongest: np.ndarray

    def rates(self, flow_l_d: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Inflow κ = (F/V)(F/F_ref)^(−ε) and decay κ(1 − ε), per day."""
        running = np.maximum(flow_l_d, 1e-9)
        respond = (running / self.reference_l_d) ** -self.exponent
        kappa = flow_l_d / self.volume_l * np.minimum(respond, self.strongest)
        return kappa, kappa * (1 - self.exponent)

    def reactor_meq_d(self, flow_l_d: np.ndarray, level_meq_l: np.ndarray) -> np.ndarray:
        """Alkalinity that the reactor adds at a level."""
        kappa, decay = self.rates(flow_l_d)
        gain = kappa * self.gain_meq_l - decay * (level_meq_l - self.middle_meq_l)
        return gain * self.volume_l


def advance(
    level: np.ndarray,
    kappa: np.ndarray,
    decay: np.ndarray,
    gain: np.ndarray,
    middle: float,
    net: np.ndarray,
    days: float = 1.0,
) -> np.ndarray:
    """Level after some days of steady settings, meq/L: exact.

    dA/dt = κX − κ(1 − ε)(A − A_m) + net, the stirred tank of `mass_balance` (Levenspiel, Chemical
    Reaction Engineering); at ε = 0: A_∞ = A_e − UV/F, A = A_∞ + (A_0 − A_∞)e^(−Ft/V).

    Args:
        level: at the start.
        kappa, decay: see `Response.rates`.
        gain: X, of the effluent over the level A_m, meq/L.
        middle: A_m.
        net: dosing less uptake, meq/L/day.
        days: how many.
    """
    fading = decay * days
    lasting = np.where(fading > 1e-9, -np.expm1(-fading) / np.maximum(decay, 1e-12), days)
    return level * np.exp(-fading) + lasting * (kappa * gain + decay * middle + net)


class Futures(NamedTuple):
    """What may come: draws (s,) of the tank, and (days, s) of what drifts or is read."""

    response: Response
    start_meq_l: np.ndarray
    uptake_meq_l_d: np.ndarray
    gain_meq_l: np.ndarray
    kit_gain: np.ndarray
    error_meq_l: np.ndarray
    kit_step: float

    def read(self, day: int, level: np.ndarray) -> np.ndarray:
        """What the kit shows on a day."""
        shown = self.kit_gain * level + self.error_meq_l[day]
        return np.round(shown / self.kit_step) * self.kit_step


class Plans(NamedTuple):
    """Candidates (c,) of one rhythm of retests.

    Attributes:
        flow_l_d: (c, k) pump settings; column 0 is the present one, columns from `last` on are
            the final one and trims above it.
        dosing: (c, k) share of the dosing in `_Task`.
        last: (c,) column of the final settings.
        retest_days: days from the start on which alkalinity is tested.
        above, below: (c, r) thresholds of each retest, canonical.
        trim_l_d: (c,).
        dosed: something is dosed: the rule hands it over; otherwise the pump alone is moved.
        spare_meq_d: dosed on top while the level is low, by the rule.
    """

    flow_l_d: np.ndarray
    dosing: np.ndarray
    last: np.ndarray
    retest_days: tuple[int, ...]
    above: np.ndarray
    below: np.ndarray
    trim_l_d: np.ndarray
    dosed: bool
    spare_meq_d: float

    def pick(self, at: np.ndarray) -> Plans:
        """Some of the candidates."""
        return self._replace(
            flow_l_d=self.flow_l_d[at],
            dosing=self.dosing[at],
            last=self.last[at],
            above=self.above[at],
            below=self.below[at],
            trim_l_d=self.trim_l_d[at],
        )


def follow(
    futures: Futures, plans: Plans, dosed_meq_d: float, pump: tuple[float, float], days: int
) -> np.ndarray:
    """Daily mean alkalinity (days, c, s) where each plan's rule is followed.

    Args:
        futures: draws.
        plans: candidates.
        dosed_meq_d: present dosing, alkalinity.
        pump: lowest and highest flow, L/day.
        days: how many.
    """
    response = futures.response
    shape = (len(plans.last), len(futures.start_meq_l))
    row = np.arange(shape[0])[:, None]
    final = plans.last[:, None]
    columns = plans.flow_l_d.shape[1]
    pump_at = np.ones(shape, dtype=np.intp)
    dose_at = np.ones(shape, dtype=np.intp)
    spare = np.zeros(shape, dtype=np.bool_)
    flow = np.broadcast_to(plans.flow_l_d[:, 1:2], shape)
    level = before = np.broadcast_to(futures.start_meq_l, shape)
    levels = np.empty((days, *shape))
    for day in range(days):
        if day in plans.retest_days:
            k = plans.retest_days.index(day)
            shown = futures.read(day, level)
            reading = shown if k == 0 else 2 * shown - before
            before = shown
            high, low = plans.above[:, k, None], plans.below[:, k, None]
            above, below = reading >= high - 1e-9, reading <= low + 1e-9
            far_below = reading <= 2 * low - high + 1e-9
            far = far_below | (reading >= 2 * high - low - 1e-9)
            done = (dose_at if plans.dosed else pump_at) >= final
            following = plans.flow_l_d[row, np.minimum(pump_at + 1, columns - 1)]
            rises = following > flow
            moves = ~done & ~np.where(rises, above, below)
            trim = plans.trim_l_d[:, None] * (below.astype(float) - above) * np.where(far, 2, 1)
            trimmed = np.clip(flow + trim, *pump)
            flow = np.where(moves, following, np.where(done, trimmed, flow))
            pump_at = pump_at + moves
            dose_at = dose_at + (~done & ~below)
            spare = far_below | (below & (done | spare))
        if day == 0 or day in plans.retest_days:
            kappa, decay = response.rates(flow)
            at = dose_at if plans.dosed else pump_at
            dosing = dosed_meq_d * plans.dosing[row, np.minimum(at, final)]
            dosing = (dosing + plans.spare_meq_d * spare) / response.volume_l
        net = dosing - futures.uptake_meq_l_d[day]
        level = advance(level, kappa, decay, futures.gain_meq_l[day], response.middle_meq_l, net)
        levels[day] = level
    return levels


@dataclass(frozen=True)
class _Task:
    """What has to be changed, seen from the middle of the posterior.

    `dosed_meq_d` is the dosing that shares refer to: the present one, or where a low level calls
    for dosing that has been given up, the load, of which `present_share` is zero. `before` is
    (flow L/day, share, days) of a correction of the level that comes first, None where the level
    is in the band.
    """

    tank: Response
    start_meq_l: float
    present_l_d: float
    final_l_d: float
    dosed_meq_d: float
    present_share: float
    pump: Reactor
    band: Target
    rise_meq_l_d: float
    kit_gain: float
    kit_step: float
    can_dose: bool
    before: tuple[float, float, int] | None = None

    @property
    def load_meq_d(self) -> float:
        """What the tank takes up."""
        return float(self.tank.uptake_meq_l_d * self.tank.volume_l)

    @property
    def spare_meq_d(self) -> float:
        """Alkalinity of the spare dosing: part of the load, and of the largest rise."""
        if not self.can_dose:
            return 0.0
        most = SPARE_RISE * self.rise_meq_l_d * float(self.tank.volume_l)
        return min(SPARE_LOAD * self.load_meq_d, most)

    @property
    def correction_days(self) -> int:
        """Days before the hand-over begins."""
        return 0 if self.before is None else self.before[2]

    @property
    def limits_l_d(self) -> tuple[float, float]:
        """Lowest and highest flow of the pump."""
        low, high = to_l_d(np.array([self.pump.flow_min_ml_h, self.pump.flow_max_ml_h]))
        return float(low), float(high)

    @property
    def is_low(self) -> bool:
        """The level lies in the lower quarter of the band, or below."""
        return self.start_meq_l < self.band.low + 0.25 * (self.band.high - self.band.low)

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

    def after(self, level: float, flow_l_d: float, share: float, days: float) -> float:
        """Level that the middle tank reaches."""
        kappa, decay = self.tank.rates(np.array(flow_l_d))
        net = self.dosed_meq_d * share / self.tank.volume_l - self.tank.uptake_meq_l_d
        return float(
            advance(
                np.array(level),
                kappa,
                decay,
                self.tank.gain_meq_l,
                self.tank.middle_meq_l,
                np.asarray(net),
                days,
            )
        )

    def flow_for(self, supply_meq_d: float, level: float) -> float:
        """Flow at which the reactor gives a supply at a level, L/day."""
        order = 1 - float(self.tank.exponent)
        gain = float(self.tank.gain_meq_l) - order * (level - self.tank.middle_meq_l)
        reference = self.tank.reference_l_d
        ratio = max(supply_meq_d, 0.0) / (reference * max(gain, 1e-6))
        return reference * float(ratio ** (1 / order))


def _corrected(task: _Task) -> _Task | None:
    """The task with the level put right first where it is out of the band; None: impossible.

    The goal is the middle of the band. Dosing is the means where there is any (its strength is
    known), the pump where there is none or where the reactor alone gives too much.
    """
    low, high, start = task.band.low, task.band.high, task.start_meq_l
    if low <= start <= high:
        return task
    side = 1.0 if start < low else -1.0
    wanted = side * CORRECTION * task.rise_meq_l_d * float(task.tank.volume_l)
    need = task.load_meq_d + wanted
    flow, share = task.present_l_d, 0.0
    given = float(task.tank.reactor_meq_d(np.array(flow), np.array(start)))
    if task.dosed_meq_d > 0:
        share = max(need - given, 0.0) / task.dosed_meq_d
    if task.dosed_meq_d <= 0 or given > need:
        flow = task.settable(task.flow_for(need, start))
    level = start
    for days in range(1, LONGEST_CORRECTION_DAYS + 1):
        level = task.after(level, flow, share, 1.0)
        if side * (level - task.band.middle) >= -0.01 * (high - low):
            return replace(task, before=(flow, share, days))
    return None


def _table(
    task: _Task, steps: int, first: float, step_days: int
) -> tuple[list[float], list[float], list[float]]:
    """Flows (L/day), shares of the present dosing, and wanted levels at the retests.

    Lists begin with the present (of the levels: today's). The pump's rises are equal in supply but
    for the first; the dosing covers what the reactor does not, and leads the level to the middle.
    """
    order = 1 - float(task.tank.exponent)
    flows, shares, wanted = [task.present_l_d], [task.present_share], [task.start_meq_l]
    level = task.start_meq_l
    most = STEERING * task.rise_meq_l_d * step_days
    if task.before is not None:
        flow, share, days = task.before
        flows.append(flow)
        shares.append(share)
        level = task.after(level, flow, share, days)
        wanted.append(task.band.middle)
    begun = (flows[-1] / task.final_l_d) ** order if flows[-1] > 0 else 0.0
    if task.dosed_meq_d > 0:
        # After a correction downwards the pump first takes over what the dosing was cut by.
        lacking = 1 - shares[-1] * task.dosed_meq_d / max(task.load_meq_d, 1e-9)
        begun = float(np.clip(lacking, begun, 1.0)) if task.before is not None else begun
    opening = begun + (1 - begun) * (1.0 if steps == 1 else first / steps)
    carried = np.linspace(opening, 1.0, steps)
    for k, share_carried in enumerate(carried, start=1):
        wanted.append(wanted[-1] + float(np.clip(task.band.middle - wanted[-1], -most, most)))
        flow = task.settable(task.final_l_d * float(share_carried) ** (1 / order))
        share = 0.0
        if k < steps:
            if task.dosed_meq_d > 0:
                lead = np.clip(wanted[-1] - level, -most, most) / step_days
                need = task.load_meq_d + float(lead) * float(task.tank.volume_l)
                need -= float(task.tank.reactor_meq_d(np.array(flow), np.array(level)))
                # The dosing only falls, unless today's level calls for more at first.
                more = k == 1 and task.before is None and task.is_low
                most_share = np.inf if more else shares[-1]
                share = float(np.clip(need / task.dosed_meq_d, 0.0, most_share))
            else:
                share = task.present_share * (1.0 - k / steps)
        else:
            flow = task.final_l_d
        flows.append(flow)
        shares.append(share)
        level = task.after(level, flow, share, step_days)
    return flows, shares, wanted


def _candidates(task: _Task, step_days: int, days: int) -> tuple[Plans, np.ndarray]:
    """All plans of one rhythm, and the number of steps of each (a correction not counted)."""
    begin = task.correction_days
    retests = [begin] if begin else []
    retests += list(range(begin + step_days, days + 1, step_days))
    unit = float(to_l_d(np.array(task.pump.flow_step_ml_h)))
    low, high = task.limits_l_d
    columns = max(STEPS) + 2 + (begin > 0) + MOST_EXTRA
    rows: list[tuple[Any, ...]] = []
    numbers = []
    half_band = 0.5 * (task.band.high - task.band.low)
    for steps in STEPS:
        if steps * step_days > LONGEST_DAYS:
            continue
        for first in FIRST_STEPS if steps > 1 else (1.0,):
            flows, shares, wanted = _table(task, steps, first, step_days)
            final = len(flows) - 1
            expected = np.full(len(retests), wanted[-1])
            known = wanted[1 : 1 + len(retests)]
            expected[: len(known)] = known
            expected *= task.kit_gain
            dosing = np.zeros(columns)
            dosing[: final + 1] = shares
            for trim_share in TRIMS:
                part = min(trim_share / (1 - float(task.tank.exponent)), LARGEST_TRIM)
                by = max(np.round(part * task.final_l_d / unit), 1.0) * unit
                beyond = task.final_l_d + by * np.arange(columns - final)
                table = np.concatenate([flows[:-1], np.clip(beyond, low, high)])
                for width in WIDTHS:
                    above, below = (
                        to_kit(expected + side * width * half_band, task.kit_step, side)
                        for side in (1, -1)
                    )
                    rows.append((table, dosing, final, above, below, by))
                    numbers.append(steps)
    flow, dosing, last, above, below, trim = (np.array(part) for part in zip(*rows, strict=True))
    plans = Plans(
        flow_l_d=flow,
        dosing=dosing,
        last=last,
        retest_days=tuple(retests),
        above=above,
        below=below,
        trim_l_d=trim,
        dosed=task.dosed_meq_d > 0,
        spare_meq_d=task.spare_meq_d,
    )
    return plans, np.array(numbers)


def to_kit(value: np.ndarray, step: float, side: int) -> np.ndarray:
    """The nearest figures that a kit of this step can show, not nearer to the expected one."""
    rounded = np.ceil(value / step - 1e-9) if side > 0 else np.floor(value / step + 1e-9)
    return rounded * step


def chances(
    levels: np.ndarray,
    start: np.ndarray,
    band: Target,
    rise_meq_l_d: float,
    correction_days: int,
    judged_days: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Chance (c,) of staying in the band without a rise above the limit, and share of such days.

    While a level is being corrected it may be out of the band on the side where it started.

    Args:
        levels: (days, c, s) daily means.
        start: (s,) level at the start.
        band: wanted band.
        rise_meq_l_d: limit.
        correction_days: days of correction.
        judged_days: (c,) days that count.
    """
    low = np.full(len(levels), band.low)
    high = np.full(len(levels), band.high)
    below = np.median(start) < band.middle
    (low if below else high)[: max(correction_days - 1, 0)] = -np.inf if below else np.inf
    before = np.concatenate([np.broadcast_to(start, levels.shape[1:])[None], levels[:-1]])
    good = (levels >= low[:, None, None]) & (levels <= high[:, None, None])
    good &= levels - before <= rise_meq_l_d + 1e-9
    after = (np.arange(len(levels))[:, None] >= judged_days)[:, :, None]
    whole = np.all(good | after, axis=0).mean(axis=1)
    return whole, np.sum(good & ~after, axis=(0, 2)) / judged_days / levels.shape[2]


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
    days: int,
    rng: np.random.Generator,
) -> Futures:
    """Thinned draws and what may come of them.

    Args:
        posterior: draws.
        tank: for the kit.
        response: of all draws.
        waiting: days from the last entry to the start, under (flow L/day, dosing meq/day) as now.
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
    kappa, decay = response.rates(np.full(len(at), flow))
    level = posterior.alkalinity_now_meq_l[at]
    for day in range(wait):
        net = dosed / response.volume_l - uptake[day]
        level = advance(level, kappa, decay, gain[day], response.middle_meq_l, net)
    kit_gain, repeatability, step = _kit(posterior, tank)
    spread = rng.choice(MISREAD_SPREAD, p=MISREAD_CHANCE, size=(days + 1, len(at)))
    error = spread * repeatability[at] * rng.standard_normal((days + 1, len(at)))
    return Futures(response, level, uptake[wait:], gain[wait:], kit_gain[at], error, step)


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
        levels = follow(futures, plans, task.dosed_meq_d, task.limits_l_d, int(judged.max()))
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
) -> ChangeOver:
    """The plan from the settings at the log's end to the recommended one.

    Args:
        posterior: draws.
        tank: pump, band, kits, solutions.
        recommendation: the setting to reach.
        dose_ml_d: present rate of each solution, see `dose_rates_now`.
        start: day of the first step; until then everything goes on as at the last entry.
        seed: for what may come.
    """
    band = tank.targets[ALKALINITY.name]
    rise = USUAL_MAX_RISE if band.max_rise_per_day is None else band.max_rise_per_day
    lit_h = (tank.lights_off_h - tank.lights_on_h) % units.HOURS_PER_DAY
    present = posterior.present_flow_l_d
    setting = recommendation.flow.setting
    flow_l_d = present if setting is None else float(to_l_d(np.array(setting.set_to_ml_h)))
    response = response_of(posterior, tank, flow_l_d)
    nothing = ChangeOver(
        kind="none",
        reason="",
        remedy="",
        remedy_probability=None,
        steps=(),
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
        trim_ml_h=None,
        spare_ml_d={},
        retest_hour=(tank.lights_on_h + 0.5 * lit_h) % units.HOURS_PER_DAY,
        self_regulation_days=self_regulation_days(response, flow_l_d) if flow_l_d > 0 else None,
    )
    if setting is None or flow_l_d <= 0:
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
        _futures(posterior, tank, response, waiting, days, np.random.default_rng(int(one)))
        for one in seeds
    )
    task = _Task(
        tank=middle,
        start_meq_l=float(np.median(search.start_meq_l)),
        present_l_d=present,
        final_l_d=flow_l_d,
        dosed_meq_d=dosed,
        present_share=1.0,
        pump=tank.reactor or PLANNED_PUMP,
        band=band,
        rise_meq_l_d=rise,
        kit_gain=float(np.median(search.kit_gain)),
        kit_step=search.kit_step,
        can_dose=bool(_doses_of_load(tank, recommendation)),
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
    if not dose_ml_d and task.start_meq_l < band.low:
        dose_ml_d = _doses_of_load(tank, recommendation)
        task = replace(task, dosed_meq_d=task.load_meq_d if dose_ml_d else 0.0, present_share=0.0)
    corrected = _corrected(task)
    if corrected is None:
        side = "below" if task.start_meq_l < band.low else "above"
        return replace(
            nothing,
            reason=f"Alkalinity is {side} the band and the pump and the dosing in the log cannot "
            "bring it back: put the level right first, then run the report again.",
        )
    found = _search(corrected, search, fresh, corrected.correction_days + LONGEST_DAYS)
    plan = _told(nothing, corrected, found, fresh, dose_ml_d, start)
    spare = corrected.spare_meq_d / max(corrected.load_meq_d, 1e-9)
    load = rates_to_go_on(_doses_of_load(tank, recommendation), posterior, tank)
    return replace(plan, spare_ml_d={name: settable_dose(spare * ml) for name, ml in load.items()})


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
    empty: ChangeOver,
    task: _Task,
    found: _Found,
    futures: Futures,
    dose_ml_d: Mapping[str, float],
    start: date,
) -> ChangeOver:
    """The chosen plan with its dates, predicted levels and comparison."""

    def followed(plans: Plans, futures: Futures) -> tuple[np.ndarray, float]:
        levels = follow(futures, plans, task.dosed_meq_d, task.limits_l_d, judged)
        count = np.array([judged])
        whole, _ = chances(
            levels, futures.start_meq_l, task.band, task.rise_meq_l_d, task.correction_days, count
        )
        return levels[:, 0], float(whole[0])

    plans, judged = found.plans, found.judged_days
    levels, _ = followed(plans, futures)
    final = task.final_l_d
    at_once = Plans(
        flow_l_d=np.array([[task.present_l_d, final, final]]),
        dosing=np.array([[task.present_share, 0.0, 0.0]]),
        last=np.array([1]),
        retest_days=(),
        above=np.zeros((1, 0)),
        below=np.zeros((1, 0)),
        trim_l_d=np.zeros(1),
        dosed=plans.dosed,
        spare_meq_d=0.0,
    )
    overnight, overnight_chance = followed(at_once, futures)
    last = int(plans.last[0])
    begins = (0, *plans.retest_days)
    steps = tuple(
        ChangeStep(
            set_on=start + timedelta(days=begins[k]),
            flow_ml_h=task.shown_ml_h(plans.flow_l_d[0, k + 1]),
            dose_ml_d={
                name: settable_dose(ml * float(plans.dosing[0, k + 1]))
                for name, ml in dose_ml_d.items()
            },
            retest_on=start + timedelta(days=begins[k + 1]),
            above_meq_l=float(plans.above[0, k]),
            below_meq_l=float(plans.below[0, k]),
            alkalinity_meq_l=levels[begins[k + 1] - 1],
        )
        for k in range(last)
    )
    remedy, remedy_chance = "", None
    if found.chance < GOOD_ENOUGH:
        gains = {name: followed(plans, one)[1] for name, one in _unknown(futures).items()}
        remedy = max(gains, key=lambda name: gains[name])
        remedy_chance = gains[remedy]
        if remedy_chance < found.chance + MC_ERROR:
            remedy, remedy_chance = "run the report again after every retest", None
    return replace(
        empty,
        kind="hand over" if dose_ml_d else "change flow",
        reason=_reason(task, steps, bool(dose_ml_d)),
        remedy=remedy,
        remedy_probability=remedy_chance,
        steps=steps,
        corrects=task.before is not None,
        probability=found.chance,
        good_days=found.good_days,
        overnight_probability=overnight_chance,
        judged_days=judged,
        levels_meq_l=levels,
        overnight_meq_l=overnight,
        step_days=found.length_days // found.steps,
        trim_ml_h=task.shown_ml_h(plans.trim_l_d[0]),
    )


def settable_dose(ml_d: float) -> float:
    """A dosing rate that can be set: whole mL from 10 mL/day on, else tenths."""
    return float(round(ml_d)) if ml_d >= 10 else round(ml_d, 1)


def _reason(task: _Task, steps: tuple[ChangeStep, ...], dosed: bool) -> str:
    """Why the plan is as it is."""
    if task.before is not None:
        side = "below" if task.start_meq_l < task.band.low else "above"
        reason = f"Alkalinity is most likely {side} the band: the first step only brings it back."
    elif dosed:
        reason = "The load is still dosed, at least in part: the reactor takes it over in steps."
    else:
        reason = "Nothing is dosed: the pump alone moves, in steps, as the retests allow."
    least = task.pump.flow_min_ml_h
    carried = (float(to_l_d(np.array(least))) / task.final_l_d) ** (1 - float(task.tank.exponent))
    first = steps[1 if task.before is not None else 0]
    if len(steps) > 1 and task.present_l_d == 0 and first.flow_ml_h <= least and carried > 0.25:
        reason += (
            f" The pump's smallest flow of {least:g} mL/h already carries about "
            f"{100 * carried:.0f} % of the load, so the reactor cannot start on less."
        )
    return reason
