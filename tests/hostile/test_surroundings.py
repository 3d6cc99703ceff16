"""Odd surroundings: no home, no folder to write to, settings of libraries that would harm a fit."""

from __future__ import annotations

import ctypes
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from estimator import surroundings
from estimator.errors import OutputError

ROOT = Path(__file__).parents[2]
posix = pytest.mark.skipif(os.name != "posix", reason="POSIX users and permissions")
LOCATED = """\
import numba, pytensor
from estimator.synthetic import simulation
print(numba.config.CACHE_DIR, pytensor.config.compiledir, pytensor.config.floatX, sep="\\n")
"""


@pytest.fixture
def bare(tmp_path, monkeypatch):
    """`bare(code)` runs Python with a package that keeps no caches and a user without a home.

    That holds for root too: a file is where the folder of the caches would be, and nothing can be
    made in /proc.
    """
    package = tmp_path / "package"
    for name in ("estimator", "reports"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / name, package / name, ignore=ignored)
    for folder in ("fit", "next_tests", "synthetic"):
        (package / "estimator" / folder / "__pycache__").write_text("not a folder")
    (tmp_path / "temporary").mkdir()
    kept = {name: value for name, value in os.environ.items() if not name.startswith("XDG_")}
    for name in ("PYTENSOR_FLAGS", "NUMBA_CACHE_DIR", "MPLCONFIGDIR"):
        kept.pop(name, None)

    def call(code, **environment):
        return subprocess.run(
            [sys.executable, "-B", "-c", code],
            cwd=tmp_path,
            env=kept
            | {"PYTHONPATH": str(package), "HOME": "/proc/nobody"}
            | {"TMPDIR": str(tmp_path / "temporary")}
            | environment,
            capture_output=True,
            text=True,
            check=False,
        )

    return call


SETTLED = "from estimator.surroundings import settle; settle()\n"


@posix
def test_without_a_home_caches_go_to_the_users_own_temporary_folder(bare, tmp_path):
    """All that a fit loads does load, and what is kept is safe from others and stays."""
    result = bare(SETTLED + LOCATED + "import estimator.fit.fitting")
    assert result.returncode == 0, result.stderr
    assert "mkdir" not in result.stderr
    kept = tmp_path / "temporary" / f"reef-uptake-{os.getuid()}"
    kernels, compiled, _ = result.stdout.splitlines()
    assert kernels == str(kept / "numba")
    assert compiled.startswith(str(kept / "pytensor"))
    assert stat.S_IMODE(kept.stat().st_mode) == 0o700


@posix
def test_without_a_home_and_unsettled_nothing_loads(bare):
    """Without this the test above could not fail."""
    result = bare("from estimator.synthetic import simulation")
    assert "no locator available" in result.stderr


@posix
def test_a_home_for_caches_is_used(bare, tmp_path):
    """Who has a home finds nothing in the folder for temporary files."""
    home = tmp_path / "home"
    home.mkdir()
    result = bare(SETTLED + LOCATED, HOME=str(home))
    assert result.returncode == 0, result.stderr
    assert result.stdout.splitlines()[0] == ""
    assert result.stdout.splitlines()[1].startswith(str(home))
    assert list((tmp_path / "temporary").iterdir()) == []


def test_a_keepers_settings_of_the_libraries_change_no_fit(bare):
    """Single precision would stop the fit; a cache that was chosen is used."""
    result = bare(
        SETTLED + LOCATED, PYTENSOR_FLAGS="floatX=float32", NUMBA_CACHE_DIR="/proc/self/cwd/mine"
    )
    assert result.returncode == 0, result.stderr
    kernels, _, precision = result.stdout.splitlines()
    assert (kernels, precision) == ("/proc/self/cwd/mine", "float64")


def make_folder(path):
    path.mkdir()
    path.chmod(0o777)


def make_link(path):
    (path.parent / "elsewhere").mkdir(mode=0o700)
    path.symlink_to("elsewhere")


def make_file(path):
    path.write_text("")


@posix
@pytest.mark.parametrize("make", [make_folder, make_link, make_file])
def test_a_folder_that_somebody_else_may_fill_is_refused(tmp_path, monkeypatch, make):
    """What lies in a cache of compiled code is run: it must be the user's own."""
    make(tmp_path / f"reef-uptake-{os.getuid()}")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(surroundings, "_has_home", lambda: False)
    monkeypatch.setattr(os, "environ", os.environ.copy())
    with pytest.raises(OutputError, match="set TMPDIR"):
        surroundings.settle()


@posix
def test_a_folder_of_another_user_is_refused(tmp_path, monkeypatch):
    """Whoever made it first may still write to it."""
    own = os.getuid()
    (tmp_path / f"reef-uptake-{own + 1}").mkdir(mode=0o700)
    monkeypatch.setattr(os, "getuid", lambda: own + 1)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(surroundings, "_has_home", lambda: False)
    monkeypatch.setattr(os, "environ", os.environ.copy())
    with pytest.raises(OutputError, match="set TMPDIR"):
        surroundings.settle()


FAULTS = """\
import resource
import numpy as np
def once():
    # Several at a time, as a filter asks for them, and none of them from before.
    for _ in range(3):
        arrays = [np.empty(500_000) for _ in range(8)]
        for array in arrays:
            array[:] = 1.0
        del array, arrays
once()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(10):
    once()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""
glibc = pytest.mark.skipif(
    not (os.name == "posix" and hasattr(ctypes.CDLL(None), "mallopt")),
    reason="a C library that can be told to keep memory",
)


@glibc
def test_memory_of_a_long_logs_filter_is_not_handed_back_each_time(bare) -> None:
    """Megabytes asked for again and again come from the process, not page by page from the system.

    Otherwise the system takes longer over them than the filter; left alone it does.
    """
    kept, alone = (int(bare(code + FAULTS).stdout) for code in (SETTLED, ""))
    assert kept < 500
    assert alone > 10 * max(kept, 100)


def test_a_c_library_that_keeps_what_it_likes_is_left_alone(monkeypatch) -> None:
    """Only glibc has `mallopt`."""
    monkeypatch.setattr(surroundings.ctypes, "CDLL", lambda _: object())
    surroundings._keep_memory()
