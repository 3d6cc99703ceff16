"""Inputs and outputs that are no ordinary files, or whose names are weapons."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from helpers import studies
from helpers.catalogue import LOG, TANK
from helpers.command import run
from helpers.outputs import a_page, a_twin

posix = pytest.mark.skipif(os.name != "posix", reason="POSIX file kinds")
surrogates = pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes on Linux")

NAMES = [
    "line\nbreak",
    "tab\tand\rreturn",
    "\x1b[2J\x1b]0;title\x07escape",
    "\u202egnp.right-to-left",
    "zero\u200bwidth\u2066",
    "<script>alert(1)<script>",
    "'; DROP TABLE tanks; --",
    "{tank.__class__} %s %n {{7*7}} ${HOME} $(id) `id`",
    "[bold red]markup[bold] **bold** [link](example.invalid)",
    "..",
    "-n",
    "鱼🐠",
    "x" * 200,
    pytest.param("caf\udce9", marks=surrogates),
]
"""Stems of file names; the last is a byte that is no UTF-8."""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A current folder, two levels down, with the good pair of files."""
    inner = tmp_path / "outer" / "inner"
    inner.mkdir(parents=True)
    monkeypatch.chdir(inner)
    Path("log.csv").write_text(LOG)
    Path("tank.toml").write_text(TANK)
    return tmp_path


@pytest.fixture
def fitted(monkeypatch):
    """The fit is replaced by a made-up study, and the page, whose making takes long, by a stub."""
    monkeypatch.setattr(
        "estimator.pipeline.run_study", lambda *_, **__: studies.build_study("full")
    )
    monkeypatch.setattr("reports.page.shell.render", lambda *_: "<!DOCTYPE html>")


def files(folder):
    """All files below `folder`; names only, as some cannot be read."""
    return sorted(path for path in folder.rglob("*"))


# --- inputs ----------------------------------------------------------------------------------


def make_fifo(path):
    os.mkfifo(path)


def make_socket(path):
    # A socket's path must be short, so it is made from within its folder.
    made = socket.socket(socket.AF_UNIX)
    made.bind(path.name)
    made.close()


def make_loop(path):
    path.symlink_to(path.name)


def make_dangling(path):
    path.symlink_to("nowhere")


def make_folder(path):
    path.mkdir()


def make_link_to_endless(path):
    path.symlink_to("/dev/zero")


ODD_FILES = [
    (make_fifo, "not an ordinary file"),
    (make_socket, "not an ordinary file"),
    (make_link_to_endless, "not an ordinary file"),
    (make_loop, "cannot be opened"),
    (make_dangling, "cannot be opened"),
]


@posix
@pytest.mark.parametrize("which", ["log.csv", "tank.toml"])
@pytest.mark.parametrize("command", ["check", "report"])
@pytest.mark.parametrize(("make", "words"), ODD_FILES)
def test_odd_files_are_refused_without_waiting(folder, no_fit, which, command, make, words):
    """A pipe that nobody writes to or an endless device keeps nobody waiting."""
    Path(which).unlink()
    make(Path(which))
    before = files(folder)
    results = []
    call = threading.Thread(
        target=lambda: results.append(run(command, "log.csv", "--tank", "tank.toml")), daemon=True
    )
    call.start()
    call.join(10)
    assert results, "the command hangs"
    assert results[0].exit_code == 2
    assert results[0].output.startswith(f"{which}: ")
    assert words in results[0].output
    assert "check the path and its permissions" in results[0].output
    assert files(folder) == before


def test_a_folder_for_a_file_is_refused(folder, no_fit):
    """A folder where a file is needed is said to be one."""
    Path("folder").mkdir()
    assert "folder: cannot be opened" in run("check", "folder", "--tank", "tank.toml").output
    for command in ("check", "report"):
        result = run(command, "log.csv", "--tank", "folder")
        assert result.exit_code == 2
        assert "folder: cannot be opened" in result.output


