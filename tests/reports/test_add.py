"""`uptake add`: the log gets the row whole and as it is written itself, or stays as it was."""

from __future__ import annotations

import csv
import os
import re
import shlex
import stat
from pathlib import Path

import pytest

from helpers.command import run
from reports.add import cells_of

TANK = """\
[tank]
water_volume_l = 620
[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dKH"
[kits.drops]
parameter = "alkalinity"
unit = "dKH"
step = 0.3
[kits.ca]
parameter = "calcium"
unit = "mg/L"
step = 10
[solutions.soda]
alkalinity_meq_per_ml = 1.9
[solutions.other]
alkalinity_meq_per_ml = 1.0
[reactor]
flow_max_ml_h = 3000
"""
HEADER = "time,entry,of,value,unit,kit,note\n"
LOG = HEADER + "2026-03-01 18:00,alkalinity,,8.4,dKH,,\n"
AT = ("--time", "2026-03-02 18:00")


@pytest.fixture
def log(tmp_path, monkeypatch):
    """A log with one row, in the current folder."""
    monkeypatch.chdir(tmp_path)
    Path("tank.toml").write_text(TANK)
    path = Path("log.csv")
    path.write_text(LOG)
    return path


def add(*arguments):
    return run("add", "log.csv", "--tank", "tank.toml", *arguments)


@pytest.mark.parametrize(
    ("arguments", "row"),
    [
        (["alkalinity", "8.1"], "alkalinity,tank,8.1,dKH,drops,"),
        (["alkalinity", "2.9", "meq/L"], "alkalinity,tank,2.9,meq/L,drops,"),
        (["alkalinity", "143", "mg/L", "CaCO3"], "alkalinity,tank,143,mg/L CaCO3,drops,"),
        (["alkalinity", "26", "--of", "effluent"], "alkalinity,effluent,26,dKH,drops,"),
        (["calcium", "430"], "calcium,tank,430,mg/L,ca,"),
        (["magnesium", "1300"], "magnesium,tank,1300,mg/L,,"),
        (["ph", "6.5", "--of", "chamber"], "ph,chamber,6.5,NBS,,"),
        (["dose", "40", "--of", "soda"], "dose,soda,40,mL,,"),
        (["dose_rate", "0.1", "L/day", "--of", "soda"], "dose_rate,soda,0.1,L/day,,"),
        (["flow", "900"], "flow,,900,mL/h,,"),
        (["stock_change", "--note", "nine frags"], "stock_change,,,,,nine frags"),
        (["new_bottle", "--kit", "drops"], "new_bottle,drops,,,drops,"),
    ],
)
def test_the_row_is_added_and_printed(log, arguments, row):
    """What the tank file leaves no choice of is filled in; all that stood there stays."""
    result = add(*arguments, *AT)
    assert result.exit_code == 0, result.output
    assert log.read_text() == f"{LOG}2026-03-02 18:00,{row}\n"
    assert result.output.splitlines() == ["Added to log.csv as row 3:", f"2026-03-02 18:00,{row}"]


def test_the_time_is_now_to_the_minute(log):
    """Without a time the local clock is taken, so that nothing has to be typed."""
    assert add("alkalinity", "8.1").exit_code == 0
    assert re.fullmatch(
        r"\d{4}-\d\d-\d\dT\d\d:\d\d", log.read_text().splitlines()[-1].split(",")[0]
    )


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("closed", [True, False])
def test_the_log_keeps_its_own_form(log, ending, separator, mark, closed):
    """Column order, separator, line ending and byte-order mark are the log's; an open last line is
    closed first."""
    header = separator.join(["Note", "value", "ENTRY", "Date", "kit"])
    text = header + ending + separator.join(["", "8.4", "alkalinity", "2026-03-01", ""])
    before = mark + (text + ending * closed).encode()
    log.write_bytes(before)
    result = add("alkalinity", "8.1", *AT, "--note", f'a "b"{separator} c')
    assert result.exit_code == 0, result.output
    quoted = f'"a ""b""{" " if separator == chr(9) else separator} c"'.replace("  ", " ")
    row = separator.join([quoted, "8.1", "alkalinity", "2026-03-02 18:00", "drops"])
    gap = b"" if closed else ending.encode()
    assert log.read_bytes() == before + gap + (row + ending).encode()


