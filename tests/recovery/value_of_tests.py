"""Brute force: what is foreseen of further tests against fitting the log anew with their results.

For simulated logs and sets of tests, results are imagined, appended to the log as the kits show
them, and the whole is fitted again, which neither knows which readings are odd nor has any use for
`foresight`. The width of the 9-in-10 range of the needed flow, at the end of the first log, is
compared outcome by outcome.

    python tests/recovery/value_of_tests.py --logs 5 --candidates 6 --outcomes 12 --out FILE.json
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import partial
from importlib.metadata import version
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.fit.layout import UPTAKE, VOLUME
from estimator.fit.likelihood import MISREAD_SPREAD, draw_path_at
from estimator.fit.load import ROOM
from estimator.fit.posterior import law_now
from estimator.fit.problem import Problem, pose
from estimator.fit.sampling import sample
from estimator.fit.trace import Trace
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.next_tests.foresight import foresee
from estimator.next_tests.outcomes import outcomes_of, show
from estimator.next_tests.worth import flow_quantiles
from estimator.synthetic.simulation import simulate_log
from estimator.water.settings import day_of
from estimator.water.supply import strength_after
from helpers.keepers import NEVER, Habits, keeper_case

DAYS = 50
DRAWS = 400
"""Draws per chain of the first fit."""
REFIT_DRAWS = 250
ENDS = (0.05, 0.95)

Tests = Callable[[datetime], list[tuple[datetime, str, str]]]
"""From the end of a log to the tests: (time, parameter, sample)."""


def _at_once(parameter: str, sample: str, repeats: int) -> Tests:
    return lambda end: [(end + timedelta(hours=1), parameter, sample)] * repeats


def _both(repeats: int) -> Tests:
    tank, effluent = (_at_once("alkalinity", s, repeats) for s in ("tank", "effluent"))
    return lambda end: tank(end) + effluent(end)


def _at_hours(days: Sequence[int], hours: Sequence[int]) -> Tests:
    return lambda end: [
        (datetime.combine(end.date() + timedelta(days=day), time(hour)), "alkalinity", "tank")
        for day in days
        for hour in hours
    ]


TEST_SETS: dict[str, Tests] = {
    "tank": _at_once("alkalinity", "tank", 1),
    "daily for a week": _at_hours(range(1, 8), [19]),
    "effluent ×2": _at_once("alkalinity", "effluent", 2),
    "tank ×5": _at_once("alkalinity", "tank", 5),
    "tank and effluent ×3": _both(3),
    "calcium ×3": _at_once("calcium", "tank", 3),
    "morning and evening, three days": _at_hours(range(1, 4), [10, 20]),
}
"""Sets of tests; those of the effluent are for a running reactor only."""


@dataclass(frozen=True)
class Foreseen:
    """One set of tests after one log, before any refit.

    Attributes:
        name: of the set.
        tank, log: the log without the tests.
        readings: (r) of the set, repeats apart.
        values: (i, r) what the kits show.
        width_l_d: (i,) of the needed flow after each outcome, as foreseen.
        width_now_l_d: before.
        seed: for the refits.
    """

    name: str
    tank: Tank
    log: TankLog
    readings: tuple[Reading, ...]
    values: np.ndarray
    width_l_d: np.ndarray
    width_now_l_d: float
    seed: tuple[int, ...]


@dataclass(frozen=True)
class Compared:
    """One set of tests: widths foreseen and refitted (i,), relative to the width now."""

    name: str
    foreseen: np.ndarray
    refitted: np.ndarray

    @property
    def log_ratio(self) -> np.ndarray:
        """(i,) log of refitted over foreseen."""
        return np.log(self.refitted / self.foreseen)


def flows_at(
    problem: Problem, trace: Trace, at_d: float, seed: np.random.SeedSequence
) -> np.ndarray:
    """Draws (s,) of the flow needed at a time within the log, L/day, by exact draws of the states.

    Args:
        problem, trace: a fit.
        at_d: days after the schedule's origin, the time of an entry.
        seed: for the states.
    """
    schedule, frame = problem.schedule, problem.frame
    layout = schedule.layout
    step = int(np.searchsorted(schedule.step_time_d, at_d + 1e-9, side="right")) - 1
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])
    misread = trace.misread.reshape(len(natural), -1)
    rng = np.random.default_rng(seed)
    shape = (len(schedule.steps) + 1, layout.size + 1)
    states = np.array(
        [
            draw_path_at(one, MISREAD_SPREAD[classes], jump, frame, rng.standard_normal(shape))[0][
                step
            ]
            for one, classes, jump in zip(natural, misread, trace.jump.ravel(), strict=True)
        ]
    )
    effluent = states[:, layout.effluent] if layout.effluent >= 0 else np.zeros(len(states))
    load = natural[:, UPTAKE] * (1.0 + states[:, layout.uptake]) * natural[:, VOLUME]
    law = law_now(natural, schedule, strength_after(effluent))
    if not any(reading.sample == "effluent" for reading in schedule.readings):
        law = law.with_room(load, ROOM, frame.shape.load_meq_d)
    return law.flow_for(load)


def look(
    index: int, seed: int, candidates: int, outcomes: int, draws: int, days: int
) -> list[Foreseen]:
    """Simulate and fit one log; foresee what every set of tests would show and leave.

    Every second log is of a tank whose reactor is only planned.
    """
    simulate, fit, imagine = np.random.SeedSequence([seed, index]).spawn(3)
    rng = np.random.default_rng(simulate)
    running = index % 2 == 0
    case = keeper_case(rng, Habits(days=days, begun_d=0.45 * days if running else NEVER))
    log = simulate_log(case.tank, case.log, case.truth, rng)
    names = [name for name in TEST_SETS if running or "effluent" not in name][:candidates]
    tests = {name: TEST_SETS[name](log.end) for name in names}
    kits = {"alkalinity": "alk", "calcium": "ca"}
    possible = {
        test: Reading(0, test[0], test[1], test[2], "", 0.0, "", kits[test[1]])
        for several in tests.values()
        for test in several
    }
    problem = pose(log, case.tank)
    trace = sample(problem, fit, draws=draws, cores=1)
    foresight = foresee(problem, trace, list(possible.values()), imagine, imagined=outcomes)
    place = {test: row for row, test in enumerate(possible)}
    now = _widths(foresight, []).mean()
    found = []
    for name, several in tests.items():
        rows = [place[test] for test in several]
        found.append(
            Foreseen(
                name=name,
                tank=case.tank,
                log=log,
                readings=tuple(possible[test] for test in several),
                values=show(foresight, rows)[0],
                width_l_d=_widths(foresight, rows),
                width_now_l_d=float(now),
                seed=(seed, index, list(TEST_SETS).index(name)),
            )
        )
    return found


def _widths(foresight, rows: Sequence[int]) -> np.ndarray:
    ends = flow_quantiles(foresight.present, outcomes_of(foresight, rows), ENDS)
    return ends[:, 1] - ends[:, 0]


def refit(foreseen: Foreseen, outcome: int, draws: int) -> float:
    """Width of the needed flow, L/day, after fitting the log with one outcome's readings."""
    added = [
        replace(reading, row=10_000 + m, value=max(float(value), 0.0))
        for m, (reading, value) in enumerate(
            zip(foreseen.readings, foreseen.values[outcome], strict=True)
        )
    ]
    log = replace(
        foreseen.log,
        readings=tuple(sorted([*foreseen.log.readings, *added], key=lambda r: r.time)),
        end=max(r.time for r in added),
    )
    problem = pose(log, foreseen.tank)
    schedule = problem.schedule
    fit, states = np.random.SeedSequence([*foreseen.seed, outcome]).spawn(2)
    trace = sample(problem, fit, draws=draws, cores=1)
    end_d = day_of(foreseen.log.end, schedule.origin)
    flows = flows_at(problem, trace, end_d, states)
    return float(np.ptp(np.quantile(flows, ENDS)))


