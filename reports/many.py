"""Many tanks: one job for each log of a folder, through any executor.

    find_jobs   folder -> jobs
    study_one   job -> outcome; writes that tank's report and twin
    run_many    jobs -> outcomes, through an executor of the kind that `concurrent.futures` defines;
                `workers.Workers` is one, of processes on this machine

`study_one` is three steps, `read_task`, `make_report` and `finish`. Only the middle one takes long,
and it touches no file, so that it can run on another machine (`cluster`). `attempt` turns whatever
happens in a step into the tank's outcome.

Jobs share nothing, and every tank gets the same seed, so a tank's two files are the same bytes
whether it is run alone or among others, in any order, on any machine with the same versions.
"""

from __future__ import annotations

import os
import traceback
from collections import defaultdict, deque
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from estimator.errors import Fault, InputError, UptakeError
from reports.output import Destination, Json, destination, write
from reports.wording import plain

if TYPE_CHECKING:
    from estimator.inputs.read import Inputs
    from reports.twin.former import Former

T = TypeVar("T")
_ALKALINITY = ("tank", "alkalinity")
WEEK = 7
WHY = {
    "hold": "the pump steers a running reactor",
    "hand_over": "the reactor takes the load over",
    "dose": "the dosing holds the level",
    "correct": "alkalinity is out of its band",
    "check": "a cause must be found first",
    "none": "nothing can be foretold",
}
"""One phrase for each kind of plan."""


class Status(StrEnum):
    """Of an outcome: as the tank's twin says, or why there is no twin."""

    RECOMMENDED = "recommended"
    WITHHELD = "withheld"
    BAD_INPUT = "bad_input"
    FAILED = "failed"


@dataclass(frozen=True)
class TankJob:
    """One tank to study.

    Attributes:
        log: its log.
        tank: its tank file; None where none was found, which is then the outcome.
        page: its report; the twin stands beside it.
        seed: fixes every random number of this tank.
        now: the local clock; an entry more than a day later is a fault.
        timings: put the seconds of each stage into the twin.
        minutes_per_week: that the keeper has for testing; usual where None.
        today: day of the report; None: the log's age is not looked at.
    """

    log: Path
    tank: Path | None
    page: Path
    seed: int
    now: datetime
    timings: bool = False
    minutes_per_week: float | None = None
    today: date | None = None


@dataclass(frozen=True)
class TankOutcome:
    """What became of one tank.

    Attributes:
        log: file name of its log.
        messages: why no setting is recommended, or each fault.
        page, twin: file names of what was written; "" where nothing was.
        facts: the part of the twin that an index needs (`facts_of`); empty where there is no twin.
    """

    log: str
    status: Status
    messages: tuple[str, ...] = ()
    page: str = ""
    twin: str = ""
    facts: Json = field(default_factory=dict)


def find_jobs(
    folder: Path,
    out: Path,
    tank: Path | None,
    *,
    seed: int,
    now: datetime,
    timings: bool = False,
    minutes_per_week: float | None = None,
    today: date | None = None,
) -> list[TankJob]:
    """One job for each `NAME.csv` in a folder, by name; hidden files and subfolders are left out.

    Its tank file is `NAME.toml` beside it; else the folder's `tank.toml`, unless there is a
    `tank.csv` that it belongs to; else `tank`. A name in other capitals (`NAME.TOML`) counts where
    none is spelled as the log.

    Args:
        folder: holds the logs.
        out: folder for the reports, `NAME-report.html` and `NAME-report.json`.
        tank: the tank file of last resort.
        seed, now, timings, minutes_per_week, today: as in `TankJob`.

    Raises:
        InputError: the folder cannot be read or holds no log.
    """
    found, files = _files(folder), defaultdict(list)
    for path in found:
        files[path.name.casefold()].append(path)
    logs = [path for path in found if path.suffix.lower() == ".csv"]
    if not logs:
        rule = "holds no log; put one NAME.csv for each tank there, with NAME.toml beside it"
        raise InputError([Fault(str(folder), rule)])
    if not _named(folder / "tank.csv", files):
        tank = _named(folder / "tank.toml", files) or tank
    jobs: list[TankJob] = []
    taken: set[str] = set()
    for log in logs:
        name = log.stem
        while name.casefold() in taken:  # a.csv and A.CSV
            name += "+"
        taken.add(name.casefold())
        own = _named(log.with_suffix(".toml"), files)
        page = out / f"{name}-report.html"
        jobs.append(TankJob(log, own or tank, page, seed, now, timings, minutes_per_week, today))
    return jobs


