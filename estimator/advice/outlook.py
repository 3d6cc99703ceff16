"""Is alkalinity alone enough? Where calcium and magnesium go while alkalinity is held steady.

It is said that once a reactor is tuned only alkalinity needs testing, since everything returns in
the proportion it was taken up (common practice, no source). For one tank that is a prediction. With
alkalinity A held where it is, the reactor puts back all of the uptake u_c + n (calcification, and
nitrate production, which takes no calcium), and

    dC/dt = α (u_c + n) − ρ u_c,

α mol of calcium dissolved and ρ taken up per equivalent; magnesium likewise, with the media's
magnesium and the corals' (`advice.magnesium`). Magnesium that dissolves takes calcium's place,
α = (1 − a)/2, and may decide which way calcium goes.

A water change would move alkalinity too, which the reactor then makes good, with calcium in its
proportion. Z = C − αA takes care of that: it feels no reactor, and a water change moves it a part
of the way to the new water's Z.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from estimator.advice.magnesium import UNSTATED_WATER_MAGNESIUM, Magnesium
from estimator.fit.fitting import Fit
from estimator.fit.posterior import Posterior
from estimator.fit.start import (
    START_CALCIUM,
    UNSTATED_WATER_ALKALINITY,
    UNSTATED_WATER_CALCIUM,
    WATER_ALKALINITY_SD,
    WATER_CALCIUM_SD,
)
from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank, Target
from estimator.remark import Remark
from estimator.water.media import largest_share
from estimator.water.settings import actions_of

HORIZON_WEEKS = 26
MONTH_ENDS = {1: 30, 3: 91, 6: 182}
"""Days that stand for one, three and six months."""
UNSEEN_CHANCE = 0.10
"""A test is due before the chance of having left the band unseen is this large."""
WATER_ROUTINE_DAYS = 60
"""How far back a routine of water changes is looked for."""
ROUTINE_CHANGES = 2
USUAL_BANDS: Mapping[str, Target] = {
    element.name: Target(
        element.to_canonical(low, "mg/L"), element.to_canonical(high, "mg/L"), "mg/L"
    )
    for element, low, high in ((CALCIUM, 380, 460), (MAGNESIUM, 1250, 1400))
}
"""Bands where the tank file states none (common practice, no source)."""


@dataclass(frozen=True)
class WaterRoutine:
    """Regular water changes: the water, litres each time, days between, days until the next."""

    of: str
    litres: float
    interval_d: float
    next_d: float


@dataclass(frozen=True)
class ElementOutlook:
    """One element while alkalinity is held, canonical units.

    Attributes:
        parameter: "calcium" or "magnesium".
        band: the keeper's, or a usual one where `band_stated` is False.
        tested: whether the tank was ever tested for it.
        now: (s,) level at the last entry; None where never tested.
        change: by month (1, 3, 6), (s,) change of the level from now.
        out_by: by month, chance that it has left the band; None where never tested.
        out_by_week: (27,) the same by whole weeks from now on.
        leave_day: (s,) first day outside the band; infinite where it stays inside to the horizon.
        test_weeks: longest whole number of weeks, 0 to 26, in which a level that is in the band now
            leaves it with a chance under `UNSEEN_CHANCE`; 0 means now. None where never tested.
        enough: whether it is more likely in the band than not and needs no test for six months.
        answer: all that in words.
    """

    parameter: str
    band: Target
    band_stated: bool
    tested: bool
    now: np.ndarray | None
    change: Mapping[int, np.ndarray]
    out_by: Mapping[int, float] | None
    out_by_week: np.ndarray | None
    leave_day: np.ndarray | None
    test_weeks: int | None
    enough: bool | None
    answer: Remark


TELLING = 0.1
"""The media's magnesium is told of from where its range moves calcium, in a month, by this part of
calcium's band."""


