"""Change-overs followed in tanks that differ from the model: share of days in the band.

python tests/recovery/change_over_study.py --tanks 50 --seed 1 --out FILE.json

A keeper doses for 40 days, checks the kit with a solution of known value, and follows the plan in
the true tank for six weeks: retests with the kit's error decide each step. The effluent is tested
twice on the day after the reactor starts, and every few days from then on; each time the report is
run again, as it asks, and the plan is renewed. While no plan is given the last one's rule goes on.

Every tank differs from the model: uptake follows the lights stepwise, the true volume is 12 % off
the stated one, the effluent hardly depends on the flow, being all but saturated, or the supply
hardly does, the chamber being slow, and strength falls by 15 % after a week. Beside it the same
tank with the first final setting made overnight and left alone.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.inputs.dosing import alkalinity_meq_d
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Tank
from estimator.plan.present import dose_rates_now, settable_doses
from estimator.plan.result import ChangeOver, Plan
from estimator.synthetic.simulation import read_with_kit, simulate_levels, simulate_log
from helpers.keepers import DKH, NEVER, Habits, keeper_case
from helpers.tanks import Case

if TYPE_CHECKING:
    from estimator.advice.flow import Recommendation

DAYS = 40
FOLLOWED = 42
REPLANS = (1, 4, 8, 12, 16, 20, 24, 30, 36)
DRAWS = 250
VOLUME_OFF = 0.12
EXPONENTS = (0.05, 0.6)
"""How the effluent's increment answers to the flow at the one needed: −d ln X/d ln F, which for one
chamber is 1 − X/X_sat."""
WEAKER = 0.85
REFERENCE_TESTS = 3


def odd_case(rng: np.random.Generator) -> Case:
    """A keeper on dosing, and a truth that the model does not hold."""
    case = keeper_case(rng, Habits(days=DAYS, begun_d=NEVER))
    truth = case.truth
    more = FOLLOWED + 3
    uptake = truth.uptake_meq_l_d
    drift = 0.015 * uptake[0] * np.cumsum(rng.standard_normal(more))
    strength = np.ones(DAYS + 2 + more)
    strength[case.last_day + 8 :] *= WEAKER
    exponent = float(rng.choice(EXPONENTS))
    load_meq_h = float(uptake[-1]) * truth.volume_l / 24
    needed_ml_h = 1000 * load_meq_h / ((1 - exponent) * truth.saturated_increment_meq_l)
    stated = truth.volume_l * float(np.exp(VOLUME_OFF * rng.choice([-1, 1])))
    tank = replace(
        case.tank,
        water_volume_l=stated,
        references={"standard": Composition("standard", {"alkalinity": 7.0 * DKH})},
    )
    rows = max(record.row for record in (*case.log.readings, *case.log.actions))
    checks = tuple(
        Reading(
            rows + 1 + j,
            case.log.end + timedelta(minutes=5 * j),
            "alkalinity",
            "reference",
            "standard",
            0.0,
            "",
            "alk",
        )
        for j in range(REFERENCE_TESTS)
    )
    log = replace(case.log, readings=(*case.log.readings, *checks), end=checks[-1].time)
    return Case(
        tank,
        log,
        replace(
            truth,
            uptake_meq_l_d=np.maximum(np.concatenate([uptake, uptake[-1] + drift]), 0.0),
            effluent_strength=strength,
            half_flow_ml_h=needed_ml_h * (1 - exponent) / exponent,
            square_light=True,
        ),
    )


class TrueTank:
    """The true alkalinity from a start on, by a Runge-Kutta scheme of fourth order."""

    def __init__(self, case: Case, log: TankLog, start: datetime) -> None:
        level = simulate_levels(case.tank, log, case.truth, [start]).alkalinity_meq_l
        self.case = case
        self.level = float(level[0])
        self.day = (start - self._origin) / timedelta(days=1)
        self.flow_ml_h = 0.0
        rates = {a.of: a.value or 0.0 for a in log.actions if a.kind == "dose_rate"}
        self.dosed_meq_d = alkalinity_meq_d(self.case.tank.solutions, rates)
        self.recorded: list[float] = []
        self.per_day = 96

    @property
    def _origin(self) -> datetime:
        return datetime.combine(self.case.log.start.date(), datetime.min.time())

    def set(self, flow_ml_h: float, rates: Mapping[str, float]) -> None:
        """New settings from now on."""
        self.flow_ml_h = flow_ml_h
        self.dosed_meq_d = alkalinity_meq_d(self.case.tank.solutions, rates)

    def increment(self, level: float, day: float) -> float:
        """Effluent less tank."""
        chamber, middle = self.case.chamber, self.case.tank.targets["alkalinity"].middle
        above = chamber.saturated_meq_l(day) - (level - middle)
        return above * chamber.filled(max(self.flow_ml_h, 1e-9))

    def _slope(self, level: float, day: float) -> float:
        truth, tank = self.case.truth, self.case.tank
        lit = (tank.lights_off_h - tank.lights_on_h) / 24
        dark = 1 / (1 + lit * (truth.light_ratio - 1))
        on = tank.lights_on_h / 24 <= day % 1.0 < tank.lights_off_h / 24
        eaten = self.uptake(level, day) * dark * (truth.light_ratio if on else 1.0)
        turnover = self.flow_ml_h * 24 / 1000 / truth.volume_l
        supplied = turnover * self.increment(level, day) + self.dosed_meq_d / truth.volume_l
        return float(supplied - eaten)

    def uptake(self, level: float, day: float) -> float:
        """Daily mean uptake of a day, were the level this one, meq/L/day."""
        truth, middle = self.case.truth, self.case.tank.targets["alkalinity"].middle
        answer = 1 + truth.uptake_per_meq_l * (level - middle)
        return float(truth.uptake_meq_l_d[int(day)] * answer)

    def pass_day(self) -> None:
        """One day under the present settings; all levels on the way are recorded."""
        h = 1 / self.per_day
        for _ in range(self.per_day):
            first = self._slope(self.level, self.day)
            second = self._slope(self.level + 0.5 * h * first, self.day + 0.5 * h)
            third = self._slope(self.level + 0.5 * h * second, self.day + 0.5 * h)
            fourth = self._slope(self.level + h * third, self.day + h)
            self.level += h * (first + 2 * second + 2 * third + fourth) / 6
            self.day += h
            self.recorded.append(self.level)

    def carried(self) -> float:
        """Part of what the corals take up that the reactor gives back, now."""
        given = self.flow_ml_h * 24 / 1000 * self.increment(self.level, self.day)
        taken = self.uptake(self.level, self.day) * self.case.truth.volume_l
        return float(given / taken)

    def shares(self) -> dict[str, float]:
        """Of the days passed: shares of daily means in the band, and share rising too fast.

        `in_band_since` counts from the first day in the band, `in_band_as_read` is by what the
        keeper's kit would show, free of its scatter. `carried` is the reactor's part of the load in
        the end.
        """
        daily = np.reshape(self.recorded, (-1, self.per_day)).mean(axis=1)
        band = self.case.tank.targets["alkalinity"]
        inside = (daily >= band.low) & (daily <= band.high)
        read = daily * self.case.truth.kit_calibration["alk", 0]
        rise = np.diff(daily) > (band.max_rise_per_day or np.inf)
        return {
            "in_band": float(np.mean(inside)),
            "in_band_since": float(np.mean(inside[int(np.argmax(inside)) :])),
            "in_band_as_read": float(np.mean((read >= band.low) & (read <= band.high))),
            "rising": float(np.mean(rise)),
            "carried": self.carried(),
            "lowest_dkh": float(daily.min() / DKH),
            "highest_dkh": float(daily.max() / DKH),
        }


@dataclass
class Keeper:
    """Follows a plan by what it says, and writes everything down."""

    true: TrueTank
    log: TankLog
    rng: np.random.Generator
    plan: Plan | None = None
    at: int = 0
    last: float = 0.0
    due: date | None = None

    @property
    def tank(self) -> Tank:
        """The tank file."""
        return self.true.case.tank

    def _write(self, *records: Reading | Action) -> None:
        readings = (*self.log.readings, *(r for r in records if isinstance(r, Reading)))
        actions = (*self.log.actions, *(a for a in records if isinstance(a, Action)))
        self.log = replace(
            self.log, readings=readings, actions=actions, end=max(r.time for r in records)
        )

    def _row(self) -> int:
        return 1 + max(record.row for record in (*self.log.readings, *self.log.actions))

    def test(self, time: datetime, sample: str) -> float:
        """Titrate once; the figure goes into the log."""
        true = self.true
        level = true.level + (true.increment(true.level, true.day) if sample != "tank" else 0.0)
        blank = Reading(self._row(), time, "alkalinity", sample, "", 0.0, "", "alk")
        value = read_with_kit(blank, level, 0, self.tank, true.case.truth, self.rng)
        self._write(replace(blank, value=value))
        return value

    def set(self, time: datetime, flow_ml_h: float, doses: Mapping[str, float]) -> None:
        """Set pump and dosing; zero where a solution is not named."""
        row = self._row()
        self.true.set(flow_ml_h, doses)
        actions = [Action(row, time, "flow", "", flow_ml_h)]
        for j, name in enumerate(self.tank.solutions):
            actions.append(Action(row + 1 + j, time, "dose_rate", name, doses.get(name, 0.0)))
        self._write(*actions)

    def begin(self, time: datetime, found: ChangeOver, advice: Recommendation) -> None:
        """Take up a plan; a setting close by is only made, and the last plan's rule goes on."""
        setting, plan = advice.flow.setting, found.plan
        if isinstance(plan, Plan):
            self.plan, self.at, self.last = plan, 0, float(plan.steering.rule.began_meq_l)
            self.due = time.date() + timedelta(days=plan.step_days)
            self.set(time, plan.steps[0].flow_ml_h, plan.steps[0].dose_ml_d)
        elif plan.kind == "nothing to do" and setting is not None:
            self.set(time, setting.set_to_ml_h, {})

    def retest(self, time: datetime) -> None:
        """On a retest day: titrate, and go on by the rule."""
        plan = self.plan
        if plan is None or time.date() != self.due:
            return
        self.due = time.date() + timedelta(days=plan.step_days)
        rule, pump = plan.steering, self.tank.reactor
        assert pump is not None
        reading = self.test(time, "tank")
        change = float(rule.rule.change_meq_d(self.last, reading))
        self.last = reading
        flow = self.true.flow_ml_h
        low = reading <= rule.rule.hold_below_meq_l + 1e-9
        high = reading >= rule.rule.hold_above_meq_l - 1e-9
        if self.at < len(plan.steps) - 1:
            following = plan.steps[self.at + 1]
            rises = following.flow_ml_h > plan.steps[self.at].flow_ml_h
            waits = (low and bool(rule.ml_per_meq)) or (high if rises else low)
            if not waits:
                flow += following.flow_ml_h - plan.steps[self.at].flow_ml_h
                self.at += 1
                change -= alkalinity_meq_d(self.tank.solutions, following.takes_ml_d)
        elif not (low and rule.ml_per_meq) and not high:
            goes_on = self.true.dosed_meq_d >= 0.5 * rule.extra_meq_d
            if goes_on and flow + rule.extra_ml_h <= rule.highest_ml_h:
                flow += rule.extra_ml_h
                change -= rule.extra_meq_d
        supply = self.true.dosed_meq_d + change
        dosed = min(max(supply, 0.0), rule.most_meq_d)
        rest = min(supply, 0.0) if rule.ml_per_meq else supply
        flow += rest * rule.ml_h_per_meq_d
        flow = round(flow / pump.flow_step_ml_h) * pump.flow_step_ml_h
        flow = float(np.clip(flow, rule.lowest_ml_h, rule.highest_ml_h))
        self.set(time, flow, settable_doses(rule.ml_per_meq, dosed))


