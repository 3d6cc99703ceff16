"""Simulation-based calibration (Talts et al. 2018, arXiv:1804.06788).

True values are drawn from the priors, a log of random shape is generated from the model itself,
the model is fitted, and the rank of each true value among the posterior draws is noted. If the
sampler is right the ranks are uniform, whatever the priors. The likelihood is a potential with the
levels integrated out, so a general package that simulates observed PyMC variables cannot be used.

    python tests/recovery/calibration.py --logs 300 --seed 1 --out tests/recovery/calibration.json

With `--whole` every log is fitted as the program does, all draws and drawn on where a check fails,
and `failed_fits` counts those that still miss a check.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator import units
from estimator.fit.bottles import shown_before
from estimator.fit.layout import LEVEL_RESPONSE, LOAD_SHARE, PH_RESPONSE, SATURATED_INCREMENT
from estimator.fit.likelihood import MISREAD_CHANCE, system_at
from estimator.fit.problem import Problem, frame_of, pose
from estimator.inputs.dosing import Solution
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Composition, Kit, Reactor, Tank, Target
from recovery.results import in_turn, write_results

DKH = units.MEQ_L_PER_DKH
CA = units.CA_G_MOL
START = datetime(2026, 1, 5)
DRAWS = 250
RANKS = 100
"""Thinned draws that a true value is ranked among."""


def random_tank(rng: np.random.Generator) -> Tank:
    """A tank whose stated figures vary from log to log."""
    reactor = None
    if rng.random() < 0.7:
        ph, chambers = float(rng.choice([6.4, 6.6, 6.8])), int(rng.choice([1, 1, 2]))
        reactor = Reactor(20.0, 5000.0, 10.0, chamber_ph=ph, chambers=chambers)
    return Tank(
        name="calibration",
        water_volume_l=float(rng.choice([80.0, 250.0, 620.0])),
        water_volume_sd_fraction=float(rng.uniform(0.03, 0.12)),
        salinity_g_kg=35.0,
        temperature_c=25.5,
        lights_on_h=10.0,
        lights_off_h=float(rng.choice([18.0, 20.0, 22.0])),
        targets={
            "alkalinity": Target(7.6 * DKH, 8.8 * DKH, "dKH"),
            "calcium": Target(400 / CA, 450 / CA, "mg/L"),
        },
        kits={
            "alk": Kit(
                "alk",
                "alkalinity",
                "dKH",
                float(rng.choice([0.1, 0.3, 0.5])) * DKH,
                None if rng.random() < 0.5 else 0.2 * DKH,
            ),
            "ca": Kit("ca", "calcium", "mg/L", 10 / CA, 8 / CA, 0.04),
            "no3": Kit("no3", "nitrate", "mg/L", 2 / units.NO3_G_MOL),
            "monitor": Kit("monitor", "alkalinity", "dKH", 0.05 * DKH, 0.05 * DKH, 0.05),
        },
        solutions={"soda": Solution("soda", 1.9), "chloride": Solution("chloride", 0.0, 1.84)},
        waters={"new": Composition("new", {"alkalinity": 8.2 * DKH, "calcium": 420 / CA})},
        references={"standard": Composition("standard", {"alkalinity": 7.0 * DKH})},
        reactor=reactor,
    )


def random_log(tank: Tank, rng: np.random.Generator) -> TankLog:
    """A log of random length, gaps and kinds of entry; reading values are still zero."""
    days = float(rng.uniform(14, 90))
    rows = iter(range(2, 10_000))
    readings: list[Reading] = []
    actions: list[Action] = []

    def read(count: int, first: float, parameter: str, sample: str, kit: str, of: str = "") -> None:
        for day in np.sort(rng.uniform(first, days, count)):
            time = START + timedelta(minutes=round(float(day) * 1440))
            readings.append(Reading(next(rows), time, parameter, sample, of, 0.0, "", kit))

    def act(day: float, kind: str, of: str = "", value: float | None = None) -> None:
        time = START + timedelta(minutes=round(day * 1440))
        actions.append(Action(next(rows), time, kind, of, value))

    read(int(rng.integers(4, 45)), 0, "alkalinity", "tank", "alk")
    read(int(rng.choice([0, 3, 12])), 0, "calcium", "tank", "ca")
    read(int(rng.choice([0, 0, 1])), 0, "alkalinity", "reference", "alk", "standard")
    if rng.random() < 0.1:  # an instrument that reads three times a day
        read(30, days - 10, "alkalinity", "tank", "monitor")
    if rng.random() < 0.25:
        read(5, 0, "nitrate", "tank", "no3")
    # About the prior median of uptake, so that most levels stay where tanks are.
    load_meq_d = 1.2 * DKH * tank.water_volume_l
    start = days * float(rng.uniform(0.2, 0.7))
    if tank.reactor is None or rng.random() < 0.6:
        act(0.3, "dose_rate", "soda", load_meq_d / 1.9)
        act(0.3, "dose_rate", "chloride", load_meq_d * 0.49 / 1.84)
    if tank.reactor is not None:
        flow = load_meq_d / (18 * DKH) / 24 * 1000
        act(start, "dose_rate", "soda", 0.0)
        act(start, "flow", "", 0.6 * flow)
        if rng.random() < 0.6:
            act(start + 0.4 * (days - start), "flow", "", flow)
        if rng.random() < 0.3:
            act(start + 0.6 * (days - start), "media_change")
        read(int(rng.choice([0, 2, 6])), start, "alkalinity", "effluent", "alk")
        read(int(rng.choice([0, 0, 3])), start, "calcium", "effluent", "ca")
        if rng.random() < 0.2:
            changed = float(rng.choice([-0.1, 0.1, 0.2]))
            act(start + 0.5 * (days - start), "ph_setting", "", tank.reactor.chamber_ph + changed)
    if rng.random() < 0.5:
        for day in np.arange(5.5, days, 14):
            act(float(day), "water_change", "new", 0.1 * tank.water_volume_l)
    if rng.random() < 0.3:
        act(0.5 * days, "stock_change")
    if rng.random() < 0.4:
        act(0.6 * days, "new_bottle", "alk")
    if rng.random() < 0.3:
        for day in np.arange(1.4, days, 2.0):
            act(float(day), "dose", "soda", 0.2 * load_meq_d / 1.9)
    readings.sort(key=lambda r: r.time)
    actions.sort(key=lambda a: a.time)
    times = [record.time for record in (*readings, *actions)]
    return TankLog(
        "calibration", "", len(times), 0, tuple(readings), tuple(actions), min(times), max(times)
    )


def draw_from_prior(
    problem: Problem, rng: np.random.Generator
) -> tuple[Problem, np.ndarray, int, np.ndarray]:
    """The problem with readings that the model gives, true parameters (p,), which jump, true states
    (n, d)."""
    schedule, table, jumps = problem.schedule, problem.priors, problem.frame.jumps
    natural = table.natural(rng.standard_normal(table.size))
    classes = rng.choice(len(MISREAD_CHANCE), size=len(schedule.readings), p=MISREAD_CHANCE)
    jump = int(rng.choice(len(jumps.kind), p=np.exp(jumps.log_prior)))
    system = system_at(natural, classes, jump, problem.frame)
    state = rng.multivariate_normal(schedule.mean, schedule.covariance)
    states = np.empty((len(schedule.steps), schedule.layout.size))
    steps = schedule.steps.copy()
    moving, shift = schedule.layout.moving, schedule.layout.kit_shift
    for i in range(len(steps)):
        state = state.copy()
        state[:moving] = system.transition[i] @ (states[i - 1] if i else state) + system.offset[i]
        state += np.sqrt(system.noise[i]) * rng.standard_normal(len(state))
        states[i] = state
        if system.observed[i]:
            error = np.sqrt(system.variance[i]) * rng.standard_normal()
            loading, factor = system.loading[i].copy(), 1.0
            if steps["shown_meq_l"][i] > 0:
                # So a shifted kit reads; the model has it to a few parts in a thousand.
                factor, loading[shift] = 1.0 + state[shift], 0.0
            steps["value"][i] = factor * (loading @ state + system.intercept[i]) + error
    steps["shown_meq_l"] = shown_before(steps, schedule.bottle_in_use, schedule.shape.middle)
    made = replace(schedule, steps=steps)
    posed = replace(problem, schedule=made, frame=frame_of(made, problem.priors))
    return posed, natural, jump, states


@dataclass(frozen=True)
class Outcome:
    """Ranks (0 to RANKS) of the true values, and how the fit went."""

    ranks: dict[str, int]
    r_hat_max: float
    ess_bulk_min: float
    divergences: int
    failed: bool


def _tracked(quantities: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The reported ones whose ranks are kept; a kit's calibration is that of its last bottle."""
    kept = {
        name: quantities[name]
        for name in (
            "uptake now",
            "alkalinity now",
            "calcium per alkalinity",
            "effluent alkalinity",
            "needed flow",
            "water volume",
        )
    }
    calibrations = [name for name in quantities if name.startswith("calibration of alk")]
    return kept | {
        "kit calibration": quantities[calibrations[-1]],
        "repeatability": quantities["repeatability of alk"],
    }


