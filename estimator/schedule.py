"""From the log to a table of steps: spans of constant settings that end in an event or a reading.

Nothing here is unknown: volume, light ratio, flow response and the rest meet these numbers in
`mass_balance`, which states the equations. A forcing m(t) over a span ending at t1 is kept as its
moments M_j / j!, M_j = ∫ (t1 − t)^j m(t) dt, from which its effect at any decay rate k follows as
Σ (−k)^j M_j / j!; spans are cut so that k·span <= 1, where the terms kept leave less than 1e-11.

At one instant the order is: readings, then water changes, then steps allowed by the log, then new
settings and doses (a keeper tests first and acts on it; common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import factorial
from typing import NamedTuple

import numpy as np

from estimator import carbonate, units
from estimator.parameters import ALKALINITY, CALCIUM, NITRATE
from estimator.records import Action, Reading, TankLog
from estimator.tank import Kit, Tank

TERMS = 14
"""Terms of the series kept."""


PHYSICAL = 9
"""Parameters of the mass balance that stand before gains and repeatabilities."""

# What a reading is of.
(
    NOTHING,
    TANK_ALKALINITY,
    TANK_CALCIUM,
    EFFLUENT_ALKALINITY,
    EFFLUENT_CALCIUM,
    TANK_NITRATE,
    WATER_ALKALINITY,
    WATER_CALCIUM,
    KNOWN_SOLUTION,
) = range(9)

STOCK_STEP_SD = 0.25
"""Relative sd of the uptake step allowed at a `stock_change` (common practice, no source)."""
MEDIA_STEP_SD = 0.20
"""Relative sd of the effluent step at a `media_change` (common practice, no source)."""
PH_STEP_SD = 0.10
"""Relative sd of the effluent step at a `ph_setting`, beside the step that the table predicts."""
NITRATE_DRIFT = 0.02 / units.NO3_G_MOL
"""Drift of net nitrate production, mmol/L/day per root day (common practice, no source)."""

# Level priors at the start of the log: mean, sd. Reef tanks are kept between natural seawater
# (6.6 dKH, 422 mg/L) and about 12 dKH and 480 mg/L (common practice, no source).
START_ALKALINITY = (8.0 * units.MEQ_L_PER_DKH, 2.0 * units.MEQ_L_PER_DKH)
START_CALCIUM = (425.0 / units.CA_G_MOL, 40.0 / units.CA_G_MOL)
START_NITRATE = (10.0 / units.NO3_G_MOL, 20.0 / units.NO3_G_MOL)
NITRATE_RATE_SD = 0.5 / units.NO3_G_MOL
# New salt water: sd about its stated values, and mean and sd where nothing is stated
# (Millero et al. 2008 composition for calcium; total alkalinity 2300 µmol/kg from memory).
WATER_ALKALINITY_SD = 0.3 * units.MEQ_L_PER_DKH
WATER_CALCIUM_SD = 12.0 / units.CA_G_MOL
UNSTATED_WATER_ALKALINITY = (7.5 * units.MEQ_L_PER_DKH, 1.5 * units.MEQ_L_PER_DKH)
UNSTATED_WATER_CALCIUM = (421.7 / units.CA_G_MOL, 35.0 / units.CA_G_MOL)


@dataclass(frozen=True)
class Layout:
    """Which state stands where. `moving` rows come first; −1 marks a state the log has no use for.

    States: alkalinity A, Z = C − αA, nitrate, relative uptake change w, relative effluent change
    q, nitrate production n, then alkalinity and calcium of each new salt water.
    """

    alkalinity: int
    z: int
    nitrate: int
    uptake: int
    effluent: int
    nitrate_rate: int
    waters: tuple[str, ...]
    first_water: int
    size: int

    @property
    def moving(self) -> int:
        """Number of rows of the transition that differ from the identity."""
        return 1 + (self.z >= 0) + (self.nitrate >= 0)


STEP = np.dtype(
    [
        ("span_d", float),
        ("flow_l_d", float),
        ("log_ratio", float),
        ("ph_factor", float),
        ("dose_calcium_mmol", float),
        ("change_l", float),
        ("drift_d", float),
        ("effluent_drift_d", float),
        ("uptake_step", float),
        ("effluent_step", float),
        ("value", float),
        ("known", float),
        ("rounding", float),
        ("change_water", np.int64),
        ("kind", np.int64),
        ("water", np.int64),
        ("gain", np.int64),
        ("kit", np.int64),
    ]
)
"""One step: a span of time, then an event or a reading.

