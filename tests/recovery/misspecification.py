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
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.advice.flow import to_ml_h
from estimator.fit.posterior import Posterior, collect
from estimator.fit.problem import pose
from estimator.fit.sampling import sample
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.synthetic.simulation import round_to_step, simulate_levels, simulate_log
from estimator.water.light import day_shape, light_share, lit_fraction
from helpers.keepers import CA, DKH, keeper_case
from helpers.tanks import Case

DRAWS = 250
DAY = timedelta(days=1)
CLOSEST = timedelta(hours=6)
"""Tests closer than this say nothing of uptake."""
OUTLIERS = "5 % outliers"


@dataclass(frozen=True)
class Dice:
    """Random numbers of one log: the kits' errors, and what only the departure decides.

    Kept apart, so that a departure leaves the errors as they are.
    """

    errors: np.random.Generator
    own: np.random.Generator


def _as_modelled(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    return simulate_log(case.tank, case.log, case.truth, dice.errors), case


def _square_light(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    case = replace(case, truth=replace(case.truth, square_light=True))
    return _as_modelled(case, dice)


def _saturation(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """Uptake gains 15 % per unit of saturation, which follows alkalinity times calcium."""
    base = case.truth.uptake_meq_l_d
    times = [
        case.log.start.replace(hour=23, minute=59) + timedelta(days=j) for j in range(case.last_day)
    ]
    truth = case.truth
    for _ in range(4):
        levels = simulate_levels(case.tank, case.log, truth, times)
        omega = 4.2 * levels.alkalinity_meq_l / (8.2 * DKH) * levels.calcium_mmol_l / (425 / CA)
        factor = 1 + 0.15 * (omega - 4.2)
        factor = np.concatenate([factor, np.full(len(base) - len(factor), factor[-1])])
        truth = replace(truth, uptake_meq_l_d=base * factor)
    return _as_modelled(replace(case, truth=truth), dice)


def _worn_pump(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """The pump tube loses 10 % in two months: the true flow sinks while its setting stands.

    What the keeper needs is a setting, so the needed flow is that of the worn pump.
    """
    flows = [a for a in case.log.actions if a.kind == "flow"]
    worn = [a for a in case.log.actions if a.kind != "flow"]
    first = flows[0].time
    for j in range((case.log.end - first).days + 1):
        time = first + timedelta(days=j)
        setting = [a for a in flows if a.time <= time][-1].value or 0.0
        worn.append(Action(9000 + j, time, "flow", "", setting * (1 - 0.10 * j / 60)))
    worn.sort(key=lambda a: a.time)
    lost = 1 - 0.10 * (case.log.end - first).days / 60
    true_log = replace(case.log, actions=tuple(worn))
    filled = simulate_log(case.tank, true_log, case.truth, dice.errors)
    settled = replace(
        case.truth,
        reference_flow_ml_h=case.truth.reference_flow_ml_h / lost,
        increment_meq_l=case.truth.increment_meq_l * lost,
    )
    return replace(case.log, readings=filled.readings), replace(case, truth=settled)


def _salinity_swings(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """Evaporation between top-ups swings salinity, and so every level, by 1 g/kg (±½)."""
    levels = simulate_levels(case.tank, case.log, case.truth, [r.time for r in case.log.readings])
    columns = {"alkalinity": levels.alkalinity_meq_l, "calcium": levels.calcium_mmol_l}
    phase = dice.own.uniform(0, 2 * np.pi)
    extra = {}
    for m, reading in enumerate(case.log.readings):
        if reading.sample == "tank":
            day = levels.time_d[m]
            swing = 0.5 / 35 * np.sin(2 * np.pi * day / 5 + phase)
            extra[reading.row] = float(columns[reading.parameter][m] * swing)
    swung = replace(case, truth=replace(case.truth, misread=extra))
    return _as_modelled(swung, dice)[0], case


def _rounds_up(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """The keeper counts the drop that turns the colour: every figure is rounded up."""
    fine = replace(
        case.tank,
        kits={name: replace(kit, step=kit.step * 1e-6) for name, kit in case.tank.kits.items()},
    )
    filled = simulate_log(fine, case.log, case.truth, dice.errors)
    step = {name: kit.step for name, kit in case.tank.kits.items()}
    up = tuple(
        replace(r, value=round_to_step(r.value + 0.5 * step[r.kit], step[r.kit]))
        for r in filled.readings
    )
    return replace(filled, readings=up), case


def _late_clock(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """Times of readings are off by hours."""
    filled = simulate_log(case.tank, case.log, case.truth, dice.errors)
    moved = [
        replace(r, time=max(case.log.start, r.time + timedelta(hours=float(dice.own.normal(0, 3)))))
        for r in filled.readings
    ]
    moved.sort(key=lambda r: r.time)
    end = max([r.time for r in moved] + [a.time for a in filled.actions])
    return replace(filled, readings=tuple(moved), end=end), case


def _forgotten_change(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """One water change in the middle of the log was never written down."""
    filled = simulate_log(case.tank, case.log, case.truth, dice.errors)
    changes = [a for a in filled.actions if a.kind == "water_change"]
    gone = changes[len(changes) // 2]
    return replace(filled, actions=tuple(a for a in filled.actions if a is not gone)), case


def _silent_shift(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """The alkalinity kit's gain shifts by 5 % two thirds through, with no `new_bottle`."""
    time = case.log.start + (case.log.end - case.log.start) * 2 / 3
    bottle = Action(9999, time, "new_bottle", "alk", None)
    true_log = replace(
        case.log, actions=tuple(sorted([*case.log.actions, bottle], key=lambda a: a.time))
    )
    gains = dict(case.truth.kit_calibration)
    gains["alk", 1] = gains["alk", 0] * float(np.exp(0.05 * dice.own.choice([-1, 1])))
    filled = simulate_log(
        case.tank, true_log, replace(case.truth, kit_calibration=gains), dice.errors
    )
    return replace(case.log, readings=filled.readings), case


def _outliers(case: Case, dice: Dice) -> tuple[TankLog, Case]:
    """One reading in twenty, at least one, is off by three kit steps."""
    readings = case.log.readings
    off = {}
    for m in dice.own.choice(len(readings), max(1, round(0.05 * len(readings))), replace=False):
        step = case.tank.kits[readings[m].kit].step
        off[readings[m].row] = 3 * step * float(dice.own.choice([-1, 1]))
    return _as_modelled(replace(case, truth=replace(case.truth, misread=off)), dice)[0], case


Departure = Callable[[Case, Dice], tuple[TankLog, Case]]
DEPARTURES: dict[str, Departure] = {
    "as modelled": _as_modelled,
    "stepwise light": _square_light,
    "uptake follows saturation": _saturation,
    "pump tube loses 10 %": _worn_pump,
    "salinity swings 1 g/kg": _salinity_swings,
    "kit rounds up": _rounds_up,
    "clock off by hours": _late_clock,
    "forgotten water change": _forgotten_change,
    "silent 5 % kit shift": _silent_shift,
    OUTLIERS: _outliers,
}
"""What the keeper wrote, and the truth that the answers are held against."""


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
    skeleton = keeper_case(np.random.default_rng(keeper))

    def written(how: str) -> tuple[TankLog, Case]:
        return DEPARTURES[how](skeleton, Dice(*map(np.random.default_rng, chance)))

    def fitted(log: TankLog) -> Posterior:
        problem = pose(log, skeleton.tank)
        trace = sample(problem, fit_seed, draws=draws, cores=1)
        return collect(problem, trace, level_seed)

    log, case = written(departure)
    posterior = fitted(log)
    outcome = _judged(log, case, posterior)
    if departure != OUTLIERS:
        return outcome
    without = fitted(written("as modelled")[0]).needed_flow_l_d
    shift = abs(np.median(posterior.needed_flow_l_d) - np.median(without))
    return replace(outcome, flow_shift=float(shift / np.ptp(np.quantile(without, [0.05, 0.95]))))


def _judged(log: TankLog, case: Case, posterior: Posterior) -> Outcome:
    uptake, volume = case.uptake_now_meq_l_d, case.truth.volume_l
    end = simulate_levels(case.tank, case.log, case.truth, [case.log.end])
    # The level now is a daily mean; the truth's stands above the instant's by the day shape.
    share = light_share(np.array([case.truth.light_ratio]), lit_fraction(case.tank))
    part = float(end.time_d[0]) % 1.0
    level = end.alkalinity_meq_l[0] + uptake * day_shape(case.tank, share, part)[0]
    pairs = {
        "uptake now": (posterior.uptake_now_meq_l_d, uptake),
        "alkalinity now": (posterior.alkalinity_now_meq_l, level),
        "needed flow": (to_ml_h(posterior.needed_flow_l_d), case.needed_flow_ml_h),
        "calcium per alkalinity": (posterior.calcium_share, case.truth.calcium_share),
    }
    held = {}
    for name, (draws, true) in pairs.items():
        low, high = np.quantile(draws, [0.05, 0.95])
        held[name] = bool(low <= true <= high)
    estimate, low, high = local_level(log, case.tank)
    held["uptake now, by local level"] = bool(low <= uptake <= high)
    plain = {
        "by hand, tests 3 days apart": hand_uptake_meq_l_d(log, case.tank, 3 * DAY),
        "by hand, last two tests": hand_uptake_meq_l_d(log, case.tank),
        "local level": estimate,
    }
    uptakes = {"model": float(np.median(posterior.uptake_now_meq_l_d)), **plain}
    loads = {name: value * case.tank.water_volume_l for name, value in plain.items()}
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
    with ProcessPoolExecutor(arguments.workers) as pool:
        for name in arguments.only or DEPARTURES:
            if name in rows:
                continue
            run = partial(one_log, departure=name, seed=arguments.seed)
            rows[name] = summary(list(pool.map(run, range(arguments.logs))))
            print(name, json.dumps(rows[name], indent=1), flush=True)
            if arguments.out:
                result = {**what, "date": date.today().isoformat(), "departures": rows}
                arguments.out.write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
