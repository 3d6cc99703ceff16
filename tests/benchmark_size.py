"""What a long log costs, what starting costs, and what plainer methods give for less.

Simulates one tank with logs of growing length (two tests in three are of tank alkalinity, the rest
of calcium and effluent, 1.4 days a test; dosed, then on a reactor; settings put right every 20 days
and water changed every 14) and runs the real command on each, a process of its own, twice, since
the first may compile. Then the costs of starting, and on the log of 100 readings the answers of
this program, of the plain PyMC model, of a local-level fit and of the hand method.

    python tests/benchmark_size.py --sizes 30,100,300,1000,3000

A second table is of a year read every four hours or every hour by an instrument that drifts, which
is to take at most 60 s and 2 GB.

Processor seconds are those of all processes of a run, memory that of its largest process; both are
what the system counts for a child that has ended (`os.wait4`), so not on Windows.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import platform
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from benchmark_many import ROOT, UPTAKE, write_case
from helpers.keepers import DKH, keeper_tank, with_monitor
from helpers.tanks import Case, example_log, example_truth

DAYS_PER_READING = 1.4
CALCIUM_SHARE, EFFLUENT_SHARE = 0.24, 0.07
"""Of all readings, as in the demo; the rest are of tank alkalinity."""
COMPARED = 100
GROWTH_FROM = 300
YEAR = 365
YEAR_MOST_S, YEAR_MOST_MB = 60, 2000
PLAIN_TUNE, PLAIN_DRAWS = 500, 500
COMMAND = UPTAKE[:-1]
LOADING = "import of all that a report needs"
ESTIMATOR = "import estimator.study, estimator.fit.sampling, estimator.advice.flow"
REPORTS = "import reports.page.shell, reports.summary, reports.twin.build"


@dataclass(frozen=True)
class Cost:
    """One process to its end: wall seconds, processor seconds, memory of its largest process."""

    wall_s: float
    cpu_s: float
    peak_mb: float


@dataclass(frozen=True)
class Answer:
    """Uptake now by one method, meq/L/day, its 90 % range where it gives one, and seconds."""

    method: str
    uptake: float
    low: float | None
    high: float | None
    seconds: float


def long_case(readings: int, seed: int) -> Case:
    """A tank kept for `DAYS_PER_READING` days a reading; the reactor starts after 58 % of them."""
    rng = np.random.default_rng([seed, readings])
    days = round(DAYS_PER_READING * readings)
    reactor_d = round(0.58 * days)
    calcium, effluent = (round(part * readings) for part in (CALCIUM_SHARE, EFFLUENT_SHARE))

    def tests(first: int, count: int, *what: str) -> list[tuple[Any, ...]]:
        chosen = rng.choice(np.arange(first, days), count, replace=False)
        return [(day + rng.uniform(0.33, 0.85) - days, *what) for day in np.sort(chosen)]

    def guess(amount: float) -> float:
        return amount * (1 + 0.05 * float(rng.standard_normal()))

    read = tests(0, readings - calcium - effluent, "alkalinity", "tank", "alk")
    read += tests(0, calcium, "calcium", "tank", "ca")
    read += tests(reactor_d + 1, effluent, "alkalinity", "effluent", "alk")
    done: list[tuple[Any, ...]] = [(0.5 * days - days, "new_bottle", "alk")]
    for day in range(0, reactor_d, 20):
        done += [(day - days, "dose_rate", "soda", guess(580 * 0.55 / 1.9))]
        done += [(day - days, "dose_rate", "chloride", guess(580 * 0.27 / 1.84))]
    done += [(reactor_d - days, "dose_rate", name, 0.0) for name in ("soda", "chloride")]
    done += [(day - days, "flow", "", guess(2350)) for day in range(reactor_d, days, 20)]
    done += [(day + 0.6 - days, "water_change", "new", 60.0) for day in range(10, days, 14)]
    tank = replace(keeper_tank(rng), water_volume_l=600.0)
    truth = example_truth(days, media_magnesium_share=0.0)
    return Case(tank, example_log(read, done), truth)


def year_case(per_day: int, seed: int) -> Case:
    """A year of drop tests every `DAYS_PER_READING` days, and so many of an instrument a day."""
    case = long_case(round(YEAR / DAYS_PER_READING), seed)
    return with_monitor(case, YEAR, np.random.default_rng([seed, YEAR]), per_day)


def measure(*arguments: str, cache: Path | None = None) -> Cost:
    """Run to the end, without and with a numba cache of its own.

    A child starts as a copy of this process, whose memory it is then said to have had: so nothing
    heavy is imported here until all is measured.

    Raises:
        RuntimeError: it ended in an error.
    """
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    if cache is not None:
        environment["NUMBA_CACHE_DIR"] = str(cache)
    started = time.perf_counter()
    process = subprocess.Popen(
        arguments, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    complaint = process.stderr.read()
    process.stderr.close()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - started
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 3):  # 3: no setting is recommended
        raise RuntimeError(complaint)
    unit = 2**20 if sys.platform == "darwin" else 2**10
    return Cost(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / unit)


@dataclass(frozen=True)
class Files:
    """One simulated log on disk."""

    folder: Path
    name: str

    @property
    def inputs(self) -> tuple[Path, Path]:
        """Log and tank file."""
        return self.folder / f"{self.name}.csv", self.folder / f"{self.name}.toml"

    @property
    def arguments(self) -> tuple[str, str, str]:
        """What every command is given."""
        log, tank = self.inputs
        return str(log), "--tank", str(tank)

    @property
    def page(self) -> Path:
        """The HTML report."""
        return self.folder / f"{self.name}.html"

    def report(self, cache: Path | None = None) -> Cost:
        """`uptake report`, with its stages timed."""
        command = (*COMMAND, "report", *self.arguments, "--out", str(self.page), "--timings")
        return measure(*command, cache=cache)

    def twin(self) -> dict[str, Any]:
        """The JSON twin of the last report."""
        return json.loads(self.page.with_suffix(".json").read_text(encoding="utf-8"))


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Markdown; the first column is text, the others are numbers."""
    lines = [head, ["---"] + ["---:"] * (len(head) - 1), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def size_row(files: Files, case: Case, first: Cost, second: Cost) -> list[str]:
    """One line of the table of sizes."""
    checks = files.twin()["diagnostics"]
    spent = checks["seconds"]
    around = second.wall_s - sum(spent.values())
    return [
        f"{len(case.log.readings):,}",
        f"{case.last_day + 1:,}",
        f"{first.wall_s:.1f}",
        f"{second.wall_s:.1f}",
        f"{second.cpu_s:.1f}",
        f"{second.peak_mb:.0f}",
        *(f"{spent[stage]:.1f}" for stage in ("load", "fit", "advise")),
        f"{around:.1f}",
        f"{checks['chains'] * checks['draws']:,}",
        f"{checks['ess_bulk_min']:.0f}",
        f"{checks['ess_bulk_min'] / spent['fit']:.0f}",
        f"{files.page.stat().st_size / 1e6:.2f}",
    ]


def year_table(files: Files, per_day: int, seed: int) -> str:
    """The line of an instrument's log, and how it stands to what it may take and to the truth."""
    case = year_case(per_day, seed)
    write_case(files.folder, files.name, case, np.random.default_rng([seed, YEAR, 1]))
    first, second = files.report(), files.report()
    now = files.twin()["uptake"]["alkalinity"]["now"]
    truth = case.uptake_now_meq_l_d / DKH
    return (
        f"{table(SIZE_HEAD, [size_row(files, case, first, second)])}\n\n"
        f"An instrument's {per_day} readings a day: {second.wall_s:.1f} of {YEAR_MOST_S} s, "
        f"{second.peak_mb:.0f} of {YEAR_MOST_MB} MB; true uptake now {truth:.3f}, "
        f"{now['q05']:.3f} to {now['q95']:.3f} dKH/day."
    )


SIZE_HEAD = (
    "readings",
    "days",
    "first s",
    "second s",
    "CPU s",
    "peak MB",
    "load s",
    "fit s",
    "advise s",
    "start and page s",
    "draws",
    "least ESS",
    "ESS per s of fit",
    "page MB",
)


def start_costs(files: Files, repeats: int = 3) -> dict[str, Cost]:
    """The quickest of some runs of each; the reports once, on an empty cache and on a full one."""
    python = sys.executable
    commands = {
        "Python alone": (python, "-c", "pass"),
        "uptake --help": (*COMMAND, "--help"),
        "uptake check": (*COMMAND, "check", *files.arguments),
        "import of the estimator": (python, "-c", ESTIMATOR),
        LOADING: (python, "-c", f"{ESTIMATOR}; {REPORTS}"),
    }
    costs = {
        name: min((measure(*command) for _ in range(repeats)), key=lambda cost: cost.wall_s)
        for name, command in commands.items()
    }
    with tempfile.TemporaryDirectory() as cache:
        costs["report, empty numba cache"] = files.report(Path(cache))
        costs["report, warm numba cache"] = files.report(Path(cache))
    return costs


def growth(sizes: Sequence[int], seconds: Sequence[float]) -> float:
    """Slope of log seconds on log readings."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def answers(files: Files, seed: int, plain: bool) -> list[Answer]:
    """Every method on the same two files; loading libraries and reading files are not counted."""
    from statsmodels.tsa.statespace import structural  # noqa: F401  (loaded before it is timed)

    from estimator.inputs.read import read_inputs
    from recovery.misspecification import DAY, hand_uptake_meq_l_d, local_level

    inputs = read_inputs(*files.inputs, now=datetime.now())
    log, tank = inputs.log, inputs.tank
    twin = files.twin()
    now = twin["uptake"]["alkalinity"]["now"]
    ends = [now[name] * DKH for name in ("q50", "q05", "q95")]
    found = [Answer("this program", *ends, twin["diagnostics"]["seconds"]["fit"])]

    def ask(method: str, work: Callable[[], tuple[float | None, ...]]) -> None:
        started = time.perf_counter()
        uptake, low, high = work()
        found.append(Answer(method, uptake, low, high, time.perf_counter() - started))

    if plain:
        from benchmark_plain_model import run_plain
        from estimator.fit.problem import pose

        def plainly() -> tuple[float, ...]:
            problem, cores = pose(log, tank), os.cpu_count() or 1
            draws, *_ = run_plain(problem, seed, cores, PLAIN_TUNE, PLAIN_DRAWS)
            return tuple(np.quantile(draws["uptake now"], [0.5, 0.05, 0.95]).tolist())

        ask("plain PyMC model", plainly)
    ask("local level (statsmodels)", lambda: local_level(log, tank))
    ask(
        "by hand, tests 3 days apart",
        lambda: (hand_uptake_meq_l_d(log, tank, 3 * DAY), None, None),
    )
    ask("by hand, last two tests", lambda: (hand_uptake_meq_l_d(log, tank), None, None))
    return found


def answer_row(answer: Answer, truth: float) -> list[str]:
    """One line of the comparison, dKH/day."""
    wide, holds = "none", "–"
    if answer.low is not None and answer.high is not None:
        wide = f"{answer.low / DKH:.3f} to {answer.high / DKH:.3f}"
        holds = "yes" if answer.low <= truth <= answer.high else "no"
    error = 100 * (answer.uptake / truth - 1)
    return [
        answer.method,
        f"{answer.uptake / DKH:.3f}",
        f"{error:+.1f}",
        wide,
        holds,
        f"{answer.seconds:.3g}",
    ]


def main() -> None:
    """Measure, compare and print three tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", default="30,100,300,1000,3000", help="readings, comma-separated")
    parser.add_argument("--no-plain", action="store_true", help="leave out the plain PyMC model")
    parser.add_argument("--year", default="6,24", help="an instrument's readings a day, or nothing")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    sizes = sorted(int(size) for size in given.sizes.split(","))
    warnings.simplefilter("ignore")
    logging.getLogger("pymc").setLevel(logging.ERROR)
    print(
        f"Python {platform.python_version()}, PyMC {version('pymc')}, numba {version('numba')}, "
        f"{os.cpu_count()} processors\n"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        logs = {size: Files(folder, f"log-{size}") for size in sizes}
        cases, rows, used = {}, [], []
        for size, files in logs.items():
            cases[size] = long_case(size, given.seed)
            rng = np.random.default_rng([given.seed, size, 1])
            write_case(folder, files.name, cases[size], rng)
            first, second = files.report(), files.report()
            used.append(second.cpu_s)
            rows.append(size_row(files, cases[size], first, second))
            print(f"{size} readings: {second.wall_s:.1f} s", file=sys.stderr, flush=True)
        print(table(SIZE_HEAD, rows))
        for per_day in (int(part) for part in given.year.split(",") if part):
            print(f"\n{year_table(Files(folder, f'year-{per_day}'), per_day, given.seed)}")
        starts = start_costs(logs[sizes[0]])
        loading = starts[LOADING].cpu_s
        long = [(size, cpu - loading) for size, cpu in zip(sizes, used, strict=True)]
        long = [(size, cpu) for size, cpu in long if size >= GROWTH_FROM]
        if len(long) > 1:
            exponent = growth(*zip(*long, strict=True))
            print(
                f"\nFrom {GROWTH_FROM} readings on, CPU seconds beyond loading grow as the number "
                f"of readings to the power {exponent:.2f}."
            )
        costs = [[n, f"{c.wall_s:.2f}", f"{c.cpu_s:.2f}"] for n, c in starts.items()]
        empty, warm = (starts[f"report, {how} numba cache"] for how in ("empty", "warm"))
        compiling = empty.wall_s - warm.wall_s, empty.cpu_s - warm.cpu_s
        costs.append(["compiling: the difference", *(f"{seconds:.2f}" for seconds in compiling)])
        print(f"\n{table(('start-up', 'wall s', 'CPU s'), costs)}")
        if COMPARED in logs:
            truth = cases[COMPARED].uptake_now_meq_l_d
            head = ("method", "uptake now", "error %", "90 % range", "holds truth", "seconds")
            compared = answers(logs[COMPARED], given.seed, not given.no_plain)
            print(f"\n{COMPARED} readings; true uptake now {truth / DKH:.3f} dKH/day\n")
            print(table(head, [answer_row(answer, truth) for answer in compared]))


if __name__ == "__main__":
    main()
