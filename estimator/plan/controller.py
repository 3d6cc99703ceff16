"""The rule by which retests steer pump and dosing, and what comes of following it.

Settings move the rate of change of alkalinity, not its level, so a rule that set them by the level
alone would swing. The rule is a proportional and integral controller in its velocity form (Åström
and Hägglund, Advanced PID Control; from memory). At each retest, T days after the last one, with
what the kit shows,

    change of the dosing = Kp (last reading − reading) + Ki T (setpoint − reading).

In this form the proportional part answers to how far the reading fell since the last retest, the
integral part to how far it is below the setpoint.

The pump climbs a ladder of settings, one step at each retest whose reading lies within the hold
thresholds, and what the reactor takes over with the step comes off the dosing as well. What cannot
be taken from the dosing, because nothing is left of it, is taken from the pump. Past the ladder the
pump goes on in small steps for as long as anything is dosed. So a reactor that cannot carry the
whole load leaves the rest to the dosing, and one that is stronger than thought ends at a slower
flow.

Levels are daily means, as in `fit.forecast`. By symmetry of the light the level of a steadily
supplied tank passes through its daily mean in the middle of the lit hours: the hour to test at.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from estimator.inputs.tank import Target
from estimator.plan.futures import Futures


class Rule(NamedTuple):
    """What a retest decides by: arrays (c,), one for each candidate. Readings are the kit's, meq/L.

    Attributes:
        setpoint_meq_l: reading aimed at.
        clamp_meq_l: a reading further than this from the setpoint counts as this far: the dosing
            then changes alkalinity no faster than it should, and a misread titration does little.
        proportional_l_d: Kp, meq/day of dosing for each meq/L fallen since the last retest.
        integral_l_d: Ki T, meq/day of dosing at each retest for each meq/L below the setpoint.
        hold_above_meq_l, hold_below_meq_l: readings from which on the pump waits: below, with
            dosing or on the way down; above, on the way up; both past the ladder.
        began_meq_l: counts as the last reading at the first retest.
    """

    setpoint_meq_l: np.ndarray
    clamp_meq_l: np.ndarray
    proportional_l_d: np.ndarray
    integral_l_d: np.ndarray
    hold_above_meq_l: np.ndarray
    hold_below_meq_l: np.ndarray
    began_meq_l: np.ndarray

    def each(self, change: Callable[[np.ndarray], np.ndarray]) -> Rule:
        """The rule with a change made to every array."""
        return Rule(*(change(part) for part in self))

    def change_meq_d(
        self, last_meq_l: np.ndarray | float, reading_meq_l: np.ndarray | float
    ) -> np.ndarray:
        """Change of the dosing by the last reading and this one, steps of the pump aside."""
        least, most = self.setpoint_meq_l - self.clamp_meq_l, self.setpoint_meq_l + self.clamp_meq_l
        last, now = np.clip(last_meq_l, least, most), np.clip(reading_meq_l, least, most)
        return self.integral_l_d * (self.setpoint_meq_l - now) + self.proportional_l_d * (
            last - now
        )


class Plans(NamedTuple):
    """Candidates (c,) of one rhythm of retests.

    Attributes:
        flow_l_d: (c, k) the ladder of pump settings; column 0 is the present one, 1 that of the
            first day, `last` the final one.
        takes_meq_d: (c, k) by how much the dosing goes down as the pump goes to that column.
        last: (c,) column of the final setting.
        dose_meq_d: (c,) dosing of the first day, alkalinity.
        rule: see `Rule`.
        extra_l_d, extra_meq_d: a step of the pump past the ladder, and what it takes over.
        retest_days: days from the start on which alkalinity is tested.
        meq_per_l: meq/day that a litre a day more of flow adds, by which the pump makes good what
            the dosing cannot.
        limits_l_d: lowest and highest flow.
        most_meq_d: largest dosing; 0 where there is no solution of alkalinity.
    """

    flow_l_d: np.ndarray
    takes_meq_d: np.ndarray
    last: np.ndarray
    dose_meq_d: np.ndarray
    rule: Rule
    extra_l_d: float
    extra_meq_d: float
    retest_days: tuple[int, ...]
    meq_per_l: float
    limits_l_d: tuple[float, float]
    most_meq_d: float

    def pick(self, at: np.ndarray) -> Plans:
        """Some of the candidates."""
        return self._replace(
            flow_l_d=self.flow_l_d[at],
            takes_meq_d=self.takes_meq_d[at],
            last=self.last[at],
            dose_meq_d=self.dose_meq_d[at],
            rule=self.rule.each(lambda part: part[at]),
        )


class Followed(NamedTuple):
    """What came of each plan: (days, c, s), the settings from that day on."""

    level_meq_l: np.ndarray
    dose_meq_d: np.ndarray
    column: np.ndarray


def follow_plans(futures: Futures, plans: Plans, days: int) -> Followed:
    """Daily mean alkalinity and settings where the rule of each plan (c,) is followed."""
    law = futures.state.law
    shape = (len(plans.last), len(futures.calibration))
    row = np.arange(shape[0])[:, None]
    last, columns = plans.last[:, None], plans.flow_l_d.shape[1] - 1
    rule = plans.rule.each(lambda part: part[:, None])
    at = np.ones(shape, dtype=np.intp)
    flow = np.broadcast_to(plans.flow_l_d[:, 1:2], shape)
    dose = np.broadcast_to(plans.dose_meq_d[:, None], shape)
    level = np.broadcast_to(futures.state.level_meq_l, shape)
    before = rule.began_meq_l
    out = Followed(*(np.empty((days, *shape)) for _ in range(3)))
    for day in range(days):
        if day in plans.retest_days:
            shown = futures.read(day, level)
            high, low = shown >= rule.hold_above_meq_l, shown <= rule.hold_below_meq_l
            following = np.minimum(at + 1, columns)
            climbs = at < last
            by = plans.flow_l_d[row, following] - plans.flow_l_d[row, at]
            waits = np.where(by < 0, low, high) | (((plans.most_meq_d > 0) | ~climbs) & low)
            moves = climbs & ~waits
            more = ~climbs & ~waits & (dose >= 0.5 * plans.extra_meq_d)
            more &= flow + plans.extra_l_d <= plans.limits_l_d[1] + 1e-9
            change = rule.change_meq_d(before, shown)
            before = shown
            flow = flow + np.where(moves, by, 0.0) + plans.extra_l_d * more
            taken = np.where(moves, plans.takes_meq_d[row, following], 0.0)
            supply = dose - taken - plans.extra_meq_d * more + change
            dose = np.clip(supply, 0.0, plans.most_meq_d)
            rest = np.minimum(supply, 0.0) if plans.most_meq_d > 0 else supply
            flow = np.clip(flow + rest / plans.meq_per_l, *plans.limits_l_d)
            at = at + moves
        if day == 0 or day in plans.retest_days:
            dosing = dose / law.volume_l
        net = dosing - futures.uptake_meq_l_d[day]
        level = law.advance(level, flow, net, futures.strength[day])
        for whole, now in zip(out, (level, dose, at), strict=True):
            whole[day] = now
    return out


def chances(
    levels_meq_l: np.ndarray,
    start_meq_l: np.ndarray,
    band: Target,
    rise_meq_l_d: float,
    correction_days: int,
    judged_days: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Chance (c,) of staying in the band without a rise above the limit, and share of such days.

    While a level is being corrected it may be out of the band on the side where it started.

    Args:
        levels_meq_l: (days, c, s) daily means.
        start_meq_l: (s,) level at the start.
        band: wanted band.
        rise_meq_l_d: limit.
        correction_days: days of correction.
        judged_days: (c,) days that count.
    """
    days, _, draws = levels_meq_l.shape
    low, high = np.full(days, band.low), np.full(days, band.high)
    below = np.median(start_meq_l) < band.middle
    (low if below else high)[: max(correction_days - 1, 0)] = -np.inf if below else np.inf
    before = np.concatenate(
        [np.broadcast_to(start_meq_l, levels_meq_l.shape[1:])[None], levels_meq_l[:-1]]
    )
    good = (levels_meq_l >= low[:, None, None]) & (levels_meq_l <= high[:, None, None])
    good &= levels_meq_l - before <= rise_meq_l_d + 1e-9
    after = (np.arange(days)[:, None] >= judged_days)[:, :, None]
    whole = np.all(good | after, axis=0).mean(axis=1)
    return whole, np.sum(good & ~after, axis=(0, 2)) / judged_days / draws