@pytest.mark.skipif(
    os.name != "posix" or os.geteuid() == 0, reason="permissions do not bind this user"
)
def test_an_unreadable_file_is_named(folder, no_fit):
    """Permission is what lacks, and the message says so."""
    Path("log.csv").chmod(0)
    result = run("check", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 2
    assert "Permission denied" in result.output


@pytest.mark.parametrize("name", ["x" * 300 + ".csv", "y/" * 3000 + "log.csv", "no/../../etc/x"])
def test_a_long_or_missing_path_is_cut_to_its_end(folder, no_fit, name):
    """A path of thousands of characters does not flood the screen."""
    result = run("check", name, "--tank", "tank.toml")
    assert result.exit_code == 2
    assert len(result.output) < 300
    assert f"{name[-20:]}: cannot be opened" in result.output


@posix
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("command", ["check", "report"])
def test_hostile_names_of_broken_inputs(folder, no_fit, command, name):
    """A message about a file shows nothing of its name but harmless text."""
    log, tank = Path(f"{name}.csv"), Path(f"{name}.toml")
    log.write_text("time,entry,value\nx,y,z\n")
    tank.write_text("= 1")
    before = files(folder)
    result = run(command, f"./{log}", "--tank", f"./{tank}", *out_option(command))
    assert result.exit_code == 2
    assert "is not valid TOML" in result.output
    assert "row 2, time: found 'x'" in result.output
    assert files(folder) == before


def out_option(command):
    """Default names come from the log's; here only the inputs are tried."""
    return ("--out", "report.html") if command == "report" else ()


@posix
@pytest.mark.parametrize("name", NAMES)
def test_hostile_names_of_good_inputs(folder, fitted, name):
    """The report takes its name from the log's, in the current folder and nowhere else."""
    log = Path("..") / f"{name}.csv"
    log.write_text(LOG)
    before = files(folder)
    # "./" keeps a leading hyphen from being read as an option.
    result = run("report", f"./{log}", "--tank", "tank.toml")
    assert result.exit_code == 0, result.output
    new = set(files(folder)) - set(before)
    assert new == {Path.cwd() / f"{name}-report{suffix}" for suffix in (".html", ".json")}


# --- outputs ---------------------------------------------------------------------------------


@posix
@pytest.mark.parametrize("name", NAMES)
def test_hostile_names_of_outputs(folder, fitted, name):
    """A file of any name is written, and its name shows as harmless text."""
    result = run("report", "log.csv", "--tank", "tank.toml", f"--out={name}.html")
    assert result.exit_code == 0, result.output
    assert Path(f"{name}.html").is_file()
    assert Path(f"{name}.json").is_file()
    assert len(os.listdir()) == 4


@pytest.mark.parametrize(
    "out",
    [
        *(".", "..", "/", "", "folder", "folder/", "log.csv", "./log.csv", "../inner/tank.toml"),
        *("missing/a.html", "log.csv/a.html", "a.json", "x" * 300 + ".html", "taken.html"),
    ],
)
def test_places_that_cannot_hold_a_report(folder, no_fit, out):
    """Each is refused before the fit, names `--out` or the suffix, and changes nothing."""
    Path("folder").mkdir()
    Path("taken.json").mkdir()
    before = files(folder)
    result = run("report", "log.csv", "--tank", "tank.toml", "--out", out)
    assert result.exit_code == 2, result.output
    assert "--out" in result.output or "name it .html" in result.output
    assert files(folder) == before
    assert Path("log.csv").read_text() == LOG
    assert Path("tank.toml").read_text() == TANK


@posix
@pytest.mark.parametrize("make", [make_fifo, make_socket])
@pytest.mark.parametrize("out", ["a.html", "a.json"])
def test_pipes_and_devices_are_never_replaced(folder, no_fit, make, out):
    """As root, moving a report to the place of a device would remove the device."""
    make(Path(out))
    kind = os.lstat(out).st_mode
    result = run("report", "log.csv", "--tank", "tank.toml", "--out", "a.html")
    assert result.exit_code == 2
    assert f"{out}: that is a device or a pipe" in result.output
    assert os.lstat(out).st_mode == kind


@posix
def test_inputs_are_known_by_any_name(folder, no_fit):
    """A hard link or a symbolic link to the log is the log."""
    os.link("log.csv", "hard.html")
    os.symlink("tank.toml", "soft.html")
    for out in ("hard.html", "soft.html"):
        result = run("report", "log.csv", "--tank", "tank.toml", "--out", out)
        assert result.exit_code == 2
        assert "never written over" in result.output
    assert Path("log.csv").read_text() == LOG


@posix
@pytest.mark.parametrize("target", ["elsewhere.html", "nowhere", "a.html"])
@pytest.mark.parametrize("name", ["a.html", "a.json"])
def test_a_link_to_anything_but_a_report_is_left_alone(folder, no_fit, target, name):
    """Nobody can have a report written over a file of theirs by placing a link."""
    Path("elsewhere.html").write_text("mine")
    os.symlink(target, name)
    result = run("report", "log.csv", "--tank", "tank.toml", "--out", "a.html")
    assert result.exit_code == 2
    assert f"{name}: what stands there is not known" in result.output
    assert os.readlink(name) == target
    assert Path("elsewhere.html").read_text() == "mine"
    assert not Path("nowhere").exists()


def test_the_log_of_another_tank_is_not_written_over(folder, no_fit):
    """`--out` may name a file that is no input of this run and still somebody's work."""
    Path("other.csv").write_text(LOG)
    before = files(folder)
    result = run("report", "log.csv", "--tank", "tank.toml", "--out", "other.csv")
    assert result.exit_code == 2
    assert "choose another --out" in result.output
    assert Path("other.csv").read_text() == LOG
    assert files(folder) == before


FORMER = a_page()
READ_ONLY = """\
import os, sys
import estimator.inputs.read, reports.extras
from reports.cli import main
if os.geteuid() == 0:
    os.setgid(65534); os.setuid(65534)
main(["report", "log.csv", "--tank", "tank.toml", "--out", "a.html"])
"""


@posix
def test_a_read_only_folder_leaves_the_former_report(folder, no_fit):
    """The run ends before the fit; root drops its rights to take part."""
    place = Path(tempfile.mkdtemp())
    try:
        for name, text in (("a.html", FORMER), ("a.json", a_twin()), ("log.csv", LOG)):
            (place / name).write_text(text)
        (place / "tank.toml").write_text(TANK)
        place.chmod(0o555)
        run = subprocess.run(
            [sys.executable, "-c", READ_ONLY],
            cwd=place,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert run.returncode == 2, run.stderr
        assert run.stderr.startswith("a.html: could not be written (Permission denied)")
        assert (place / "a.html").read_text() == FORMER
        assert len(list(place.iterdir())) == 4
    finally:
        with suppress(OSError):
            place.chmod(0o755)
        for path in place.iterdir():
            path.unlink()
        place.rmdir()
