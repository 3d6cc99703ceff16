"""The log as records: what was read and what was done, in canonical units, in time order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime


@dataclass(frozen=True)
class Reading:
    """One test result.

    Attributes:
        row: line number in the log file; the header is row 1.
        time: the tank's local clock.
        parameter: a key of `PARAMETERS`.
        sample: "tank", "effluent", "chamber", "water" or "reference".
        of: name of the water or reference solution, "" for the others.
        value: canonical unit of the parameter.
        unit: the unit the keeper wrote or implied.
        kit: name of a kit in `Tank.kits` (declared or assumed), "" for a probe reading.
        note: the keeper's note, as written.
        flags: why the reading is odd, in plain words; empty for an ordinary one.
        averaged: how many readings it is the mean of.
    """

    row: int
    time: datetime
    parameter: str
    sample: str
    of: str
    value: float
    unit: str
    kit: str
    note: str = ""
    flags: tuple[str, ...] = ()
    averaged: int = 1


@dataclass(frozen=True)
class Action:
    """One thing done to the tank.

    Attributes:
        row: line number in the log file.
        time: the tank's local clock.
        kind: a key of `ACTIONS`.
        of: the solution, water or kit; "" where the kind needs none.
        value: in the canonical unit of its kind; None where there is none.
        note: the keeper's note, as written.
        flags: why the entry is odd, in plain words.
    """

    row: int
    time: datetime
    kind: str
    of: str
    value: float | None
    note: str = ""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class TankLog:
    """All records of one log, each tuple in time order (ties in file order).

    `rows` counts data rows of the file, `rows_without_time` those with a bare date (taken as
    noon). `sha256` is the file's. `end` is the time of the last entry of any kind.
    `rows_without_entry` are rows that hold no more than a time or a note. `date_order` is how dates
    were read that do not begin with the year, one of `moment.DATE_ORDERS`, "" where there are none.
    """

    name: str
    sha256: str
    rows: int
    rows_without_time: int
    readings: tuple[Reading, ...]
    actions: tuple[Action, ...]
    start: datetime
    end: datetime
    rows_without_entry: tuple[int, ...] = ()
    date_order: str = ""

    @property
    def flagged(self) -> list[list[Reading | Action]]:
        """Records with a flag in the order of time, those together that say the same.

        They repeat one another, or one row writes them for many days.
        """
        records: Iterable[Reading | Action] = (*self.readings, *self.actions)
        groups: list[list[Reading | Action]] = []
        of: dict[Reading | Action, list[Reading | Action]] = {}
        for record in sorted(records, key=lambda record: (record.time, record.row)):
            repeat, same_row = replace(record, row=0, note=""), replace(record, time=datetime.min)
            if not record.flags:
                continue
            group = of.get(repeat) or of.get(same_row)
            if group is None:
                groups.append(group := [])
            group.append(record)
            of[repeat] = of[same_row] = group
        return groups