@dataclass(frozen=True)
class Outlook:
    """The answer to "is alkalinity alone enough?".

    Attributes:
        calcium: always.
        magnesium: None where it was never read.
        routine: water changes that go on; None where the log shows no routine.
        alone: whether alkalinity alone is enough for six months; None where an element was
            never tested.
        answer: in words.
        cause: what the media's magnesium does to calcium, and the test that tells how much of it
            dissolves; None where that hardly matters.
    """

    calcium: ElementOutlook
    magnesium: ElementOutlook | None
    routine: WaterRoutine | None
    alone: bool | None
    answer: Remark
    cause: Remark | None = None


def water_routine(log: TankLog) -> WaterRoutine | None:
    """Water changes of the last 60 days, if at least two and the next not overdue by an interval.

    Cadence is the median gap, volume the mean, the water the one most often used.
    """
    recent = [
        action
        for action in actions_of(log, "water_change")
        if action.time > log.end - timedelta(days=WATER_ROUTINE_DAYS) and action.value
    ]
    if len(recent) < ROUTINE_CHANGES:
        return None
    days = np.array([(action.time - log.end) / timedelta(days=1) for action in recent])
    interval = max(float(np.median(np.diff(days))), 1.0)
    if -days[-1] > 2 * interval:
        return None
    return WaterRoutine(
        of=Counter(action.of for action in recent).most_common(1)[0][0],
        litres=float(np.mean([action.value or 0.0 for action in recent])),
        interval_d=interval,
        next_d=float(max(days[-1] + interval, 0.0)),
    )


def outlook(
    fitted: Fit, magnesium: Magnesium | None, share: np.ndarray, seed: np.random.SeedSequence
) -> Outlook:
    """Where calcium and magnesium go in six months.

    Args:
        fitted: draws (s,).
        magnesium: the magnesium balance, draws (s,).
        share: (s,) magnesium per mol of carbonate dissolved.
        seed: for the drift of uptake and the new water's levels.
    """
    log, tank, posterior = fitted.log, fitted.tank, fitted.posterior
    routine = water_routine(log)
    ahead = _held(posterior, tank, routine, np.random.default_rng(seed))
    read = any((r.sample, r.parameter) == ("tank", CALCIUM.name) for r in log.readings)
    tested = posterior.calcium_now_mmol_l if read else None
    start = np.full(len(share), START_CALCIUM[0]) if tested is None else tested

    def calcium_change(of_magnesium: np.ndarray) -> np.ndarray:
        """(days, s) with this share of magnesium (s,)."""
        given, fresh = 0.5 * (1.0 - of_magnesium), ahead.new[CALCIUM.name]
        return ahead.change(start, given, posterior.calcium_share, fresh)

    calcium = _judge(CALCIUM.name, tank, tested, calcium_change(share))
    other = None
    if magnesium is not None:
        fresh = ahead.new[MAGNESIUM.name]
        if routine is not None:
            fresh = magnesium.waters.get(routine.of, fresh)
        taken = magnesium.uptake_ratio * posterior.calcium_share
        change = ahead.change(magnesium.now_mmol_l, magnesium.share / 2, taken, fresh)
        other = _judge(MAGNESIUM.name, tank, magnesium.now_mmol_l, change)
    alone = calcium.enough
    if other is not None and alone is not None:
        alone = alone and bool(other.enough)
    cause, most = None, largest_share(tank)
    if most > 0:
        in_a_month = {
            part: float(np.median(calcium_change(np.full_like(share, part))[MONTH_ENDS[1] - 1]))
            for part in (0.0, most / 2, most)
        }
        cause = _cause(calcium, share, in_a_month, posterior)
    return Outlook(calcium, other, routine, alone, _answer(alone, calcium, other), cause)


