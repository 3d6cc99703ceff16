"""What stands before any setting: causes that must be looked at before the pump is touched.

A setting that follows the readings is wrong where the readings follow a fault: a pump that is
raised because the gas runs out empties the cylinder the sooner. So each fault that is likelier than
not, or that would do harm if the advice were followed meanwhile, is told with what to look at first
and what to test today. It goes once that test speaks against it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from estimator.advice.asked_tests import AskedTest, Bench
from estimator.advice.chamber_ph import chamber_shift
from estimator.advice.fit_failure import lacking
from estimator.advice.flow import Recommendation
from estimator.advice.gravity import GRAVITY
from estimator.fit.doubts import Doubt, Doubts
from estimator.fit.posterior import Posterior
from estimator.fit.watch import Change, Watch
from estimator.inputs.parameters import ALKALINITY, CALCIUM, PH, SALINITY
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.remark import Remark
from estimator.unknowns import Unknown
from estimator.water.settings import actions_of, day_of, origin_of, settings_of

STANDS = 0.5
"""Chance from which an alarm stands."""
HARMS = 0.3
"""The same where following the advice meanwhile could harm (no source)."""
ALIKE = 0.2
"""The same for additions where a change of uptake explains as much: the log alone cannot tell one
from the other, and whoever wrote it can (no source)."""
SALINITY_LIMIT = 0.05
"""Largest departure of salinity from the stated one, relative: alkalinity and calcium move by the
same factor (common practice, no source)."""
SALINITY_SD_G_KG = 0.5
"""Of a home instrument's reading (common practice, no source)."""
SALINITY_SINCE_DAYS = 3
"""Salinity readings this near to the last one count with it."""
LONG_AGO_DAYS = 7
"""A log that ended longer ago says little of today (common practice, no source)."""
SAME_FLOW = 0.1
"""Effluent readings at flows this near, relative, compare."""
_ABOUT = {"effluent_fade": "effluent", "one_addition": "additions"}
"""Kinds of change that are another's alarm: together they share its probability."""
_UNITS = {
    "uptake": "meq/L/day",
    "effluent": "share",
    "effluent_fade": "share",
    "kit": "share",
    "one_addition": "meq/L",
    "strength": "times",
    "volume": "share",
}


@dataclass(frozen=True)
class Alarm:
    """One thing to be looked at before any setting is changed.

    Attributes:
        about: one of `GRAVITY`.
        of: which parameter, kit or solution; "" where there is only one.
        chance: that it is so.
        since: from when, as the readings have it; None where that cannot be said.
        size: (s,) how large, if so; None where there is none. In `unit`: "meq/L", "meq/L/day" and
            "mmol/L/day" are converted for the keeper, "share" is of what was, the others stay.
        unit: of the size; "" without one.
        causes: what it is and what usually lies behind it; its code tells kind and direction.
        check_first: what to look at before any setting is changed.
        tests: that it asks for today.
    """

    about: str
    of: str
    chance: float
    since: date | None
    size: np.ndarray | None
    unit: str
    causes: Remark
    check_first: Remark
    tests: tuple[AskedTest, ...]

    @property
    def code(self) -> str:
        """Kind and direction, such as "alarm_effluent_down"."""
        return self.causes.code


def weaker_effluent(alarms: Sequence[Alarm]) -> Alarm | None:
    """The alarm of an effluent that weakens; None where there is none."""
    weak = ("alarm_effluent_down", "alarm_effluent_fade_down")
    return next((alarm for alarm in alarms if alarm.code in weak), None)


def alarms_of(
    log: TankLog,
    tank: Tank,
    posterior: Posterior,
    recommendation: Recommendation,
    watch: Watch | None = None,
    doubts: Doubts | None = None,
    today: date | None = None,
) -> tuple[Alarm, ...]:
    """All that stands before any setting, worst first; () where all is quiet.

    Args:
        log, tank: the inputs.
        posterior: for the checks of the fit.
        recommendation: what would be done meanwhile.
        watch: what may have changed lately; None where the fit failed.
        doubts: what in the log cannot be right.
        today: day of the report; None: the log's age is not looked at.
    """
    bench = Bench(log, tank)
    raises = _raises(recommendation)
    doubts = doubts or Doubts()
    found = [
        *(_of_changes(watch, bench, raises=raises) if watch is not None else ()),
        *_of_doubts(doubts, bench),
        *_of_chamber(bench),
        *_of_salinity(bench),
        *_of_age(bench, today),
        *_of_fit(posterior, bench),
    ]
    likeliest: dict[tuple[str, str], Alarm] = {}
    for alarm in sorted(found, key=lambda alarm: -alarm.chance):
        likeliest.setdefault((alarm.about, alarm.of), alarm)
    return tuple(
        sorted(likeliest.values(), key=lambda alarm: (GRAVITY.index(alarm.about), -alarm.chance))
    )