def run(
    logs: int,
    candidates: int,
    outcomes: int,
    seed: int,
    workers: int = 2,
    *,
    draws: int = DRAWS,
    refit_draws: int = REFIT_DRAWS,
    days: int = DAYS,
) -> list[list[Compared]]:
    """Compare every set of tests after every log, in this process by one worker; a list per log."""
    # Not "fork": a process that runs tests has threads.
    many = partial(ProcessPoolExecutor, workers, mp_context=get_context("spawn"))
    with ThreadPoolExecutor(1) if workers == 1 else many() as pool:
        looks = [
            pool.submit(look, index, seed, candidates, outcomes, draws, days)
            for index in range(logs)
        ]
        foreseen = [job.result() for job in looks]
        refits = [
            [
                [pool.submit(refit, one, i, refit_draws) for i in range(len(one.values))]
                for one in log
            ]
            for log in foreseen
        ]
        return [
            [
                Compared(
                    name=one.name,
                    foreseen=one.width_l_d / one.width_now_l_d,
                    refitted=np.array([job.result() for job in jobs]) / one.width_now_l_d,
                )
                for one, jobs in zip(log, log_jobs, strict=True)
            ]
            for log, log_jobs in zip(foreseen, refits, strict=True)
        ]


def mean_and_error(values: np.ndarray) -> tuple[float, float]:
    """Mean and its standard error."""
    return float(np.mean(values)), float(np.std(values, ddof=1) / np.sqrt(len(values)))


