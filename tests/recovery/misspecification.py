"""Where the truth differs from the model: coverage, and errors beside those of plainer methods.

The same keepers with the same random kit errors stand under every departure. Per departure: how
often 90 % ranges hold the truth, and median relative errors of uptake and of the load (uptake times
volume, what a pump has to supply: a wrong stated volume cancels in it) by this model, by hand, and
by a local-level fit of statsmodels.

    python tests/recovery/misspecification.py --logs 40 --seed 1 --out FILE.json

A row is written as soon as it is done; `--resume` keeps the rows that FILE.json already holds.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.advice.flow import to_ml_h
from estimator.fit.posterior import Posterior, collect
from estimator.fit.problem import pose
from estimator.fit.sampling import sample
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.synthetic.simulation import Truth, round_to_step, simulate_levels, simulate_log
from estimator.water.supply import LARGEST_FLOW_L_D
from helpers.keepers import (
    CA,
    DKH,
    Change,
    Habits,
    forget,
    gas_runs_out,
    keeper_case,
    with_monitor,
)
from helpers.tanks import Case
from recovery.results import in_turn, write_results

DRAWS = 250
DAY = timedelta(days=1)
CLOSEST = timedelta(hours=6)
"""Tests closer than this say nothing of uptake."""
AS_MODELLED = "as modelled"
OUTLIERS = "5 % outliers"
GAS_FROM_D = 39
"""Three weeks before the end of sixty days."""


@dataclass(frozen=True)
class Dice:
    """Random numbers of one log: the kits' errors, and what only the departure decides.

    Kept apart, so that a departure leaves the errors as they are.
    """

    errors: np.random.Generator
    own: np.random.Generator


@dataclass(frozen=True)
class Written:
    """What a keeper wrote, and what the answers are held against.

    Attributes:
        log, tank: both files.
        case: what was truly done, in a tank as it truly is.
        needed_ml_h: pump setting that would truly hold the band.
    """

    log: TankLog
    tank: Tank
    case: Case
    needed_ml_h: float


def _written(case: Case, dice: Dice, truly: Case | None = None, lost: float = 1.0) -> Written:
    """The log and file of `case` with what the kits read in `truly`, default the same; the pump
    gives `lost` of its setting."""
    truly = truly or case
    read = simulate_log(truly.tank, truly.log, truly.truth, dice.errors).readings
    # Where no flow is enough the answer is the largest there is.
    needed_ml_h = min(truly.needed_flow_ml_h / lost, float(to_ml_h(np.array(LARGEST_FLOW_L_D))))
    return Written(replace(case.log, readings=read), case.tank, truly, needed_ml_h)


def _truth(case: Case, **changes: Any) -> Case:
    return replace(case, truth=replace(case.truth, **changes))


def _square_light(case: Case, dice: Dice) -> Written:
    return _written(_truth(case, square_light=True), dice)


def _saturation(case: Case, dice: Dice) -> Written:
    """Uptake gains 15 % per unit of saturation, 4.2 at 8.2 dKH and 425 mg/L and following their
    product."""
    per_part = 0.15 * 4.2
    base = case.truth.uptake_meq_l_d
    days = range(case.last_day)
    times = [case.log.start.replace(hour=23, minute=59) + timedelta(days=j) for j in days]
    found = _truth(case, uptake_per_meq_l=per_part / (8.2 * DKH))
    for _ in range(3):
        levels = simulate_levels(case.tank, case.log, found.truth, times)
        answer = 1 + per_part * (levels.calcium_mmol_l / (425 / CA) - 1)
        answer = np.append(answer, np.full(len(base) - len(answer), answer[-1]))
        found = _truth(found, uptake_meq_l_d=base * answer)
    return _written(found, dice)


def _worn_pump(case: Case, dice: Dice) -> Written:
    """The pump tube loses 10 % in two months: the true flow sinks while its setting stands."""
    flows = [a for a in case.log.actions if a.kind == "flow"]
    worn = [a for a in case.log.actions if a.kind != "flow"]
    first = flows[0].time
    for j in range((case.log.end - first).days + 1):
        time = first + timedelta(days=j)
        setting = [a for a in flows if a.time <= time][-1].value or 0.0
        worn.append(Action(9000 + j, time, "flow", "", setting * (1 - 0.10 * j / 60)))
    worn.sort(key=lambda a: a.time)
    lost = 1 - 0.10 * (case.log.end - first).days / 60
    truly = replace(case, log=replace(case.log, actions=tuple(worn)))
    return _written(case, dice, truly, lost)


def _salinity_swings(case: Case, dice: Dice) -> Written:
    """Evaporation between top-ups swings salinity, and so every level, by 1 g/kg (±½)."""
    days = np.arange(case.last_day + 2)
    swing = 0.5 * np.sin(2 * np.pi * days / 5 + dice.own.uniform(0, 2 * np.pi))
    return _written(_truth(case, salinity_g_kg=case.tank.salinity_g_kg + swing), dice)


def _rounds_up(case: Case, dice: Dice) -> Written:
    """The keeper counts the drop that turns the colour: every figure is rounded up."""
    fine = {name: replace(kit, step=kit.step * 1e-6) for name, kit in case.tank.kits.items()}
    found = _written(case, dice, replace(case, tank=replace(case.tank, kits=fine)))
    step = {name: kit.step for name, kit in case.tank.kits.items()}
    up = tuple(
        replace(r, value=round_to_step(r.value + 0.5 * step[r.kit], step[r.kit]))
        for r in found.log.readings
    )
    return replace(found, log=replace(found.log, readings=up))


def _late_clock(case: Case, dice: Dice) -> Written:
    """Times of readings are off by hours."""
    found = _written(case, dice)
    start = case.log.start
    moved = [
        replace(r, time=max(start, r.time + timedelta(hours=float(dice.own.normal(0, 3)))))
        for r in found.log.readings
    ]
    moved.sort(key=lambda r: r.time)
    end = max([r.time for r in moved] + [a.time for a in case.log.actions])
    return replace(found, log=replace(found.log, readings=tuple(moved), end=end))


def _forgotten_change(case: Case, dice: Dice) -> Written:
    """One water change in the middle of the log was never written down."""
    changes = [a for a in case.log.actions if a.kind == "water_change"]
    gone = changes[len(changes) // 2]
    return _written(forget(case, lambda action: action is gone), dice)


def _forgotten_calcium(case: Case, dice: Dice) -> Written:
    """The calcium solution is dosed with the other, and never written down."""
    return _written(forget(case, lambda action: action.of == "chloride"), dice)


def _silent_shift(case: Case, dice: Dice) -> Written:
    """The alkalinity kit's calibration shifts by 5 % two thirds through, with no `new_bottle`."""
    time = case.log.start + (case.log.end - case.log.start) * 2 / 3
    bottle = Action(9999, time, "new_bottle", "alk", None)
    actions = tuple(sorted([*case.log.actions, bottle], key=lambda a: a.time))
    calibrations = dict(case.truth.kit_calibration)
    shift = float(np.exp(0.05 * dice.own.choice([-1, 1])))
    calibrations["alk", 1] = calibrations["alk", 0] * shift
    truly = _truth(case, kit_calibration=calibrations)
    return _written(case, dice, replace(truly, log=replace(case.log, actions=actions)))


