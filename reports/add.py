"""`uptake add`: one more row for the log."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import click

from estimator.errors import UptakeError
from reports.terminal import ExitCode, ask, tell, tidy

FILE = click.Path(path_type=Path)


@click.command()
@click.argument("log", type=FILE)
@click.argument("entry", default="")
@click.argument("value", default="")
@click.argument("unit", nargs=-1)
@click.option("--tank", required=True, type=FILE, help="The tank file (TOML).")
@click.option("--of", default="", help="What was sampled or acted on.  [default: the tank]")
@click.option("--time", "when", default="", help="When it was.  [default: now, by this clock]")
@click.option("--kit", default="", help="The kit used.  [default: the only one for it]")
@click.option(
    "--until",
    default="",
    metavar="DATE",
    help="The last day of a dose that is given each day at that time.",
)
@click.option("--note", default="", help="Anything to remember.")
@tidy
def add(
    log: Path,
    entry: str,
    value: str,
    unit: tuple[str, ...],
    tank: Path,
    of: str,
    when: str,
    kit: str,
    until: str,
    note: str,
) -> int:
    """Add one entry to a log, if it is without fault.

    \b
    uptake add my-log.csv --tank my-tank.toml alkalinity 8.1
    uptake add my-log.csv --tank my-tank.toml alkalinity 26.5 --of effluent
    uptake add my-log.csv --tank my-tank.toml dose 40 mL --of soda
    uptake add my-log.csv --tank my-tank.toml flow 900 mL/h --note "raised it"
    uptake add my-log.csv --tank my-tank.toml dose 25 mL --of soda
                          --time "2026-03-02 08:00" --until 2026-03-09

    VALUE is left out where the entry has none (stock_change, new_bottle). Without ENTRY you are
    asked for one after the other. The whole log with the new row is checked as `uptake check`
    does; where anything is wrong nothing is written.
    """
    if not entry:
        if not sys.stdin.isatty():
            raise click.UsageError("Missing argument 'ENTRY'.")
        return _ask_for_rows(log, tank)
    cells = {"of": of, "time": when, "kit": kit, "until": until, "note": note}
    cells |= _stated([entry, value, *unit])
    tell(add_row(log, tank, cells, datetime.now()), written=True)
    return ExitCode.DONE


def _ask_for_rows(log: Path, tank: Path) -> int:
    """Rows from the terminal, until an empty line or Ctrl-C; each is added at once or refused."""
    tell(
        (
            "One entry a line; without a time it is now. An empty line ends.",
            "  alkalinity 8.1",
            "  alkalinity 26.5 of effluent at 2026-03-02 18:30",
            "  dose 25 mL of soda at 2026-03-02 08:00 until 2026-03-09",
        )
    )
    with suppress(click.Abort):
        while line := ask("", default="", show_default=False, prompt_suffix="> ").strip():
            try:
                tell(add_row(log, tank, cells_of(line), datetime.now()), written=True)
            except UptakeError as error:
                tell(error.lines())
    return ExitCode.DONE


def cells_of(line: str) -> dict[str, str]:
    """`ENTRY VALUE UNIT of WHAT at WHEN until DAY`, of which only ENTRY is needed, by column."""
    rest, _, until = line.partition(" until ")
    rest, _, when = rest.partition(" at ")
    rest, _, of = rest.partition(" of ")
    return {**_stated(rest.split()), "of": of, "time": when, "until": until}


def _stated(typed: Sequence[str]) -> dict[str, str]:
    """Entry, value and unit of what was typed; an entry of two words (`water change`) is one."""
    from estimator.inputs.columns import entry_named

    words = " ".join(typed).split()
    if entry_named(" ".join(words[:2])):
        words[:2] = [" ".join(words[:2])]
    entry, value, *unit = [*words, "", ""][: max(2, len(words))]
    return {"entry": entry, "value": value, "unit": " ".join(unit)}


def add_row(log: Path, tank: Path, cells: Mapping[str, str], now: datetime) -> list[str]:
    """Add a row to a log; what to tell the keeper.

    Args:
        log: the CSV log, of the long form.
        tank: the tank file.
        cells: of the row, by column; "" where nothing is stated.
        now: the local clock; the time of the row where none is stated.

    Raises:
        InputError: the tank file, the log or the row is at fault; nothing is written.
        OutputError: the log cannot be written; it is as it was.
    """
    from estimator.inputs.log_file import LOG_LIMIT_BYTES
    from estimator.inputs.new_row import LongerLog, with_row
    from estimator.inputs.read import read_tank
    from reports.output import rewrite

    cells = {**cells, "time": cells["time"] or f"{now:%Y-%m-%dT%H:%M}"}
    described, _ = read_tank(tank)
    added: list[LongerLog] = []

    def lengthen(former: bytes) -> bytes:
        added.append(with_row(log, former, cells, described, now))
        return added[0].data

    rewrite(log, lengthen, LOG_LIMIT_BYTES)
    longer = added[0]
    odd = [f"Odd, so look again: {flag}." for flag in longer.record.flags]
    return [f"Added to {log} as row {longer.number}:", longer.row, *odd]
