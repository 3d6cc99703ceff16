"""The command line, `uptake`. The only module that reads the clock.

Everything heavy is imported inside the commands, so that `--help` and a bad log answer at once.
"""

from __future__ import annotations

import functools
import os
import shutil
import signal
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from estimator.errors import InputError, UptakeError
from reports.wording import plain

if TYPE_CHECKING:
    from estimator.inputs.read import Inputs
    from estimator.inputs.records import Action, Reading
    from estimator.study import Progress, Study
    from reports.many import TankOutcome

DONE, UNEXPECTED, BAD_INPUT, WITHHELD, INTERRUPTED = 0, 1, 2, 3, 130
"""Exit codes."""
MOST_FAULTS = 20
"""Faults shown at most."""
DEFAULT_MINUTES = 30.0
"""Minutes a week for testing, as `next_tests.planning.USUAL_WEEKLY_MINUTES`, which loads slowly."""
SCREEN = os.terminal_size((120, 24))
"""Columns and lines taken for one screen where the messages do not go to a terminal."""

Command = Callable[..., int]


class _Stopped(BaseException):
    """Ctrl-C while sampling. PyMC takes a `KeyboardInterrupt` as "enough draws" and goes on."""


def tidy(command: Command) -> Command:
    """Turn every error into a message and an exit code; the command returns its own code."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> int:
        _never_fail_on_characters()
        try:
            code = command(*args, **kwargs)
        except InputError as error:
            _print_faults(error)
            code = BAD_INPUT
        except UptakeError as error:
            click.echo(plain(str(error)), err=True)
            code = BAD_INPUT
        except (KeyboardInterrupt, _Stopped):
            code = INTERRUPTED
        except (click.exceptions.ClickException, click.exceptions.Exit, BrokenPipeError):
            raise
        except Exception as error:
            if os.environ.get("UPTAKE_DEBUG") == "1":
                raise
            click.echo(
                f"Unexpected fault, nothing written ({type(error).__name__}: "
                f"{plain(str(error))[:200]}). Please report it with this line; "
                "UPTAKE_DEBUG=1 shows where it arose.",
                err=True,
            )
            code = UNEXPECTED
        sys.exit(code)

    return run


def _show_version(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or context.resilient_parsing:
        return
    from importlib.metadata import PackageNotFoundError, version

    try:
        click.echo(f"uptake {version('reef-uptake')}")
    except PackageNotFoundError:
        click.echo("uptake, not installed as a package")
    context.exit()


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
    recommended.
    """


log_argument = click.argument("log", type=click.Path(path_type=Path))
tank_option = click.option(
    "--tank", required=True, type=click.Path(path_type=Path), help="The tank file (TOML)."
)
seed_option = click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Fixes every random number.",
)
minutes_option = click.option(
    "--minutes",
    type=click.FloatRange(min=0, max=10_000),
    default=DEFAULT_MINUTES,
    show_default=True,
    help="Minutes a week for testing, which the plan of tests keeps to.",
)
timings_option = click.option(
    "--timings", is_flag=True, help="Put the seconds of each stage into the JSON twin."
)


@main.command()
@log_argument
@click.option(
    "--tank",
    type=click.Path(path_type=Path),
    help="The tank file (TOML). Needed, except for a folder whose logs have theirs beside them.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="The HTML report; its JSON twin stands beside it.  [default: LOG-report.html here] "
    "For a folder, the folder of the reports.  [default: LOG/reports]",
)
@seed_option
@click.option(
    "--jobs",
    type=click.IntRange(min=1),
    help="For a folder: tanks fitted at a time.  [default: one per processor]",
)
@minutes_option
@timings_option
@tidy
def report(
    log: Path,
    tank: Path | None,
    out: Path | None,
    seed: int,
    jobs: int | None,
    minutes: float,
    timings: bool,
) -> int:
    """Fit the tank and write the report.

    Where LOG is a folder, do so for every NAME.csv in it. The tank file is NAME.toml beside it,
    else the folder's tank.toml, else that of --tank. Each tank gets the same report as by itself,
    one that fails does not stop the others, and index.html lists them by need of attention. Exit
    codes: 0 every tank has a setting, 2 some tank's input is bad (the others are written), 3 some
    tank has no setting yet.
    """
    if log.is_dir():
        return _report_folder(log, tank, out or log / "reports", seed, jobs, timings, minutes)
    if tank is None:
        raise click.MissingParameter(param_hint="'--tank'", param_type="option")
    if jobs is not None:
        raise click.BadOptionUsage("--jobs", "--jobs is for a folder of logs")
    return _report(log, tank, out or Path(f"{log.stem}-report.html"), seed, timings, minutes)


