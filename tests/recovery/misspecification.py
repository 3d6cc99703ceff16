"""Coverage where the truth differs from the model: how often the ranges still hold it.

python tests/recovery/misspecification.py --logs 40 --seed 1 --out FILE.json
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from keepers import CA, DKH, Case, keeper_case

from estimator.records import Action, TankLog
from estimator.simulation import round_to_step, simulate_levels, simulate_log

DRAWS = 250
QUANTITIES = ("uptake now", "alkalinity now", "needed flow", "calcium per alkalinity")


def _as_modelled(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    return simulate_log(case.tank, case.log, case.truth, rng), case


def _square_light(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    case = replace(case, truth=replace(case.truth, square_light=True))
    return _as_modelled(case, rng)


def _saturation(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
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
    return _as_modelled(replace(case, truth=truth), rng)


def _worn_pump(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
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
    filled = simulate_log(case.tank, true_log, case.truth, rng)
    settled = replace(
        case.truth,
        reference_flow_ml_h=case.truth.reference_flow_ml_h / lost,
        effluent_gain_meq_l=case.truth.effluent_gain_meq_l * lost,
    )
    return replace(case.log, readings=filled.readings), replace(case, truth=settled)


def _salinity_swings(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    """Evaporation between top-ups swings salinity, and so every level, by 1 g/kg (±½)."""
    levels = simulate_levels(case.tank, case.log, case.truth, [r.time for r in case.log.readings])
    columns = {"alkalinity": levels.alkalinity_meq_l, "calcium": levels.calcium_mmol_l}
    phase = rng.uniform(0, 2 * np.pi)
    extra = {}
    for m, reading in enumerate(case.log.readings):
        if reading.sample == "tank":
            day = levels.time_d[m]
            swing = 0.5 / 35 * np.sin(2 * np.pi * day / 5 + phase)
            extra[reading.row] = float(columns[reading.parameter][m] * swing)
    swung = replace(case, truth=replace(case.truth, misread=extra))
    return _as_modelled(swung, rng)[0], case


def _rounds_up(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    """The keeper counts the drop that turns the colour: every figure is rounded up."""
    fine = replace(
        case.tank,
        kits={name: replace(kit, step=kit.step * 1e-6) for name, kit in case.tank.kits.items()},
    )
    filled = simulate_log(fine, case.log, case.truth, rng)
    step = {name: kit.step for name, kit in case.tank.kits.items()}
    up = tuple(
        replace(r, value=round_to_step(r.value + 0.5 * step[r.kit], step[r.kit]))
        for r in filled.readings
    )
    return replace(filled, readings=up), case


def _late_clock(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    """Times of readings are off by hours."""
    filled = simulate_log(case.tank, case.log, case.truth, rng)
    moved = [
        replace(r, time=max(case.log.start, r.time + timedelta(hours=float(rng.normal(0, 3)))))
        for r in filled.readings
    ]
    moved.sort(key=lambda r: r.time)
    end = max([r.time for r in moved] + [a.time for a in filled.actions])
    return replace(filled, readings=tuple(moved), end=end), case


def _forgotten_change(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    """One water change in the middle of the log was never written down."""
    filled = simulate_log(case.tank, case.log, case.truth, rng)
    changes = [a for a in filled.actions if a.kind == "water_change"]
    gone = changes[len(changes) // 2]
    return replace(filled, actions=tuple(a for a in filled.actions if a is not gone)), case


def _silent_shift(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    """The alkalinity kit's gain shifts by 5 % two thirds through, with no `new_bottle`."""
    time = case.log.start + (case.log.end - case.log.start) * 2 / 3
    bottle = Action(9999, time, "new_bottle", "alk", None)
    true_log = replace(
        case.log, actions=tuple(sorted([*case.log.actions, bottle], key=lambda a: a.time))
    )
    gains = dict(case.truth.kit_gain)
    gains["alk", 1] = gains["alk", 0] * float(np.exp(0.05 * rng.choice([-1, 1])))
    filled = simulate_log(case.tank, true_log, replace(case.truth, kit_gain=gains), rng)
    return replace(case.log, readings=filled.readings), case


def _outliers(case: Case, rng: np.random.Generator) -> tuple[TankLog, Case]:
    """One reading in twenty is off by three kit steps."""
    step = {name: kit.step for name, kit in case.tank.kits.items()}
    off = {
        r.row: 3 * step[r.kit] * float(rng.choice([-1, 1]))
        for r in case.log.readings
        if rng.random() < 0.05
    }
    return _as_modelled(replace(case, truth=replace(case.truth, misread=off)), rng)[0], case


