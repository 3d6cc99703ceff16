"""Invented keepers: realistic tanks, habits and logs of known truth, for recovery studies.

Tanks obey the simulator, not the fit: rounding kits, chambers with a ceiling, uptake that answers
to the level. What goes wrong in them is made here too, so that studies speak of the same troubles.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from estimator import units
from estimator.inputs.dosing import Solution
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Kit, Reactor, Tank, Target
from estimator.synthetic.simulation import TrueChamber, Truth, simulate_levels
from estimator.water.chamber_table import saturated_increment_meq_l
from helpers.tanks import Case

DKH = units.MEQ_L_PER_DKH
CA = units.CA_G_MOL
START = datetime(2026, 1, 5)
CHAMBER_PH = 6.6
SODA_MEQ_PER_ML, CHLORIDE_MMOL_PER_ML = 1.9, 1.84
NEVER = float("inf")

Gap = tuple[float, float]
"""Least and most days between two tests of a kind."""


@dataclass(frozen=True)
class Habits:
    """How a keeper runs and tests a tank.

    Attributes:
        days: how long.
        begun_d: when the reactor starts; 0: it has always run; `NEVER`.
        reactor_share: part of the load that the reactor is set to carry, the rest being dosed.
        settled_d: from then on settings stay, and only a low level is put right by one dose.
        by_hand: solutions are dosed once a day, not by a dosing pump.
        by_kit: the level is held where the kit reads the middle, not where it truly is.
        alkalinity, calcium, effluent, chamber_ph: gaps between tests; None: never tested.
        soda_meq_per_ml: true strength of the alkalinity solution.
        beyond: days that the truth goes on after the log.
    """

    days: int = 60
    begun_d: float = 27.0
    reactor_share: float = 1.0
    settled_d: float = NEVER
    by_hand: bool = False
    by_kit: bool = False
    alkalinity: Gap = (1.0, 4.5)
    calcium: Gap | None = (7.0, 7.0)
    effluent: Gap | None = (5.0, 10.0)
    chamber_ph: Gap | None = None
    soda_meq_per_ml: float = SODA_MEQ_PER_ML
    beyond: int = 0


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
        solutions={
            "soda": Solution("soda", SODA_MEQ_PER_ML),
            "chloride": Solution("chloride", 0.0, CHLORIDE_MMOL_PER_ML),
        },
        waters={"new": Composition("new", {"alkalinity": 8.2 * DKH, "calcium": 420 / CA})},
        references={},
        reactor=Reactor(10.0, 6000.0, 10.0, chamber_ph=CHAMBER_PH),
    )


def keeper_truth(tank: Tank, days: int, rng: np.random.Generator) -> Truth:
    """A tank about as the priors and the file describe it: uptake 1.3 dKH/day, effluent 25 dKH.

    At the flow that the first day needs the effluent is 0.35 to 0.85 of the way to saturation.
    """
    volume = tank.water_volume_l * float(np.exp(0.07 * rng.standard_normal()))
    start = float(np.exp(rng.normal(np.log(1.3), 0.45))) * DKH
    drift = 0.015 * np.cumsum(rng.standard_normal(days + 2))
    saturated = saturated_increment_meq_l(CHAMBER_PH) * float(np.exp(0.07 * rng.standard_normal()))
    filled = float(rng.uniform(0.35, 0.85))
    needed_ml_h = start * volume / (saturated * filled) / units.HOURS_PER_DAY * 1000
    return Truth(
        volume_l=volume,
        light_ratio=float(np.exp(rng.normal(np.log(2.5), 0.3))),
        uptake_meq_l_d=start * (1 + np.clip(drift, -0.6, None)),
        calcium_share=float(rng.normal(0.49, 0.03)),
        saturated_increment_meq_l=saturated,
        effluent_strength=1 + 0.008 * np.cumsum(rng.standard_normal(days + 2)),
        half_flow_ml_h=needed_ml_h * filled / (1 - filled),
        uptake_per_meq_l=float(rng.uniform(0.0, 0.12)) / DKH,
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
        probe_offset=float(rng.normal(0, 0.05)),
    )


Change = Callable[[Tank, Truth], Truth]
"""What is otherwise in the tank from the start, the keeper acting in it."""


def keeper_case(
    rng: np.random.Generator, habits: Habits | None = None, change: Change | None = None
) -> Case:
    """One keeper: doses, a reactor or both, put right every week or two by guess.

    Guesses are 6 % off and aim to bring the level back to 8.2 dKH over the next two weeks. Values
    of readings are still zero.
    """
    habits = habits or Habits()
    tank = keeper_tank(rng)
    soda = Solution("soda", habits.soda_meq_per_ml)
    tank = replace(tank, solutions={**tank.solutions, "soda": soda})
    truth = keeper_truth(tank, habits.days + habits.beyond, rng)
    if change is not None:
        truth = change(tank, truth)
    if habits.by_kit:
        level = truth.start["alkalinity"] / truth.kit_calibration["alk", 0]
        truth = replace(truth, start={**truth.start, "alkalinity": level})
    keeper = _Keeper(tank, truth, habits, rng)
    keeper.go_through()
    readings = keeper.tests()
    actions = tuple(keeper.actions)
    times = [record.time for record in (*readings, *actions)]
    log = TankLog("keeper", "", len(times), 0, readings, actions, min(times), max(times))
    return Case(tank, log, truth)


class _Keeper:
    """Acts on the tank and writes it down."""

    def __init__(self, tank: Tank, truth: Truth, habits: Habits, rng: np.random.Generator) -> None:
        self.tank, self.truth, self.habits, self.rng = tank, truth, habits, rng
        self.actions: list[Action] = []
        self.daily_ml = {"soda": 0.0, "chloride": 0.0}
        self._rows: Iterator[int] = iter(range(2, 100_000))

    @staticmethod
    def at(day: float) -> datetime:
        """A whole minute of a day of the log."""
        return START + timedelta(minutes=round(day * 1440))

    def _act(self, day: float, kind: str, of: str = "", value: float | None = None) -> None:
        self.actions.append(Action(next(self._rows), self.at(day), kind, of, value))
        self.actions.sort(key=lambda a: a.time)

    def _log(self, day: float) -> TankLog:
        return TankLog("", "", 0, 0, (), tuple(self.actions), START, self.at(day))

    def _level(self, day: float) -> float:
        """As the keeper knows it."""
        levels = simulate_levels(self.tank, self._log(day), self.truth, [self.at(day)])
        reads = self.truth.kit_calibration["alk", 0] if self.habits.by_kit else 1.0
        return reads * float(levels.alkalinity_meq_l[0])

    def _load(self, day: float) -> float:
        """Guessed meq/day that bring the level back within two weeks."""
        truth = self.truth
        wanted = truth.uptake_meq_l_d[int(day)] + (8.2 * DKH - self._level(day)) / 14
        guess = np.exp(0.06 * self.rng.standard_normal())
        return float(max(wanted, 0.0) * truth.volume_l * guess)

    def _set_flow(self, day: float, meq_d: float) -> None:
        """The flow that carries a load; within a factor of three of the first day's."""
        chamber = TrueChamber(self.tank, self._log(day), self.truth)
        first = chamber.flow_for(self.truth.uptake_meq_l_d[0] * self.truth.volume_l, 0.0)
        flow = float(np.clip(chamber.flow_for(meq_d, day), 0.3 * first, 3 * first))
        self._act(day, "flow", "", float(np.round(flow / 10) * 10 or 10.0))

    def _set_doses(self, day: float, meq_d: float) -> None:
        self.daily_ml = {
            "soda": meq_d / self.habits.soda_meq_per_ml,
            "chloride": meq_d * 0.49 / CHLORIDE_MMOL_PER_ML,
        }
        if not self.habits.by_hand:
            for name, ml in self.daily_ml.items():
                self._act(day, "dose_rate", name, float(np.round(ml, 1)))

    def _put_right(self, day: float) -> None:
        """A guess of the load, shared by reactor and doses."""
        meq_d, habits = self._load(day), self.habits
        share = habits.reactor_share if day >= habits.begun_d else 0.0
        if share > 0:
            self._set_flow(day + 0.01, share * meq_d)
        if share < 1 or any(self.daily_ml.values()):
            self._set_doses(day, (1 - share) * meq_d)

    def go_through(self) -> None:
        """All that is done, day by day."""
        habits, rng = self.habits, self.rng
        changes = set(range(9, habits.days, 14))
        begun = habits.begun_d
        due = {0, *range(10, habits.days, 10)} if begun > 0 else {0, *range(14, habits.days, 14)}
        if 0 < begun < habits.days:
            due = {d for d in due if d < begun} | {int(begun) + d for d in (0, 8, 20, 34, 48, 62)}
        for day in range(habits.days):
            if day in due and (day < habits.settled_d or day == 0):
                self._put_right(day + 0.4)
            if habits.by_hand:
                for name, ml in self.daily_ml.items():
                    if ml > 0:
                        self._act(day + 0.42, "dose", name, float(np.round(ml, 1)))
            if day >= habits.settled_d and day % 5 == 0:
                short = 7.9 * DKH - self._level(day + 0.8)
                if short > 0.6 * DKH + 0.2 * DKH * rng.standard_normal():
                    ml = min(short, 2.0 * DKH) * self.truth.volume_l / habits.soda_meq_per_ml
                    self._act(day + 0.8, "dose", "soda", float(np.round(ml)))
            if day in changes:
                self._act(day + 0.6, "water_change", "new", 0.1 * self.tank.water_volume_l)

    def tests(self) -> tuple[Reading, ...]:
        """Irregular tests, in time order; values still zero."""
        habits, rng = self.habits, self.rng
        started = habits.begun_d + 1.0 if habits.begun_d > 0 else 0.0
        wanted = (
            ("alkalinity", "tank", "alk", habits.alkalinity, 0.0),
            ("calcium", "tank", "ca", habits.calcium, 1.0),
            ("alkalinity", "effluent", "alk", habits.effluent, started),
            ("ph", "chamber", "", habits.chamber_ph, started),
        )
        readings = []
        for parameter, sample, kit, gap, first in wanted:
            day = first + (float(rng.uniform(0, gap[0])) if gap and first else 0.0)
            while gap is not None and day < habits.days - 1:
                time = self.at(np.floor(day) + float(rng.uniform(0.33, 0.85)))
                unit = {"ph": "NBS", "calcium": "mg/L"}.get(parameter, "dKH")
                readings.append(
                    Reading(next(self._rows), time, parameter, sample, "", 0.0, unit, kit)
                )
                day += float(rng.uniform(*gap))
        return tuple(sorted(readings, key=lambda r: r.time))


