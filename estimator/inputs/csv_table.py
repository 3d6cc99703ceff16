"""Cuts a CSV file into a header and numbered rows; what a cell means is not known here."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

from estimator.inputs.text import FaultList

LIMIT_ROWS = 100_000
"""One row an hour for eleven years; more is refused at once rather than after a long wait."""
LIMIT_COLUMNS = 100
LIMIT_CELLS = 2_000_000

_SEPARATORS = ",;\t"
_END = "\0"
"""Stands in a line of its own after the last, unless an open quotation mark swallows it."""
# A row may overrun the header by this many fields and still be listed by its own number.
_SPARE_FIELDS = 8


@dataclass(frozen=True)
class CsvTable:
    """The cells of a file, all stripped of outer blanks; blank rows are left out."""

    header_row: int
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    separator: str


def read_csv_table(text: str, faults: FaultList) -> CsvTable:
    """The cells of a file.

    Raises:
        InputError: it is empty, too large, or cannot be cut into cells.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    blank = text[: len(text) - len(text.lstrip())]
    blank_lines, body = blank.count("\n"), text[blank.rfind("\n") + 1 :]
    if not body.strip():
        faults.refuse("the file is empty; it needs a header row and one row for each log entry")
    first_line = body.split("\n", 1)[0]
    separator = max(_SEPARATORS, key=first_line.count)
    if first_line.count('"') % 2:
        faults.refuse("a quotation mark in the header is never closed", row=blank_lines + 1)
    fields = first_line.count(separator) + 1
    _check_size(body.count("\n"), fields, faults)
    (header_row, header), *rows = _rows(body, separator, fields, blank_lines, faults)
    return CsvTable(
        header_row=header_row,
        header=tuple(" ".join(name.split()) for name in header[:fields]),
        rows=tuple((number, row) for number, row in rows if any(row)),
        separator=separator,
    )


def _check_size(lines: int, fields: int, faults: FaultList) -> None:
    found = f"{lines} rows"
    if lines > LIMIT_ROWS:
        faults.add(
            f"a log may hold at most {LIMIT_ROWS} rows; thin out probe readings or split it", found
        )
    if fields > LIMIT_COLUMNS:
        faults.add(
            f"a log may have at most {LIMIT_COLUMNS} columns; check that it is the right file",
            f"{fields} columns",
        )
    if lines * fields > LIMIT_CELLS:
        faults.add(
            f"a log may hold at most {LIMIT_CELLS} cells; delete columns that stay blank",
            f"{found} of {fields} columns",
        )
    faults.raise_if_any()


def _rows(
    body: str, separator: str, fields: int, offset: int, faults: FaultList
) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Numbered rows, blank ones included so that numbers hold, each of at least `fields` cells."""
    csv.field_size_limit(max(len(body) + 1, csv.field_size_limit()))
    lines = io.StringIO(body.rstrip("\n") + "\n" + _END)
    records = list(csv.reader(lines, delimiter=separator))
    for number, record in enumerate(records, start=offset + 1):
        if record == [_END]:
            return
        if number == offset + len(records):
            rule = "a quotation mark opened in this row is never closed; close or remove it"
            faults.refuse(rule, row=number)
        if len(record) > fields + _SPARE_FIELDS:
            rule = (
                "the row has more fields than the header; put quotation marks around a note that "
                "holds the separator"
            )
            faults.refuse(rule, f"{len(record)} fields", number)
        record += [""] * (fields - len(record))
        yield number, tuple(cell.strip() for cell in record)
