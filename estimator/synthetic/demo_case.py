"""The demo: an invented tank with a known truth.

A 620 L coral nursery tank in a school's biology room goes from two dosed solutions to a calcium
reactor. Tests follow school days, stop over the spring holiday, are read on a coarse kit; one
titration is misread, one new bottle of reagent is opened late, some rows have no time of day. All
values are made by `simulation` from the truth below with a fixed seed.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from estimator import units
from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.read import read_log, read_tank
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.synthetic.magnesium import MagnesiumTruth, with_magnesium
from estimator.synthetic.simulation import Truth, simulate_log

SEED = 620
START = datetime(2026, 2, 2)
DAYS = 120
NOW = datetime(2026, 6, 3)
LOG_NAME = "nursery-log.csv"
TANK_NAME = "nursery-tank.toml"
COLUMNS = ("time", "entry", "of", "value", "unit", "kit", "note")

TANK_TOML = """\
# An invented tank: the coral nursery of a school's biology room.
[tank]
name = "Biology room coral nursery"
water_volume_l = 620
water_volume_sd_pct = 6
salinity_g_kg = 35
temperature_c = 25.5
lights_on = "10:00"
lights_off = "20:00"

[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dKH"
max_rise_per_day = 0.5

[targets.calcium]
low = 400
high = 450
unit = "mg/L"

[kits.alk-drops]
parameter = "alkalinity"
unit = "dKH"
step = 0.3
repeatability = 0.2
calibration_sd_pct = 5
minutes = 6

[kits.ca-drops]
parameter = "calcium"
unit = "mg/L"
step = 10
repeatability = 8
calibration_sd_pct = 4
minutes = 9

[kits.mg-drops]
parameter = "magnesium"
unit = "mg/L"
step = 30
minutes = 10

[solutions.soda]
alkalinity_meq_per_ml = 1.9

[solutions.chloride]
calcium_chloride_dihydrate_g_per_l = 270

[water.new]
alkalinity = 8.2
alkalinity_unit = "dKH"
calcium = 420

[reference.standard]
alkalinity = 7.0
alkalinity_unit = "dKH"

[reactor]
flow_min_ml_h = 60
flow_max_ml_h = 4000
flow_step_ml_h = 10
chamber_ph = 6.6
chambers = 2
media_kg = 3.0
magnesium_media_pct = 10
co2_charge_g = 2000
"""

# Days after the start on which alkalinity, calcium and effluent alkalinity were tested.
_HOLIDAY = range(54, 65)
_ALKALINITY_TESTS = 58
_CALCIUM_TESTS = 20
_EFFLUENT_DAYS = (84, 88, 93, 99, 107, 116)
_MISREAD_TEST = 23
_MISREAD_DKH = 1.5


@dataclass(frozen=True)
class _Row:
    """One row of the demo log; `value` is None where the simulator fills it."""

    time: datetime
    entry: str
    of: str = ""
    value: float | None = None
    unit: str = ""
    kit: str = ""
    note: str = ""
    dated_only: bool = False

    def cells(self, value: str) -> list[str]:
        form = "%Y-%m-%d" if self.dated_only else "%Y-%m-%dT%H:%M"
        return [
            self.time.strftime(form),
            self.entry,
            self.of,
            value,
            self.unit,
            self.kit,
            self.note,
        ]


def _at(day: float, hour: float = 12.0) -> datetime:
    """A whole minute on a day of the demo."""
    minute = round(hour * 60)
    return START + timedelta(days=int(day), minutes=minute)


def _school_days() -> list[int]:
    return [
        day
        for day in range(DAYS)
        if (START + timedelta(days=day)).weekday() < 5 and day not in _HOLIDAY
    ]


def _tests(rng: np.random.Generator) -> list[_Row]:
    days = _school_days()
    rows = []
    for i, day in enumerate(sorted(rng.choice(days, size=_ALKALINITY_TESTS, replace=False))):
        hour = float(rng.choice([8.2, 9.5, 12.3, 15.6])) + rng.uniform(-0.3, 0.3)
        dated_only = i in (11, 30)
        rows.append(
            _Row(
                _at(day, 12.0 if dated_only else hour),
                "alkalinity",
                "tank",
                None,
                "dKH",
                "alk-drops",
                "lesson was short" if i == _MISREAD_TEST else "",
                dated_only,
            )
        )
    for day in sorted(rng.choice(days, size=_CALCIUM_TESTS, replace=False)):
        hour = float(rng.uniform(12.5, 16.0))
        rows.append(_Row(_at(day, hour), "calcium", "tank", None, "mg/L", "ca-drops"))
    for day in _EFFLUENT_DAYS:
        hour = float(rng.uniform(9.0, 15.0))
        rows.append(_Row(_at(day, hour), "alkalinity", "effluent", None, "dKH", "alk-drops"))
    for day in (15, 72, 101):
        rows.append(_Row(_at(day, 14.5), "magnesium", "tank", None, "mg/L", "mg-drops"))
    rows.append(_Row(_at(2, 15.0), "alkalinity", "standard", None, "dKH", "alk-drops"))
    rows.append(_Row(_at(78, 15.0), "alkalinity", "standard", None, "dKH", "alk-drops"))
    return rows


def _actions() -> list[_Row]:
    rows = [
        _Row(_at(day, 16.5), "water_change", "new", 60.0, "L")
        for day in range(11, DAYS, 14)
        if day not in _HOLIDAY
    ]
    for day, soda, chloride in (
        (0, 160, 84),
        (17, 172, 90),
        (40, 168, 87),
        (49, 185, 96),
        (66, 196, 102),
        (82, 95, 49),
        (86, 50, 26),
        (91, 20, 10),
        (95, 0, 0),
    ):
        rows.append(_Row(_at(day, 9.0), "dose_rate", "soda", float(soda), "mL/day"))
        rows.append(_Row(_at(day, 9.0), "dose_rate", "chloride", float(chloride), "mL/day"))
    for day, flow, note in (
        (82, 900, "reactor started"),
        (86, 1500, ""),
        (91, 2100, ""),
        (95, 2700, "dosing pump off"),
        (108, 2850, ""),
    ):
        rows.append(_Row(_at(day, 9.1), "flow", "reactor", float(flow), "mL/h", note=note))
    rows.append(_Row(_at(45, 15.0), "stock_change", note="nine frags added"))
    rows.append(_Row(_at(76, 8.0), "new_bottle", "alk-drops"))
    return rows


def _text(rows: list[_Row], values: list[str]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(row.cells(value) for row, value in zip(rows, values, strict=True))
    return buffer.getvalue()


def _uptake() -> np.ndarray:
    """True daily uptake at the middle of the band: growth, a slow wave, a step by nine frags."""
    day = np.arange(DAYS + 1)
    relative = (1 + 0.0016 * day + 0.03 * np.sin(day / 11)) * np.where(day >= 45, 1.10, 1.0)
    return 1.42 * units.MEQ_L_PER_DKH * relative


def demo_truth(log: TankLog) -> Truth:
    """The true values behind the demo log."""
    dkh = units.MEQ_L_PER_DKH
    tank_tests = [r for r in log.readings if (r.parameter, r.sample) == ("alkalinity", "tank")]
    return Truth(
        volume_l=598.0,
        light_ratio=2.8,
        uptake_meq_l_d=_uptake(),
        calcium_share=0.487,
        saturated_increment_meq_l=28.5 * dkh,
        effluent_strength=1 - 0.0004 * np.arange(DAYS + 1),
        half_flow_ml_h=2960.0,
        uptake_per_meq_l=0.07 / dkh,
        media_magnesium_share=0.02,
        start={"alkalinity": 8.1 * dkh, "calcium": 424 / units.CA_G_MOL},
        waters={"new": {"alkalinity": 8.0 * dkh, "calcium": 415 / units.CA_G_MOL}},
        kit_calibration={("alk-drops", 0): 1.035, ("alk-drops", 1): 0.985, ("ca-drops", 0): 1.02},
        kit_repeatability={
            "alk-drops": 0.2 * dkh,
            "ca-drops": 8 / units.CA_G_MOL,
            "mg-drops": 15 / units.MG_G_MOL,
        },
        misread={tank_tests[_MISREAD_TEST].row: _MISREAD_DKH * dkh},
    )


DEMO_MAGNESIUM = MagnesiumTruth(
    start_mmol_l=1322 / units.MG_G_MOL,
    share=0.02,
    uptake_ratio=0.03,
    waters={"new": 1305 / units.MG_G_MOL},
)
"""The medium is a dolomite of which little dissolves; uptake is that of corals and some coralline
algae."""


@dataclass(frozen=True)
class Demo:
    """The demo's two texts, and the records and truth behind them."""

    log_csv: str
    tank_toml: str
    tank: Tank
    log: TankLog
    truth: Truth


def _placeholder(row: _Row) -> str:
    """A value that the reader accepts, until the simulator fills in the true one."""
    if row.value is not None:
        return f"{row.value:g}"
    return {"alkalinity": "8", "calcium": "420", "magnesium": "1300"}.get(row.entry, "")


def make_demo() -> Demo:
    """The demo from its seed; the same every time."""
    rng = np.random.default_rng(SEED)
    rows = sorted([*_tests(rng), *_actions()], key=lambda row: row.time)
    placeholders = [_placeholder(row) for row in rows]
    tank, _ = read_tank(Path(TANK_NAME), data=TANK_TOML.encode())
    blank, tank = read_log(Path(LOG_NAME), tank, now=NOW, data=_text(rows, placeholders).encode())
    truth = demo_truth(blank)
    filled = simulate_log(tank, blank, truth, rng)
    filled = with_magnesium(tank, filled, truth, DEMO_MAGNESIUM, rng)
    shown = {
        r.row: PARAMETERS[r.parameter].from_canonical(r.value, r.unit) for r in filled.readings
    }
    values = [
        f"{shown[i]:.10g}" if i in shown else text for i, text in enumerate(placeholders, start=2)
    ]
    text = _text(rows, values)
    log, tank = read_log(Path(LOG_NAME), tank, now=NOW, data=text.encode())
    return Demo(text, TANK_TOML, tank, log, truth)