def idle_tank_files(folder: Path, jobs: Iterable[TankJob]) -> list[str]:
    """Names of the tank files in a folder that serve none of its logs, which may be a slip."""
    serving = {job.tank for job in jobs}
    return [
        path.name
        for path in _files(folder)
        if path.suffix.lower() == ".toml" and path not in serving
    ]


def _files(folder: Path) -> list[Path]:
    """The files of a folder that are not hidden, by name. Raises: InputError, it cannot be read."""
    try:
        return sorted(
            path for path in folder.iterdir() if path.name[0] != "." and not path.is_dir()
        )
    except OSError as error:
        rule = f"cannot be opened ({error.strerror}); check the path and its permissions"
        raise InputError([Fault(str(folder), rule)]) from error


def _named(path: Path, files: Mapping[str, Sequence[Path]]) -> Path | None:
    """`path` where it is one of the files, else the first that differs from it in case alone.

    `files` are by their names without case.
    """
    alike = files.get(path.name.casefold(), ())
    return path if path in alike else next(iter(alike), None)


@dataclass(frozen=True)
class Task:
    """One tank as it was read: all that its study takes, wherever it runs.

    Attributes:
        job: it is of this.
        where: its report and twin are to go.
        inputs: checked log and tank.
        former: the report that will be replaced; None where there is none.
    """

    job: TankJob
    where: Destination
    inputs: Inputs
    former: Former | None


@dataclass(frozen=True)
class Made:
    """A report that is not written yet: its outcome once it is, and the texts of its two files."""

    outcome: TankOutcome
    page: str
    twin: str


def study_one(job: TankJob) -> TankOutcome:
    """Study one tank and write its report and twin: both whole, or neither.

    Every error ends up in the outcome. Where UPTAKE_DEBUG is 1, that of a bug is also printed.
    """
    return attempt(job, _study, job)


def attempt(job: TankJob, step: Callable[..., T], *arguments: object) -> T | TankOutcome:
    """What a step of a job's study gives; any error of it is that tank's outcome."""
    try:
        return step(*arguments)
    except UptakeError as error:
        return TankOutcome(job.log.name, Status.BAD_INPUT, tuple(error.lines()))
    except Exception as error:
        if os.environ.get("UPTAKE_DEBUG") == "1":
            traceback.print_exc()
        return failed(job, unexpected(error))


def _study(job: TankJob) -> TankOutcome:
    task = read_task(job)
    return finish(task, make_report(task))


def read_task(job: TankJob) -> Task:
    """Read a tank's files, and look where its report is to go.

    Raises:
        UptakeError: there is no tank file, the input breaks rules, or nothing could be written.
    """
    from estimator.inputs.read import read_inputs
    from reports.twin.former import former_beside

    if job.tank is None:
        name = job.log.with_suffix(".toml").name
        rule = f"has no tank file; put {name} beside it, or one tank.toml for all, or give --tank"
        raise InputError([Fault(str(job.log), rule)])
    where = destination(job.page, (job.log, job.tank))
    inputs = read_inputs(job.log, job.tank, now=job.now)
    return Task(job, where, inputs, former_beside(where.twin)[0])


def make_report(task: Task) -> Made:
    """Study a tank; no file is read or written.

    Raises:
        FitError: the model could not be started.
    """
    from estimator.pipeline import run_study

    job = task.job
    study = run_study(
        task.inputs, seed=job.seed, cores=1, minutes_per_week=job.minutes_per_week, today=job.today
    )

    from reports.page.shell import render
    from reports.twin.build import build_twin, to_json

    twin = build_twin(study, timings=job.timings, former=task.former)
    outcome = TankOutcome(
        job.log.name,
        Status(twin["status"]),
        tuple(twin["status_reasons"]),
        page=job.page.name,
        twin=job.page.with_suffix(".json").name,
        facts=facts_of(twin),
    )
    return Made(outcome, render(twin, task.where.twin.name, cores=1), to_json(twin))


def finish(task: Task, made: Made) -> TankOutcome:
    """Write a tank's report and twin. Raises: OutputError, see `output.write`."""
    write(task.where, made.page, made.twin)
    return made.outcome


