"""Do planned tests narrow the needed flow more than evenly spaced ones of the same minutes?

Simulated keepers with a reactor keep a log for sixty days; it is fitted and three weeks of tests
are planned. The true tank then runs on, nothing being changed, and is tested by the plan or, in
another copy, by evenly spaced tank alkalinity tests of the same minutes. Each log is fitted anew,
and the widths of the 9-in-10 range of the flow needed at the end of the three weeks are compared.

    python tests/recovery/schedule_study.py --tanks 40 --seed 1 --workers 2 --out FILE.json
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.advice.flow import to_ml_h
from estimator.fit.fitting import Fit, fit_of
from estimator.fit.posterior import Posterior, collect
from estimator.fit.problem import pose
from estimator.fit.sampling import sample
from estimator.inputs.records import Reading, TankLog
from estimator.next_tests.planning import plan_tests
from estimator.next_tests.timetable import PlanOfTests
from estimator.synthetic.simulation import simulate_log
from helpers.keepers import Habits, keeper_case
from helpers.tanks import Case

DAYS = 60
WEEKS = 3
MINUTES_PER_WEEK = 30.0
DRAWS = 300


@dataclass(frozen=True)
class Result:
    """One tank; widths of the needed flow at the end, mL/h.

    Attributes:
        planned, even: after the planned and after the evenly spaced tests.
        holds_planned, holds_even: whether the range holds the true flow.
        ratio_foretold: planned over even, as the plan said.
        tests_planned, tests_even: how many.
        effluent_planned: how many of them of the effluent.
        minutes_planned, minutes_even: in all.
        r_hat_max: of the worst of the three fits.
    """

    planned: float
    even: float
    holds_planned: bool
    holds_even: bool
    ratio_foretold: float
    tests_planned: int
    tests_even: int
    effluent_planned: int
    minutes_planned: float
    minutes_even: float
    r_hat_max: float

    @property
    def ratio(self) -> float:
        """Width after planned over width after even tests."""
        return self.planned / self.even


def cut(log: TankLog, days: float) -> TankLog:
    """What had been entered after so many days."""
    last = log.start.replace(hour=0, minute=0) + timedelta(days=days)
    readings = tuple(r for r in log.readings if r.time <= last)
    actions = tuple(a for a in log.actions if a.time <= last)
    times = [record.time for record in (*readings, *actions)]
    return replace(log, rows=len(times), readings=readings, actions=actions, end=max(times))


def fit(log: TankLog, case: Case, seed: np.random.SeedSequence) -> Fit:
    """Fit a log."""
    draw, levels = seed.spawn(2)
    problem = pose(log, case.tank)
    trace = sample(problem, draw, draws=DRAWS, cores=1)
    return fit_of(problem, trace, collect(problem, trace, levels))


def planned_readings(plan: PlanOfTests) -> list[Reading]:
    """The plan's tests, repeats written out."""
    return [
        Reading(0, test.time, test.parameter, test.sample, "", 0.0, "", test.kit)
        for test in plan.tests
        for _ in range(test.repeats)
    ]


def even_readings(log: TankLog, minutes_each: float) -> list[Reading]:
    """As many tank alkalinity tests as the minutes allow, evenly spaced, at the usual hour."""
    tests = [r.time for r in log.readings if (r.sample, r.parameter) == ("tank", "alkalinity")]
    usual = int(np.median([60 * t.hour + t.minute for t in tests]))
    count = WEEKS * int(MINUTES_PER_WEEK / minutes_each)
    days = 1 + ((np.arange(count) + 0.5) / count * 7 * WEEKS).astype(int)
    midnight = datetime.combine(log.end.date(), time())
    return [
        Reading(
            0,
            midnight + timedelta(days=int(day), minutes=usual),
            "alkalinity",
            "tank",
            "",
            0.0,
            "",
            "alk",
        )
        for day in days
    ]


def go_on(
    log: TankLog, case: Case, tests: Sequence[Reading], end: datetime, rng: np.random.Generator
) -> TankLog:
    """The log with further tests of the true tank, nothing else being done until `end`."""
    numbered = [replace(reading, row=10_000 + m) for m, reading in enumerate(tests)]
    only = replace(log, readings=tuple(sorted(numbered, key=lambda r: r.time)), end=end)
    read = simulate_log(case.tank, only, case.truth, rng).readings
    return replace(only, readings=(*log.readings, *read), rows=log.rows + len(read))


