"""What the libraries of a fit read of their surroundings, settled before any of them loads.

A keeper's own settings for PyTensor must not change a fit, and a machine without a home that can be
written to (a service account, a container) must not hinder one.
"""

from __future__ import annotations

import ctypes
import os
import stat
import tempfile
from contextlib import suppress
from pathlib import Path

from estimator.errors import OutputError

PYTENSOR_FLAGS = "cxx=,floatX=float64"
"""The model runs on PyTensor's Python linker, so no C compiler need be looked for, and in double
precision, whatever a keeper's own settings say."""
KERNELS = Path(__file__).parent / "fit"
"""Where numba keeps what it compiled, in the folder's `__pycache__`, if it can."""
LARGEST_KEPT = 32 * 2**20
"""Bytes of one array that are kept for the next, and a quarter of all that may lie free: the filter
of a long log asks for the same megabytes thousands of times, and the system takes as long to hand
them out, page by page, as the filter takes to fill them. glibc takes no more for one array
(mallopt(3))."""
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3


def settle() -> None:
    """Set the environment that NumPy, PyTensor, numba, ArviZ and Matplotlib read as they load.

    Processes started later inherit it. What these libraries keep between runs goes to a temporary
    folder where there is no home for it.

    Raises:
        OutputError: there is no safe folder for temporary files either.
    """
    # Matrices here are a dozen wide: threads only get in each other's way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ["PYTENSOR_FLAGS"] = PYTENSOR_FLAGS
    # A tenth less to wait for on a first run; the kernels are as fast.
    os.environ.setdefault("NUMBA_OPT", "2")
    _keep_memory()
    if _has_home():
        return
    kept = _temporary_folder()
    os.environ["PYTENSOR_FLAGS"] += f",base_compiledir={kept / 'pytensor'}"
    os.environ["XDG_CACHE_HOME"] = str(kept)  # ArviZ keeps a date there
    os.environ.setdefault("MPLCONFIGDIR", str(kept / "matplotlib"))
    if not _can_hold(KERNELS / "__pycache__"):
        os.environ.setdefault("NUMBA_CACHE_DIR", str(kept / "numba"))


def _keep_memory() -> None:
    """Freed memory stays with the process, where its C library can be told so (glibc)."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if os.name == "posix" else None
    if mallopt is not None:
        mallopt(M_MMAP_THRESHOLD, LARGEST_KEPT)
        mallopt(M_TRIM_THRESHOLD, 4 * LARGEST_KEPT)


def _has_home() -> bool:
    """Whether the folders can be written to in which libraries keep things for a user."""
    home = Path(os.path.expanduser("~"))
    caches = os.environ.get("XDG_CACHE_HOME") or home / ".cache"
    settings = os.environ.get("XDG_CONFIG_HOME") or home / ".config"
    # A user without a home has "~" itself.
    places = (home / ".pytensor", Path(caches), Path(settings))
    return home.is_absolute() and all(_can_hold(place) for place in places)


def _can_hold(folder: Path) -> bool:
    """Whether files can be put into a folder, which need not exist yet.

    On trying: permissions say nothing of a disk that is read-only, or for root.
    """
    try:
        while not folder.exists():
            folder = folder.parent
        tempfile.TemporaryFile(dir=folder).close()
    except OSError:
        return False
    return True


def _temporary_folder() -> Path:
    """A folder of this user's own that stays for the next run.

    What numba finds in its cache it runs, so nobody else may be able to write there.
    """
    try:
        around = Path(tempfile.gettempdir())
    except OSError as error:
        msg = "no folder for temporary files can be written to; set TMPDIR to one"
        raise OutputError(msg) from error
    user = os.getuid() if hasattr(os, "getuid") else None
    folder = around / f"reef-uptake-{'cache' if user is None else user}"
    with suppress(FileExistsError):
        folder.mkdir(mode=0o700)
    found = folder.lstat()
    mine = user is None or (found.st_uid == user and not stat.S_IMODE(found.st_mode) & 0o022)
    if not (mine and stat.S_ISDIR(found.st_mode)):
        msg = f"{folder}: somebody else can write there; remove it or set TMPDIR to another folder"
        raise OutputError(msg)
    return folder