def _raises(recommendation: Recommendation) -> bool:
    """Whether the advice is to raise the flow, or may be taken so."""
    flow = recommendation.flow
    if not flow.current_ml_h:
        return False
    wanted = np.median(flow.needed_ml_h) if flow.setting is None else flow.setting.set_to_ml_h
    return bool(wanted > flow.current_ml_h)


def _alarm(
    about: str,
    code: str,
    chance: float,
    tests: tuple[AskedTest, ...],
    *,
    of: str = "",
    since: date | None = None,
    size: np.ndarray | None = None,
    unit: str = "",
    values: Mapping[str, Any] | None = None,
) -> Alarm:
    """An alarm whose words stand under its code."""
    told = {"of": of, **(values or {})}
    causes, check = Remark(f"alarm_{code}", told), Remark(f"alarm_{code}_check", told)
    unit = "" if size is None else unit
    return Alarm(about, of, chance, since, size, unit, causes, check, tests)


def _of_changes(watch: Watch, bench: Bench, *, raises: bool) -> Iterator[Alarm]:
    """What changed lately. Kinds that share an alarm add up, told by the likelier."""
    groups: dict[tuple[str, str, str], list[Change]] = {}
    for change in watch.changes:
        about = _ABOUT.get(change.kind, change.kind)
        groups.setdefault((about, change.of, change.direction), []).append(change)
    # A dose that nobody wrote down and a lower uptake look alike.
    alike = {
        way: sum(
            change.chance
            for key in (("additions", ALKALINITY.name, way), ("uptake", "", other))
            for change in groups.get(key, ())
        )
        for way, other in (("up", "down"), ("down", "up"))
    }
    for (about, of, direction), changes in groups.items():
        chance = min(sum(change.chance for change in changes), 1.0)
        harms = raises and (about, direction) == ("effluent", "down")
        least = HARMS if harms else STANDS
        if about == "additions" and alike[direction] >= STANDS:
            least = ALIKE
        first = max(changes, key=lambda change: change.chance)
        since = watch.days[int(np.argmax(first.by_day))]
        if chance < least or _told_otherwise(first, since, bench):
            continue
        unit = _UNITS.get(first.kind, _rate_of(of))
        yield _alarm(
            about,
            f"{first.kind}_{direction}",
            chance,
            bench.for_change(about, of),
            of=of,
            since=since,
            size=draws_through(first.size),
            unit=unit,
        )


def _rate_of(parameter: str) -> str:
    return "mmol/L/day" if parameter == CALCIUM.name else "meq/L/day"


def draws_through(points: tuple[float, float, float]) -> np.ndarray:
    """201 even quantiles of a distribution with these 5, 50 and 95 % points, a half normal each
    side of the middle."""
    low, middle, high = points
    normal = ndtri(np.clip(np.linspace(0.0, 1.0, 201), 0.0025, 0.9975)) / ndtri(0.95)
    return middle + np.where(normal < 0, middle - low, high - middle) * normal


def _told_otherwise(change: Change, since: date, bench: Bench) -> bool:
    """Whether the test that was asked for, logged since, speaks against a change.

    It does where it reads nearer to what it read before than to what the change would make of it.
    """
    if change.kind in ("effluent", "effluent_fade"):
        ratios = list(effluent_ratios(bench.log, bench.tank, since).values())
    elif change.kind == "kit":
        ratios = _reference_ratios(bench, change.of, since)
    else:
        return False
    if not ratios:
        return False
    ratio, halfway = float(np.mean(ratios)), 1.0 + 0.5 * change.size[1]
    return ratio > halfway if change.direction == "down" else ratio < halfway


def effluent_ratios(log: TankLog, tank: Tank, since: date) -> dict[int, float]:
    """By row of the log, effluent readings since a day over the median of those before it.

    Of the increment over the middle of the band, at about the present flow and of the present
    media; empty where none compare.
    """
    settings, origin = settings_of(log, tank), origin_of(log)
    middle = tank.targets[ALKALINITY.name].middle
    now = settings.last_run_flow_l_d
    renewed = max((a.time for a in actions_of(log, "media_change")), default=log.start)
    before: list[float] = []
    after: dict[int, float] = {}
    for reading in log.readings:
        if (reading.parameter, reading.sample) != (ALKALINITY.name, "effluent") or not now:
            continue
        # A reading at the instant of a change is of the setting before it.
        flow = settings.flow_l_d.at(day_of(reading.time, origin) - 1e-6)
        if abs(flow / now - 1.0) > SAME_FLOW or reading.time < renewed:
            continue
        increment = max(reading.value - middle, 1e-3)
        if reading.time.date() < since:
            before.append(increment)
        else:
            after[reading.row] = increment
    return {row: one / float(np.median(before)) for row, one in after.items() if before}