NOTES = (
    *(
        "plain",
        "a,b",
        'say "hi"',
        '"',
        "'",
        "a;b",
        "two\nlines",
        "tab\there",
        "鱼 é",
        "=1+1",
        " x ",
    ),
)


@pytest.mark.parametrize("note", NOTES)
def test_notes_are_quoted_as_rfc_4180_has_it(log, note):
    """Any other reader of CSV finds the same note; a line break becomes a blank."""
    assert add("alkalinity", "8.1", *AT, "--note", note).exit_code == 0
    with log.open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file, strict=True))
    cells = ["2026-03-02 18:00", "alkalinity", "tank", "8.1", "dKH", "drops"]
    assert rows[-1] == [*cells, " ".join(note.split())]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["alkalinity", "8,1"], ["value", "'8,1'", "decimal point"]),
        (["alkalinity"], ["value", "needs a value"]),
        (["alkalinty", "8.1"], ["entry", "did you mean alkalinity?"]),
        (["alkalinity", "8.1", "dHK"], ["unit", "did you mean dKH?"]),
        (["alkalinity", "2.9"], ["as meq/L it is 8.1 dKH", "write the unit"]),
        (["alkalinity", "8.1", "--of", "pond"], ["of", "is not read there"]),
        (["alkalinity", "8.1", "--kit", "ca"], ["kit", "that kit tests calcium"]),
        (["dose", "40"], ["of", "name the solution", "soda, other"]),
        (["dose", "40", "--of", "sodda"], ["of", "did you mean soda?"]),
        (["flow", "900", "--time", "2126-01-01"], ["time", "in the future"]),
        (["flow", "900", "--time", "yesterday"], ["time", "'yesterday'"]),
        (["flow", "90000"], ["value", "times the pump's largest flow"]),
    ],
)
def test_a_slip_is_refused_with_its_remedy(log, arguments, words):
    """The checks are the reader's, the place is the new row, and the log is untouched."""
    result = add(*arguments, *([] if "--time" in arguments else AT))
    assert result.exit_code == 2
    assert result.output.startswith("the new row (not added), ")
    for each in words:
        assert each in result.output
    assert log.read_text() == LOG
    assert sorted(os.listdir()) == ["log.csv", "tank.toml"]


def test_the_first_row_of_a_new_log(log):
    """A log that has only its header takes its first entry, though no estimate could be made."""
    log.write_text(HEADER)
    assert add("alkalinity", "8.1", *AT).exit_code == 0
    assert len(log.read_text().splitlines()) == 2


def test_what_may_be_odd_is_said(log):
    """A value that is kept and flagged is told at once, while it can still be mended."""
    result = add("alkalinity", "21.5", *AT)
    assert result.exit_code == 0
    assert "Odd, so look again: outside 3 to 20 dKH" in result.output


def test_a_fault_further_up_is_told_with_its_row(log):
    """The whole log is read again; nothing is added to one that no report could be made of."""
    broken = LOG + '2026-03-02,alkalinity,,x,,,"two\nlines"\n'
    log.write_text(broken)
    result = add("alkalinity", "8.1", *AT)
    assert result.exit_code == 2
    assert result.output.startswith("log.csv, row 3, value: found 'x'")
    assert log.read_text() == broken


@pytest.mark.parametrize(
    ("header", "arguments", "words"),
    [
        ("time,alkalinity [dKH]\n2026-03-01,8.4\n", [], ["row 1", "long form only", "by hand"]),
        ("time,entry,value\n2026-03-01,alkalinity,8.4\n", ["--note", "x"], ["no column note"]),
        ("", [], ["the file is empty"]),
        ("nonsense\n", [], ["row 1"]),
    ],
)
def test_a_log_that_cannot_take_the_row_is_named(log, header, arguments, words):
    """What the log has no place for is refused with what to do, never dropped."""
    log.write_text(header)
    result = add("alkalinity", "8.1", *AT, *arguments)
    assert result.exit_code == 2
    for each in words:
        assert each in result.output
    assert log.read_text() == header


