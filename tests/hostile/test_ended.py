"""A run that is ended in any way leaves no process, no part of a file and no traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from helpers.catalogue import LOG, TANK
from helpers.outputs import a_page, a_twin
from helpers.processes import gone, members

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="process groups, /proc")
MAIN = "from reports.start import main; main()"
REPORT = ("report", "log.csv", "--tank", "tank.toml")
SLEEPERS = """\
import multiprocessing, sys, time
from estimator.processes import Bound

def sleep(pipe):
    sys.stdout.write("asleep\\n")  # at once, or two would mix
    sys.stdout.flush()
    pipe.recv()  # as a chain waits for its parent; the others hold the parent's end open

def begin(method):
    context = Bound(method)
    for _ in range(3):
        pipe, other = context.Pipe()
        context.Process(target=sleep, args=(pipe,), daemon=True).start()
        keep.append(other)
    time.sleep(60)

keep = []
"""
FIT = (
    SLEEPERS
    + "import estimator.pipeline\nestimator.pipeline.run_study = lambda *_, **__: begin(None)\n"
)


@pytest.fixture
def folder(tmp_path):
    """A folder with the good pair of files."""
    (tmp_path / "log.csv").write_text(LOG)
    (tmp_path / "tank.toml").write_text(TANK)
    return tmp_path


def start(code, folder, *arguments):
    return subprocess.Popen(
        [sys.executable, *code, *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def wait_for_sleepers(process):
    assert [process.stdout.readline() for _ in range(3)] == ["asleep\n"] * 3
    assert len(members(process.pid)) >= 4


@pytest.mark.parametrize("method", ["fork", "spawn", "forkserver"])
def test_processes_end_with_a_killed_parent(tmp_path, method):
    """Nothing tells a parent that is killed, yet none of its processes stays behind."""
    script = tmp_path / "script.py"
    script.write_text(SLEEPERS + "if __name__ == '__main__':\n    begin(sys.argv[1])\n")
    process = start([str(script)], tmp_path, method)
    wait_for_sleepers(process)
    process.kill()
    process.wait(10)
    assert gone(process.pid)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("all_of_them", [False, True], ids=["command", "group"])
def test_a_signal_while_fitting_ends_all_in_silence(folder, number, all_of_them):
    """Code 128 and the signal's number, whether it reaches the command alone or the whole group."""
    process = start(["-c", FIT + MAIN], folder, *REPORT)
    wait_for_sleepers(process)
    (os.killpg if all_of_them else os.kill)(process.pid, number)
    out, err = process.communicate(timeout=20)
    assert (process.returncode, out, err) == (128 + number, "", "")
    assert gone(process.pid)
    assert sorted(os.listdir(folder)) == ["log.csv", "tank.toml"]


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGINT])
def test_a_signal_that_the_caller_ignores_is_ignored(folder, number):
    """`nohup uptake …` outlives its terminal, and a run in a shell's background Ctrl-C; so do
    their processes."""
    ignore = f"import signal; signal.signal({int(number)}, signal.SIG_IGN)\n"
    process = start(["-c", ignore + FIT + MAIN], folder, *REPORT)
    wait_for_sleepers(process)
    os.killpg(process.pid, number)
    time.sleep(0.5)
    assert len(members(process.pid)) >= 4
    process.terminate()
    assert process.wait(20) == 128 + signal.SIGTERM
    assert gone(process.pid)


@pytest.mark.sampler
@pytest.mark.skipif(os.cpu_count() == 1, reason="all in one process")
def test_a_killed_fit_leaves_no_chains(folder):
    """The real chains and the process that started them, killed at work."""
    readings = "".join(f"2025-03-{day:02d},alkalinity,,{8 + day % 3}\n" for day in range(5, 28))
    (folder / "log.csv").write_text("time,entry,of,value\n" + readings)
    process = start(["-c", MAIN], folder, *REPORT)
    deadline = time.monotonic() + 120
    while len(members(process.pid)) < 5 and time.monotonic() < deadline:
        time.sleep(0.02)
    assert process.poll() is None
    process.kill()
    process.wait(10)
    assert gone(process.pid)


WRITE = """\
import os, signal
from pathlib import Path
from helpers.outputs import a_page, a_twin
from reports.output import destination, write

def ended(*_):
    raise SystemExit(7)

signal.signal(signal.SIGTERM, ended)
replace, calls = os.replace, []

def replace_and_be_ended(*paths):
    replace(*paths)
    calls.append(paths)
    if len(calls) == MOMENT:
        os.kill(os.getpid(), signal.SIGTERM)

os.replace = replace_and_be_ended
write(destination(Path("a.html"), []), a_page("new"), a_twin("new"))
"""


@pytest.mark.parametrize("moment", [1, 2])
def test_a_signal_between_the_moves_of_both_files_waits(tmp_path, moment):
    """A run that is ended then leaves the new pair, never a mixed one."""
    (tmp_path / "a.html").write_text(a_page("old"))
    (tmp_path / "a.json").write_text(a_twin("old"))
    process = start(["-c", WRITE.replace("MOMENT", str(moment))], tmp_path)
    _, err = process.communicate(timeout=20)
    assert process.returncode == 7, err
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "a.html": a_page("new"),
        "a.json": a_twin("new"),
    }


def test_ctrl_c_in_the_first_moments_says_nothing(folder):
    """While the program loads itself there is nothing to clear away, and nothing to tell."""
    code = (
        "import os, signal, sys\n"
        "import reports.start\n"
        "class Late:\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'click':\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Late())\n"
        "reports.start.main()\n"
    )
    process = start(["-c", code], folder, *REPORT)
    out, err = process.communicate(timeout=20)
    assert (process.returncode, out, err) == (-signal.SIGINT, "", "")
