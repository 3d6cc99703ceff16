"""The command line, `uptake`. Only this module and `add` read the clock.

Everything heavy is imported inside the commands, so that `--help` and a bad log answer at once.
"""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Generator, Iterator
from contextlib import closing, contextmanager
from datetime import datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from estimator.errors import OutputError
from reports.add import add
from reports.new import new
from reports.terminal import (
    ExitCode,
    progress_bar,
    quiet_libraries,
    tally_bar,
    tell,
    tidy,
)
from reports.wording import plain

if TYPE_CHECKING:
    from estimator.fit.apart import Apart
    from estimator.study import Study
    from reports.extras import Extras
    from reports.many import TankJob, TankOutcome

DEFAULT_MINUTES = 30.0
"""Minutes a week for testing, as `next_tests.planning.USUAL_WEEKLY_MINUTES`, which loads slowly."""
MOST_MINUTES = 2400
"""Forty hours a week: who tests for longer has no need of a plan that spares tests."""
LONG_AGO_DAYS = 7
"""As `advice.alarms.LONG_AGO_DAYS`, which loads slowly."""
FILE = click.Path(path_type=Path)


def _show_version(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or context.resilient_parsing:
        return
    from importlib.metadata import PackageNotFoundError, version

    try:
        click.echo(f"uptake {version('reef-uptake')}")
    except PackageNotFoundError:
        click.echo("uptake, not installed as a package")
    context.exit()


def _number(_: click.Context, __: click.Parameter, value: float) -> float:
    """`value`; a range of click lets "nan" pass."""
    if math.isnan(value):
        raise click.BadParameter(f"write a number from 0 to {MOST_MINUTES}.")
    return value


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_show_version,
    help="Show the version and exit.",
)
def main() -> None:
    """Estimate a reef tank's daily uptake and the calcium reactor flow that matches it.

    Exit codes: 0 done, 2 bad input or output (nothing written), 3 done but no setting is
    recommended; where a signal ended it, 128 and the signal's number.
    """


main.add_command(new)
main.add_command(add)

log_argument = click.argument("log", type=FILE)
tank_option = click.option("--tank", required=True, type=FILE, help="The tank file (TOML).")
seed_option = click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Fixes every random number.",
)
minutes_option = click.option(
    "--minutes",
    type=click.FloatRange(min=0, max=MOST_MINUTES),
    default=DEFAULT_MINUTES,
    show_default=True,
    callback=_number,
    help="Minutes a week for testing, which the plan of tests keeps to.",
)
today_option = click.option(
    "--today",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day of the report: says where a log ended long before it, and refuses later entries. "
    "Without it the files do not depend on the clock.",
)
timings_option = click.option(
    "--timings", is_flag=True, help="Put the seconds of each stage into the JSON twin."
)


@main.command()
@log_argument
@click.option(
    "--tank",
    type=FILE,
    help="The tank file (TOML). Needed, except for a folder whose logs have theirs beside them.",
)
@click.option(
    "--out",
    type=FILE,
    help="The HTML report; its JSON twin stands beside it.  [default: LOG-report.html here] "
    "For a folder, the folder of the reports.  [default: LOG/reports]",
)
@seed_option
@click.option(
    "--jobs",
    type=click.IntRange(min=1),
    help="For a folder: tanks fitted at a time.  [default: one per processor]",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="For a folder: fit its tanks on the workers of a running Dask scheduler, tcp://HOST:PORT.",
)
@minutes_option
@today_option
@click.option(
    "--since",
    type=FILE,
    help="The JSON twin of an earlier report, to look back on.  [default: the one that --out "
    "replaces]",
)
@click.option("--calendar", type=FILE, help="Write the plan's dates as a calendar file (.ics).")
@click.option("--draws", type=FILE, help="Write the posterior for ArviZ (netCDF, .nc).")
@timings_option
@tidy
def report(
    log: Path,
    tank: Path | None,
    out: Path | None,
    seed: int,
    jobs: int | None,
    scheduler: str | None,
    minutes: float,
    today: datetime | None,
    timings: bool,
    **files: Path | None,
) -> int:
    """Fit the tank and write the report.

    Where LOG is a folder, do so for every NAME.csv in it. The tank file is NAME.toml beside it,
    else the folder's tank.toml, else that of --tank. Each tank gets the same report as by itself,
    one that fails does not stop the others, and index.html lists them by need of attention. Exit
    codes: 0 every tank has a setting, 2 some tank's input is bad (the others are written), 3 some
    tank has no setting yet.
    """
    if log.is_dir():
        for name, path in files.items():
            if path is not None:
                raise click.BadOptionUsage(f"--{name}", f"--{name} is for one log, not a folder")
        if jobs is not None and scheduler is not None:
            raise click.BadOptionUsage("--jobs", "--jobs is for this machine, not for --scheduler")
        folder = out or log / "reports"
        return _report_folder(log, tank, folder, seed, jobs, scheduler, timings, minutes, today)
    if tank is None:
        raise click.MissingParameter(param_hint="'--tank'", param_type="option")
    for name, given in (("--jobs", jobs), ("--scheduler", scheduler)):
        if given is not None:
            raise click.BadOptionUsage(name, f"{name} is for a folder of logs")
    page = out or Path(f"{log.stem}-report.html")
    from reports.extras import Extras

    return _report(log, tank, page, seed, timings, minutes, today, extras=Extras(**files))


