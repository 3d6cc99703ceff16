"""Synthetic logs of known truth, for recovery tests and the demo.

The tank is integrated by a fourth-order Runge-Kutta scheme straight from the differential
equations in `mass_balance`, sharing none of its algebra, so that the two check each other. Readings
then pass through the kit: calibration of the bottle, repeatability, rounding to the kit's step.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
from numba import njit

from estimator import units
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.water import chamber_table
from estimator.water.light import lit_fraction
from estimator.water.supply import media_calcium_share

STEP_D = 1.0 / 96.0
"""Longest integration step: a quarter of an hour."""


@dataclass(frozen=True)
class Truth:
    """True values behind a log, canonical units.

    Attributes:
        volume_l: water volume.
        light_ratio: mean lit over dark rate of uptake.
        uptake_meq_l_d: (days,) daily mean uptake by calcification from the log's first local day.
        calcium_share: mol of calcium per equivalent taken up.
        increment_meq_l: (days,) increment of the effluent over the middle of the band, at the
            reference flow and the last chamber pH.
        exponent: ε of the flow response.
        reference_flow_ml_h: flow at which `increment_meq_l` holds.
        start: tank levels at midnight before the first entry, by parameter.
        nitrate_rate_mmol_l_d: net production of nitrate.
        waters: true levels of each new salt water, by parameter.
        kit_calibration: by (kit, bottle number from 0).
        kit_repeatability: sd, by kit, canonical units.
        misread: added to the reading of a row, canonical units.
        square_light: uptake follows lights on and off as steps, not as a half-sine.
    """

    volume_l: float
    light_ratio: float
    uptake_meq_l_d: np.ndarray
    calcium_share: float
    increment_meq_l: np.ndarray
    exponent: float
    reference_flow_ml_h: float
    start: Mapping[str, float]
    nitrate_rate_mmol_l_d: float = 0.0
    waters: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    kit_calibration: Mapping[tuple[str, int], float] = field(default_factory=dict)
    kit_repeatability: Mapping[str, float] = field(default_factory=dict)
    misread: Mapping[int, float] = field(default_factory=dict)
    square_light: bool = False


@dataclass(frozen=True)
class Levels:
    """True tank and effluent levels at some instants (n,), canonical units."""

    time_d: np.ndarray
    alkalinity_meq_l: np.ndarray
    calcium_mmol_l: np.ndarray
    nitrate_mmol_l: np.ndarray
    effluent_alkalinity_meq_l: np.ndarray
    effluent_calcium_mmol_l: np.ndarray


@njit(cache=True)
def _light(time_d, on_d, lit, ratio, square):  # type: ignore[no-untyped-def]
    dark = 1.0 / (1.0 + lit * (ratio - 1.0))
    since = (time_d - on_d) % 1.0
    if since >= lit:
        return dark
    if square:
        return dark * ratio
    return dark * (1.0 + (ratio - 1.0) * 0.5 * np.pi * np.sin(np.pi * since / lit))


@njit(cache=True)
def _integrate(level, start_d, end_d, uptake, ratio, square, on_d, lit, share, supply, rate):  # type: ignore[no-untyped-def]
    """Advance level = (A, C, N); supply = (rate per day at A = 0, decay, α, dosed A, dosed C)."""
    steps = max(1, int(np.ceil((end_d - start_d) / STEP_D)))
    h = (end_d - start_d) / steps
    slope = np.zeros((4, 3))
    for i in range(steps):
        t = start_d + i * h
        for stage in range(4):
            shift = 0.0 if stage == 0 else (1.0 if stage == 3 else 0.5)
            alkalinity = level[0] + (0.0 if stage == 0 else shift * h * slope[stage - 1, 0])
            # Just inside the span at its ends, so that lights switch between spans.
            at = min(max(t + shift * h, start_d + 1e-9), end_d - 1e-9)
            eaten = uptake * _light(at, on_d, lit, ratio, square)
            dissolved = supply[0] - supply[1] * alkalinity
            slope[stage, 0] = dissolved + supply[3] - eaten - rate
            slope[stage, 1] = supply[2] * dissolved + supply[4] - share * eaten
            slope[stage, 2] = rate
        for a in range(3):
            level[a] += (
                h * (slope[0, a] + 2.0 * slope[1, a] + 2.0 * slope[2, a] + slope[3, a]) / 6.0
            )


class _TrueTank:
    """A tank that obeys a truth: what is in it, and what is set."""

    def __init__(self, tank: Tank, log: TankLog, truth: Truth) -> None:
        self._tank, self._truth = tank, truth
        self._alpha = media_calcium_share(tank)
        self._on_d = tank.lights_on_h / units.HOURS_PER_DAY
        self._lit = lit_fraction(tank)
        settings = sorted(
            (a for a in log.actions if a.kind == "ph_setting"), key=lambda action: action.time
        )
        stated = tank.reactor.chamber_ph if tank.reactor else None
        self._ph = chamber_table.USUAL_CHAMBER_PH if stated is None else stated
        self._last_ph = (settings[-1].value or self._ph) if settings else self._ph
        self._flow_ml_h = 0.0
        self._rates = dict.fromkeys(tank.solutions, 0.0)
        self.level = self._water(truth.start)

    @staticmethod
    def _water(levels: Mapping[str, float]) -> np.ndarray:
        return np.array([levels["alkalinity"], levels["calcium"], levels.get("nitrate", 0.0)])

    def increment(self, at_d: float, alkalinity: float) -> float:
        """Effluent alkalinity less the tank's."""
        truth, flow = self._truth, self._flow_ml_h
        respond = (flow / truth.reference_flow_ml_h) ** -truth.exponent if flow > 0 else 1.0
        strength = truth.increment_meq_l[min(int(at_d), len(truth.increment_meq_l) - 1)]
        strength *= chamber_table.half_saturated_increment_meq_l(self._ph)
        strength /= chamber_table.half_saturated_increment_meq_l(self._last_ph)
        off_middle = alkalinity - self._tank.targets["alkalinity"].middle
        return respond * (strength - (1 - truth.exponent) * off_middle)

    def shown(self, at_d: float) -> tuple[float, ...]:
        """Tank levels, then effluent alkalinity and calcium."""
        above = self.increment(max(at_d - 1e-9, 0.0), self.level[0])
        return (*self.level, self.level[0] + above, self.level[1] + self._alpha * above)

    def advance(self, start_d: float, end_d: float) -> None:
        """Let time pass under the present settings."""
        truth, solutions = self._truth, self._tank.solutions
        turnover = self._flow_ml_h * units.HOURS_PER_DAY / 1000 / truth.volume_l
        at_zero = self.increment(start_d, 0.0)
        dosed = [
            sum(getattr(solutions[name], strength) * ml for name, ml in self._rates.items())
            / truth.volume_l
            for strength in ("alkalinity_meq_per_ml", "calcium_mmol_per_ml")
        ]
        fading = turnover * (at_zero - self.increment(start_d, 1.0))
        _integrate(
            self.level,
            start_d,
            end_d,
            truth.uptake_meq_l_d[min(int(start_d), len(truth.uptake_meq_l_d) - 1)],
            truth.light_ratio,
            truth.square_light,
            self._on_d,
            self._lit,
            truth.calcium_share,
            np.array([turnover * at_zero, fading, self._alpha, *dosed]),
            truth.nitrate_rate_mmol_l_d,
        )

    def act(self, action: Action) -> None:
        """Carry out one entry of the log."""
        value = action.value or 0.0
        if action.kind == "flow":
            self._flow_ml_h = value
        elif action.kind == "ph_setting":
            self._ph = value
        elif action.kind == "dose_rate":
            self._rates[action.of] = value
        elif action.kind == "dose":
            solution = self._tank.solutions[action.of]
            self.level[0] += solution.alkalinity_meq_per_ml * value / self._truth.volume_l
            self.level[1] += solution.calcium_mmol_per_ml * value / self._truth.volume_l
        elif action.kind == "water_change":
            fresh = self._water(self._truth.waters[action.of])
            self.level += value / self._truth.volume_l * (fresh - self.level)


