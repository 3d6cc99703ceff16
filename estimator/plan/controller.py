"""The rule by which retests steer pump and dosing, and what comes of following it.

The rule is a proportional and integral controller in its velocity form (Åström and Hägglund,
Advanced PID Control; from memory): settings move the rate of change of alkalinity, not its level,
so a rule on the level alone would swing. At each retest, with what the kit shows,

    change of dosing = per_level (wanted − reading) + per_fall (last reading − reading)

on top of what a step of the pump takes over. What cannot be taken from the dosing, because nothing
is left of it, is taken from the pump. The pump climbs a ladder of settings, and waits at a retest
that is out of the thresholds; past the ladder it goes on in small steps for as long as anything is
dosed. So a reactor that cannot carry the whole load leaves the rest to the dosing, and one that is
stronger than thought ends at a slower flow.

Levels are daily means, as in `recommendation.future_levels`. By symmetry of the light the level of
a steadily supplied tank passes through its daily mean in the middle of the lit hours: that is the
hour to test at.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from estimator.inputs.tank import Target
from estimator.plan.futures import Futures, advance


class Plans(NamedTuple):
    """Candidates (c,) of one rhythm of retests.

    Attributes:
        flow_l_d: (c, k) the pump's ladder; column 0 is the present setting, 1 that of the first
            day, `last` the final one.
        takes_meq_d: (c, k) by how much the dosing goes down as the pump goes to that column.
        last: (c,) column of the final setting.
        dose_meq_d: (c,) dosing of the first day, alkalinity.
        extra_l_d, extra_meq_d: a step of the pump past the ladder, and what it takes over.
        retest_days: days from the start on which alkalinity is tested.
        above, below: (c,) readings, meq/L, from which on the pump waits: `below` with dosing or on
            the way down, `above` on the way up, both past the ladder.
        per_level, per_fall: (c,) change of the dosing, meq/day per meq/L, see the module.
        wanted, began: reading aimed at, and the one that counts as the last at the first retest,
            meq/L.
        counts: (c,) a reading further than this from `wanted` counts as this far: the dosing then
            changes alkalinity no faster than it should, and a misread titration does little.
        meq_per_l: meq/day that a litre a day more of flow adds, by which the pump makes good what
            the dosing cannot.
        limits_l_d: lowest and highest flow.
        most_meq_d: largest dosing; 0 where there is no solution of alkalinity.
    """

    flow_l_d: np.ndarray
    takes_meq_d: np.ndarray
    last: np.ndarray
    dose_meq_d: np.ndarray
    extra_l_d: float
    extra_meq_d: float
    retest_days: tuple[int, ...]
    above: np.ndarray
    below: np.ndarray
    per_level: np.ndarray
    per_fall: np.ndarray
    wanted: float
    began: float
    counts: np.ndarray
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
            above=self.above[at],
            below=self.below[at],
            per_level=self.per_level[at],
            per_fall=self.per_fall[at],
            counts=self.counts[at],
        )


def steer(
    wanted: float,
    counts: np.ndarray | float,
    per_level: np.ndarray | float,
    per_fall: np.ndarray | float,
    last: np.ndarray | float,
    reading: np.ndarray | float,
) -> np.ndarray:
    """Change of the dosing by the last reading and this one, steps of the pump aside, meq/day.

    Numbers or arrays that broadcast; see `Plans` for the first four.
    """
    least, most = wanted - counts, wanted + counts
    before, now = np.clip(last, least, most), np.clip(reading, least, most)
    return per_level * (wanted - now) + per_fall * (before - now)


class Followed(NamedTuple):
    """What came of each plan: (days, c, s), the settings from that day on."""

    level_meq_l: np.ndarray
    dose_meq_d: np.ndarray
    column: np.ndarray


def follow(futures: Futures, plans: Plans, days: int) -> Followed:
    """Daily mean alkalinity and settings where each plan's rule is followed.

    Args:
        futures: draws.
        plans: candidates.
        days: how many.
    """
    response = futures.response
    shape = (len(plans.last), len(futures.start_meq_l))
    row = np.arange(shape[0])[:, None]
    last, columns = plans.last[:, None], plans.flow_l_d.shape[1] - 1
    above, below = plans.above[:, None], plans.below[:, None]
    at = np.ones(shape, dtype=np.intp)
    flow = np.broadcast_to(plans.flow_l_d[:, 1:2], shape)
    dose = np.broadcast_to(plans.dose_meq_d[:, None], shape)
    level = np.broadcast_to(futures.start_meq_l, shape)
    rule = (plans.counts[:, None], plans.per_level[:, None], plans.per_fall[:, None])
    before: np.ndarray | float = plans.began
    out = Followed(*(np.empty((days, *shape)) for _ in range(3)))
    for day in range(days):
        if day in plans.retest_days:
            shown = futures.read(day, level)
            following = np.minimum(at + 1, columns)
            climbs = at < last
            by = plans.flow_l_d[row, following] - plans.flow_l_d[row, at]
            waits = np.where(by < 0, shown <= below, shown >= above)
            waits |= ((plans.most_meq_d > 0) | ~climbs) & (shown <= below)
            moves = climbs & ~waits
            more = ~climbs & ~waits & (dose >= 0.5 * plans.extra_meq_d)
            more &= flow + plans.extra_l_d <= plans.limits_l_d[1] + 1e-9
            change = steer(plans.wanted, *rule, before, shown)
            before = shown
            flow = flow + np.where(moves, by, 0.0) + plans.extra_l_d * more
            taken = np.where(moves, plans.takes_meq_d[row, following], 0.0)
            supply = dose - taken - plans.extra_meq_d * more + change
            dose = np.clip(supply, 0.0, plans.most_meq_d)
            rest = np.minimum(supply, 0.0) if plans.most_meq_d > 0 else supply
            flow = np.clip(flow + rest / plans.meq_per_l, *plans.limits_l_d)
            at = at + moves
        if day == 0 or day in plans.retest_days:
            kappa, decay = response.rates(flow)
            dosing = dose / response.volume_l
        net = dosing - futures.uptake_meq_l_d[day]
        level = advance(level, kappa, decay, futures.gain_meq_l[day], response.middle_meq_l, net)
        for whole, now in zip(out, (level, dose, at), strict=True):
            whole[day] = now
    return out


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