@main.command("next")
@log_argument
@tank_option
@seed_option
@minutes_option
@tidy
def next_test(log: Path, tank: Path, seed: int, minutes: float) -> int:
    """Say which test to run next and why; write nothing."""
    inputs = _read(log, tank)
    _quiet_libraries()
    study = _fit(inputs, seed, minutes)

    from reports.summary import next_lines
    from reports.twin.build import build_twin

    twin = build_twin(study)
    for line in next_lines(twin):
        click.echo(plain(line))
    return DONE if twin["next_tests"] else WITHHELD


@main.command()
@log_argument
@tank_option
@tidy
def check(log: Path, tank: Path) -> int:
    """Read both files and list every fault; fit nothing."""
    for line in _contents(_read(log, tank)):
        click.echo(line)
    return DONE


@main.command()
@click.option(
    "--dir",
    "folder",
    type=click.Path(path_type=Path),
    default=Path("uptake-demo"),
    show_default=True,
    help="Folder for the demo's files; made if need be.",
)
@seed_option
@timings_option
@tidy
def demo(folder: Path, seed: int, timings: bool) -> int:
    """Write an invented log and tank file, and report on them."""
    from estimator.errors import OutputError
    from estimator.synthetic.demo_case import write_demo

    try:
        folder.mkdir(parents=True, exist_ok=True)
        log, tank = write_demo(folder)
    except OSError as error:
        msg = f"{folder}: the demo could not be written ({error.strerror}); choose another --dir"
        raise OutputError(msg) from error
    click.echo(plain(f"Demo files: {log} and {tank}"), err=True)
    return _report(log, tank, folder / f"{log.stem}-report.html", seed, timings)


def _read(log: Path, tank: Path) -> Inputs:
    from estimator.inputs.read import read_inputs

    return read_inputs(log, tank, now=datetime.now())


def _report(
    log: Path, tank: Path, out: Path, seed: int, timings: bool, minutes: float = DEFAULT_MINUTES
) -> int:
    from reports.output import destination, write

    where = destination(out, (log, tank))
    inputs = _read(log, tank)
    _quiet_libraries()
    study = _fit(inputs, seed, minutes)

    from reports.page.shell import render
    from reports.summary import terminal_lines
    from reports.twin.build import build_twin, to_json

    twin = build_twin(study, timings=timings)
    write(where, render(twin, where.twin.name), to_json(twin))
    for line in terminal_lines(twin, str(where.page), str(where.twin)):
        click.echo(plain(line))
    if timings or sys.stderr.isatty():
        spent = ", ".join(f"{stage} {seconds:.1f} s" for stage, seconds in study.seconds.items())
        click.echo(f"Time: {spent}", err=True)
    return DONE if twin["status"] == "recommended" else WITHHELD


def _report_folder(
    folder: Path,
    tank: Path | None,
    out: Path,
    seed: int,
    jobs: int | None,
    timings: bool,
    minutes: float,
) -> int:
    from reports.many import Workers, find_jobs, run_many
    from reports.output import destination, write

    todo = find_jobs(
        folder,
        out,
        tank,
        seed=seed,
        now=datetime.now(),
        timings=timings,
        minutes_per_week=minutes,
    )
    _make_folder(out)
    where = destination(out / "index.html", ())
    _quiet_libraries()
    workers = min(jobs or os.cpu_count() or 1, len(todo))

    def pool() -> Workers:
        return Workers(workers, _quiet_libraries)

    outcomes = []
    with (
        _stopping(),
        _tally(len(todo)) as tell,
        pool() as first,
        closing(run_many(todo, first, pool, ahead=2 * workers)) as done,
    ):
        for outcome in done:
            outcomes.append(outcome)
            tell(outcome)

    from reports.index import build_index, index_json, render_index, summary_lines

    index = build_index(outcomes, seed)
    write(where, render_index(index), index_json(index))
    for line in summary_lines(index, str(where.page), str(where.twin)):
        click.echo(plain(line))
    found = {outcome.status for outcome in outcomes}
    codes = {"failed": UNEXPECTED, "bad_input": BAD_INPUT, "withheld": WITHHELD}
    return next((code for status, code in codes.items() if status in found), DONE)