@dataclass(frozen=True)
class _Held:
    """Half a year in which alkalinity is held.

    Attributes:
        alkalinity_meq_l: (s,) where it is held.
        calcified, lost: (days, s) and (s,) uptake by calcification and to nitrate, meq/L/day.
        renewed: (days, s) part of the water renewed.
        new: (s,) levels of the new water, by parameter.
    """

    alkalinity_meq_l: np.ndarray
    calcified: np.ndarray
    lost: np.ndarray
    renewed: np.ndarray
    new: Mapping[str, np.ndarray]

    def change(
        self, start: np.ndarray, given: np.ndarray, taken: np.ndarray, fresh: np.ndarray
    ) -> np.ndarray:
        """Change from `start` (days, s) of what is given and taken in these parts of alkalinity."""
        rate = given * (self.calcified + self.lost) - taken * self.calcified
        z = start - given * self.alkalinity_meq_l
        z_new = fresh - given * self.new[ALKALINITY.name]
        return held_path(z, rate, self.renewed, z_new) - z


def _held(
    posterior: Posterior, tank: Tank, routine: WaterRoutine | None, rng: np.random.Generator
) -> _Held:
    """Uptake drifts on as in the model; the new water's levels are as sure as they were stated."""
    draws = len(posterior.volume_l)
    days = 7 * HORIZON_WEEKS
    nitrate = posterior.nitrate_loss_meq_l_d
    lost = np.zeros(draws) if nitrate is None else nitrate
    steps = rng.standard_normal((days, draws)) * (posterior.uptake_scale * posterior.drift)
    return _Held(
        alkalinity_meq_l=posterior.alkalinity_now_meq_l,
        calcified=posterior.uptake_now_meq_l_d - lost + np.cumsum(steps, axis=0),
        lost=lost,
        renewed=_renewed(routine, posterior.volume_l, days),
        new={
            name: stated[0] + stated[1] * rng.standard_normal(draws)
            for name, stated in _new_water(tank, routine).items()
        },
    )


def _cause(
    calcium: ElementOutlook,
    share: np.ndarray,
    in_a_month: Mapping[float, float],
    posterior: Posterior,
) -> Remark | None:
    """What the media's magnesium does to calcium.

    Args:
        calcium: its outlook.
        share: (s,) of magnesium in what dissolves.
        in_a_month: median change of calcium, mmol/L, by share; the first is 0, and in between it is
            a straight line.
        posterior: for the effluent, whose test tells the share.
    """
    none, half, most = in_a_month
    slope = (in_a_month[most] - in_a_month[none]) / most
    low, middle, high = (float(x) for x in np.quantile(share, [0.05, 0.5, 0.95]))
    slightest = TELLING * (calcium.band.high - calcium.band.low)
    at_low, drift, at_high = (in_a_month[none] + slope * part for part in (low, middle, high))
    decides = at_low > 0 > at_high and at_low - at_high > slightest
    causes = drift < 0 and slope * middle < min(0.5 * drift, -slightest)
    if not (decides or causes):
        return None
    increment = float(np.median(posterior.effluent_meq_l)) - posterior.middle_meq_l
    return Remark(
        "outlook_magnesium_decides" if decides else "outlook_magnesium_causes",
        {
            "unit": calcium.band.unit,
            "none_mmol_l": in_a_month[none],
            "half_mmol_l": in_a_month[half],
            "most_mmol_l": in_a_month[most],
            "half_share": half,
            "most_share": most,
            "low_share": low,
            "high_share": high,
            "effluent_mmol_l": 0.5 * most * max(increment, 0.0),
        },
    )


def held_path(
    start: np.ndarray, rate: np.ndarray, renewed: np.ndarray, new: np.ndarray
) -> np.ndarray:
    """Z at the end of each day (days, s): a day's rate, then the day's water change if any.

    Args:
        start: (s,).
        rate: (days, s) per day.
        renewed: (days, s) part of the water renewed at the end of each day.
        new: (s,) Z of the new water.
    """
    level = start
    levels = np.empty_like(rate)
    for day in range(len(rate)):
        level = level + rate[day]
        level = level + renewed[day] * (new - level)
        levels[day] = level
    return levels


def _renewed(routine: WaterRoutine | None, volume_l: np.ndarray, days: int) -> np.ndarray:
    """(days, s) part of the water renewed on each day to come."""
    renewed = np.zeros((days, len(volume_l)))
    if routine is not None:
        times = np.arange(routine.next_d, days, routine.interval_d)
        renewed[times.astype(int)] = np.minimum(routine.litres / volume_l, 1.0)
    return renewed