def _reference_ratios(bench: Bench, kit: str, since: date) -> list[float]:
    """Readings of reference solutions with a kit since a day, over what they hold."""
    found = []
    for reading in bench.log.readings:
        if reading.sample == "reference" and reading.kit == kit and reading.time.date() >= since:
            known = bench.tank.references[reading.of].levels.get(reading.parameter)
            if known:
                found.append(reading.value / known)
    return found


def _of_doubts(doubts: Doubts, bench: Bench) -> Iterator[Alarm]:
    """What in the log cannot be right; where figures are withheld, at least the likeliest of it."""
    harmful = {"strength"}
    stand = [d for d in doubts.found if d.chance >= (HARMS if d.about in harmful else STANDS)]
    if doubts.spoiled and not stand and doubts.found:
        stand = [max(doubts.found, key=lambda doubt: doubt.chance)]
    for doubt in stand:
        of = str(doubt.values.get("of", ""))
        yield _alarm(
            doubt.about,
            doubt.code,
            doubt.chance,
            bench.for_change(doubt.about, of),
            of=of,
            since=doubt.since,
            size=doubt.size,
            unit=_doubt_unit(doubt, of),
            values=doubt.values,
        )


def _doubt_unit(doubt: Doubt, of: str) -> str:
    if doubt.about == "kit":
        return "times"
    return _UNITS.get(doubt.about, _rate_of(of))


def _of_chamber(bench: Bench) -> Iterator[Alarm]:
    """Chamber pH that leaves its setting. More gas than there should be is the more dangerous."""
    shift = chamber_shift(bench.log, bench.tank)
    if shift is None or shift.chance < (HARMS if shift.direction == "down" else STANDS):
        return
    tests = (bench.test(PH.name, "chamber", 2), bench.test(ALKALINITY.name, "effluent", 1))
    yield _alarm(
        "chamber ph",
        f"chamber_ph_{shift.direction}",
        shift.chance,
        tests,
        since=shift.since,
        size=shift.size,
        unit="pH",
    )


def _of_salinity(bench: Bench) -> Iterator[Alarm]:
    """Salinity of the tank far from the stated one, by the last readings."""
    stated = bench.tank.salinity_g_kg
    read = [r for r in bench.log.readings if (r.parameter, r.sample) == (SALINITY.name, "tank")]
    if not read:
        return
    recent = [r.value for r in read if (read[-1].time - r.time).days < SALINITY_SINCE_DAYS]
    off = float(np.mean(recent)) - stated
    limit = SALINITY_LIMIT * stated
    sides = {
        "up": float(ndtr((off - limit) / SALINITY_SD_G_KG)),
        "down": float(ndtr((-off - limit) / SALINITY_SD_G_KG)),
    }
    direction = max(sides, key=lambda side: sides[side])
    if sides[direction] < STANDS:
        return
    yield _alarm(
        "salinity",
        f"salinity_{direction}",
        sides[direction],
        (bench.test(SALINITY.name, "tank", 2),),
        since=_out_since(read, stated, limit),
        size=draws_through((off - 1.645 * SALINITY_SD_G_KG, off, off + 1.645 * SALINITY_SD_G_KG)),
        unit="g/kg",
        values={"stated_g_kg": stated},
    )


def _out_since(read: Sequence[Reading], stated: float, limit: float) -> date:
    """Day of the first of the last readings that are all off by more than a limit."""
    first = read[-1]
    for reading in reversed(read):
        if abs(reading.value - stated) <= limit:
            break
        first = reading
    return first.time.date()


def _of_age(bench: Bench, today: date | None) -> Iterator[Alarm]:
    """A log that ended long before the day of the report."""
    ended = bench.log.end.date()
    days = 0 if today is None else (today - ended).days
    if days <= LONG_AGO_DAYS:
        return
    tests = bench.tank_test(ALKALINITY.name, 1)
    if settings_of(bench.log, bench.tank).last_run_flow_l_d is not None:
        tests += (bench.test(ALKALINITY.name, "effluent", 1),)
    size = np.full(2, float(days))
    yield _alarm("log age", "log_age", 1.0, tests, since=ended, size=size, unit="days")


def _of_fit(posterior: Posterior, bench: Bench) -> Iterator[Alarm]:
    """A fit that missed its checks, with the test for what it lacks."""
    if not posterior.diagnostics.failures:
        return
    source = lacking(posterior.diagnostics)
    tests = {
        Unknown.EFFLUENT: bench.effluent()[:1],
        Unknown.KIT: bench.calibration(None),
        Unknown.CALCIUM: bench.tank_test(CALCIUM.name),
        Unknown.VOLUME: (),
    }.get(source, bench.tank_test(ALKALINITY.name))
    told = {"failures": posterior.diagnostics.failures, "source": source}
    yield _alarm("fit", "fit", 1.0, tests, values=told)