def _outliers(case: Case, dice: Dice) -> Written:
    """One reading in twenty, at least one, is off by three kit steps."""
    readings = case.log.readings
    off = {}
    for m in dice.own.choice(len(readings), max(1, round(0.05 * len(readings))), replace=False):
        step = case.tank.kits[readings[m].kit].step
        off[readings[m].row] = 3 * step * float(dice.own.choice([-1, 1]))
    return _written(_truth(case, misread=off), dice)


def _media_share(case: Case, dice: Dice) -> Written:
    """The file says that a tenth of the media is of magnesium, none of which dissolves."""
    assert case.tank.reactor is not None
    reactor = replace(case.tank.reactor, magnesium_media_fraction=0.10)
    found = _written(case, dice)
    return replace(found, tank=replace(case.tank, reactor=reactor))


def _hourly(case: Case, dice: Dice) -> Written:
    """An instrument reads alkalinity every hour of the last thirty days, and drifts."""
    return _written(with_monitor(case, 30, dice.own), dice)


def _slow_chamber(_: np.random.Generator) -> Change:
    """At the first day's load the effluent gets a quarter of the way to saturation: the reactor
    could carry a third more, and no more at any flow."""

    def change(tank: Tank, truth: Truth) -> Truth:
        load_meq_h = truth.uptake_meq_l_d[0] * truth.volume_l / 24
        needed_ml_h = 1000 * load_meq_h / (0.25 * truth.saturated_increment_meq_l)
        return replace(truth, half_flow_ml_h=needed_ml_h / 3)

    return change