def gas_runs_out(from_d: float, rng: np.random.Generator, over_d: float = 21.0) -> Change:
    """The chamber's pH rises by about 0.4 in three weeks; the effluent loses 20 to 35 % of its
    alkalinity."""
    fall, rise = float(rng.uniform(0.20, 0.35)), float(rng.uniform(0.35, 0.45))

    def change(tank: Tank, truth: Truth) -> Truth:
        days = np.arange(len(truth.uptake_meq_l_d))
        ph = CHAMBER_PH + rise * np.clip((days - from_d) / over_d, 0.0, 1.0)
        above = _usual_increment(tank, truth)
        left = 1 - fall * (1 + tank.targets["alkalinity"].middle / above)
        table = saturated_increment_meq_l(CHAMBER_PH + rise) / saturated_increment_meq_l(CHAMBER_PH)
        answer = float(np.log(max(left, 0.2)) / np.log(table))
        return replace(truth, chamber_ph=ph, ph_response=answer)

    return change


def effluent_weakens(from_d: float, rng: np.random.Generator) -> Change:
    """From one day on the effluent has 20 to 35 % less alkalinity."""
    fall = float(rng.uniform(0.20, 0.35))

    def change(tank: Tank, truth: Truth) -> Truth:
        left = 1 - fall * (1 + tank.targets["alkalinity"].middle / _usual_increment(tank, truth))
        strength = truth.effluent_strength.copy()
        strength[int(from_d) :] *= max(left, 0.2)
        return replace(truth, effluent_strength=strength)

    return change


