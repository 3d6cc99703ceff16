"""Invented tanks, logs and truths, and one log of each layout."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from estimator import units
from estimator.fit.instruments import condense
from estimator.inputs.dosing import Solution, solution_from_strengths
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Kit, Reactor, Tank, Target
from estimator.synthetic.simulation import TrueChamber, Truth, simulate_levels
from estimator.water.light import day_shape, light_share, lit_fraction

DKH = units.MEQ_L_PER_DKH
CA = units.CA_G_MOL
NO3 = units.NO3_G_MOL
MIDNIGHT = datetime(2026, 3, 1)

PLAIN_TANK_FILE = """\
[tank]
name = "Hall"
water_volume_l = 620
[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dKH"
[kits.drops]
parameter = "alkalinity"
unit = "dKH"
step = 0.3
"""
"""Without reactor, solutions or waters."""
TANK_FILE = (
    PLAIN_TANK_FILE
    + """\
[solutions.soda]
alkalinity_meq_per_ml = 1.9
[water.new]
alkalinity = 8.2
[reference.standard]
alkalinity = 7.0
[reactor]
flow_min_ml_h = 60
flow_max_ml_h = 3000
flow_step_ml_h = 10
"""
)
"""A good tank file with one of everything."""


def example_tank(**changes: Any) -> Tank:
    """A 600 L tank with a reactor, one kit a parameter and two dosing solutions."""
    tank = Tank(
        name="example",
        water_volume_l=600.0,
        water_volume_sd_fraction=0.06,
        salinity_g_kg=35.0,
        temperature_c=25.5,
        lights_on_h=10.0,
        lights_off_h=20.0,
        targets={
            "alkalinity": Target(7.6 * DKH, 8.8 * DKH, "dKH"),
            "calcium": Target(400 / CA, 450 / CA, "mg/L"),
        },
        kits={
            "alk": Kit("alk", "alkalinity", "dKH", 0.3 * DKH, 0.2 * DKH, 0.05),
            "ca": Kit("ca", "calcium", "mg/L", 10 / CA, None, 0.04),
            "no3": Kit("no3", "nitrate", "mg/L", 2 / NO3, None, None),
        },
        solutions={
            "soda": Solution("soda", alkalinity_meq_per_ml=1.9),
            "chloride": solution_from_strengths(
                "chloride", {"calcium_chloride_dihydrate_g_per_l": 270}
            ),
        },
        waters={
            "new": Composition("new", {"alkalinity": 8.2 * DKH, "calcium": 420 / CA}),
            "other": Composition("other", {}),
        },
        references={"standard": Composition("standard", {"alkalinity": 7.0 * DKH})},
        reactor=Reactor(60.0, 6000.0, 10.0, chamber_ph=6.6, magnesium_media_fraction=0.1),
    )
    return replace(tank, **changes)


def example_log(
    readings: Sequence[tuple[Any, ...]], actions: Sequence[tuple[Any, ...]] = ()
) -> TankLog:
    """A log from short tuples; rows count from 2, readings first, in the order given.

    Args:
        readings: (day, parameter, sample, kit), then optionally value and `of`.
        actions: (day, kind), then optionally `of` and value.
    """
    read = []
    for row, (day, parameter, sample, kit, *rest) in enumerate(readings, start=2):
        value, of = (*rest, *(0.0, "")[len(rest) :])
        unit = {"alkalinity": "dKH"}.get(parameter, "mg/L")
        time = MIDNIGHT + timedelta(days=float(day))
        read.append(Reading(row, time, parameter, sample, of, value, unit, kit))
    done = []
    for row, (day, kind, *rest) in enumerate(actions, start=2 + len(read)):
        of, amount = (*rest, *("", None)[len(rest) :])
        done.append(Action(row, MIDNIGHT + timedelta(days=float(day)), kind, of, amount))
    times = [record.time for record in (*read, *done)]
    return TankLog(
        name="example.csv",
        sha256="0" * 64,
        rows=len(times),
        rows_without_time=0,
        readings=tuple(sorted(read, key=lambda r: r.time)),
        actions=tuple(sorted(done, key=lambda a: a.time)),
        start=min(times),
        end=max(times),
    )


def example_truth(days: int, **changes: Any) -> Truth:
    """A truth whose uptake and effluent strength vary from day to day."""
    day = np.arange(days + 1)
    truth = Truth(
        volume_l=580.0,
        light_ratio=2.6,
        uptake_meq_l_d=0.55 * (1 + 0.1 * np.sin(day / 9)),
        calcium_share=0.485,
        saturated_increment_meq_l=28 * DKH,
        effluent_strength=1 + 0.02 * np.cos(day / 7),
        half_flow_ml_h=3400.0,
        # As is expected of the example tank's media.
        media_magnesium_share=0.025,
        start={"alkalinity": 8.1 * DKH, "calcium": 425 / CA, "nitrate": 8 / NO3},
        waters={
            "new": {"alkalinity": 8.3 * DKH, "calcium": 415 / CA},
            "other": {"alkalinity": 7.1 * DKH, "calcium": 430 / CA},
        },
        kit_calibration={("alk", 0): 1.03, ("alk", 1): 0.99, ("ca", 0): 1.02},
        kit_repeatability={"alk": 0.2 * DKH, "ca": 8 / CA, "no3": 1 / NO3},
    )
    return replace(truth, **changes)


def dosed_then_reactor_log(
    days: int, alkalinity: int, calcium: int, effluent: int, seed: int = 0
) -> TankLog:
    """Dosing for the first 58 % of `days`, then a reactor; water changes and a new bottle."""
    rng = np.random.default_rng(seed)
    start_d = round(0.58 * days)
    readings = [(t, "alkalinity", "tank", "alk") for t in rng.uniform(0, days, alkalinity)]
    readings += [(t, "calcium", "tank", "ca") for t in rng.uniform(0, days, calcium)]
    readings += [
        (t, "alkalinity", "effluent", "alk") for t in rng.uniform(start_d + 1, days, effluent)
    ]
    readings += [(0.62 * days, "alkalinity", "reference", "alk", 0.0, "standard")]
    actions = [
        (0, "dose_rate", "soda", 580 * 0.55 / 1.9),
        (0, "dose_rate", "chloride", 580 * 0.27 / 1.84),
        (start_d, "dose_rate", "soda", 0.0),
        (start_d, "dose_rate", "chloride", 0.0),
        (start_d, "flow", "", 2350.0),
        (0.5 * days, "new_bottle", "alk"),
    ]
    actions += [(t + 0.6, "water_change", "new", 60.0) for t in range(10, days, 14)]
    return example_log(readings, actions)


@dataclass(frozen=True)
class Case:
    """A tank, a log whose readings may still be to be filled in, and a truth behind it."""

    tank: Tank
    log: TankLog
    truth: Truth

    @property
    def last_day(self) -> int:
        """Index of the last local day."""
        return (self.log.end.date() - self.log.start.date()).days

    @property
    def chamber(self) -> TrueChamber:
        """The true chamber under the log's settings."""
        return TrueChamber(self.tank, self.log, self.truth)

    @property
    def uptake_at_middle_meq_l_d(self) -> float:
        """True uptake on the last day, were the level in the middle of the band."""
        return float(self.truth.uptake_meq_l_d[self.last_day])

    @property
    def level_now_meq_l(self) -> float:
        """True alkalinity at the last entry as a daily mean, freed of the hour's swing."""
        end = simulate_levels(self.tank, self.log, self.truth, [self.log.end])
        share = light_share(np.array([self.truth.light_ratio]), lit_fraction(self.tank))
        swing = day_shape(self.tank, share, float(end.time_d[0]) % 1.0)[0]
        return float(end.alkalinity_meq_l[0] + self.uptake_at_middle_meq_l_d * swing)

    @property
    def uptake_now_meq_l_d(self) -> float:
        """True uptake on the last day, at the level that is."""
        off_middle = self.level_now_meq_l - self.tank.targets["alkalinity"].middle
        answer = 1 + self.truth.uptake_per_meq_l * off_middle
        return self.uptake_at_middle_meq_l_d * answer

    @property
    def needed_flow_ml_h(self) -> float:
        """True flow that holds the middle of the band on the last day; infinite where none does."""
        load = self.uptake_at_middle_meq_l_d * self.truth.volume_l
        return self.chamber.flow_for(load, self.last_day)


def _spread(first: float, last: float, count: int) -> list[float]:
    # Irrational steps, so that readings fall at every time of day.
    return [first + (last - first) * ((0.5 + j * 0.6180339887) % 1.0) for j in range(count)]


def _nothing_done() -> Case:
    readings = [(t, "alkalinity", "tank", "alk") for t in _spread(0.3, 9.0, 6)]
    truth = example_truth(10, uptake_meq_l_d=np.linspace(0.05, 0.02, 11))
    return Case(example_tank(reactor=None), example_log(readings), truth)


def _dosed() -> Case:
    readings = [(t, "alkalinity", "tank", "alk") for t in _spread(0.3, 12.0, 9)]
    actions = [(j + 0.35, "dose", "soda", 150.0 + 5 * j) for j in range(11)]
    actions += [(4.2, "dose_rate", "soda", 30.0), (6.1, "stock_change")]
    return Case(example_tank(reactor=None), example_log(readings, actions), example_truth(13))


def _waters() -> Case:
    readings = [(t, "alkalinity", "tank", "alk") for t in _spread(0.1, 14.0, 8)]
    readings += [(t, "calcium", "tank", "ca") for t in _spread(0.2, 14.5, 6)]
    readings += [(5.1, "alkalinity", "water", "alk", 0.0, "new")]
    readings += [(5.2, "calcium", "water", "ca", 0.0, "other")]
    actions = [(0.5, "dose_rate", "soda", 160.0), (0.5, "dose_rate", "chloride", 80.0)]
    actions += [(5.5, "water_change", "new", 70.0), (9.5, "water_change", "other", 55.0)]
    actions += [(11.25, "dose", "chloride", 200.0)]
    return Case(example_tank(reactor=None), example_log(readings, actions), example_truth(15))


def _reactor() -> Case:
    readings = [(t, "alkalinity", "tank", "alk") for t in _spread(0.1, 20.0, 9)]
    readings += [(t, "alkalinity", "effluent", "alk") for t in _spread(3.1, 19.0, 5)]
    actions = [
        (0.2, "dose_rate", "soda", 165.0),
        (3.0, "flow", "", 1800.0),
        (3.0, "dose_rate", "soda", 40.0),
        (7.3, "ph_setting", "", 6.5),
        (9.0, "new_bottle", "alk"),
        (11.4, "flow", "", 2600.0),
        (14.7, "media_change", "", 2.0),
        (16.2, "flow", "", 0.0),
        (17.8, "flow", "", 2600.0),
    ]
    return Case(example_tank(), example_log(readings, actions), example_truth(21))


def _everything() -> Case:
    readings = [(t, "alkalinity", "tank", "alk") for t in _spread(0.1, 20.0, 9)]
    readings += [(t, "calcium", "tank", "ca") for t in _spread(0.2, 20.5, 7)]
    readings += [(t, "nitrate", "tank", "no3") for t in _spread(0.3, 20.0, 5)]
    readings += [(t, "alkalinity", "effluent", "alk") for t in _spread(3.1, 19.0, 4)]
    readings += [(t, "calcium", "effluent", "ca") for t in _spread(3.2, 19.5, 3)]
    readings += [(8.4, "alkalinity", "water", "alk", 0.0, "new")]
    readings += [(12.6, "alkalinity", "reference", "alk", 0.0, "standard")]
    actions = [
        (0.2, "dose_rate", "soda", 165.0),
        (0.2, "dose_rate", "chloride", 85.0),
        (3.0, "flow", "", 1800.0),
        (6.5, "dose", "chloride", 120.0),
        (7.3, "ph_setting", "", 6.7),
        (8.5, "water_change", "new", 60.0),
        (9.0, "new_bottle", "alk"),
        (11.4, "flow", "", 2600.0),
        (12.0, "stock_change"),
        (13.5, "water_change", "other", 45.0),
        (14.7, "media_change", "", 2.0),
        (15.5, "dose", "soda", 90.0),
    ]
    # Lights that cross midnight.
    tank = example_tank(lights_on_h=15.0, lights_off_h=1.5)
    truth = example_truth(21, nitrate_rate_mmol_l_d=0.5 / NO3)
    return Case(tank, example_log(readings, actions), truth)


def _big_flow() -> Case:
    readings = [(t, "alkalinity", "tank", "alk") for t in _spread(0.1, 6.0, 9)]
    readings += [(t, "calcium", "tank", "ca") for t in _spread(0.2, 6.0, 5)]
    readings += [(t, "alkalinity", "effluent", "alk") for t in _spread(0.6, 6.0, 4)]
    actions = [
        (0.5, "flow", "", 3000.0),
        (2.3, "dose", "soda", 4.0),
        (3.7, "water_change", "new", 5.0),
    ]
    truth = example_truth(
        7,
        volume_l=20.0,
        saturated_increment_meq_l=1.9,
        effluent_strength=np.ones(8),
        half_flow_ml_h=12000.0,
    )
    return Case(example_tank(water_volume_l=20.0), example_log(readings, actions), truth)


def _probes() -> Case:
    """Two chambers with a hydroxide medium, an instrument for alkalinity, a chamber's pH probe."""
    tank = example_tank()
    tank = replace(
        tank,
        kits={
            **tank.kits,
            "probe": Kit("probe", "alkalinity", "dKH", 0.01 * DKH, 0.05 * DKH, 0.05),
        },
        reactor=Reactor(
            60.0, 6000.0, 10.0, 6.6, 2, magnesium_media_fraction=0.1, magnesium_media="hydroxide"
        ),
    )
    days = 14
    chamber_ph = 6.6 + 0.08 * np.sin(np.arange(days + 1) / 2)
    readings = [(t, "alkalinity", "tank", "alk") for t in _spread(0.1, 13.0, 5)]
    readings += [(3.05 + j / 8, "alkalinity", "tank", "probe") for j in range(48)]
    readings += [(t, "calcium", "tank", "ca") for t in _spread(0.2, 13.5, 5)]
    readings += [(t, "nitrate", "tank", "no3") for t in _spread(0.3, 13.0, 3)]
    readings += [(t, "alkalinity", "effluent", "alk") for t in _spread(1.5, 13.0, 4)]
    readings += [(t, "calcium", "effluent", "ca") for t in _spread(1.6, 13.0, 2)]
    readings += [(j + 0.4, "ph", "chamber", "", float(chamber_ph[j])) for j in range(days)]
    actions = [
        (0.2, "dose_rate", "soda", 60.0),
        (1.2, "flow", "", 1500.0),
        (5.4, "water_change", "new", 60.0),
        (6.3, "flow", "", 2400.0),
        (9.5, "ph_setting", "", 6.5),
    ]
    truth = example_truth(
        days,
        ph_response=0.8,
        chamber_ph=chamber_ph,
        media_magnesium_share=0.1,
        nitrate_rate_mmol_l_d=0.3 / NO3,
        drifting={"probe": (0.1 * DKH, 1.5)},
    )
    return Case(tank, condense(example_log(readings, actions)), truth)


CASES: Mapping[str, Callable[[], Case]] = {
    "nothing done": _nothing_done,
    "dosed": _dosed,
    "waters": _waters,
    "reactor": _reactor,
    "everything": _everything,
    "20 L with 3 L/h": _big_flow,
    "probes": _probes,
}
