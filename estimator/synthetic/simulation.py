"""Synthetic logs of known truth, for recovery tests and the demo.

The tank is integrated by a fourth-order Runge-Kutta scheme straight from the differential
equations in `mass_balance`, sharing none of its algebra, so that the two check each other. Readings
then pass through the kit: calibration of the bottle, an error that drifts, repeatability, rounding
to the kit's step. What a keeper left out of the log or states wrongly can be part of the truth.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
from scipy import optimize

from estimator import units
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.kernels import kernel, part
from estimator.water import chamber_table
from estimator.water.light import lit_fraction

STEP_D = 1.0 / 96.0
"""Longest integration step: a quarter of an hour."""
PROBE_NOISE, PROBE_DIGITS = 0.02, 2
"""Scatter of a chamber's pH probe, and the digits it shows (common practice, no source)."""
SALINITY_NOISE_G_KG, SALINITY_DIGITS = 0.3, 1
"""The same of salinity readings (common practice, no source)."""


@dataclass(frozen=True)
class Truth:
    """True values behind a log, canonical units.

    Attributes:
        volume_l: water volume.
        light_ratio: mean lit over dark rate of uptake.
        uptake_meq_l_d: (days,) daily mean uptake by calcification from the log's first local day.
        calcium_share: mol of calcium per equivalent taken up.
        saturated_increment_meq_l: X_sat, increment of saturated effluent over tank water at the
            middle of the band, at the chamber pH that stands at the log's end by its settings.
        effluent_strength: (days,) factor on that increment.
        half_flow_ml_h: F0, the flow at which one chamber gives half of it.
        start: tank levels at midnight before the first entry, by parameter.
        ph_response: β, power with which the increment follows the chamber table.
        chamber_ph: (days,) NBS, where the chamber departs from its setting; None: it never does.
        probe_offset: of the chamber's probe, lasting.
        uptake_per_meq_l: η, relative change of uptake per meq/L over the middle of the band.
        media_magnesium_share: part of what dissolves that is magnesium, by equivalents.
        nitrate_rate_mmol_l_d: net production of nitrate.
        salinity_g_kg: (days,) true salinity; None: as stated.
        strength_factor: true over stated strength, by solution.
        unlogged: what was done and not written down.
        waters: true levels of each new salt water, by parameter.
        kit_calibration: by (kit, bottle number from 0).
        kit_repeatability: sd, by kit, canonical units.
        drifting: by kit, an Ornstein-Uhlenbeck error: (sd, canonical; correlation time, days).
        misread: added to the reading of a row, canonical units.
        square_light: uptake follows lights on and off as steps, not as a half-sine.
    """

    volume_l: float
    light_ratio: float
    uptake_meq_l_d: np.ndarray
    calcium_share: float
    saturated_increment_meq_l: float
    effluent_strength: np.ndarray
    half_flow_ml_h: float
    start: Mapping[str, float]
    ph_response: float = 1.0
    chamber_ph: np.ndarray | None = None
    probe_offset: float = 0.0
    uptake_per_meq_l: float = 0.0
    media_magnesium_share: float = 0.0
    nitrate_rate_mmol_l_d: float = 0.0
    salinity_g_kg: np.ndarray | None = None
    strength_factor: Mapping[str, float] = field(default_factory=dict)
    unlogged: tuple[Action, ...] = ()
    waters: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    kit_calibration: Mapping[tuple[str, int], float] = field(default_factory=dict)
    kit_repeatability: Mapping[str, float] = field(default_factory=dict)
    drifting: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    misread: Mapping[int, float] = field(default_factory=dict)
    square_light: bool = False


@dataclass(frozen=True)
class Levels:
    """True tank and effluent levels at some instants (n,), canonical units, at the stated salinity;
    and the true chamber pH, NBS."""

    time_d: np.ndarray
    alkalinity_meq_l: np.ndarray
    calcium_mmol_l: np.ndarray
    nitrate_mmol_l: np.ndarray
    effluent_alkalinity_meq_l: np.ndarray
    effluent_calcium_mmol_l: np.ndarray
    chamber_ph: np.ndarray