def _plan(log: TankLog, tank: Tank, seed: list[int]) -> tuple[Recommendation, ChangeOver]:
    """Fit, advise and plan from a log, the first step on the day of its last entry."""
    from estimator.advice.flow import recommend
    from estimator.fit.posterior import collect
    from estimator.fit.problem import pose
    from estimator.fit.sampling import sample
    from estimator.plan.change_over import plan_change_over

    problem = pose(log, tank)
    fit, level, advice, plan = np.random.SeedSequence(seed).spawn(4)
    trace = sample(problem, fit, draws=DRAWS, cores=1)
    posterior = collect(problem, trace, level)
    # Half the usual draws are enough here; the checks are meant for the usual number.
    posterior = replace(posterior, diagnostics=replace(posterior.diagnostics, failures=()))
    recommendation = recommend(posterior, tank, advice)
    rates = dose_rates_now(log, tank)
    return recommendation, plan_change_over(
        posterior, tank, recommendation, rates, log.end.date(), plan
    )


def one_tank(index: int, seed: int) -> dict[str, object]:
    """Follow one tank; shares of days under the plan and after the overnight switch."""
    rng = np.random.default_rng([seed, index])
    case = odd_case(rng)
    log = simulate_log(case.tank, case.log, case.truth, rng)
    first = datetime.combine(log.end.date() + timedelta(days=1), datetime.min.time())
    hour = timedelta(hours=15)
    keeper = Keeper(TrueTank(case, log, first + hour), log, rng)
    keeper.test(first + hour, "tank")
    advice, found = _plan(keeper.log, case.tank, [seed, index, 0])
    needed = case.needed_flow_ml_h
    result: dict[str, object] = {
        "exponent": round(needed / (needed + case.truth.half_flow_ml_h), 2),
        "status": advice.status,
        "kind": found.plan.kind,
        "steps": len(found.steps),
        **{
            name: getattr(found.plan, name, None)
            for name in ("probability", "good_days", "overnight_probability")
        },
    }
    if advice.flow.setting is None:
        return result
    overnight = TrueTank(case, log, first + hour)
    overnight.set(advice.flow.setting.set_to_ml_h, {})
    keeper.begin(first + hour, found, advice)
    fits = 1
    for day in range(1, FOLLOWED + 1):
        keeper.true.pass_day()
        overnight.pass_day()
        time = first + timedelta(days=day) + hour
        if day in REPLANS and keeper.true.flow_ml_h > 0:
            for _ in range(2):
                keeper.test(time - timedelta(minutes=5), "effluent")
        if day in REPLANS:
            keeper.test(time, "tank")
            renewed_advice, renewed = _plan(keeper.log, case.tank, [seed, index, day])
            fits += 1
            keeper.begin(time, renewed, renewed_advice)
            if renewed.steps:
                continue
        keeper.retest(time)
    result["fits"] = fits
    result["plan"] = keeper.true.shares()
    result["overnight"] = overnight.shares()
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tanks", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path)
    arguments = parser.parse_args()
    results = []
    with ProcessPoolExecutor(arguments.workers) as pool:
        run = partial(one_tank, seed=arguments.seed)
        for index, result in enumerate(pool.map(run, range(arguments.tanks))):
            results.append(result)
            print(index, json.dumps(result), flush=True)
    followed = [r for r in results if "plan" in r]
    summary = {
        f"{way}, exponent {'any' if exponent is None else exponent}": {
            name: round(float(np.mean([r[way][name] for r in group])), 3)  # type: ignore[index]
            for name in ("in_band", "in_band_since", "in_band_as_read", "rising", "carried")
        }
        for way in ("plan", "overnight")
        for exponent in (None, *EXPONENTS)
        if (group := [r for r in followed if exponent in (None, r["exponent"])])
    }
    print(json.dumps({"followed": len(followed), **summary}, indent=1))
    if arguments.out:
        out = {
            "tanks": arguments.tanks,
            "followed": len(followed),
            "seed": arguments.seed,
            "date": date.today().isoformat(),
            "share_of_days": summary,
            "results": results,
        }
        arguments.out.write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
