"""Many tanks in one call against one call for each.

Simulates that many small tanks of known habits (`helpers/keepers.py`), runs `uptake report DIR`
once over all, then `uptake report LOG` on a sample of them, each a process of its own, and prints
the seconds per tank of both. The time of all separate calls is extrapolated from the sample. One
report beforehand, not timed, compiles the code that later runs find on the disk.

    python tests/benchmark_many.py --tanks 200
    python tests/benchmark_many.py --tanks 200 --separate 0    # only the one call

Memory is the sum over all processes of a run, shared pages shared out (PSS); of a single process
it is what it has in memory, shared or not (RSS). Both and processor time are read from /proc once
a second, so on Linux only. Load is the machine's own measure, processes that wanted a
processor in the minute before: where others were at work, seconds by the clock say little.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.tank import Tank
from estimator.synthetic.simulation import simulate_log
from helpers.keepers import Habits, keeper_case
from helpers.tanks import Case

ROOT = Path(__file__).resolve().parents[1]
UPTAKE = (sys.executable, "-c", "from reports.start import main; main()", "report")
UNITS = {"alkalinity": "dKH", "calcium": "mg/L"}
TANK_TOML = """\
[tank]
name = "{name}"
water_volume_l = {volume}
water_volume_sd_pct = 7
salinity_g_kg = 35
temperature_c = 25.5
lights_on = "10:00"
lights_off = "20:00"
[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dKH"
max_rise_per_day = 0.5
[targets.calcium]
low = 400
high = 450
unit = "mg/L"
[solutions.soda]
alkalinity_meq_per_ml = 1.9
[solutions.chloride]
calcium_mmol_per_ml = 1.84
[water.new]
alkalinity = 8.2
alkalinity_unit = "dKH"
calcium = 420
[reactor]
flow_min_ml_h = 10
flow_max_ml_h = 6000
flow_step_ml_h = 10
chamber_ph = 6.6
"""
"""The tank of `keepers.keeper_tank`, as a file without its kits."""


def kits_toml(tank: Tank) -> str:
    """The kits of a tank, as they stand in its file."""
    parts = []
    for kit in tank.kits.values():
        one = PARAMETERS[kit.parameter].unit_size(kit.unit)
        stated = {
            "step": kit.step / one,
            "repeatability": kit.repeatability and kit.repeatability / one,
            "calibration_sd_pct": kit.calibration_sd and 100 * kit.calibration_sd,
        }
        lines = [f"{key} = {value:.6g}" for key, value in stated.items() if value is not None]
        named = [f"[kits.{kit.name}]", f'parameter = "{kit.parameter}"', f'unit = "{kit.unit}"']
        parts.append("\n".join([*named, *lines, ""]))
    return "".join(parts)


@dataclass(frozen=True)
class Run:
    """One run of the command.

    Attributes:
        seconds: by the clock.
        processor: seconds of all its processes.
        code: its exit code.
        peaks_mb: of memory in all its processes, in the second and in the last quarter of the run,
            and in the whole.
        own_mb, worker_mb: peak of the command itself, and of the largest process that it started.
    """

    seconds: float
    processor: float
    code: int
    peaks_mb: tuple[float, float, float]
    own_mb: float
    worker_mb: float


def write_case(folder: Path, name: str, case: Case, rng: np.random.Generator) -> None:
    """The case's two files, its readings filled in."""
    log = simulate_log(case.tank, case.log, case.truth, rng)
    rows = [
        (a.time, a.kind, a.of, "" if a.value is None else f"{a.value:.6g}", "", "")
        for a in log.actions
    ]
    for r in log.readings:
        unit = UNITS[r.parameter]
        value = PARAMETERS[r.parameter].from_canonical(r.value, unit)
        rows.append((r.time, r.parameter, r.sample, f"{value:.6g}", unit, r.kit))
    with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("time", "entry", "of", "value", "unit", "kit"))
        writer.writerows((f"{row[0]:%Y-%m-%dT%H:%M}", *row[1:]) for row in sorted(rows))
    tank = TANK_TOML.format(name=name, volume=case.tank.water_volume_l) + kits_toml(case.tank)
    (folder / f"{name}.toml").write_text(tank, encoding="utf-8")


@dataclass(frozen=True)
class Look:
    """What a process has used so far: processor seconds, and memory in MB."""

    processor: float
    pss_mb: float
    rss_mb: float


def look(session: int) -> dict[int, Look]:
    """All processes of a session, by their numbers."""
    found = {}
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            stat = (entry / "stat").read_text().rpartition(")")[2].split()
            if int(stat[3]) == session:
                ticks = int(stat[11]) + int(stat[12])
                lines = (line.split() for line in (entry / "smaps_rollup").read_text().splitlines())
                size = {line[0]: int(line[1]) / 1024 for line in lines if line[0][:3] in _SIZES}
                seconds = ticks / os.sysconf("SC_CLK_TCK")
                found[int(entry.name)] = Look(seconds, size["Pss:"], size["Rss:"])
        except (OSError, KeyError):  # it has ended
            continue
    return found


