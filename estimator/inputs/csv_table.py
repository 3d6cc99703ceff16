"""Cuts a CSV file into a header and numbered rows; what a cell means is not known here."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from estimator.inputs.text import FaultList

LIMIT_ROWS = 100_000
"""One row an hour for eleven years; more is refused at once rather than after a long wait."""
LIMIT_COLUMNS = 100
LIMIT_CELLS = 2_000_000

_SEPARATORS = ",;\t"
# A row may overrun the header by this many fields and still be listed by its own number.
_SPARE_FIELDS = 8
MORE_FIELDS = (
    "the row has more fields than the header; put quotation marks around a note or number that "
    "holds the separator"
)


@dataclass(frozen=True)
class CsvTable:
    """The cells of a file; blank rows are left out.

    Cells are stripped of outer blanks, but for those that hold line breaks. A row is numbered by
    the line on which it begins, as a text editor counts.
    """

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
    header: tuple[str, ...] = ()
    rows: list[tuple[int, tuple[str, ...]]] = []
    for line, cells in _records(body, separator, blank_lines + 1, faults):
        if line == blank_lines + 1:
            header = tuple(" ".join(name.split()) for name in cells[:fields])
        elif len(cells) > fields + _SPARE_FIELDS:
            faults.add(MORE_FIELDS, f"{len(cells)} fields", line)
        elif any(cell.strip() for cell in cells):
            rows.append((line, tuple(cells) + ("",) * (fields - len(cells))))
    return CsvTable(blank_lines + 1, header, tuple(rows), separator)


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


def _records(
    body: str, separator: str, first_line: int, faults: FaultList
) -> Iterator[tuple[int, list[str]]]:
    """(line on which it begins, cells) of each record, blank ones included (RFC 4180).

    A quotation mark quotes only at the beginning of a cell, and the cell ends with the next that
    stands alone. Anything else would join cells or rows that were not meant to be joined.
    """
    cell = re.compile(
        rf'(?:"([^"]*(?:""[^"]*)*)("?)([^{separator}\n]*)|([^{separator}\n]*))([{separator}\n]|\Z)'
    )
    line = begun = first_line
    cells: list[str] = []
    for found in faults.until_full(cell.finditer(body)):
        quoted, closing, after, plain, end = found.groups()
        if quoted is None:
            cells.append(plain.strip())
        else:
            if not closing:
                rule = "a quotation mark opened in this row is never closed; close or remove it"
                faults.refuse(rule, row=line)
            if after.strip():
                rule = (
                    "something stands after a closing quotation mark; put quotation marks around "
                    "the whole cell or around none of it"
                )
                faults.add(rule, found[0].rstrip(separator + "\n"), line)
            line += quoted.count("\n")
            whole = quoted.replace('""', '"') + after
            cells.append(whole if "\n" in whole else whole.strip())
        if end != separator:
            yield begun, cells
            line += 1
            begun, cells = line, []