def simulate_levels(tank: Tank, log: TankLog, truth: Truth, times: list[datetime]) -> Levels:
    """True levels at `times`, just before anything done at the same instant.

    Args:
        tank, log: settings and actions; the log's readings play no part.
        truth: true values.
        times: any order, none before the log's first local midnight.
    """
    origin = datetime.combine(log.start.date(), datetime.min.time())

    def day(time: datetime) -> float:
        return (time - origin) / timedelta(days=1)

    pending = deque(sorted(log.actions, key=lambda a: a.time))
    wanted = {day(t) for t in times}
    events = wanted | {day(a.time) for a in pending}
    last = max(events)
    on_d, lit = tank.lights_on_h / units.HOURS_PER_DAY, lit_fraction(tank)
    whole = range(int(np.floor(last)) + 2)
    switches = {d + (on_d + part) % 1.0 for d in whole for part in (0.0, lit)}
    true_tank = _TrueTank(tank, log, truth)
    found: dict[float, tuple[float, ...]] = {}
    before = 0.0
    for edge in sorted(e for e in events | switches | {float(d) for d in whole} if e <= last):
        if edge > before:
            true_tank.advance(before, edge)
            before = edge
        if edge in wanted:
            found[edge] = true_tank.shown(edge)
        while pending and day(pending[0].time) <= edge:
            true_tank.act(pending.popleft())
    columns = np.array([found[day(t)] for t in times]).reshape(len(times), 5).T
    return Levels(np.array([day(t) for t in times]), *columns)


