"""Good files, damaged at random: an answer or a refusal, never a traceback or a wait."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from helpers import catalogue
from helpers.command import run

EXAMPLES, MORE_EXAMPLES = 100, 5000

LOG = catalogue.LOG.encode() + (
    b"2025-03-04 18:00,flow,,600,mL/h,,start\n"
    b"2025-03-05,alkalinity,effluent,28.5,dKH,drops,clear\n"
    b"2025-03-05 19:00,dose,soda,20,mL,,\n"
    b"2025-03-06,dose_rate,soda,30,mL/day,,\n"
    b"2025-03-07,water_change,new,60,L,,\n"
    b'2025-03-08,calcium,,"420",mg/L,,"two, and ""more"""\n'
    b"2025-03-09,alkalinity,standard,7.1,dKH,drops,\n"
    b"2025-03-10,new_bottle,drops,,,,\n"
)
WIDE = b"date;alkalinity [dKH];calcium;note\n2025-03-01;8,4;420;\n2025-03-03;8,1;;calm\n"
TANK = catalogue.TANK.encode()

CELLS = st.sampled_from(
    b"|0|-1|1e999|1e-320|nan|8,1|1,234|9|x|time|entry|value|alkalinity|effluent|soda|dose|flow"
    b'|2025-03-01|2025-02-30|2025-03-01T10:00Z|9999-12-31 23:59|=1+1|"|""|\n|\r|;|\t|dKH|mg/L'
    b"|\xff|\x00|\x1b[2J|\xe2\x80\xae|\xef\xbb\xbf|\xc2\xa0|'".split(b"|")
)
VALUES = st.sampled_from(
    b"0|-1|1e999|-inf|nan|1e-320|true|[]|{}|[[1]]|''|'''x'''|\"\\u001b\"|0x0|1979-05-27"
    b'|07:32:00|"10:00"|"dKH"|"calcium"|99999999999999999999999|.|=|#|[|]|"|\\'
    b"|'|\xff|\x00|\n|\xc2\x85".split(b"|")
)


@st.composite
def spliced(draw, data, pieces):
    """`data` with up to four stretches of it removed, repeated, moved or replaced."""
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 30)))
        piece = draw(st.just(b"") | pieces | st.binary(max_size=4) | st.just(data[start:end] * 2))
        data = data[:start] + piece + data[end:]
        if draw(st.integers(0, 5)) == 0:
            place = draw(st.integers(0, len(data)))
            data = data[place:] + data[:place]
    return data


@st.composite
def damaged_logs(draw):
    """A log whose cells or rows were deleted, doubled, swapped or overwritten."""
    data = draw(st.sampled_from([LOG, WIDE]))
    if draw(st.booleans()):
        return draw(spliced(data, CELLS))
    separator = b";" if data is WIDE else b","
    table = [line.split(separator) for line in data.split(b"\n")]
    for _ in range(draw(st.integers(1, 5))):
        row = draw(st.sampled_from(table))
        other = draw(st.sampled_from(table))
        act = draw(st.integers(0, 5))
        column = draw(st.integers(0, max(len(row) - 1, 0)))
        if act == 0:
            del row[column:]
        elif act == 1:
            row.insert(column, draw(CELLS))
        elif act == 2 and row:
            row[column] = draw(CELLS)
        elif act == 3:
            row[:], other[:] = list(other), list(row)
        elif act == 4:
            table.append(list(row))
        elif row and other:
            row[column], other[-1] = other[-1], row[column]
    joined = draw(st.sampled_from([separator, separator, b",", b";", b"\t", b"|"]))
    return draw(st.sampled_from([b"\n", b"\n", b"\r\n", b"\r"])).join(map(joined.join, table))


@st.composite
def damaged_tanks(draw):
    """A tank file whose lines were deleted, doubled or moved, or whose values were replaced."""
    if draw(st.booleans()):
        return draw(spliced(TANK, VALUES))
    lines = TANK.split(b"\n")
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, len(lines) - 1))
        act = draw(st.integers(0, 3))
        if act == 0 and len(lines) > 1:
            del lines[place]
        elif act == 1:
            lines.insert(draw(st.integers(0, len(lines))), lines[place])
        elif act == 2:
            lines[place] = lines[place].partition(b"=")[0] + b"= " + draw(VALUES)
        else:
            lines[place] = draw(VALUES) + lines[place].partition(b"=")[1] + draw(VALUES)
    return b"\n".join(lines)


@pytest.fixture
def answer(tmp_path, monkeypatch, no_fit):
    """`answer(log, tank)`: `uptake check` on the two files, and what must hold for any."""
    monkeypatch.chdir(tmp_path)

    def ask(log, tank):
        Path("log.csv").write_bytes(log)
        Path("tank.toml").write_bytes(tank)
        began = time.perf_counter()
        result = run("check", "log.csv", "--tank", "tank.toml")
        assert time.perf_counter() - began < 2
        assert result.exit_code in (0, 2), result.output
        assert result.output.startswith("log.csv: " if result.exit_code == 0 else ("log", "tank"))
        assert sorted(path.name for path in Path().iterdir()) == ["log.csv", "tank.toml"]

    ask(LOG, TANK)
    return ask


def bounded(examples):
    return settings(
        max_examples=examples,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )


@bounded(EXAMPLES)
@given(log=damaged_logs())
def test_damaged_logs(answer, log):
    """A damaged log is read or refused."""
    answer(log, TANK)


@bounded(EXAMPLES)
@given(tank=damaged_tanks())
def test_damaged_tanks(answer, tank):
    """A damaged tank file is read or refused."""
    answer(LOG, tank)


@bounded(EXAMPLES // 2)
@given(log=damaged_logs(), tank=damaged_tanks())
def test_damaged_pairs(answer, log, tank):
    """Damage in both files at once is no worse than in one."""
    answer(log, tank)


@pytest.mark.slow
@bounded(MORE_EXAMPLES)
@given(log=damaged_logs(), tank=damaged_tanks(), which=st.integers(0, 2))
def test_damaged_files_at_length(answer, log, tank, which):
    """The same with twenty times the examples of all three together."""
    answer(LOG if which == 1 else log, TANK if which == 0 else tank)