def on_day(values: np.ndarray, at_d: float) -> float:
    """The value of a day, of the last one from then on."""
    return float(values[min(int(at_d), len(values) - 1)])


def filled_part(flow_over_half: float, chambers: int) -> float:
    """r: which part of the saturated increment the effluent has at F/F0.

    One chamber: first-order dissolution in a stirred chamber, F·X = F0·(X_sat − X), so
    1/(1 + F/F0). In a second one without CO2 the same water nears its own equilibrium, which was
    computed closed to Ω = 1 with PyCO2SYS 1.8.3.4: 0.66, 0.43 and 0.53 of X_sat after 0.53, 0.29
    and 0.35. A straight line of what is left to saturation gives 0.65, 0.44 and 0.50.
    """
    first = 1.0 / (1.0 + flow_over_half)
    if chambers < 2:
        return first
    equilibrium = first + (1.0 - first) * (0.15 + 0.23 * first)
    return first + (equilibrium - first) * first


class TrueChamber:
    """The reactor's chamber of a truth: what its effluent has over the tank."""

    def __init__(self, tank: Tank, log: TankLog, truth: Truth) -> None:
        stated = tank.reactor.chamber_ph if tank.reactor else None
        self._truth = truth
        self._chambers = tank.reactor.chambers if tank.reactor else 1
        self.start_ph = chamber_table.USUAL_CHAMBER_PH if stated is None else stated
        settings = sorted(
            (a for a in log.actions if a.kind == "ph_setting"), key=lambda action: action.time
        )
        self.end_ph = (settings[-1].value or self.start_ph) if settings else self.start_ph

    def ph(self, at_d: float, setting: float) -> float:
        """True pH, NBS, while the controller is set to `setting`."""
        true = self._truth.chamber_ph
        return setting if true is None else on_day(true, at_d)

    def saturated_meq_l(self, at_d: float, setting: float | None = None) -> float:
        """Increment of saturated effluent over the middle of the band, meq/L; the default of
        `setting` is that of the log's end."""
        table = chamber_table.saturated_increment_meq_l
        ph = self.ph(at_d, self.end_ph if setting is None else setting)
        answer = (table(ph) / table(self.end_ph)) ** self._truth.ph_response
        strength = on_day(self._truth.effluent_strength, at_d)
        return self._truth.saturated_increment_meq_l * answer * strength

    def filled(self, flow_ml_h: float) -> float:
        """Part of the saturated increment at a flow, see `filled_part`."""
        return filled_part(flow_ml_h / self._truth.half_flow_ml_h, self._chambers)

    def flow_for(self, load_meq_d: float, at_d: float) -> float:
        """Flow, mL/h, that supplies a load at the middle of the band; infinite where none does."""
        wanted = load_meq_d / (units.HOURS_PER_DAY / 1000) / self.saturated_meq_l(at_d)
        half = self._truth.half_flow_ml_h
        if wanted <= 0:
            return 0.0
        # The supply rises with the flow towards F0 X_sat.
        if wanted >= half:
            return float("inf")
        most = wanted / (1.0 - wanted / half)
        return float(
            optimize.brentq(lambda flow: flow * self.filled(flow) - wanted, 0.0, most + 1e-9)
        )


@part
def _light(time_d, on_d, lit, ratio, square):  # type: ignore[no-untyped-def]
    dark = 1.0 / (1.0 + lit * (ratio - 1.0))
    since = (time_d - on_d) % 1.0
    if since >= lit:
        return dark
    if square:
        return dark * ratio
    return dark * (1.0 + (ratio - 1.0) * 0.5 * np.pi * np.sin(np.pi * since / lit))