def test_an_entry_is_read_as_reports_print_it(log):
    """Two words are one entry, in the log itself too."""
    result = add("dose", "rate", "30", "--of", "soda", *AT)
    assert result.exit_code == 0, result.output
    assert log.read_text().endswith("\n2026-03-02 18:00,dose rate,soda,30,mL/day,,\n")
    add("alkalinity", "8.1", *AT)
    assert "dose rate 1" in run("check", "log.csv", "--tank", "tank.toml").output


def test_water_without_a_unit_in_a_tank_of_gallons_is_told(log):
    """Litres are taken, as everywhere; four times too little would go unseen."""
    tank = TANK.replace("water_volume_l = 620", "water_volume_us_gal = 160") + "[water.new]\n"
    Path("tank.toml").write_text(tank)
    result = add("water_change", "6", *AT)
    assert "water_change,new,6,L,," in result.output
    assert (
        "Odd, so look again: without a unit it is taken as 6 L, but the tank file has its volume "
        "in gal; write the unit beside it." in result.output
    )
    assert "Odd" not in add("water_change", "6", "gal", *AT).output
    Path("tank.toml").write_text(TANK + "[water.new]\n")
    assert "without a unit" not in add("water_change", "7", *AT).output


DAILY = ("dose", "25", "mL", "--of", "soda", *AT)


def test_a_daily_dose_is_one_row_to_its_last_day(log):
    """The reader makes a dose of each day of it; `check` counts them all."""
    log.write_text(LOG.replace("note\n", "note,until\n"))
    result = add(*DAILY, "--until", "2026-03-09")
    assert result.exit_code == 0, result.output
    assert log.read_text().endswith("\n2026-03-02 18:00,dose,soda,25,mL,,,2026-03-09\n")
    add("alkalinity", "8.1", "--time", "2026-03-10")
    checked = run("check", "log.csv", "--tank", "tank.toml")
    assert checked.exit_code == 0, checked.output
    assert "Actions: 8 (dose 8)" in checked.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([*DAILY, "--until", "2026-03-01"], ["until", "must not lie before the time of the row"]),
        ([*DAILY, "--until", "9.3."], ["until", "found '9.3.'"]),
        ([*DAILY, "--until", "2999-01-01"], ["until", "lies in the future"]),
        (
            ["flow", "900", *AT, "--until", "2026-03-09"],
            ["until", "only dose may be repeated; leave it blank"],
        ),
    ],
)
def test_an_end_that_cannot_be_meant_is_refused(log, arguments, words):
    """As in a log written by hand: which column, what was found, what to mend."""
    log.write_text(LOG.replace("note\n", "note,until\n"))
    former = log.read_text()
    result = add(*arguments)
    assert result.exit_code == 2
    assert result.output.startswith("the new row (not added)")
    for each in words:
        assert each in result.output
    assert log.read_text() == former


def test_a_log_without_the_column_says_how_to_add_it(log):
    """Logs of other makes have no column `until`: one word in their first row is enough."""
    result = add(*DAILY, "--until", "2026-03-09")
    assert result.exit_code == 2
    assert "the log has no column until; add ,until to the end of its first row" in result.output
    assert log.read_text() == LOG


def test_the_remedy_for_a_missing_column_works(log):
    """A column added to the header alone is enough: older rows may stay shorter."""
    log.write_text("time,entry,value,note\n2026-03-01,alkalinity,8.4\n")
    assert add("alkalinity", "8.1", *AT, "--note", "x").exit_code == 0
    assert log.read_text().endswith("\n2026-03-02 18:00,alkalinity,8.1,x\n")


