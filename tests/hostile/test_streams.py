"""Streams that are closed or full, a current folder that is gone, Python without docstrings."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from helpers.catalogue import LOG, TANK
from helpers.pages import page_and_twin
from helpers.studies import build_study
from reports import start, terminal

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="/dev/full, and closed by a shell")
MAIN = "from reports.start import main; main()"
MADE = """\
import json, sys
from datetime import datetime
from pathlib import Path
from types import ModuleType, SimpleNamespace
names = "estimator.pipeline", "reports.twin.build", "reports.page.shell"
pipeline, build, shell = map(ModuleType, names)
log = SimpleNamespace(end=datetime.now())
pipeline.run_study = lambda *_, **__: SimpleNamespace(log=log, seconds={})
build.build_twin = lambda *_, **__: json.loads(Path("twin.json").read_text())
build.to_json = lambda twin: json.dumps(twin) + "\\n"
shell.render = lambda *_: Path("page.html").read_text()
sys.modules |= dict(zip(names, (pipeline, build, shell)))
"""
"""Fit, twin and page as they would come: what they load takes seconds, and is not looked at."""
CHECK = ("check", "log.csv", "--tank", "tank.toml")
FAULTY = ("check", "no.csv", "--tank", "tank.toml")
REPORT = ("report", "log.csv", "--tank", "tank.toml")
FULL = "No space left on device"


@pytest.fixture
def folder(tmp_path):
    """A folder with the good pair of files."""
    (tmp_path / "log.csv").write_text(LOG)
    (tmp_path / "tank.toml").write_text(TANK)
    return tmp_path


@pytest.fixture
def made(folder):
    """That folder with a twin and its page."""
    page, twin = page_and_twin(build_study("full"))
    (folder / "twin.json").write_text(json.dumps(twin))
    (folder / "page.html").write_text(page)
    return folder


def call(folder, redirected, *arguments, code=MAIN):
    """The command as a shell starts it, its streams redirected."""
    shell = ["sh", "-c", f'exec "$@" {redirected}', "sh", sys.executable, "-c", code, *arguments]
    return subprocess.run(
        shell,
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("stream", ["2>&-", "2>/dev/full"])
@pytest.mark.parametrize(
    ("arguments", "code"), [(CHECK, 0), (FAULTY, 2), (["report", "--seed", "x"], 2)]
)
def test_no_answer_hangs_on_messages(folder, stream, arguments, code):
    """Where nobody takes the messages the code is the same."""
    result = call(folder, stream, *arguments)
    assert (result.returncode, result.stderr) == (code, "")


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["check", "--help"], CHECK])
def test_an_answer_that_could_not_be_printed_is_no_success(folder, arguments):
    """What asks for an answer alone and gets none has failed, in one line."""
    result = call(folder, ">/dev/full", *arguments)
    assert result.returncode == 2
    assert len(result.stderr.splitlines()) == 1
    assert FULL in result.stderr


@pytest.mark.parametrize("stream", [">/dev/full", ">&-", ">/dev/full 2>&-", ">&- 2>&- <&-"])
def test_a_report_without_its_summary_is_a_report(made, stream):
    """Both files are what was asked for: they are whole, and said to be written."""
    result = call(made, stream, *REPORT, code=MADE + MAIN)
    assert result.returncode == 0
    assert (made / "log-report.html").read_text().startswith("<!DOCTYPE html>")
    assert (made / "log-report.json").read_text().endswith("}\n")
    if stream == ">/dev/full":
        line = "The files are written, but the output could not be printed"
        assert result.stderr.startswith(f"{line} ({FULL})")
        assert len(result.stderr.splitlines()) == 1
    else:
        assert result.stderr == ""


def test_messages_never_go_into_a_report(made):
    """With all streams closed the next file to be opened would be the new standard output."""
    code = MADE + "import os\n" + MAIN.replace("main()", "os.close(2); os.close(1); main()")
    result = call(made, "", *REPORT, code=code)
    assert result.returncode == 0
    assert (made / "log-report.html").read_text().startswith("<!DOCTYPE html>")
    assert "Report: " not in (made / "log-report.html").read_text()


def test_who_stops_reading_is_no_fault(folder):
    """`uptake check … | head -n 1` shows its line and nothing else."""
    process = subprocess.Popen(
        [sys.executable, "-c", MAIN, *CHECK],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    process.stdout.close()
    assert process.stderr.read() == b""
    assert process.wait(20) == 0


@pytest.mark.parametrize("command", ["check", "report"])
def test_a_current_folder_that_is_gone_is_told(folder, command):
    """One line, whatever paths are given."""
    gone = folder / "gone"
    gone.mkdir()
    files = (str(folder / "log.csv"), "--tank", str(folder / "tank.toml"))
    result = call(gone, "", command, *files, code=f"import os; os.rmdir({str(gone)!r})\n{MAIN}")
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == "the current folder is gone; change to another one\n"


def test_the_exit_code_of_bad_input_is_one():
    """The beginning of the command states it again, since it loads nothing."""
    assert start.BAD_INPUT == terminal.ExitCode.BAD_INPUT


def test_the_checks_of_a_fit_do_without_docstrings():
    """Python leaves them out with -OO, and ArviZ adds to its own."""
    code = (
        "import numpy as np\n"
        "from estimator.fit.checks import _left_out, diagnose\n"
        "x = np.random.default_rng(1).standard_normal((400, 3))\n"
        "found = diagnose({'x': x[:, 0]}, 4, 0)\n"
        "left_out = _left_out(-0.05 * x**2, 4)\n"
        "print(__debug__, found.r_hat_max < 1.1, np.isfinite(left_out).all())\n"
    )
    result = subprocess.run(
        [sys.executable, "-OO", "-W", "ignore", "-c", code],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.stdout.split() == ["False", "True", "True"], result.stderr