@dataclass(frozen=True)
class Pair:
    """Two sets of tests that refitting can tell apart: by how much each method says they differ."""

    first: str
    second: str
    refitted: float
    error: float
    foreseen: float

    @property
    def agrees(self) -> bool:
        """Whether both put the same one first."""
        return self.refitted * self.foreseen > 0


def separated(log: Sequence[Compared], errors: float = 2.0) -> list[Pair]:
    """Pairs whose refitted mean widths differ by so many errors of the paired difference."""
    pairs = []
    for a, b in combinations(log, 2):
        apart, error = mean_and_error(a.refitted - b.refitted)
        if abs(apart) > errors * error:
            told = float(np.mean(a.foreseen) - np.mean(b.foreseen))
            pairs.append(Pair(a.name, b.name, apart, error, told))
    return pairs


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=5)
    parser.add_argument("--candidates", type=int, default=6)
    parser.add_argument("--outcomes", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    compared = run(given.logs, given.candidates, given.outcomes, given.seed, given.workers)
    table = []
    for index, log in enumerate(compared):
        for one in log:
            ratio, ratio_error = mean_and_error(one.log_ratio)
            width, error = mean_and_error(one.refitted)
            row = {
                "log": index,
                "tests": one.name,
                "foreseen": round(float(np.mean(one.foreseen)), 3),
                "refitted": round(width, 3),
                "refitted_error": round(error, 3),
                "log_ratio": round(ratio, 3),
                "log_ratio_error": round(ratio_error, 3),
            }
            table.append(row)
            print("  ".join(f"{value!s:>6}" for value in row.values()), flush=True)
    ratio, error = mean_and_error(
        np.concatenate([one.log_ratio for log in compared for one in log])
    )
    pairs = [pair for log in compared for pair in separated(log)]
    agreeing = sum(pair.agrees for pair in pairs)
    print(f"mean log ratio of widths {ratio:.3f} ± {error:.3f}")
    print(f"pairs that refitting tells apart: {len(pairs)}, in the same order: {agreeing}")
    for pair in pairs:
        if not pair.agrees:
            print("  other order:", pair)
    if given.out:
        result = {
            "logs": given.logs,
            "outcomes": given.outcomes,
            "seed": given.seed,
            "date": date.today().isoformat(),
            "python": platform.python_version(),
            "pymc": version("pymc"),
            "mean_log_ratio": round(ratio, 4),
            "mean_log_ratio_error": round(error, 4),
            "pairs_apart": len(pairs),
            "pairs_in_order": agreeing,
            "candidates": table,
        }
        given.out.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n")


if __name__ == "__main__":
    main()
