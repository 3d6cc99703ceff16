"""Properties that hold for any input file, whatever is in it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from random import Random
from typing import TypeVar

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from estimator.errors import InputError
from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.read import read_log, read_tank
from estimator.inputs.records import Action, Reading, TankLog

Result = TypeVar("Result")

NOW = datetime(2025, 6, 1)
TANK_TEXT = """\
[tank]
water_volume_l = 620
[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dKH"
[solutions.soda]
alkalinity_meq_per_ml = 1.9
[water.new]
[reactor]
flow_max_ml_h = 3000
"""
TANK, _ = read_tank(Path("tank.toml"), data=TANK_TEXT.encode())

quick = settings(
    max_examples=100, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)

HEADERS = ["time,entry,of,value,unit,kit,note", "time;alkalinity [dKH];calcium;note", "date\tph"]
CELLS = [
    *("", "2025-03-01", "2025-03-01 10:00", "2025-03-01T10:00Z", "3/4/25", "9999-99-99"),
    *("alkalinity", "pH", "flow", "dose", "new_bottle", "stock_change", "media_change", "tank"),
    *("8.1", "8,1", "1,234", "-1", "nan", "1e999", "dKH", "mg/L", "soda", "new", '"', "\n", "\r"),
]
rough_logs = st.builds(
    lambda header, rows, separator: header + "\n" + "\n".join(separator.join(row) for row in rows),
    st.sampled_from(HEADERS),
    st.lists(st.lists(st.sampled_from(CELLS) | st.text(max_size=5), max_size=9), max_size=6),
    st.sampled_from([",", ";", "\t"]),
)
toml_lines = [
    *TANK_TEXT.splitlines(),
    *("[kits.a]", 'parameter = "calcium"', 'unit = "F"', "step = 1", "step = inf", "low = 0"),
    *(
        "[reference.a]",
        "calcium = 1e308",
        "x = [[1]]",
        "alkalinity_unit = 1",
        "[[tank]]",
        "a.b = 1",
    ),
]
rough_tanks = st.binary(max_size=200) | st.lists(st.sampled_from(toml_lines)).map(
    lambda lines: (TANK_TEXT + "\n".join(lines)).encode()
)


def attempt(call: Callable[[], Result]) -> Result | InputError:
    """What `call` returns, or the refusal that it raises; any other exception passes through."""
    try:
        return call()
    except InputError as error:
        return error


def read(data: bytes) -> TankLog | InputError:
    """The log, or the refusal."""
    return attempt(lambda: read_log(Path("log.csv"), TANK, now=NOW, data=data)[0])


def check_refusal(refusal: InputError) -> None:
    """A refusal says something, on lines that a screen can show."""
    assert refusal.faults
    assert all(str(fault).isprintable() for fault in refusal.faults)


def check_log(log: TankLog | InputError) -> None:
    """A log that is read has records in time order; one that is refused has faults."""
    if isinstance(log, InputError):
        check_refusal(log)
        return
    times = [reading.time for reading in log.readings]
    assert len(times) >= 2
    assert times == sorted(times)


@quick
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    """Nothing but `InputError` ever comes out of a bad log."""
    check_log(read(data))


@quick
@given(st.text(max_size=300) | rough_logs)
def test_any_text_is_read_or_refused(text: str) -> None:
    """Broken quotes, odd separators and strange characters end in faults, not tracebacks."""
    check_log(read(text.encode("utf-8", "replace")))


@quick
@given(rough_tanks)
def test_any_tank_is_read_or_refused(data: bytes) -> None:
    """Nothing but `InputError` ever comes out of a bad tank file."""
    tank = attempt(lambda: read_tank(Path("tank.toml"), data=data)[0])
    if isinstance(tank, InputError):
        check_refusal(tank)
    else:
        assert tank.water_volume_l == 620


times = st.datetimes(datetime(2023, 1, 1), datetime(2025, 5, 31)).map(
    lambda moment: moment.replace(microsecond=0)
)
notes = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Zl", "Zp"]), max_size=20)


@st.composite
def reading_rows(draw: st.DrawFn) -> tuple[str, ...]:
    """A valid reading in long form."""
    parameter = PARAMETERS[draw(st.sampled_from(sorted(PARAMETERS)))]
    unit = draw(st.sampled_from(sorted(parameter.units)))
    low, high = parameter.plausible
    value = parameter.from_canonical(draw(st.floats(low, high)), unit)
    return (draw(times).isoformat(" "), parameter.name, "", repr(value), unit, "", draw(notes))


@st.composite
def action_rows(draw: st.DrawFn) -> tuple[str, ...]:
    """A valid action in long form."""
    kind = draw(st.sampled_from(["flow", "dose", "dose_rate", "water_change", "stock_change"]))
    value = "" if kind == "stock_change" else repr(draw(st.floats(0, 500)))
    return (draw(times).isoformat("T"), kind, "", value, "", "", draw(notes))


START = [
    ("2024-01-01", "alkalinity", "", "8.0", "dKH", "", ""),
    ("2024-01-02", "alkalinity", "", "8.0", "dKH", "", ""),
]


def written(rows: list[tuple[str, ...]], separator: str) -> bytes:
    """The rows as the standard library's csv module writes them."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=separator, lineterminator="\r\n")
    writer.writerows([("time", "entry", "of", "value", "unit", "kit", "note"), *rows])
    return buffer.getvalue().encode()


@quick
@given(st.lists(reading_rows() | action_rows(), max_size=12), st.sampled_from([",", ";", "\t"]))
def test_a_written_log_comes_back(rows: list[tuple[str, ...]], separator: str) -> None:
    """No row is lost or changed, whatever its note holds; the values return in their units."""
    rows = START + rows
    log = read(written(rows, separator))
    assert isinstance(log, TankLog)
    assert log.rows == len(rows) == len(log.readings) + len(log.actions)
    records: list[Reading | Action] = [*log.readings, *log.actions]
    for record in records:
        time, name, _, value, unit, _, note = rows[record.row - 2]
        assert record.time.isoformat()[:10] == time[:10]
        assert record.note == note.strip()
        if isinstance(record, Reading):
            shown = PARAMETERS[name].from_canonical(record.value, unit)
            assert shown == pytest.approx(float(value), rel=1e-9, abs=1e-12)
        else:
            assert record.value == (float(value) if value else None)


@quick
@given(st.lists(reading_rows() | action_rows(), max_size=8), st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(rows: list[tuple[str, ...]], random: Random) -> None:
    """A log sorted another way holds the same records."""
    shuffled = START + rows
    random.shuffle(shuffled)
    before, after = read(written(START + rows, ",")), read(written(shuffled, ","))
    assert isinstance(before, TankLog)
    assert isinstance(after, TankLog)
    key = [(r.time, r.parameter, r.value) for r in before.readings]
    assert sorted(key) == sorted((r.time, r.parameter, r.value) for r in after.readings)
    assert [r.time for r in after.actions] == [r.time for r in before.actions]
