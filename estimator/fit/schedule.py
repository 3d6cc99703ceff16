"""From the log to a table of steps: spans of constant settings that end in an event or a reading.

Nothing here is unknown: volume, light ratio, flow response and the rest meet these numbers in
`mass_balance`, which states the equations. A forcing m(t) over a span ending at t1 is kept as its
moments M_j / j!, M_j = ∫ (t1 − t)^j m(t) dt, from which its effect at any decay rate k follows as
Σ (−k)^j M_j / j!; spans are cut so that k·span <= 1, where the terms kept leave less than 1e-11.

At one instant the order is: new bottles, readings, water changes and steps allowed by the log in
file order, then new settings and doses (a keeper tests first and acts on it; common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np

from estimator import units
from estimator.errors import Fault, InputError
from estimator.fit.bottles import bottle_in_use, bottles_of, shown_before, wander_of
from estimator.fit.instruments import instruments_of
from estimator.fit.layout import DOSE, EFFLUENT_ALKALINITY, KIND_OF, PHYSICAL, Layout, Shape
from estimator.fit.load import room_of, rough_increment_meq_l, rough_load_meq_d
from estimator.fit.start import start_of
from estimator.fit.steps import StepTable, moments_of
from estimator.fit.used import used_readings
from estimator.inputs.parameters import ALKALINITY, CALCIUM, NITRATE, PARAMETERS
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Kit, Tank
from estimator.water.light import lit_fraction
from estimator.water.media import learned_magnesium_share, magnesium_share
from estimator.water.salinity import salinity_factors
from estimator.water.settings import (
    Settings,
    actions_of,
    day_of,
    origin_of,
    settings_of,
    stopped_routines,
)
from estimator.water.supply import media_calcium_share

LARGEST_LEVEL_RESPONSE_L_MEQ = 0.25 / units.MEQ_L_PER_DKH
"""Bound of η, the relative answer of uptake to the level (`priors`): a quarter per dKH."""
MOST_STEPS = 20_000
"""Steps of one log: 25 years of days, half of them with a reading."""

STOCK_STEP_SD = 0.25
"""Relative sd of the uptake step allowed at a `stock_change` (common practice, no source)."""
MEDIA_STEP_SD = 0.20
"""Relative sd of the effluent step at a `media_change` (common practice, no source)."""
PH_STEP_SD = 0.10
"""Relative sd of the effluent step at a `ph_setting`, beside the step that the table and the
response to it predict."""
WITHIN_DAY = 0.3
"""Error of an average by what the model leaves out within the day (how exactly uptake follows the
light, say), over a kit's usual repeatability (no source): more precise than that no average is."""
EFFLUENT_SCATTER = float(np.sqrt(3.0))
"""Effluent titrations take about three times the reagent of the tank's and scatter √3 more: EPA
310.1 gives sd 1.2 near 9 and 5.3 near 115 mg/L as CaCO3 (from memory), about the root of the
level."""
NITRATE_DRIFT = 0.02 / units.NO3_G_MOL
"""Drift of net nitrate production, mmol/L/day per root day (common practice, no source)."""


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
        bottles: (kit name, bottle number) in the order of the calibrations.
        bottle_in_use: place among them, see `bottles`; −1 for none.
        settings: what was set and added.
        stopped_routines: days after which a routine by hand has no entry more.
        additions: True where alkalinity was added between the first and the last tank reading.
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
    bottles: tuple[tuple[str, int], ...]
    bottle_in_use: int
    settings: Settings
    stopped_routines: tuple[int, ...]
    additions: bool

    @property
    def parameters(self) -> int:
        """Length of the parameter vector."""
        return self.shape.first_repeatability + len(self.kits)

    @property
    def kit_in_use(self) -> str:
        """Name of the kit whose bottle is in use; "" for none."""
        return self.bottles[self.bottle_in_use][0] if self.bottle_in_use >= 0 else ""

    @property
    def last_run_flow_l_d(self) -> float | None:
        """The last flow that was not zero, None where the reactor never ran."""
        return self.settings.last_run_flow_l_d

    @property
    def present_flow_l_d(self) -> float:
        """Flow at the end of the log."""
        return self.settings.flow_l_d.last

    @property
    def days(self) -> int:
        """Number of local days from the first entry to the last, both included."""
        return len(self.day_step)


