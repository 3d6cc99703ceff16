"""Reads the log (CSV) into `Entry` rows: every check that needs no knowledge of the tank.

text -> table of cells (csv_table) -> columns, long or wide (columns) -> entries
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from estimator.inputs.actions import ACTIONS
from estimator.inputs.cell import is_decimal_comma, read_number
from estimator.inputs.columns import ENTRY_UNITS, Columns, entry_named, read_header
from estimator.inputs.csv_table import MORE_FIELDS, CsvTable, read_csv_table
from estimator.inputs.moment import DAY_FIRST, UnclearDate, read_time, shown_date_orders
from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.text import FaultList, match_unit, nearest_hint, unknown_unit

LOG_LIMIT_BYTES = 20_000_000
LONGEST_NOTE = 2000
REPEATED = ("dose",)
"""Entries that one row may write for many days, to the day in its column `until`."""
MOST_REPEATS = 20_000
"""Of all such rows together: five routines for eleven years."""
EARLIEST = datetime(1990, 1, 1)
FUTURE_ALLOWANCE = timedelta(days=1)
LONGEST_GAP = timedelta(days=730)
"""A day this far from all other entries has a slip in its year; nobody rests a log for longer and
then writes on one day only (common practice, no source)."""
FURTHEST = timedelta(days=3650)
"""Ten years away even several days are a slip of the year, and the years between would take the fit
minutes."""

_DATE = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}\b", re.ASCII)
_NUMBER = re.compile(r"[+-]?[\d.,]*\d", re.ASCII)


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
class ParsedLog:
    """What a log holds.

    Attributes:
        rows: how many are not blank.
        entries: of all rows, in file order.
        rows_without_entry: rows of the wide form that hold no more than a time or a note.
        date_order: how dates were read that do not begin with the year, "" where there are none.
    """

    rows: int
    entries: Sequence[Entry]
    rows_without_entry: Sequence[int]
    date_order: str


def parse_log(text: str, now: datetime, faults: FaultList, date_order: str | None) -> ParsedLog:
    """The entries of a log; what is wrong with a row becomes a fault.

    Args:
        text: the whole file.
        now: the local clock, for refusing entries in the future.
        faults: receives every fault.
        date_order: what the tank file says of dates, "" where it says nothing; None: it cannot be
            read, and nothing is asked of it.

    Raises:
        InputError: the file as a whole or its header cannot be read.
    """
    table = read_csv_table(text, faults)
    columns = read_header(table, faults)
    if date_order and columns.date_order not in ("", date_order):
        rule = f"the tank file says {date_order}; let both say the same, or one of them nothing"
        faults.add(rule, columns.date_order, table.header_row, "time")
    _check_spare_cells(table, faults)
    _check_swallowed_rows(table, faults)
    reader = _RowReader(table, columns, now, faults, date_order)
    read = reader.wide_row if columns.values else reader.long_row
    entries: list[Entry] = []
    for row, cells in faults.until_full(table.rows):
        entries += read(row, tuple(cell.strip() for cell in cells))
    reader.check_zones()
    _check_years(entries, faults)
    return ParsedLog(len(table.rows), entries, reader.rows_without_entry, reader.date_order)


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
    nothing but a date or a number, or the name of an entry beside a blank.
    """
    rule = (
        "a quotation mark opened in this row is closed only in a later row, which would be lost; "
        "close or remove it"
    )

    def looks_like_row(line: str) -> bool:
        cells = [cell.strip(' "') for cell in line.split(table.separator)]
        named = "" in cells and any(entry_named(cell) for cell in cells)
        return len(cells) > 1 and (
            named or any(_DATE.match(cell) or _NUMBER.fullmatch(cell) for cell in cells)
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
    """A single day whose entries lie years from all others is a slip of the year, and so is any
    smaller part of the log that lies more than `FURTHEST` from the rest.

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
        if part is log:
            continue
        beside = [other[-1] for other in parts[:index][-1:]]
        beside += [other[0] for other in parts[index + 1 :][:1]]
        nearest = min(max(part[0][0] - time, time - part[-1][0]) for time, _ in beside)
        if nearest <= FURTHEST and part[-1][0] - part[0][0] > timedelta(days=1):
            continue
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
        self,
        table: CsvTable,
        columns: Columns,
        now: datetime,
        faults: FaultList,
        date_order: str | None,
    ) -> None:
        self._columns = columns
        self._separator = table.separator
        self._decimal_commas = table.separator != "," and any(
            is_decimal_comma(cells[index])
            for _, cells in table.rows
            for index in columns.of_numbers
        )
        self._latest = now.replace(tzinfo=None) + FUTURE_ALLOWANCE
        self._faults = faults
        self._zones: list[tuple[int, str, str]] = []
        self._repeats = 0
        self.rows_without_entry: list[int] = []
        shown = shown_date_orders(
            cells[place]
            for _, cells in table.rows
            for place in (columns.places.get(name) for name in ("time", "until"))
            if place is not None
        )
        self._contradict = len(shown) > 1
        stated = date_order or columns.date_order
        self._order = stated or (shown.pop() if len(shown) == 1 else "")
        if date_order is None and not self._order:
            self._order = DAY_FIRST
        self.date_order = ""

    def _cell(self, cells: Sequence[str], name: str) -> str:
        place = self._columns.places.get(name)
        return "" if place is None else cells[place]

    def long_row(self, row: int, cells: Sequence[str]) -> Iterator[Entry]:
        """The one entry of a row in long form, or one for each day on which it is repeated."""
        time, has_clock = self._time(row, self._cell(cells, "time"))
        word = self._cell(cells, "entry")
        entry = entry_named(word)
        if entry is None:
            rule = f"unknown entry; {nearest_hint(word, ENTRY_UNITS)}"
            self._faults.add(rule, word or "a blank", row, "entry")
            return
        kind, own_unit = entry
        value = self._value(row, "value", kind, self._cell(cells, "value"))
        unit = self._unit(row, kind, self._cell(cells, "unit")) or own_unit
        if own_unit and unit != own_unit:
            rule = f"the entry {word} is in {own_unit}; write {kind} for another unit"
            self._faults.add(rule, unit, row, "unit")
        kit = self._cell(cells, "kit")
        if kit and kind in ACTIONS and ACTIONS[kind].of != "kits":
            self._faults.add(f"{kind} uses no kit; leave it blank", kit, row, "kit")
        note = self._note(row, self._cell(cells, "note"))
        of, until = self._cell(cells, "of"), self._cell(cells, "until")
        first = Entry(row, time, has_clock, kind, of, value, unit, kit, note, "value")
        yield first
        if until:
            yield from self._repeated(first, until)

    def _repeated(self, first: Entry, until: str) -> Iterator[Entry]:
        """The same at the same time on each day after the first, the day of `until` included."""
        last, has_clock = self._time(first.row, until, column="until")
        if not has_clock:
            last = last.replace(hour=23, minute=59)
        days, rule = (last - first.time).days, ""
        if first.kind not in REPEATED:
            rule = f"only {', '.join(REPEATED)} may be repeated; leave it blank"
        elif EARLIEST <= last < first.time:
            rule = "must not lie before the time of the row"
        elif self._repeats + days > MOST_REPEATS and first.time >= EARLIEST:
            rule = f"a log may repeat entries at most {MOST_REPEATS} times in all; check the dates"
        if rule:
            self._faults.add(rule, until, first.row, "until")
        elif first.time >= EARLIEST:
            self._repeats += max(days, 0)
            for day in range(1, days + 1):
                yield replace(first, time=first.time + timedelta(days=day))

    def wide_row(self, row: int, cells: Sequence[str]) -> Iterator[Entry]:
        """One entry for each filled column of a row in wide form."""
        filled = [column for column in self._columns.values if cells[column.index]]
        note = self._note(row, self._cell(cells, "note"))
        # A note may tell of days to come, and calendars are made ahead.
        time, has_clock = self._time(row, self._cell(cells, "time"), may_lie_ahead=not filled)
        if not filled:
            self.rows_without_entry.append(row)
        for column in filled:
            kind, head = column.kind, column.written
            value = self._value(row, head, kind, cells[column.index])
            kit = self._cell(cells, f"kit:{kind}") or self._cell(cells, "kit")
            kit = kit if kind in PARAMETERS else ""
            yield Entry(row, time, has_clock, kind, column.of, value, column.unit, kit, note, head)

    def check_zones(self) -> None:
        """A zone is dropped where every row has the same; otherwise clocks would be mixed."""
        rule = "write the tank's own local clock in every row, without a zone"
        if len({zone for _, zone, _ in self._zones}) > 1:
            for row, zone, written in self._faults.until_full(self._zones):
                if zone:
                    self._faults.add(rule, written, row, "time")

    def _time(
        self, row: int, text: str, *, may_lie_ahead: bool = False, column: str = "time"
    ) -> tuple[datetime, bool]:
        """Local time and whether a time of day was written."""
        try:
            time, zone = read_time(text, self._order)
        except UnclearDate as error:
            also = "; some of this log can only begin with the day, others only with the month"
            rule = str(error) + (also if self._contradict else "")
            self._faults.add_once(rule, text, row, column)
            return datetime.min, True
        except ValueError as error:
            self._faults.add(str(error), text or "a blank", row, column)
            return datetime.min, True
        if not text[:4].isdigit():
            self.date_order = self._order
        if zone is not None:
            self._zones.append((row, zone, text))
        if time < EARLIEST:
            rule = f"must not be before {EARLIEST:%Y-%m-%d}; check the year"
            self._faults.add(rule, text, row, column)
        elif time > self._latest and not may_lie_ahead:
            rule = f"lies in the future (this clock allows {self._latest:%Y-%m-%d %H:%M} at most)"
            self._faults.add(f"{rule}; check the date", text, row, column)
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
