"""What was set and what was added, as functions of time.

Times are days after the local midnight before the log's first entry.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np

from estimator import units
from estimator.inputs.parameters import PH
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.water import chamber_table
from estimator.water.chamber_ph import Departure, departure_of

ROUTINE_DOSES = 3
"""One-time doses of one solution that make a routine (common practice, no source)."""
ROUTINE_DAYS = 14
"""How far back a routine is looked for."""


def origin_of(log: TankLog) -> datetime:
    """Local midnight before the first entry."""
    return datetime.combine(log.start.date(), datetime.min.time())


def day_of(time: datetime, origin: datetime) -> float:
    """Days after the origin."""
    return (time - origin) / timedelta(days=1)


def actions_of(log: TankLog, kind: str) -> list[Action]:
    """The log's actions of one kind, in time order."""
    return [action for action in log.actions if action.kind == kind]


@dataclass(frozen=True)
class Line:
    """A quantity that keeps its value from each change on."""

    times: np.ndarray
    values: np.ndarray

    def at(self, time_d: float) -> float:
        """Value just after `time_d`."""
        return float(self.values[int(np.searchsorted(self.times, time_d, side="right")) - 1])

    @property
    def last(self) -> float:
        """Value after the last change."""
        return float(self.values[-1])

    def integral(self, start_d: float, end_d: float) -> float:
        """Value times days between two times."""
        inside = self.times[(self.times > start_d) & (self.times < end_d)]
        edges = np.concatenate([[start_d], inside, [end_d]])
        held = [self.at(edge) for edge in edges[:-1]]
        return float(np.diff(edges) @ held)


def line(start: float, changes: Iterable[tuple[float, float]]) -> Line:
    """A `Line` from its first value and (time, value) changes in time order."""
    changes = list(changes)
    times = [-np.inf, *(time for time, _ in changes)]
    values = [start, *(value for _, value in changes)]
    return Line(np.array(times), np.array(values))


@dataclass(frozen=True)
class HandDosing:
    """A routine of one-time doses that goes on at the end of the log.

    Attributes:
        solution: its name.
        alkalinity_meq, calcium_mmol: in one dose, the mean of the routine.
        interval_d: usual days between doses.
        age_d: days since the last dose, at the last entry.
    """

    solution: str
    alkalinity_meq: float
    calcium_mmol: float
    interval_d: float
    age_d: float

    @property
    def part_of_dose_above_mean(self) -> float:
        """How far the level stands above its mean over an interval, in doses.

        Just after a dose half of it, just before the next minus half.
        """
        return 0.5 - min(self.age_d / self.interval_d, 1.0)


@dataclass(frozen=True)
class Settings:
    """Pump, chamber and doses over time.

    Attributes:
        flow_l_d: effluent flow.
        chamber_ph: setting of the controller, NBS; `chamber_ph_known` is False where nothing in
            tank file or log states it.
        ph_departure: from it, as the readings show, see `chamber_ph.departure_of`.
        dose_times_d, dose_alkalinity_meq, dose_calcium_mmol: (k,) one-time doses.
        alkalinity_rate_meq_d, calcium_rate_mmol_d: lasting dose rates.
        hand_dosing: routines of one-time doses that go on.
    """

    flow_l_d: Line
    chamber_ph: Line
    chamber_ph_known: bool
    ph_departure: Departure
    dose_times_d: np.ndarray
    dose_alkalinity_meq: np.ndarray
    dose_calcium_mmol: np.ndarray
    alkalinity_rate_meq_d: Line
    calcium_rate_mmol_d: Line
    hand_dosing: tuple[HandDosing, ...]

    @property
    def last_run_flow_l_d(self) -> float | None:
        """The last flow that was not zero; None where the reactor never ran."""
        running = self.flow_l_d.values[self.flow_l_d.values > 0]
        return float(running[-1]) if len(running) else None

    def log_ph_ratio(self, time_d: float) -> float:
        """Log of the saturated increment at the chamber's pH of a time over that at its last
        setting."""
        setting, last = self.chamber_ph.at(time_d), self.chamber_ph.last
        return self.departure_log_ratio(time_d) + _log_saturated(setting) - _log_saturated(last)

    def departure_log_ratio(self, time_d: float) -> float:
        """Log of the saturated increment at the chamber's pH over that at its setting then."""
        setting = self.chamber_ph.at(time_d)
        off = _log_saturated(setting + self.ph_departure.at(time_d))
        return off - _log_saturated(setting)

    @property
    def first_run_d(self) -> float:
        """When the reactor first ran; infinite where it never did."""
        return float(min(self.flow_l_d.times[self.flow_l_d.values > 0], default=np.inf))

    @property
    def hand_dosing_above_mean(self) -> tuple[float, float]:
        """meq of alkalinity and mmol of calcium by which hand dosing stands above its mean now."""
        above = [(routine, routine.part_of_dose_above_mean) for routine in self.hand_dosing]
        return (
            sum(routine.alkalinity_meq * part for routine, part in above),
            sum(routine.calcium_mmol * part for routine, part in above),
        )

    @property
    def dosed_now_meq_d(self) -> float:
        """Alkalinity being dosed at the end of the log: lasting rates and routines by hand."""
        by_hand = sum(routine.alkalinity_meq / routine.interval_d for routine in self.hand_dosing)
        return self.alkalinity_rate_meq_d.last + by_hand