def _new_water(tank: Tank, routine: WaterRoutine | None) -> dict[str, tuple[float, float]]:
    """(mean, sd) of the new water's levels, as stated or as usual."""
    stated = tank.waters[routine.of].levels if routine else {}
    sd = {ALKALINITY.name: WATER_ALKALINITY_SD, CALCIUM.name: WATER_CALCIUM_SD}
    usual = {
        ALKALINITY.name: UNSTATED_WATER_ALKALINITY,
        CALCIUM.name: UNSTATED_WATER_CALCIUM,
        MAGNESIUM.name: UNSTATED_WATER_MAGNESIUM,
    }
    return {
        name: (stated[name], sd[name]) if name in stated and name in sd else normal
        for name, normal in usual.items()
    }


def _judge(name: str, tank: Tank, now: np.ndarray | None, change: np.ndarray) -> ElementOutlook:
    """Chances of leaving the band from changes (days, s) of a level."""
    band = tank.targets.get(name)
    by_month = {month: change[day - 1] for month, day in MONTH_ENDS.items()}
    stated = band is not None
    band = band or USUAL_BANDS[name]
    out_by = by_week = leave = weeks = enough = None
    if now is not None:
        levels = np.concatenate([now[None], now + change])
        out = (levels < band.low) | (levels > band.high)
        leave = np.where(out.any(axis=0), out.argmax(axis=0).astype(float), np.inf)
        by_week = np.array([np.mean(leave <= 7 * week) for week in range(HORIZON_WEEKS + 1)])
        out_by = {month: float(np.mean(leave <= day)) for month, day in MONTH_ENDS.items()}
        # A level that is out already, perhaps by the kit's error, is another matter than leaving.
        inside = 1.0 - by_week[0]
        risky = np.flatnonzero(by_week - by_week[0] >= UNSEEN_CHANCE * inside)
        weeks = max(int(risky[0]) - 1, 0) if len(risky) else HORIZON_WEEKS
        enough = weeks == HORIZON_WEEKS and bool(inside >= 0.5)
    return ElementOutlook(
        parameter=name,
        band=band,
        band_stated=stated,
        tested=now is not None,
        now=now,
        change=by_month,
        out_by=out_by,
        out_by_week=by_week,
        leave_day=leave,
        test_weeks=weeks,
        enough=enough,
        answer=_element_answer(name, band, by_month[1], by_week, weeks),
    )


def _element_answer(
    name: str, band: Target, month: np.ndarray, by_week: np.ndarray | None, weeks: int | None
) -> Remark:
    """The outlook of one element from its change in a month and its chances of being out."""
    low, middle, high = (float(x) for x in np.quantile(month, [0.05, 0.5, 0.95]))
    told: dict[str, Any] = {"parameter": name, "unit": band.unit}
    told |= {"q05_mmol_l": low, "q50_mmol_l": middle, "q95_mmol_l": high}
    if by_week is None:
        return Remark("outlook_never_tested", told)
    out_now = float(by_week[0])
    told |= {"out_now": out_now, "test_weeks": weeks, "perhaps_out_now": out_now >= UNSEEN_CHANCE}
    if out_now >= 0.5:
        return Remark("outlook_out_now", told)
    return Remark("outlook_stays" if weeks == HORIZON_WEEKS else "outlook_leaves", told)


def _answer(
    alone: bool | None, calcium: ElementOutlook, magnesium: ElementOutlook | None
) -> Remark:
    """Is alkalinity alone enough?"""
    if alone is None:
        return Remark("outlook_alone_unknown")
    read = {"magnesium_read": magnesium is not None}
    if alone:
        return Remark("outlook_alone_enough", read)
    moving = [e.parameter for e in (calcium, magnesium) if e is not None and not e.enough]
    return Remark("outlook_alone_not_enough", {**read, "moving": moving})