def _gas(rng: np.random.Generator) -> Change:
    return gas_runs_out(GAS_FROM_D, rng)


@dataclass(frozen=True)
class Departure:
    """One way in which the truth differs from the model.

    Attributes:
        write: the log from the keeper's case.
        change: of the tank, before the keeper acts in it.
        habits: the keeper's, default the usual ones.
    """

    write: Callable[[Case, Dice], Written] = _written
    change: Callable[[np.random.Generator], Change] | None = None
    habits: Habits | None = None


DEPARTURES: dict[str, Departure] = {
    AS_MODELLED: Departure(),
    "stepwise light": Departure(_square_light),
    "uptake follows saturation": Departure(_saturation),
    "pump tube loses 10 %": Departure(_worn_pump),
    "salinity swings 1 g/kg": Departure(_salinity_swings),
    "kit rounds up": Departure(_rounds_up),
    "clock off by hours": Departure(_late_clock),
    "forgotten water change": Departure(_forgotten_change),
    "silent 5 % kit shift": Departure(_silent_shift),
    OUTLIERS: Departure(_outliers),
    "saturating chamber": Departure(change=_slow_chamber),
    "gas runs out": Departure(
        change=_gas, habits=Habits(begun_d=0, settled_d=GAS_FROM_D, chamber_ph=(5.0, 9.0))
    ),
    "magnesium media does not dissolve": Departure(_media_share),
    "forgotten calcium doses": Departure(_forgotten_calcium),
    "hourly readings that drift": Departure(_hourly),
}


def _tank_tests(log: TankLog) -> list[Reading]:
    return [r for r in log.readings if (r.sample, r.parameter) == ("tank", "alkalinity")]


def hand_uptake_meq_l_d(log: TankLog, tank: Tank, apart: timedelta = timedelta(0)) -> float:
    """What a keeper works out by hand: the last two tests at least `apart`, divided.

    Doses at their logged rates, the reactor at the last effluent test, the stated volume; kit
    error, drift and water changes are left out, as they are by hand.
    """
    tests = _tank_tests(log)
    last = tests[-1]
    first = [r for r in tests[:-1] if last.time - r.time >= apart][-1]
    rates = {
        a.of: a.value or 0.0 for a in log.actions if a.kind == "dose_rate" and a.time <= last.time
    }
    added = sum(tank.solutions[n].alkalinity_meq_per_ml * ml for n, ml in rates.items())
    flows = [a.value or 0.0 for a in log.actions if a.kind == "flow" and a.time <= last.time]
    effluent = [r.value for r in log.readings if r.sample == "effluent"]
    if flows and effluent:
        level = 0.5 * (first.value + last.value)
        added += flows[-1] * 24 / 1000 * (effluent[-1] - level)
    fall = (first.value - last.value) / ((last.time - first.time) / DAY)
    return fall + added / tank.water_volume_l