@kernel
def _integrate(level, start_d, end_d, uptake, light, share, supply, rate):  # type: ignore[no-untyped-def]
    """Advance level = (A, C, N).

    uptake = (at the level A_m, η, A_m); light = (lights on, lit part, ratio, whether square);
    supply = (rate per day at A = 0, decay, α, dosed A, dosed C).
    """
    on_d, lit, ratio, square = light
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
            eaten = uptake[0] * (1.0 + uptake[1] * (alkalinity - uptake[2]))
            eaten *= _light(at, on_d, lit, ratio, square)
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
        self._alpha = 0.5 * (1.0 - truth.media_magnesium_share)
        self._middle = tank.targets["alkalinity"].middle
        self._on_d = tank.lights_on_h / units.HOURS_PER_DAY
        self._lit = lit_fraction(tank)
        self._chamber = TrueChamber(tank, log, truth)
        self._ph = self._chamber.start_ph
        self._flow_ml_h = 0.0
        self._last_flow_ml_h = 0.5 * truth.half_flow_ml_h
        self._rates = dict.fromkeys(tank.solutions, 0.0)
        self.level = self._water(truth.start)

    @staticmethod
    def _water(levels: Mapping[str, float]) -> np.ndarray:
        return np.array([levels["alkalinity"], levels["calcium"], levels.get("nitrate", 0.0)])

    def increment(self, at_d: float, alkalinity: float) -> float:
        """Effluent alkalinity less the tank's; of a pump at rest as it last ran."""
        saturated = self._chamber.saturated_meq_l(at_d, self._ph)
        filled = self._chamber.filled(self._flow_ml_h or self._last_flow_ml_h)
        return (saturated - (alkalinity - self._middle)) * filled

    def shown(self, at_d: float) -> tuple[float, ...]:
        """Tank levels, effluent alkalinity and calcium, chamber pH."""
        at_d = max(at_d - 1e-9, 0.0)
        above = self.increment(at_d, self.level[0])
        effluent = (self.level[0] + above, self.level[1] + self._alpha * above)
        return (*self.level, *effluent, self._chamber.ph(at_d, self._ph))

    def _strengths(self, name: str) -> np.ndarray:
        """Alkalinity (meq) and calcium (mmol) that 1 mL of a solution truly holds."""
        stated = self._tank.solutions[name]
        held = np.array([stated.alkalinity_meq_per_ml, stated.calcium_mmol_per_ml])
        return held * self._truth.strength_factor.get(name, 1.0)

    def advance(self, start_d: float, end_d: float) -> None:
        """Let time pass under the present settings."""
        truth = self._truth
        turnover = self._flow_ml_h * units.HOURS_PER_DAY / 1000 / truth.volume_l
        at_zero = self.increment(start_d, 0.0)
        dosed = sum((self._strengths(name) * ml for name, ml in self._rates.items()), np.zeros(2))
        fading = turnover * (at_zero - self.increment(start_d, 1.0))
        _integrate(
            self.level,
            start_d,
            end_d,
            (on_day(truth.uptake_meq_l_d, start_d), truth.uptake_per_meq_l, self._middle),
            (self._on_d, self._lit, truth.light_ratio, truth.square_light),
            truth.calcium_share,
            np.array([turnover * at_zero, fading, self._alpha, *(dosed / truth.volume_l)]),
            truth.nitrate_rate_mmol_l_d,
        )

    def act(self, action: Action) -> None:
        """Carry out one thing that was done."""
        value = action.value or 0.0
        if action.kind == "flow":
            self._flow_ml_h = value
            self._last_flow_ml_h = value or self._last_flow_ml_h
        elif action.kind == "ph_setting":
            self._ph = value
        elif action.kind == "dose_rate":
            self._rates[action.of] = value
        elif action.kind == "dose":
            self.level[:2] += self._strengths(action.of) * value / self._truth.volume_l
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

    pending = deque(sorted((*log.actions, *truth.unlogged), key=lambda a: a.time))
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
    columns = np.array([found[day(t)] for t in times]).reshape(len(times), 6).T
    return Levels(np.array([day(t) for t in times]), *columns)


def round_to_step(value: float, step: float) -> float:
    """What a kit of this step shows."""
    return float(np.round(value / step) * step)