def build_schedule(log: TankLog, tank: Tank) -> Schedule:
    """Lay the log out as steps.

    Args:
        log: at least one used reading.
        tank: declares every kit, solution and water that the log names.

    Raises:
        InputError: flows so large beside the water volume that the log needs too many steps.
    """
    settings = settings_of(log, tank)
    readings = used_readings(log, tank)
    layout = _layout(log, tank, readings, settings)
    load, increment = (
        rough_load_meq_d(log, tank, settings),
        rough_increment_meq_l(log, tank, settings),
    )
    bottles, bottle_of = bottles_of(log, readings)
    kits = tuple(tank.kits[name] for name in dict.fromkeys(name for name, _ in bottles))
    normal = salinity_factors(log, tank)
    columns = [
        _reading_columns(reading, tank, layout, bottle, kits, normal(reading.time))
        for reading, bottle in zip(readings, bottle_of, strict=True)
    ]
    fastest = LARGEST_LEVEL_RESPONSE_L_MEQ * load / tank.water_volume_l
    walked = _walk(log, tank, readings, columns, settings, layout, fastest)
    table, reading_step, day_step = walked
    moments, calcium = moments_of(table.steps, settings, tank)
    steps = table.array(settings)
    steps["dose_calcium_mmol"] = calcium
    usual_flow = settings.last_run_flow_l_d or load / increment
    steps["shown_flow_l_d"] = np.where(steps["flow_l_d"] > 0, steps["flow_l_d"], usual_flow)
    litres = steps["flow_l_d"] * steps["span_d"]
    steps["dissolved_meq_l"] = litres * increment / tank.water_volume_l
    steps["shown_increment_meq_l"] = increment
    in_use = _shift_columns(steps, bottle_in_use(readings, bottles), bottles, tank)
    # Stable: readings of one instant keep the order of the file.
    order = np.argsort(reading_step, kind="stable")
    mean, covariance = start_of(layout, tank, learned_magnesium_share(log, tank))
    additions = _has_additions(readings, reading_step, steps, moments)
    return Schedule(
        steps=steps,
        moments=moments,
        layout=layout,
        shape=_shape(layout, tank, len(bottles), load, room_of(log), net_change=not additions),
        mean=mean,
        covariance=covariance,
        origin=origin_of(log),
        step_time_d=np.array([step.end_d for step in table.steps]),
        day_step=day_step,
        reading_step=reading_step[order],
        readings=tuple(readings[m] for m in order),
        kits=kits,
        bottles=bottles,
        bottle_in_use=in_use,
        settings=settings,
        stopped_routines=stopped_routines(log, tank),
        additions=additions,
    )


def _shape(
    layout: Layout, tank: Tank, bottles: int, load_meq_d: float, room: float, *, net_change: bool
) -> Shape:
    return Shape(
        z=layout.z,
        nitrate=layout.nitrate,
        first_instrument=layout.first_instrument,
        instruments=len(layout.instruments),
        uptake=layout.uptake,
        effluent=layout.effluent,
        nitrate_rate=layout.nitrate_rate,
        unlogged=layout.unlogged,
        magnesium=layout.magnesium,
        kit_shift=layout.kit_shift,
        first_water=layout.first_water,
        size=layout.size,
        moving=layout.moving,
        bottles=bottles,
        first_error=PHYSICAL + bottles,
        first_repeatability=PHYSICAL + bottles + 2 * len(layout.instruments),
        chambers=tank.reactor.chambers if tank.reactor else 1,
        media_calcium=media_calcium_share(tank),
        middle=tank.targets[ALKALINITY.name].middle,
        lit=lit_fraction(tank),
        net_change=net_change,
        load_meq_d=room * load_meq_d,
        uptake_scale=load_meq_d / tank.water_volume_l,
    )


def _has_additions(
    readings: Sequence[Reading], reading_step: np.ndarray, steps: np.ndarray, moments: np.ndarray
) -> bool:
    """Whether alkalinity was added between the first and the last reading of the tank's."""
    tested = [
        step
        for reading, step in zip(readings, reading_step, strict=True)
        if (reading.sample, reading.parameter) == ("tank", ALKALINITY.name)
    ]
    if not tested:
        return False
    between = slice(min(tested) + 1, max(tested) + 1)
    flowed = steps["flow_l_d"][between] * steps["span_d"][between]
    return bool(np.sum(moments[between, DOSE, 0]) > 0 or np.sum(flowed) > 0)


def _layout(log: TankLog, tank: Tank, readings: Sequence[Reading], settings: Settings) -> Layout:
    names = {(r.sample, r.parameter) for r in readings}
    samples = {r.sample for r in readings}
    has_nitrate = ("tank", NITRATE.name) in names
    has_calcium = ("tank", CALCIUM.name) in names or ("effluent", CALCIUM.name) in names
    has_effluent = settings.last_run_flow_l_d is not None or "effluent" in samples
    instruments = instruments_of(readings)
    waters = tuple(dict.fromkeys(action.of for action in actions_of(log, "water_change")))
    wanted = {
        "alkalinity": True,
        "z": has_calcium,
        "nitrate": has_nitrate,
        **dict.fromkeys(instruments, True),
        "uptake": True,
        "effluent": has_effluent,
        "nitrate_rate": has_nitrate,
        "unlogged": has_calcium,
        "magnesium": has_calcium and has_effluent and magnesium_share(tank)[1] > 0,
        "kit_shift": ("tank", ALKALINITY.name) in names,
    }
    present = [name for name, want in wanted.items() if want]
    place = {
        name: present.index(name) if want else -1
        for name, want in wanted.items()
        if name not in instruments
    }
    return Layout(
        **place,
        instruments=instruments,
        first_instrument=1 + has_calcium + has_nitrate,
        waters=waters,
        first_water=len(present),
        size=len(present) + 2 * len(waters),
    )


