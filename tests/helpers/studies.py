"""Studies made from random numbers, without a fit, for every kind of report."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np

from estimator import units
from estimator.advice.alarms import alarms_of
from estimator.advice.chamber import Range
from estimator.advice.effluent_check import EffluentCheck, OddEffluent
from estimator.advice.flow import FlowAdvice, Recommendation, Setting
from estimator.advice.magnesium import Magnesium
from estimator.advice.outlook import ElementOutlook, Outlook, WaterRoutine
from estimator.advice.ph_and_flow import (
    FLOWS,
    PH_AXIS,
    TABLE_PH,
    ChamberTrade,
    PhRange,
    SecondChamber,
    WorkingPoint,
)
from estimator.advice.supplies import MOST_DAYS, Stock, Supplies
from estimator.advice.tank_ph import Measure, TankPh
from estimator.advice.trust import check_level, trust_in
from estimator.fit.checks import Diagnostics, ReadingCheck
from estimator.fit.doubts import Doubt, Doubts
from estimator.fit.jumps import Jumps
from estimator.fit.posterior import Posterior
from estimator.fit.priors import physical_priors
from estimator.fit.schedule import build_schedule
from estimator.fit.watch import Change, Watch
from estimator.inputs.dosing import Solution
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Kit, Reactor, Tank, Target
from estimator.next_tests.candidates import Candidate
from estimator.next_tests.enough import HowMuch
from estimator.next_tests.planning import Planning, Swing
from estimator.next_tests.ranking import Ranked
from estimator.next_tests.timetable import Learning, PlannedTest
from estimator.plan.guard import held_back, hold, outlook_told
from estimator.remark import Remark
from estimator.study import ReactorJob, Study
from estimator.unknowns import Unknown
from estimator.water.supply import SupplyLaw
from helpers.made_plans import make_plan

DKH, CALCIUM, MAGNESIUM = units.MEQ_L_PER_DKH, units.CA_G_MOL, units.MG_G_MOL
START = datetime(2026, 3, 1, 9, 30)
DAYS = 40
DRAWS = 400

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
    "alarmed",
    "first step",
    "correct",
)
"""Every kind of report; "wide", "failed" and "first step" withhold the setting, "alarmed" holds a
raise back."""
SPOILED = ("calcium withheld", "alkalinity withheld")
"""Reports without some figures, beside the others."""
FAILURES = (
    Remark("fit_chains_disagree", {"quantity": "uptake now", "r_hat": np.nan, "r_hat_limit": 1.01}),
)
NO_JUMPS = Jumps(*(np.zeros(1, dtype=np.int64) for _ in range(4)), np.zeros(1), np.zeros(1))
"""None is the only candidate."""
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
    days: int,
    names: Callable[[str], str],
) -> TankLog:
    rng = np.random.default_rng(5)
    row = iter(range(2, 5000))
    readings, actions = [], []

    def at(day: float) -> datetime:
        return START + timedelta(minutes=round(1440 * day))

    def test(day: float, parameter: str, sample: str, value: float, unit: str, kit: str) -> None:
        readings.append(Reading(next(row), at(day), parameter, sample, "", value, unit, names(kit)))

    for day in np.linspace(0, days - 1, tests):
        value = round(rng.normal(8.3, 0.2), 1) * DKH
        test(float(day), "alkalinity", "tank", value, "dKH", "drops")
    if calcium:
        for day in np.linspace(1, days - 2, 8):
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
    log: TankLog,
    *,
    calcium: bool,
    ran: bool,
    flow_ml_h: float,
    net_change: bool,
    failures: tuple[Remark, ...],
    count: int,
    level_dkh: float = 8.3,
) -> Posterior:
    rng = np.random.default_rng(11)

    def draws(middle: float, part: float, *shape: int) -> np.ndarray:
        return middle * np.exp(part * rng.standard_normal((DRAWS, *shape)))

    days = tuple(log.start.date() + timedelta(days=j) for j in range(count))
    steps = rng.standard_normal((DRAWS, count)).cumsum(axis=1)
    uptake = draws(0.55, 0.05)[:, None] * (1 + 0.01 * steps)
    share, volume = np.full(DRAWS, 0.5), draws(620, 0.05)
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
    # At 2600 mL/h 55 % of saturation, 19 dKH over the tank.
    law = SupplyLaw(
        volume_l=volume,
        saturated_meq_l=draws(34.5 * DKH, 0.05),
        half_flow_l_d=draws(76.0, 0.05),
        middle_meq_l=8.2 * DKH,
        strength=np.ones(DRAWS),
        level_response_per_d=draws(0.13, 0.2),
    )
    return Posterior(
        chains=4,
        volume_l=volume,
        light_share=draws(0.5, 0.1),
        calcium_share=share,
        level_response_l_meq=draws(0.25, 0.2),
        load_share=draws(0.6, 0.1),
        ph_response=draws(3.6, 0.1),
        drift=draws(0.02, 0.1),
        effluent_drift=draws(0.008, 0.1),
        uptake_scale=draws(0.5, 0.1),
        days=days,
        uptake_meq_l_d=uptake,
        calcium_uptake_mmol_l_d=share[:, None] * uptake,
        alkalinity_meq_l=draws(level_dkh * DKH, 0.02, count),
        calcium_mmol_l=draws(420 / CALCIUM, 0.02, count) if calcium else None,
        alkalinity_now_meq_l=draws(level_dkh * DKH, 0.02),
        calcium_now_mmol_l=draws(420 / CALCIUM, 0.02) if calcium else None,
        nitrate_loss_meq_l_d=None,
        law=law,
        media_magnesium_share=np.clip(draws(0.02, 0.5), 0.0, 1.0),
        unlogged_calcium_mmol_l_d=np.zeros((DRAWS, count)) if calcium else None,
        strength=law.strength[:, None] * np.ones(count),
        jump=np.zeros(DRAWS, dtype=np.int64),
        jumps=NO_JUMPS,
        last_run_flow_l_d=(0.024 * flow_ml_h or 62.4) if ran else None,
        present_flow_l_d=0.024 * flow_ml_h,
        dosed_meq_d=0.0,
        effluent_tested=ran,
        kit_calibration={(kit, bottle): draws(1.01, 0.03) for kit in kits for bottle in (0, 1)},
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
    spread = 0.9 if variant in ("wide", "first step") else 0.06
    needed = 2210 * np.exp(spread * rng.standard_normal(DRAWS))
    cause = (Remark("withheld_cause_first", {"about": "additions"}),)
    wide = (Remark("withheld_wide_range", {"ratio": 19.0, "source": Unknown.EFFLUENT}),)
    reasons = {
        "alkalinity withheld": cause,
        "wide": wide,
        "first step": wide,
        "failed": (
            Remark("withheld_fit_failed", {"failures": FAILURES, "source": Unknown.UPTAKE}),
        ),
    }.get(variant, ())
    low, high = np.quantile(needed, [0.05, 0.95])
    setting = Setting(np.floor(low / 10) * 10, np.ceil(high / 10) * 10, 2220.0)
    return Recommendation(
        status="withheld" if reasons else "recommended",
        reasons=reasons,
        notes=(Remark("note_calcium_high"),),
        flow=FlowAdvice(
            needed_ml_h=needed,
            current_ml_h=current,
            setting=None if reasons else setting,
            in_band_probability=None if reasons else 0.78,
            dosed_beside_meq_d=0.0,
            current_probability=None if current is None else 0.76 if variant == "leave" else 0.2,
            in_band_as_kit_reads=None if reasons else 0.56,
            current_as_kit_reads=None if current is None else 0.15,
            read_every_days=2,
            level_in_band=0.02 if variant == "correct" else 0.93,
            horizon_days=14,
            shares={Unknown.UPTAKE: 0.5, Unknown.EFFLUENT: 0.6, Unknown.VOLUME: -0.1},
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

    def ranked(key: str, repeats: int, left: float, **changes: Any) -> Ranked:
        candidate = Candidate(key, (reading,), repeats, minutes=6.0 * repeats, **changes)
        width = 500.0
        return Ranked(
            candidate=candidate,
            width_now_ml_h=width,
            expected_width_ml_h=left * width,
            width_range_ml_h=(0.9 * left * width, 1.1 * left * width),
            narrowing=1 - left,
            narrowing_error=0.004,
            value=0.2 * (1 - left),
            value_error=0.002,
            holding=0.6,
            effective=900.0,
            tied=left > 0.9,
        )

    learned = PlannedTest(
        log.end + timedelta(days=5), "alkalinity", "effluent", reading.kit, 1, 6.0, "learning"
    )
    return Planning(
        swings=(Swing(Unknown.EFFLUENT, 2700.0, 2300.0), Swing(Unknown.VOLUME, 2450.0, 2520.0)),
        ranked=(
            ranked("stop_day", 1, 0.5, risky=True),
            ranked("tank_alkalinity", 3, 0.7, days=3.0, price=1.5),
            ranked("tank_alkalinity", 1, 0.8),
            ranked("tank_magnesium", 1, 1.002),
        ),
        how_much=HowMuch(
            width=tuple(float(x) for x in np.linspace(1.0, 0.4, 29)),
            floor=0.25,
            floor_causes={Unknown.VOLUME: 0.1, Unknown.KIT: 0.6},
            values={1: 0.02, 2: 0.03, 4: 0.05, 8: 0.06, 14: 0.065},
            perfect_value=0.2,
            enough=4,
        ),
        learning=Learning((learned,), width=0.6, width_error=0.01),
        settled_until=log.end.date() + timedelta(days=12) if settled else None,
    )


def near(middle: float, part: float = 0.1) -> Range:
    return Range(middle * (1 - part), middle, middle * (1 + part))


def make_chamber(variant: str, *, reactor: bool) -> ChamberTrade:
    """A usual chamber; no pH will do in "wide"."""
    flows = np.geomspace(500, 6000, FLOWS)
    needed = 2200 * 3.0 ** (5 * (PH_AXIS - 6.6))
    ratio = (flows / needed[:, None]) ** 0.6

    def point(ph: float) -> WorkingPoint:
        if ph > 6.75:
            cautions = (Remark("chamber_hardly_dissolves"),)
            return WorkingPoint(ph, False, *[None] * 7, inside_chance=0.0, cautions=cautions)
        return WorkingPoint(
            chamber_ph=ph,
            is_present=ph == 6.6,
            needed_ml_h=near(2200 * 3.0 ** (5 * (ph - 6.6))),
            effluent_meq_l=near(25 * DKH),
            effluent_ph=near(ph, 0.001),
            co2_g_d=near(13.0),
            free_co2_mmol_l=near(2.0),
            free_co2_g_d=near(4.0),
            pump_share=0.7,
            inside_chance=0.5 if ph > 6.65 else 0.999,
            cautions=(Remark("chamber_needs_above_pump"),) if ph > 6.65 else (),
        )

    region = None if variant == "wide" else PhRange(6.5, 6.6, 6.6, variant != "leave")
    limits = {"low_ph": 6.3, "high_ph": 7.2, "flow_min_ml_h": 60.0, "flow_max_ml_h": 3000.0}
    no_region = Remark("chamber_pump_too_large", {**limits, "chance": 0.9})
    second = SecondChamber(6.6, (9.1, 9.9), (6.6, 6.8), (2.0, 1.5), (1.9, 1.6))
    co2 = np.where(PH_AXIS > 6.9, np.inf, 13.0 + PH_AXIS)
    return ChamberTrade(
        ph_axis=PH_AXIS,
        flow_axis_ml_h=flows,
        supply_over_need=ratio,
        holding=np.clip(1 - np.abs(np.log(ratio)), 0, 1),
        inside_chance=np.clip(1 - np.abs(PH_AXIS - 6.5), 0, 1),
        co2_g_d=co2,
        points=tuple(point(ph) for ph in TABLE_PH),
        region=region,
        reasons=(Remark("chamber_inside_pump", {"chance": 0.9}),) if region else (no_region,),
        second=None if variant == "full" else second,
        present_ph=6.4 if variant == "leave" else 6.6,
        ph_known=reactor,
        from_priors=not reactor,
    )


def make_tank_ph(variant: str) -> TankPh:
    """Low at night and never read, but for "leave"."""
    fine = variant == "leave"
    measure = Measure(Remark("tank_ph_fresh_air", {"outdoor_co2_ppm": 420.0}), near(7.9), 0.06)
    return TankPh(
        day=Range(7.9, 8.1, 8.3),
        night=Range(7.7, 7.9, 8.0),
        day_without=Range(8.0, 8.2, 8.4),
        night_without=Range(7.8, 8.0, 8.1),
        reactor_drop=near(0.12),
        low_chance=0.002 if fine else 0.52,
        low_chance_without=0.13,
        exchange_per_h=near(2.0),
        exchange_learned=fine,
        swing=near(0.2),
        room_co2_ppm=near(600.0),
        room_co2_stated=fine,
        chamber_ph=6.6,
        readings=12 if fine else 0,
        measures=() if fine else (measure,),
        notes=()
        if fine
        else (
            Remark("tank_ph_never_read"),
            Remark("tank_ph_room_assumed", {"room_co2_ppm": 600.0, "give_or_take_ppm": 300.0}),
        ),
    )


def make_supplies(log: TankLog, advice: Recommendation, variant: str) -> Supplies:
    """Media and CO2 for "full"; media due, CO2 for ever for "leave"; elsewhere nothing stated."""
    rng = np.random.default_rng(29)
    wide = np.exp(0.05 * rng.standard_normal(DRAWS))

    def stock(days: float, refill: float) -> Stock:
        return Stock(
            charge_g=3000.0,
            since=log.start,
            logged=False,
            used_g=600 * wide,
            left_g=3000 - 600 * wide,
            days_left=np.minimum(days * wide, MOST_DAYS),
            refill_days=np.minimum(refill * wide, MOST_DAYS),
        )

    stocks = {"full": (stock(120, 45), stock(110, 110)), "leave": (stock(9, 0), stock(1e5, 1e5))}
    media, co2 = stocks.get(variant, (None, None))
    magnesium = None
    if variant == "full":
        magnesium = Magnesium(
            readings=3,
            now_mmol_l=1310 / MAGNESIUM * wide,
            uptake_ratio=0.03 * wide,
            share=0.10 * wide,
            needed_share=0.03 * wide,
            trend_mmol_l_d=0.02 * wide - 0.018,
            believed_trend_mmol_l_d=0.02 * wide,
            waters={},
            keeps_up=0.85,
        )
    counted = {"entry": "media_change", "since": datetime(2026, 3, 1)}
    note = Remark("supplies_counted_from_first_flow", counted)
    return Supplies(
        advice.media_g_d, 1.1 * advice.co2_g_d, media, co2, magnesium, (note,) if media else ()
    )


def make_outlook(variant: str, *, calcium: bool) -> Outlook:
    """Calcium falls, and is unknown where never tested; magnesium in "full" alone."""
    rng = np.random.default_rng(31)

    def element(
        name: str, middle: float, half: float, fall: float, **judged: Any
    ) -> ElementOutlook:
        change = {m: -fall * m * np.exp(0.3 * rng.standard_normal(DRAWS)) for m in (1, 3, 6)}
        tested = {
            "now": middle * np.exp(0.02 * rng.standard_normal(DRAWS)),
            "out_by": {1: 0.004, 3: 0.3, 6: 0.999},
            "out_by_week": np.linspace(0.0, 0.9, 27),
            "leave_day": np.full(DRAWS, np.inf),
            "test_weeks": 6,
            "enough": False,
        }
        nothing = dict.fromkeys(tested)
        return ElementOutlook(
            parameter=name,
            band=Target(middle - half, middle + half, "mg/L"),
            band_stated=name == "calcium",
            tested=not judged.get("untested", False),
            change=change,
            answer=Remark(
                "outlook_never_tested",
                {
                    "parameter": name,
                    "unit": "mg/L",
                    "q05_mmol_l": -1.0,
                    "q50_mmol_l": 0.0,
                    "q95_mmol_l": 1.0,
                },
            ),
            **(nothing if judged.get("untested") else tested | judged),
        )

    out = {"out_by_week": np.linspace(0.7, 0.9, 27)} if variant == "start" else {}
    weeks = {"leave": 26, "no reactor": 0, "hostile": 1}.get(variant)
    judged = out if weeks is None else {"test_weeks": weeks, "enough": weeks == 26}
    ca = element(
        "calcium", 425 / CALCIUM, 25 / CALCIUM, 0.2, **(judged if calcium else {"untested": True})
    )
    mg = element("magnesium", 1320 / MAGNESIUM, 70 / MAGNESIUM, 0.1) if variant == "full" else None
    routine = WaterRoutine("new", 60.0, 14.0, 4.0) if variant == "full" else None
    told = {"magnesium_read": mg is not None, "moving": ["calcium"]}
    answer = Remark("outlook_alone_not_enough", told)
    cause = {
        "unit": "mg/L",
        **dict.fromkeys(("none_mmol_l", "half_mmol_l"), 0.3),
        "most_mmol_l": -0.5,
        "half_share": 0.05,
        "most_share": 0.1,
        "low_share": 0.0,
        "high_share": 0.07,
        "effluent_mmol_l": 0.3,
    }
    share = Remark("outlook_magnesium_decides", cause) if variant == "full" else None
    return Outlook(ca, mg, routine, ca.enough, answer, share)


def make_doubts(variant: str) -> Doubts:
    """Calcium, or alkalinity, that is not in the log, for `SPOILED`."""
    if variant not in SPOILED:
        return Doubts()
    of = variant.split()[0]
    size = 0.1 * np.exp(0.2 * np.random.default_rng(3).standard_normal(DRAWS))
    doubt = Doubt("additions", "additions_up", 0.97, date(2026, 3, 9), size, {"of": of})
    return Doubts((doubt,), frozenset({of}))


def make_weakening(days: tuple[date, ...]) -> Watch:
    """An effluent that most likely weakens, by a step or slowly, since three days."""
    window = days[-14:]
    late = np.where(np.arange(len(window)) == len(window) - 3, 1.0, 0.0)
    changes = tuple(
        Change(kind, "", way, 0.025, chance, size, late)
        for kind, way, chance, size in (
            ("effluent", "down", 0.55, (-0.2, -0.29, -0.38)),
            ("effluent_fade", "down", 0.25, (-0.2, -0.3, -0.4)),
            ("uptake", "up", 0.1, (0.01, 0.05, 0.1)),
        )
    )
    return Watch(window, 0.1, 0.85, changes)


def make_watch(variant: str, days: tuple[date, ...], names: Callable[[str], str]) -> Watch:
    """Nothing in most; uptake up in "leave", unclear in "hostile"."""
    window = days[-14:]
    chances = {"leave": (0.95, 0.01), "hostile": (0.40, 0.25)}.get(variant, (0.03, 0.02))
    kinds = (("kit", names("drops"), "up"), ("uptake", "", "up"))
    if variant == "leave":
        kinds = kinds[::-1]
    changes = tuple(
        Change(
            kind=kind,
            of=of,
            direction=direction,
            prior=0.025,
            chance=chance,
            size=(0.01, 0.03, 0.08),
            by_day=np.full(len(window), 1 / len(window)),
        )
        for (kind, of, direction), chance in zip(kinds, chances, strict=True)
    )
    return Watch(
        days=window,
        nothing=1 - sum(chances),
        nothing_prior=0.9,
        changes=changes,
    )


def make_odd_effluents(log: TankLog, variant: str) -> tuple[OddEffluent, ...]:
    """One in "wide", the last of the log."""
    if variant != "wide":
        return ()
    reading = [reading for reading in log.readings if reading.sample == "effluent"][-1]
    told = {"alkalinity_meq_l": 28 * DKH, "chamber_ph": 7.6, "ceiling_meq_l": 4.0}
    remark = Remark("effluent_too_strong", told)
    return (OddEffluent(reading, EffluentCheck(2.9, 4.0, 3.5, 0.99, 0.0, remark)),)


def make_job(
    tank: Tank,
    log: TankLog,
    posterior: Posterior,
    advice: Recommendation,
    variant: str,
    watched: Watch,
) -> ReactorJob:
    """The reactor job, made up."""
    return ReactorJob(
        chamber=make_chamber(variant, reactor=tank.reactor is not None),
        tank_ph=make_tank_ph(variant),
        supplies=make_supplies(log, advice, variant),
        outlook=outlook_told(
            make_outlook(variant, calcium=posterior.calcium_mmol_l is not None),
            make_doubts(variant),
        ),
        watch=watched,
        odd_effluents=make_odd_effluents(log, variant),
    )


def decided(study: Study) -> Study:
    """A study whose trust and check of the level follow from all the rest."""
    return replace(
        study,
        trust=trust_in(study.posterior, study.log, study.alarms),
        level_check=check_level(study.log),
    )


@cache
def build_study(variant: str, tests: int = 20, days: int = DAYS) -> Study:
    """One kind of report; `tests` counts alkalinity readings of the tank in `days`."""
    calcium = variant != "no calcium"
    reactor = variant not in ("no reactor", "net change")
    flow = (
        {"leave": 2250.0, "start": 0.0, "first step": 0.0, "alarmed": 1500.0}.get(variant, 2600.0)
        if reactor
        else 0.0
    )
    names = hostile if variant == "hostile" else str
    tank = make_tank(reactor=reactor, calcium=calcium, names=names)
    log = make_log(
        tank,
        calcium=calcium,
        additions=variant != "net change",
        flow=flow,
        tests=tests,
        days=days,
        names=names,
    )
    posterior = make_posterior(
        log,
        calcium=calcium,
        ran=reactor and variant != "first step",
        flow_ml_h=flow,
        net_change=variant == "net change",
        failures=FAILURES if variant == "failed" else (),
        count=days,
        level_dkh=6.8 if variant == "correct" else 8.3,
    )
    advice = make_recommendation(tank, variant=variant, current=flow or None)
    untold = variant in ("failed", "alkalinity withheld")
    doubts = make_doubts(variant)
    if "calcium" in doubts.spoiled:
        posterior = replace(posterior, calcium_mmol_l=None, calcium_now_mmol_l=None)
    # The changes of other kinds of report are for the section on changes alone.
    alarmed = variant == "alarmed"
    watched = make_weakening(posterior.days) if alarmed else None
    alarms = alarms_of(log, tank, posterior, advice, watched, doubts)
    held = held_back(advice, alarms, posterior, log, tank)
    assert (held is not None) == alarmed
    if held is not None:
        advice = hold(advice, held, posterior, tank, np.random.SeedSequence(1))
        advice = replace(advice, notes=(held.note(), *advice.notes))
    watched = watched or make_watch(variant, posterior.days, names)
    job = None if untold else make_job(tank, log, posterior, advice, variant, watched)
    return Study(
        tank=tank,
        log=log,
        tank_sha256="b" * 64,
        priors=physical_priors(build_schedule(log, tank), tank),
        posterior=posterior,
        alarms=alarms,
        doubts=doubts,
        trust=trust_in(posterior, log, alarms),
        level_check=check_level(log),
        recommendation=advice,
        job=job,
        plan=make_plan(tank, log, posterior, alarms, variant),
        planning=None if untold else make_planning(log, settled=variant == "leave"),
        seed=1,
        seconds={"fit": 1.5},
    )