def read_with_kit(
    reading: Reading,
    level: float,
    bottle: int,
    tank: Tank,
    truth: Truth,
    rng: np.random.Generator,
    drift: float = 0.0,
) -> float:
    """The kit's figure for a true level, canonical units, never negative; `drift` adds to it."""
    kit = tank.kits[reading.kit]
    calibration = truth.kit_calibration.get((kit.name, bottle), 1.0)
    error = drift + rng.normal(0.0, truth.kit_repeatability.get(kit.name, 0.0))
    shown = calibration * level + error + truth.misread.get(reading.row, 0.0)
    return max(round_to_step(shown, kit.step), 0.0)


def _drift(log: TankLog, truth: Truth, rng: np.random.Generator) -> list[float]:
    """The drifting error of each reading (m,), canonical units; zero for a kit that does not."""
    found: list[float] = []
    last: dict[str, tuple[datetime, float]] = {}
    for reading in log.readings:
        if reading.kit not in truth.drifting:
            found.append(0.0)
            continue
        sd, correlation_d = truth.drifting[reading.kit]
        time, before = last.get(reading.kit, (datetime.min, 0.0))
        kept = np.exp(-(reading.time - time) / timedelta(days=1) / correlation_d)
        error = float(kept * before + sd * np.sqrt(1.0 - kept**2) * rng.standard_normal())
        last[reading.kit] = (reading.time, error)
        found.append(error)
    return found


def simulate_log(tank: Tank, log: TankLog, truth: Truth, rng: np.random.Generator) -> TankLog:
    """The same log with every reading's value drawn from the truth.

    Readings of alkalinity, calcium, nitrate and the chamber's pH are replaced, of the tank's
    salinity where the truth has one; others keep their value. Evaporation concentrates all that is
    in the tank; the effluent's increment over it stays as it is.
    """
    levels = simulate_levels(tank, log, truth, [r.time for r in log.readings])
    opened = [a for a in log.actions if a.kind == "new_bottle"]
    drift = _drift(log, truth, rng)
    salinity = np.full(len(log.readings), tank.salinity_g_kg)
    if truth.salinity_g_kg is not None:
        salinity = np.array([on_day(truth.salinity_g_kg, day) for day in levels.time_d])
    more = salinity / tank.salinity_g_kg - 1.0
    alkalinity, calcium = levels.alkalinity_meq_l, levels.calcium_mmol_l
    columns = {
        ("tank", "alkalinity"): alkalinity * (1 + more),
        ("tank", "calcium"): calcium * (1 + more),
        ("tank", "nitrate"): levels.nitrate_mmol_l * (1 + more),
        ("effluent", "alkalinity"): levels.effluent_alkalinity_meq_l + alkalinity * more,
        ("effluent", "calcium"): levels.effluent_calcium_mmol_l + calcium * more,
    }

    def value(m: int, reading: Reading) -> float:
        key = (reading.sample, reading.parameter)
        if key in columns:
            level = float(columns[key][m])
        elif reading.sample == "water":
            level = truth.waters[reading.of][reading.parameter]
        elif reading.sample == "reference":
            level = tank.references[reading.of].levels[reading.parameter]
        elif key == ("chamber", "ph"):
            shown = levels.chamber_ph[m] + truth.probe_offset + rng.normal(0.0, PROBE_NOISE)
            return round(float(shown), PROBE_DIGITS)
        elif key == ("tank", "salinity") and truth.salinity_g_kg is not None:
            shown = salinity[m] + rng.normal(0.0, SALINITY_NOISE_G_KG)
            return round(float(shown), SALINITY_DIGITS)
        else:
            return reading.value
        bottle = sum(a.of == reading.kit and a.time <= reading.time for a in opened)
        return read_with_kit(reading, level, bottle, tank, truth, rng, drift[m])

    readings = tuple(replace(r, value=value(m, r)) for m, r in enumerate(log.readings))
    return replace(log, readings=readings)
