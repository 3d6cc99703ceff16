"""How a command speaks to the terminal and ends: messages, bars, Ctrl-C, exit codes."""

from __future__ import annotations

import functools
import os
import shutil
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from enum import IntEnum
from typing import TYPE_CHECKING, Any

import click

from estimator.errors import MOST_FAULTS_SHOWN, OutputError, UptakeError
from estimator.processes import stop_signals
from estimator.surroundings import settle
from reports.wording import plain

if TYPE_CHECKING:
    from estimator.study import Progress
    from reports.many import TankOutcome

SCREEN = os.terminal_size((120, 24))
"""Columns and lines taken for one screen where the messages do not go to a terminal."""

Command = Callable[..., int]


class ExitCode(IntEnum):
    """What a command ends with; where a signal ended it, 128 and the signal's number."""

    DONE = 0
    UNEXPECTED = 1
    BAD_INPUT = 2
    WITHHELD = 3
    INTERRUPTED = 130


class _Stopped(BaseException):
    """A signal to end. PyMC takes a `KeyboardInterrupt` as "enough draws" and goes on."""

    def __init__(self, number: int) -> None:
        self.code = 128 + number


def tell(lines: Iterable[str], *, written: bool = False) -> None:
    """Print lines; whatever could steer a terminal is taken out of them.

    Who stops reading has read what was wanted.

    Args:
        lines: the answer.
        written: it is about files that are written by now, so that it may be lost.

    Raises:
        OutputError: they could not be printed, onto a full disk say.
    """
    try:
        for line in lines:
            indent = " " * (len(line) - len(line.lstrip(" ")))
            click.echo(indent + plain(line))
    except OSError as error:
        give_up(sys.stdout)
        if isinstance(error, BrokenPipeError):
            return
        msg = f"the output could not be printed ({error.strerror}); send it somewhere else"
        if not written:
            raise OutputError(msg) from error
        click.echo(f"The files are written, but {msg}", err=True)


def ask(question: str, **how: Any) -> str:
    """An answer from the terminal, see `click.prompt`.

    Raises:
        click.Abort: Ctrl-C, or the end of what can be read, instead of an answer.
    """
    try:
        return str(click.prompt(question, type=str, **how))
    except _Stopped as stopped:
        if stopped.code != ExitCode.INTERRUPTED:
            raise
        raise click.Abort from stopped


def give_up(stream: Any) -> None:
    """Let a stream that takes nothing more lead nowhere: Python would try again as it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    with suppress(OSError):  # it is no file
        os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


def tidy(command: Command) -> Command:
    """Turn every error and every signal to end into an exit code and, but for the signal, a
    message; the command returns its own code."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> int:
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):  # a character that the terminal lacks becomes "?"
                stream.reconfigure(errors="replace")
        try:
            with _stopping():
                code = command(*args, **kwargs)
        except UptakeError as error:
            _print_error(error)
            code = ExitCode.BAD_INPUT
        except KeyboardInterrupt:
            code = ExitCode.INTERRUPTED
        except _Stopped as stopped:
            code = stopped.code
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
            code = ExitCode.UNEXPECTED
        sys.exit(code)

    return run


def _print_error(error: UptakeError) -> None:
    """As many faults as fit one screen, the first in any case; the others are counted."""
    columns, lines = shutil.get_terminal_size(SCREEN) if sys.stderr.isatty() else SCREEN
    room = lines - 2  # the count and the next prompt
    shown = 0
    for line in error.lines()[:MOST_FAULTS_SHOWN]:
        room -= -(-len(plain(line)) // columns)
        if shown and room < 0:
            break
        shown += 1
    for line in error.lines(shown):
        click.echo(plain(line), err=True)


@contextmanager
def _stopping() -> Iterator[None]:
    """A signal to end raises `_Stopped`, so that bars, processes and half files are cleared away.

    What the command was told to ignore (`nohup`) stays ignored.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    here = os.getpid()

    def stop(number: int, _: object) -> None:
        if os.getpid() != here:  # a process that has just been started
            os._exit(128 + number)
        raise _Stopped(number)

    former = {}
    for number in stop_signals():
        if signal.getsignal(number) != signal.SIG_IGN:
            former[number] = signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


@contextmanager
def progress_bar() -> Iterator[Progress | None]:
    """A bar of one fit; None where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Preparing", total=1.0)
        yield lambda stage, part: bar.update(task, description=stage, completed=part)


@contextmanager
def tally_bar(tanks: int) -> Iterator[Callable[[TankOutcome], None]]:
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

        def count(outcome: TankOutcome) -> None:
            if not outcome.page:
                name = f"Not studied: {plain(outcome.log)}"
                bar.console.print(name, markup=False, highlight=False, soft_wrap=True)
            bar.advance(task)

        yield count


def quiet_libraries() -> None:
    """Keep third-party chatter off the terminal, in this process and those of the chains."""
    import logging
    import warnings

    warnings.simplefilter("ignore")
    os.environ.setdefault("PYTHONWARNINGS", "ignore")
    settle()
    for name in ("pymc", "pytensor", "arviz", "matplotlib"):
        logging.getLogger(name).setLevel(logging.ERROR)
