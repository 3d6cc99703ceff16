"""Reads the log (CSV) into `Entry` rows: every check that needs no knowledge of the tank.

text -> table of cells -> long or wide rows -> entries
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.text import FaultList, Source, match_name, match_unit, nearest_hint

LOG_LIMIT_BYTES = 20_000_000
LOG_LIMIT_ROWS = 100_000
"""One row an hour for eleven years; more is refused at once rather than after a long wait."""
LOG_LIMIT_COLUMNS = 100
LOG_LIMIT_CELLS = 2_000_000
LONGEST_NOTE = 2000
LONG_COLUMNS = ("time", "entry", "of", "value", "unit", "kit", "note")
REQUIRED_COLUMNS = ("time", "entry", "value")
TIME_NAMES = ("time", "date")
EARLIEST = datetime(1990, 1, 1)
FUTURE_ALLOWANCE = timedelta(days=1)

_SEPARATORS = ",;\t"
# A row may overrun the header by this many fields and still be listed by its own number.
_SPARE_FIELDS = 8
_LONGEST_NUMBER = 40
_TIME = re.compile(
    r"(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2})"
    r"(?:[T ](?P<hour>\d{2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d+))?)?"
    r" ?(?P<zone>Z|[+-]\d{2}(?::?\d{2})?)?)?",
    re.ASCII | re.IGNORECASE,
)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_WIDE_HEADER = re.compile(r"(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?")
_TIME_RULE = (
    "write ISO 8601, for example 2025-03-04 18:30 or, where the time of day is not known, "
    "2025-03-04"
)
_ZONE_RULE = "write the tank's own local clock in every row, without a zone"


@dataclass(frozen=True)
class ActionKind:
    """One entry of the log that is not a reading.

    Attributes:
        of: which names `of` chooses from: "solutions", "waters", "kits", "reactor" or "".
        units: canonical units in one of each accepted unit, the default first; empty where the
            entry has no value.
        value_needed: whether the value may not be blank.
    """

    of: str = ""
    units: Mapping[str, float] = field(default_factory=dict)
    value_needed: bool = True


ACTIONS: Mapping[str, ActionKind] = {
    "flow": ActionKind("reactor", {"mL/h": 1.0, "mL/min": 60.0, "L/day": 1000 / 24}),
    "ph_setting": ActionKind("reactor", {"NBS": 1.0}),
    "dose": ActionKind("solutions", {"mL": 1.0, "L": 1000.0}),
    "dose_rate": ActionKind("solutions", {"mL/day": 1.0, "L/day": 1000.0}),
    "water_change": ActionKind("waters", {"L": 1.0}),
    "stock_change": ActionKind(value_needed=False),
    "media_change": ActionKind("reactor", {"kg": 1.0}, value_needed=False),
    "co2_change": ActionKind("reactor", {"g": 1.0, "kg": 1000.0}, value_needed=False),
    "new_bottle": ActionKind("kits", value_needed=False),
}
"""Every action by the name used in a log."""

ENTRY_NAMES = (*PARAMETERS, *ACTIONS)


@dataclass(frozen=True)
class Entry:
    """One thing logged, checked as far as one can without the tank file.

    Attributes:
        row: line number in the file; the header is row 1.
        time: the tank's local clock.
        has_clock: False where only a date was written.
        kind: a name in `ENTRY_NAMES`.
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
    column: str = "value"


@dataclass(frozen=True)
class LogEntries:
    """Everything in one log file; `rows` counts the rows that are not blank."""

    rows: int
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class _Table:
    """The cells of the file: a header and numbered rows, all stripped of outer blanks."""

    header_row: int
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    separator: str


def parse_log(source: Source, now: datetime, faults: FaultList) -> LogEntries:
    """All entries of a log; whatever cannot be read becomes a fault.

    Args:
        source: the file.
        now: the local clock, for refusing entries in the future.
        faults: receives every fault.
    """
    table = _read_table(source.text, faults)
    if table is None:
        return LogEntries(0, ())
    columns = _columns(table, faults)
    if columns is None:
        return LogEntries(len(table.rows), ())
    _check_spare_cells(table, faults)
    rows = [
        (row, {name: cells[column.index] for name, column in columns.items()})
        for row, cells in table.rows
    ]
    reader = _RowReader(columns, _Numbers(table, columns), now, faults)
    read = reader.long_row if "entry" in columns else reader.wide_row
    entries = [entry for row, cells in faults.until_full(rows) for entry in read(row, cells)]
    reader.check_zones()
    return LogEntries(len(rows), tuple(entries))