def facts_of(twin: Json) -> Json:
    """What an index needs of a twin. Figures that must not be shown are None."""
    from reports.blocks import Numbers
    from reports.page.sections.sheet import headline

    plan, chances = twin["plan"], twin["plan"]["chances"]
    sound = not twin["diagnostics"]["failures"] and "alkalinity" not in twin["withheld_figures"]
    alarms = [{key: one[key] for key in ("about", "chance", "what")} for one in twin["alarms"]]
    withheld = twin["status"] == Status.WITHHELD and plan["kind"] == "hold"
    return {
        "tank": twin["tank"]["name"],
        "as_of": twin["as_of"],
        "trust": twin["trust"]["level"],
        "alarms": alarms,
        "plan": {key: plan[key] for key in ("kind", "action", "begins", "report_again")}
        | {
            "today": plain(str(headline(Numbers(twin)).striptags())),
            "why": "what flow it needs is not known yet" if withheld else WHY[plan["kind"]],
            "good_days": chances and chances["good_days"],
        },
        "last_reading": _last_reading(twin),
        "trend": _trend(twin) if sound else None,
        "level_in_band_probability": (twin["flow"]["level_in_band_probability"] if sound else None),
    }


def _last_reading(twin: Json) -> Json | None:
    """Of the tank's alkalinity, as it was read."""
    read = [one for one in twin["readings"] if (one["sample"], one["entry"]) == _ALKALINITY]
    return {key: read[-1][key] for key in ("time", "value", "unit")} if read else None


def _trend(twin: Json) -> Json | None:
    """Change of the true level in a week, by the last week of the log."""
    level = twin["level_by_day"]["alkalinity"]
    days = level["by_day"][-WEEK - 1 :] if level else []
    if len(days) < 2:
        return None
    rise = (days[-1]["q50"] - days[0]["q50"]) * WEEK / (len(days) - 1)
    return {"unit": level["unit"], "per_week": float(f"{rise:.3g}")}


def run_many(
    jobs: Iterable[TankJob],
    executor: Executor,
    renew: Callable[[], Executor] | None = None,
    *,
    ahead: int = 64,
) -> Generator[TankOutcome, None, None]:
    """Study every tank; outcomes come as they are ready, one for each job.

    Where a worker process dies and takes its executor with it, each tank that was handed out is
    run again in an executor of its own, so that only the one at fault is lost.

    Args:
        jobs: taken as they are needed.
        executor: any of the kind that `concurrent.futures` defines; not shut down here.
        renew: makes another like it. Without it, what a dead worker leaves undone has failed.
        ahead: jobs handed out at a time: some more than there are workers.
    """
    left = deque(jobs)
    lost: list[TankJob] = []
    yield from _until_broken(left, executor, ahead, lost)
    while left or lost:
        if renew is None:
            reason = "a worker process died before this tank was done; run it again"
            yield from (failed(job, reason) for job in (*lost, *left))
            return
        for job in lost:
            again: list[TankJob] = []
            with renew() as own:
                yield from _until_broken(deque([job]), own, 1, again)
            if again:
                reason = "its process died twice; see whether the machine ran out of memory"
                yield failed(job, reason)
        lost = []
        if left:
            with renew() as next_executor:
                yield from _until_broken(left, next_executor, ahead, lost)


def _until_broken(
    left: deque[TankJob], executor: Executor, ahead: int, lost: list[TankJob]
) -> Iterator[TankOutcome]:
    """Work off `left`, until nothing is left or the executor breaks; then `lost` gets the jobs
    that were handed out and not done."""
    running: dict[Future[TankOutcome], TankJob] = {}
    broken = False
    while running or (left and not broken):
        while left and not broken and len(running) < ahead:
            try:
                running[executor.submit(study_one, left[0])] = left[0]
                left.popleft()
            except BrokenExecutor:
                broken = True
        for future in wait(running, return_when=FIRST_COMPLETED).done:
            job = running.pop(future)
            try:
                outcome = future.result()
            except BrokenExecutor:
                broken = True
                lost.append(job)
                continue
            except Exception as error:  # of the executor: `study_one` raises none
                outcome = failed(job, unexpected(error))
            yield outcome


def failed(job: TankJob, reason: str) -> TankOutcome:
    """The outcome of a tank that no fault of its input stopped."""
    return TankOutcome(job.log.name, Status.FAILED, (f"{job.log}: {reason}; nothing was written",))


def unexpected(error: Exception) -> str:
    """A bug as a reason."""
    return f"unexpected fault ({type(error).__name__}: {str(error)[:200]})"