span_d in days; flow_l_d during the span; log_ratio is log(F/F_ref), 0 where F = 0; ph_factor of
the effluent's gain; dose_calcium_mmol within the span; change_l of water renewed at the end of the
step, change_water its index; drift_d, effluent_drift_d days of drift entering after the step;
uptake_step, effluent_step variances of steps allowed; then of the reading: kind, value (canonical),
known value of a reference solution, rounding variance, indices of water, gain and kit.
"""

UNIT, PULSE, DOSE = range(3)
"""Second index of `Schedule.moments`: of 1 (days), of the light pulse (days), of dosed
alkalinity (meq)."""


class Shape(NamedTuple):
    """The numbers that the compiled kernels need beside the steps (see `Layout`)."""

    z: int
    nitrate: int
    uptake: int
    effluent: int
    nitrate_rate: int
    first_water: int
    size: int
    moving: int
    gains: int
    media_calcium: float
    middle: float


@dataclass(frozen=True)
class Schedule:
    """The log laid out for the model.

    Attributes:
        steps: (n,) of `STEP`.
        moments: (n, 3, TERMS) of the forcings over each span, divided by j!.
        layout: the states.
        shape: the same for the kernels.
        mean, covariance: (d,), (d, d) of the states at `origin`.
        origin: local midnight before the first entry; step times count from it.
        step_time_d: (n,) end of each step, days after `origin`.
        day_step: (days,) index of the step that ends at the midnight beginning each day; −1 for
            the first day.
        reading_step: (m,) step of each used reading.
        readings: the m readings that the fit uses, in step order.
        kits: kits in the order of repeatability parameters.
        gains: (kit name, bottle number) in the order of gain parameters.
        reference_flow_l_d: F_ref, or None where the reactor never ran.
        present_flow_l_d: flow at the end of the log.
        chamber_ph: the chamber's pH at the end of the log, stated or usual.
        additions: True where anything that adds alkalinity is in the log.
    """

    steps: np.ndarray
    moments: np.ndarray
    layout: Layout
    shape: Shape
    mean: np.ndarray
    covariance: np.ndarray
    origin: datetime
    step_time_d: np.ndarray
    day_step: np.ndarray
    reading_step: np.ndarray
    readings: tuple[Reading, ...]
    kits: tuple[Kit, ...]
    gains: tuple[tuple[str, int], ...]
    reference_flow_l_d: float | None
    present_flow_l_d: float
    chamber_ph: float
    additions: bool

    @property
    def parameters(self) -> int:
        """Length of the parameter vector."""
        return PHYSICAL + len(self.gains) + len(self.kits)

    @property
    def days(self) -> int:
        """Number of local days from the first entry to the last, both included."""
        return len(self.day_step)


def light_share(light_ratio: np.ndarray, lit_fraction: float) -> np.ndarray:
    """φ, the share of the daily uptake that follows the light pulse.

    From mean lit rate = L × dark rate and a daily mean of 1:
    φ = (L − 1)f / (1 + f(L − 1)).
    """
    return (light_ratio - 1) * lit_fraction / (1 + lit_fraction * (light_ratio - 1))


def lit_fraction(tank: Tank) -> float:
    """Lit fraction of the day; lights may cross midnight."""
    return ((tank.lights_off_h - tank.lights_on_h) % units.HOURS_PER_DAY) / units.HOURS_PER_DAY


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


def pulse_moments(start_d: np.ndarray, end_d: np.ndarray, tank: Tank) -> np.ndarray:
    """∫ (end − t)^j p(t) dt / j! over each span, for the light pulse p of daily mean 1.

    p is a half-sine over the lit hours. Gauss-Legendre with 24 nodes on each lit piece is exact
    to rounding for spans of a day or less.

    Args:
        start_d, end_d: (n,) days after a local midnight, end_d − start_d <= 1.
        tank: for its lit hours.

    Returns:
        (n, TERMS), days^(j+1).
    """
    on = tank.lights_on_h / units.HOURS_PER_DAY
    lit = lit_fraction(tank)
    moments = np.zeros((len(start_d), TERMS))
    orders = np.arange(TERMS)
    scale = np.array([factorial(j) for j in range(TERMS)], dtype=float)
    for shift in (-1, 0, 1):
        rise = np.floor(start_d) + shift + on
        low = np.maximum(start_d, rise)
        high = np.minimum(end_d, rise + lit)
        half = 0.5 * np.clip(high - low, 0.0, None)
        at = low[:, None] + half[:, None] * (_NODES + 1)
        height = 0.5 * np.pi / lit * np.sin(np.pi * (at - rise[:, None]) / lit)
        back = (end_d[:, None] - at)[:, :, None] ** orders
        moments += half[:, None] * np.einsum("k,nk,nkj->nj", _WEIGHTS, height, back)
    return moments / scale


def day_shape(tank: Tank, share: np.ndarray, time_d: float) -> np.ndarray:
    """∫ (s − 1) from midnight to each time of day, less its mean over the day, in days.

    A level under steady supply stands this many days of uptake below its daily mean.

    Args:
        tank: for its lit hours.
        share: φ, any shape.
        time_d: time of day as a fraction of a day, a scalar.
    """
    grid = np.linspace(0.0, 1.0, 289)
    pulse = np.concatenate([[0.0], np.cumsum(pulse_moments(grid[:-1], grid[1:], tank)[:, 0])])
    running = pulse - grid
    centred = running - np.trapezoid(running, grid)
    return share * np.interp(time_d, grid, centred)


# Where a used reading finds its kind, by (sample, parameter).
_KINDS = {
    ("tank", ALKALINITY.name): TANK_ALKALINITY,
    ("tank", CALCIUM.name): TANK_CALCIUM,
    ("tank", NITRATE.name): TANK_NITRATE,
    ("effluent", ALKALINITY.name): EFFLUENT_ALKALINITY,
    ("effluent", CALCIUM.name): EFFLUENT_CALCIUM,
    ("water", ALKALINITY.name): WATER_ALKALINITY,
    ("water", CALCIUM.name): WATER_CALCIUM,
    ("reference", ALKALINITY.name): KNOWN_SOLUTION,
    ("reference", CALCIUM.name): KNOWN_SOLUTION,
}


def _actions(log: TankLog, kind: str) -> list[Action]:
    return [action for action in log.actions if action.kind == kind]


def media_calcium_share(tank: Tank) -> float:
    """α: mol of calcium dissolved per equivalent; magnesium takes its share of the media's volume.

    CaCO3 gives ½ (2 equivalents per mole, Middelburg et al. 2020, Table 2, R11).
    """
    magnesium = tank.reactor.magnesium_media_fraction if tank.reactor else 0.0
    return 0.5 * (1.0 - magnesium)


def used_readings(log: TankLog, tank: Tank) -> tuple[Reading, ...]:
    """The readings that inform the fit, in time order.

    Left out: parameters the model has no place for, a water that is never used in a change, a
    reference without a stated value, and nitrate read fewer than twice.
    """
    changed = {action.of for action in _actions(log, "water_change")}
    nitrate = [r for r in log.readings if (r.sample, r.parameter) == ("tank", NITRATE.name)]

    def used(reading: Reading) -> bool:
        if (reading.sample, reading.parameter) not in _KINDS:
            return False
        if reading.sample == "water":
            return reading.of in changed
        if reading.sample == "reference":
            return reading.parameter in tank.references[reading.of].levels
        return reading.parameter != NITRATE.name or len(nitrate) > 1

    return tuple(reading for reading in log.readings if used(reading))


@dataclass(frozen=True)
class _Line:
    """A quantity that keeps its value from each change on."""

    times: np.ndarray
    values: np.ndarray

    def at(self, time_d: float) -> float:
        """Value just after `time_d`."""
        return float(self.values[np.searchsorted(self.times, time_d, side="right") - 1])


def _line(start: float, changes: Sequence[tuple[float, float]]) -> _Line:
    times = [-np.inf, *(time for time, _ in changes)]
    values = [start, *(value for _, value in changes)]
    return _Line(np.array(times), np.array(values))


@dataclass(frozen=True)
class _Doses:
    """Everything dosed: one-time amounts and lasting rates, as alkalinity and calcium."""

    times: np.ndarray
    alkalinity_meq: np.ndarray
    calcium_mmol: np.ndarray
    alkalinity_rate: _Line
    calcium_rate: _Line


def _doses(log: TankLog, tank: Tank, day_of: dict[int, float]) -> _Doses:
    single = _actions(log, "dose")
    rates: dict[str, float] = {}
    alkalinity: list[tuple[float, float]] = []
    calcium: list[tuple[float, float]] = []
    for action in _actions(log, "dose_rate"):
        rates[action.of] = action.value or 0.0
        pairs = [(tank.solutions[name], rate) for name, rate in rates.items()]
        at = day_of[action.row]
        alkalinity.append((at, sum(s.alkalinity_meq_per_ml * rate for s, rate in pairs)))
        calcium.append((at, sum(s.calcium_mmol_per_ml * rate for s, rate in pairs)))
    amounts = [(tank.solutions[a.of], a.value or 0.0) for a in single]
    return _Doses(
        times=np.array([day_of[a.row] for a in single]),
        alkalinity_meq=np.array([s.alkalinity_meq_per_ml * ml for s, ml in amounts]),
        calcium_mmol=np.array([s.calcium_mmol_per_ml * ml for s, ml in amounts]),
        alkalinity_rate=_line(0.0, alkalinity),
        calcium_rate=_line(0.0, calcium),
    )


class _Table:
    """Grows the steps one by one; a column not named is zero."""

    def __init__(self) -> None:
        self.rows: list[dict[str, float]] = []
        self.ends: list[float] = []

    def add(self, end_d: float, **columns: float) -> int:
        """Append a step ending at `end_d`; returns its index."""
        self.rows.append(columns)
        self.ends.append(end_d)
        return len(self.rows) - 1

    def steps(self) -> np.ndarray:
        """The steps so far, (n,) of `STEP`."""
        steps = np.zeros(len(self.rows), STEP)
        for i, row in enumerate(self.rows):
            for name, value in row.items():
                steps[name][i] = value
        return steps


def _moments_of_points(
    start_d: np.ndarray, end_d: np.ndarray, times: np.ndarray, amounts: np.ndarray
) -> np.ndarray:
    """Moments Σ amount (end − t)^j / j! of the one-time amounts with start <= t < end.

    Shapes: (n,), (n,), (m,), (m,) → (n, TERMS). Spans do not overlap.
    """
    moments = np.zeros((len(start_d), TERMS))
    if not len(times):
        return moments
    owner = np.full(len(times), -1)
    spans = np.flatnonzero(end_d > start_d)
    found = np.searchsorted(start_d[spans], times, side="right") - 1
    inside = (found >= 0) & (times < end_d[spans][found])
    owner[inside] = spans[found[inside]]
    for j in range(TERMS):
        part = amounts[inside] * (end_d[owner[inside]] - times[inside]) ** j / factorial(j)
        np.add.at(moments[:, j], owner[inside], part)
    return moments


def _moments(
    start_d: np.ndarray, end_d: np.ndarray, doses: _Doses, tank: Tank
) -> tuple[np.ndarray, np.ndarray]:
    """All moments (n, 3, TERMS), and the calcium dosed within each span (n,), mmol."""
    span = end_d - start_d
    moments = np.zeros((len(span), 3, TERMS))
    orders = np.arange(TERMS)
    moments[:, UNIT] = span[:, None] ** (orders + 1) / [factorial(j + 1) for j in orders]
    moving = span > 0
    moments[moving, PULSE] = pulse_moments(start_d[moving], end_d[moving], tank)
    rate = np.array([doses.alkalinity_rate.at(t) for t in start_d])
    moments[:, DOSE] = _moments_of_points(start_d, end_d, doses.times, doses.alkalinity_meq)
    moments[:, DOSE] += rate[:, None] * moments[:, UNIT]
    calcium = _moments_of_points(start_d, end_d, doses.times, doses.calcium_mmol)[:, 0]
    calcium += np.array([doses.calcium_rate.at(t) for t in start_d]) * span
    return moments, calcium


def build_schedule(log: TankLog, tank: Tank) -> Schedule:
    """Lay the log out as steps.

    Args:
        log: at least one used reading.
        tank: declares every kit, solution and water that the log names.
    """
    origin = datetime.combine(log.start.date(), datetime.min.time())

    def day(time: datetime) -> float:
        return (time - origin) / timedelta(days=1)

    day_of = {reading.row: day(reading.time) for reading in log.readings}
    day_of |= {action.row: day(action.time) for action in log.actions}
    readings = used_readings(log, tank)
    flow = _line(
        0.0,
        [
            (day_of[a.row], (a.value or 0.0) * units.HOURS_PER_DAY / 1000)
            for a in _actions(log, "flow")
        ],
    )
    flows = flow.values[flow.values > 0]
    reference_flow = float(flows[-1]) if len(flows) else None
    stated_ph = tank.reactor.chamber_ph if tank.reactor else None
    start_ph = carbonate.USUAL_CHAMBER_PH if stated_ph is None else stated_ph
    chamber_ph = _line(
        start_ph, [(day_of[a.row], a.value or start_ph) for a in _actions(log, "ph_setting")]
    )
    doses = _doses(log, tank, day_of)
    has_effluent = reference_flow is not None or any(r.sample == "effluent" for r in readings)
    layout = _layout(log, readings, has_effluent)
    gains, gain_of = _bottles(log, readings)
    kits = tuple(tank.kits[name] for name in dict.fromkeys(name for name, _ in gains))
    table, reading_step, day_step, order = _walk(
        log, tank, readings, day_of, flow, layout, gain_of, kits, reference_flow
    )
    steps = table.steps()
    ends = np.array(table.ends)
    starts = ends - steps["span_d"]
    steps["flow_l_d"] = [flow.at(t) for t in starts]
    if reference_flow is not None:
        running = steps["flow_l_d"] > 0
        steps["log_ratio"][running] = np.log(steps["flow_l_d"][running] / reference_flow)
    last_ph = float(chamber_ph.values[-1])
    strength = [carbonate.half_saturated_increment_meq_l(chamber_ph.at(t)) for t in starts]
    steps["ph_factor"] = np.array(strength) / carbonate.half_saturated_increment_meq_l(last_ph)
    moments, steps["dose_calcium_mmol"] = _moments(starts, ends, doses, tank)
    mean, covariance = _start(layout, tank)
    return Schedule(
        steps=steps,
        moments=moments,
        layout=layout,
        shape=Shape(
            z=layout.z,
            nitrate=layout.nitrate,
            uptake=layout.uptake,
            effluent=layout.effluent,
            nitrate_rate=layout.nitrate_rate,
            first_water=layout.first_water,
            size=layout.size,
            moving=layout.moving,
            gains=len(gains),
            media_calcium=media_calcium_share(tank),
            middle=tank.targets[ALKALINITY.name].middle,
        ),
        mean=mean,
        covariance=covariance,
        origin=origin,
        step_time_d=ends,
        day_step=day_step,
        reading_step=reading_step,
        readings=tuple(readings[m] for m in order),
        kits=kits,
        gains=gains,
        reference_flow_l_d=reference_flow,
        present_flow_l_d=flow.at(np.inf),
        chamber_ph=last_ph,
        additions=bool(
            reference_flow is not None
            or np.any(doses.alkalinity_meq > 0)
            or np.any(doses.alkalinity_rate.values > 0)
        ),
    )


def _layout(log: TankLog, readings: Sequence[Reading], has_effluent: bool) -> Layout:
    names = {(r.sample, r.parameter) for r in readings}
    has_calcium = ("tank", CALCIUM.name) in names or ("effluent", CALCIUM.name) in names
    has_nitrate = ("tank", NITRATE.name) in names
    waters = tuple(dict.fromkeys(action.of for action in _actions(log, "water_change")))
    wanted = {
        "alkalinity": True,
        "z": has_calcium,
        "nitrate": has_nitrate,
        "uptake": True,
        "effluent": has_effluent,
        "nitrate_rate": has_nitrate,
    }
    present = [name for name, want in wanted.items() if want]
    place = {name: present.index(name) if want else -1 for name, want in wanted.items()}
    return Layout(
        **place, waters=waters, first_water=len(present), size=len(present) + 2 * len(waters)
    )


def _bottles(
    log: TankLog, readings: Sequence[Reading]
) -> tuple[tuple[tuple[str, int], ...], list[int]]:
    """The (kit, bottle) pairs with readings, and each reading's place among them."""
    opened: dict[str, list[datetime]] = {}
    for action in _actions(log, "new_bottle"):
        opened.setdefault(action.of, []).append(action.time)
    pair_of = [(r.kit, sum(time <= r.time for time in opened.get(r.kit, []))) for r in readings]
    pairs = tuple(sorted(set(pair_of)))
    return pairs, [pairs.index(pair) for pair in pair_of]


