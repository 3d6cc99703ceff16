"""Invented tanks, logs and truths that several tests share."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.fit.kalman import System
from estimator.fit.posterior import Diagnostics, Posterior
from estimator.fit.schedule import PHYSICAL, Schedule
from estimator.inputs.dosing import Solution, solution_from_strengths
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Kit, Reactor, Tank, Target
from estimator.synthetic.simulation import Truth
from estimator.water.light import light_share, lit_fraction

DKH = units.MEQ_L_PER_DKH
CA = units.CA_G_MOL
NO3 = units.NO3_G_MOL
MIDNIGHT = datetime(2026, 3, 1)

TANK_FILE = """\
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
"""A good tank file with one of everything; read by `run_path`, as test folders are no packages."""


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
        effluent_gain_meq_l=16 * DKH * (1 + 0.02 * np.cos(day / 7)),
        exponent=0.4,
        reference_flow_ml_h=2600.0,
        start={"alkalinity": 8.1 * DKH, "calcium": 425 / CA, "nitrate": 8 / NO3},
        waters={
            "new": {"alkalinity": 8.3 * DKH, "calcium": 415 / CA},
            "other": {"alkalinity": 7.1 * DKH, "calcium": 430 / CA},
        },
        kit_gain={("alk", 0): 1.03, ("alk", 1): 0.99, ("ca", 0): 1.02},
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
    """A log of one layout, its tank, and a truth that could have made it."""

    tank: Tank
    log: TankLog
    truth: Truth


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
        effluent_gain_meq_l=np.full(8, 1.5),
        exponent=0.2,
        reference_flow_ml_h=3000.0,
    )
    return Case(example_tank(water_volume_l=20.0), example_log(readings, actions), truth)


CASES: Mapping[str, Callable[[], Case]] = {
    "nothing done": _nothing_done,
    "dosed": _dosed,
    "waters": _waters,
    "reactor": _reactor,
    "everything": _everything,
    "20 L with 3 L/h": _big_flow,
}


def theta_of(case: Case, schedule: Schedule, drift: float = 0.02) -> np.ndarray:
    """theta (q,) of `mass_balance.fill` that states a truth, with the first day's uptake as u_0."""
    truth = case.truth
    uptake = truth.uptake_meq_l_d[0]
    gains = [truth.kit_gain.get(pair, 1.0) for pair in schedule.gains]
    repeats = [truth.kit_repeatability.get(kit.name, 0.1) for kit in schedule.kits]
    share = light_share(truth.light_ratio, lit_fraction(case.tank))
    theta = [truth.volume_l, share, uptake, uptake, truth.calcium_share]
    theta += [truth.effluent_gain_meq_l[0], truth.exponent, drift, 0.4 * drift]
    assert len(theta) == PHYSICAL
    return np.array([*theta, *gains, *repeats])


def follow(system: System, schedule: Schedule, truth: Truth, alpha: float) -> np.ndarray:
    """Readings (m,) that the linear system expects along a true path: no noise, no errors.

    Daily changes of uptake and effluent strength enter at the midnights, as drift would.
    """
    layout = schedule.layout
    state = np.zeros(layout.size)
    state[layout.alkalinity] = truth.start["alkalinity"]
    if layout.z >= 0:
        state[layout.z] = truth.start["calcium"] - alpha * truth.start["alkalinity"]
    if layout.nitrate >= 0:
        state[layout.nitrate] = truth.start["nitrate"]
        state[layout.nitrate_rate] = truth.nitrate_rate_mmol_l_d
    for j, name in enumerate(layout.waters):
        state[layout.first_water + 2 * j] = truth.waters[name]["alkalinity"]
        state[layout.first_water + 2 * j + 1] = truth.waters[name]["calcium"]
    day_of = {int(step): j for j, step in enumerate(schedule.day_step)}
    moving = layout.moving
    expected = np.full(len(system.offset), np.nan)
    for i in range(len(system.offset)):
        moved = system.transition[i] @ state + system.offset[i]
        state = np.concatenate([moved, state[moving:]])
        if system.observed[i]:
            expected[i] = system.loading[i] @ state + system.intercept[i]
        if i in day_of:
            uptake, gain = truth.uptake_meq_l_d, truth.effluent_gain_meq_l
            state[layout.uptake] = uptake[day_of[i]] / uptake[0] - 1
            if layout.effluent >= 0:
                state[layout.effluent] = gain[day_of[i]] / gain[0] - 1
    return expected[schedule.reading_step]


