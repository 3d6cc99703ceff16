"""Reads the log (CSV) into `Entry` rows: every check that needs no knowledge of the tank.

text -> table of cells (csv_table) -> columns, long or wide -> entries
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from estimator.inputs.actions import ACTIONS
from estimator.inputs.cell import is_decimal_comma, read_number, read_time
from estimator.inputs.csv_table import MORE_FIELDS, CsvTable, read_csv_table
from estimator.inputs.parameters import ENTRY_WORDS, PARAMETERS
from estimator.inputs.text import FaultList, match_name, match_unit, nearest_hint, unknown_unit

LOG_LIMIT_BYTES = 20_000_000
LONGEST_NOTE = 2000
LONG_COLUMNS = ("time", "entry", "of", "value", "unit", "kit", "note")
REQUIRED_COLUMNS = ("time", "entry", "value")
TIME_NAMES = ("time", "date")
EARLIEST = datetime(1990, 1, 1)
FUTURE_ALLOWANCE = timedelta(days=1)
LONGEST_GAP = timedelta(days=730)
"""A day this far from all other entries has a slip in its year; nobody rests a log for longer and
then writes on one day only (common practice, no source)."""

_HEADER = re.compile(r"([^\[\]]*?)\s*(?:\[([^\[\]]*)\])?")
_NUMBER_COLUMNS = ("value", *PARAMETERS)
_DATE = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}\b", re.ASCII)
_NUMBER = re.compile(r"[+-]?[\d.,]*\d", re.ASCII)

ENTRY_UNITS: Mapping[str, tuple[str, ...]] = {
    **{name: tuple(parameter.units) for name, parameter in PARAMETERS.items()},
    **{name: tuple(action.units) for name, action in ACTIONS.items()},
}
"""Every entry that a log may have, with the units that it accepts."""


@dataclass(frozen=True)
class Entry:
    """One thing logged, checked as far as one can without the tank file.

    Attributes:
        row: line number in the file; the header is row 1.
        time: the tank's local clock.
        has_clock: False where only a date was written.
        kind: a key of `ENTRY_UNITS`.
        of: as written, "" where blank.
        value: in `unit`, not yet canonical; None where blank. NaN marks a fault already noted.
        unit: an accepted unit, or "" where none is written.
        kit: as written, "" where blank.
        note: as written.
        column: the column that holds the value.
    """

    row: int
    time: datetime
    has_clock: bool
    kind: str
    of: str
    value: float | None
    unit: str
    kit: str
    note: str
    column: str


@dataclass(frozen=True)
class _Column:
    """Where a column stands, its header as written, and the unit in that header ("" if none)."""

    index: int
    written: str
    unit: str


@dataclass(frozen=True)
class ParsedLog:
    """What a log holds.

    Attributes:
        rows: how many are not blank.
        entries: of all rows, in file order.
        rows_without_entry: rows of the wide form that hold no more than a time or a note.
    """

    rows: int
    entries: Sequence[Entry]
    rows_without_entry: Sequence[int]


def parse_log(text: str, now: datetime, faults: FaultList) -> ParsedLog:
    """The entries of a log; what is wrong with a row becomes a fault.

    Args:
        text: the whole file.
        now: the local clock, for refusing entries in the future.
        faults: receives every fault.

    Raises:
        InputError: the file as a whole or its header cannot be read.
    """
    table = read_csv_table(text, faults)
    columns = _columns(table, faults)
    _check_spare_cells(table, faults)
    _check_swallowed_rows(table, faults)
    reader = _RowReader(table, columns, now, faults)
    read = reader.long_row if "entry" in columns else reader.wide_row
    entries: list[Entry] = []
    for row, cells in faults.until_full(table.rows):
        own = {name: cells[column.index].strip() for name, column in columns.items()}
        entries += read(row, own)
    reader.check_zones()
    _check_years(entries, faults)
    return ParsedLog(len(table.rows), entries, reader.rows_without_entry)


def _columns(table: CsvTable, faults: FaultList) -> dict[str, _Column]:
    """Each named column by its own name ("date" is "time").

    Raises:
        InputError: a column that every log needs is missing.
    """
    found = [(*_split_header(written), written) for written in table.header]
    is_wide = not {name for name, _, _ in found} & {"entry", "value"}
    known = (*TIME_NAMES, *PARAMETERS, "note") if is_wide else LONG_COLUMNS
    columns: dict[str, _Column] = {}
    for index, (name, in_brackets, written) in enumerate(found):
        unit, rule = "", ""
        if name in columns:
            rule = "the same column stands twice; keep one"
        elif name and name not in known:
            hint = nearest_hint(name, known)
            rule = f"unknown column (a unit goes in square brackets); {hint}"
        elif name:
            if in_brackets is not None:
                unit, rule = _header_unit(name, in_brackets)
            columns[name] = _Column(index, written, unit)
        if rule:
            faults.add(rule, written, table.header_row)
    if is_wide and "time" in columns and columns.keys() & PARAMETERS.keys():
        return columns
    missing = [name for name in REQUIRED_COLUMNS if name not in columns]
    if missing:
        wide = f"; or a time column and any of {', '.join(PARAMETERS)}" if is_wide else ""
        faults.refuse(
            f"the header lacks {', '.join(missing)}; the first row must name the columns "
            f"{', '.join(REQUIRED_COLUMNS)}{wide}",
            table.separator.join(table.header),
            table.header_row,
        )
    return columns


def _split_header(written: str) -> tuple[str, str | None]:
    """(its own name, "time" for "date"; what stands in brackets, None without any).

    A word that itself states a unit puts that into the brackets where they are missing.
    """
    match = _HEADER.fullmatch(written)
    name, in_brackets = match.groups() if match else (written, None)
    entry = _entry(name)
    if entry is not None and name.casefold() not in LONG_COLUMNS:
        return entry[0], in_brackets or entry[1] or None
    name = name.casefold()
    return ("time" if name in TIME_NAMES else name), in_brackets


def _header_unit(name: str, in_brackets: str) -> tuple[str, str]:
    """(unit, the rule that it breaks); one of them is ""."""
    accepted = PARAMETERS[name].units if name in PARAMETERS else ()
    unit = match_unit(in_brackets, accepted)
    if unit is not None:
        return unit, ""
    return "", unknown_unit(in_brackets, name, accepted) if accepted else f"{name} has no unit"


def _entry(written: str) -> tuple[str, str] | None:
    """(kind, the unit that the word itself states or "") of an entry; None where it is unknown."""
    kind = match_name(written, ENTRY_UNITS)
    if kind is not None:
        return kind, ""
    word = match_name(written, ENTRY_WORDS)
    return None if word is None else ENTRY_WORDS[word]


def _check_spare_cells(table: CsvTable, faults: FaultList) -> None:
    """Nothing may stand where the header names no column: it would be lost."""
    named = {index for index, name in enumerate(table.header) if name}
    for row, cells in faults.until_full(table.rows):
        spare = next((c for index, c in enumerate(cells) if c and index not in named), "")
        if spare:
            faults.add(MORE_FIELDS, spare, row)


def _check_swallowed_rows(table: CsvTable, faults: FaultList) -> None:
    """No cell may hold what looks like further rows: they would be lost without a word.

    It holds line breaks, and one of its lines begins with a date or holds between two separators
    nothing but a date, a number or the name of an entry.
    """
    rule = (
        "a quotation mark opened in this row is closed only in a later row, which would be lost; "
        "close or remove it"
    )

    def looks_like_row(line: str) -> bool:
        first, *more = (cell.strip(' "') for cell in line.split(table.separator))
        return bool(more) and any(
            _DATE.match(cell) or _NUMBER.fullmatch(cell) or _entry(cell) for cell in (first, *more)
        )

    for row, cells in faults.until_full(table.rows):
        for index, cell in enumerate(cells):
            lines = cell.split("\n")
            begins = any(_DATE.match(line.strip(' "')) for line in lines[1:])
            if begins or (len(lines) > 1 and any(looks_like_row(line) for line in lines)):
                faults.add(
                    rule, cell, row, table.header[index] if index < len(table.header) else ""
                )


def _check_years(entries: Sequence[Entry], faults: FaultList) -> None:
    """A single day whose entries lie years from all others is a slip of the year.

    The log is cut wherever it pauses for longer than `LONGEST_GAP`; what spans a day at most is at
    fault, except the part that holds most rows.
    """
    rows = sorted({(entry.time, entry.row) for entry in entries if entry.time >= EARLIEST})
    parts: list[list[tuple[datetime, int]]] = []
    for time, row in rows:
        if not parts or time - parts[-1][-1][0] > LONGEST_GAP:
            parts.append([])
        parts[-1].append((time, row))
    log = max(reversed(parts), key=len, default=[])
    for index, part in enumerate(parts):
        if part is log or part[-1][0] - part[0][0] > timedelta(days=1):
            continue
        beside = [other[-1] for other in parts[:index][-1:]]
        beside += [other[0] for other in parts[index + 1 :][:1]]
        near = " and ".join(f"row {row} ({time:%Y-%m-%d})" for time, row in beside)
        for time, row in faults.until_full(part):
            rule = (
                f"lies more than two years from all other entries, the nearest are {near}; check "
                "the year, or leave the row out: so far away it tells nothing of this log"
            )
            faults.add(rule, f"{time:%Y-%m-%d %H:%M}", row, "time")


class _RowReader:
    """Turns the cells of one row into entries, and notes what is wrong with them."""

    def __init__(
        self, table: CsvTable, columns: Mapping[str, _Column], now: datetime, faults: FaultList
    ) -> None:
        self._columns = columns
        self._separator = table.separator
        numbers = [column.index for name, column in columns.items() if name in _NUMBER_COLUMNS]
        self._decimal_commas = table.separator != "," and any(
            is_decimal_comma(cells[index]) for _, cells in table.rows for index in numbers
        )
        self._latest = now.replace(tzinfo=None) + FUTURE_ALLOWANCE
        self._faults = faults
        self._zones: list[tuple[int, str, str]] = []
        self.rows_without_entry: list[int] = []

    def long_row(self, row: int, cells: Mapping[str, str]) -> Iterator[Entry]:
        """The one entry of a row in long form."""
        time, has_clock = self._time(row, cells["time"])
        entry = _entry(cells["entry"])
        if entry is None:
            rule = f"unknown entry; {nearest_hint(cells['entry'], ENTRY_UNITS)}"
            self._faults.add(rule, cells["entry"] or "a blank", row, "entry")
            return
        kind, own_unit = entry
        value = self._value(row, "value", kind, cells["value"])
        unit = self._unit(row, kind, cells.get("unit", "")) or own_unit
        if own_unit and unit != own_unit:
            rule = f"the entry {cells['entry']} is in {own_unit}; write {kind} for another unit"
            self._faults.add(rule, unit, row, "unit")
        kit = cells.get("kit", "")
        if kit and kind in ACTIONS and ACTIONS[kind].of != "kits":
            self._faults.add(f"{kind} uses no kit; leave it blank", kit, row, "kit")
        note = self._note(row, cells.get("note", ""))
        of = cells.get("of", "")
        yield Entry(row, time, has_clock, kind, of, value, unit, kit, note, "value")

    def wide_row(self, row: int, cells: Mapping[str, str]) -> Iterator[Entry]:
        """One tank reading for each filled column of a row in wide form."""
        filled = [name for name in PARAMETERS if cells.get(name)]
        note = self._note(row, cells.get("note", ""))
        # A note may tell of days to come, and calendars are made ahead.
        time, has_clock = self._time(row, cells["time"], may_lie_ahead=not filled)
        if not filled:
            self.rows_without_entry.append(row)
        for kind in filled:
            head = self._columns[kind]
            value = self._value(row, head.written, kind, cells[kind])
            yield Entry(row, time, has_clock, kind, "", value, head.unit, "", note, head.written)

    def check_zones(self) -> None:
        """A zone is dropped where every row has the same; otherwise clocks would be mixed."""
        rule = "write the tank's own local clock in every row, without a zone"
        if len({zone for _, zone, _ in self._zones}) > 1:
            for row, zone, written in self._faults.until_full(self._zones):
                if zone:
                    self._faults.add(rule, written, row, "time")

    def _time(self, row: int, text: str, *, may_lie_ahead: bool = False) -> tuple[datetime, bool]:
        """Local time and whether a time of day was written."""
        try:
            time, zone = read_time(text)
        except ValueError as error:
            self._faults.add(str(error), text or "a blank", row, "time")
            return datetime.min, True
        if zone is not None:
            self._zones.append((row, zone, text))
        if time < EARLIEST:
            rule = f"must not be before {EARLIEST:%Y-%m-%d}; check the year"
            self._faults.add(rule, text, row, "time")
        elif time > self._latest and not may_lie_ahead:
            rule = f"lies in the future (this clock allows {self._latest:%Y-%m-%d %H:%M} at most)"
            self._faults.add(f"{rule}; check the date", text, row, "time")
        return time, zone is not None

    def _value(self, row: int, column: str, kind: str, text: str) -> float | None:
        action = ACTIONS.get(kind)
        if not text:
            if action is None or action.value_needed:
                self._faults.add(f"{kind} needs a value", "a blank", row, column)
            return None
        if not ENTRY_UNITS[kind]:
            rule = f"{kind} has no value; leave it blank and use the note"
            self._faults.add(rule, text, row, column)
            return None
        try:
            value = read_number(text, self._separator, self._decimal_commas)
            if value < 0 and not (kind in PARAMETERS and PARAMETERS[kind].possible[0] < 0):
                raise ValueError(f"{kind} may not be negative")
        except ValueError as error:
            self._faults.add(str(error), text, row, column)
            return math.nan
        return value

    def _unit(self, row: int, kind: str, text: str) -> str:
        accepted = ENTRY_UNITS[kind]
        unit = match_unit(text, accepted) if text else ""
        if unit is None:
            none = f"{kind} has no unit; leave it blank"
            rule = unknown_unit(text, kind, accepted) if accepted else none
            self._faults.add(rule, text, row, "unit")
        return unit or ""

    def _note(self, row: int, text: str) -> str:
        """The note as written; one that is very long is a fault."""
        if len(text) > LONGEST_NOTE:
            rule = f"a note may hold at most {LONGEST_NOTE} characters; shorten it"
            self._faults.add(rule, f"{len(text)} characters", row, "note")
        return text
