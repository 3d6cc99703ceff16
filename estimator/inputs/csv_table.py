"""Cuts a CSV file into a header and numbered rows; what a cell means is not known here."""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass
from typing import NoReturn

from estimator.inputs.text import FaultList

LIMIT_ROWS = 100_000
"""One row an hour for eleven years; more is refused at once rather than after a long wait."""
LIMIT_COLUMNS = 100
LIMIT_CELLS = 2_000_000

_SEPARATORS = ",;\t"
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
    cells = _cut(body, separator, fields + _SPARE_FIELDS, blank_lines, faults)
    (header_row, header), *rows = (
        (number, tuple(cell.strip() for cell in row))
        for number, row in enumerate(cells, start=blank_lines + 1)
    )
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


def _cut(body: str, separator: str, fields: int, offset: int, faults: FaultList) -> list[list[str]]:
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
        _refuse(str(error), offset, faults)
    return frame.to_numpy(dtype=object).tolist()


def _refuse(message: str, offset: int, faults: FaultList) -> NoReturn:
    """A fault in our words for the three ways in which a CSV cannot be cut into cells."""
    if match := re.search(r"EOF inside string starting at row (\d+)", message):
        rule = "a quotation mark opened in this row is never closed; close or remove it"
        faults.refuse(rule, row=offset + int(match[1]) + 1)
    if match := re.search(r"in line (\d+), saw (\d+)", message):
        rule = (
            "the row has more fields than the header; put quotation marks around a note that "
            "holds the separator"
        )
        faults.refuse(rule, f"{match[2]} fields", offset + int(match[1]))
    faults.refuse("cannot be cut into rows and columns; save it again as CSV", message)
