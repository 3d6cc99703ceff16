"""Full disks, killed runs and runs at once: a former report stays whole until a new one is."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from estimator.errors import OutputError
from helpers.outputs import a_page, a_twin
from reports.output import destination, write

ROOT = Path(__file__).parents[2]
OLD_PAGE, OLD_TWIN = a_page("old page " * 300), a_twin("old twin " * 300)
NEW_PAGE, NEW_TWIN = a_page("new page " * 9000), a_twin("new twin " * 9000)
pytestmark = pytest.mark.skipif(os.name != "posix", reason="POSIX signals and limits")


@pytest.fixture
def former(tmp_path):
    """The folder of a former report."""
    (tmp_path / "a.html").write_text(OLD_PAGE)
    (tmp_path / "a.json").write_text(OLD_TWIN)
    return tmp_path


def contents(folder):
    return {path.name: path.read_text() for path in folder.iterdir()}


def start(code, folder, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])},
        stderr=subprocess.PIPE,
        text=True,
    )


def finish(process):
    _, errors = process.communicate(timeout=60)
    return process.returncode, errors


WRITE = """\
import sys
from pathlib import Path
from helpers.outputs import a_page, a_twin
from reports.output import destination, write
write(destination(Path("a.html"), []), a_page("new page " * 9000), a_twin("new twin " * 9000))
"""


def test_a_file_size_limit_leaves_the_former_report(former):
    """A real refusal by the system, half way through a file."""
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (50000, 50000))\n"
    code, errors = finish(start(limit + WRITE, former))
    assert code == 1
    assert "OutputError: a.html: could not be written (File too large)" in errors
    assert contents(former) == {"a.html": OLD_PAGE, "a.json": OLD_TWIN}


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 128 kB, where the machine lets a test mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", str(folder)]
    try:
        mounted = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    except OSError:
        mounted = False
    if not mounted:
        pytest.skip("no disk can be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_leaves_the_former_report(small_disk):
    """The page fits and the twin does not: both former files stand, and no fragment is left."""
    (small_disk / "a.html").write_text(OLD_PAGE)
    (small_disk / "a.json").write_text(OLD_TWIN)
    where = destination(small_disk / "a.html", [])
    with pytest.raises(OutputError, match="No space left on device"):
        write(where, NEW_PAGE, NEW_TWIN)
    assert contents(small_disk) == {"a.html": OLD_PAGE, "a.json": OLD_TWIN}
    # There is room again, so nothing of the failed attempt takes any.
    write(where, "small page", "small twin")
    assert contents(small_disk) == {"a.html": "small page", "a.json": "small twin"}


def test_a_disk_remounted_read_only_is_refused_at_once(small_disk):
    """The run stops before the fit, even for root."""
    (small_disk / "a.html").write_text(OLD_PAGE)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(OutputError, match="Read-only file system"):
        destination(small_disk / "a.html", [])
    assert contents(small_disk) == {"a.html": OLD_PAGE}


KILLED = """\
import os, shutil, signal, sys
calls, last = [], int(sys.argv[1])

def dying(really):
    def call(*args, **kwargs):
        for act in (lambda: None, lambda: really(*args, **kwargs)):
            if len(calls) == last:
                os.kill(os.getpid(), signal.SIGKILL)
            calls.append(act)
            act()
    return call

for module, name in ((os, "fsync"), (os, "replace"), (shutil, "copy2"), (os, "unlink")):
    setattr(module, name, dying(getattr(module, name)))
import pathlib
pathlib.Path.unlink = dying(pathlib.Path.unlink)
"""


@pytest.mark.parametrize("moment", range(22))
def test_a_killed_run_leaves_whole_files(former, moment):
    """Killed before or after any step, each file is the whole former or the whole new one.

    Only between the two moves may they differ, and the next run is not hindered by what is left.
    """
    code, errors = finish(start(KILLED + WRITE, former, str(moment)))
    assert code == -9, errors
    left = contents(former)
    pair = (left.pop("a.html"), left.pop("a.json"))
    assert pair in {(OLD_PAGE, OLD_TWIN), (NEW_PAGE, OLD_TWIN), (NEW_PAGE, NEW_TWIN)}
    assert all(name.startswith(".a.") for name in left)
    began = time.perf_counter()
    write(destination(former / "a.html", []), "page", "twin")
    assert time.perf_counter() - began < 5
    after = contents(former)
    assert (after["a.html"], after["a.json"]) == ("page", "twin")
    assert after.keys() == left.keys() | {"a.html", "a.json"}


AT_ONCE = """\
import sys, time
from pathlib import Path
from helpers.outputs import a_page, a_twin
from reports.output import destination, write
name = sys.argv[1]
while not Path("go").exists():
    time.sleep(0.001)
for _ in range(40):
    page, twin = a_page(f"{name} page " * 5000), a_twin(f"{name} twin " * 5000)
    write(destination(Path("a.html"), []), page, twin)
"""


def test_runs_at_once_leave_one_whole_pair(tmp_path):
    """Whoever is last leaves both files; a reader meets only whole ones at any time."""
    names = ("one", "two", "three")
    pages = {a_page(f"{name} page " * 5000): name for name in names}
    twins = {a_twin(f"{name} twin " * 5000): name for name in names}
    runs = [start(AT_ONCE, tmp_path, name) for name in names]
    (tmp_path / "go").touch()
    while any(run.poll() is None for run in runs):
        for path, whole in ((tmp_path / "a.html", pages), (tmp_path / "a.json", twins)):
            if path.exists():
                assert path.read_text() in whole
    assert [finish(run) for run in runs] == [(0, "")] * 3
    left = contents(tmp_path)
    assert left.keys() == {"go", "a.html", "a.json"}
    assert pages[left["a.html"]] == twins[left["a.json"]]


PAUSED = """\
import os, sys, time
from pathlib import Path
really = os.replace
def slow(source, target):
    really(source, target)
    if str(target) == "a.html":
        Path("moved").touch()
        time.sleep(0.5)
os.replace = slow
"""


@pytest.mark.skipif(sys.platform == "darwin", reason="checked where a folder can be locked")
def test_a_run_waits_while_another_moves_its_files(former):
    """A run that comes between the two moves of another does not mix the two pairs."""
    slow = start(PAUSED + WRITE, former)
    until = time.perf_counter() + 30
    while not (former / "moved").exists() and time.perf_counter() < until:
        time.sleep(0.005)
    assert (former / "moved").exists()
    write(destination(former / "a.html", []), "page", "twin")
    assert finish(slow) == (0, "")
    after = contents(former)
    assert (after["a.html"], after["a.json"]) == ("page", "twin")