def _read_table(text: str, faults: FaultList) -> _Table | None:
    """The cells of the file, or None (with a fault) where there is no table at all."""
    body, blank_lines = _without_leading_blank_lines(text)
    if not body.strip():
        faults.add("the file is empty; it needs a header row and one row for each log entry")
        return None
    first_line = body.split("\n", 1)[0]
    separator = max(_SEPARATORS, key=first_line.count)
    if first_line.count('"') % 2:
        faults.add("a quotation mark in the header is never closed", row=blank_lines + 1)
        return None
    fields = first_line.count(separator) + 1
    if _is_too_large(body, fields, faults):
        return None
    cells = _parse_csv(body, separator, fields + _SPARE_FIELDS, blank_lines, faults)
    if cells is None:
        return None
    numbered = [
        (blank_lines + number, tuple(cell.strip() for cell in row))
        for number, row in enumerate(cells, start=1)
    ]
    (header_row, header), *rows = numbered
    return _Table(
        header_row=header_row,
        header=tuple(" ".join(name.split()) for name in header[:fields]),
        rows=tuple((number, row) for number, row in rows if any(row)),
        separator=separator,
    )


def _is_too_large(body: str, fields: int, faults: FaultList) -> bool:
    lines = body.count("\n")
    if lines > LOG_LIMIT_ROWS:
        faults.add(
            f"a log may hold at most {LOG_LIMIT_ROWS} rows; thin out probe readings or split it",
            found=f"{lines} rows",
        )
    if fields > LOG_LIMIT_COLUMNS:
        faults.add(
            f"a log may have at most {LOG_LIMIT_COLUMNS} columns; check that it is the right file",
            found=f"{fields} columns",
        )
    if lines * fields > LOG_LIMIT_CELLS:
        faults.add(
            f"a log may hold at most {LOG_LIMIT_CELLS} cells; delete columns that stay blank",
            found=f"{lines} rows of {fields} columns",
        )
    return len(faults) > 0


