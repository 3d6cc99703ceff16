"""Studies made from random numbers, without a fit, for every kind of report."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.dosing import Solution
from estimator.planning import (
    Candidate,
    HowMuch,
    PlannedTest,
    Planning,
    PlanOfTests,
    Ranked,
    Swing,
)
from estimator.posterior import Diagnostics, Posterior, ReadingCheck
from estimator.recommendation import FlowAdvice, Recommendation, Setting
from estimator.records import Action, Reading, TankLog
from estimator.study import Study
from estimator.tank import Composition, Kit, Reactor, Tank, Target

DKH, CALCIUM = units.MEQ_L_PER_DKH, units.CA_G_MOL
START = datetime(2026, 3, 1, 9, 30)
DAYS = 40
DRAWS = 400

MakeStudy = Callable[..., Study]
VARIANTS = (
    "full",
    "leave",
    "start",
    "no calcium",
    "no reactor",
    "wide",
    "failed",
    "net change",
    "hostile",
)
"""Every kind of report; "wide" and "failed" withhold the setting."""
HOSTILE = '<script>alert("1")</script> \u202eetis\u202c \x07$\\frac$ {{ 7*7 }} 鱼🐠'


def hostile(kind: str) -> str:
    """A name that tries to break out of the page, told apart by `kind`."""
    return f"{kind}/~{HOSTILE}"


def make_tank(*, reactor: bool, calcium: bool, names: Callable[[str], str]) -> Tank:
    targets = {"alkalinity": Target(7.6 * DKH, 8.8 * DKH, "dKH", 0.5 * DKH)}
    kits = {names("drops"): Kit(names("drops"), "alkalinity", "dKH", 0.3 * DKH)}
    if calcium:
        targets["calcium"] = Target(400 / CALCIUM, 450 / CALCIUM, "mg/L")
        kits[names("ca")] = Kit(names("ca"), "calcium", "mg/L", 10 / CALCIUM)
    pump = Reactor(60, 3000, 10, chamber_ph=6.6) if reactor else None
    return Tank(
        name=names("Reef in the hall"),
        water_volume_l=620,
        water_volume_sd_fraction=0.06,
        salinity_g_kg=35,
        temperature_c=25,
        lights_on_h=10,
        lights_off_h=20,
        targets=targets,
        kits=kits,
        solutions={
            names("soda"): Solution(names("soda"), alkalinity_meq_per_ml=1.9),
            names("chloride"): Solution(names("chloride"), calcium_mmol_per_ml=1.8),
        },
        waters={names("new"): Composition(names("new"), {"alkalinity": 8.2 * DKH})},
        references={},
        reactor=pump,
    )


def make_log(
    tank: Tank,
    *,
    calcium: bool,
    additions: bool,
    flow: float,
    tests: int,
    names: Callable[[str], str],
) -> TankLog:
    rng = np.random.default_rng(5)
    row = iter(range(2, 5000))
    readings, actions = [], []

    def at(day: float) -> datetime:
        return START + timedelta(minutes=round(1440 * day))

    def test(day: float, parameter: str, sample: str, value: float, unit: str, kit: str) -> None:
        readings.append(Reading(next(row), at(day), parameter, sample, "", value, unit, names(kit)))

    for day in np.linspace(0, DAYS - 1, tests):
        value = round(rng.normal(8.3, 0.2), 1) * DKH
        test(float(day), "alkalinity", "tank", value, "dKH", "drops")
    if calcium:
        for day in np.linspace(1, DAYS - 2, 8):
            test(float(day), "calcium", "tank", 420 / CALCIUM, "mg/L", "ca")
    if tank.reactor is not None and flow:
        actions.append(Action(next(row), at(0.1), "flow", "", flow))
        for day in (5.0, 20.0, 35.0):
            test(day, "alkalinity", "effluent", 27.5 * DKH, "dKH", "drops")
    elif additions:
        actions.append(Action(next(row), at(0.1), "dose_rate", names("soda"), 180.0))
    change = Action(
        next(row), at(12.0), "water_change", names("new"), 60.0, names("note"), ("a large change",)
    )
    actions.append(change)
    readings.sort(key=lambda reading: reading.time)
    if tests:
        readings[3] = replace(readings[3], note=names("slip"), flags=("outside the usual range",))
    return TankLog(
        name=names("log.csv"),
        sha256="a" * 64,
        rows=len(readings) + len(actions),
        rows_without_time=1,
        readings=tuple(readings),
        actions=tuple(actions),
        start=min(reading.time for reading in readings),
        end=max(record.time for record in (*readings, *actions)),
    )


def make_posterior(
    log: TankLog, *, calcium: bool, reactor: bool, net_change: bool, failures: tuple[str, ...]
) -> Posterior:
    rng = np.random.default_rng(11)

    def draws(middle: float, part: float, *shape: int) -> np.ndarray:
        return middle * np.exp(part * rng.standard_normal((DRAWS, *shape)))

    days = tuple(log.start.date() + timedelta(days=j) for j in range(DAYS))
    steps = rng.standard_normal((DRAWS, DAYS)).cumsum(axis=1)
    uptake = draws(0.55, 0.05)[:, None] * (1 + 0.01 * steps)
    share = np.full(DRAWS, 0.5)
    # One slip, far off the scale, and errors of the kit's own size.
    checks = tuple(
        ReadingCheck(
            reading,
            reading.value - (2.0 if i == 3 else 0.05 * rng.standard_normal()) * reading.value / 9,
            0.05 * reading.value / 9,
            1e-9 if i == 3 else 0.97,
            1.0 if i == 3 else (i + 0.5) / len(log.readings),
            -9.0 if i == 3 else -0.5,
        )
        for i, reading in enumerate(log.readings)
    )
    kits = sorted({reading.kit for reading in log.readings})
    return Posterior(
        chains=4,
        volume_l=draws(620, 0.05),
        light_share=draws(0.5, 0.1),
        calcium_share=share,
        exponent=draws(0.4, 0.1),
        drift=draws(0.02, 0.1),
        effluent_drift=draws(0.008, 0.1),
        uptake_scale=draws(0.5, 0.1),
        days=days,
        uptake_meq_l_d=uptake,
        calcium_uptake_mmol_l_d=share[:, None] * uptake,
        alkalinity_meq_l=draws(8.3 * DKH, 0.02, DAYS),
        calcium_mmol_l=draws(420 / CALCIUM, 0.02, DAYS) if calcium else None,
        alkalinity_now_meq_l=draws(8.3 * DKH, 0.02),
        calcium_now_mmol_l=draws(420 / CALCIUM, 0.02) if calcium else None,
        nitrate_loss_meq_l_d=None,
        effluent_gain_meq_l=draws(19 * DKH, 0.05),
        effluent_meq_l=draws(27 * DKH, 0.05),
        middle_meq_l=8.2 * DKH,
        reference_flow_l_d=62.4 if reactor else None,
        present_flow_l_d=62.4 if reactor else 0.0,
        dosed_meq_d=0.0,
        effluent_tested=reactor,
        kit_gain={(kit, bottle): draws(1.01, 0.03) for kit in kits for bottle in (0, 1)},
        kit_repeatability={kit: draws(0.08, 0.1) for kit in kits},
        checks=checks,
        net_change=net_change,
        diagnostics=Diagnostics(
            r_hat_max=float("nan") if failures else 1.004,
            ess_bulk_min=900.4,
            ess_tail_min=1000.6,
            worst="uptake now",
            divergences=0,
            chains=4,
            draws=DRAWS // 4,
            failures=failures,
        ),
    )


def make_recommendation(tank: Tank, *, variant: str, current: float | None) -> Recommendation:
    rng = np.random.default_rng(17)
    spread = 0.9 if variant == "wide" else 0.06
    needed = 2210 * np.exp(spread * rng.standard_normal(DRAWS))
    reasons = {
        "wide": (
            "The data cannot say yet, mostly because of effluent strength. Test the effluent",
        ),
        "failed": ("The fit did not pass its own checks: the chains disagree.",),
    }.get(variant, ())
    low, high = np.quantile(needed, [0.05, 0.95])
    setting = Setting(np.floor(low / 10) * 10, np.ceil(high / 10) * 10, 2220.0)
    return Recommendation(
        status="withheld" if reasons else "recommended",
        reasons=reasons,
        notes=("A note that the advice depends on.",),
        flow=FlowAdvice(
            needed_ml_h=needed,
            current_ml_h=current,
            setting=None if reasons else setting,
            in_band_probability=None if reasons else 0.78,
            current_probability=None if current is None else 0.76 if variant == "leave" else 0.2,
            level_in_band=0.93,
            horizon_days=14,
            shares={"uptake": 0.5, "effluent strength": 0.6, "water volume": -0.1},
        ),
        dose_ml_d={
            name: 180 * np.exp(0.05 * rng.standard_normal(DRAWS)) for name in tank.solutions
        },
        dosed_meq_d=0.0,
        media_g_d=18 * np.exp(0.05 * rng.standard_normal(DRAWS)),
        co2_g_d=15 * np.exp(0.2 * rng.standard_normal(DRAWS)),
    )


def make_planning(log: TankLog, *, settled: bool) -> Planning:
    """Advice on tests, made up."""
    reading = log.readings[-1]

    def ranked(key: str, label: str, repeats: int, left: float, **changes: Any) -> Ranked:
        candidate = Candidate(key, label, (reading,), repeats, minutes=6.0 * repeats, **changes)
        width = 500.0
        return Ranked(
            candidate=candidate,
            width_now_ml_h=width,
            expected_width_ml_h=left * width,
            width_spread_ml_h=(0.9 * left * width, 1.1 * left * width),
            narrowing=1 - left,
            narrowing_error=0.004,
            gain=0.2 * (1 - left),
            gain_error=0.002,
            holding=0.6,
            effective=900.0,
            tied=left > 0.9,
        )

    plan = PlanOfTests(
        tests=(
            PlannedTest(log.end + timedelta(days=2), "alkalinity", "tank", "alk", 2, 12.0),
            PlannedTest(log.end + timedelta(days=9), "alkalinity", "effluent", "alk", 1, 6.0),
        ),
        minutes_per_week=30.0,
        width=0.6,
        width_error=0.01,
        even_width=0.7,
    )
    return Planning(
        swings=(Swing("effluent strength", 2700.0, 2300.0), Swing("water volume", 2450.0, 2520.0)),
        ranked=(
            ranked("stop_day", "stop all additions for a day", 1, 0.5, risk="The level falls."),
            ranked("tank_alkalinity", "tank alkalinity", 3, 0.7, days=3.0, price=1.5),
            ranked("tank_alkalinity", "tank alkalinity", 1, 0.8),
            ranked("tank_magnesium", "tank magnesium", 1, 1.002),
        ),
        how_much=HowMuch(
            width=tuple(float(x) for x in np.linspace(1.0, 0.4, 29)),
            floor=0.25,
            floor_causes={"water volume": 0.1, "the kit's calibration": 0.6},
            gains={1: 0.02, 2: 0.03, 4: 0.05, 8: 0.06, 14: 0.065},
            perfect_gain=0.2,
            enough=4,
        ),
        plan=plan,
        settled_until=log.end.date() + timedelta(days=12) if settled else None,
    )


@cache
def build_study(variant: str, tests: int = 20) -> Study:
    """One kind of report; `tests` counts alkalinity readings of the tank."""
    calcium = variant != "no calcium"
    reactor = variant not in ("no reactor", "net change")
    flow = {"leave": 2250.0, "start": 0.0}.get(variant, 2600.0) if reactor else 0.0
    names = hostile if variant == "hostile" else str
    tank = make_tank(reactor=reactor, calcium=calcium, names=names)
    log = make_log(
        tank,
        calcium=calcium,
        additions=variant != "net change",
        flow=flow,
        tests=tests,
        names=names,
    )
    posterior = make_posterior(
        log,
        calcium=calcium,
        reactor=reactor,
        net_change=variant == "net change",
        failures=("the chains disagree",) if variant == "failed" else (),
    )
    return Study(
        tank=tank,
        log=log,
        tank_sha256="b" * 64,
        posterior=posterior,
        recommendation=make_recommendation(tank, variant=variant, current=flow or None),
        job=None,
        planning=None if variant == "failed" else make_planning(log, settled=variant == "leave"),
        seed=1,
        seconds={"fit": 1.5},
    )


@pytest.fixture
def make_study() -> MakeStudy:
    """`make_study(variant, tests=20)`: see `build_study`."""
    return build_study


@pytest.fixture(params=VARIANTS)
def study(request: pytest.FixtureRequest) -> Study:
    """Each kind of report in turn."""
    return build_study(request.param)
