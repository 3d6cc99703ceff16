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
    """A note that spans lines counts as one row, in what is told of the new row as well."""
    former = b'time,entry,value,note\n2026-05-01,alkalinity,8.4,"two\nlines"\n\n'
    longer = with_row(PATH, former, CELLS, TANK, NOW)
    assert longer.number == longer.record.row == 4
    with pytest.raises(InputError) as caught:
        with_row(PATH, former, {**CELLS, "value": "x"}, TANK, NOW)
    assert [(fault.file, fault.row, fault.column) for fault in caught.value.faults] == [
        (NEW_ROW, None, "value")
    ]