def _without_leading_blank_lines(text: str) -> tuple[str, int]:
    """`text` with plain line ends from its first line that holds anything, and lines skipped."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    blank = text[: len(text) - len(text.lstrip())]
    skipped = blank.count("\n")
    return text[blank.rfind("\n") + 1 :], skipped


def _parse_csv(
    body: str, separator: str, fields: int, offset: int, faults: FaultList
) -> list[list[str]] | None:
    """Records of the file, each `fields` long, blank lines included so that numbers hold."""
    import pandas as pd  # here, because it is slow to import and `--help` has no need of it

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                io.StringIO(body),
                sep=separator,
                header=None,
                names=range(fields),
                index_col=False,
                dtype=str,
                keep_default_na=False,
                na_filter=False,
                skip_blank_lines=False,
                low_memory=False,
            )
    except (ValueError, OverflowError, pd.errors.ParserWarning) as error:
        _explain_parser_error(str(error), offset, faults)
        return None
    return frame.to_numpy(dtype=object).tolist()


def _explain_parser_error(message: str, offset: int, faults: FaultList) -> None:
    """A fault in our words for the three ways in which a CSV cannot be cut into cells."""
    if match := re.search(r"EOF inside string starting at row (\d+)", message):
        faults.add(
            "a quotation mark opened in this row is never closed; close or remove it",
            row=offset + int(match[1]) + 1,
        )
    elif match := re.search(r"in line (\d+), saw (\d+)", message):
        faults.add(
            "the row has more fields than the header; put quotation marks around a note that "
            "holds the separator",
            found=f"{match[2]} fields",
            row=offset + int(match[1]),
        )
    else:
        faults.add("cannot be cut into rows and columns; save it again as CSV", found=message)


@dataclass(frozen=True)
class _Column:
    """Where a column stands, its header as written, and the unit in that header ("" if none)."""

    index: int
    written: str
    unit: str = ""


def _columns(table: _Table, faults: FaultList) -> dict[str, _Column] | None:
    """Each named column by its own name ("date" is "time"); None where rows cannot be read."""
    found = [(_header_name(written), written) for written in table.header]
    is_wide = not {name for name, _ in found} & {"entry", "value"}
    columns: dict[str, _Column] = {}
    for index, (name, written) in enumerate(found):
        rule = _header_rule(name, columns, is_wide)
        if rule:
            faults.add(rule, written, table.header_row)
        elif name:
            unit = _header_unit(name, written, table.header_row, faults)
            columns[name] = _Column(index, written, unit)
    return columns if _has_needed_columns(columns, is_wide, table, faults) else None


def _header_name(written: str) -> str:
    """Name of a column in lower case and without its unit; "time" for "date"."""
    match = _WIDE_HEADER.fullmatch(written)
    name = (match["name"] if match else written).casefold()
    return "time" if name in TIME_NAMES else name


def _header_rule(name: str, taken: Mapping[str, _Column], is_wide: bool) -> str:
    """The rule that a header breaks, or ""; a blank header breaks none."""
    known = (*TIME_NAMES, *PARAMETERS, "note") if is_wide else LONG_COLUMNS
    if name in taken:
        return "the same column stands twice; keep one"
    if name and name not in known:
        return f"unknown column (a unit goes in square brackets); {nearest_hint(name, known)}"
    return ""


def _header_unit(name: str, written: str, row: int, faults: FaultList) -> str:
    """The unit that a header states in brackets, or ""."""
    match = _WIDE_HEADER.fullmatch(written)
    if not match or match["unit"] is None:
        return ""
    accepted = tuple(PARAMETERS[name].units) if name in PARAMETERS else ()
    unit = match_unit(match["unit"], accepted)
    if unit is None:
        rule = f"unknown unit for {name}; {nearest_hint(match['unit'], accepted)}"
        faults.add(rule if accepted else f"{name} has no unit", written, row)
    return unit or ""


def _has_needed_columns(
    columns: Mapping[str, _Column], is_wide: bool, table: _Table, faults: FaultList
) -> bool:
    missing = [name for name in REQUIRED_COLUMNS if name not in columns]
    if is_wide and "time" in columns and columns.keys() & PARAMETERS.keys():
        return True
    if missing:
        wide = f"; or a time column and any of {', '.join(PARAMETERS)}" if is_wide else ""
        faults.add(
            f"the header lacks {', '.join(missing)}; the first row must name the columns "
            f"{', '.join(REQUIRED_COLUMNS)}{wide}",
            found=table.separator.join(table.header),
            row=table.header_row,
        )
    return not missing


def _check_spare_cells(table: _Table, faults: FaultList) -> None:
    """Nothing may stand where the header names no column: it would be lost."""
    named = {index for index, name in enumerate(table.header) if name}
    for row, cells in faults.until_full(table.rows):
        spare = [cell for index, cell in enumerate(cells) if cell and index not in named]
        if spare:
            faults.add(
                "the row has more fields than the header; put quotation marks around a note or "
                "number that holds the separator",
                found=spare[0],
                row=row,
            )


class _Numbers:
    """Reads numbers; which decimal marks are allowed depends on the file's separator."""

    def __init__(self, table: _Table, columns: Mapping[str, _Column]) -> None:
        self._separator = table.separator
        indices = [
            column.index for name, column in columns.items() if name in ("value", *PARAMETERS)
        ]
        self._file_has_decimal_comma = table.separator != "," and any(
            _DECIMAL_COMMA.fullmatch(cells[index]) for _, cells in table.rows for index in indices
        )

    def read(self, text: str) -> float | str:
        """The number, or the rule that the text breaks."""
        if self._is_ambiguous(text):
            return "may be thousands or decimals; write it without a thousands separator"
        if _DECIMAL_COMMA.fullmatch(text):
            if self._separator == ",":
                return "write a decimal point in a file whose columns are separated by commas"
            text = text.replace(",", ".")
        is_number = len(text) <= _LONGEST_NUMBER and _NUMBER.fullmatch(text)
        if not is_number or not math.isfinite(float(text)):
            return "write one plain number such as 8.2, with its unit in the unit column or header"
        return float(text)

    def _is_ambiguous(self, text: str) -> bool:
        """Whether `1,234` or `1.234` could mean either a thousand or a fraction here."""
        if not _THOUSANDS.fullmatch(text):
            return False
        if "," in text:
            return self._separator != ";" or text.count(",") > 1 or "." in text
        return self._file_has_decimal_comma or text.count(".") > 1


def _time_of(match: re.Match[str]) -> datetime:
    """The wall clock written. Raises: ValueError, where the calendar has no such time."""
    year, month, day = int(match["year"]), int(match["month"]), int(match["day"])
    if match["hour"] is None:
        return datetime(year, month, day, 12)
    microsecond = int(((match["fraction"] or "") + "000000")[:6])
    second = int(match["second"] or 0)
    return datetime(year, month, day, int(match["hour"]), int(match["minute"]), second, microsecond)


def _zone_of(match: re.Match[str]) -> str:
    """Offset from UTC as `+HHMM`, or "" where none is written."""
    zone = (match["zone"] or "").upper().replace(":", "")
    return "+0000" if zone == "Z" else zone.ljust(5, "0") if zone else ""