_SIZES = ("Pss", "Rss")
POLL_S = 1.0
"""Adding up the memory of large processes takes some milliseconds from what is measured."""


def run(*arguments: str) -> Run:
    """Run the command to its end."""
    started = time.perf_counter()
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        (*UPTAKE, *arguments), env=environment, start_new_session=True, stdout=subprocess.DEVNULL
    )
    looks: list[dict[int, Look]] = []
    ended = threading.Event()

    def watch() -> None:
        while sys.platform == "linux" and not ended.wait(POLL_S):
            looks.append(look(process.pid))

    watcher = threading.Thread(target=watch)
    watcher.start()
    code = process.wait()
    seconds = time.perf_counter() - started
    ended.set()
    watcher.join()
    last = {pid: one for each in looks for pid, one in each.items()}
    totals = [sum(one.pss_mb for one in each.values()) for each in looks] or [0.0]
    quarter = max(1, len(totals) // 4)
    peaks = (max(totals[quarter : 2 * quarter] or totals), max(totals[-quarter:]), max(totals))
    sizes = [(pid == process.pid, one.rss_mb) for each in looks for pid, one in each.items()]
    own = max((size for is_own, size in sizes if is_own), default=0.0)
    worker = max((size for is_own, size in sizes if not is_own), default=0.0)
    processor = sum(one.processor for one in last.values())
    return Run(seconds, processor, code, peaks, own, worker)


def stages(reports: Path) -> dict[str, float]:
    """Mean seconds of each stage within a tank's own study."""
    twins = [json.loads(path.read_text()) for path in reports.glob("*-report.json")]
    spent = [twin["diagnostics"]["seconds"] for twin in twins]
    return {stage: float(np.mean([one[stage] for one in spent])) for stage in spent[0]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tanks", type=int, default=200)
    parser.add_argument("--separate", type=int, default=8, help="tanks run one by one, 0 for none")
    parser.add_argument("--days", type=int, default=60, help="length of each log")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--seed", type=int, default=3)
    given = parser.parse_args()

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        names = [f"tank-{i:03d}" for i in range(given.tanks)]
        seeds = np.random.SeedSequence(given.seed).spawn(given.tanks)
        for tank, seed in zip(names, seeds, strict=True):
            rng = np.random.default_rng(seed)
            write_case(folder, tank, keeper_case(rng, Habits(days=given.days)), rng)
        reports = folder / "reports"

        def alone(tank: str) -> Run:
            log, toml = (str(folder / f"{tank}{suffix}") for suffix in (".csv", ".toml"))
            return run(log, "--tank", toml, "--out", str(folder / f"{tank}.html"))

        alone(names[0])
        load = os.getloadavg()[0]
        many = run(str(folder), "--jobs", str(given.jobs), "--timings")
        of_one = stages(reports)
        chosen = names[:: max(1, given.tanks // max(given.separate, 1))][: given.separate]
        separate = [alone(tank) for tank in chosen]

    print(
        f"{given.tanks} tanks of {given.days} days, {given.jobs} at a time, load {load:.1f} before"
    )
    show_many(many, given.tanks, of_one)
    if separate:
        show_separate(separate, many.seconds / given.tanks, given.tanks)


def show_many(many: Run, tanks: int, of_one: dict[str, float]) -> None:
    """What the one call for all has cost."""
    each = many.seconds / tanks
    print(f"one call for all:   {many.seconds:7.1f} s, {each:.2f} s a tank, exit {many.code}")
    print(f"  processor time    {many.processor:7.1f} s, {many.processor / tanks:.2f} s a tank")
    early, late, peak = many.peaks_mb
    print(f"  peak memory       {peak:7.0f} MB; second quarter {early:.0f}, last {late:.0f} MB")
    print(
        f"  of the command    {many.own_mb:7.0f} MB, of its largest worker {many.worker_mb:.0f} MB"
    )
    print("  within a tank     " + ", ".join(f"{k} {v:.2f} s" for k, v in of_one.items()))


def show_separate(separate: list[Run], each: float, tanks: int) -> None:
    """What separate calls cost, against `each` seconds a tank in one call."""
    by_itself = float(np.mean([one.seconds for one in separate]))
    print(
        f"one call for each:  {by_itself * tanks:7.1f} s, extrapolated from {len(separate)}, "
        f"{by_itself:.2f} s a tank"
    )
    print(f"  processor time    {np.mean([one.processor for one in separate]):7.2f} s a tank")
    print(f"  peak memory       {max(one.peaks_mb[-1] for one in separate):7.0f} MB")
    print(f"ratio of seconds per tank: {by_itself / each:.2f}")


if __name__ == "__main__":
    main()