def _shift_columns(
    steps: np.ndarray, in_use: int, bottles: Sequence[tuple[str, int]], tank: Tank
) -> int:
    """Fill in how a shift of the bottle in use shows and wanders; its place again."""
    steps["shown_meq_l"] = shown_before(steps, in_use, tank.targets[ALKALINITY.name].middle)
    sd = tank.kits[bottles[in_use][0]].calibration_sd if in_use >= 0 else 0.0
    steps["kit_wander"] = wander_of(steps, sd)
    return in_use


def _reading_columns(
    reading: Reading,
    tank: Tank,
    layout: Layout,
    bottle: int,
    kits: Sequence[Kit],
    normal: float,
) -> dict[str, float]:
    """Of one reading; `normal`: factor that brings one of the tank to its stated salinity."""
    kit = tank.kits[reading.kit]
    columns: dict[str, float] = {
        "kind": KIND_OF[reading.sample, reading.parameter],
        "value": reading.value,
        "bottle": bottle,
        "kit": [k.name for k in kits].index(reading.kit),
        "rounding": kit.step**2 / 12.0,
        "scatter": 1.0,
    }
    if reading.sample == "tank":
        columns["value"] *= normal
    if columns["kind"] == EFFLUENT_ALKALINITY:
        columns["scatter"] = EFFLUENT_SCATTER
    if reading.kit in layout.instruments:
        columns["instrument"] = layout.first_instrument + layout.instruments.index(reading.kit)
        columns["rounding"] += (
            WITHIN_DAY * PARAMETERS[reading.parameter].assumed_repeatability
        ) ** 2
    if reading.sample == "reference":
        columns["known"] = tank.references[reading.of].levels[reading.parameter]
    if reading.sample == "water":
        columns["water"] = layout.waters.index(reading.of)
    return columns


def _walk(
    log: TankLog,
    tank: Tank,
    readings: Sequence[Reading],
    columns: Sequence[Mapping[str, float]],
    settings: Settings,
    layout: Layout,
    response_per_d: float,
) -> tuple[StepTable, np.ndarray, np.ndarray]:
    """Every instant in turn: the span up to it, its readings, its events.

    `response_per_d`: largest λ.

    Returns:
        (steps, step of each reading (m,), step of each midnight (days,)).
    """
    origin = origin_of(log)
    end = day_of(log.end, origin)
    read: dict[float, list[int]] = {}
    for m, reading in enumerate(readings):
        read.setdefault(day_of(reading.time, origin), []).append(m)
    events: dict[float, list[Action]] = {}
    for action in log.actions:
        if action.kind not in ("dose", "new_bottle"):
            events.setdefault(day_of(action.time, origin), []).append(action)
    midnights = {float(j) for j in range(1, int(np.floor(end)) + 1)}
    instants = sorted(midnights | read.keys() | events.keys() | {end})
    _refuse_too_many_steps(instants, settings, tank, log, response_per_d)
    table = StepTable()
    reading_step = np.zeros(len(readings), dtype=int)
    day_step = [-1]
    before = 0.0
    for instant in instants:
        drift = {}
        if instant in midnights:
            drift = {"drift_d": 1.0, "effluent_drift_d": float(instant > settings.first_run_d)}
        edges = np.linspace(
            before, instant, _pieces(before, instant, settings, tank, response_per_d) + 1
        )
        edges[-1] = instant
        for start, stop in pairwise(edges):
            table.span(float(start), float(stop), **(drift if stop == instant else {}))
        before = instant
        for m in read.get(instant, []):
            table.read(instant, **columns[m])
            reading_step[m] = table.last
        for action in events.get(instant, []):
            event = _event_columns(action, layout)
            if event:
                table.instant(instant, **event)
        if instant in midnights:
            day_step.append(table.last)
    if np.any(settings.dose_times_d >= end):
        table.instant(end)
    return table, reading_step, np.array(day_step)


def _pieces(
    start_d: float, end_d: float, settings: Settings, tank: Tank, response_per_d: float
) -> int:
    """Into how many pieces a span is cut so that k·span <= 1.

    k <= F/V + λ, with V at least three sd below the stated volume.
    """
    smallest = tank.water_volume_l * np.exp(-3 * tank.water_volume_sd_fraction)
    fastest = settings.flow_l_d.at(start_d) / smallest + response_per_d
    return max(1, int(np.ceil(fastest * (end_d - start_d))))


def _refuse_too_many_steps(
    instants: Sequence[float],
    settings: Settings,
    tank: Tank,
    log: TankLog,
    response_per_d: float,
) -> None:
    count = sum(
        _pieces(a, b, settings, tank, response_per_d) for a, b in pairwise([0.0, *instants])
    )
    if count > MOST_STEPS:
        fastest = float(np.max(settings.flow_l_d.values)) * 1000 / units.HOURS_PER_DAY
        rule = (
            "the flow turns the tank over too many times for a log of this length; check the "
            "unit of the flow (mL/h, mL/min, L/day) and the water volume"
        )
        raise InputError([Fault(log.name, rule, f"{fastest:g} mL/h", column="flow")])


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