@main.command("next")
@log_argument
@tank_option
@seed_option
@minutes_option
@tidy
def next_test(log: Path, tank: Path, seed: int, minutes: float) -> int:
    """Say which test to run next and why; write nothing."""
    study = _study(log, tank, seed, minutes)

    from reports.summary import next_lines
    from reports.twin.build import build_twin

    twin = build_twin(study)
    tell(next_lines(twin))
    return ExitCode.DONE if twin["next_tests"] else ExitCode.WITHHELD


@main.command()
@log_argument
@tank_option
@click.option(
    "--today",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The day to check for: says where the log ended long before it.",
)
@tidy
def check(log: Path, tank: Path, today: datetime | None) -> int:
    """Read both files and list every fault, and what would be of no use; fit nothing."""
    from estimator.inputs.read import read_inputs
    from reports.summary import contents_lines

    inputs = read_inputs(log, tank, now=_last_moment(today))
    days = (today.date() - inputs.log.end.date()).days if today else 0
    tell(contents_lines(inputs, days if days > LONG_AGO_DAYS else None))
    return ExitCode.DONE


@main.command()
@click.option(
    "--dir",
    "folder",
    type=FILE,
    default=Path("uptake-demo"),
    show_default=True,
    help="Folder for the demo's files; made if need be.",
)
@seed_option
@timings_option
@tidy
def demo(folder: Path, seed: int, timings: bool) -> int:
    """Write an invented log and tank file, and report on them.

    Files of a former demo that were changed stay as they are, and the report is on them.
    """
    quiet_libraries()

    from estimator.fit.apart import sampler_apart
    from reports.demo import place_demo

    with _refusing(folder, "the demo could not be written", "--dir"):
        folder.mkdir(parents=True, exist_ok=True)
    with sampler_apart() as apart:
        placed = place_demo(folder)
        click.echo(plain(f"Demo files: {placed.log} and {placed.tank}"), err=True)
        for path in placed.changed:
            click.echo(plain(f"{path} is not the demo's any more and stays as it is."), err=True)
        return _report(
            *(placed.log, placed.tank, placed.page, seed, timings, DEFAULT_MINUTES),
            invented=not placed.changed,
            apart=apart,
        )


def _load_page() -> None:
    import reports.page.shell
    import reports.summary
    import reports.twin.build  # noqa: F401


def _study(
    log: Path,
    tank: Path,
    seed: int,
    minutes: float,
    today: datetime | None = None,
    apart: Apart | None = None,
) -> Study:
    from estimator.inputs.read import read_inputs

    inputs = read_inputs(log, tank, now=_last_moment(today))
    quiet_libraries()
    with progress_bar() as progress:
        # Loading PyMC takes seconds, so the bar is up first.
        from estimator.pipeline import run_study

        return run_study(
            inputs,
            seed=seed,
            progress=progress,
            minutes_per_week=minutes,
            today=today.date() if today else None,
            apart=apart,
            meanwhile=_load_page,
        )


def _last_moment(today: datetime | None) -> datetime:
    """The end of the report's day, or now."""
    return datetime.now() if today is None else datetime.combine(today, time.max)


