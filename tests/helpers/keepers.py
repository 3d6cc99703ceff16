"""Invented keepers: realistic tanks, habits and logs of known truth, for recovery studies."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

import numpy as np

from estimator import units
from estimator.inputs.dosing import Solution
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Kit, Reactor, Tank, Target
from estimator.synthetic.simulation import Truth, simulate_levels
from helpers.tanks import Case

DKH = units.MEQ_L_PER_DKH
CA = units.CA_G_MOL
START = datetime(2026, 1, 5)


def keeper_tank(rng: np.random.Generator) -> Tank:
    """A tank file: a small or middling reef on drop kits."""
    return Tank(
        name="keeper",
        water_volume_l=float(rng.choice([90.0, 220.0, 450.0])),
        water_volume_sd_fraction=0.07,
        salinity_g_kg=35.0,
        temperature_c=25.5,
        lights_on_h=10.0,
        lights_off_h=20.0,
        targets={
            "alkalinity": Target(7.6 * DKH, 8.8 * DKH, "dKH", 0.5 * DKH),
            "calcium": Target(400 / CA, 450 / CA, "mg/L"),
        },
        kits={
            "alk": Kit("alk", "alkalinity", "dKH", 0.3 * DKH, 0.2 * DKH, 0.05, 6.0),
            "ca": Kit("ca", "calcium", "mg/L", 10 / CA, 8 / CA, 0.04, 9.0),
        },
        solutions={"soda": Solution("soda", 1.9), "chloride": Solution("chloride", 0.0, 1.84)},
        waters={"new": Composition("new", {"alkalinity": 8.2 * DKH, "calcium": 420 / CA})},
        references={},
        reactor=Reactor(10.0, 6000.0, 10.0, chamber_ph=6.6),
    )


def keeper_case(rng: np.random.Generator, days: int = 60, reactor: bool = True) -> Case:
    """One keeper: doses, then (where `reactor`) a reactor, put right every week or two by guess.

    Guesses are 6 % off and aim to bring the level back to 8.2 dKH over the next two weeks.
    """
    tank = keeper_tank(rng)
    volume = tank.water_volume_l * float(np.exp(0.07 * rng.standard_normal()))
    truth = _keeper_truth(tank, volume, days, rng)
    begun = int(days * 0.45) if reactor else days + 1
    rows = iter(range(2, 10_000))
    actions: list[Action] = []

    def at(day: float) -> datetime:
        return START + timedelta(minutes=round(day * 1440))

    def act(day: float, kind: str, of: str = "", value: float | None = None) -> None:
        actions.append(Action(next(rows), at(day), kind, of, value))
        actions.sort(key=lambda a: a.time)

    def load(day: float) -> float:
        """Guessed meq/day that bring the level back within two weeks."""
        log = TankLog("", "", 0, 0, (), tuple(actions), START, at(day))
        level = simulate_levels(tank, log, truth, [at(day)]).alkalinity_meq_l[0]
        wanted = truth.uptake_meq_l_d[int(day)] + (8.2 * DKH - level) / 14
        return float(max(wanted, 0.0) * volume * np.exp(0.06 * rng.standard_normal()))

    for day in np.arange(9.6, days, 14):
        act(float(day), "water_change", "new", 0.1 * tank.water_volume_l)
    for day in np.arange(0.4, min(begun, days), 10):
        meq_d = load(float(day))
        act(float(day), "dose_rate", "soda", meq_d / 1.9)
        act(float(day), "dose_rate", "chloride", meq_d * 0.49 / 1.84)
    if reactor:
        for name in ("soda", "chloride"):
            act(begun + 0.4, "dose_rate", name, 0.0)
        for day in (begun + 0.41, begun + 8.4, begun + 20.4):
            if day < days:
                gain = truth.increment_meq_l[0]
                reference = truth.reference_flow_ml_h * 24 / 1000
                ratio = (load(day) / (reference * gain)) ** (1 / (1 - truth.exponent))
                act(day, "flow", "", truth.reference_flow_ml_h * float(np.clip(ratio, 0.3, 3)))
    readings = _keeper_tests(rng, at, rows, days, begun)
    times = [record.time for record in (*readings, *actions)]
    log = TankLog(
        "keeper", "", len(times), 0, tuple(readings), tuple(actions), min(times), max(times)
    )
    return Case(tank, log, truth)


def _keeper_truth(tank: Tank, volume: float, days: int, rng: np.random.Generator) -> Truth:
    start = float(np.exp(rng.normal(np.log(1.3), 0.45))) * DKH
    drift = 0.015 * np.cumsum(rng.standard_normal(days + 2))
    gain = float(np.exp(rng.normal(np.log(16.5), 0.25))) * DKH
    return Truth(
        volume_l=volume,
        light_ratio=float(np.exp(rng.normal(np.log(2.5), 0.3))),
        uptake_meq_l_d=start * (1 + np.clip(drift, -0.6, None)),
        calcium_share=float(rng.normal(0.49, 0.03)),
        increment_meq_l=np.full(days + 2, gain),
        exponent=float(rng.uniform(0.15, 0.65)),
        reference_flow_ml_h=start * volume / gain / 24 * 1000,
        start={"alkalinity": 8.2 * DKH, "calcium": 425 / CA},
        waters={
            "new": {
                "alkalinity": float(rng.normal(8.2, 0.25)) * DKH,
                "calcium": float(rng.normal(420, 8)) / CA,
            }
        },
        kit_calibration={
            ("alk", 0): float(np.exp(0.05 * rng.standard_normal())),
            ("ca", 0): float(np.exp(0.04 * rng.standard_normal())),
        },
        kit_repeatability={"alk": 0.2 * DKH, "ca": 8 / CA},
    )


def _keeper_tests(
    rng: np.random.Generator,
    at: Callable[[float], datetime],
    rows: Iterator[int],
    days: int,
    begun: int,
) -> list[Reading]:
    """Irregular alkalinity, weekly calcium, three effluent tests; values still zero."""
    readings: list[Reading] = []

    def read(day: float, parameter: str, sample: str, kit: str) -> None:
        readings.append(Reading(next(rows), at(day), parameter, sample, "", 0.0, "", kit))

    day = 0.0
    while day < days - 1:
        read(day + float(rng.uniform(0.33, 0.85)), "alkalinity", "tank", "alk")
        day += float(rng.choice([1, 2, 3, 5]))
    for day in np.arange(1, days, 7):
        read(float(day) + 0.7, "calcium", "tank", "ca")
    for day in (begun + 3, begun + 10, begun + 20):
        if day < days:
            read(day + 0.5, "alkalinity", "effluent", "alk")
    return sorted(readings, key=lambda r: r.time)
