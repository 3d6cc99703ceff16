"""`uptake new`: asks about a tank and writes its two files."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TypeVar

import click

from estimator.errors import OutputError
from estimator.inputs.columns import LONG_COLUMNS
from estimator.inputs.tank_file import TANK_LIMIT_BYTES
from estimator.inputs.text import FaultList, read_source
from estimator.inputs.toml_table import TomlTable, read_toml
from reports.output import create
from reports.questions import Interview, Read
from reports.terminal import ExitCode, ask, tell, tidy

TANK_NAME = "tank.toml"
LOG_NAME = "log.csv"

FILE = click.Path(path_type=Path)
Told = TypeVar("Told")


@click.command()
@click.option(
    "--dir",
    "folder",
    type=FILE,
    default=Path(),
    help="Folder for the two files; made if need be.  [default: this one]",
)
@click.option("--answers", type=FILE, help="A file of answers, instead of questions (TOML).")
@tidy
def new(folder: Path, answers: Path | None) -> int:
    """Ask about a tank, then write its tank file and a log to begin with.

    Both can be changed with any text editor afterwards. A file that is there already is never
    written over.

    \b
    Without a terminal a file gives the answers. Only the volume is needed:
      name = "Hall"                  solution_1 = "soda"
      volume = "620 L"               solution_1_by = "recipe"
      lights = "10:00 to 20:00"      solution_1_salt = "sodium carbonate"
      alkalinity_unit = "dKH"        solution_1_amount = 200
      alkalinity_band = "7.5 to 9"   solution_2 = "lime"
      calcium_band = "400 to 450"    solution_2_by = "label"
      alkalinity_step = 0.3          solution_2_amount = 0.05
      calcium_step = 10              reactor = "yes"
      magnesium_step = "none"        pump_most = "50 mL/min"
      new_water = 8.2                pump_least, pump_step, chamber_ph,
                                     media_kg, co2_g
    A solution is known by recipe, label (1 mL raises 100 L by so many dKH), gallon
    label (the same for 100 US gallons), meq (of alkalinity per mL) or calcium (mmol
    per mL).
    """
    tank, log = folder / TANK_NAME, folder / LOG_NAME
    for path in (tank, log):
        if os.path.lexists(path):
            rule = "is there already and is never written over; choose another --dir"
            raise OutputError(f"{path}: {rule}")
    try:
        text = _file_of(answers) if answers else _at_terminal()
    except click.Abort:
        click.echo("\nNothing was written.", err=True)
        return ExitCode.INTERRUPTED
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{folder}: the folder could not be made ({error.strerror}); choose another --dir"
        raise OutputError(msg) from error
    create({tank: text.encode(), log: f"{','.join(LONG_COLUMNS)}\n".encode()})
    page = folder / "report.html"
    tell(
        [
            f"Written: {tank}, which says what each of its lines means, and {log}, still empty.",
            f"After each test:  uptake add {log} --tank {tank} alkalinity 8.1",
            f"Or several, a line each:  uptake add {log} --tank {tank}",
            f"From the second on:  uptake report {log} --tank {tank} --out {page}",
        ],
        written=True,
    )
    return ExitCode.DONE


def _at_terminal() -> str:
    """The tank file, from the keeper."""
    if not sys.stdin.isatty():
        raise click.UsageError("there is no terminal to ask at; give the answers by --answers FILE")
    click.echo("Press Enter to take what stands in [brackets]; Ctrl-C to leave without a trace.")
    return Interview(_ask).run()


def _ask(key: str, question: str, read: Read[Told], usual: str = "") -> Told:
    while True:
        answer = ask(f"\n{question}", default=usual or None)
        try:
            return read(answer)
        except ValueError as error:
            click.echo(f"That cannot be taken: {error}.")


def _file_of(path: Path) -> str:
    """The tank file, from a file of answers. Raises: InputError, one lacks or is at fault."""
    faults = FaultList(str(path))
    text, _ = read_source(path, None, TANK_LIMIT_BYTES, faults)
    table = read_toml(text, faults)
    made = Interview(_FromFile(table, faults)).run()
    table.finish()
    faults.raise_if_any()
    return made


class _FromFile:
    """Takes the answers from a table."""

    def __init__(self, table: TomlTable, faults: FaultList) -> None:
        self._table = table
        self._faults = faults

    def __call__(self, key: str, question: str, read: Read[Told], usual: str = "") -> Told:
        given = self._table.has(key)
        value = self._table.values.get(key, usual)
        if given and not isinstance(value, str | int | float):
            self._refuse(key, "write a number, or text between quotation marks")
        if not given and not usual:
            self._refuse(key, f"is missing; add it: {question.splitlines()[0]}")
        answer = str(value) if not isinstance(value, bool) else "yes" if value else "no"
        try:
            return read(answer)
        except ValueError as error:
            self._refuse(key, str(error))
            raise

    def _refuse(self, key: str, rule: str) -> None:
        self._table.fault(key, rule)
        self._faults.raise_if_any()