def _reading_columns(
    reading: Reading,
    tank: Tank,
    layout: Layout,
    gain: int,
    kits: Sequence[Kit],
) -> dict[str, float]:
    kit = tank.kits[reading.kit]
    known = 0.0
    water = 0
    if reading.sample == "reference":
        known = tank.references[reading.of].levels[reading.parameter]
    if reading.sample == "water":
        water = layout.waters.index(reading.of)
    return {
        "kind": _KINDS[reading.sample, reading.parameter],
        "value": reading.value,
        "known": known,
        "water": water,
        "gain": gain,
        "kit": [k.name for k in kits].index(reading.kit),
        "rounding": kit.step**2 / 12.0,
    }


def _walk(
    log: TankLog,
    tank: Tank,
    readings: Sequence[Reading],
    day_of: dict[int, float],
    flow: _Line,
    layout: Layout,
    gain_of: Sequence[int],
    kits: Sequence[Kit],
    reference_flow: float | None,
) -> tuple[_Table, np.ndarray, np.ndarray, list[int]]:
    """Every instant in turn: the span up to it, its readings, its events."""
    end = max(day_of.values())
    settings = [a for a in log.actions if a.kind not in ("dose", "new_bottle")]
    midnights = {float(j) for j in range(1, int(np.floor(end)) + 1)}
    instants = {day_of[r.row] for r in readings} | {day_of[a.row] for a in settings}
    instants |= midnights | {end}
    by_instant: dict[float, list[int]] = {}
    for m, reading in enumerate(readings):
        by_instant.setdefault(day_of[reading.row], []).append(m)
    events: dict[float, list[Action]] = {}
    for action in settings:
        events.setdefault(day_of[action.row], []).append(action)
    smallest = tank.water_volume_l * np.exp(-3 * tank.water_volume_sd_fraction)
    first_run = min(flow.times[flow.values > 0], default=np.inf)
    table = _Table()
    step_of: dict[int, int] = {}
    day_step = [-1]
    before = 0.0
    for instant in sorted(instants):
        # k <= max(F, F_ref)/V, so these pieces keep k·span <= 1.
        fastest = max(flow.at(before), reference_flow or 0.0) / smallest
        pieces = max(1, int(np.ceil(fastest * (instant - before))))
        for edge in np.linspace(before, instant, pieces + 1)[1:]:
            step = table.add(float(edge), span_d=float(edge) - before)
            before = float(edge)
        if instant in midnights:
            table.rows[step]["drift_d"] = 1.0
            table.rows[step]["effluent_drift_d"] = float(instant > first_run)
        for count, m in enumerate(by_instant.get(instant, [])):
            if count:
                step = table.add(instant)
            table.rows[step] |= _reading_columns(readings[m], tank, layout, gain_of[m], kits)
            step_of[m] = step
        for action in events.get(instant, []):
            columns = _event_columns(action, layout)
            if columns:
                step = table.add(instant, **columns)
        if instant in midnights:
            day_step.append(step)
    order = sorted(step_of, key=step_of.__getitem__)
    return table, np.array([step_of[m] for m in order], dtype=int), np.array(day_step), order


