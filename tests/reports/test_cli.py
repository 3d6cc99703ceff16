"""The command: exit codes, messages, and what it leaves on the disk."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest
from click.testing import CliRunner

from helpers.outputs import a_page
from helpers.studies import build_study
from helpers.tanks import PLAIN_TANK_FILE
from reports.cli import main

ROOT = Path(__file__).parents[2]
TANK = PLAIN_TANK_FILE
LOG = """\
time,entry,value
2026-03-01,alkalinity,8.4
2026-03-03 18:00,alkalinity,8.1
2026-03-05 18:00,alkalinity,21.5
2026-03-05 18:30,water_change,60
"""


@pytest.fixture
def inputs(tmp_path, monkeypatch):
    """A log and a tank file in the current folder."""
    monkeypatch.chdir(tmp_path)
    Path("log.csv").write_text(LOG, encoding="utf-8")
    Path("tank.toml").write_text(TANK + "[water.new]\nalkalinity = 8.2\nalkalinity_unit = 'dKH'\n")
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(main, list(arguments))


@pytest.fixture
def fitted(monkeypatch):
    """`fitted(variant)`: the fit is replaced by a made-up study."""

    def use(variant):
        study = build_study(variant)
        monkeypatch.setattr("estimator.pipeline.run_study", lambda *_, **__: study)

    return use


@pytest.fixture
def no_fit(monkeypatch):
    """A fit would be a mistake."""

    def fail(*_, **__):
        pytest.fail("the fit was started")

    monkeypatch.setattr("estimator.pipeline.run_study", fail)


@pytest.mark.parametrize(
    ("variant", "code", "first"),
    [
        ("full", 0, "On Thu 9 Apr: Set the pump to 2220 mL/h."),
        ("leave", 0, "On Thu 9 Apr: Leave the pump at 2250 mL/h and all else as it is."),
        (
            "start",
            0,
            "On Thu 9 Apr: Start the pump at 300 mL/h and dose 120 mL of soda and 60 mL of "
            "chloride a day.",
        ),
        ("no reactor", 0, "On Thu 9 Apr: Dose 190 mL of soda and 95 mL of chloride a day."),
        ("wide", 3, "On Thu 9 Apr: Leave the pump at 2600 mL/h and all else as it is."),
        ("first step", 3, "On Thu 9 Apr: Start the pump at 76 mL/h and dose 160 mL of soda and"),
        ("correct", 0, "On Thu 9 Apr: Leave the pump at 2600 mL/h and add 46 mL of soda on each"),
        ("hostile", 0, "On Thu 9 Apr: Set the pump to 300 mL/h, dose 7.5 mL of soda"),
    ],
)
def test_report_prints_five_lines_and_writes_both_files(inputs, fitted, variant, code, first):
    """The day sheet leads, the code says whether a flow is recommended, and both files stand."""
    fitted(variant)
    result = run("report", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == code, result.output
    lines = result.output.splitlines()
    assert len(lines) == 5
    assert lines[0].startswith(first)
    assert lines[1].startswith("By what it reads: ")
    assert lines[2].startswith("Next test: ")
    assert lines[3].startswith("Run the report again on ")
    assert " days in ten of the next 14 with this followed" in lines[3]
    assert lines[4] == "Report: log-report.html and log-report.json"
    assert Path("log-report.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert Path("log-report.json").exists()


@pytest.mark.parametrize(("variant", "code"), [("failed", 3), ("alarmed", 0)])
def test_what_stands_before_a_setting_is_one_line_more(inputs, fitted, variant, code):
    """It leads, and the five lines follow."""
    fitted(variant)
    result = run("report", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == code, result.output
    lines = result.output.splitlines()
    assert len(lines) == 6
    assert lines[0].startswith("Check first: ")


def test_a_later_entry_than_the_day_of_the_report_is_a_fault(inputs, no_fit):
    """--today takes the place of the clock, in what it refuses too; nothing is written."""
    result = run("report", "log.csv", "--tank", "tank.toml", "--today", "2026-03-02")
    assert result.exit_code == 2
    assert "row 4" in result.output
    assert not Path("log-report.html").exists()


@pytest.mark.parametrize(
    ("variant", "code", "first"),
    [
        ("full", 0, "Tests until the next report on Thu 16 Apr, within 30 minutes a week:"),
        ("leave", 0, "Tests until the next report on Thu 16 Apr"),
        ("failed", 3, "Check first: the fit did not pass its own checks"),
        ("hostile", 0, "Tests until the next report on Mon 13 Apr"),
    ],
)
def test_next_says_what_to_test_on_one_screen(inputs, fitted, variant, code, first):
    """The schedule leads, fits one screen, and nothing is written."""
    fitted(variant)
    before = sorted(path.name for path in Path().iterdir())
    result = run("next", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == code, result.output
    assert result.output.startswith(first)
    assert "tank alkalinity" in result.output
    assert "<" not in result.output
    assert sum(-(-len(line) // 80) for line in result.output.splitlines()) <= 24
    assert sorted(path.name for path in Path().iterdir()) == before


@pytest.mark.parametrize("minutes", ["nan", "-1", "1e9", "inf", "much"])
def test_minutes_without_sense_are_refused(inputs, minutes):
    """No week has them: code 2, the option and the limit named, nothing fitted."""
    result = run("next", "log.csv", "--tank", "tank.toml", "--minutes", minutes)
    assert result.exit_code == 2
    assert "Invalid value for '--minutes'" in result.output
    assert "2400" in result.output or minutes == "much"


def test_minutes_reach_the_plan(inputs, monkeypatch):
    """--minutes is what the plan of tests keeps to."""
    seen = {}

    def study(*_, **given):
        seen.update(given)
        return build_study("full")

    monkeypatch.setattr("estimator.pipeline.run_study", study)
    for command in ("report", "next"):
        assert run(command, "log.csv", "--tank", "tank.toml", "--minutes", "45").exit_code == 0
        assert seen["minutes_per_week"] == 45.0


@pytest.mark.parametrize(
    "arguments",
    [
        ["report", "log.csv", "--tank", "tank.toml"],
        ["next", "log.csv", "--tank", "tank.toml"],
        ["demo", "--dir", "demo"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_the_seed_reaches_the_fit(inputs, monkeypatch, arguments):
    """--seed fixes every random number of every command that draws any; without it it is 1."""
    seen = []

    def study(*_, seed, **__):
        seen.append(seed)
        return build_study("full")

    monkeypatch.setattr("estimator.pipeline.run_study", study)
    assert run(*arguments, "--seed", "77").exit_code == 0
    assert run(*arguments).exit_code == 0
    assert seen == [77, 1]


def test_same_seed_writes_the_same_bytes(inputs, fitted):
    """Two runs can be compared byte for byte."""
    fitted("full")
    for name in ("a.html", "b.html"):
        assert run("report", "log.csv", "--tank", "tank.toml", "--out", name).exit_code == 0
    assert Path("a.json").read_bytes() == Path("b.json").read_bytes()
    page = Path("a.html").read_bytes()
    assert page == Path("b.html").read_bytes().replace(b"b.json", b"a.json")


def test_bad_input_lists_faults_and_writes_nothing(inputs, no_fit):
    """Each fault names file, row, column, what was found and the rule; former reports stand."""
    Path("log.csv").write_text(LOG + "2026-03-06,alkalinity,x\n2026-03-07,alkalinty,8\n")
    Path("log-report.html").write_text(a_page())
    result = run("report", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 2
    assert "log.csv, row 6, value: found 'x';" in result.output
    assert "log.csv, row 7, entry: found 'alkalinty';" in result.output
    assert Path("log-report.html").read_text() == a_page()
    assert not Path("log-report.json").exists()


def test_many_faults_fit_one_screen(inputs, no_fit):
    """Twenty faults are shown, and the rest are counted."""
    Path("log.csv").write_text(LOG + "2026-03-06,alkalinity,x\n" * 50)
    result = run("check", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 2
    lines = result.output.splitlines()
    assert len(lines) == 21
    assert lines[-1] == "… and 30 more; mend these first"


def test_missing_files_are_named(inputs, no_fit):
    """Both missing files are said at once, without a traceback."""
    result = run("report", "no.csv", "--tank", "no.toml")
    assert result.exit_code == 2
    assert "no.csv" in result.output
    assert "no.toml" in result.output
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    "out", ["missing/a.html", "tank.toml", "log.csv", "log.json", "../log.csv/x.html"]
)
def test_bad_output_is_refused_before_the_fit(inputs, no_fit, out):
    """Minutes of work are not lost to a folder that is not there; inputs stay whole."""
    result = run("report", "log.csv", "--tank", "tank.toml", "--out", out)
    assert result.exit_code == 2
    assert "--out" in result.output or "name it .html" in result.output
    assert Path("log.csv").read_text() == LOG
    assert sorted(os.listdir()) == ["log.csv", "tank.toml"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["report", "log.csv"],
        ["report", "log.csv", "--tank", "tank.toml", "--seed", "-1"],
        ["report", "log.csv", "--tank", "tank.toml", "--seed", "one"],
        ["nothing"],
    ],
)
def test_wrong_usage_is_code_2(inputs, arguments):
    """Usage errors are told apart from a withheld setting."""
    assert run(*arguments).exit_code == 2


def test_check_sums_up_a_good_log(inputs, no_fit):
    """A faultless pair of files is summed up: rows, readings, actions, flags."""
    result = run("check", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 0, result.output
    assert result.output.splitlines() == [
        "log.csv: 4 rows, 1 Mar 2026 to 5 Mar 2026, no faults",
        "Readings: 3 (tank alkalinity 3)",
        "Actions: 1 (water change 1)",
        "Rows without a time of day, taken as noon: 1",
        "Flagged: 1",
        "  row 4: outside 3 to 20 dKH, the plausible range for tank alkalinity",
    ]
    assert sorted(os.listdir()) == ["log.csv", "tank.toml"]


def test_check_says_what_is_of_no_use(inputs, no_fit):
    """What is declared and never logged, readings that tell nothing, and a log that ended."""
    with Path("tank.toml").open("a") as file:
        file.write(
            "[solutions.soda]\nalkalinity_meq_per_ml = 1.9\n[reactor]\nflow_max_ml_h = 900\n"
        )
        file.write("[water.old]\n[reference.cal]\ncalcium = 400\n")
    rows = ("temperature,25.1,", "temperature,25.2,", "nitrate,5,", "alkalinity,7.9,cal")
    text = Path("log.csv").read_text().replace("value\n", "value,of\n").replace("60\n", "60,new\n")
    text += "".join(f"2026-03-05 19:00,{row}\n" for row in rows)
    Path("log.csv").write_text(text)
    result = run("check", "log.csv", "--tank", "tank.toml", "--today", "2026-03-20")
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert lines[lines.index("Of no use to the estimate:") + 1 :] == [
        "  no dose of soda is in the log; log what you dose, or the tank seems to use less than it "
        "does",
        "  no water change with old is in the log",
        "  the tank file has a reactor, but no flow of its pump is in the log; log the flow, or it "
        "counts as off",
        "  tank temperature, rows 6 to 7: kept for your record only",
        "  tank nitrate, row 8: only its change tells something; read it again",
        "  cal alkalinity, row 9: the tank file states no such value of it",
        "The log ended 15 days ago: test again before you act on a report.",
    ]


def test_check_without_a_day_does_not_look_at_the_clock(inputs, no_fit):
    """The same files give the same lines at any time; so does a log that ended a week ago."""
    for day in ([], ["--today", "2026-03-12"]):
        result = run("check", "log.csv", "--tank", "tank.toml", *day)
        assert result.exit_code == 0
        assert "days ago" not in result.output


def test_check_tells_what_is_kept_without_use(inputs, no_fit):
    """Rows without an entry, parameters that are not used, how dates were read, repeats as one."""
    Path("log.csv").write_text(
        "date,alk,PO4,note\n25/2/2026,8,,\n26/2/2026,,0.1,\n27/2/2026,,,away\n28/2/2026,,,\n"
        "1/3/2026,30,,\n1/3/2026,30,,\n1/3/2026,30,,\n2/3/2026,8,,\n"
    )
    result = run("check", "log.csv", "--tank", "tank.toml")
    odd = "outside 3 to 20 dKH, the plausible range for tank alkalinity"
    assert result.output.splitlines() == [
        "log.csv: 8 rows, 25 Feb 2026 to 2 Mar 2026, no faults",
        "Readings: 6 (tank alkalinity 5, tank phosphate 1)",
        "Actions: 0",
        "Rows without a time of day, taken as noon: 6",
        "Dates that do not begin with the year, read day first",
        "Rows with nothing but a time or a note: 2 (4 to 5)",
        "Flagged: 3",
        f"  row 6: {odd}",
        f"  rows 7 to 8: {odd}; same as row 6",
        "Of no use to the estimate:",
        "  no water change with new is in the log",
        "  tank phosphate, row 3: kept for your record only",
    ]


@pytest.mark.parametrize("error", [ValueError("odd\nthing"), MemoryError(), AssertionError()])
def test_unexpected_faults_are_one_line(inputs, monkeypatch, error):
    """A bug never shows a traceback and never leaves a file."""

    def fail(*_, **__):
        raise error

    monkeypatch.setattr("estimator.pipeline.run_study", fail)
    monkeypatch.delenv("UPTAKE_DEBUG", raising=False)
    result = run("report", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 1
    assert len(result.output.splitlines()) == 1
    assert "Please report it" in result.output
    assert sorted(os.listdir()) == ["log.csv", "tank.toml"]


def test_debug_shows_where_a_fault_arose(inputs, monkeypatch):
    """Whoever mends the program gets the traceback on request."""

    def fail(*_, **__):
        raise ValueError("odd")

    monkeypatch.setattr("estimator.pipeline.run_study", fail)
    monkeypatch.setenv("UPTAKE_DEBUG", "1")
    assert isinstance(run("report", "log.csv", "--tank", "tank.toml").exception, ValueError)


def test_interrupt_is_quiet(inputs, monkeypatch):
    """Ctrl-C ends at once, says nothing and leaves nothing."""

    def fail(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("estimator.pipeline.run_study", fail)
    result = run("report", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 130
    assert result.output == ""
    assert sorted(os.listdir()) == ["log.csv", "tank.toml"]


def test_interrupt_is_never_taken_for_the_end_of_sampling(inputs, monkeypatch):
    """A sampler that swallows the interrupt and returns what it has does not make a report."""

    def sampler(*_, **__):
        with suppress(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(5)
        return build_study("full")

    monkeypatch.setattr("estimator.pipeline.run_study", sampler)
    assert run("report", "log.csv", "--tank", "tank.toml").exit_code == 130
    assert sorted(os.listdir()) == ["log.csv", "tank.toml"]


def python(code, *arguments, **environment):
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env=os.environ | {"PYTHONPATH": str(ROOT)} | environment,
        capture_output=True,
        check=False,
    )


HEAVY = ("pymc", "pytensor", "arviz", "matplotlib", "numba", "scipy", "rich", "jinja2")


@pytest.mark.parametrize("arguments", [["--help"], ["check", "log.csv", "--tank", "tank.toml"]])
def test_help_and_check_load_nothing_heavy(inputs, arguments):
    """They answer at once: the libraries that take seconds to load are not loaded."""
    code = (
        "import sys; from reports.cli import main\n"
        "try: main()\n"
        f"finally: print(sorted(set(sys.modules) & set({HEAVY!r})))\n"
    )
    result = python(code, *arguments)
    assert result.returncode == 0
    assert result.stdout.decode().splitlines()[-1] == "[]"
    assert result.stderr == b""


def test_a_terminal_without_the_characters_still_gets_the_message(inputs):
    """A name the terminal cannot show is no reason to fail."""
    Path("log.csv").write_text(LOG + "2026-03-06,鱼,1\n", encoding="utf-8")
    result = python(
        "from reports.cli import main; main()",
        *("check", "log.csv", "--tank", "tank.toml"),
        PYTHONIOENCODING="ascii",
    )
    assert result.returncode == 2
    assert b"row 6" in result.stderr
    assert b"Traceback" not in result.stderr


def test_version_is_shown():
    """A report of a fault can name the version."""
    result = run("--version")
    assert result.exit_code == 0
    assert result.output.startswith("uptake")


def test_demo_writes_its_files_and_a_report(tmp_path, fitted):
    """One command shows what the program does, in a folder that it makes."""
    pytest.importorskip("estimator.synthetic.demo_case")
    fitted("full")
    folder = tmp_path / "new" / "demo"
    result = run("demo", "--dir", str(folder))
    assert result.exit_code == 0, result.output
    assert {path.suffix for path in folder.iterdir()} == {".csv", ".toml", ".html", ".json"}


def test_demo_run_again_leaves_edited_files_alone(tmp_path, fitted):
    """What the keeper tried out in the demo's files stays, through a link too, and is said."""
    fitted("full")
    mine = tmp_path / "mine.csv"
    assert run("demo", "--dir", str(tmp_path)).exit_code == 0
    log = tmp_path / "nursery-log.csv"
    tank = tmp_path / "nursery-tank.toml"
    whole = tank.read_bytes()
    mine.write_text(log.read_text() + "2026-06-02T09:00,alkalinity,tank,8.0,dKH,alk-drops,\n")
    log.unlink()
    log.symlink_to(mine)
    edited = mine.read_bytes()
    tank.unlink()
    result = run("demo", "--dir", str(tmp_path))
    assert result.exit_code == 0, result.output
    assert f"{log} is not the demo's any more and stays as it is." in result.output
    assert str(tank) + " is not" not in result.output
    assert mine.read_bytes() == edited
    assert log.is_symlink()
    assert tank.read_bytes() == whole


@pytest.mark.parametrize("suffix", [".html", ".json"])
def test_demo_never_writes_over_a_file_of_the_report_s_name(tmp_path, no_fit, suffix):
    """A file of the keeper's there is named, and nothing is written."""
    mine = tmp_path / f"nursery-log-report{suffix}"
    mine.write_text("mine")
    result = run("demo", "--dir", str(tmp_path))
    assert result.exit_code == 2
    assert mine.name in result.output
    assert [path.name for path in tmp_path.iterdir()] == [mine.name]
    assert mine.read_text() == "mine"


def test_demo_in_the_place_of_a_file_is_refused(tmp_path, no_fit):
    """A folder that cannot be made is named."""
    (tmp_path / "demo").write_text("mine")
    result = run("demo", "--dir", str(tmp_path / "demo"))
    assert result.exit_code == 2
    assert "--dir" in result.output
    assert (tmp_path / "demo").read_text() == "mine"