@pytest.mark.skipif(os.name != "posix", reason="POSIX permissions")
def test_permissions_and_a_link_to_the_log_stay(log, tmp_path):
    """The log is replaced by a new file; whoever could read it still can, and nobody else."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    log.rename(elsewhere / "real.csv")
    (elsewhere / "real.csv").chmod(0o640)
    log.symlink_to(elsewhere / "real.csv")
    assert add("alkalinity", "8.1", *AT).exit_code == 0
    assert log.is_symlink()
    assert stat.S_IMODE((elsewhere / "real.csv").stat().st_mode) == 0o640
    assert len((elsewhere / "real.csv").read_text().splitlines()) == 3
    assert os.listdir(elsewhere) == ["real.csv"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_the_former_log(log, monkeypatch, step):
    """A full disk, say: the log is as it was, and no fragment is left."""

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(f"reports.output.os.{step}", fail)
    result = add("alkalinity", "8.1", *AT)
    assert result.exit_code == 2
    assert "log.csv: could not be written (No space left on device)" in result.output
    assert log.read_text() == LOG
    assert sorted(os.listdir()) == ["log.csv", "tank.toml"]


def test_a_row_that_somebody_else_adds_meanwhile_is_not_lost(log, monkeypatch):
    """An editor that saves the log just then wins, and the keeper is told to run again."""
    from reports import output

    def slow(path, part, really=output._copy_rights):
        really(path, part)
        log.write_text(LOG + "2026-03-01 20:00,flow,,900,,,\n")

    monkeypatch.setattr(output, "_copy_rights", slow)
    result = add("alkalinity", "8.1", *AT)
    assert result.exit_code == 2
    assert "run this again" in result.output
    assert log.read_text() == LOG + "2026-03-01 20:00,flow,,900,,,\n"


@pytest.mark.parametrize("missing", ["log.csv", "tank.toml"])
def test_missing_files_are_named(log, missing):
    """A slip of a path makes no file."""
    Path(missing).unlink()
    result = add("alkalinity", "8.1", *AT)
    assert result.exit_code == 2
    assert result.output.startswith(missing)
    assert not Path(missing).exists()


@pytest.mark.skipif(os.name != "posix", reason="POSIX file kinds")
def test_a_pipe_for_a_log_keeps_nobody_waiting(log):
    """What is no ordinary file is refused unread."""
    log.unlink()
    os.mkfifo(log)
    result = add("alkalinity", "8.1", *AT)
    assert result.exit_code == 2
    assert "no ordinary one" in result.output


@pytest.mark.parametrize(
    ("line", "cells"),
    [
        ("alkalinity 8.1", ["alkalinity", "8.1", "", "", ""]),
        ("stock_change", ["stock_change", "", "", "", ""]),
        ("alkalinity 143 mg/L CaCO3", ["alkalinity", "143", "mg/L CaCO3", "", ""]),
        (
            "alkalinity 26.5 dKH of effluent at 2026-03-02 18:30",
            ["alkalinity", "26.5", "dKH", "effluent", "2026-03-02 18:30"],
        ),
        ("new_bottle of drops", ["new_bottle", "", "", "drops", ""]),
        ("flow 900 at 2026-03-02", ["flow", "900", "", "", "2026-03-02"]),
        ("water change 6 gal of new", ["water change", "6", "gal", "new", ""]),
        ("specific gravity 1.0264", ["specific gravity", "1.0264", "", "", ""]),
        ("stock change", ["stock change", "", "", "", ""]),
        (
            "dose 25 mL of soda at 2026-03-02 08:00 until 2026-03-09",
            ["dose", "25", "mL", "soda", "2026-03-02 08:00", "2026-03-09"],
        ),
        ("dose 25 of soda until 2026-03-09", ["dose", "25", "", "soda", "", "2026-03-09"]),
    ],
)
def test_a_line_typed_at_the_terminal_is_cut_into_cells(line, cells):
    """The little words `of`, `at` and `until` stand before what was sampled, the time, the end."""
    names = ("entry", "value", "unit", "of", "time", "until")
    assert cells_of(line) == dict(zip(names, [*cells, ""][: len(names)], strict=True))


def test_the_example_of_the_help_is_taken(log):
    """What `--help` shows for a daily dose can be typed as it stands there."""
    log.write_text(LOG.replace("note\n", "note,until\n"))
    shown = " ".join(run("add", "--help").output.split())
    (example,) = re.findall(r"tank my-tank.toml (dose 25.*?--until \S+)", shown)
    result = add(*shlex.split(example))
    assert result.exit_code == 0, result.output


def test_without_an_entry_and_without_a_terminal(log):
    """A script that lacks the entry is told of it and does not wait."""
    result = add()
    assert result.exit_code == 2
    assert "ENTRY" in result.output
    assert log.read_text() == LOG