def _event_columns(action: Action, layout: Layout) -> dict[str, float]:
    if action.kind == "water_change":
        return {
            "change_l": action.value or 0.0,
            "change_water": layout.waters.index(action.of),
        }
    if action.kind == "stock_change":
        return {"uptake_step": STOCK_STEP_SD**2}
    if action.kind == "media_change":
        return {"effluent_step": MEDIA_STEP_SD**2}
    if action.kind == "ph_setting":
        return {"effluent_step": PH_STEP_SD**2}
    return {}


def _start(layout: Layout, tank: Tank) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of the states at the origin."""
    mean = np.zeros(layout.size)
    covariance = np.zeros((layout.size, layout.size))
    alpha = media_calcium_share(tank)

    def pair(a: int, c: int, alkalinity: tuple[float, float], calcium: tuple[float, float]) -> None:
        mean[a], covariance[a, a] = alkalinity[0], alkalinity[1] ** 2
        if c >= 0:
            mean[c], covariance[c, c] = calcium[0], calcium[1] ** 2

    pair(layout.alkalinity, -1, START_ALKALINITY, START_CALCIUM)
    if layout.z >= 0:
        mean[layout.z] = START_CALCIUM[0] - alpha * START_ALKALINITY[0]
        covariance[layout.z, layout.z] = START_CALCIUM[1] ** 2 + (alpha * START_ALKALINITY[1]) ** 2
        covariance[0, layout.z] = covariance[layout.z, 0] = -alpha * START_ALKALINITY[1] ** 2
    if layout.nitrate >= 0:
        pair(layout.nitrate, layout.nitrate_rate, START_NITRATE, (0.0, NITRATE_RATE_SD))
    for j, name in enumerate(layout.waters):
        stated = tank.waters[name].levels
        alkalinity, calcium = UNSTATED_WATER_ALKALINITY, UNSTATED_WATER_CALCIUM
        if ALKALINITY.name in stated:
            alkalinity = (stated[ALKALINITY.name], WATER_ALKALINITY_SD)
        if CALCIUM.name in stated:
            calcium = (stated[CALCIUM.name], WATER_CALCIUM_SD)
        pair(layout.first_water + 2 * j, layout.first_water + 2 * j + 1, alkalinity, calcium)
    return mean, covariance
