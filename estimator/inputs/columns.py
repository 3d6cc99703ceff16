"""The header of a log: which column holds what, in long and in wide form."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from estimator.inputs.actions import ACTIONS
from estimator.inputs.csv_table import CsvTable
from estimator.inputs.moment import date_order_named
from estimator.inputs.parameters import ENTRY_WORDS, PARAMETERS
from estimator.inputs.text import FaultList, match_name, match_unit, nearest_hint, unknown_unit

LONG_COLUMNS = ("time", "entry", "of", "value", "unit", "kit", "note", "until")
REQUIRED_COLUMNS = ("time", "entry", "value")
TIME_NAMES = ("time", "date")
_WIDE_COLUMNS = ("time", "kit", "note")

ENTRY_UNITS: Mapping[str, tuple[str, ...]] = {
    **{name: tuple(parameter.units) for name, parameter in PARAMETERS.items()},
    **{name: tuple(action.units) for name, action in ACTIONS.items()},
}
"""Every entry that a log may have, with the units that it accepts."""
_WIDE_ENTRIES = tuple(name for name, accepted in ENTRY_UNITS.items() if accepted)

_HEADER = re.compile(r"([^\[\]:]*?)\s*(?::\s*([^\[\]]*?)\s*)?(?:\[([^\[\]]*)\])?")


@dataclass(frozen=True)
class ValueColumn:
    """A column of the wide form: the entry that each of its filled cells is.

    Attributes:
        index: where it stands.
        written: its header as written.
        kind: a key of `ENTRY_UNITS`.
        of: what was sampled or dosed, as written, "" where the header names nothing.
        unit: an accepted unit, or "".
    """

    index: int
    written: str
    kind: str
    of: str
    unit: str


@dataclass(frozen=True)
class Columns:
    """The header.

    Attributes:
        places: index of each column that holds no value of the wide form, by its own name ("time"
            for "date"); "kit:KIND" is the column of kits of one parameter.
        values: of the wide form; empty in the long one.
        date_order: what the header says of dates, "" where nothing.
    """

    places: Mapping[str, int]
    values: tuple[ValueColumn, ...]
    date_order: str

    @property
    def of_numbers(self) -> Sequence[int]:
        """Indices of the columns that hold numbers."""
        return [column.index for column in self.values] or [self.places["value"]]


def entry_named(written: str) -> tuple[str, str] | None:
    """(kind, the unit that the word itself states or "") of an entry; None where it is unknown.

    `water change` is read as `water_change`, since reports print it so.
    """
    kind = match_name("_".join(written.split()), ENTRY_UNITS)
    if kind is not None:
        return kind, ""
    word = match_name(written, ENTRY_WORDS)
    return None if word is None else ENTRY_WORDS[word]


def read_header(table: CsvTable, faults: FaultList) -> Columns:
    """The columns of a log.

    Raises:
        InputError: a column that every log needs is missing.
    """
    found = [(*_parts(written), written) for written in table.header]
    is_wide = not {name for name, *_ in found} & {"entry", "value"}
    places: dict[str, int] = {}
    values: dict[str, ValueColumn] = {}
    date_order = ""
    for index, (name, of, in_brackets, written) in enumerate(found):
        if not name and not of:
            continue
        try:
            if is_wide and name not in _WIDE_COLUMNS:
                column = _value_column(index, written, name, of, in_brackets)
                _put(values, f"{column.kind}:{column.of.casefold()}", column)
                continue
            _put(places, _place(name, of, is_wide), index)
            if in_brackets is not None:
                date_order = _date_order(name, in_brackets)
        except ValueError as error:
            faults.add(str(error), written, table.header_row)
    columns = Columns(places, tuple(values.values()), date_order)
    _check_complete(columns, is_wide, table, faults)
    return columns


def _parts(written: str) -> tuple[str, str, str | None]:
    """(own name, what stands behind a colon, what in brackets or None) of one column."""
    match = _HEADER.fullmatch(written)
    name, of, in_brackets = match.groups() if match else (written, None, None)
    known = match_name(name, {*LONG_COLUMNS, *TIME_NAMES}) or name
    return ("time" if known in TIME_NAMES else known), of or "", in_brackets


def _put(columns: dict[str, int] | dict[str, ValueColumn], key: str, column: object) -> None:
    if key in columns:
        raise ValueError("the same column stands twice; keep one")
    columns[key] = column  # type: ignore[assignment]


def _place(name: str, of: str, is_wide: bool) -> str:
    """The key of a column that holds no value of the wide form."""
    if name not in (_WIDE_COLUMNS if is_wide else LONG_COLUMNS):
        hint = nearest_hint(name, LONG_COLUMNS)
        raise ValueError(f"unknown column (a unit goes in square brackets); {hint}")
    if not of:
        return name
    entry = entry_named(of)
    if not is_wide or name != "kit" or entry is None or entry[0] not in PARAMETERS:
        raise ValueError("only an entry of the wide form, or kit, may have a name behind a colon")
    return f"kit:{entry[0]}"


def _value_column(
    index: int, written: str, name: str, of: str, in_brackets: str | None
) -> ValueColumn:
    entry = entry_named(name)
    if entry is None or entry[0] not in _WIDE_ENTRIES:
        hint = nearest_hint(name, (*TIME_NAMES, *_WIDE_ENTRIES, *_WIDE_COLUMNS[1:]))
        raise ValueError(f"unknown column (a unit goes in square brackets); {hint}")
    kind, unit = entry
    if in_brackets is not None:
        stated = match_unit(in_brackets, ENTRY_UNITS[kind])
        if stated is None:
            raise ValueError(unknown_unit(in_brackets, kind, ENTRY_UNITS[kind]))
        if unit not in ("", stated):
            raise ValueError(f"{name} is in {unit}; write {kind} [{stated}] for another unit")
        unit = stated
    return ValueColumn(index, written, kind, of, unit)


def _date_order(name: str, in_brackets: str) -> str:
    if name != "time":
        raise ValueError(f"{name} has no unit")
    order = date_order_named(in_brackets)
    if order is None:
        raise ValueError("in brackets only day first or month first may stand here")
    return order


def _check_complete(columns: Columns, is_wide: bool, table: CsvTable, faults: FaultList) -> None:
    if is_wide and "time" in columns.places and columns.values:
        tested = {column.kind for column in columns.values} & PARAMETERS.keys()
        if "kit" in columns.places and len(tested) > 1:
            rule = f"say which test the kit is for, as kit:{min(tested)}"
            faults.add(rule, "kit", table.header_row)
        return
    missing = [name for name in REQUIRED_COLUMNS if name not in columns.places]
    if missing:
        wide = f"; or a time column and any of {', '.join(PARAMETERS)}" if is_wide else ""
        faults.refuse(
            f"the header lacks {', '.join(missing)}; the first row must name the columns "
            f"{', '.join(REQUIRED_COLUMNS)}{wide}",
            table.separator.join(table.header),
            table.header_row,
        )