def _usual_increment(tank: Tank, truth: Truth) -> float:
    """Of the effluent over the middle of the band, at the flow that the first day needs."""
    chamber = TrueChamber(tank, TankLog("", "", 0, 0, (), (), START, START), truth)
    load = float(truth.uptake_meq_l_d[0]) * truth.volume_l
    return load / (chamber.flow_for(load, 0.0) * units.HOURS_PER_DAY / 1000)


def forget(case: Case, forgotten: Callable[[Action], bool]) -> Case:
    """The case with some of what was done left out of the log."""
    gone = tuple(action for action in case.log.actions if forgotten(action))
    kept = tuple(action for action in case.log.actions if action not in gone)
    times = [record.time for record in (*case.log.readings, *kept)]
    log = replace(case.log, rows=len(times), actions=kept, start=min(times), end=max(times))
    return replace(case, log=log, truth=replace(case.truth, unlogged=gone))


def misstate(case: Case, name: str, factor: float) -> Case:
    """The case with a solution's strength stated too high by a factor."""
    true = case.tank.solutions[name]
    stated = replace(
        true,
        alkalinity_meq_per_ml=true.alkalinity_meq_per_ml * factor,
        calcium_mmol_per_ml=true.calcium_mmol_per_ml * factor,
    )
    tank = replace(case.tank, solutions={**case.tank.solutions, name: stated})
    return replace(case, tank=tank, truth=replace(case.truth, strength_factor={name: 1 / factor}))


def with_monitor(case: Case, days: int, rng: np.random.Generator, per_day: int = 24) -> Case:
    """The case with an instrument that reads alkalinity many times on each of the last days.

    Its readings are 0.05 dKH apart and scatter by 0.05; its calibration is 5 % off or so and an
    error of 0.15 dKH comes and goes within a day.
    """
    kit = Kit("monitor", "alkalinity", "dKH", 0.05 * DKH, 0.05 * DKH, 0.05)
    rows = 1 + max(record.row for record in (*case.log.readings, *case.log.actions))
    first = case.log.end - timedelta(days=days)
    blank = Reading(0, first, "alkalinity", "tank", "", 0.0, "dKH", kit.name)
    added = [
        replace(blank, row=rows + j, time=first + timedelta(days=j / per_day))
        for j in range(days * per_day)
    ]
    readings = tuple(sorted([*case.log.readings, *added], key=lambda r: r.time))
    log = replace(case.log, rows=case.log.rows + len(added), readings=readings)
    truth = case.truth
    off = float(np.exp(0.05 * rng.standard_normal()))
    truth = replace(
        truth,
        kit_calibration={**truth.kit_calibration, (kit.name, 0): off},
        kit_repeatability={**truth.kit_repeatability, kit.name: 0.05 * DKH},
        drifting={kit.name: (0.15 * DKH, 1.0)},
    )
    return Case(replace(case.tank, kits={**case.tank.kits, kit.name: kit}), log, truth)
