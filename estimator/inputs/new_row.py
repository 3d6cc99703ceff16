"""One more row for a log in long form: written as the log is, and read by its own reader."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from estimator.errors import InputError
from estimator.inputs.actions import ACTIONS
from estimator.inputs.columns import read_header
from estimator.inputs.csv_table import CsvTable, read_csv_table
from estimator.inputs.log_file import LOG_LIMIT_BYTES
from estimator.inputs.read import read_log
from estimator.inputs.records import Action, Reading
from estimator.inputs.tank import Tank
from estimator.inputs.text import FaultList, printable, read_source

NEW_ROW = "the new row (not added)"
"""Stands in a fault's `file` where the fault lies in the row that was to be added."""


@dataclass(frozen=True)
class LongerLog:
    """A log with one row more.

    Attributes:
        data: the bytes of the whole file; it begins with the former ones.
        row: what was added, without the line ending.
        number: of the row in the file.
        record: the reading or action that it means.
    """

    data: bytes
    row: str
    number: int
    record: Reading | Action


def with_row(
    path: Path, data: bytes, cells: Mapping[str, str], tank: Tank, now: datetime
) -> LongerLog:
    """The log `data` with a row of `cells` at its end, in the log's own columns.

    What the tank file leaves no choice of is filled in: what was sampled or dosed, the unit and the
    only kit, so that the row means the same when a kit or a solution is added to the tank file.

    Args:
        path: of the log, for messages.
        data: the whole former log.
        cells: by names of `LONG_COLUMNS`; "" where nothing is stated. `time`, `entry` and `value`
            must be there.
        tank: as the tank file states it.
        now: the local clock.

    Raises:
        InputError: the log cannot take the row, or the log with the row has faults; those of the
            new row have `NEW_ROW` as their file.
    """
    cells = {name: " ".join(printable(text).split()) for name, text in cells.items()}
    form = _form(path, data)
    form.check_columns(cells)
    typed = _read(path, form.appended(data, cells), tank, now)
    whole = {name: cells.get(name, "") or text for name, text in _settled(typed, tank).items()}
    whole = {**cells, **whole}
    longer = form.appended(data, whole)
    record = _read(path, longer, tank, now)
    # What is odd of the row as it was typed may no longer show once the rest is filled in.
    return LongerLog(longer, form.row(whole), record.row, replace(record, flags=typed.flags))


@dataclass(frozen=True)
class _Form:
    """How a log is written: its columns, those that the reader knows by their own names, what
    stands between cells and at the end of a line."""

    path: Path
    columns: tuple[str, ...]
    separator: str
    ending: str

    def check_columns(self, cells: Mapping[str, str]) -> None:
        """Raises: InputError, something is stated that the log has no column for."""
        faults = FaultList(str(self.path))
        for name, text in cells.items():
            if text and name not in self.columns:
                rule = (
                    f"the log has no column {name}; add {self.separator}{name} to the end of its "
                    "first row (the other rows may stay as they are)"
                )
                faults.add(rule, text, 1)
        faults.raise_if_any()

    def row(self, cells: Mapping[str, str]) -> str:
        """The row as RFC 4180 has it: a cell that holds a separator or a quotation mark stands in
        quotation marks."""
        out = io.StringIO()
        writer = csv.writer(out, delimiter=self.separator, lineterminator="")
        writer.writerow([cells.get(name, "") for name in self.columns])
        return out.getvalue()

    def appended(self, data: bytes, cells: Mapping[str, str]) -> bytes:
        """`data` and the row, each row with its line ending."""
        ending = self.ending.encode()
        gap = b"" if data.endswith((b"\n", b"\r")) else ending
        # What is no text becomes "?" here; the reader would refuse the whole file for it.
        return data + gap + self.row(cells).encode("utf-8", "replace") + ending


def _form(path: Path, data: bytes) -> _Form:
    """How the log is written. Raises: InputError, its header is none, or is of the wide form."""
    text, table = _table(path, data)
    faults = FaultList(str(path))
    header, columns = read_header(table, faults), list(table.header)
    if header.values:
        faults.refuse(
            "a row can be added to a log of the long form only, whose header holds time, entry and "
            "value; write this row into the file by hand, or go on in a log of that form (uptake "
            "new makes one)",
            table.separator.join(table.header),
            table.header_row,
        )
    # What is wrong with single columns is told when the whole log is read.
    for name, index in header.places.items():
        columns[index] = name
    ending = next((mark for mark in ("\r\n", "\n", "\r") if mark in text), "\n")
    return _Form(path, tuple(columns), table.separator, ending)


def _table(path: Path, data: bytes) -> tuple[str, CsvTable]:
    """Text and cells of a log. Raises: InputError, it has none."""
    faults = FaultList(str(path))
    text, _ = read_source(path, data, LOG_LIMIT_BYTES, faults)
    return text, read_csv_table(text, faults)


def _read(path: Path, data: bytes, tank: Tank, now: datetime) -> Reading | Action:
    """The record of the last row.

    Raises:
        InputError: with every fault of the log, those of the last row first, under its own name.
    """
    try:
        log, _ = read_log(path, tank, now=now, data=data, may_be_short=True)
    except InputError as error:
        number = _table(path, data)[1].rows[-1][0]
        own = [replace(each, file=NEW_ROW, row=None) for each in error.faults if each.row == number]
        others = [each for each in error.faults if each.row != number]
        raise InputError([*own, *others]) from error
    records: list[Reading | Action] = [*log.readings, *log.actions]
    return max(records, key=lambda record: record.row)


def _settled(record: Reading | Action, tank: Tank) -> dict[str, str]:
    """Cells that follow from the tank file, in the words of a log."""
    if isinstance(record, Reading):
        kit = record.kit if record.kit in tank.kits else ""
        return {"of": record.of or record.sample, "unit": record.unit, "kit": kit}
    kind = ACTIONS[record.kind]
    return {"of": record.of, "unit": "" if record.value is None else kind.canonical_unit}