Departure = Callable[[Case, np.random.Generator], tuple[TankLog, Case]]
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
    "5 % outliers": _outliers,
}


def hand_uptake_meq_l_d(log: TankLog, case: Case) -> float:
    """What a keeper works out by hand: the last two tests at least three days apart, divided.

    Doses at their logged rates, the reactor at the last effluent test, the stated volume; kit
    error, drift and water changes are left out, as they are by hand.
    """
    tests = [r for r in log.readings if (r.sample, r.parameter) == ("tank", "alkalinity")]
    last = tests[-1]
    first = [r for r in tests if last.time - r.time >= timedelta(days=3)][-1]
    days = (last.time - first.time) / timedelta(days=1)
    rates = {
        a.of: a.value or 0.0 for a in log.actions if a.kind == "dose_rate" and a.time <= last.time
    }
    dosed = sum(case.tank.solutions[n].alkalinity_meq_per_ml * ml for n, ml in rates.items())
    flows = [a.value or 0.0 for a in log.actions if a.kind == "flow" and a.time <= last.time]
    effluent = [r.value for r in log.readings if r.sample == "effluent"]
    if flows and effluent:
        level = 0.5 * (first.value + last.value)
        dosed += flows[-1] * 24 / 1000 * (effluent[-1] - level)
    return (first.value - last.value) / days + dosed / case.tank.water_volume_l


def one_log(index: int, departure: str, seed: int) -> dict[str, object]:
    """Whether each 90 % range holds the truth, and the relative error of the median uptake."""
    from estimator.fit import sample
    from estimator.posterior import collect
    from estimator.recommendation import to_ml_h
    from estimator.schedule import build_schedule

    # The same keepers under every departure.
    rng = np.random.default_rng([seed, index])
    log, case = DEPARTURES[departure](keeper_case(rng), rng)
    schedule = build_schedule(log, case.tank)
    fit_seed, level_seed = np.random.SeedSequence([seed, index, 1]).spawn(2)
    trace = sample(schedule, case.tank, fit_seed, draws=DRAWS, cores=1)
    posterior = collect(schedule, case.tank, trace, level_seed)
    end = simulate_levels(case.tank, case.log, case.truth, [case.log.end])
    # The level now is a daily mean; the truth's stands above the instant's by the day shape.
    from estimator.schedule import day_shape, light_share, lit_fraction

    share = light_share(np.array([case.truth.light_ratio]), lit_fraction(case.tank))
    part = float(end.time_d[0]) % 1.0
    level = end.alkalinity_meq_l[0] + case.uptake_now_meq_l_d * day_shape(case.tank, share, part)[0]
    pairs = {
        "uptake now": (posterior.uptake_now_meq_l_d, case.uptake_now_meq_l_d),
        "alkalinity now": (posterior.alkalinity_now_meq_l, level),
        "needed flow": (to_ml_h(posterior.needed_flow_l_d), case.needed_flow_ml_h),
        "calcium per alkalinity": (posterior.calcium_share, case.truth.calcium_share),
    }
    held = {}
    for name, (draws, true) in pairs.items():
        low, high = np.quantile(draws, [0.05, 0.95])
        held[name] = bool(low <= true <= high)
    error = abs(np.median(posterior.uptake_now_meq_l_d) / case.uptake_now_meq_l_d - 1)
    hand = abs(hand_uptake_meq_l_d(log, case) / case.uptake_now_meq_l_d - 1)
    return {"held": held, "uptake_error": float(error), "hand_error": float(hand)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", action="append")
    parser.add_argument("--out", type=Path)
    arguments = parser.parse_args()
    table = {}
    with ProcessPoolExecutor(arguments.workers) as pool:
        for name in arguments.only or DEPARTURES:
            run = partial(one_log, departure=name, seed=arguments.seed)
            results = list(pool.map(run, range(arguments.logs)))
            row = {q: round(float(np.mean([r["held"][q] for r in results])), 3) for q in QUANTITIES}
            row["median uptake error"] = round(
                float(np.median([r["uptake_error"] for r in results])), 4
            )
            row["median error by hand"] = round(
                float(np.median([r["hand_error"] for r in results])), 4
            )
            table[name] = row
            print(name, row, flush=True)
    if arguments.out:
        result = {
            "logs": arguments.logs,
            "seed": arguments.seed,
            "date": date.today().isoformat(),
            "coverage_90": table,
        }
        arguments.out.write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