def apparent_uptake_meq_l_d(log: TankLog, tank: Tank) -> np.ndarray:
    """Uptake between consecutive tank tests (n − 1,), by plain bookkeeping at the stated volume.

    Drop of the level plus what was dosed, changed with new water of its stated level, and supplied
    by the reactor at its latest effluent test (the first one before there was any). A test within
    `CLOSEST` of the one before is passed over.
    """
    effluent = [r for r in log.readings if r.sample == "effluent"]
    tests: list[Reading] = []
    for test in _tank_tests(log):
        if not tests or test.time - tests[-1].time >= CLOSEST:
            tests.append(test)

    def poured(kind: str, of: str, start: datetime, end: datetime) -> float:
        """A setting times the days it held."""
        changes = [a for a in log.actions if (a.kind, a.of) == (kind, of) and a.time < end]
        ends = [*(a.time for a in changes[1:]), end]
        return sum(
            (a.value or 0.0) * max((until - max(a.time, start)) / DAY, 0.0)
            for a, until in zip(changes, ends, strict=False)
        )

    def added(start: datetime, end: datetime, level: float) -> float:
        """meq that came into the tank while it stood at about `level`."""
        total = sum(
            solution.alkalinity_meq_per_ml * poured("dose_rate", name, start, end)
            for name, solution in tank.solutions.items()
        )
        if effluent:
            strength = ([r for r in effluent if r.time <= end] or effluent[:1])[-1].value
            total += poured("flow", "", start, end) * 24 / 1000 * (strength - level)
        for action in log.actions:
            if start < action.time <= end and action.kind == "dose":
                total += tank.solutions[action.of].alkalinity_meq_per_ml * (action.value or 0.0)
            if start < action.time <= end and action.kind == "water_change":
                new = tank.waters[action.of].levels["alkalinity"]
                total += (action.value or 0.0) * (new - level)
        return total

    uptake = []
    for before, after in pairwise(tests):
        gain = added(before.time, after.time, 0.5 * (before.value + after.value))
        gone = before.value - after.value + gain / tank.water_volume_l
        uptake.append(gone / ((after.time - before.time) / DAY))
    return np.array(uptake)


def local_level(log: TankLog, tank: Tank) -> tuple[float, float, float]:
    """Estimate of uptake now and the ends of its 90 % range, without a prior or a tank model.

    A random walk plus noise over the intervals between tests (statsmodels, "local level", maximum
    likelihood). Its last smoothed level; the range takes the fitted variances as known.
    """
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = UnobservedComponents(apparent_uptake_meq_l_d(log, tank), "local level")
        level = model.fit(disp=False).level
    middle = float(level.smoothed[-1])
    half = 1.645 * float(np.sqrt(level.smoothed_cov[-1]))
    return middle, middle - half, middle + half


@dataclass(frozen=True)
class Outcome:
    """One log's answers.

    Attributes:
        held: whether the 90 % range holds the truth, by quantity.
        uptake_error, load_error: relative errors, by method.
        poor: the fit had an R-hat above 1.02 or a divergence.
        flow_shift: how far the median needed flow moved from that of the same log without its
            outliers, over the width of that log's 90 % range; None under other departures.
    """

    held: dict[str, bool]
    uptake_error: dict[str, float]
    load_error: dict[str, float]
    poor: bool
    flow_shift: float | None = None


def one_log(index: int, departure: str, seed: int, draws: int = DRAWS) -> Outcome:
    """Simulate one keeper's log, answer it by every method and hold the answers against the truth.

    Raises:
        FitError: the model could not be started.
    """
    keeper, *chance, fit_seed, level_seed = np.random.SeedSequence([seed, index]).spawn(5)

    def written(how: Departure) -> Written:
        dice = Dice(*map(np.random.default_rng, chance))
        change = how.change(dice.own) if how.change else None
        return how.write(keeper_case(np.random.default_rng(keeper), how.habits, change), dice)

    def fitted(found: Written) -> Posterior:
        problem = pose(found.log, found.tank)
        trace = sample(problem, fit_seed, draws=draws, cores=1)
        return collect(problem, trace, level_seed)

    found = written(DEPARTURES[departure])
    posterior = fitted(found)
    outcome = _judged(found, posterior)
    if departure != OUTLIERS:
        return outcome
    without = fitted(written(DEPARTURES[AS_MODELLED])).needed_flow_l_d
    shift = abs(np.median(posterior.needed_flow_l_d) - np.median(without))
    return replace(outcome, flow_shift=float(shift / np.ptp(np.quantile(without, [0.05, 0.95]))))