@lru_cache(maxsize=1024)  # each step of a log asks, of a few settings
def _log_saturated(chamber_ph: float) -> float:
    return float(np.log(chamber_table.saturated_increment_meq_l(chamber_ph)))


def settings_of(log: TankLog, tank: Tank) -> Settings:
    """Read all settings and doses off a log."""
    origin = origin_of(log)

    def timed(kind: str) -> list[tuple[float, Action]]:
        return [(day_of(action.time, origin), action) for action in actions_of(log, kind)]

    single = timed("dose")
    contents = [tank.solutions[action.of] for _, action in single]
    amounts = np.array([action.value or 0.0 for _, action in single])
    alkalinity, calcium = _dose_rates(timed("dose_rate"), tank)
    start_ph, known = _start_ph(log, tank)
    chamber_ph = line(start_ph, [(t, a.value or start_ph) for t, a in timed("ph_setting")])
    ph_read = [(day_of(r.time, origin), r.value) for r in _chamber_ph_readings(log)]
    return Settings(
        flow_l_d=line(
            0.0,
            [(t, (a.value or 0.0) * units.HOURS_PER_DAY / 1000) for t, a in timed("flow")],
        ),
        chamber_ph=chamber_ph,
        ph_departure=departure_of(ph_read, chamber_ph.at),
        chamber_ph_known=known or bool(actions_of(log, "ph_setting")),
        dose_times_d=np.array([t for t, _ in single]),
        dose_alkalinity_meq=amounts * [s.alkalinity_meq_per_ml for s in contents],
        dose_calcium_mmol=amounts * [s.calcium_mmol_per_ml for s in contents],
        alkalinity_rate_meq_d=alkalinity,
        calcium_rate_mmol_d=calcium,
        hand_dosing=_hand_dosing(single, tank, day_of(log.end, origin)),
    )


def _start_ph(log: TankLog, tank: Tank) -> tuple[float, bool]:
    """Chamber pH before any `ph_setting`: stated, else read by a probe, else usual."""
    if tank.reactor is not None and tank.reactor.chamber_ph is not None:
        return tank.reactor.chamber_ph, True
    read = [reading.value for reading in _chamber_ph_readings(log)]
    if read:
        return float(np.median(read)), True
    return chamber_table.USUAL_CHAMBER_PH, False


def _chamber_ph_readings(log: TankLog) -> list[Reading]:
    return [r for r in log.readings if (r.parameter, r.sample) == (PH.name, "chamber")]


def _dose_rates(changes: Sequence[tuple[float, Action]], tank: Tank) -> tuple[Line, Line]:
    """Alkalinity (meq/day) and calcium (mmol/day) of all lasting rates together."""
    rates: dict[str, float] = {}
    alkalinity, calcium = [], []
    for time, action in changes:
        rates[action.of] = action.value or 0.0
        alkalinity.append((time, _total(rates, tank, "alkalinity_meq_per_ml")))
        calcium.append((time, _total(rates, tank, "calcium_mmol_per_ml")))
    return line(0.0, alkalinity), line(0.0, calcium)


def _total(rates: Mapping[str, float], tank: Tank, strength: str) -> float:
    return sum(getattr(tank.solutions[name], strength) * rate for name, rate in rates.items())


def stopped_routines(log: TankLog, tank: Tank) -> tuple[int, ...]:
    """Days, from the log's first, after which a routine of alkalinity by hand has no entry more.

    At least `ROUTINE_DOSES` within `ROUTINE_DAYS`, and then none for three usual intervals or more:
    it was given up, or is not written down.
    """
    origin = origin_of(log)
    end_d = day_of(log.end, origin)
    found = []
    for name, solution in tank.solutions.items():
        times = np.array(
            [day_of(a.time, origin) for a in actions_of(log, "dose") if a.of == name] + [end_d]
        )
        if solution.alkalinity_meq_per_ml <= 0:
            continue
        for i in range(ROUTINE_DOSES - 1, len(times) - 1):
            before = times[: i + 1][times[: i + 1] > times[i] - ROUTINE_DAYS]
            if len(before) < ROUTINE_DOSES:
                continue
            usual = max(float(np.median(np.diff(before))), 0.5)
            if times[i + 1] - times[i] > 3 * usual:
                found.append(int(times[i]))
    return tuple(sorted(set(found)))


def _hand_dosing(
    doses: Sequence[tuple[float, Action]], tank: Tank, end_d: float
) -> tuple[HandDosing, ...]:
    """Solutions dosed at least three times of late whose last dose is not overdue by an interval.

    A single dose is a correction, and a routine that has stopped is none.
    """
    routines = []
    for name, solution in tank.solutions.items():
        recent = [
            (t, a.value or 0.0) for t, a in doses if a.of == name and t > end_d - ROUTINE_DAYS
        ]
        if len(recent) < ROUTINE_DOSES:
            continue
        times = np.array([t for t, _ in recent])
        interval = max(float(np.median(np.diff(times))), 1 / 24)
        age = float(end_d - times[-1])
        if age < 2 * interval:
            ml = float(np.mean([amount for _, amount in recent]))
            routines.append(
                HandDosing(
                    solution=name,
                    alkalinity_meq=solution.alkalinity_meq_per_ml * ml,
                    calcium_mmol=solution.calcium_mmol_per_ml * ml,
                    interval_d=interval,
                    age_d=age,
                )
            )
    return tuple(routines)