def true_flow_ml_h(case: Case, log: TankLog) -> float:
    """The flow truly needed on the last day of a log."""
    return replace(case, log=log).needed_flow_ml_h


def _range(posterior: Posterior) -> tuple[float, float]:
    low, high = np.quantile(to_ml_h(posterior.needed_flow_l_d), [0.05, 0.95])
    return float(low), float(high)


def one_tank(index: int, seed: int) -> Result | None:
    """Simulate, fit, plan, test both ways and fit again; None where nothing can be planned."""
    simulate, first, imagine, *again = np.random.SeedSequence([seed, index]).spawn(5)
    rng = np.random.default_rng(simulate)
    case = keeper_case(rng, Habits(days=DAYS + 7 * WEEKS, begun_d=36.0))
    log = cut(simulate_log(case.tank, case.log, case.truth, rng), DAYS)
    fitted = fit(log, case, first)
    plan = plan_tests(fitted, imagine, minutes_per_week=MINUTES_PER_WEEK, weeks=WEEKS).plan
    if plan is None:
        return None
    each = case.tank.kits["alk"].minutes or 0.0
    arms = [planned_readings(plan), even_readings(log, each)]
    end = datetime.combine(log.end.date() + timedelta(days=7 * WEEKS), time(23, 59))
    fits = [
        fit(go_on(log, case, tests, end, rng), case, one)
        for tests, one in zip(arms, again, strict=True)
    ]
    ranges = [_range(one.posterior) for one in fits]
    true = true_flow_ml_h(case, fits[0].log)
    return Result(
        planned=ranges[0][1] - ranges[0][0],
        even=ranges[1][1] - ranges[1][0],
        holds_planned=bool(ranges[0][0] <= true <= ranges[0][1]),
        holds_even=bool(ranges[1][0] <= true <= ranges[1][1]),
        ratio_foretold=plan.width / plan.even_width,
        tests_planned=len(arms[0]),
        tests_even=len(arms[1]),
        effluent_planned=sum(r.sample == "effluent" for r in arms[0]),
        minutes_planned=sum(test.minutes for test in plan.tests),
        minutes_even=each * len(arms[1]),
        r_hat_max=max(one.posterior.diagnostics.r_hat_max for one in (fitted, *fits)),
    )


def run(tanks: int, seed: int, workers: int = 2) -> Iterator[Result | None]:
    """Results of `tanks` simulated tanks, in order."""
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(partial(one_tank, seed=seed), range(tanks))


def summary(results: Sequence[Result]) -> dict[str, float]:
    """Ratios of widths over the tanks; below 1 the plan was better."""
    ratio = np.array([r.ratio for r in results])
    error = np.std(np.log(ratio), ddof=1) / np.sqrt(len(ratio)) if len(ratio) > 1 else np.nan
    return {
        "median_ratio": round(float(np.median(ratio)), 4),
        "mean_ratio": round(float(np.mean(ratio)), 4),
        "mean_log_ratio_error": round(float(error), 4),
        "mean_ratio_foretold": round(float(np.mean([r.ratio_foretold for r in results])), 4),
        "share_better": round(float(np.mean(ratio < 1.0)), 3),
        "planned_holds": round(float(np.mean([r.holds_planned for r in results])), 3),
        "even_holds": round(float(np.mean([r.holds_even for r in results])), 3),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tanks", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    results = []
    for index, result in enumerate(run(given.tanks, given.seed, given.workers)):
        if result is None:
            print(f"tank {index}: nothing can be planned", flush=True)
            continue
        results.append(result)
        print(
            f"tank {index}: {result.planned:.0f} over {result.even:.0f} mL/h = {result.ratio:.3f} "
            f"(foretold {result.ratio_foretold:.3f}), tests {result.tests_planned} "
            f"({result.effluent_planned} of effluent) and {result.tests_even}, "
            f"R-hat {result.r_hat_max:.3f}",
            flush=True,
        )
    figures = summary(results)
    for name, value in figures.items():
        print(f"{name:24s} {value}")
    if given.out:
        found = {
            "tanks": given.tanks,
            "planned_for": len(results),
            "seed": given.seed,
            "date": date.today().isoformat(),
            "python": platform.python_version(),
            "pymc": version("pymc"),
            "minutes_per_week": MINUTES_PER_WEEK,
            "weeks": WEEKS,
            "summary": figures,
            "results": [asdict(result) for result in results],
        }
        given.out.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n")


if __name__ == "__main__":
    main()
