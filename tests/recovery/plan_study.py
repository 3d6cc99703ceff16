"""Plans followed by keepers who do what the page says: share of days in the band.

    python tests/recovery/plan_study.py --tanks 40 --seed 11 --jobs 2 --out FILE.json

Three kinds of keepers: one hands the load over to a new reactor (six weeks), one runs a reactor
whose effluent weakens by 15 to 30 % on some day while uptake grows by 1 to 2 % a week (eight
weeks), one has no reactor and doses while uptake grows (six weeks). Each keeps a log for forty
days, then follows `plan` day by day: sets what is to be set today, gives what is to be given once,
tests at the hours and repeats of the schedule, acts on the rule, and runs the report again on its
day.

The tanks are not the model: uptake follows the lights stepwise, the true volume is 12 % off the
stated one, the kit some 5 % (it is checked three times with a solution of known value), effluent
hardly depends on the flow or supply hardly does, and all of it is integrated by a Runge-Kutta
scheme. In a calm world only uptake wanders, by a percent a day; in a lively one uptake, effluent
and kit wander as much as the priors hold usual, and one titration in thirty is misread. Beside it
stands the same tank with its settings left as they were.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.inputs.dosing import alkalinity_meq_d
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Tank
from estimator.synthetic.simulation import read_with_kit, simulate_levels, simulate_log
from helpers.keepers import DKH, NEVER, Habits, keeper_case
from helpers.tanks import Case
from recovery.results import in_turn, write_results

if TYPE_CHECKING:
    from estimator.plan.result import Case as Row
    from estimator.plan.result import Plan

DAYS = 40
FOLLOWED = {"hand_over": 42, "running": 56, "dosing": 42}
MINUTES = 30.0
DRAWS = 150
VOLUME_OFF = 0.12
CHECKED = 3
"""Times that the kit is checked with a solution of known value before the first report."""
EXPONENTS = (0.05, 0.6)
"""How the effluent's increment answers to the flow at the one needed: −d ln X/d ln F, which for one
chamber is 1 − X/X_sat."""


@dataclass(frozen=True)
class World:
    """How much changes by itself while a plan is followed.

    Attributes:
        uptake, effluent: relative sd of their change in a day.
        kit: relative sd of the change of its calibration in a month.
        misread: chance that a titration is off by `MISREAD_SD` more.
    """

    uptake: float
    effluent: float
    kit: float
    misread: float


WORLDS = {
    "calm": World(uptake=0.010, effluent=0.0, kit=0.0, misread=0.0),
    "lively": World(uptake=0.015, effluent=0.010, kit=0.025, misread=1 / 30),
}
"""In the second all changes as much as the priors hold usual."""
MISREAD_SD = 0.9 * DKH


def odd_case(kind: str, world: World, rng: np.random.Generator) -> Case:
    """A keeper of a kind, and a truth that the model does not hold."""
    begun = 0.0 if kind == "running" else NEVER
    case = keeper_case(rng, Habits(days=DAYS, begun_d=begun, by_kit=True))
    truth, more = case.truth, FOLLOWED[kind] + 3
    uptake = truth.uptake_meq_l_d
    drift = world.uptake * uptake[0] * np.cumsum(rng.standard_normal(more))
    if kind != "hand_over":
        drift += uptake[-1] * float(rng.uniform(0.01, 0.02)) / 7 * np.arange(more)
    steps = np.concatenate([np.zeros(DAYS + 2), rng.standard_normal(more)])
    strength = np.exp(world.effluent * np.cumsum(steps))
    weakens = DAYS + 2 + int(rng.integers(5, 40))
    weaker = 1 - float(rng.uniform(0.15, 0.30))
    if kind == "running":
        strength[weakens:] *= weaker
    exponent = float(rng.choice(EXPONENTS)) if kind == "hand_over" else 0.45
    half = truth.half_flow_ml_h
    if kind == "hand_over":
        load_meq_h = float(uptake[-1]) * truth.volume_l / 24
        needed_ml_h = 1000 * load_meq_h / ((1 - exponent) * truth.saturated_increment_meq_l)
        half = needed_ml_h * (1 - exponent) / exponent
    stated = truth.volume_l * float(np.exp(VOLUME_OFF * rng.choice([-1, 1])))
    known = {"standard": Composition("standard", {"alkalinity": 7.0 * DKH})}
    tank = replace(case.tank, water_volume_l=stated, references=known)
    if kind == "dosing":
        tank = replace(tank, reactor=None)
    return Case(
        tank,
        case.log,
        replace(
            truth,
            uptake_meq_l_d=np.maximum(np.concatenate([uptake, uptake[-1] + drift]), 0.0),
            effluent_strength=strength,
            half_flow_ml_h=half,
            square_light=True,
        ),
    )


class TrueTank:
    """The true alkalinity from a start on, by a Runge-Kutta scheme of fourth order."""

    def __init__(self, case: Case, log: TankLog, start: datetime) -> None:
        level = simulate_levels(case.tank, log, case.truth, [start]).alkalinity_meq_l
        self.case = case
        self.level = float(level[0])
        self.day = (start - self.origin) / timedelta(days=1)
        flows = [a.value or 0.0 for a in log.actions if a.kind == "flow"]
        self.flow_ml_h = flows[-1] if flows else 0.0
        self.rates = {a.of: a.value or 0.0 for a in log.actions if a.kind == "dose_rate"}
        self.recorded: list[float] = []

    @property
    def origin(self) -> datetime:
        """Midnight before the first entry."""
        return datetime.combine(self.case.log.start.date(), datetime.min.time())

    def add(self, solution: str, ml: float) -> None:
        """One addition at once."""
        strength = self.case.tank.solutions[solution].alkalinity_meq_per_ml
        self.level += strength * ml / self.case.truth.volume_l

    def increment(self) -> float:
        """Effluent less tank."""
        chamber, middle = self.case.chamber, self.case.tank.targets["alkalinity"].middle
        above = chamber.saturated_meq_l(self.day) - (self.level - middle)
        return float(above * chamber.filled(max(self.flow_ml_h, 1e-9)))

    def _slope(self, level: float, day: float) -> float:
        truth, tank = self.case.truth, self.case.tank
        chamber, middle = self.case.chamber, tank.targets["alkalinity"].middle
        lit = (tank.lights_off_h - tank.lights_on_h) / 24
        dark = 1 / (1 + lit * (truth.light_ratio - 1))
        on = tank.lights_on_h / 24 <= day % 1.0 < tank.lights_off_h / 24
        answer = 1 + truth.uptake_per_meq_l * (level - middle)
        taken = truth.uptake_meq_l_d[min(int(day), len(truth.uptake_meq_l_d) - 1)] * answer
        eaten = taken * dark * (truth.light_ratio if on else 1.0)
        supplied = alkalinity_meq_d(tank.solutions, self.rates)
        if self.flow_ml_h > 0:
            above = chamber.saturated_meq_l(day) - (level - middle)
            supplied += self.flow_ml_h * 24 / 1000 * above * chamber.filled(self.flow_ml_h)
        return float(supplied / truth.volume_l - eaten)

    def pass_time(self, days: float) -> None:
        """Some time under the present settings; the level of every quarter hour is recorded."""
        steps = max(round(days * 96), 1)
        h = days / steps
        for _ in range(steps):
            first = self._slope(self.level, self.day)
            second = self._slope(self.level + 0.5 * h * first, self.day + 0.5 * h)
            third = self._slope(self.level + 0.5 * h * second, self.day + 0.5 * h)
            fourth = self._slope(self.level + h * third, self.day + h)
            self.level += h * (first + 2 * second + 2 * third + fourth) / 6
            self.day += h
            self.recorded.append(self.level)

    def shares(self) -> dict[str, Any]:
        """Of the days passed: shares of daily means in the band, the largest rise, and extremes."""
        whole = len(self.recorded) // 96 * 96
        daily = np.reshape(self.recorded[:whole], (-1, 96)).mean(axis=1)
        band = self.case.tank.targets["alkalinity"]
        inside = (daily >= band.low) & (daily <= band.high)
        read = daily * self.case.truth.kit_calibration["alk", 0]
        rise = float(np.diff(daily).max())
        return {
            "in_band": float(np.mean(inside)),
            "in_band_since": float(np.mean(inside[int(np.argmax(inside)) :])),
            "in_band_as_read": float(np.mean((read >= band.low) & (read <= band.high))),
            "largest_rise_dkh": rise / DKH,
            "limit_dkh": (band.max_rise_per_day or np.inf) / DKH,
            "lowest_dkh": float(daily.min() / DKH),
            "highest_dkh": float(daily.max() / DKH),
            "daily_dkh": [round(float(one / DKH), 2) for one in daily],
        }


@dataclass
class Keeper:
    """Follows a plan by what it says, and writes everything down."""

    true: TrueTank
    log: TankLog
    rng: np.random.Generator
    now: datetime
    world: World
    plan: Plan | None = None
    rung: int = 0
    kit_off: float = 0.0
    minutes: list[float] = field(default_factory=list)
    last: list[float] = field(default_factory=list)

    @property
    def tank(self) -> Tank:
        """The tank file."""
        return self.true.case.tank

    def _write(self, *records: Reading | Action) -> None:
        readings = (*self.log.readings, *(r for r in records if isinstance(r, Reading)))
        actions = (*self.log.actions, *(a for a in records if isinstance(a, Action)))
        self.log = replace(self.log, readings=readings, actions=actions, end=self.now)

    def _row(self) -> int:
        return 1 + max(record.row for record in (*self.log.readings, *self.log.actions))

    def wait(self, until: datetime) -> None:
        """Time passes."""
        if until > self.now:
            days = (until - self.now) / timedelta(days=1)
            self.true.pass_time(days)
            self.kit_off += self.world.kit * np.sqrt(days / 30) * self.rng.standard_normal()
            self.now = until

    def read(self, sample: str) -> float:
        """Titrate once; the figure goes into the log."""
        true = self.true
        known = self.tank.references.get(sample)
        level = true.level + (true.increment() if sample == "effluent" else 0.0)
        if known is not None:
            level = known.levels["alkalinity"]
        of = ("reference", sample) if known is not None else (sample, "")
        blank = Reading(self._row(), self.now, "alkalinity", *of, 0.0, "", "alk")
        off = self.kit_off * level
        if self.rng.random() < self.world.misread:
            off += MISREAD_SD * self.rng.standard_normal()
        value = read_with_kit(blank, level, 0, self.tank, true.case.truth, self.rng, off)
        self._write(replace(blank, value=value))
        return value

    def set(self, flow_ml_h: float | None, rates: Mapping[str, float]) -> None:
        """Set pump and dosing where they differ from now."""
        row, true = self._row(), self.true
        actions = []
        if flow_ml_h is not None and flow_ml_h != true.flow_ml_h:
            actions.append(Action(row, self.now, "flow", "", flow_ml_h))
            true.flow_ml_h = flow_ml_h
        for name, rate in rates.items():
            if rate != true.rates.get(name, 0.0):
                actions.append(Action(row + len(actions), self.now, "dose_rate", name, rate))
        true.rates = {**true.rates, **rates}
        if actions:
            self._write(*actions)

    def take_up(self, plan: Plan) -> None:
        """Set what a plan says for today."""
        self.plan, self.rung = plan, 0
        self.set(plan.today.flow_ml_h, plan.today.dose_ml_d)
        self.give(self.now.date())

    def give(self, day: date) -> None:
        """One-off additions of a day."""
        assert self.plan is not None
        for once in self.plan.today.once:
            if once.on == day:
                self._write(Action(self._row(), self.now, "dose", once.solution, once.ml))
                self.true.add(once.solution, once.ml)

    def _row_of(self, reading: float) -> Row:
        assert self.plan is not None
        assert self.plan.rule is not None
        return next(
            row
            for row in self.plan.rule.cases
            if (row.from_meq_l is None or reading >= row.from_meq_l)
            and (row.to_meq_l is None or reading < row.to_meq_l)
        )

    def act(self, readings: list[float]) -> bool:
        """Act on a rule test; True where the report is to be run now."""
        plan = self.plan
        assert plan is not None
        if plan.rule is None:
            return False
        row = self._row_of(float(np.mean(readings)))
        if row.do == "repeat":
            readings = [*readings, self.read("tank")]
            row = self._row_of(float(np.mean(readings)))
            if row.do == "repeat":
                return True
        if row.do == "report":
            return True
        rates, flow = dict(self.true.rates), self.true.flow_ml_h
        if row.step == "next" and self.rung + 1 < len(plan.ladder):
            following = plan.ladder[self.rung + 1]
            if self.now.date() >= following.on:
                flow += following.flow_ml_h - plan.ladder[self.rung].flow_ml_h
                rates = {n: r - following.takes_ml_d.get(n, 0.0) for n, r in rates.items()}
                self.rung += 1
        pump = self.tank.reactor
        if pump is not None:
            flow += row.flow_change_ml_h or 0.0
            flow = float(np.clip(flow, pump.flow_min_ml_h, pump.flow_max_ml_h))
        changes = row.dose_change_ml_d or {}
        rates = {
            name: min(max(rate + changes.get(name, 0.0), 0.0), plan.rule.most_ml_d.get(name, 0.0))
            for name, rate in rates.items()
        }
        self.set(flow if pump is not None and self.true.flow_ml_h > 0 else None, rates)
        return False


def plan_of(log: TankLog, tank: Tank, seed: list[int]) -> Plan:
    """Fit, advise and plan from a log, at fewer draws than usual."""
    from estimator.fit.fitting import fit_of
    from estimator.fit.posterior import collect
    from estimator.fit.problem import pose
    from estimator.fit.sampling import sample
    from estimator.pipeline import advise
    from estimator.plan.ground import ground_of
    from estimator.plan.planner import make_plan

    problem = pose(log, tank)
    fit, level, advice, planned = np.random.SeedSequence(seed).spawn(4)
    trace = sample(problem, fit, draws=DRAWS, cores=1)
    posterior = collect(problem, trace, level)
    # So few draws are enough here; the checks are meant for the usual number.
    posterior = replace(posterior, diagnostics=replace(posterior.diagnostics, failures=()))
    found = advise(fit_of(problem, trace, posterior), advice, None)
    ground = ground_of(found.fitted, found.recommendation, found.alarms, MINUTES, shown=found.shown)
    return make_plan(ground, planned)[0]


def one_tank(index: int, seed: int, kind: str, world: str = "calm") -> dict[str, Any]:
    """Follow one tank."""
    rng = np.random.default_rng([seed, index, list(FOLLOWED).index(kind)])
    case = odd_case(kind, WORLDS[world], rng)
    log = simulate_log(case.tank, case.log, case.truth, rng)
    start = datetime.combine(log.end.date() + timedelta(days=1), datetime.min.time())
    start += timedelta(hours=19)
    keeper = Keeper(TrueTank(case, log, start), log, rng, start, WORLDS[world])
    left = TrueTank(case, log, start)
    keeper.read("tank")
    for _ in range(CHECKED):
        keeper.read("standard")
    end = start + timedelta(days=FOLLOWED[kind])
    reports, foretold, kinds = 0, [], []
    while keeper.now < end:
        plan = plan_of(keeper.log, case.tank, [seed, index, reports])
        begun, reports = keeper.now, reports + 1
        kinds.append(plan.kind)
        if plan.chances:
            foretold.append((len(keeper.true.recorded) // 96, plan.chances))
        keeper.take_up(plan)
        given, spent = {begun.date()}, 0.0
        # One-off additions of later days are given at the hour of the first, until a new plan.
        todo: list[tuple[datetime, str, Any]] = [(t.time, "test", t) for t in plan.tests]
        todo += [
            (datetime.combine(o.on, begun.time()), "give", o.on)
            for o in plan.today.once
            if o.on not in given and o.on < plan.report_again
        ]
        again = False
        for time, what, of in sorted(todo, key=lambda one: (one[0], one[1])):
            if again or time > end:
                break
            keeper.wait(max(time, keeper.now))
            if what == "give":
                keeper.give(of)
                continue
            # Calcium is not simulated here: its tests are not made, and take no time.
            if of.entry != "alkalinity":
                continue
            spent += of.minutes
            if of.of == "effluent" and keeper.true.flow_ml_h <= 0:
                continue
            readings = [keeper.read(of.of) for _ in range(of.repeats)]
            if of.serves == "rule" and time.date() < plan.report_again:
                again = keeper.act(readings)
        keeper.minutes.append(spent)
        if not again:
            due = datetime.combine(plan.report_again, keeper.now.time())
            keeper.wait(min(max(due, keeper.now), end))
            if keeper.now == begun:
                keeper.wait(begun + timedelta(days=1))
    left.pass_time(float(FOLLOWED[kind]))
    daily = np.array(keeper.true.shares()["daily_dkh"]) * DKH
    band = case.tank.targets["alkalinity"]
    inside = (daily >= band.low) & (daily <= band.high)
    ended = [(d, one) for d, one in foretold if d + one.judged_days <= len(inside)]
    found = [float(np.mean(inside[d : d + one.judged_days])) for d, one in ended]
    stated = [one.good_days for _, one in ended]
    return {
        "kinds": kinds,
        "reports": reports,
        "minutes_per_week": sum(keeper.minutes) / FOLLOWED[kind] * 7,
        "needed_ml_h": round(case.needed_flow_ml_h),
        "flow_ml_h": keeper.true.flow_ml_h,
        "rates": {k: round(v, 1) for k, v in keeper.true.rates.items()},
        "stated_good_days": stated,
        "found_good_days": found,
        "plan": keeper.true.shares(),
        "left": left.shares(),
    }


def summary(tanks: list[dict[str, Any]]) -> dict[str, Any]:
    """Over tanks: days in the band, and whether what was foretold came."""
    of = [tank["plan"] for tank in tanks]
    share = np.array([one["in_band"] for one in of])
    stated = [v for tank in tanks for v in tank["stated_good_days"]]
    found = [v for tank in tanks for v in tank["found_good_days"]]
    return {
        "in_band": round(float(share.mean()), 4),
        "in_band_error": round(float(share.std() / np.sqrt(len(share))), 4),
        "in_band_since": round(float(np.mean([one["in_band_since"] for one in of])), 4),
        "tanks_above_95": round(float(np.mean(share >= 0.95)), 4),
        "left_alone": round(float(np.mean([tank["left"]["in_band"] for tank in tanks])), 4),
        "too_fast": sum(one["largest_rise_dkh"] > one["limit_dkh"] for one in of),
        "largest_rise_dkh": round(max(one["largest_rise_dkh"] for one in of), 3),
        "stated_good_days": round(float(np.mean(stated)), 4) if stated else None,
        "found_good_days": round(float(np.mean(found)), 4) if found else None,
        "reports": round(float(np.mean([tank["reports"] for tank in tanks])), 1),
        "minutes_per_week": round(float(np.mean([t["minutes_per_week"] for t in tanks])), 1),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tanks", type=int, default=40)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--world", default="calm", choices=list(WORLDS))
    parser.add_argument("--only", action="append", choices=list(FOLLOWED), metavar="KIND")
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    results, table = {}, {}
    for kind in given.only or FOLLOWED:
        run = partial(one_tank, seed=given.seed, kind=kind, world=given.world)
        tanks = []
        for one in in_turn(given.jobs, run, given.tanks):
            tanks.append(one)
            of = one["plan"]
            print(
                kind,
                len(tanks),
                {
                    k: v if isinstance(v, int) else round(v, 3)
                    for k, v in of.items()
                    if k != "daily_dkh"
                },
                one["reports"],
                one["kinds"],
                flush=True,
            )
        results[kind], table[kind] = tanks, summary(tanks)
        print(kind, table[kind], flush=True)
        what = {"tanks": given.tanks, "seed": given.seed, "world": given.world}
        write_results(
            given.out, {**what, "minutes_per_week": MINUTES, "summary": table, "results": results}
        )


if __name__ == "__main__":
    main()