def _make_folder(folder: Path) -> None:
    from estimator.errors import OutputError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{folder}: the folder could not be made ({error.strerror}); choose another --out"
        raise OutputError(msg) from error


@contextmanager
def _tally(tanks: int) -> Iterator[Callable[[TankOutcome], None]]:
    """A bar of tanks done, and the name of each that was not studied; nothing off a terminal."""
    if not sys.stderr.isatty():
        yield lambda outcome: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("Tanks"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=tanks)

        def tell(outcome: TankOutcome) -> None:
            if not outcome.page:
                name = f"Not studied: {plain(outcome.log)}"
                bar.console.print(name, markup=False, highlight=False, soft_wrap=True)
            bar.advance(task)

        yield tell


def _fit(inputs: Inputs, seed: int, minutes: float) -> Study:
    with _stopping(), _progress() as progress:
        # Loading PyMC takes seconds, so the bar is up first.
        from estimator.pipeline import run_study

        return run_study(inputs, seed=seed, progress=progress, minutes_per_week=minutes)


@contextmanager
def _stopping() -> Iterator[None]:
    """Ctrl-C raises `_Stopped` here, and an ordinary interrupt in the processes of the chains."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    here = os.getpid()

    def stop(*_: object) -> None:
        raise _Stopped if os.getpid() == here else KeyboardInterrupt

    former = signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, former)


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """A bar on the terminal; nothing where stderr is not one."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Preparing", total=1.0)
        yield lambda stage, part: bar.update(task, description=stage, completed=part)


def _contents(inputs: Inputs) -> Iterator[str]:
    """What the two files hold, in a few lines."""
    log = inputs.log
    span = f"{log.start:%Y-%m-%d} to {log.end:%Y-%m-%d}"
    yield f"{plain(log.name)}: {log.rows} rows, {span}, no faults"
    kinds = Counter(f"{r.of or r.sample} {r.parameter}" for r in log.readings)
    yield f"Readings: {len(log.readings)} ({_counts(kinds)})"
    actions = Counter(action.kind.replace("_", " ") for action in log.actions)
    yield f"Actions: {len(log.actions)}" + (f" ({_counts(actions)})" if actions else "")
    if log.rows_without_time:
        yield f"Rows without a time of day, taken as noon: {log.rows_without_time}"
    records: list[Reading | Action] = [*log.readings, *log.actions]
    flagged = sorted((r for r in records if r.flags), key=lambda r: r.row)
    yield f"Flagged: {len(flagged)}"
    for record in flagged[:MOST_FAULTS]:
        yield f"  row {record.row}: {plain('; '.join(record.flags))}"
    if len(flagged) > MOST_FAULTS:
        yield f"  … and {len(flagged) - MOST_FAULTS} more"


def _counts(kinds: Counter[str]) -> str:
    return ", ".join(f"{plain(kind)} {count}" for kind, count in sorted(kinds.items()))


def _print_faults(error: InputError) -> None:
    """As many faults as fit one screen, the first in any case; the others are counted."""
    columns, lines = shutil.get_terminal_size(SCREEN) if sys.stderr.isatty() else SCREEN
    room = lines - 2  # the count and the next prompt
    shown = 0
    for fault in error.faults[:MOST_FAULTS]:
        text = plain(str(fault))
        room -= -(-len(text) // columns)
        if shown and room < 0:
            break
        click.echo(text, err=True)
        shown += 1
    more = len(error.faults) - shown
    if more > 0:
        click.echo(f"… and {more} more; mend these first", err=True)


def _never_fail_on_characters() -> None:
    """A terminal that lacks a character shows "?" in its place."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _quiet_libraries() -> None:
    """Keep third-party chatter off the terminal, in this process and those of the chains.

    The model runs on PyTensor's Python linker, so no C compiler need be looked for.
    """
    import logging
    import warnings

    warnings.simplefilter("ignore")
    os.environ.setdefault("PYTHONWARNINGS", "ignore")
    os.environ.setdefault("PYTENSOR_FLAGS", "cxx=")
    # Matrices here are a dozen wide: threads only get in each other's way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in ("pymc", "pytensor", "arviz", "matplotlib"):
        logging.getLogger(name).setLevel(logging.ERROR)
