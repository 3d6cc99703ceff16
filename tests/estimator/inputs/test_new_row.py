"""A row that is added is read back as what was stated, whatever stands in its note."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from estimator.errors import InputError
from estimator.inputs.new_row import NEW_ROW, with_row
from estimator.inputs.read import read_tank
from estimator.inputs.text import printable

PATH = Path("log.csv")
NOW = datetime(2026, 6, 1)
TANK, _ = read_tank(
    Path("tank.toml"),
    data=b'[tank]\nwater_volume_l = 620\n[targets.alkalinity]\nlow = 7\nhigh = 9\nunit = "dKH"\n',
)
CELLS = {"time": "2026-05-02 18:00", "entry": "alkalinity", "value": "8.1"}


@given(
    note=st.text(st.characters(exclude_categories=["Cs"]), max_size=200),
    separator=st.sampled_from(",;\t"),
    ending=st.sampled_from(["\n", "\r\n"]),
)
def test_any_note_survives(note, separator, ending):
    """Another reader of RFC 4180 finds the note on its one line, and the former bytes stand."""
    header = separator.join(["time", "entry", "value", "note", "unit"])
    former = (header + ending + separator.join(["2026-05-01", "alkalinity", "8.4"])).encode()
    longer = with_row(PATH, former, {**CELLS, "note": note}, TANK, NOW)
    assert longer.data.startswith(former + ending.encode())
    assert longer.data.endswith(ending.encode())
    text = longer.data.decode()
    cells = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))[-1]
    expected = " ".join(printable(note).split())
    assert cells == ["2026-05-02 18:00", "alkalinity", "8.1", expected, "dKH"]
    assert longer.record.note == expected
    assert longer.record.time == datetime(2026, 5, 2, 18)
    assert longer.number == 3


def test_rows_are_counted_as_the_reader_counts_them():
    """By lines of the file, those within a note and blank ones as well, as a text editor does."""
    former = b'time,entry,value,note\n2026-05-01,alkalinity,8.4,"two\nlines"\n\n'
    longer = with_row(PATH, former, CELLS, TANK, NOW)
    assert longer.number == longer.record.row == 5
    with pytest.raises(InputError) as caught:
        with_row(PATH, former, {**CELLS, "value": "x"}, TANK, NOW)
    assert [(fault.file, fault.row, fault.column) for fault in caught.value.faults] == [
        (NEW_ROW, None, "value")
    ]


@pytest.mark.parametrize("head", ["time [day first]", "date [dd/mm/yyyy]", "Date"])
def test_a_header_that_says_more_than_its_name_is_known(head):
    """The time stands below it and is read in the order that it states; other columns as ever."""
    former = f"kit,{head},Entry,VALUE\n,25/04/2026,alkalinity,8.4\n".encode()
    for time in ("2026-05-02 18:00", "2/5/2026 6 pm" if "[" in head else "26/4/2026"):
        longer = with_row(PATH, former, {**CELLS, "time": time}, TANK, NOW)
        assert longer.row == f",{time},alkalinity,8.1"
        expected = datetime(2026, 4, 26, 12) if time == "26/4/2026" else datetime(2026, 5, 2, 18)
        assert longer.record.time == expected


def test_a_log_of_the_wide_form_takes_no_row():
    """However its columns are named; the header is quoted as it stands."""
    header = "time [day first],alkalinity:effluent [dKH],kit:alkalinity"
    with pytest.raises(InputError) as caught:
        with_row(PATH, f"{header}\n2026-05-01,26,\n".encode(), CELLS, TANK, NOW)
    (fault,) = caught.value.faults
    assert (fault.row, "long form only" in fault.rule) == (1, True)
    assert fault.found == header


def test_a_unit_that_the_entry_states_itself_is_kept():
    """dKH and SG are words for an entry and its unit in one."""
    former = b"time,entry,value,unit\n2026-05-01,alkalinity,8.4,dKH\n"
    for entry, value, canonical in (("dKH", "8.1", 2.8889), ("SG", "1.0264", 35)):
        longer = with_row(PATH, former, {**CELLS, "entry": entry, "value": value}, TANK, NOW)
        assert longer.row == f"2026-05-02 18:00,{entry},{value},{entry}"
        assert longer.record.value == pytest.approx(canonical, rel=1e-2)


def test_a_dose_until_a_day_is_one_row():
    """What is told of the row is its first dose, in a log that has the column."""
    tank, _ = read_tank(
        Path("tank.toml"),
        data=b"[tank]\nwater_volume_l = 620\n[solutions.soda]\nalkalinity_meq_per_ml = 1.9\n"
        b'[targets.alkalinity]\nlow = 7\nhigh = 9\nunit = "dKH"\n',
    )
    former = b"time,entry,of,value,until\n2026-05-01,alkalinity,,8.4,\n"
    cells = {"time": "2026-05-02 18:00", "entry": "dose", "value": "20", "until": "2026-05-06"}
    longer = with_row(PATH, former, cells, tank, NOW)
    assert longer.row == "2026-05-02 18:00,dose,soda,20,2026-05-06"
    assert longer.record.time == datetime(2026, 5, 2, 18)