def round_to_step(value: float, step: float) -> float:
    """What a kit of this step shows."""
    return float(np.round(value / step) * step)


def read_with_kit(
    reading: Reading, level: float, bottle: int, tank: Tank, truth: Truth, rng: np.random.Generator
) -> float:
    """The kit's figure for a true level, canonical units, never negative."""
    kit = tank.kits[reading.kit]
    calibration = truth.kit_calibration.get((kit.name, bottle), 1.0)
    error = rng.normal(0.0, truth.kit_repeatability.get(kit.name, 0.0))
    shown = calibration * level + error + truth.misread.get(reading.row, 0.0)
    return max(round_to_step(shown, kit.step), 0.0)


def simulate_log(tank: Tank, log: TankLog, truth: Truth, rng: np.random.Generator) -> TankLog:
    """The same log with every reading's value drawn from the truth.

    Readings of alkalinity, calcium and nitrate are replaced; others keep their value.
    """
    levels = simulate_levels(tank, log, truth, [r.time for r in log.readings])
    opened = [a for a in log.actions if a.kind == "new_bottle"]
    columns = {
        ("tank", "alkalinity"): levels.alkalinity_meq_l,
        ("tank", "calcium"): levels.calcium_mmol_l,
        ("tank", "nitrate"): levels.nitrate_mmol_l,
        ("effluent", "alkalinity"): levels.effluent_alkalinity_meq_l,
        ("effluent", "calcium"): levels.effluent_calcium_mmol_l,
    }

    def value(m: int, reading: Reading) -> float:
        key = (reading.sample, reading.parameter)
        if key in columns:
            level = float(columns[key][m])
        elif reading.sample == "water":
            level = truth.waters[reading.of][reading.parameter]
        elif reading.sample == "reference":
            level = tank.references[reading.of].levels[reading.parameter]
        else:
            return reading.value
        bottle = sum(a.of == reading.kit and a.time <= reading.time for a in opened)
        return read_with_kit(reading, level, bottle, tank, truth, rng)

    readings = tuple(replace(r, value=value(m, r)) for m, r in enumerate(log.readings))
    return replace(log, readings=readings)