def _report(
    log: Path,
    tank: Path,
    out: Path,
    seed: int,
    timings: bool,
    minutes: float,
    today: datetime | None = None,
    *,
    extras: Extras | None = None,
    invented: bool = False,
    apart: Apart | None = None,
) -> int:
    from reports.extras import Extras
    from reports.output import destination, write

    extras = extras or Extras()
    where = destination(out, (log, tank), extras.places())
    former, note = extras.former(where.twin)
    study = _study(log, tank, seed, minutes, today, apart)

    from reports.page.shell import render
    from reports.summary import terminal_lines
    from reports.twin.build import build_twin, to_json
    from reports.twin.since import why_not

    twin = build_twin(study, timings=timings, former=former)
    if former is not None and (reason := why_not(former, twin)):
        note = f"{extras.since or where.twin} {reason}"
    beside = extras.contents(study, twin)
    write(where, render(twin, where.twin.name), to_json(twin), beside)
    tell(terminal_lines(twin, str(where.page), str(where.twin)), written=True)
    if note:
        click.echo(plain(f"Not looked back on: {note}"), err=True)
    days = (datetime.now() - study.log.end).days
    if days > LONG_AGO_DAYS and today is None and not invented and sys.stderr.isatty():
        click.echo(f"The log ended {days} days ago: test again before you act on this.", err=True)
    if timings or sys.stderr.isatty():
        spent = ", ".join(f"{stage} {seconds:.1f} s" for stage, seconds in study.seconds.items())
        click.echo(f"Time: {spent}", err=True)
    return ExitCode.DONE if twin["status"] == "recommended" else ExitCode.WITHHELD


def _report_folder(
    folder: Path,
    tank: Path | None,
    out: Path,
    seed: int,
    jobs: int | None,
    scheduler: str | None,
    timings: bool,
    minutes: float,
    today: datetime | None,
) -> int:
    from reports.many import Status, find_jobs, idle_tank_files
    from reports.output import destination, write

    todo = find_jobs(
        folder,
        out,
        tank,
        seed=seed,
        now=_last_moment(today),
        timings=timings,
        minutes_per_week=minutes,
        today=today.date() if today else None,
    )
    if idle := idle_tank_files(folder, todo):
        click.echo(plain(f"Tank files that serve no log: {', '.join(idle)}"), err=True)
    quiet_libraries()
    outcomes = []
    with _studying(todo, jobs, scheduler) as studied:
        with _refusing(out, "the folder could not be made", "--out"):
            out.mkdir(parents=True, exist_ok=True)
        where = destination(out / "index.html", ())
        with tally_bar(len(todo)) as count:
            for outcome in studied:
                outcomes.append(outcome)
                count(outcome)

    from reports.index import build_index, index_json, render_index, summary_lines

    index = build_index(outcomes, seed)
    write(where, render_index(index), index_json(index))
    tell(summary_lines(index, str(where.page), str(where.twin)), written=True)
    found = {outcome.status for outcome in outcomes}
    codes = {
        Status.FAILED: ExitCode.UNEXPECTED,
        Status.BAD_INPUT: ExitCode.BAD_INPUT,
        Status.WITHHELD: ExitCode.WITHHELD,
    }
    return next((code for status, code in codes.items() if status in found), ExitCode.DONE)


@contextmanager
def _studying(
    todo: list[TankJob], jobs: int | None, scheduler: str | None
) -> Iterator[Iterator[TankOutcome]]:
    """Outcomes of jobs, on a cluster, which is looked at at once, or else on this machine."""
    if scheduler is None:
        with closing(_studied_here(todo, min(jobs or os.cpu_count() or 1, len(todo)))) as studied:
            yield studied
        return
    from reports.cluster import connected, run_on

    with connected(scheduler) as client, closing(run_on(client, todo)) as studied:
        yield studied


def _studied_here(todo: list[TankJob], workers: int) -> Generator[TankOutcome, None, None]:
    from reports.many import run_many
    from reports.workers import Workers

    def pool() -> Workers:
        return Workers(workers, quiet_libraries)

    with pool() as first:
        yield from run_many(todo, first, pool, ahead=2 * workers)


@contextmanager
def _refusing(folder: Path, what: str, option: str) -> Iterator[None]:
    """A folder that cannot be made or written to is an `OutputError` that names the option."""
    try:
        yield
    except OSError as error:
        msg = f"{folder}: {what} ({error.strerror}); choose another {option}"
        raise OutputError(msg) from error
