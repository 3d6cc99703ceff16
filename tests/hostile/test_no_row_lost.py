"""Good logs with a few slips of the hand: no row vanishes, and none changes unseen.

Where a log is read after all, each line of it that was left as it was must be there with its own
time and value, and each that was changed must be a row, a line of a note, or blank.
"""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from estimator.errors import InputError
from estimator.inputs.read import read_log, read_tank
from estimator.inputs.records import Action, Reading, TankLog
from helpers.catalogue import TANK

EXAMPLES, MORE_EXAMPLES = 500, 20_000
NOW = datetime(2026, 6, 1)
HALL, _ = read_tank(Path("tank.toml"), data=TANK.encode())

LONG = """\
time,entry,of,value,unit,kit,note
2026-03-01 08:00,alkalinity,,8.41,,,
2026-03-02 09:30,alkalinity,tank,8.32,dKH,drops,"calm, bright"
2026-03-02 09:40,calcium,,421,mg/L,,
2026-03-03,dose,soda,21,mL,,by hand
2026-03-03 10:00,KH,effluent,27.3,,,"two lines,
of a note"
2026-03-04 6:30 pm,water_change,new,60,L,,"say ""new"" twice"
2026-03-05,stock_change,,,,,
2026-03-06 12:00,flow,,600,mL/h,,
2026-03-07 08:00,alkalinity,,8.14,dKH,,x
"""
NOTE_FIRST = """\
note,date,entry,value
calm,25/03/2026,alk,8.4
"quoted, once",26/03/2026 7:15 am,alk,8.3
,4/4/2026,dose,12
"more
lines",5/4/2026,SG,1.0262
windy,6/4/2026 18:00,alk,8.1
,27/4/2026,alk,8.05
"""
WIDE = """\
date;alkalinity [dKH];calcium;dose:soda [mL];note
2026-03-01;8,4;420;;
2026-03-02 10:00;;;20,5;"wind; rain"
2026-03-03;;;;nothing tested
2026-03-04 10:30;8,2;;21;
2026-03-05;8,15;415;;"a
b"
2026-03-06;;430,5;;
2026-03-07;8,05;;;
"""
UNTIL = """\
time\tentry\tvalue\tuntil
2026-03-01\talkalinity\t8.4\t
2026-03-02 21:00\tdose\t12.5\t2026-03-06
2026-03-04\talkalinity\t8.35\t
2026-03-07 21:00\tdose\t13.5\t2026-03-09
2026-03-10\talkalinity\t8.3\t
"""
LOGS = (LONG, NOTE_FIRST, WIDE, UNTIL)

PIECES = st.sampled_from(
    [
        *'""""",;\t\n \\-/.:[]0123456789',
        *('""', '"\n', '\n"', ',"', '",', ";;", ",,", "\r", "\xa0", "\u200b"),
        *("alk", "dose", "flow", "note", "8.2", "2026-03-04", "4/5/2026", "am", "é"),
    ]
)


CELLS = st.sampled_from(
    [
        "",
        "8.2",
        "8,2",
        "420",
        "2026-03-04",
        "4/4/2026",
        "tank",
        "dKH",
        "dose",
        "x",
        '"a\nb"',
        '"8"4',
    ]
)


def with_quotes(draw: st.DrawFn, text: str) -> str:
    """A quotation mark at the edge of one cell and of another, as often they come in pairs."""
    edges = [0, *(i + side for i, mark in enumerate(text) if mark in ",;\t\n" for side in (0, 1))]
    for _ in range(draw(st.sampled_from([1, 2, 2, 2]))):
        place = draw(st.sampled_from(edges))
        text = text[:place] + '"' + text[place:]
    return text


def with_a_line_moved(draw: st.DrawFn, text: str) -> str:
    """A line dropped, moved or doubled."""
    lines = text.splitlines(keepends=True) or [""]
    moved = lines.pop(draw(st.integers(0, len(lines) - 1)))
    for _ in range(draw(st.integers(0, 2))):
        lines.insert(draw(st.integers(0, len(lines))), moved)
    return "".join(lines)