def _of_parameters(problem: Problem, natural: np.ndarray) -> dict[str, np.ndarray]:
    """Quantities (s,) that follow from parameters (s, p) alone: how chamber and uptake answer.

    The half flow is F0 in L/day, of a chamber that gives at most F0·X_sat = load / load share.
    """
    saturated, share = natural[:, SATURATED_INCREMENT], natural[:, LOAD_SHARE]
    return {
        "saturated increment": saturated,
        "half flow": problem.frame.shape.load_meq_d / (saturated * share),
        "answer of uptake to level": natural[:, LEVEL_RESPONSE],
        "answer of effluent to pH": natural[:, PH_RESPONSE],
    }


def one_log(index: int, seed: int, draws: int | None = DRAWS) -> Outcome:
    """Simulate, fit and rank one log: `draws` for each of four chains, or (None) as the program."""
    from estimator.fit.fitting import fit
    from estimator.fit.posterior import collect, describe, reported
    from estimator.fit.sampling import sample
    from estimator.fit.states import day_states

    simulate, first, levels, more = np.random.SeedSequence([seed, index]).spawn(4)
    rng = np.random.default_rng(simulate)
    tank = random_tank(rng)
    problem, natural, jump, states = draw_from_prior(pose(random_log(tank, rng), tank), rng)
    by_day = day_states(problem.schedule, states[None])
    truth = describe(problem, natural[None], np.array([jump]), by_day, 1)
    if draws is None:
        fitted = fit(problem, first, more, levels, cores=1)
        trace, posterior = fitted.trace, fitted.posterior
    else:
        trace = sample(problem, first, draws=draws, cores=1)
        posterior = collect(problem, trace, levels)
    drawn_parameters = trace.natural.reshape(-1, trace.natural.shape[-1])
    true_values = _tracked(reported(truth)) | _of_parameters(problem, natural[None])
    # At one flow: where no reactor ran it hangs on the draws.
    true_values["effluent alkalinity"] = truth.effluent_at(posterior.shown_flow_l_d)
    found = _tracked(reported(posterior)) | _of_parameters(problem, drawn_parameters)
    ranks = {}
    for name, drawn in found.items():
        thinned = drawn[:: len(drawn) // RANKS][:RANKS]
        true = true_values[name][0]
        # A flow that no chamber can give is the same largest number in truth and draws.
        ties = int(np.sum(thinned == true))
        ranks[name] = int(np.sum(thinned < true)) + int(rng.integers(ties + 1))
    checks = posterior.diagnostics
    return Outcome(
        ranks, checks.r_hat_max, checks.ess_bulk_min, checks.divergences, bool(checks.failures)
    )


def run(logs: int, seed: int, workers: int = 2, draws: int | None = DRAWS) -> Iterator[Outcome]:
    """Outcomes of `logs` simulated logs, in order."""
    return in_turn(workers, partial(one_log, seed=seed, draws=draws), logs)


def uniformity(ranks: np.ndarray, bins: int) -> float:
    """p of a chi-square test that ranks 0 … RANKS are uniform over `bins` equal bins."""
    # Ranks take RANKS + 1 values: a half-unit jitter by index makes equal bins exact enough.
    jitter = (np.arange(len(ranks)) * 0.6180339887) % 1.0
    counts = np.histogram((ranks + jitter) / (RANKS + 1), bins=bins, range=(0, 1))[0]
    return float(stats.chisquare(counts).pvalue)


def summary(outcomes: list[Outcome], bins: int) -> dict[str, dict[str, object]]:
    """Per quantity: rank histogram, p of uniformity, shares of 50 and 90 % ranges that hold."""
    table: dict[str, dict[str, object]] = {}
    for name in outcomes[0].ranks:
        ranks = np.array([outcome.ranks[name] for outcome in outcomes])
        table[name] = {
            "histogram": np.histogram(ranks, bins=bins, range=(0, RANKS + 1))[0].tolist(),
            "p": round(uniformity(ranks, bins), 4),
            "in_50": round(float(np.mean((ranks >= 25) & (ranks <= 75))), 3),
            "in_90": round(float(np.mean((ranks >= 5) & (ranks <= 95))), 3),
        }
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--whole", action="store_true", help="fit as the program does")
    parser.add_argument("--out", type=Path)
    arguments = parser.parse_args()
    outcomes = []
    draws = None if arguments.whole else DRAWS
    for outcome in run(arguments.logs, arguments.seed, arguments.workers, draws):
        outcomes.append(outcome)
        if len(outcomes) % 10 == 0:
            print(f"{len(outcomes)} of {arguments.logs}", flush=True)
    table = summary(outcomes, bins=10)
    for name, row in table.items():
        print(
            f"{name:24s} p {row['p']:.3f}  50% {row['in_50']:.3f}  90% {row['in_90']:.3f}  "
            f"{row['histogram']}"
        )
    poor = sum(o.r_hat_max > 1.02 or o.divergences > 0 for o in outcomes)
    print(f"fits with R-hat above 1.02 or divergences: {poor} of {len(outcomes)}")
    failed = sum(o.failed for o in outcomes)
    print(f"fits that miss a check: {failed} of {len(outcomes)}")
    what = {"logs": arguments.logs, "seed": arguments.seed, "draws": draws}
    fits = {"poor_fits": poor, "failed_fits": failed}
    write_results(arguments.out, {**what, **fits, "quantities": table})


if __name__ == "__main__":
    main()