def _judged(found: Written, posterior: Posterior) -> Outcome:
    log, tank, case = found.log, found.tank, found.case
    uptake, volume = case.uptake_now_meq_l_d, case.truth.volume_l
    pairs = {
        "uptake now": (posterior.uptake_now_meq_l_d, uptake),
        "alkalinity now": (posterior.alkalinity_now_meq_l, case.level_now_meq_l),
        "needed flow": (to_ml_h(posterior.needed_flow_l_d), found.needed_ml_h),
        "calcium per alkalinity": (posterior.calcium_share, case.truth.calcium_share),
    }
    held = {}
    for name, (draws, true) in pairs.items():
        low, high = np.quantile(draws, [0.05, 0.95])
        held[name] = bool(low <= true <= high)
    estimate, low, high = local_level(log, tank)
    held["uptake now, by local level"] = bool(low <= uptake <= high)
    plain = {
        "by hand, tests 3 days apart": hand_uptake_meq_l_d(log, tank, 3 * DAY),
        "by hand, last two tests": hand_uptake_meq_l_d(log, tank),
        "local level": estimate,
    }
    uptakes = {"model": float(np.median(posterior.uptake_now_meq_l_d)), **plain}
    loads = {name: value * tank.water_volume_l for name, value in plain.items()}
    loads["model"] = float(np.median(posterior.uptake_now_meq_l_d * posterior.volume_l))
    checks = posterior.diagnostics
    return Outcome(
        held=held,
        uptake_error={name: abs(value / uptake - 1) for name, value in uptakes.items()},
        load_error={name: abs(loads[name] / (uptake * volume) - 1) for name in uptakes},
        poor=checks.r_hat_max > 1.02 or checks.divergences > 0,
    )


def summary(outcomes: list[Outcome]) -> dict[str, object]:
    """One departure's row: shares of ranges that hold, median relative errors, poor fits."""

    def over_logs(of: Callable[[Outcome], dict[str, float]], how: Callable) -> dict[str, float]:
        return {
            name: round(float(how([of(one)[name] for one in outcomes])), 4)
            for name in of(outcomes[0])
        }

    row: dict[str, object] = {
        "in_90": over_logs(lambda one: one.held, np.mean),
        "median_uptake_error": over_logs(lambda one: one.uptake_error, np.median),
        "median_load_error": over_logs(lambda one: one.load_error, np.median),
        "poor_fits": sum(one.poor for one in outcomes),
    }
    shifts = [one.flow_shift for one in outcomes if one.flow_shift is not None]
    if shifts:
        row["flow_shift_over_range"] = {
            "median": round(float(np.median(shifts)), 4),
            "quantile_90": round(float(np.quantile(shifts, 0.9)), 4),
        }
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", action="append", choices=list(DEPARTURES), metavar="DEPARTURE")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--resume", action="store_true", help="keep the rows that --out holds")
    arguments = parser.parse_args()
    what = {
        "logs": arguments.logs,
        "seed": arguments.seed,
        "draws": DRAWS,
        "python": platform.python_version(),
        "pymc": version("pymc"),
        "statsmodels": version("statsmodels"),
    }
    rows: dict[str, object] = {}
    if arguments.resume and arguments.out and arguments.out.exists():
        earlier = json.loads(arguments.out.read_text())
        other = {key: earlier.get(key) for key in what if earlier.get(key) != what[key]}
        if other:
            parser.error(f"{arguments.out} holds another study: {other}; choose another --out")
        rows = earlier["departures"]
    for name in arguments.only or DEPARTURES:
        if name not in rows:
            run = partial(one_log, departure=name, seed=arguments.seed)
            rows[name] = summary(list(in_turn(arguments.workers, run, arguments.logs)))
            print(name, json.dumps(rows[name], indent=1), flush=True)
            write_results(arguments.out, {**what, "departures": rows})


if __name__ == "__main__":
    main()
