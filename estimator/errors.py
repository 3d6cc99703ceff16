"""Every error that the program raises on purpose.

    UptakeError
    ├── InputError        the log or the tank file breaks a rule; carries every fault found
    ├── OutputError       a file could not be written
    ├── ClusterError      other machines cannot do the work
    └── FitError          the model could not be sampled at all

Each message states the rule, the value found, where it stands and the remedy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

MOST_FAULTS_SHOWN = 20
MOST_RANGES_SHOWN = 12


@dataclass(frozen=True)
class Fault:
    """One broken rule in an input file.

    Attributes:
        file: name of the file as the keeper gave it.
        rule: what is accepted, and so the remedy.
        found: what stands there, as text.
        row: line number in the file (the header is row 1), or None for the whole file.
        more_rows: further rows that break the same rule in the same column.
        column: name of the column or TOML key, or "" for the whole row.
    """

    file: str
    rule: str
    found: str = ""
    row: int | None = None
    column: str = ""
    more_rows: tuple[int, ...] = ()

    def __str__(self) -> str:
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column:
            where += f", {self.column}"
        found = f" found {self.found!r};" if self.found else ""
        rows = [] if self.row is None else [self.row, *self.more_rows]
        all_told = f"; so in {len(rows)} rows: {row_ranges(rows)}" if len(rows) > 1 else ""
        return f"{where}:{found} {self.rule}{all_told}"


def row_ranges(rows: Sequence[int]) -> str:
    """`4 to 9, 11` of rows in rising order; of very many only the first."""
    ranges: list[list[int]] = []
    for row in rows:
        if ranges and row == ranges[-1][1] + 1:
            ranges[-1][1] = row
        else:
            ranges.append([row, row])
    shown = [f"{a}" if a == b else f"{a} to {b}" for a, b in ranges[:MOST_RANGES_SHOWN]]
    return ", ".join(shown) + (" and so on" if len(ranges) > MOST_RANGES_SHOWN else "")


class UptakeError(Exception):
    """Base of all errors raised on purpose."""

    def lines(self, most: int = MOST_FAULTS_SHOWN) -> list[str]:
        """What to tell the keeper; of faults at most `most`, and how many more there are."""
        return [str(self)]


class InputError(UptakeError):
    """The input breaks rules; `faults` lists them all, in file order."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def lines(self, most: int = MOST_FAULTS_SHOWN) -> list[str]:
        shown = [str(fault) for fault in self.faults[:most]]
        more = len(self.faults) - len(shown)
        return [*shown, f"… and {more} more; mend these first"] if more else shown


class OutputError(UptakeError):
    """A result could not be written; nothing that stood there before was changed."""


class ClusterError(UptakeError):
    """The cluster that was named cannot be used; says why and what to do."""


class FitError(UptakeError):
    """The model could not be sampled; says at which stage and what to do."""