@pytest.fixture(scope="session")
def make_tank() -> Callable[..., Tank]:
    """`example_tank`."""
    return example_tank


@pytest.fixture(scope="session")
def make_log() -> Callable[..., TankLog]:
    """`example_log`."""
    return example_log


@pytest.fixture(scope="session")
def make_truth() -> Callable[..., Truth]:
    """`example_truth`."""
    return example_truth


@pytest.fixture(scope="session")
def make_reactor_log() -> Callable[..., TankLog]:
    """`dosed_then_reactor_log`."""
    return dosed_then_reactor_log


@pytest.fixture(scope="session")
def state_truth() -> Callable[..., np.ndarray]:
    """`theta_of`."""
    return theta_of


@pytest.fixture(scope="session")
def follow_truth() -> Callable[..., np.ndarray]:
    """`follow`."""
    return follow


@pytest.fixture(scope="session", params=list(CASES))
def case(request: pytest.FixtureRequest) -> Case:
    """One log of each layout."""
    return CASES[request.param]()


@pytest.fixture(scope="session")
def everything() -> Case:
    """The log that holds every kind of entry."""
    return CASES["everything"]()


MIDDLE = 8.2 * units.MEQ_L_PER_DKH
GOOD = Diagnostics(1.001, 1500.0, 1200.0, "uptake now", 0, 4, 500, ())


def known_posterior(
    draws: int = 400,
    days: int = 3,
    log_sd: float = 0.0,
    *,
    uptake: float | np.ndarray = 0.5,
    gain: float = 5.4,
    calcium_share: float | np.ndarray = 0.5,
    middle_meq_l: float = MIDDLE,
    **changes: Any,
) -> Posterior:
    """A fit that is known: 600 L at the band's middle, the same uptake every day.

    Unchanged, the effluent is 5.4 meq/L above the middle at 50 L/day, ε is 0.4, and 55.6 L/day at
    the reference strength would hold the level.

    Args:
        draws, days: s, and how many days from 1 March 2026.
        log_sd: spread of uptake and of effluent strength.
        uptake: meq/L/day, one number or (s,).
        gain: effluent alkalinity over the middle, meq/L.
        calcium_share: mmol of calcium taken up per meq, one number or (s,).
        middle_meq_l: middle of the band, where the level is.
        changes: fields that are to be as given; others do not follow them.
    """
    rng = np.random.default_rng(1)
    ones = np.ones(draws)
    per_draw = uptake * np.exp(log_sd * rng.standard_normal(draws))
    by_day = np.repeat(per_draw[:, None], days, axis=1)
    share = calcium_share * ones
    posterior = Posterior(
        chains=4,
        volume_l=600.0 * ones,
        light_share=0.4 * ones,
        calcium_share=share,
        exponent=0.4 * ones,
        drift=0.0 * ones,
        effluent_drift=0.0 * ones,
        uptake_scale=per_draw,
        days=tuple(date(2026, 3, 1) + timedelta(days=j) for j in range(days)),
        uptake_meq_l_d=by_day,
        calcium_uptake_mmol_l_d=share[:, None] * by_day,
        alkalinity_meq_l=middle_meq_l * np.ones((draws, days)),
        calcium_mmol_l=None,
        alkalinity_now_meq_l=middle_meq_l * ones,
        calcium_now_mmol_l=None,
        nitrate_loss_meq_l_d=None,
        effluent_gain_meq_l=gain * np.exp(log_sd * rng.standard_normal(draws)),
        effluent_meq_l=middle_meq_l + gain * ones,
        middle_meq_l=middle_meq_l,
        reference_flow_l_d=50.0,
        present_flow_l_d=50.0,
        dosed_meq_d=0.0,
        effluent_tested=True,
        kit_gain={},
        kit_repeatability={},
        checks=(),
        net_change=False,
        diagnostics=GOOD,
    )
    return replace(posterior, **changes)


@pytest.fixture(scope="session")
def make_posterior() -> Callable[..., Posterior]:
    """`known_posterior`."""
    return known_posterior