class _RowReader:
    """Turns the cells of one row into entries, and notes what is wrong with them."""

    def __init__(
        self,
        columns: Mapping[str, _Column],
        numbers: _Numbers,
        now: datetime,
        faults: FaultList,
    ) -> None:
        self._columns = columns
        self._numbers = numbers
        self._latest = now.replace(tzinfo=None) + FUTURE_ALLOWANCE
        self._faults = faults
        self._zones: list[tuple[int, str, str]] = []

    def long_row(self, row: int, cells: Mapping[str, str]) -> Iterator[Entry]:
        """The one entry of a row in long form."""
        time, has_clock = self._time(row, cells["time"])
        kind = match_name(cells["entry"], ENTRY_NAMES)
        if kind is None:
            self._unknown_entry(row, cells["entry"])
            return
        value = self._value(row, "value", kind, cells["value"])
        unit = self._unit(row, kind, cells.get("unit", ""))
        kit = cells.get("kit", "")
        if kit and kind not in (*PARAMETERS, "new_bottle"):
            self._faults.add(f"{kind} uses no kit; leave it blank", kit, row, "kit")
        note = self._note(row, cells.get("note", ""))
        of = cells.get("of", "")
        yield Entry(row, time, has_clock, kind, of, value, unit, kit, note)

    def wide_row(self, row: int, cells: Mapping[str, str]) -> Iterator[Entry]:
        """One tank reading for each filled column of a row in wide form."""
        filled = [name for name in PARAMETERS if cells.get(name)]
        note = self._note(row, cells.get("note", ""))
        if not filled:
            return
        time, has_clock = self._time(row, cells["time"])
        for kind in filled:
            column = self._columns[kind]
            value = self._value(row, column.written, kind, cells[kind])
            yield Entry(
                row, time, has_clock, kind, "", value, column.unit, "", note, column.written
            )

    def check_zones(self) -> None:
        """A zone is dropped where every row has the same; otherwise clocks would be mixed."""
        if len({zone for _, zone, _ in self._zones}) > 1:
            for row, zone, written in self._faults.until_full(self._zones):
                if zone:
                    self._faults.add(_ZONE_RULE, written, row, "time")

    def _unknown_entry(self, row: int, written: str) -> None:
        rule = f"unknown entry; {nearest_hint(written, ENTRY_NAMES)}"
        self._faults.add(rule, written or "a blank", row, "entry")

    def _time(self, row: int, text: str) -> tuple[datetime, bool]:
        """Local time and whether a time of day was written; a bare date means noon."""
        match = _TIME.fullmatch(text)
        if match is None:
            self._faults.add(_TIME_RULE, text or "a blank", row, "time")
            return datetime.min, True
        has_clock = match["hour"] is not None
        try:
            time = _time_of(match)
        except ValueError as error:
            self._faults.add(f"there is no such time ({error}); {_TIME_RULE}", text, row, "time")
            return datetime.min, True
        if has_clock:
            self._zones.append((row, _zone_of(match), text))
        self._check_span(row, time, text)
        return time, has_clock

    def _check_span(self, row: int, time: datetime, text: str) -> None:
        if time < EARLIEST:
            rule = f"must not be before {EARLIEST:%Y-%m-%d}; check the year"
            self._faults.add(rule, text, row, "time")
        elif time > self._latest:
            rule = f"lies in the future (this clock allows {self._latest:%Y-%m-%d %H:%M} at most)"
            self._faults.add(f"{rule}; check the date", text, row, "time")

    def _value(self, row: int, column: str, kind: str, text: str) -> float | None:
        action = ACTIONS.get(kind)
        if not text:
            if action is None or action.value_needed:
                self._faults.add(f"{kind} needs a value", "a blank", row, column)
            return None
        if action is not None and not action.units:
            rule = f"{kind} has no value; leave it blank and use the note"
            self._faults.add(rule, text, row, column)
            return None
        value = self._numbers.read(text)
        if isinstance(value, str):
            self._faults.add(value, text, row, column)
            return math.nan
        if value < 0 and kind != "temperature":
            self._faults.add(f"{kind} may not be negative", text, row, column)
            return math.nan
        return value

    def _unit(self, row: int, kind: str, text: str) -> str:
        accepted = tuple(ACTIONS[kind].units if kind in ACTIONS else PARAMETERS[kind].units)
        unit = match_unit(text, accepted) if text else ""
        if unit is None:
            rule = (
                f"unknown unit for {kind}; {nearest_hint(text, accepted)}"
                if accepted
                else f"{kind} has no unit; leave it blank"
            )
            self._faults.add(rule, text, row, "unit")
        return unit or ""

    def _note(self, row: int, text: str) -> str:
        """The note as written; one that is very long or holds further rows is a fault."""
        if len(text) > LONGEST_NOTE:
            rule = f"a note may hold at most {LONGEST_NOTE} characters; shorten it"
            self._faults.add(rule, f"{len(text)} characters", row, "note")
        swallowed = re.search(r"\n(?:.*[,;\t])?\d{4}-\d{2}-\d{2}", text)
        if swallowed:
            self._faults.add(
                "a quotation mark opened in this note is closed only in a later row, which would "
                "be lost; close or remove it",
                found=text,
                row=row,
                column="note",
            )
        return text