def with_another_cell(draw: st.DrawFn, text: str) -> str:
    """A cell overwritten, or one more at the end of a line."""
    cells = re.split(r"([,;\t\n])", text)
    place = 2 * draw(st.integers(0, len(cells) // 2))
    more = cells[place] + draw(st.sampled_from(",;\t")) if draw(st.booleans()) else ""
    cells[place] = more + draw(CELLS)
    return "".join(cells)


def with_a_piece(draw: st.DrawFn, text: str) -> str:
    """Some characters typed, deleted or overwritten."""
    place = draw(st.integers(0, len(text)))
    gone = draw(st.sampled_from([0, 0, 1, 1, 5, 30]))
    return text[:place] + draw(st.just("") | PIECES) + text[place + gone :]


@st.composite
def slips(draw: st.DrawFn) -> tuple[str, str]:
    """(a good log, the same after up to three slips below its header)."""
    log = draw(st.sampled_from(LOGS))
    header, text = log.split("\n", 1)
    for _ in range(draw(st.sampled_from([1, 1, 1, 1, 2, 3]))):
        kinds = (with_quotes, with_quotes, with_a_line_moved, with_another_cell, with_a_piece)
        text = draw(st.sampled_from(kinds))(draw, text)
    return log, f"{header}\n{text}"


def read(text: str) -> TankLog | None:
    """The log, None where it is refused."""
    try:
        return read_log(Path("log.csv"), HALL, now=NOW, data=text.encode())[0]
    except InputError:
        return None


def by_row(log: TankLog) -> dict[int, list[Reading | Action]]:
    """The records of each row; rows without any that are listed have none."""
    rows: dict[int, list[Reading | Action]] = {row: [] for row in log.rows_without_entry}
    for record in (*log.readings, *log.actions):
        rows.setdefault(record.row, []).append(record)
    return rows


def content(record: Reading | Action) -> tuple[object, ...]:
    """What a row says."""
    kind = record.kind if isinstance(record, Action) else record.parameter
    return record.time, kind, record.of, record.value, record.note


def whole_rows(log: str) -> dict[str, set[tuple[object, ...]]]:
    """What each line of a good log says, for lines that are whole rows."""
    made = read(log)
    assert made is not None
    rows, lines = by_row(made), log.split("\n")
    return {
        lines[row - 1]: {content(record) for record in records}
        for row, records in rows.items()
        if lines[row - 1].count('"') % 2 == 0
    }


KNOWN = {log: whole_rows(log) for log in LOGS}


def check(log: str, text: str) -> None:
    """Every line of the changed text is accounted for, where it is read at all."""
    read_after = read(text)
    if read_after is None:
        return
    rows = by_row(read_after)
    notes = [record.note for records in rows.values() for record in records]
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for number, line in list(enumerate(lines, start=1))[1:]:
        if line in KNOWN[log]:
            assert number in rows, f"line {number} is lost: {line!r}"
            assert {content(record) for record in rows[number]} == KNOWN[log][line]
        elif number not in rows and line.strip(' ",;\t\xa0'):
            rest = line.split('"')[0].strip()
            assert any(rest in note for note in notes), f"line {number} is lost: {line!r}"


@pytest.mark.parametrize("log", LOGS)
def test_a_good_log_is_read_whole(log: str) -> None:
    """The four logs are good, and each line is found where it stands."""
    assert len(KNOWN[log]) >= 5
    check(log, log)


@given(slips())
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)
def test_no_row_is_lost(changed: tuple[str, str]) -> None:
    """A slip of the hand is refused, or leaves every other row as it was."""
    check(*changed)


@pytest.mark.slow
@given(slips())
@settings(max_examples=MORE_EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
def test_no_row_is_lost_in_many_more_logs(changed: tuple[str, str]) -> None:
    """The same, over other slips each time: one in four is read, and so checked line by line."""
    check(*changed)
